"""Takes of players to how far they spread, within a player and between."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import fmean, median
from typing import Final

from pitchbench.analysis.heard import Heard, Plucks, how_often
from pitchbench.errors import NoReadingError
from pitchbench.intonation.classify import NEAR_CENTS
from pitchbench.intonation.repeatability import Played, Spread, Study, study, takes_needed
from pitchbench.notes import Note, nearest_note
from pitchbench.pitch.reading import Reading
from pitchbench.units import cents_between

#: Pitches with a gap like this between them are of different notes.
_GAP_CENTS: Final = 50.0


@dataclass(frozen=True, eq=False)
class PlayedTake(Heard):
    """One pluck, who played it, and which note it is; None where it was rejected."""

    player: str
    note: str | None = None


@dataclass(frozen=True, eq=False)
class Takes:
    """Who played what.

    Parameters
    ----------
    opens : which notes are open strings.
    own_open : whether fretted notes are measured from the open notes of the same player.
    assumed : in words, what nobody said.
    """

    heard: tuple[PlayedTake, ...]
    played: tuple[Played, ...]
    opens: tuple[str, ...]
    own_open: bool
    assumed: tuple[str, ...] = ()

    @property
    def repeated(self) -> bool:
        """Whether any player plays any note twice."""
        cells = [(take.player, take.note) for take in self.played]
        return len(set(cells)) < len(cells)


@dataclass(frozen=True, eq=False)
class StudyResult:
    """All that is shown."""

    a4_hz: float
    within_cents: float
    takes: Takes
    study: Study

    def takes_of(self, player: str) -> int:
        """How many takes of ``player`` count."""
        return sum(take.player == player for take in self.takes.played)

    def takes_needed(self, spread: Spread | None) -> int | None:
        """How many takes bring the mean within ``within_cents``; None where that is not known, or
        more than anyone plays."""
        return None if spread is None else takes_needed(spread.cents, self.within_cents)


def study_takes(takes: Takes, *, within_cents: float, a4_hz: float) -> StudyResult:
    """How far the takes spread, and what it takes to know a note ``within_cents``.

    Raises
    ------
    NoReadingError
        If nobody plays any note twice.
    """
    if not takes.repeated:
        raise NoReadingError(
            "No player plays any note twice." if takes.played else "There is no usable reading.",
            "Record each note at least three times, two seconds each.",
        )
    return StudyResult(a4_hz, within_cents, takes, study(takes.played))


def takes_in(
    sounds: Iterable[tuple[str, Plucks]], strings: Sequence[Note], *, a4_hz: float
) -> Takes:
    """The takes in recordings, their notes told apart by pitch.

    Parameters
    ----------
    sounds : who played, and what was heard.
    strings : the open notes; the lowest that is heard if there is none.

    Raises
    ------
    NoReadingError
        If none of ``strings`` was heard.
    """
    heard = [
        PlayedTake(sound.source, reading, player)
        for player, sound in sounds
        for reading in sound.readings
    ]
    told = _with_notes(heard, a4_hz)
    equal = [
        Played(
            player=each.player,
            note=each.note,
            fretted=False,
            cents=cents_between(each.reading.pitch_hz, Note.parse(each.note).hz(a4_hz)),
            attack_cents=each.reading.attack_cents,
        )
        for each in told
        if isinstance(each.reading, Reading) and each.note is not None
    ]
    if not equal:
        return Takes(told, (), (), own_open=False)
    equal.sort(key=lambda take: Note.parse(take.note))
    opens = _open_notes(equal, strings)
    assumed = () if strings else (f"{opens[0]} is the open string (say it with --string)",)
    zero: dict[str, list[float]] = {
        player: [t.cents for t in equal if (t.player, t.note) == (player, opens[0])]
        for player in {take.player for take in equal}
    }
    own_open = len(opens) == 1 and all(zero.values())

    def from_open(take: Played) -> Played:
        if take.note in opens:
            return take
        origin = fmean(zero[take.player]) if own_open else 0.0
        return replace(take, fretted=True, cents=take.cents - origin)

    return Takes(told, tuple(map(from_open, equal)), opens, own_open, assumed)


def _with_notes(heard: Iterable[PlayedTake], a4_hz: float) -> tuple[PlayedTake, ...]:
    """Every pluck with its note: pitches without a wide gap between them are one note."""
    heard = tuple(heard)
    pitches = sorted(e.reading.pitch_hz for e in heard if isinstance(e.reading, Reading))
    groups: list[list[float]] = []
    for hz in pitches:
        if groups and cents_between(hz, groups[-1][-1]) < _GAP_CENTS:
            groups[-1].append(hz)
        else:
            groups.append([hz])
    names = {hz: nearest_note(median(group), a4_hz)[0].name for group in groups for hz in group}
    return tuple(
        replace(each, note=names[each.reading.pitch_hz])
        if isinstance(each.reading, Reading)
        else each
        for each in heard
    )


def _open_notes(equal: Sequence[Played], strings: Sequence[Note]) -> tuple[str, ...]:
    """Which of the notes heard, lowest first and in cents from their names, are open strings.

    Raises
    ------
    NoReadingError
        If there are ``strings``, and none of them was heard.
    """
    if not strings:
        return (equal[0].note,)
    opens = tuple(
        dict.fromkeys(
            take.note
            for take in equal
            for string in strings
            if abs(take.cents + 100.0 * (Note.parse(take.note).midi - string.midi)) <= NEAR_CENTS
        )
    )
    if not opens:
        missing = f"no reading of the open {' or '.join(map(str, strings))} string"
        raise NoReadingError(
            f"There is {missing}; heard: {', '.join(how_often(take.note for take in equal))}.",
            "Say with --string the open note of a string that was played.",
        )
    return opens
