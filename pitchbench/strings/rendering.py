"""Partials as samples: how a note sounds from the pick to the hand that damps it, and its room.

What partials a string has, and why, is the instrument's matter (``strings/virtual.py``). Decays of
the pick's click, and the shape of hum, are our own invention, of realistic size.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]

#: Partials quieter than this when the note starts are left out, and one that sinks below it stops.
INAUDIBLE: Final = 3e-6

#: Samples per step of the glide's time warp and of the envelopes.
_STEP: Final = 64

#: Mains hum through transformers and rectifiers: the double and the odd harmonics stand out.
_HUM: Final = {1: 0.6, 2: 0.6, 3: 0.4, 5: 0.25, 7: 0.15}


@dataclass(frozen=True, eq=False)
class Partials:
    """A bundle of partials, all arrays of one shape: hertz, amplitude, 1/decay time, phase, and how
    much of the first partial's glide each takes."""

    f_hz: NDArray[np.float64]
    amplitude: NDArray[np.float64]
    rate_per_s: NDArray[np.float64]
    cycles: NDArray[np.float64]
    glide_share: NDArray[np.float64]


def sample_times_s(ring_s: float, rate_hz: int) -> NDArray[np.float64]:
    """The times of the samples of a note, up to whole steps of its envelopes."""
    return np.arange(-(-round(ring_s * rate_hz) // _STEP) * _STEP) / rate_hz


def ran_ahead_s(
    time_s: NDArray[np.float64],
    rate_per_s: NDArray[np.float64],
    *,
    glide_cents: float,
    plucked_at: float,
) -> NDArray[np.float64]:
    """How far the first partial has run ahead, as a time, while the string was still tight.

    Its frequency is raised by a fraction that follows the string's energy: partial k holds
    sin^2(k pi p)/k^2 of it and loses it twice as fast as its amplitude.
    """
    k = np.arange(1, rate_per_s.size + 1)
    share = np.sin(math.pi * k * plucked_at) ** 2 / k**2
    share *= (2.0 ** (glide_cents / 1200.0) - 1.0) / share.sum()
    fall = 2.0 * rate_per_s
    coarse_s = np.append(time_s[::_STEP], time_s[-1] + time_s[1])
    ahead = -np.expm1(-np.outer(coarse_s, fall)) @ (share / fall)
    finely: NDArray[np.float64] = np.interp(time_s, coarse_s, ahead)
    return finely


def add_partials(
    out: Samples,
    time_s: NDArray[np.float64],
    partials: Partials,
    rate_hz: int,
    ahead_s: NDArray[np.float64] | None = None,
) -> None:
    """Add decaying cosines to ``out``, whose samples are at ``time_s`` and glide by ``ahead_s``.

    The phase is reduced to one cycle in double precision; only then is single precision, which
    is several times faster, good enough for the cosine.
    """
    cycles = np.empty(out.size)
    whole = np.empty(out.size)
    wave = np.empty(out.size, np.float32)
    step_s = _STEP / rate_hz
    fine_s = np.arange(_STEP) / rate_hz
    audible_s = np.log(np.maximum(partials.amplitude / INAUDIBLE, 1.0)) / partials.rate_per_s
    steps = np.minimum(out.size // _STEP, np.ceil(audible_s / step_s).astype(int))
    for f_hz, amplitude, rate, start, glide, count in zip(
        partials.f_hz,
        partials.amplitude,
        partials.rate_per_s,
        partials.cycles,
        partials.glide_share,
        steps,
        strict=True,
    ):
        now = slice(0, int(count) * _STEP)
        np.multiply(time_s[now], f_hz, out=cycles[now])
        if ahead_s is not None:
            np.multiply(ahead_s[now], f_hz * glide, out=whole[now])
            cycles[now] += whole[now]
        cycles[now] += start
        np.rint(cycles[now], out=whole[now])
        np.subtract(cycles[now], whole[now], out=cycles[now])
        np.multiply(cycles[now], 2.0 * math.pi, out=wave[now], casting="same_kind")
        np.cos(wave[now], out=wave[now])
        grid = wave[now].reshape(-1, _STEP)
        grid *= (amplitude * np.exp(-rate * step_s * np.arange(count)))[:, None].astype("f4")
        grid *= np.exp(-rate * fine_s).astype(np.float32)
        out[now] += wave[now]


def add_click(out: Samples, level: float, rate_hz: int, rng: np.random.Generator) -> None:
    """Add the click of the pick: a burst of noise that dies within some milliseconds."""
    n = min(out.size, round(0.03 * rate_hz))
    fall_s = float(rng.uniform(0.002, 0.005))
    burst = np.diff(rng.standard_normal(n, dtype=np.float32), prepend=np.float32(0.0))
    out[:n] += (
        np.float32(level) * burst * np.exp(-np.arange(n) / (fall_s * rate_hz)).astype(np.float32)
    )


def shape_ends(note: Samples, rate_hz: int, rng: np.random.Generator) -> None:
    """Half a millisecond of rise, and 5 to 20 ms in which a hand damps the string."""
    rise = min(note.size, max(1, round(0.0005 * rate_hz)))
    note[:rise] *= np.linspace(0.0, 1.0, rise, dtype=np.float32)
    fall = min(note.size, round(float(rng.uniform(0.005, 0.02)) * rate_hz))
    note[note.size - fall :] *= (0.5 + 0.5 * np.cos(np.linspace(0.0, math.pi, fall))).astype(
        np.float32
    )


class Room:
    """Noise and mains hum that run on from call to call; levels are rms, in dB re full scale."""

    def __init__(
        self,
        rng: np.random.Generator,
        rate_hz: int,
        *,
        noise_db: float,
        hum_hz: float,
        hum_db: float,
    ) -> None:
        self._rng = rng
        self._noise_rms = 10.0 ** (noise_db / 20.0)
        self._hum_per_sample = hum_hz / rate_hz
        self._hum_rms = 10.0 ** (hum_db / 20.0)
        self._heard = 0

    def samples(self, count: int) -> Samples:
        """The next ``count`` samples."""
        noise = self._rng.standard_normal(count, dtype=np.float32)
        noise *= np.float32(self._noise_rms)
        cycles = (self._heard + np.arange(count)) * self._hum_per_sample
        self._heard += count
        cycles -= np.rint(cycles)
        scale = self._hum_rms * math.sqrt(2.0 / sum(s * s for s in _HUM.values()))
        for harmonic, share in _HUM.items():
            noise += np.float32(scale * share) * np.sin(
                (2.0 * math.pi * harmonic * cycles).astype(np.float32)
            )
        return noise
