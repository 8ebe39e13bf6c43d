"""Which fret each note of one string was stopped at, told from the pitches alone."""

from __future__ import annotations

from collections import Counter
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
    A named string may be flat by up to `OUT_OF_TUNE_CENTS`, but sharp only by `NEAR_CENTS`: beyond
    that its open note would pass for the 1st fret. Of the notes in that range the one that makes
    most of the others frets is open, so that plucks made while tuning up do not count; but not one
    that was played half as often as another nearer to the name or less, since a string that was
    slackened to move its saddle, by two semitones, say, would make 2nd and 14th frets of all that
    is played at pitch. Where there is none in it the frets are counted from the name.
    """
    if not pitches_hz:
        return []
    return _frets(pitches_hz, _open_place_hz(pitches_hz, open_hz, highest), highest)


def _frets(pitches_hz: Sequence[float], place_hz: float, highest: int) -> list[int | None]:
    """The fret of each note if the open string is at ``place_hz``."""

    def fret(pitch_hz: float) -> int | None:
        cents = cents_between(pitch_hz, place_hz)
        nearest = round(cents / 100.0)
        near = abs(cents - 100.0 * nearest) <= BETWEEN_FRETS_CENTS
        return nearest if near and 0 <= nearest <= highest else None

    return [fret(pitch_hz) for pitch_hz in pitches_hz]


def _open_place_hz(pitches_hz: Sequence[float], open_hz: float | None, highest: int) -> float:
    """The middle of the open plucks, or the name where there is none."""
    if open_hz is None:
        return _note_from_hz(pitches_hz, min(pitches_hz))

    played = {
        place_hz: Counter(_frets(pitches_hz, place_hz, highest))
        for hz in pitches_hz
        if -OUT_OF_TUNE_CENTS <= cents_between(hz, open_hz) <= NEAR_CENTS
        for place_hz in [_note_from_hz(pitches_hz, hz)]
    }

    def off_cents(place_hz: float) -> float:
        return abs(cents_between(place_hz, open_hz))

    def merit(place_hz: float) -> tuple[bool, int, float]:
        frets, off = played[place_hz], off_cents(place_hz)
        nearer = max((played[hz][0] for hz in played if off_cents(hz) < off), default=0)
        return 2 * frets[0] > nearer, frets.total() - frets[None], -off

    return max(played, key=merit, default=open_hz)


def _note_from_hz(pitches_hz: Sequence[float], lowest_hz: float) -> float:
    """The middle of the plucks that are one note with ``lowest_hz``, none of them lower."""
    return median(
        hz for hz in pitches_hz if 0.0 <= cents_between(hz, lowest_hz) <= _SAME_NOTE_CENTS
    )
