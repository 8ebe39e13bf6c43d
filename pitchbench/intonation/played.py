"""What a player uses of the neck, from words: which notes, how much, and which together."""

from __future__ import annotations

import re
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import Final, TypeVar

from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.intonation.chords import BEATING, parse_shape

#: Chords in the first position on six strings in fourths with a third (common practice, no
#: source): C, A, G, E, D, A minor, E minor, D minor.
OPEN_CHORDS: Final = (
    "x32010",
    "x02220",
    "320003",
    "022100",
    "xx0232",
    "x02210",
    "022000",
    "xx0231",
)
_SEMITONES: Final = (5, 5, 5, 4, 5)

_HIGHEST_FRET: Final = 24
_FIRST_POSITION: Final = 3

_Key = TypeVar("_Key", bound=Hashable)

#: (string, fret)
Place = tuple[int, int]


@dataclass(frozen=True)
class Played:
    """What a player uses.

    Parameters
    ----------
    notes : weight of every note, by (string, fret), 0 the open string.
    together : weight of every two notes of a chord that beat, by their places, the lower first,
        with the numbers of the partials that do.
    """

    notes: Mapping[Place, float]
    together: Mapping[tuple[Place, Place, int, int], float]


def read_played(words: Sequence[str], instrument: Instrument) -> Played:
    """What is played, from a player's words.

    Parameters
    ----------
    words : each of "open chords", "up to fret 5", "lead above 12", or a shape as x32010; all count
        alike.

    Raises
    ------
    PitchbenchError
        If one of them is none of these.
    """
    notes: dict[Place, float] = {}
    together: dict[tuple[Place, Place, int, int], float] = {}
    for each in words:
        shapes, frets = _told(each, instrument)
        if shapes:
            places = [_places(shape, instrument) for shape in shapes]
            _add(notes, [place for chord in places for place in chord])
            _add(together, [pair for chord in places for pair in _beating(chord, instrument)])
        else:
            strings = range(1, len(instrument.strings) + 1)
            _add(
                notes,
                [
                    (string, fret)
                    for string in strings
                    for fret in range(instrument.highest_fret(string) + 1)
                    if instrument.neck_fret(string, fret) in frets
                ],
            )
    return Played(notes, together)


def _told(words: str, instrument: Instrument) -> tuple[tuple[str, ...], range]:
    """The shapes or the frets of the neck that are meant; of a short string or one under a capo 0
    is the open note all the same."""
    text = " ".join(words.lower().split())
    if text == "open chords":
        first = range(instrument.capo + _FIRST_POSITION + 1)
        return (OPEN_CHORDS, range(0)) if _in_fourths(instrument) else ((), first)
    found = re.fullmatch(r"(up to|lead above)(?: fret)? (\d+)", text)
    if found and 1 <= int(found[2]) <= _HIGHEST_FRET:
        fret = int(found[2])
        return (), range(fret + 1) if found[1] == "up to" else range(fret, _HIGHEST_FRET + 1)
    try:
        parse_shape(text, len(instrument.strings))
    except PitchbenchError as error:
        raise PitchbenchError(
            f"--play: {words!r} is nothing that is known.",
            'Say "open chords", "up to fret 5", "lead above 12", or a shape from the lowest string '
            "to the highest, such as x32010.",
        ) from error
    return (text,), range(0)


def _in_fourths(instrument: Instrument) -> bool:
    lows = [spec.note.midi for spec in reversed(instrument.strings)]
    return tuple(b - a for a, b in pairwise(lows)) == _SEMITONES


def _places(shape: str, instrument: Instrument) -> list[Place]:
    count = len(instrument.strings)
    frets = zip(range(count, 0, -1), parse_shape(shape, count), strict=True)
    return [(string, fret) for string, fret in frets if fret is not None]


def _beating(chord: Sequence[Place], instrument: Instrument) -> list[tuple[Place, Place, int, int]]:
    """The pairs of notes of a chord that beat, and by which partials."""
    found = []
    for one, other in combinations(chord, 2):
        low, high = sorted((one, other), key=lambda place: _midi(place, instrument))
        interval = BEATING.get(_midi(high, instrument) - _midi(low, instrument))
        if interval is not None:
            found.append((low, high, interval[1], interval[2]))
    return found


def _midi(place: Place, instrument: Instrument) -> int:
    return instrument.string(place[0]).note.midi + place[1]


def _add(weights: dict[_Key, float], keys: Sequence[_Key]) -> None:
    """Each of ``keys``, that all together weigh 1."""
    for key in keys:
        weights[key] = weights.get(key, 0.0) + 1.0 / len(keys)
