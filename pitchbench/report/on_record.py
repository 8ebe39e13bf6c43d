"""Sessions on record as what the analysis takes: plucks of a neck, takes of players."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import groupby
from statistics import fmean

from pitchbench.analysis.neck import (
    HeardString,
    Judged,
    NeckPluck,
    NeckResult,
    judge_neck,
    without_harmonics,
)
from pitchbench.analysis.repeatability import PlayedTake, Takes
from pitchbench.instrument import Instrument
from pitchbench.intonation.repeatability import Played
from pitchbench.notes import Note, ordinal
from pitchbench.pitch.reading import Reading
from pitchbench.records.model import SessionRecord
from pitchbench.session.log import Ignored, Log, SessionTake, TakeFate
from pitchbench.session.survey import statistics_of
from pitchbench.units import cents_between

# -- a survey of a neck ------------------------------------------------------------------------


def heard_in_survey(log: Log, source: str) -> tuple[HeardString, ...]:
    """The strings of a survey by ear, the highest first; ``source`` is what was listened to."""
    instrument, strings = log.setup.instrument, []
    for string, spec in zip(log.strings, instrument.strings, strict=True):
        plucks = tuple(
            pluck
            for _, played in groupby(string.takes, key=lambda take: take.tuning)
            for pluck in _plucks(tuple(played), source, string.number, instrument)
        )
        told = zip(string.takes, plucks, strict=True)
        counted = statistics_of(take for take, pluck in told if pluck.fret is not None)
        if plucks:
            strings.append(HeardString(spec.note, string.number, plucks, counted))
    return tuple(strings)


def _plucks(
    takes: Sequence[SessionTake], source: str, number: int, instrument: Instrument
) -> Sequence[NeckPluck]:
    """The plucks of one tuning of a string; who pressed harder to show that it is fretted is
    believed here too."""
    plucks = [
        NeckPluck(source, take.reading, take.fret)
        if take.fate is TakeFate.ACCEPTED
        else NeckPluck(source, take.reading, why=_why_not(take))
        for take in takes
    ]
    if any(take.cause is Ignored.PRESSED_HARDER for take in takes):
        return plucks
    return without_harmonics(plucks, number, instrument)


def _why_not(take: SessionTake) -> str:
    """Why a take does not count: one that was struck out may only have been asked about before."""
    return str(take.fate) if take.fate is TakeFate.STRUCK else take.why or str(take.fate)


def neck_heard(log: Log, source: str, session: str | None = None) -> NeckResult | None:
    """What a survey came to, by what it was judged then; None where too little of it was heard.
    ``session`` is its id on record."""
    setup, heard = log.setup, heard_in_survey(log, source)
    if not any(string.enough for string in heard):
        return None
    by = Judged(setup.judged, (), None, setup.prior, setup.a4_hz, setup.filed_mm)
    return judge_neck(heard, by, session=session)


def neck_on_record(record: SessionRecord) -> NeckResult | None:
    """The same of a survey on record."""
    return neck_heard(record.log, record.meta.source, record.meta.id)


# -- takes of players --------------------------------------------------------------------------


def takes_on_record(sessions: Iterable[tuple[str, SessionRecord]]) -> Takes:
    """Takes on record, by player.

    A string that was moved or tuned in between plays another note from then on: its takes are
    compared with those of the same tuning alone, fretted ones as offsets from its own open takes,
    open ones from their own mean.
    """
    heard: list[PlayedTake] = []
    played: list[Played] = []
    opens: dict[str, None] = {}
    tunings: Counter[tuple[str, int]] = Counter()
    for player, record in sessions:
        meta, specs = record.meta, record.setup.instrument.strings
        for string, spec in zip(record.log.strings, specs, strict=True):
            heard += [
                PlayedTake(meta.source, take.reading, player)
                for take in string.takes
                if take.fate is TakeFate.REJECTED
            ]
            for takes in _by_tuning(string.takes):
                tunings[player, string.number] += 1
                names = _names(spec.note, takes, tunings[player, string.number])
                named = list(zip(takes, names, strict=True))
                opens.update(dict.fromkeys(name for take, name in named if take.fret == 0))
                heard += [
                    PlayedTake(meta.source, take.reading, player, name) for take, name in named
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
