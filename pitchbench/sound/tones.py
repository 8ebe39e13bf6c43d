"""The tones that say what became of a pluck: one taken, two low ones rejected, three done.

Equal tones that are counted, like knocks on wood; no melody and no interval, so that they are not
taken for a note of the instrument either. Their pitches lie between notes.
"""

from __future__ import annotations

from enum import Enum
from typing import Final

import numpy as np
from numpy.typing import NDArray

#: Midway between F#5 and G5, and between C4 and C#4.
_HIGH_HZ: Final = 761.7
_LOW_HZ: Final = 269.3

_TONE_S: Final = 0.09
_GAP_S: Final = 0.08
_DECAY_S: Final = 0.03
_RISE_S: Final = 0.004
_AMPLITUDE: Final = 0.3


class Cue(Enum):
    """What a tone says: how many there are, and how high."""

    ACCEPTED = (1, _HIGH_HZ)
    REJECTED = (2, _LOW_HZ)
    DONE = (3, _HIGH_HZ)


def tones(cue: Cue, rate_hz: int) -> NDArray[np.float32]:
    """The samples of ``cue``, shape (n,), full scale ±1."""
    count, pitch_hz = cue.value
    time_s = np.arange(round(_TONE_S * rate_hz)) / rate_hz
    shape = np.minimum(time_s / _RISE_S, 1.0) * np.exp(-time_s / _DECAY_S)
    tone = _AMPLITUDE * shape * np.sin(2.0 * np.pi * pitch_hz * time_s)
    pause = np.zeros(round(_GAP_S * rate_hz))
    return np.concatenate([tone, pause] * count).astype(np.float32)
