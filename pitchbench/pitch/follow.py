"""Partials followed through time: phase, level, and how much each moment of each is worth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pitchbench.pitch.partials import Array, Bands, Demodulator
from pitchbench.pitch.settled import Settled
from pitchbench.units import CENTS_PER_NEPER

#: A sample of a partial is used while its power stands this far above the noise.
_USABLE: Final = 6.0
#: Nor is it followed further down than this from its loudest: there something else is heard.
_FAINTEST: Final = 10.0**-4.5
#: Noise is taken to be at least this much of a partial's loudest, 120 dB down: what was cut to
#: silence, by a gate say, would have none, and no phase is known better than to a millionth.
_LEAST_NOISE: Final = 1e-12
_BLOCKS: Final = 10
#: What the uncertainty predicted from the noise alone is worth beside what the residuals say.
_PRIOR_DOF: Final = 8.0
#: No string dies faster than this, per second.
FASTEST_DECAY_PER_S: Final = 25.0


@dataclass(frozen=True, eq=False)
class Followed:
    """Partials followed through time: phase and log level about what was expected, weight (K, M).

    ``decay_rate`` (K,) is the fall of the level, per second, that was expected.
    """

    time_s: Array
    phase: Array
    level: Array
    weight: Array
    decay_rate: Array


def follow(demodulator: Demodulator, bands: Bands, before: Settled | None) -> Followed | None:
    """Follow every partial; None if none can be followed.

    A weight is twice the power over the noise: one over the variance of the phase, and of the log
    level. Once a fit is known both are taken about it, so that a slip of the phase cannot survive
    a round and the filter's own doings near the ends cancel.
    """
    t = bands.time_s
    power = np.abs(bands.z) ** 2
    smooth = _smoothed(power)
    loudest = smooth.max(axis=1, keepdims=True)
    noise = np.maximum(bands.noise[:, None], _LEAST_NOISE * loudest)
    usable = smooth > np.maximum(_USABLE * noise, _FAINTEST * loudest)
    # From the loudest early moment on, until it first sinks into the noise.
    first = np.argmax(smooth[:, : max(4, smooth.shape[1] // 3)], axis=1)
    index = np.arange(power.shape[1])
    after = index >= first[:, None]
    broken = ~usable & after
    # Where it ends at once, under a hand, the filter has heard that before.
    ends_early = round(0.5 / bands.half_width_hz / float(t[1] - t[0]))
    end = np.where(broken.any(axis=1), broken.argmax(axis=1) - ends_early, power.shape[1])
    start = np.where((~usable & ~after).any(axis=1), first, 0)
    kept = (index >= start[:, None]) & (index < end[:, None])
    if before is not None:
        shift = np.expm1(before.glide_cents(t) / CENTS_PER_NEPER)
        inside = np.abs(bands.centre_hz[:, None] * shift) < 0.5 * bands.half_width_hz
        kept &= inside | (index >= 0.5 * power.shape[1])
    else:
        edge_s = unknown_s(demodulator, bands.half_width_hz)
        kept &= (t > edge_s) & (t < demodulator.length_s - edge_s)
    kept &= kept.sum(axis=1, keepdims=True) >= 6
    if not kept.any():
        return None
    weight = np.where(kept, 2.0 * smooth / noise, 0.0)
    rate = _decay_rates(bands, weight)
    if before is not None:
        known = dict(zip(before.bands.number.tolist(), before.decay_rate, strict=True))
        rate = np.array([known.get(int(k), rate[j]) for j, k in enumerate(bands.number)])

    def expected(t: Array) -> Array:
        return np.zeros((len(rate), len(t))) if before is None else before.phase_in(bands, t)

    heard = demodulator.heard_through(bands, lambda t: 1j * expected(t) - rate[:, None] * t)
    phase = _unwrap(np.angle(bands.z * heard.conj())) + expected(t)
    level = np.log(np.abs(bands.z) + 1e-30) - np.log(np.abs(heard) + 1e-30)
    if before is None:
        # The first rate was taken through the fades at the ends; the level about it was not.
        rate = np.clip(rate - slope_of(t, level, weight), 0.0, FASTEST_DECAY_PER_S)
    return Followed(t, phase, level, weight, rate)


def unknown_s(demodulator: Demodulator, half_width_hz: float) -> float:
    """How long either end is left out as long as nothing is known that would make up for the fades
    and the filter."""
    return demodulator.fade_s + 0.5 / half_width_hz


def _unwrap(phase: Array) -> Array:
    unwrapped: Array = np.unwrap(phase, axis=1)
    return unwrapped


def _smoothed(power: Array) -> Array:
    """Running mean over three samples: weights should not follow the noise."""
    padded = np.concatenate((power[:, :1], power, power[:, -1:]), axis=1)
    mean: Array = (padded[:, :-2] + padded[:, 1:-1] + padded[:, 2:]) / 3.0
    return mean


def _decay_rates(bands: Bands, weight: Array) -> Array:
    """Rate at which each partial's amplitude falls, per second, shape (K,)."""
    level = np.log(np.abs(bands.z) + 1e-30)
    rate: Array = np.clip(-slope_of(bands.time_s, level, weight), 0.0, FASTEST_DECAY_PER_S)
    return rate


def slope_of(t: Array, y: Array, weight: Array) -> Array:
    """Weighted slope of each row of ``y`` (K, M) against ``t`` (M,); 0 where nothing weighs."""
    total = np.maximum(weight.sum(axis=1, keepdims=True), 1e-300)
    centred = t - (weight * t).sum(axis=1, keepdims=True) / total
    across = (weight * centred * centred).sum(axis=1)
    slope: Array = (weight * centred * y).sum(axis=1) / np.maximum(across, 1e-300)
    return slope


def excess_of(residual: Array, weight: Array) -> Array:
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
