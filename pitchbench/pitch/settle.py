"""The settling fit: what the pitch of a pluck tends to once its glide has died.

All partials share one glide, because it is the tension that relaxes:

    phase_k(t) = theta_k + 2 pi f_k (t + s_k sum over j of eps_j tau_j (1 - exp(-t / tau_j)))

with f_k on the stiff-string law and s_k = (1 + B) / (1 + B k^2), since bending stiffness does not
relax: f_k^2 is proportional to k^2 (T + const k^2). For given time constants this is linear in
theta_k, f1, B and eps_j, so a whole family of glides is solved at once and the answers are averaged
with their posterior probabilities. What the glide's shape leaves open thus ends up in the
uncertainty, and a steady tone is not charged for a glide that it does not have.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.beating import RHO_SIGMA, Leftover, second_polarisation
from pitchbench.pitch.follow import FASTEST_DECAY_PER_S, Followed, excess_of, follow
from pitchbench.pitch.glide import (
    EPS_SIGMA,
    PACES,
    TAU_S,
    Evidence,
    Glides,
    Solution,
    average_over,
    energy_of,
    glides_of,
)
from pitchbench.pitch.partials import Array, Bands, Demodulator, law_gradient, stiff_ratio
from pitchbench.pitch.settled import Settled, u_of
from pitchbench.pitch.tail import does_not_fit, tail_average
from pitchbench.units import CENTS_PER_NEPER

#: How often the fit is repeated about the second polarisation that it found.
_BEAT_TURNS: Final = 1
#: Fewer partials than this cannot tell a second polarisation from a change of pitch.
_FEWEST_VOTERS: Final = 3
#: The least share of the glide that a partial takes, below which it is asked how it is shared.
_SHARE_MATTERS: Final = 0.98
#: Share of a beat that a partial must go through for that.
_PINNED: Final = 0.6
#: The partials lie off the law when their spread (variance) is this many times what is expected: a
#: median of ten has a standard deviation of half its value.
_LAW_BROKEN: Final = 2.2
#: How far partials that seem to lie on it may do so unseen, 1 sigma.
_LAW_CENTS: Final = 3e-4


def settle(
    demodulator: Demodulator,
    number: NDArray[np.int64],
    *,
    f1_hz: float,
    stiffness_b: float,
    half_width_hz: float,
    rounds: int = 3,
) -> Settled | None:
    """Fit the shared glide and the stiff-string law to the partials ``number``.

    Parameters
    ----------
    demodulator : the stretch of sound, attack cut off.
    number : partials to use, shape (K,).
    f1_hz, stiffness_b : first estimates.
    half_width_hz : half width of each partial's band.
    rounds : how often the partials are brought down anew with the better estimate.

    Returns
    -------
    Settled or None
        None when no partial can be followed.
    """
    settled: Settled | None = None
    for turn in range(rounds):
        bands = demodulator.bands(number, f1_hz, stiffness_b, half_width_hz)
        followed = follow(demodulator, bands, settled)
        if followed is None:
            return settled
        settled = _fit(bands, followed, f1_hz, stiffness_b, last=turn == rounds - 1)
        f1_hz, stiffness_b = settled.f1_hz, settled.stiffness_b
    if settled is not None and does_not_fit(settled):
        return tail_average(demodulator, settled)
    return settled


def _fit(
    bands: Bands, followed: Followed, f1_hz: float, stiffness_b: float, *, last: bool
) -> Settled:
    """One round: weigh the partials, solve every candidate glide, average over them."""
    bands, followed = _only(bands, followed, followed.weight.sum(axis=1) > 0)
    t = bands.time_s
    number = bands.number
    f_model = f1_hz * stiff_ratio(number, stiffness_b)
    assumed = 2.0 * np.pi * (f_model - bands.centre_hz)[:, None] * t
    followed = replace(followed, phase=followed.phase - assumed)
    glides = glides_of(*energy_of(bands, followed), thorough=last)
    problem, fit = _best_shared(followed, glides, number, f_model, stiffness_b, last=last)
    plain = fit.solution.x
    shift = sigma = 0.0
    if last and len(number) >= _FEWEST_VOTERS:
        beating = second_polarisation(_leftover(problem, fit, f_model))
        shift, sigma = beating.shift, beating.sigma
        if beating.beat.shape[1]:
            fit = _with_beat(problem, beating.beat)
    solution = fit.solution
    heard_until = t[np.flatnonzero(followed.weight.sum(axis=0))[-1]]
    glide_eps = solution.eps @ glides.mix
    # No partial is heard beyond its band, whatever a hopeless fit makes of it.
    band = bands.half_width_hz / f_model
    last_glide = float(glide_eps @ np.exp(-heard_until / glides.tau_s))
    return Settled(
        f1_hz=f1_hz * (1.0 + solution.x + shift),
        u_cents=u_of(
            np.hypot(solution.u, sigma),
            beat=solution.x + shift - plain,
            first_glide=float(glide_eps.sum()),
            last_glide=last_glide,
        ),
        stiffness_b=float(np.clip(stiffness_b + solution.delta_b, 0.0, 1e-2)),
        glide_eps=glide_eps,
        glide_tau_s=glides.tau_s,
        bands=bands,
        frequency_hz=f_model * (1.0 + np.clip(fit.slope, -band, band)),
        u_partial=fit.u_slope,
        vote=fit.vote,
        law_sigma=fit.law_sigma,
        residual=fit.residual,
        weight=followed.weight,
        decay_rate=fit.decay_rate,
    )


def _best_shared(
    followed: Followed,
    glides: Glides,
    number: NDArray[np.int64],
    f_hz: Array,
    stiffness_b: float,
    *,
    last: bool,
) -> tuple[_Problem, _Weighed]:
    """The fit without beating, by the sharing of the glide that leaves less.

    Bending does not relax, so a stiff string's upper partials should glide less than its first; a
    string whose wrap carries the tension may not. Where it matters both are tried at the end.
    """
    held_back = (1.0 + stiffness_b) / (1.0 + stiffness_b * number.astype(np.float64) ** 2)
    shares = [held_back]
    if last and float(held_back.min()) < _SHARE_MATTERS:
        shares.append(np.ones_like(held_back))
    t = followed.time_s
    no_beat = np.zeros((len(number), 0, len(t)), dtype=np.complex128)
    pitch = np.broadcast_to(t, (len(number), 1, len(t)))
    tried = []
    for share in shares:
        columns = np.concatenate((pitch, share[:, None, None] * glides.integral(t)), axis=1)
        columns = columns * (2.0 * np.pi * f_hz[:, None, None])
        problem = _Problem(number, law_gradient(number, stiffness_b), columns, followed, glides)
        tried.append((problem, _weigh(problem, no_beat)))
    return min(tried, key=lambda one: float(one[1].excess.sum()))


def _with_beat(problem: _Problem, beat: NDArray[np.complex128]) -> _Weighed:
    """Fit with beating: log(1 + rho e) is first taken as rho e, then about the rho found.

    Only a partial that goes through most of a beat pins its rho down well enough for that.
    """
    fit = _weigh(problem, beat)
    turned = np.abs(np.unwrap(np.angle(beat[:, 0]), axis=1)[:, -1]) / (2.0 * np.pi)
    for _ in range(_BEAT_TURNS):
        swing = np.where(turned > _PINNED, fit.rho[:, 0], 0.0)[:, None] * beat[:, 0]
        swing = swing * np.minimum(1.0, 0.7 / np.maximum(np.abs(swing), 1e-12))
        beyond = np.log1p(swing) - swing
        followed = replace(
            problem.followed,
            phase=problem.followed.phase - beyond.imag,
            level=problem.followed.level - beyond.real,
        )
        fit = _weigh(replace(problem, followed=followed), beat, fit)
    return fit


def _only(bands: Bands, followed: Followed, used: NDArray[np.bool_]) -> tuple[Bands, Followed]:
    """The partials that are ``used``."""
    return (
        replace(
            bands,
            number=bands.number[used],
            centre_hz=bands.centre_hz[used],
            z=bands.z[used],
            noise=bands.noise[used],
        ),
        replace(
            followed,
            phase=followed.phase[used],
            level=followed.level[used],
            weight=followed.weight[used],
            decay_rate=followed.decay_rate[used],
        ),
    )


@dataclass(frozen=True, eq=False)
class _Problem:
    """One round's linear problem: ``columns`` (K, 1 + n, M) are the effect on each partial's phase
    of a relative change of pitch and of every glide; ``gradient`` (K,) of B on its pitch."""

    number: NDArray[np.int64]
    gradient: Array
    columns: Array
    followed: Followed
    glides: Glides


@dataclass(frozen=True, eq=False)
class _Weighed:
    """A fit with the weight that every partial turned out to deserve."""

    solution: Solution
    residual: NDArray[np.complex128]
    excess: Array
    vote: Array
    law_sigma: float
    slope: Array
    u_slope: Array
    decay_rate: Array
    rho: NDArray[np.complex128]


def _weigh(
    problem: _Problem, beat: NDArray[np.complex128], before: _Weighed | None = None
) -> _Weighed:
    """Solve, see how far each partial strays from noise and from the law, solve again."""
    followed = problem.followed
    own, triangle = _own_space(beat, followed)
    evidence = _boil_down(problem.columns, own, followed)
    if before is None:
        excess = vote = np.ones(len(problem.number))
        law_sigma = 0.02 / CENTS_PER_NEPER
    else:
        excess, vote, law_sigma = before.excess, before.vote, before.law_sigma
    for _ in range(2):
        solution = average_over(
            problem.glides,
            evidence,
            number=problem.number,
            gradient=problem.gradient,
            excess=excess / vote,
            law_sigma=law_sigma,
        )
        residual = _residual(problem.columns, own, followed, solution)
        excess = excess_of(residual.imag, followed.weight)
        slope, u_slope = _own_slopes(evidence, solution, excess)
        deviation = slope - solution.x - problem.gradient * solution.delta_b
        vote, law_sigma = _agreement(deviation, u_slope, problem.number)
    level_slope, rho = _own_values(problem, own, triangle, solution, slope)
    decay_rate = np.clip(followed.decay_rate - level_slope, 0.0, FASTEST_DECAY_PER_S)
    return _Weighed(solution, residual, excess, vote, law_sigma, slope, u_slope, decay_rate, rho)


def _own_values(
    problem: _Problem, own: Array, triangle: Array, solution: Solution, slope: Array
) -> tuple[Array, NDArray[np.complex128]]:
    """Slope of each partial's log level (K,) and its rho for each beat regressor (K, P)."""
    shared = solution.eps @ problem.columns[:, 1:] + slope[:, None] * problem.columns[:, 0]
    data = _stacked(replace(problem.followed, phase=problem.followed.phase - shared), own.shape[1])
    inside = np.einsum("krp,kr->kp", own, data)
    ridge = 1e-12 * np.abs(np.einsum("kii->ki", triangle)).max(axis=1)
    value = np.linalg.solve(
        triangle + ridge[:, None, None] * np.eye(own.shape[2]), inside[..., None]
    )
    value = value[:, :, 0]
    return value[:, 2], value[:, 3::2] + 1j * value[:, 4::2]


def _leftover(problem: _Problem, fit: _Weighed, frequency_hz: Array) -> Leftover:
    """What the search for a second polarisation works on: the fit's residual, and pitch, B and
    three pieces of glide (the one found, the one predicted, a quick one) to be fitted anew."""
    followed = problem.followed
    expected = fit.solution.eps @ problem.columns[:, 1:]
    pitch = problem.columns[:, 0]
    law = problem.gradient[:, None] * pitch
    shape = expected / max(1e-9, float(np.abs(fit.solution.eps).sum()))
    n = len(TAU_S)
    columns = np.stack(
        (pitch, law, shape, problem.columns[:, 1 + n + len(PACES) // 2], problem.columns[:, 10]),
        axis=1,
    )
    model = expected + fit.solution.x * pitch + fit.solution.delta_b * law
    return Leftover(
        followed.time_s,
        followed.phase - model,
        followed.level,
        followed.weight * (fit.vote / fit.excess)[:, None],
        columns,
        np.array([0.0, 1e-3**-2, *[EPS_SIGMA**-2] * 3]),
        np.where(problem.number == 1, 0.0, fit.law_sigma**2),
        frequency_hz,
        followed.decay_rate,
    )


def _own_space(beat: NDArray[np.complex128], followed: Followed) -> tuple[Array, Array]:
    """Orthonormal basis of what belongs to each partial alone, shape (K, 2 M + 2 P, 3 + 2 P), and
    the triangle (K, 3 + 2 P, 3 + 2 P) that leads from it back to the regressors.

    The rows are the phase, then the log level, each times the root of its weight; the columns span
    a constant phase, a constant level and its decay, and for each of the P beat regressors e(t) the
    complex factor rho of rho e(t), whose real part moves the level and whose imaginary part moves
    the phase. The last rows hold the prior of rho.
    """
    root = np.sqrt(followed.weight)
    t = followed.time_s
    k, p, m = len(root), beat.shape[1], len(t)
    space = np.zeros((k, 2 * m + 2 * p, 3 + 2 * p))
    space[:, :m, 0] = root
    space[:, m : 2 * m, 1] = root
    space[:, m : 2 * m, 2] = root * t
    for j in range(p):
        space[:, :m, 3 + 2 * j] = root * beat[:, j].imag
        space[:, :m, 4 + 2 * j] = root * beat[:, j].real
        space[:, m : 2 * m, 3 + 2 * j] = root * beat[:, j].real
        space[:, m : 2 * m, 4 + 2 * j] = -root * beat[:, j].imag
        space[:, 2 * m + 2 * j, 3 + 2 * j] = 1.0 / RHO_SIGMA
        space[:, 2 * m + 2 * j + 1, 4 + 2 * j] = 1.0 / RHO_SIGMA
    basis, triangle = np.linalg.qr(space)
    return basis, triangle


def _stacked(followed: Followed, rows: int) -> Array:
    """Phase and log level in the rows of :func:`_own_space`, shape (K, rows)."""
    root = np.sqrt(followed.weight)
    m = root.shape[1]
    stacked = np.zeros((len(root), rows))
    stacked[:, :m] = root * followed.phase
    stacked[:, m : 2 * m] = root * followed.level
    return stacked


def _boil_down(columns: Array, own: Array, followed: Followed) -> Evidence:
    """Project what belongs to each partial alone out of everything; see :class:`Evidence`."""
    m = columns.shape[2]
    weighted = columns * np.sqrt(followed.weight)[:, None, :]
    own_phase = own[:, :m]
    data = _stacked(followed, own.shape[1])
    data = data - np.einsum("krp,kp->kr", own, np.einsum("krp,kr->kp", own, data))
    across = weighted @ own_phase
    gram = weighted @ _t(weighted) - across @ _t(across)
    # The projection of the columns fills the other rows too, but the data there are orthogonal.
    moment = np.einsum("kjm,km->kj", weighted, data[:, :m])
    return Evidence(gram, moment)


def _t(array: Array) -> Array:
    return array.transpose(0, 2, 1)


def _residual(
    columns: Array, own: Array, followed: Followed, solution: Solution
) -> NDArray[np.complex128]:
    """What each partial leaves of the shared glide and of what is its own: level + i phase, (K, M).

    The slope is each partial's own here, so that a partial off the law still shows its noise.
    """
    m = columns.shape[2]
    glide = np.einsum("j,kjm->km", solution.eps, columns[:, 1:])
    data = _stacked(replace(followed, phase=followed.phase - glide), own.shape[1])
    data = data - np.einsum("krp,kp->kr", own, np.einsum("krp,kr->kp", own, data))
    line = np.zeros_like(data)
    line[:, :m] = columns[:, 0] * np.sqrt(followed.weight)
    line = line - np.einsum("krp,kp->kr", own, np.einsum("krp,kr->kp", own, line))
    slope = (line * data).sum(axis=1) / np.maximum((line * line).sum(axis=1), 1e-300)
    data = data - slope[:, None] * line
    root = np.sqrt(np.where(followed.weight > 0, followed.weight, np.inf))
    residual: NDArray[np.complex128] = (data[:, m : 2 * m] + 1j * data[:, :m]) / root
    return residual


def _own_slopes(evidence: Evidence, solution: Solution, excess: Array) -> tuple[Array, Array]:
    """Each partial's own relative slope with the shared glide taken out, and its uncertainty."""
    gram = evidence.gram
    moment = evidence.moment[:, 0] - gram[:, 0, 1:] @ solution.eps
    return moment / gram[:, 0, 0], np.sqrt(excess / gram[:, 0, 0])


def _agreement(deviation: Array, u: Array, number: NDArray[np.int64]) -> tuple[Array, float]:
    """Votes of the partials (robust weights) and how far real partials stray from the law."""
    upper = number > 1
    sigma = _LAW_CENTS / CENTS_PER_NEPER
    if np.count_nonzero(upper) >= 4:
        # Robust spread in excess of the uncertainties (median of normal |x| is 0.6745 sigma).
        seen, expected = np.median(np.square((deviation[upper] / 0.6745, u[upper])), axis=1)
        if seen > _LAW_BROKEN * expected:
            sigma = max(sigma, float(np.sqrt(seen - expected)))
    scale = np.sqrt(u**2 + np.where(upper, sigma**2, 0.0))
    z = np.abs(deviation) / scale
    return np.maximum(1e-4, 1.0 / (1.0 + (z / 3.0) ** 4)), sigma
