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
from itertools import combinations, pairwise
from typing import Final

import numpy as np
import scipy  # its parts load when first used, so that the first screen need not wait for them
from numpy.typing import NDArray

from pitchbench.pitch.beating import RHO_SIGMA, Leftover, second_polarisation
from pitchbench.pitch.partials import Array, Bands, Demodulator, stiff_ratio
from pitchbench.units import CENTS_PER_NEPER

#: Time constants of the glide that are tried, seconds.
_TAU_S: Final = np.geomspace(0.03, 5.0, 18)
#: Size of a glide component, 1 sigma, as a fraction: 10 cents.
_EPS_SIGMA: Final = 10.0 / CENTS_PER_NEPER
#: The glide that the decay of the partials predicts: how far its pace may be off, and by how much
#: each partial's share of the string's energy may differ from that of an ideal pluck.
_PACES: Final = np.geomspace(0.6, 1.6, 9)
_PACE_SIGMA: Final = 0.2
_ENERGY_PARTIALS: Final = 12
#: The lowest partials may each have more or less than their share, the rest as one.
_SINGLE_SHARES: Final = 4
_SHARE_SIGMA: Final = 0.7
#: How far the time constant of a glide of another shape may lie from that of the energy (natural
#: logarithm, 1 sigma), and what is left for any other.
_TAU_SIGMA: Final = 0.4
_TAU_FLOOR: Final = 0.01
#: Prior probability of no glide, of the predicted one, of one and of two exponentials.
_PRIOR: Final = {"none": 0.4, "predicted": 0.35, "one": 0.125, "two": 0.125}
#: No glide, when more probable than this, is taken as it is.
_AS_GOOD_AS_CERTAIN: Final = 0.7
#: A sample of a partial is used while its power stands this far above the noise.
_USABLE: Final = 6.0
#: Nor is it followed further down than this from its loudest: there something else is heard.
_FAINTEST: Final = 10.0**-4.5
_BLOCKS: Final = 10
#: How often the fit is repeated about the second polarisation that it found.
_BEAT_TURNS: Final = 2
#: Fewer partials than this cannot tell a second polarisation from a change of pitch.
_FEWEST_VOTERS: Final = 3
#: Share of a beat that a partial must go through for that.
_PINNED: Final = 0.6
#: A model that leaves slow residuals this many times the noise (power), and this large, is wrong.
_MISFIT_EXCESS: Final = 30.0
_MISFIT_RAD: Final = 0.01
#: Without a model: the shares of the note over which the tail fades in, and how far the partials of
#: real instruments lie from the stiff-string law, 1 sigma (seen in sampled ones).
_TAIL_FROM: Final = (0.15, 0.6)
_OFF_LAW_CENTS: Final = 2.0
#: What the parts of the uncertainty are multiplied by, see :func:`_u_cents`, and its least value.
_TRUST_FIT: Final = 1.8
_TRUST_BEAT: Final = 0.3
_TRUST_GLIDE: Final = 0.03
_LEAST_U_CENTS: Final = 0.015
#: No string dies faster than this, per second.
_FASTEST_DECAY: Final = 25.0
#: What the uncertainty predicted from the noise alone is worth beside what the residuals say.
_PRIOR_DOF: Final = 8.0
#: The partials lie off the law when their spread (variance) is this many times what is expected: a
#: median of ten has a standard deviation of half its value.
_LAW_BROKEN: Final = 2.2


@dataclass(frozen=True, eq=False)
class Settled:
    """What the fit found, all from the first sample analysed on.

    ``glide_eps`` and ``glide_tau_s`` (shape (J,)) are the mean glide as a sum of exponentials;
    ``frequency_hz`` and ``u_partial`` (relative) of every partial in ``bands``, shape (K,);
    ``vote`` the weight each partial kept, 0 to 1; ``residual_cents`` (M,) the weighted residual.
    """

    f1_hz: float
    u_cents: float
    stiffness_b: float
    glide_eps: Array
    glide_tau_s: Array
    bands: Bands
    frequency_hz: Array
    u_partial: Array
    vote: Array
    law_sigma: float
    residual: NDArray[np.complex128]
    weight: Array
    decay_rate: Array

    def glide_cents(self, time_s: Array) -> Array:
        """How sharp the note is at ``time_s`` (any shape) above its settled pitch."""
        t = np.asarray(time_s, dtype=np.float64)
        relative = (self.glide_eps * np.exp(-t[..., None] / self.glide_tau_s)).sum(axis=-1)
        cents: Array = CENTS_PER_NEPER * np.log1p(relative)
        return cents


@dataclass(frozen=True, eq=False)
class _Glides:
    """Shapes that the glide may have: every shape is a mixture of exponentials.

    Parameters
    ----------
    tau_s : all time constants, shape (n,).
    mix : each column's mixture of them, shape (columns, n).
    sets : candidates, grouped by size: (columns (C, J), log prior (C,), prior sigma (C, J)).
    """

    tau_s: Array
    mix: Array
    sets: tuple[tuple[NDArray[np.intp], Array, Array], ...]

    def integral(self, t: Array) -> Array:
        """Integral of every column from 0 to ``t``, shape (columns, M)."""
        integral: Array = self.mix @ (self.tau_s[:, None] * -np.expm1(-t / self.tau_s[:, None]))
        return integral


def _glides(decay_s: Array, share: Array, *, thorough: bool) -> _Glides:
    """The candidates, given the decay and the share of the energy of the lowest partials, (P,).

    Two free exponentials are left out where ``thorough`` is False: the first rounds only need to
    come near.
    """
    n, paces, partials = len(_TAU_S), len(_PACES), len(decay_s)
    groups = np.minimum(np.arange(partials), _SINGLE_SHARES)
    tau_s = np.concatenate((_TAU_S, np.outer(_PACES, decay_s / 2.0).ravel()))
    mix = np.zeros((n + paces + groups[-1] + 1, len(tau_s)))
    mix[:n, :n] = np.eye(n)
    for j in range(paces):
        mix[n + j, n + j * partials : n + (j + 1) * partials] = share
    own = n + (paces // 2) * partials
    mix[n + paces + groups, own + np.arange(partials)] = share

    # The slowest part of a glide keeps about the pace of the energy, whatever its exact shape.
    pace = float(np.exp(share @ np.log(decay_s / 2.0)))
    likely = np.exp(-0.5 * (np.log(_TAU_S / pace) / _TAU_SIGMA) ** 2) + _TAU_FLOOR
    pairs = np.array(list(combinations(range(n), 2))) if thorough else np.array([[0, n - 1]])
    pair_prior = likely[pairs[:, 1]]
    pace_prior = np.exp(-0.5 * (np.log(_PACES) / _PACE_SIGMA) ** 2)
    predicted = np.arange(n, n + paces)[:, None]
    deviating = np.concatenate(([n + paces // 2], np.arange(n + paces, len(mix))))
    half = 0.5 * _PRIOR["predicted"]

    def group(
        columns: NDArray[np.intp], prior: Array, scale: Array | float = 1.0
    ) -> tuple[NDArray[np.intp], Array, Array]:
        sigma = np.broadcast_to(_EPS_SIGMA * np.asarray(scale), columns.shape)
        return columns, np.log(prior), sigma

    return _Glides(
        tau_s,
        mix,
        (
            group(np.empty((1, 0), dtype=np.intp), np.array([_PRIOR["none"]])),
            group(
                np.concatenate((np.arange(n)[:, None], predicted)),
                np.concatenate(
                    (_PRIOR["one"] * likely / likely.sum(), half * pace_prior / pace_prior.sum())
                ),
            ),
            group(pairs, _PRIOR["two"] * pair_prior / pair_prior.sum()),
            group(
                deviating[None, :],
                np.array([half]),
                np.concatenate(([1.0], np.full(len(mix) - n - paces, _SHARE_SIGMA))),
            ),
        ),
    )


@dataclass(frozen=True, eq=False)
class _Evidence:
    """Each partial's phases boiled down: information on (slope, eps of every tau).

    ``gram`` (K, 1 + n, 1 + n) and ``moment`` (K, 1 + n) of the regressors t and g_j after all that
    belongs to the partial alone (constant phase, level, decay, beating) has been eliminated.
    """

    gram: Array
    moment: Array


@dataclass(frozen=True, eq=False)
class _Followed:
    """Partials followed through time: phase and log level about what was expected, weight (K, M).

    ``decay_rate`` (K,) is the fall of the level, per second, that was expected.
    """

    time_s: Array
    phase: Array
    level: Array
    weight: Array
    decay_rate: Array


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
        followed = _follow(demodulator, bands, settled)
        if followed is None:
            return settled
        settled = _fit(bands, followed, f1_hz, stiffness_b, last=turn == rounds - 1)
        f1_hz, stiffness_b = settled.f1_hz, settled.stiffness_b
    if settled is not None and _does_not_fit(settled):
        return _tail_average(demodulator, settled)
    return settled


def _does_not_fit(settled: Settled) -> bool:
    """Whether most partials stray from the model by far more than the noise explains."""
    weight = settled.weight
    strays = np.sqrt((weight * settled.residual.imag**2).sum(axis=1) / weight.sum(axis=1))
    excess = _excess(settled.residual.imag, weight)
    return bool(np.median(excess) > _MISFIT_EXCESS and np.median(strays) > _MISFIT_RAD)


def _tail_average(demodulator: Demodulator, model: Settled) -> Settled:
    """The mean pitch of the tail, for a string that the model does not describe.

    Strings beat in more ways than two polarisations, magnets pull at them, bodies shift their
    partials. Extrapolating such a course would invent a pitch that was never heard; the mean slope
    of the first partial's phase over the tail is what it is. Upper partials speak only as far as
    noise leaves the first one in doubt, since they may lie off the law by a cent or two.
    """
    number = model.bands.number
    f_k = model.f1_hz * stiff_ratio(number, model.stiffness_b)
    bands = demodulator.bands(number, model.f1_hz, model.stiffness_b, model.bands.half_width_hz)
    followed = _follow(demodulator, bands, None)
    if followed is None:
        return model
    t = bands.time_s
    assumed = 2.0 * np.pi * (f_k - bands.centre_hz)[:, None] * t
    relative = (followed.phase - assumed) / (2.0 * np.pi * f_k[:, None])
    weight = followed.weight * (2.0 * np.pi * f_k[:, None]) ** 2
    # Fading in and out, so that a beat cut off half way at either end counts little.
    into = np.clip((t / t[-1] - _TAIL_FROM[0]) / (_TAIL_FROM[1] - _TAIL_FROM[0]), 0.0, 1.0)
    out = np.clip((1.0 - t / t[-1]) / (1.0 - _TAIL_FROM[1]), 0.0, 1.0)
    tail = weight * np.sin(0.5 * np.pi * np.minimum(into, out)) ** 2
    used = tail.sum(axis=1) > 0
    if not used.any():
        return model
    slope = _slope(t, relative, tail)
    centre = (tail * t).sum(axis=1) / np.maximum(tail.sum(axis=1), 1e-300)
    across = np.maximum((tail * (t - centre[:, None]) ** 2).sum(axis=1), 1e-300)
    total = np.maximum(weight.sum(axis=1), 1e-300)
    middle = (weight * (relative - slope[:, None] * t)).sum(axis=1) / total
    residual = relative - slope[:, None] * t - middle[:, None]
    u_slope = np.minimum(
        np.sqrt(_excess(residual, tail) / across), _course_spread(t, residual, tail) / np.sqrt(3.0)
    )
    off_law = np.where(number == 1, 0.0, _OFF_LAW_CENTS / CENTS_PER_NEPER)
    trust = np.where(used, 1.0 / (1.0 / across + off_law**2), 0.0)
    mean = float(trust @ slope / trust.sum())
    u = float(np.sqrt(np.sum(np.square(trust) * (u_slope**2 + off_law**2))) / trust.sum())
    return replace(
        model,
        f1_hz=model.f1_hz * (1.0 + mean),
        u_cents=_u_cents(u, 0.0, 0.0, 0.0),
        glide_eps=np.zeros_like(model.glide_eps),
        bands=bands,
        frequency_hz=f_k * (1.0 + slope),
        u_partial=u_slope,
        vote=np.ones(len(number)),
        residual=1j * residual * (2.0 * np.pi * f_k[:, None]),
        weight=followed.weight,
        decay_rate=followed.decay_rate,
    )


def _follow(demodulator: Demodulator, bands: Bands, before: Settled | None) -> _Followed | None:
    """Follow every partial; None if none can be followed.

    A weight is twice the power over the noise: one over the variance of the phase, and of the log
    level. Once a fit is known both are taken about it, so that a slip of the phase cannot survive
    a round and the filter's own doings near the ends cancel.
    """
    t = bands.time_s
    power = np.abs(bands.z) ** 2
    smooth = _smoothed(power)
    loudest = smooth.max(axis=1, keepdims=True)
    usable = smooth > np.maximum(_USABLE * bands.noise[:, None], _FAINTEST * loudest)
    # From the loudest early moment on, until it first sinks into the noise.
    first = np.argmax(smooth[:, : max(4, smooth.shape[1] // 3)], axis=1)
    index = np.arange(power.shape[1])
    after = index >= first[:, None]
    broken = ~usable & after
    end = np.where(broken.any(axis=1), broken.argmax(axis=1), power.shape[1])
    start = np.where((~usable & ~after).any(axis=1), first, 0)
    kept = (index >= start[:, None]) & (index < end[:, None])
    if before is not None:
        shift = np.expm1(before.glide_cents(t) / CENTS_PER_NEPER)
        inside = np.abs(bands.centre_hz[:, None] * shift) < 0.5 * bands.half_width_hz
        kept &= inside | (index >= 0.5 * power.shape[1])
    kept &= kept.sum(axis=1, keepdims=True) >= 6
    if not kept.any():
        return None
    weight = np.where(kept, 2.0 * smooth / bands.noise[:, None], 0.0)
    rate = _decay_rates(bands, weight)
    if before is not None:
        known = dict(zip(before.bands.number.tolist(), before.decay_rate, strict=True))
        rate = np.array([known.get(int(k), rate[j]) for j, k in enumerate(bands.number)])
    heard = demodulator.heard_through(
        bands,
        lambda t: np.exp(-rate[:, None] * t),
        lambda t: (
            np.zeros((len(rate), len(t))) if before is None else _model_phase(bands, before, t)
        ),
    )
    ratio = bands.z * heard.conj()
    phase = _unwrap(np.angle(ratio))
    if before is not None:
        phase = phase + _model_phase(bands, before, t)
    level = np.log(np.abs(bands.z) + 1e-30) - np.log(np.abs(heard) + 1e-30)
    if before is None:
        # The first rate was taken through the fades at the ends; the level about it was not.
        rate = np.clip(rate - _slope(t, level, weight), 0.0, _FASTEST_DECAY)
    return _Followed(t, phase, level, weight, rate)


def _unwrap(phase: Array) -> Array:
    unwrapped: Array = np.unwrap(phase, axis=1)
    return unwrapped


def _smoothed(power: Array) -> Array:
    """Running mean over three samples: weights should not follow the noise."""
    padded = np.pad(power, ((0, 0), (1, 1)), mode="edge")
    mean: Array = (padded[:, :-2] + padded[:, 1:-1] + padded[:, 2:]) / 3.0
    return mean


def _model_phase(bands: Bands, settled: Settled, t: Array) -> Array:
    """Phase at ``t`` (M,) that the last fit expects in these bands, constant apart; (K, M)."""
    f = settled.f1_hz * stiff_ratio(bands.number, settled.stiffness_b)
    tau = settled.glide_tau_s[:, None]
    glide = settled.glide_eps @ (tau * -np.expm1(-t / tau))
    share = (1.0 + settled.stiffness_b) / (1.0 + settled.stiffness_b * bands.number**2.0)
    warped = (f * share)[:, None] * glide
    model: Array = 2.0 * np.pi * ((f - bands.centre_hz)[:, None] * t + warped)
    return model


def _fit(
    bands: Bands, followed: _Followed, f1_hz: float, stiffness_b: float, *, last: bool
) -> Settled:
    """One round: weigh the partials, solve every candidate glide, average over them."""
    bands, followed = _only(bands, followed, followed.weight.sum(axis=1) > 0)
    t = bands.time_s
    number = bands.number
    f_model = f1_hz * stiff_ratio(number, stiffness_b)
    assumed = 2.0 * np.pi * (f_model - bands.centre_hz)[:, None] * t
    followed = replace(followed, phase=followed.phase - assumed)
    glides = _glides(*_energy(bands, followed), thorough=last)
    slack = (1.0 + stiffness_b) / (1.0 + stiffness_b * number.astype(np.float64) ** 2)
    columns = np.concatenate(
        (
            np.broadcast_to(t, (len(number), 1, len(t))),
            slack[:, None, None] * glides.integral(t),
        ),
        axis=1,
    ) * (2.0 * np.pi * f_model[:, None, None])
    gradient = _law_gradient(number, stiffness_b)
    problem = _Problem(number, gradient, columns, followed, glides)
    fit = _weigh(problem, np.zeros((len(number), 0, len(t)), dtype=np.complex128))
    plain = fit.solution.x
    shift = sigma = 0.0
    if last and len(number) >= _FEWEST_VOTERS:
        beating = second_polarisation(_leftover(problem, fit, f_model))
        shift, sigma = beating.shift, beating.sigma
        if beating.beat.shape[1]:
            fit = _with_beat(problem, beating.beat)
    solution = fit.solution
    heard_until = t[np.flatnonzero(followed.weight.sum(axis=0))[-1]]
    last_glide = float(solution.eps @ glides.mix @ np.exp(-heard_until / glides.tau_s))
    return Settled(
        f1_hz=f1_hz * (1.0 + solution.x + shift),
        u_cents=_u_cents(solution.u, sigma, solution.x + shift - plain, last_glide),
        stiffness_b=float(np.clip(stiffness_b + solution.delta_b, 0.0, 1e-2)),
        glide_eps=solution.eps @ glides.mix,
        glide_tau_s=glides.tau_s,
        bands=bands,
        frequency_hz=f_model * (1.0 + fit.slope),
        u_partial=fit.u_slope,
        vote=fit.vote,
        law_sigma=fit.law_sigma,
        residual=fit.residual,
        weight=followed.weight,
        decay_rate=fit.decay_rate,
    )


def _u_cents(fit: float, split: float, beat: float, glide: float) -> float:
    """Standard uncertainty, from relative parts: of the fit, of the split of the polarisations, of
    the correction made for beating, and of the glide left at the end of the note.

    The factors say how far the models themselves are to be trusted. They were set on one set of
    plucks with known truth (tests/benchmarks/plucks.py, seed 777) so that 95 % intervals cover
    95 %, and are checked on others by tests/benchmarks/bench_readings.py.
    """
    parts = (_TRUST_FIT * np.hypot(fit, split), _TRUST_BEAT * beat, _TRUST_GLIDE * glide)
    return float(np.sqrt(np.sum(np.square(parts)) * CENTS_PER_NEPER**2 + _LEAST_U_CENTS**2))


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


def _only(bands: Bands, followed: _Followed, used: NDArray[np.bool_]) -> tuple[Bands, _Followed]:
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
    followed: _Followed
    glides: _Glides


@dataclass(frozen=True, eq=False)
class _Weighed:
    """A fit with the weight that every partial turned out to deserve."""

    solution: _Solution
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
        solution = _average(problem, evidence, excess / vote, law_sigma)
        residual = _residual(problem.columns, own, followed, solution)
        excess = _excess(residual.imag, followed.weight)
        slope, u_slope = _own_slopes(evidence, solution, excess)
        deviation = slope - solution.x - problem.gradient * solution.delta_b
        vote, law_sigma = _agreement(deviation, u_slope, problem.number)
    level_slope, rho = _own_values(problem, own, triangle, solution, slope)
    decay_rate = np.clip(followed.decay_rate - level_slope, 0.0, _FASTEST_DECAY)
    return _Weighed(solution, residual, excess, vote, law_sigma, slope, u_slope, decay_rate, rho)


def _own_values(
    problem: _Problem, own: Array, triangle: Array, solution: _Solution, slope: Array
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
    n = len(_TAU_S)
    columns = np.stack(
        (pitch, law, shape, problem.columns[:, 1 + n + len(_PACES) // 2], problem.columns[:, 10]),
        axis=1,
    )
    model = expected + fit.solution.x * pitch + fit.solution.delta_b * law
    return Leftover(
        followed.time_s,
        followed.phase - model,
        followed.level,
        followed.weight * (fit.vote / fit.excess)[:, None],
        columns,
        np.array([0.0, 1e-3**-2, *[_EPS_SIGMA**-2] * 3]),
        np.where(problem.number == 1, 0.0, fit.law_sigma**2),
        frequency_hz,
        followed.decay_rate,
    )


def _law_gradient(number: NDArray[np.int64], b: float) -> Array:
    """d ln(f_k / f1) / dB = (k^2 / (1 + B k^2) - 1 / (1 + B)) / 2."""
    k2 = number.astype(np.float64) ** 2
    gradient: Array = 0.5 * (k2 / (1.0 + b * k2) - 1.0 / (1.0 + b))
    return gradient


def _decay_rates(bands: Bands, weight: Array) -> Array:
    """Rate at which each partial's amplitude falls, per second, shape (K,)."""
    level = np.log(np.abs(bands.z) + 1e-30)
    rate: Array = np.clip(-_slope(bands.time_s, level, weight), 0.0, _FASTEST_DECAY)
    return rate


def _slope(t: Array, y: Array, weight: Array) -> Array:
    """Weighted slope of each row of ``y`` (K, M) against ``t`` (M,); 0 where nothing weighs."""
    total = np.maximum(weight.sum(axis=1, keepdims=True), 1e-300)
    centred = t - (weight * t).sum(axis=1, keepdims=True) / total
    across = (weight * centred * centred).sum(axis=1)
    slope: Array = (weight * centred * y).sum(axis=1) / np.maximum(across, 1e-300)
    return slope


def _energy(bands: Bands, followed: _Followed) -> tuple[Array, Array]:
    """Decay time and share of the string's energy of the lowest partials, both (P,), seconds and 1.

    The energy, and with it the glide, is the sum over partials of (k a_k)^2: each part dies twice
    as fast as its partial. An ideal pluck gives a_k ~ 1/k^2 and parts ~ 1/k^2; a pickup that hears
    velocity gives parts ~ its own powers. The share is taken half way between the two. A partial
    that is missing decays like the one below it.
    """
    rates = np.maximum(followed.decay_rate, 1.0 / 12.0)
    power = (np.abs(bands.z) ** 2 * (followed.weight > 0)).max(axis=1)
    known = {int(k): j for j, k in enumerate(bands.number)}
    last = min(known.values())
    decay_s = np.empty(_ENERGY_PARTIALS)
    share = np.zeros(_ENERGY_PARTIALS)
    for k in range(1, _ENERGY_PARTIALS + 1):
        if k in known:
            last = known[k]
            share[k - 1] = np.sqrt(power[last]) / k
        decay_s[k - 1] = 1.0 / rates[last]
    share = np.maximum(share, 1e-3 * share.max())
    return decay_s, share / share.sum()


def _own_space(beat: NDArray[np.complex128], followed: _Followed) -> tuple[Array, Array]:
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


def _stacked(followed: _Followed, rows: int) -> Array:
    """Phase and log level in the rows of :func:`_own_space`, shape (K, rows)."""
    root = np.sqrt(followed.weight)
    m = root.shape[1]
    stacked = np.zeros((len(root), rows))
    stacked[:, :m] = root * followed.phase
    stacked[:, m : 2 * m] = root * followed.level
    return stacked


def _boil_down(columns: Array, own: Array, followed: _Followed) -> _Evidence:
    """Project what belongs to each partial alone out of everything; see :class:`_Evidence`."""
    m = columns.shape[2]
    weighted = columns * np.sqrt(followed.weight)[:, None, :]
    own_phase = own[:, :m]
    data = _stacked(followed, own.shape[1])
    data = data - np.einsum("krp,kp->kr", own, np.einsum("krp,kr->kp", own, data))
    across = weighted @ own_phase
    gram = weighted @ _t(weighted) - across @ _t(across)
    # The projection of the columns fills the other rows too, but the data there are orthogonal.
    moment = np.einsum("kjm,km->kj", weighted, data[:, :m])
    return _Evidence(gram, moment)


def _t(array: Array) -> Array:
    return array.transpose(0, 2, 1)


@dataclass(frozen=True, eq=False)
class _Solution:
    """Averaged over the candidate glides: relative correction of f1, its u, B's; mean glide.

    ``eps`` has one entry per column of the glides.
    """

    x: float
    u: float
    delta_b: float
    eps: Array


def _average(problem: _Problem, evidence: _Evidence, excess: Array, law_sigma: float) -> _Solution:
    """Solve all candidates and average over them with their posterior probabilities.

    A partial's slope is the law's plus its own deviation, variance ``law_sigma``^2, none for the
    first: f1 *is* the first partial. The deviation is integrated out of each partial's information.
    """
    gram = evidence.gram / excess[:, None, None]
    moment = evidence.moment / excess[:, None]
    variance = np.where(problem.number == 1, 0.0, law_sigma**2)
    ratio, glides = problem.gradient, problem.glides
    shrink = variance / (1.0 + variance * gram[:, 0, 0])
    column = gram[:, :, 0]
    moment = moment - shrink[:, None] * column * moment[:, :1]
    gram = gram - shrink[:, None, None] * column[:, :, None] * column[:, None, :]

    # Unknowns: x (shared relative slope), B, eps of each column; assembled once for all.
    size = gram.shape[1] + 1
    info = np.zeros((size, size))
    right = np.zeros(size)
    info[0, 0] = gram[:, 0, 0].sum()
    info[0, 1] = info[1, 0] = (ratio * gram[:, 0, 0]).sum()
    # A wide prior keeps B finite where a single partial says nothing about it.
    info[1, 1] = (ratio**2 * gram[:, 0, 0]).sum() + 1.0 / (1e-3) ** 2
    info[0, 2:] = info[2:, 0] = gram[:, 0, 1:].sum(axis=0)
    info[1, 2:] = info[2:, 1] = (ratio[:, None] * gram[:, 0, 1:]).sum(axis=0)
    info[2:, 2:] = gram[:, 1:, 1:].sum(axis=0)
    right[0] = moment[:, 0].sum()
    right[1] = (ratio * moment[:, 0]).sum()
    right[2:] = moment[:, 1:].sum(axis=0)

    solved = [_solve(info, right, *candidates) for candidates in glides.sets]
    log_p = np.concatenate([part[0] for part in solved])
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    x, variances, stiff = (np.concatenate([part[i] for part in solved]) for i in (1, 2, 3))
    # A steady tone is not to be charged for glides that are merely not impossible.
    mean = float(x[0] if p[0] > _AS_GOOD_AS_CERTAIN else p @ x)
    spread = float(p @ (variances + (x - mean) ** 2))
    eps = np.zeros(size - 2)
    first = 0
    for (columns, _, _), part in zip(glides.sets, solved, strict=True):
        share = p[first : first + len(columns), None] * part[4]
        np.add.at(eps, columns.ravel(), share.ravel())
        first += len(columns)
    return _Solution(mean, float(np.sqrt(spread)), float(p @ stiff), eps)


def _solve(
    info: Array, right: Array, columns: NDArray[np.intp], log_prior: Array, sigma: Array
) -> tuple[Array, Array, Array, Array, Array]:
    """Log evidence, x, var x, B's correction and eps of each candidate, all of one size J."""
    candidates, components = columns.shape
    rows = np.concatenate((np.tile([0, 1], (candidates, 1)), columns + 2), axis=1)
    a = info[rows[:, :, None], rows[:, None, :]]
    diagonal = np.arange(2, 2 + components)
    a[:, diagonal, diagonal] += sigma**-2
    # Scaled to a unit diagonal: the information of x and of B differ by many orders.
    scale = 1.0 / np.sqrt(np.einsum("cii->ci", a))
    inverse = np.linalg.inv(a * scale[:, :, None] * scale[:, None, :])
    inverse *= scale[:, :, None] * scale[:, None, :]
    c = right[rows]
    theta = np.einsum("cij,cj->ci", inverse, c)
    log_det = -np.linalg.slogdet(inverse)[1]
    log_evidence = (
        log_prior
        + 0.5 * np.einsum("ci,ci->c", theta, c)
        - 0.5 * log_det
        - np.log(sigma).sum(axis=1)
    )
    eps = theta[:, 2:]
    if components in (1, 2):
        # A string only relaxes: the prior of a component is half a normal distribution.
        spread = np.sqrt(inverse[:, diagonal, diagonal])
        log_evidence += (scipy.special.log_ndtr(eps / spread) + np.log(2.0)).sum(axis=1)
    return log_evidence, theta[:, 0], inverse[:, 0, 0], theta[:, 1], eps


def _residual(
    columns: Array, own: Array, followed: _Followed, solution: _Solution
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


def _excess(residual: Array, weight: Array) -> Array:
    """How many times the slow residuals exceed what the noise explains, per partial.

    Residuals are averaged in blocks of equal weight, which keeps what is slow enough to bend a
    slope (beating, a wandering pitch) and forgets the rest.
    """
    share = np.cumsum(weight, axis=1) / np.maximum(weight.sum(axis=1, keepdims=True), 1e-300)
    block = np.minimum((share * _BLOCKS - 1e-9).astype(np.intp), _BLOCKS - 1)
    block = block + _BLOCKS * np.arange(len(weight))[:, None]
    size = _BLOCKS * len(weight)
    w = np.bincount(block.ravel(), weight.ravel(), size).reshape(-1, _BLOCKS)
    s = np.bincount(block.ravel(), (weight * residual).ravel(), size).reshape(-1, _BLOCKS)
    chi2 = np.sum(np.square(s) / np.where(w > 0, w, np.inf), axis=1)
    dof = np.maximum(1.0, np.count_nonzero(w > 0, axis=1) - 2.0)
    excess: Array = (chi2 + _PRIOR_DOF) / (dof + _PRIOR_DOF)
    return excess


def _course_spread(t: Array, residual: Array, weight: Array) -> Array:
    """Rms of each partial's relative pitch about its mean, a fifth of the note at a time, (K,)."""
    heard = np.flatnonzero(weight.sum(axis=0) > 0)
    edges = np.linspace(heard[0], heard[-1] + 1, 6).astype(np.intp)
    slopes = [_slope(t[a:b], residual[:, a:b], weight[:, a:b]) for a, b in pairwise(edges)]
    spread: Array = np.sqrt(np.mean(np.square(slopes), axis=0))
    return spread


def _own_slopes(evidence: _Evidence, solution: _Solution, excess: Array) -> tuple[Array, Array]:
    """Each partial's own relative slope with the shared glide taken out, and its uncertainty."""
    gram = evidence.gram
    moment = evidence.moment[:, 0] - gram[:, 0, 1:] @ solution.eps
    return moment / gram[:, 0, 0], np.sqrt(excess / gram[:, 0, 0])


def _agreement(deviation: Array, u: Array, number: NDArray[np.int64]) -> tuple[Array, float]:
    """Votes of the partials (robust weights) and how far real partials stray from the law."""
    upper = number > 1
    sigma = 1e-3 / CENTS_PER_NEPER
    if np.count_nonzero(upper) >= 4:
        # Robust spread in excess of the uncertainties (median of normal |x| is 0.6745 sigma).
        seen = np.median(deviation[upper] ** 2) / 0.6745**2
        expected = np.median(u[upper] ** 2)
        if seen > _LAW_BROKEN * expected:
            sigma = max(sigma, float(np.sqrt(seen - expected)))
    scale = np.sqrt(u**2 + np.where(upper, sigma**2, 0.0))
    z = np.abs(deviation) / scale
    return np.maximum(1e-4, 1.0 / (1.0 + (z / 3.0) ** 4)), sigma
