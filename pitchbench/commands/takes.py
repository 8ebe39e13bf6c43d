"""The takes of a repeatability study, from recordings or from sessions on record."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from statistics import fmean, median
from typing import Final

from pitchbench.intonation.classify import NEAR_CENTS
from pitchbench.intonation.repeatability import Played
from pitchbench.notes import Note, nearest_note
from pitchbench.records.model import SessionRecord
from pitchbench.records.results import string_results
from pitchbench.report.repeatability import HeardTake, Takes
from pitchbench.session.state import SessionTake, TakeFate
from pitchbench.session.words import ordinal
from pitchbench.units import cents_between

#: Pitches with a gap like this between them are of different notes.
_GAP_CENTS: Final = 50.0


# -- from sessions -----------------------------------------------------------------------------


def from_sessions(sessions: Iterable[tuple[str, SessionRecord]]) -> Takes:
    """Takes on record, by player.

    A string that was moved or tuned in between plays another note from then on: its takes are
    compared with those of the same tuning alone, fretted ones as offsets from its own open takes,
    open ones from their own mean.
    """
    heard: list[HeardTake] = []
    played: list[Played] = []
    opens: dict[str, None] = {}
    tunings: Counter[tuple[str, int]] = Counter()
    for player, (setup, entries, meta) in sessions:
        for result in string_results(setup, entries):
            heard += [
                HeardTake(player, meta.source, take.reading)
                for take in result.takes
                if take.fate is TakeFate.REJECTED
            ]
            for takes in _by_tuning(result.takes):
                tunings[player, result.number] += 1
                names = _names(result.note, takes, tunings[player, result.number])
                named = list(zip(takes, names, strict=True))
                opens.update(dict.fromkeys(name for take, name in named if take.fret == 0))
                heard += [
                    HeardTake(player, meta.source, take.reading, name) for take, name in named
                ]
                played += _played(player, named)
    played.sort(key=lambda take: _place(take.note))
    return Takes(tuple(heard), tuple(played), tuple(opens), own_open=True)


def _by_tuning(takes: Iterable[SessionTake]) -> list[list[SessionTake]]:
    """The takes that count, apart by what was done to the string in between."""
    groups: dict[tuple[int, int], list[SessionTake]] = {}
    for take in takes:
        if take.fate is TakeFate.ACCEPTED and take.fret is not None:
            groups.setdefault((take.round, take.tuning), []).append(take)
    return list(groups.values())


def _names(note: Note, takes: Sequence[SessionTake], tuning: int) -> list[str]:
    """ "E2", "E3"; "E2, 2nd tuning" once the string was tuned or moved."""
    more = "" if tuning == 1 else f", {ordinal(tuning)} tuning"
    return [f"{note.up(take.fret or 0).name}{more}" for take in takes]


def _place(name: str) -> tuple[int, str]:
    return Note.parse(name.split(",", maxsplit=1)[0]).midi, name


def _played(player: str, named: Sequence[tuple[SessionTake, str]]) -> list[Played]:
    """The takes of one tuning; fretted ones without an open one beside them say nothing."""
    open_hz = [take.reading.pitch_hz or 1.0 for take, _ in named if take.fret == 0]
    if not open_hz:
        return []
    origin_hz = open_hz[0]
    zero = fmean(cents_between(hz, origin_hz) for hz in open_hz)
    return [
        Played(
            player=player,
            note=name,
            fretted=bool(take.fret),
            cents=cents_between(take.reading.pitch_hz or 1.0, origin_hz)
            - zero
            - 100.0 * (take.fret or 0),
            attack_cents=take.reading.attack_cents,
        )
        for take, name in named
    ]


# -- from recordings ---------------------------------------------------------------------------


def from_recordings(heard: Iterable[HeardTake], strings: Sequence[Note], *, a4_hz: float) -> Takes:
    """Takes whose notes are told apart by pitch; ``strings`` are the open notes, the lowest that is
    heard if there is none."""
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


def _with_notes(heard: Iterable[HeardTake], a4_hz: float) -> tuple[HeardTake, ...]:
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
        HeardTake(e.player, e.source, e.reading, names[_hz(e)] if e.reading.settled else None)
        for e in heard
    )


def _open_notes(
    notes: Sequence[str], strings: Sequence[Note], counted: Sequence[HeardTake], a4_hz: float
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


def _hz(each: HeardTake) -> float:
    return each.reading.pitch_hz or 0.0


def _from_equal_cents(each: HeardTake, a4_hz: float) -> float:
    return cents_between(_hz(each), Note.parse(each.note or "").hz(a4_hz))
