"""Which fret each note of one string was stopped at, told from the pitches alone."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import Final

from pitchbench.intonation.classify import NEAR_CENTS, OUT_OF_TUNE_CENTS
from pitchbench.units import cents_between

#: A note farther than this from every fret belongs to none: it is another string, or the open
#: note is not what it was taken for.
BETWEEN_FRETS_CENTS: Final = 40.0

#: Plucks of the open string lie within this of the lowest of them.
_SAME_NOTE_CENTS: Final = 50.0


def tell_frets(
    pitches_hz: Sequence[float], *, open_hz: float | None = None, highest: int = 24
) -> list[int | None]:
    """The fret of each note of one string; 0 is open, None no fret of this string.

    Parameters
    ----------
    open_hz : what the open string should be; None if not known, and then the lowest note is open.
    highest : the last fret of the neck.

    Notes
    -----
    A named string may be flat by up to `OUT_OF_TUNE_CENTS`, since nothing sounds below the open
    string, but sharp only by `NEAR_CENTS`: beyond that its open note would pass for the 1st fret.
    Where no open note is found the frets are counted from the name.
    """
    if not pitches_hz:
        return []
    place_hz = _open_place_hz(pitches_hz, open_hz)

    def fret(pitch_hz: float) -> int | None:
        cents = cents_between(pitch_hz, place_hz)
        nearest = round(cents / 100.0)
        near = abs(cents - 100.0 * nearest) <= BETWEEN_FRETS_CENTS
        return nearest if near and 0 <= nearest <= highest else None

    return [fret(pitch_hz) for pitch_hz in pitches_hz]


def _open_place_hz(pitches_hz: Sequence[float], open_hz: float | None) -> float:
    """The middle of the open plucks, or the name where there is none."""
    if open_hz is None:
        return _lowest_note_hz(pitches_hz)
    off_cents = {hz: cents_between(hz, open_hz) for hz in pitches_hz}
    near = [hz for hz, cents in off_cents.items() if abs(cents) <= NEAR_CENTS]
    flat = [hz for hz, cents in off_cents.items() if -OUT_OF_TUNE_CENTS <= cents < 0.0]
    return _lowest_note_hz(near or flat) if near or flat else open_hz


def _lowest_note_hz(pitches_hz: Sequence[float]) -> float:
    lowest = min(pitches_hz)
    return median(hz for hz in pitches_hz if cents_between(hz, lowest) <= _SAME_NOTE_CENTS)
