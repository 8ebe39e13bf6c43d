"""Whether a sudden rise in the sound brought energy that lasts, as a pluck does.

A string that is left alone goes on in time: each of its partials keeps frequency and phase and only
loses strength, so what it will be a moment later can be told. A tick, a scrape or a thump passes
and leaves that as it was. A pluck stops the string and starts it anew: what sounds afterwards is
not what was to come.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

#: Length of the stretches compared: four periods of B0, and short enough that a beat of some hertz
#: has not turned within it.
_STRETCH_S: Final = 0.12
#: The strength and the frequency of a partial are told from two stretches so far apart.
_HOP_S: Final = 0.05
#: A rise may have begun so long before the step in which it is seen.
_CLEAR_S: Final = 0.012
#: By now a pick's noise has passed, and a knock on the body has lost 40 dB (its modes die within
#: 20 ms or so: common practice, no source).
_PASSED_S: Final = 0.1
#: How much of the sound before and after a rise is looked at.
BEFORE_S: Final = _CLEAR_S + _HOP_S + _STRETCH_S
HEARD_S: Final = _PASSED_S + _STRETCH_S
#: Partials count that are within 40 dB of the loudest, below this.
_RANGE: Final = 1e-4
_HIGHEST_HZ: Final = 3000.0
#: A string cannot gain what nobody gave it. What it throws from one partial to another, as it beats
#: or buzzes on a fret, was seen to come to 0.65 of what had sounded, and to 0.7 of what sounds then.
_GAINED: Final = 0.85
_NEW_SHARE: Final = 0.75
#: What is left by a damping hand is new in phase, but little: 15 dB less than before.
_LEAST: Final = 10.0**-1.5

Array = NDArray[np.float64]


def new_energy(
    before: NDArray[np.float32], after: NDArray[np.float32], rate_hz: int
) -> tuple[float, float]:
    """How much of the sound after a rise is not what was to come.

    Parameters
    ----------
    before : shape (n,), at least the last `BEFORE_S` before the rise.
    after : shape (m,), at least the first `HEARD_S` from the rise on.

    Returns
    -------
    share : of the energy after the rise, 0 to 1.
    relative : the same energy against all that sounded before.

    Notes
    -----
    A partial that was X1 and, a hop h later, X2 is to be X2 (X2 / X1)^(t/h) after another t.
    """
    length, hop = round(_STRETCH_S * rate_hz), round(_HOP_S * rate_hz)
    end = len(before) - round(_CLEAR_S * rate_hz)
    passed = round(_PASSED_S * rate_hz)
    stretches = np.stack(
        (
            before[end - hop - length : end - hop],
            before[end - length : end],
            after[passed : passed + length],
        )
    )
    taper = np.sin(np.pi * np.arange(1, length + 1) / (length + 1)) ** 2
    lines = np.fft.rfft(stretches * taper, 4 * length, axis=1)
    bin_hz = rate_hz / (4 * length)
    lines = lines[:, : int(min(_HIGHEST_HZ, 0.45 * rate_hz) / bin_hz)]
    power = np.square(np.abs(lines))
    peak = _peaks(np.maximum(power[1], power[2]))
    first, second, third = lines[:, peak]
    apart = (len(before) - end + passed + length) / hop
    # What a sine in the middle of its bin turns in a hop; the rest is told from the two stretches.
    turn = 2.0 * np.pi * peak * bin_hz * hop / rate_hz
    step = second / (first + 1e-30) * np.exp(-1j * turn)
    kept = np.minimum(np.abs(step), 1.0) ** apart
    phase = apart * (np.angle(step) + turn)
    to_come = second * kept * np.exp(1j * phase)
    new = float(np.sum(np.minimum(np.square(np.abs(third - to_come)), power[2, peak])))
    return new / float(np.sum(power[2, peak]) + 1e-30), new / float(np.sum(power[1, peak]) + 1e-30)


def _peaks(power: Array) -> NDArray[np.intp]:
    """The bins that stand above both neighbours."""
    inner = power[1:-1]
    loud = inner > _RANGE * power.max()
    return np.flatnonzero((inner > power[:-2]) & (inner >= power[2:]) & loud) + 1


def brings_energy(before: NDArray[Any], after: NDArray[Any], rate_hz: int) -> bool:
    """Whether the rise between ``before`` and ``after`` (see `new_energy`) was a pluck."""
    share, relative = new_energy(before, after, rate_hz)
    return relative > _GAINED or (share > _NEW_SHARE and relative > _LEAST)
