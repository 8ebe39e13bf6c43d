"""How loud the input is, and whether it is alive at all."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

#: Exact zeros for longer than this are no quiet room: even the best microphone has noise.
DEAD_AFTER_S: Final = 2.0

#: A sample this close to full scale counts as clipped.
CLIPPED_FROM: Final = 0.999


def decibels(amplitude: float) -> float | None:
    """20 log10 of an amplitude, so 0 is full scale; None for 0, which has no level."""
    return 20.0 * math.log10(amplitude) if amplitude > 0.0 else None


class LevelMeter:
    """Follows the level of a stream of samples.

    ``peak``, ``clipped`` (how many samples) and ``zeros_s`` (length of the run of exact zeros that
    the stream ends with) are plain attributes. All follow from the samples alone.
    """

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self.peak = 0.0
        self.clipped = 0
        self.zeros_s = 0.0

    @property
    def dead(self) -> bool:
        """True while nothing but zeros has come for ``DEAD_AFTER_S``."""
        return self.zeros_s >= DEAD_AFTER_S

    def feed(self, samples: NDArray[np.float32]) -> None:
        """Take the next samples, shape (n,)."""
        loudness = np.abs(samples)
        alive = np.flatnonzero(loudness)
        if alive.size:
            self.zeros_s = (len(samples) - 1 - int(alive[-1])) / self.rate_hz
        else:
            self.zeros_s += len(samples) / self.rate_hz
        self.peak = max(self.peak, float(loudness.max(initial=0.0)))
        self.clipped += int(np.count_nonzero(loudness >= CLIPPED_FROM))
