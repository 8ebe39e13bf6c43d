"""The neck survey as a document."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

from msgspec import Meta

from pitchbench.analysis.heard import Listened
from pitchbench.analysis.neck import HeardChord, NeckResult, SurveyedString, tally
from pitchbench.instrument import BridgeKind, Instrument
from pitchbench.intonation.compromise import Compromise, Left
from pitchbench.intonation.neck import NeckAdvice
from pitchbench.intonation.offset import Group, summarise
from pitchbench.intonation.take import Take
from pitchbench.notes import Note
from pitchbench.report.document import Count, NonNegative, Positive, fill
from pitchbench.report.neck_words import cautions
from pitchbench.report.readings import (
    EITHER,
    MoveDocument,
    ReadingDocument,
    SoundDocument,
    move_document,
    reading_document,
    sound_documents,
)

_Fret = Annotated[int, Meta(ge=0, le=24)]


@dataclass(frozen=True)
class FretDocument:
    """One fret of a string, counted from its nut or capo, and where that is on the neck;
    ``after_cents`` once the move is made."""

    fret: _Fret
    neck_fret: Count
    n: Count
    mean_hz: Positive
    spread_cents: NonNegative | None
    offset_cents: float
    u_cents: NonNegative
    residual_cents: float
    stands_out: bool
    after_cents: float


@dataclass(frozen=True)
class NeckStringDocument:
    """One string; ``string`` is its number, null where the instrument is not known. What it is off
    is over ``frets_used``, and with all also over those that stand out; after is as before where
    ``move`` is null."""

    string: int | None
    note: Note
    files: tuple[str, ...]
    open: Group
    frets: tuple[FretDocument, ...]
    nut_cents: float
    nut_u_cents: NonNegative
    saddle_cents: float
    saddle_u_cents: NonNegative
    scale_mm: Positive
    tolerance_cents: Positive
    stiffness_b: float | None
    verdict: NeckAdvice
    frets_used: tuple[_Fret, ...]
    off_before_cents: NonNegative
    off_before_most95_cents: NonNegative
    off_after_cents: NonNegative
    off_after_most95_cents: NonNegative
    off_before_with_all_cents: NonNegative
    off_after_with_all_cents: NonNegative
    move: MoveDocument | None
    shares_saddle_with: tuple[int, ...]
    findings: tuple[str, ...]


@dataclass(frozen=True)
class ChordNoteDocument:
    """A note of a chord, before and after the moves."""

    string: int
    fret: _Fret
    neck_fret: Count
    note: Note
    before_cents: float
    after_cents: float


@dataclass(frozen=True)
class IntervalDocument:
    """How two notes of a chord beat, before and after the moves."""

    name: str
    lower: Note
    upper: Note
    beats_before_hz: NonNegative
    beats_after_hz: NonNegative


@dataclass(frozen=True)
class ChordDocument:
    """A chord; ``left_out`` are its strings that were not recorded."""

    shape: str
    left_out: tuple[str, ...]
    notes: tuple[ChordNoteDocument, ...]
    intervals: tuple[IntervalDocument, ...]


@dataclass(frozen=True)
class SettingDocument:
    """One string of the compromise: its saddle from where it is, as far as it can go and may be
    filed, and as far as is best, both positive away from the nut; its open string above its
    note."""

    string: int
    move_mm: float
    asked_mm: float
    move_u_mm: NonNegative
    tuned_cents: float
    tuned_u_cents: NonNegative


@dataclass(frozen=True)
class CompromiseDocument:
    """What is best for what is played, and what it leaves, now and otherwise."""

    strings: tuple[SettingDocument, ...]
    now: Left
    at_the_12th: Left
    best: Left
    with_the_nut: Left
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class FrettedReading(ReadingDocument):
    """One pluck of a string; ``fret`` is null where it does not count."""

    string: Note
    fret: _Fret | None
    neck_fret: Count | None


@dataclass(frozen=True)
class NeckDocument:
    """What `pitchbench neck --format json` prints."""

    schema: Literal["pitchbench.neck/1"]
    a4_hz: Positive
    instrument: str | None
    scale_mm: Positive
    bridge: BridgeKind
    capo: Count
    session: str | None
    tolerance_cents: Positive
    assumed: tuple[str, ...]
    strings: tuple[NeckStringDocument, ...]
    too_little: tuple[str, ...]
    nut_as_a_whole_cents: float | None
    nut_as_a_whole_u_cents: NonNegative | None
    chords: tuple[ChordDocument, ...]
    compromise: CompromiseDocument | None
    readings: tuple[Annotated[FrettedReading, EITHER], ...]
    sounds: tuple[SoundDocument, ...]


def neck_document(result: NeckResult, sounds: Iterable[Listened]) -> NeckDocument:
    """The whole result."""
    by = result.judged
    at, nut = by.instrument.neck_fret, result.shared_nut
    return fill(
        NeckDocument,
        by,
        by.instrument,
        result,
        instrument=by.instrument.name or None,
        bridge=by.instrument.bridge.kind,
        strings=[_string_document(string) for string in result.strings],
        too_little=[tally(string, by.instrument) for string in result.heard if not string.enough],
        nut_as_a_whole_cents=None if nut is None else nut.mean,
        nut_as_a_whole_u_cents=None if nut is None else nut.u,
        chords=[_chord_document(chord, by.instrument) for chord in result.chords],
        compromise=result.compromise and _compromise_document(result.compromise, cautions(result)),
        readings=[
            reading_document(
                FrettedReading,
                pluck,
                a4_hz=by.a4_hz,
                string=string.note,
                neck_fret=None if pluck.fret is None else at(string.number or 0, pluck.fret),
            )
            for string in result.heard
            for pluck in string.plucks
        ],
        sounds=sound_documents(sounds),
    )


def _string_document(string: SurveyedString) -> NeckStringDocument:
    neck, choice = string.neck, string.choice
    after = choice if string.verdict.move else choice.unmoved
    frets = [
        fill(
            FretDocument,
            fret,
            _group(string.takes, fret.fret),
            neck_fret=string.neck_fret(fret.fret),
            stands_out=fret.isolated,
            after_cents=string.after_cents[fret.fret],
        )
        for fret in neck.frets
    ]
    return fill(
        NeckStringDocument,
        string,
        neck,
        string=string.number,
        open=_group(string.takes, 0),
        frets=frets,
        nut_cents=neck.nut.centre,
        nut_u_cents=neck.nut.u,
        saddle_cents=neck.saddle.centre,
        saddle_u_cents=neck.saddle.u,
        verdict=string.verdict.advice,
        frets_used=[fret for fret in choice.weights if fret not in choice.left_out],
        off_before_cents=choice.rms_before_cents,
        off_before_most95_cents=choice.most95_before_cents,
        off_after_cents=after.rms_cents,
        off_after_most95_cents=after.most95_cents,
        off_before_with_all_cents=choice.rms_before_with_all_cents,
        off_after_with_all_cents=after.rms_with_all_cents,
        move=string.verdict.move and move_document(string.verdict.move),
        shares_saddle_with=string.instrument.bridge.beside(neck.string),
    )


def _chord_document(chord: HeardChord, instrument: Instrument) -> ChordDocument:
    before, after = chord.before, chord.after
    notes = [
        fill(
            ChordNoteDocument,
            a,
            neck_fret=instrument.neck_fret(a.string, a.fret),
            before_cents=a.cents,
            after_cents=b.cents,
        )
        for a, b in zip(before.notes, after.notes, strict=True)
    ]
    intervals = [
        IntervalDocument(a.name, a.lower.note, a.upper.note, a.beats_hz, b.beats_hz)
        for a, b in zip(before.intervals, after.intervals, strict=True)
    ]
    return fill(ChordDocument, chord, notes=notes, intervals=intervals)


def _compromise_document(best: Compromise, minded: tuple[str, ...]) -> CompromiseDocument:
    strings = [
        SettingDocument(
            each.string,
            move_mm=each.move.mm,
            asked_mm=each.move.asked_mm,
            move_u_mm=each.u_mm,
            tuned_cents=each.tuned.centre,
            tuned_u_cents=each.tuned.u,
        )
        for each in best.strings
    ]
    return fill(CompromiseDocument, best, strings=strings, cautions=minded)


def _group(takes: Sequence[Take], fret: int) -> Group:
    return summarise([take for take in takes if take.fret == fret])
