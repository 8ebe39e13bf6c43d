"""The takes of a repeatability study, from recordings or from sessions on record."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from statistics import fmean, median
from typing import Final

from pitchbench.intonation.classify import NEAR_CENTS
from pitchbench.intonation.repeatability import Played
from pitchbench.notes import Note, nearest_note
from pitchbench.pitch.reading import Reading
from pitchbench.records.model import SessionRecord
from pitchbench.report.repeatability import HeardTake, Takes
from pitchbench.session.log import SessionTake, TakeFate
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
    for player, record in sessions:
        meta, specs = record.meta, record.setup.instrument.strings
        for string, spec in zip(record.log.strings, specs, strict=True):
            heard += [
                HeardTake(player, meta.source, take.reading)
                for take in string.takes
                if take.fate is TakeFate.REJECTED
            ]
            for takes in _by_tuning(string.takes):
                tunings[player, string.number] += 1
                names = _names(spec.note, takes, tunings[player, string.number])
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
    read = [(t, t.reading, name) for t, name in named if isinstance(t.reading, Reading)]
    open_hz = [reading.pitch_hz for take, reading, _ in read if take.fret == 0]
    if not open_hz:
        return []
    origin_hz = open_hz[0]
    zero = fmean(cents_between(hz, origin_hz) for hz in open_hz)
    return [
        Played(
            player=player,
            note=name,
            fretted=bool(take.fret),
            cents=cents_between(reading.pitch_hz, origin_hz) - zero - 100.0 * (take.fret or 0),
            attack_cents=reading.attack_cents,
        )
        for take, reading, name in read
    ]


# -- from recordings ---------------------------------------------------------------------------


def from_recordings(heard: Iterable[HeardTake], strings: Sequence[Note], *, a4_hz: float) -> Takes:
    """Takes whose notes are told apart by pitch; ``strings`` are the open notes, the lowest that is
    heard if there is none."""
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


def _with_notes(heard: Iterable[HeardTake], a4_hz: float) -> tuple[HeardTake, ...]:
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
    """Which of the notes heard, lowest first and in cents from their names, are open strings."""
    if not strings:
        return (equal[0].note,)
    return tuple(
        dict.fromkeys(
            take.note
            for take in equal
            for string in strings
            if abs(take.cents + 100.0 * (Note.parse(take.note).midi - string.midi)) <= NEAR_CENTS
        )
    )
