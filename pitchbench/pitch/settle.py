"""From the partials of a pluck to what its pitch tends to once its glide has died."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.beating import Beat, Leftover, beat_of, second_polarisation
from pitchbench.pitch.follow import Followed, excess_of, follow, slope_of, unknown_s
from pitchbench.pitch.glide import TAU_S, glides_of
from pitchbench.pitch.partials import (
    Array,
    Bands,
    Demodulator,
    law_cents,
    law_gradient,
    medians,
    stiff_ratio,
)
from pitchbench.pitch.seen import Seen, Stretches, held_back, seen_of
from pitchbench.pitch.settled import Settled
from pitchbench.pitch.strengths import strengths_of
from pitchbench.pitch.string_model import Solution, solve
from pitchbench.units import CENTS_PER_NEPER

#: A partial heard in fewer stretches of time than this has no slope, and so tells nothing.
_FEWEST_STRETCHES: Final = 2
#: The partials are brought down once more with what is known of them by then, and twice where the
#: first round has to leave out more than this part of the note at its ends.
_ENDS: Final = 0.05
#: Fewer partials than this cannot tell a second polarisation from a change of pitch.
_FEWEST_VOTERS: Final = 3
#: What no model of ours knows about: clocks of converters, 3 parts in a million.
_LEAST_U_CENTS: Final = 0.005
#: The evidence for a second polarisation or against it is itself no surer than this (natural
#: logarithm). It moves by a third of that when one real note is cut a few samples earlier or later;
#: that so of two splits the likelier is not taken for sure is what makes mechanical notes lie
#: within their intervals as often as they say (docs/method.md).
_UNSURE: Final = 60.0
#: A second polarisation counts as far as the partials, each by itself, tell of it: not at all where
#: they speak against it, wholly from so much evidence on (natural logarithm).
_TELLING: Final = 5.0
#: Of the pieces of glide that the search for a second polarisation fits anew, 1 sigma.
_PIECE_SIGMA: Final = 10.0 / CENTS_PER_NEPER
#: The quick one among the exponentials, and how far partials are taken to lie off the law at least.
_QUICK: Final = 3
_OFF_LAW: Final = 0.03 / CENTS_PER_NEPER
_LARGEST_B: Final = 1e-2


def settle(
    demodulator: Demodulator,
    number: NDArray[np.int64],
    *,
    f1_hz: float,
    stiffness_b: float,
    half_width_hz: float,
) -> Settled | None:
    """Fit the model of the string to the partials ``number``.

    Parameters
    ----------
    demodulator : the stretch of sound, attack cut off.
    number : partials to use, shape (K,).
    f1_hz, stiffness_b : first estimates.
    half_width_hz : half width of each partial's band.

    Returns
    -------
    Settled or None
        None when no partial can be followed.
    """
    settled: Settled | None = None
    ends_s = 2.0 * unknown_s(demodulator, half_width_hz)
    rounds = 3 if ends_s > _ENDS * demodulator.length_s else 2
    for turn in range(rounds):
        bands = demodulator.bands(number, f1_hz, stiffness_b, half_width_hz)
        followed = follow(demodulator, bands, settled)
        if followed is None:
            return settled
        told = np.count_nonzero(Stretches(followed).total, axis=1) >= _FEWEST_STRETCHES
        if not told.any():
            return settled
        bands, followed = _only(bands, followed, told)
        fitted = _fit(bands, followed, settled, f1_hz, stiffness_b, last=turn == rounds - 1)
        if abs(fitted.f1_hz - f1_hz) > half_width_hz:
            return settled  # no partial is heard there
        settled = fitted
        f1_hz, stiffness_b = settled.f1_hz, settled.stiffness_b
    return settled


def _fit(
    bands: Bands,
    followed: Followed,
    before: Settled | None,
    f1_hz: float,
    stiffness_b: float,
    *,
    last: bool,
) -> Settled:
    """One round: solve without a second polarisation and, in the last, with those that show."""
    glides = glides_of(bands, followed)
    seen = seen_of(bands, followed, glides, f1_hz=f1_hz, stiffness_b=stiffness_b)
    beats = [Beat.none(2.0 * np.pi * seen.frequency_hz, len(seen.time_s))]
    seems = 0.0
    if before is not None:
        seems = float(before.glide_eps.sum())
        if last and len(seen.number) >= _FEWEST_VOTERS:
            leftover = _leftover(bands, followed, seen, before)
            mean = Stretches(followed).mean
            beats += [beat_of(leftover, split, mean) for split in second_polarisation(leftover)]
    every = strengths_of(seen, beats, coarse=not last)
    alone = np.array([each.log_alone for each in every])
    told = np.append(1.0, np.clip((alone[1:] - alone[0]) / _TELLING, 0.0, 1.0))
    shown = np.flatnonzero(told)
    if len(shown) > 1:
        # How a partial falls tells how the glide does, and a slow beat may hide it.
        p = told * np.exp((alone - alone.max()) / _UNSURE)
        fall = p @ np.array([beat.fall for beat in beats]) / p.sum()
        falling = replace(followed, decay_rate=np.maximum(followed.decay_rate + fall, 0.0))
        seen = seen.gliding(glides_of(bands, falling), bands, followed)
    solutions = [solve(seen, every[j], beats[j], seems=seems, coarse=not last) for j in shown]
    log_p = np.array([s.log_p + beats[j].log_prior for s, j in zip(solutions, shown, strict=True)])
    p = told[shown] * np.exp((log_p - log_p.max()) / _UNSURE)
    return _settled(bands, followed, seen, solutions, p / p.sum())


def _settled(
    bands: Bands, followed: Followed, seen: Seen, solutions: list[Solution], p: Array
) -> Settled:
    """The solutions averaged with their probabilities ``p``, and what they leave of the phases."""
    pitch = np.array([s.pitch for s in solutions])
    mean = float(p @ pitch)
    variance = float(p @ ([s.variance for s in solutions] + np.square(pitch - mean)))
    off = p @ np.array([s.off for s in solutions])
    off_variance = p @ np.array([s.off_variance + (s.off - off) ** 2 for s in solutions])
    eps = p @ np.array([s.eps for s in solutions])
    delta_b = float(p @ np.array([s.delta_b for s in solutions]))
    strength = p @ np.array([s.strength for s in solutions])
    ratio = float(stiff_ratio(seen.number[:1], seen.stiffness_b)[0])
    f1_hz = float(seen.frequency_hz[0]) / ratio
    band = bands.half_width_hz / seen.frequency_hz
    off = np.clip(off, -band, band)
    glide = eps @ seen.glides.integral_of(bands.number, bands.time_s)
    residual = _phase(bands, followed, seen, glide)
    residual = residual - 2.0 * np.pi * (seen.frequency_hz * off)[:, None] * bands.time_s
    total = followed.weight.sum(axis=1, keepdims=True)
    residual = residual - (followed.weight * residual).sum(axis=1, keepdims=True) / total
    return Settled(
        f1_hz=f1_hz * (1.0 + mean),
        u_cents=float(np.hypot(CENTS_PER_NEPER * np.sqrt(variance), _LEAST_U_CENTS)),
        stiffness_b=float(np.clip(seen.stiffness_b + delta_b, 0.0, _LARGEST_B)),
        glide_eps=eps @ seen.glides.mix,
        glide_tau_s=seen.glides.tau_s,
        own_eps=eps @ seen.glides.own,
        own_tau_s=seen.glides.own_tau_s,
        bands=bands,
        frequency_hz=seen.frequency_hz * (1.0 + off),
        u_partial=np.sqrt(off_variance),
        u_own=np.sqrt(p @ np.array([s.own_variance for s in solutions])),
        vote=np.square(strength.min() / strength),
        residual=residual,
        weight=followed.weight,
        decay_rate=followed.decay_rate,
    )


def _phase(bands: Bands, followed: Followed, seen: Seen, glide: Array) -> Array:
    """Phase (K, M) about what was assumed and the ``glide`` of each, its integral, (K, M)."""
    away = (seen.frequency_hz - bands.centre_hz)[:, None] * bands.time_s
    warped = (seen.frequency_hz * held_back(seen.number, seen.stiffness_b))[:, None] * glide
    phase: Array = followed.phase - 2.0 * np.pi * (away + warped)
    return phase


def _leftover(bands: Bands, followed: Followed, seen: Seen, before: Settled) -> Leftover:
    """What the search for a second polarisation works on: what the fit ``before`` leaves, and
    pitch, B and three pieces of glide (the one found, the one predicted, a quick one) to be fitted
    anew. Partials that stray by far more than the noise count less, and lie off the law as far as
    they seemed to: what a body does to a pitch would else be laid to a slow beat."""
    t, weight = bands.time_s, followed.weight
    glide = before.glide_integral(seen.number, t)
    phase = _phase(bands, followed, seen, glide)
    total = weight.sum(axis=1, keepdims=True)
    straight = phase - slope_of(t, phase, weight)[:, None] * t
    straight = straight - (weight * straight).sum(axis=1, keepdims=True) / total
    turn = 2.0 * np.pi * seen.frequency_hz[:, None]
    integral = seen.glides.integral_of(seen.number, t)
    found = glide / max(1e-9, float(np.abs(before.glide_eps).sum()))
    pieces = np.stack((found, integral[:, len(TAU_S)], integral[:, _QUICK]), axis=1)
    share = (turn * held_back(seen.number, seen.stiffness_b)[:, None])[:, None]
    pitch = turn * t
    law = law_gradient(seen.number, seen.stiffness_b)[:, None] * pitch
    of_before = before.frequency_hz, before.bands.number, before.f1_hz, before.stiffness_b
    off_law = law_cents(*of_before) / CENTS_PER_NEPER
    return Leftover(
        t,
        phase,
        followed.level,
        weight / excess_of(straight, weight)[:, None],
        np.concatenate((pitch[:, None], law[:, None], share * pieces), axis=1),
        np.array([0.0, 1e-3**-2, *[_PIECE_SIGMA**-2] * 3]),
        np.where(seen.number == 1, 0.0, _OFF_LAW**2 + medians(np.square(off_law))),
        seen.frequency_hz,
        followed.decay_rate,
    )


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
