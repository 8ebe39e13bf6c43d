"""Whether a sudden rise in the sound brought energy that lasts, as a pluck does.

A string that is left alone goes on in time: each of its partials keeps frequency and phase and only
loses strength, so what it will be a moment later can be told. A tick, a scrape or a thump passes
and leaves that as it was. A pluck stops the string and starts it anew: what sounds afterwards is
not what was to come, and not what was to come sooner or later either, as where sound was lost, or
only louder, as where a gain is turned up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy  # its parts load when first used: commands that only read records need none
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
#: A string cannot gain what nobody gave it. What it throws from one partial to another, as it
#: beats or buzzes on a fret, was seen to come to 0.65 of what had sounded, 0.7 of what sounds then.
_GAINED: Final = 0.85
#: As much is enough where hardly a partial goes on as it was: then the string was stopped.
_GAINED_ANEW: Final = 0.6
_ANEW: Final = 0.1
_NEW_SHARE: Final = 0.75
#: What is left by a damping hand is new in phase, but little: 15 dB less than before.
_LEAST: Final = 10.0**-1.5
#: A partial is untouched that is within 10 dB of what it was to be, phase and all.
_UNTOUCHED: Final = 0.1
#: Of a string that is plucked anew hardly a partial keeps its phase; another one that rings on
#: keeps all those that the two do not share.
_WENT_ON: Final = 0.3
_ABOVE_BACKGROUND: Final = 10.0
#: What rings on 20 dB below the new note does it no harm.
_BESIDE: Final = 0.01
#: Where sound was lost or came twice every partial goes on, all out of step by one and the same
#: time, of up to so much, but for this share of their energy (real notes leave 0.02 or less).
_SKIPPED_S: Final = 0.1
_SKIPPED: Final = 0.05
#: Nor is it plucked where all goes on in step, only louder, but for this share of the energy.
_LOUDER: Final = 0.05

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Rise:
    """What became of the sound at a sudden rise.

    Parameters
    ----------
    new_share : share of what sounds afterwards that is not what was to come, 0 to 1.
    gained : the same energy against all that sounded before.
    went_on : share of what was to come that came, by energy, of the partials that are untouched.
    old_share : energy of those partials against what sounds afterwards.
    altered : whether it is what was to come, sooner, later or louder.
    """

    new_share: float
    gained: float
    went_on: float
    old_share: float
    altered: bool

    @property
    def plucked(self) -> bool:
        """Whether it brought energy that lasts."""
        return self._differs and not self.altered

    @property
    def torn(self) -> bool:
        """Whether the same goes on: sound was lost there, or came twice, or a gain was changed."""
        return self._differs and self.altered

    @property
    def _differs(self) -> bool:
        return (
            self.gained > _GAINED
            or (self.gained > _GAINED_ANEW and self.went_on < _ANEW)
            or (self.gained > _LEAST and self.new_share > _NEW_SHARE)
        )

    @property
    def over_another(self) -> bool:
        """Whether what rang before rings on beside what was plucked."""
        return self.plucked and self.went_on > _WENT_ON and self.old_share > _BESIDE


Sound = NDArray[np.float32]


def compare(before: Sound, after: Sound, rate_hz: int, background: Sound) -> Rise:
    """What a rise between ``before`` and ``after`` brought.

    Parameters
    ----------
    before : shape (n,), at least the last `BEFORE_S` before the rise.
    after : shape (m,), at least the first `HEARD_S` from the rise on.
    background : what is heard when nothing rings; hum goes on as well. May be empty.

    Notes
    -----
    A partial that was X1 and, a hop h later, X2 is to be X2 (X2 / X1)^(t/h) after another t.
    """
    length, hop = round(_STRETCH_S * rate_hz), round(_HOP_S * rate_hz)
    end = len(before) - round(_CLEAR_S * rate_hz)
    passed = round(_PASSED_S * rate_hz)
    quiet = background[-length:]
    stretches = np.stack(
        (
            before[end - hop - length : end - hop],
            before[end - length : end],
            after[passed : passed + length],
            np.pad(quiet, (length - len(quiet), 0)),
        )
    )
    taper = np.sin(np.pi * np.arange(1, length + 1) / (length + 1)) ** 2
    stretches -= stretches.mean(axis=1, keepdims=True)  # of an input that is off zero
    lines = scipy.fft.rfft(stretches * taper, 4 * length, axis=1)
    bin_hz = rate_hz / (4 * length)
    lines = lines[:, : int(min(_HIGHEST_HZ, 0.45 * rate_hz) / bin_hz)]
    power = np.square(np.abs(lines))
    peak = _peaks(np.maximum(power[1], power[2]))
    first, second, third, _ = lines[:, peak]
    apart = (len(before) - end + passed + length) / hop
    # What a sine in the middle of its bin turns in a hop; the rest is told from the two stretches.
    turn = 2.0 * np.pi * peak * bin_hz * hop / rate_hz
    step = second / (first + 1e-30) * np.exp(-1j * turn)
    kept = np.minimum(np.abs(step), 1.0) ** apart
    turn = np.angle(step) + turn
    to_come = second * kept * np.exp(1j * apart * turn)
    came = power[2, peak]
    due = np.square(np.abs(to_come))
    off = np.square(np.abs(third - to_come))
    new = float(np.sum(np.minimum(off, came)))
    rang = due > _ABOVE_BACKGROUND * power[3, peak]
    old = float(np.sum(due[rang & (off < _UNTOUCHED * due)]))
    return Rise(
        new_share=new / float(came.sum() + 1e-30),
        gained=new / float(power[1, peak].sum() + 1e-30),
        went_on=old / float(due[rang].sum() + 1e-30),
        old_share=old / float(came.sum() + 1e-30),
        altered=_is_louder(to_come, third)
        or _at_another_time(to_come, third, turn / hop * rate_hz),
    )


def _is_louder(to_come: NDArray[np.complex128], came: NDArray[np.complex128]) -> bool:
    """Whether partials ``came`` as they were to, all as much louder."""
    energy = float(np.square(np.abs(came)).sum())
    due = float(np.square(np.abs(to_come)).sum())
    alike = float((came.conj() * to_come).real.sum())
    return alike > 0.0 and energy * due - alike**2 < _LOUDER * energy * due


def _at_another_time(
    to_come: NDArray[np.complex128], came: NDArray[np.complex128], rate: Array
) -> bool:
    """Whether partials of so many radians per second ``came`` as they were to, at another time."""
    energy = float(np.square(np.abs(came)).sum())
    due = float(np.square(np.abs(to_come)).sum())
    if not 0.5 * energy < due < 2.0 * energy:
        return False
    # Eight steps to a period of the highest, then so fine that none is missed by a hundredth.
    found_s, step_s = 0.0, 1.0 / (8.0 * _HIGHEST_HZ)
    for reach_s, step in ((_SKIPPED_S, step_s), (step_s, step_s / 16.0)):
        shift_s = np.arange(found_s - reach_s, found_s + reach_s, step)
        alike = ((came.conj() * to_come) @ np.exp(1j * rate[:, None] * shift_s)).real
        found_s = float(shift_s[alike.argmax()])
    return energy + due - 2.0 * float(alike.max()) < _SKIPPED * energy


def _peaks(power: Array) -> NDArray[np.intp]:
    """The bins that stand above both neighbours."""
    inner = power[1:-1]
    loud = inner > _RANGE * power.max()
    return np.flatnonzero((inner > power[:-2]) & (inner >= power[2:]) & loud) + 1
