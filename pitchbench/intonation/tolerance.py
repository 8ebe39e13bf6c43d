"""How far off a string may be left: what a listener hears at its pitch, and at least what is usual.

Two tones, one after the other, are told apart from about 1 Hz below 500 Hz and 0.2 % above (Zwicker
& Fastl, Psychoacoustics: Facts and Models, section 7.2; from memory. Other tables are less strict,
such as 1.75 Hz at 500 Hz: J. O. Smith, Spectral Audio Signal Processing, "Minimum zero-padding").
The pitch of a string's note is taken from its partials about the fourth (Ritsma, J. Acoust. Soc.
Am. 42, 191, 1967; from memory). Two strings may be off in opposite directions, so half of what is
heard is suggested for each.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.notes import Note
from pitchbench.refit import with_tolerance
from pitchbench.units import CENTS_PER_NEPER, in_cents

_HEARD_HZ: Final = 1.0
_HEARD_SHARE: Final = 0.002
_DOMINANT_PARTIAL: Final = 4

#: Where strings are compared, semitones above the open note.
_OCTAVE: Final = 12

#: What is usual; common practice, no source.
USUAL_CENTS: Final = 2.0


def heard_cents(note: Note) -> float:
    """How far two notes of this pitch must lie apart to be told from each other, in cents."""
    partial_hz = _DOMINANT_PARTIAL * note.hz()
    return CENTS_PER_NEPER * max(_HEARD_HZ / partial_hz, _HEARD_SHARE)


def suggested_tolerance_cents(note: Note) -> float:
    """The tolerance to suggest for a string of this open note: half of what is heard at its octave,
    in half cents, and `USUAL_CENTS` at least.

    Examples
    --------
    >>> [suggested_tolerance_cents(Note.parse(open)) for open in ("E4", "E2", "E1", "B0")]
    [2.0, 2.0, 2.5, 3.5]
    """
    return max(USUAL_CENTS, round(heard_cents(note.up(_OCTAVE))) / 2.0)


def tolerance_words(cents: Sequence[float]) -> str:
    """ "2 cents", or where they differ from the least to the greatest: "2 to 3.5 cents"."""
    low, high = min(cents), max(cents)
    return in_cents(low) if low == high else f"{low:g} to {high:g} cents"


def with_suggested_tolerance(instrument: Instrument) -> Instrument:
    """``instrument`` with the tolerance that is suggested for each of its strings.

    Raises
    ------
    PitchbenchError
        If its strings are not known.
    """
    if not instrument.strings:
        raise PitchbenchError(
            "A tolerance is suggested string by string, and the strings are not known.",
            "Say them with --preset, --instrument or --tuning, or give a number of cents.",
        )
    cents = [suggested_tolerance_cents(spec.note) for spec in instrument.strings]
    return with_tolerance(instrument, *cents)
