"""A chord to listen to, from nothing but the pitch and the stiffness of each of its notes.

Levels and decays are our own invention, of realistic size; pitches and partials are exact, so that
what beats on the instrument beats here at the same rate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

#: Plucked at this fraction of the string, as near the saddle as a plectrum usually is.
_PLUCK_POSITION: Final = 0.15

_HIGHEST_PARTIAL_HZ: Final = 6000.0

#: From one string to the next, low to high; and from full sound to silence at the end.
_STRUM_S: Final = 0.025
_FADE_S: Final = 0.2
_ONSET_S: Final = 0.003

#: The loudest sample, re full scale: loud enough to hear, with room to spare.
_PEAK: Final = 0.5


@dataclass(frozen=True)
class ChordTone:
    """One note of a chord: the frequency of its first partial, and its inharmonicity B."""

    pitch_hz: float
    stiffness_b: float = 0.0


def chord_sound(
    tones: Sequence[ChordTone], *, ring_s: float = 5.0, rate_hz: int = 48_000
) -> NDArray[np.float32]:
    """The tones strummed in their order, each with the partials f_k = k f0 sqrt(1 + B k^2).

    Parameters
    ----------
    tones : at least one, their pitches above zero and below half of ``rate_hz``.

    Returns
    -------
    Samples, shape (round(ring_s * rate_hz),), their peak at half of full scale.
    """
    time_s = np.arange(round(ring_s * rate_hz)) / rate_hz
    sound = np.zeros_like(time_s)
    for place, tone in enumerate(tones):
        since_s = time_s - place * _STRUM_S
        first = int(np.searchsorted(since_s, 0.0))
        sound[first:] += _tone(tone, since_s[first:], rate_hz)
    sound *= np.clip((ring_s - time_s) / _FADE_S, 0.0, 1.0)
    return np.asarray(sound * (_PEAK / np.max(np.abs(sound))), dtype=np.float32)


def _tone(tone: ChordTone, since_s: NDArray[np.float64], rate_hz: int) -> NDArray[np.float64]:
    sound = np.zeros_like(since_s)
    b = tone.stiffness_b
    highest_hz = max(tone.pitch_hz, min(_HIGHEST_PARTIAL_HZ, 0.45 * rate_hz))
    for k in range(1, int(highest_hz / tone.pitch_hz) + 1):
        f_hz = k * tone.pitch_hz * math.sqrt((1.0 + b * k * k) / (1.0 + b))
        if f_hz > highest_hz:
            break
        level = abs(math.sin(math.pi * k * _PLUCK_POSITION)) / k
        decay_per_s = 0.4 + 0.0025 * f_hz
        sound += level * np.exp(-decay_per_s * since_s) * np.sin(2.0 * math.pi * f_hz * since_s)
    return sound * np.minimum(1.0, since_s / _ONSET_S)
