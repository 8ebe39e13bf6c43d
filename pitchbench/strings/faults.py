"""A virtual instrument with something wrong, to practise finding it.

Sizes are our own invention, of realistic order; what sounds follows from them by the physics of the
virtual instrument. What a player does wrong is no matter of the instrument: session/rehearsal.py.
"""

from __future__ import annotations

import math
from dataclasses import replace
from enum import StrEnum
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.instrument import Instrument
from pitchbench.strings.rendering import Partials, Samples
from pitchbench.strings.virtual import VirtualInstrument, _String


class Fault(StrEnum):
    """What may be wrong."""

    OLD_STRING = "old-string"
    WRONG_WAY = "wrong-way"
    HIGH_NUT = "high-nut"
    BACKLASH = "backlash"
    DEAD_FRET = "dead-fret"


#: An old string is thicker here and thinner there, so its partials lie off the law, the second to
#: the sixth by so many cents rms; it has lost its brightness, and its two directions of swing do
#: not agree.
_OFF_LAW_CENTS: Final = 20.0
_DULLER: Final = 2.0
_SPLIT_CENTS: Final = 2.0

#: How much higher the slots of a high nut are, mm.
_NUT_TOO_HIGH_MM: Final = 0.5

#: How far a screw turns back before its saddle follows, if its thread is worn or its spring is
#: missing; it was last turned the other way.
_BACKLASH_TURNS: Final = 3.0

#: How fast the neck, or the next fret, takes the energy of a note besides, in nepers per second: so
#: much alike of every string. Six times what each loses by itself would leave a knock, and no note,
#: of the high ones.
_DEAD_PER_S: Final = 4.0


class FaultyInstrument(VirtualInstrument):
    """A virtual instrument with one fault; all else is as without it.

    Parameters
    ----------
    fault : what is wrong; `Fault.WRONG_WAY` is nothing that an instrument can have.
    string, fret : where an old string or a dead fret is.
    """

    def __init__(
        self,
        instrument: Instrument,
        *,
        seed: int,
        fault: Fault | None,
        string: int,
        fret: int,
        **room: Any,
    ) -> None:
        super().__init__(instrument, seed=seed, **room)
        self._fault = fault
        self._where = (string, fret)
        self._stopped = (0, 0)
        # A stream of its own, so that all else is as without the fault.
        rng = np.random.default_rng([seed, 2])
        self._off_law = {fretted: _uneven(rng) for fretted in (False, True)}
        match fault:
            case Fault.OLD_STRING:
                old = self._string(string)
                old.loss *= _DULLER
                old.split_cents = math.copysign(_SPLIT_CENTS, old.split_cents)
            case Fault.HIGH_NUT:
                for state in self._strings:
                    self._raise_nut(state)
            case Fault.BACKLASH:
                pitch_mm = instrument.bridge.screw_pitch_mm or 0.0
                for state in self._strings:
                    state.slack_mm = _BACKLASH_TURNS * pitch_mm
                    # A sharp string's saddle is to go away from the nut: plus.
                    state.last_turned_mm = -self._offset_cents(state, fret)

    def _raise_nut(self, state: _String) -> None:
        """Raise a nut slot; the 12th fret is as far off as before, for the saddle was set so."""
        found = self._offset_cents(state, 12)
        neck = state.neck
        state.neck = replace(
            neck,
            nut_height_mm=neck.nut_height_mm + _NUT_TOO_HIGH_MM,
            saddle_rise_mm=neck.saddle_rise_mm - _NUT_TOO_HIGH_MM,
        )
        self._set_saddle(state, found)

    def pluck(self, string: int, fret: int, **how: Any) -> Samples:
        """As of any virtual instrument."""
        self._stopped = (string, fret)
        return super().pluck(string, fret, **how)

    def _main_partials(self, state: _String, **how: Any) -> Partials:
        partials = super()._main_partials(state, **how)
        if self._fault is Fault.OLD_STRING and self._stopped[0] == self._where[0]:
            off_law = self._off_law[how["fretted"]][: partials.f_hz.size]
            return replace(partials, f_hz=partials.f_hz * 2.0 ** (off_law / 1200.0))
        if self._fault is Fault.DEAD_FRET and self._stopped == self._where:
            return replace(partials, rate_per_s=partials.rate_per_s + _DEAD_PER_S)
        return partials


def _uneven(rng: np.random.Generator) -> NDArray[np.float64]:
    """How far each partial lies off the law, in cents; the first, whose pitch it is, does not."""
    cents = rng.normal(0.0, 1.0, 200)
    cents[0] = 0.0
    return cents * (_OFF_LAW_CENTS / float(np.sqrt(np.mean(cents[1:6] ** 2))))
