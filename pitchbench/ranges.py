"""Numbers that make sense, the same on a command line and from a program."""

from __future__ import annotations

from typing import Final, NamedTuple

from pitchbench.errors import PitchbenchError


class Range(NamedTuple):
    """The numbers from ``low`` to ``high``, both included.

    ``meaning`` is what is asked for, in words that complete "Give ...": "the pitch of A4 in Hz".
    """

    low: float
    high: float
    meaning: str

    @property
    def asks(self) -> str:
        """What may be given, in a sentence."""
        return f"Give {self.meaning}, a number from {self.low:g} to {self.high:g}."

    def fits(self, number: float, *, whole: bool = False) -> bool:
        """Whether ``number`` is within the range, and ``whole``; not-a-number never is."""
        return self.low <= number <= self.high and (not whole or number == int(number))

    def nonsense(self, name: str, said: object) -> PitchbenchError:
        """What is wrong with ``said``, given as ``name``."""
        return PitchbenchError(f"{name} {str(said)!r} makes no sense here.", self.asks)

    def check(self, *, whole: bool = False, **numbers: float) -> None:
        """Refuse a number that does not fit.

        Raises
        ------
        PitchbenchError
            For the first of them, by its name.
        """
        for name, number in numbers.items():
            if not self.fits(number, whole=whole):
                raise self.nonsense(name, number)


#: From the low pitches of early music to the sharpest concert pitches; outside of this it is far
#: more likely that another number was meant.
A4: Final = Range(380.0, 480.0, "the pitch of A4 in Hz")
TOLERANCE: Final = Range(0.1, 50.0, "the tolerance in cents")
WITHIN: Final = Range(0.1, 50.0, "how near the mean of the takes should be, in cents")
FRET: Final = Range(1, 24, "the fret that was played")
FRET_OR_OPEN: Final = Range(0, 24, "the fret that was played, 0 for the open string")
SETBACK: Final = Range(-20.0, 50.0, "the setback in mm")
