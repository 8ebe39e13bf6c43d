"""Takes of players to how far they spread, within a player and between."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import fmean, median
from typing import Final

from pitchbench.analysis.listening import Heard, Listened
from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.intonation.classify import NEAR_CENTS
from pitchbench.intonation.repeatability import Played, Spread, Study, study, takes_needed
from pitchbench.notes import Note, nearest_note
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
    PitchbenchError
        If nobody plays any note twice.
    """
    if not takes.repeated:
        raise PitchbenchError(
            "No player plays any note twice." if takes.played else "There is no usable reading.",
            "Record each note at least three times, two seconds each.",
            ExitCode.NO_READING,
        )
    return StudyResult(a4_hz, within_cents, takes, study(takes.played))


def takes_in(
    sounds: Iterable[tuple[str, Listened]], strings: Sequence[Note], *, a4_hz: float
) -> Takes:
    """The takes in recordings, their notes told apart by pitch.

    Parameters
    ----------
    sounds : who played, and what was heard.
    strings : the open notes; the lowest that is heard if there is none.
    """
    heard = [
        PlayedTake(str(sound.path), reading, player)
        for player, sound in sounds
        for reading in sound.readings
    ]
    told = _with_notes(heard, a4_hz)
    counted = [each for each in told if each.note is not None]
    if not counted:
        return Takes(told, (), (), own_open=False)
    notes = sorted({each.note for each in counted if each.note}, key=Note.parse)
    opens = _open_notes(notes, strings, counted, a4_hz)
    assumed = () if strings else (f"{opens[0]} is the open string (say it with --string)",)
    players = {each.player for each in counted}
    from_equal = {id(each): _from_equal_cents(each, a4_hz) for each in counted}
    zero: dict[str, list[float]] = {
        player: [from_equal[id(e)] for e in counted if (e.player, e.note) == (player, opens[0])]
        for player in players
    }
    own_open = len(opens) == 1 and all(zero.values())
    played = tuple(
        Played(
            player=each.player,
            note=each.note or "",
            fretted=each.note not in opens,
            cents=from_equal[id(each)]
            - (fmean(zero[each.player]) if own_open and each.note not in opens else 0.0),
            attack_cents=each.reading.attack_cents,
        )
        for each in sorted(counted, key=lambda each: Note.parse(each.note or ""))
    )
    return Takes(told, played, opens, own_open, assumed)


def _with_notes(heard: Iterable[PlayedTake], a4_hz: float) -> tuple[PlayedTake, ...]:
    """Every pluck with its note: pitches without a wide gap between them are one note."""
    heard = tuple(heard)
    pitches = sorted(_hz(each) for each in heard if each.reading.settled)
    groups: list[list[float]] = []
    for hz in pitches:
        if groups and cents_between(hz, groups[-1][-1]) < _GAP_CENTS:
            groups[-1].append(hz)
        else:
            groups.append([hz])
    names = {hz: nearest_note(median(group), a4_hz)[0].name for group in groups for hz in group}
    return tuple(
        replace(each, note=names[_hz(each)]) if each.reading.settled else each for each in heard
    )


def _open_notes(
    notes: Sequence[str], strings: Sequence[Note], counted: Sequence[PlayedTake], a4_hz: float
) -> tuple[str, ...]:
    """Which of the notes heard are open strings."""
    if not strings:
        return (notes[0],)
    return tuple(
        note
        for note in notes
        if any(
            abs(cents_between(_hz(each), string.hz(a4_hz))) <= NEAR_CENTS
            for each in counted
            for string in strings
            if each.note == note
        )
    )


def _hz(each: PlayedTake) -> float:
    return each.reading.pitch_hz or 0.0


def _from_equal_cents(each: PlayedTake, a4_hz: float) -> float:
    return cents_between(_hz(each), Note.parse(each.note or "").hz(a4_hz))
