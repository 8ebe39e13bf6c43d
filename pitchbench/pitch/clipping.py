"""Whether a sound was cut flat at its loudest."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

#: How far below the peak a flat top is looked for: a dB of noise on top of it leaves it there.
_NEAR: Final = 0.06
#: A run that dips below for less than this, samples, is one run; shorter runs tell nothing.
_BRIDGE: Final = 3
_SHORTEST: Final = 4
#: Over how many samples the steepness on either side is taken.
_SIDE: Final = 3
#: A wave that bends like a parabola stays near its peak 1 times as long as its steepness there
#: says; among sixty that were not cut none stayed longer than that three times.
_TOO_LONG: Final = 2.5
_FEWEST_RUNS: Final = 3


def is_clipped(samples: NDArray[np.float32]) -> bool:
    """Whether the wave is cut flat: it meets its peak at a steep angle and stays there.

    A parabola of height h that is met with the slope s (per sample) lasts n = 4 h / s samples; a
    wave that is cut lasts longer. Noise on top of the cut does not change that. Nor does a quiet
    note of few bits, which repeats its peak value as well: what lies within one step of its
    recording is not known, so that it may be so much higher and have risen by so much less.

    Parameters
    ----------
    samples : shape (n,).
    """
    peak = float(np.abs(samples).max(initial=0.0))
    height = _NEAR * peak
    if height == 0.0:
        return False
    step = _step(samples, 0.5 * peak)
    stays = [_overstay(sign * samples, peak - height, step) for sign in (1.0, -1.0)]
    too_long = np.concatenate(stays) > _TOO_LONG * 4.0 * (height + step)
    return int(np.count_nonzero(too_long)) >= _FEWEST_RUNS


def _step(samples: NDArray[np.float32], level: float) -> float:
    """The least difference below values beyond ``level``: the step of the recording, or next to
    nothing. It is taken there because the steps of telephones grow with the level."""
    values = np.abs(samples)
    loud = values > level
    next_below = values[~loud].max(initial=0.0)
    return float(np.diff(np.unique(values[loud]), prepend=next_below).min())


def _overstay(samples: NDArray[np.float32], level: float, step: float) -> NDArray[np.float64]:
    """Length times steepness, as far as steps leave it sure, of every run above ``level``."""
    above = np.flatnonzero(samples[_SIDE:-_SIDE] > level) + _SIDE
    begins = np.diff(above, prepend=-samples.size) > _BRIDGE
    first = above[begins]
    last = above[np.append(begins[1:], True)] if len(above) else above
    length = last - first + 1
    rise = (samples[first] - samples[first - _SIDE] - step) / _SIDE
    fall = (samples[last] - samples[last + _SIDE] - step) / _SIDE
    stay: NDArray[np.float64] = np.where(length >= _SHORTEST, length * np.minimum(rise, fall), 0.0)
    return stay
