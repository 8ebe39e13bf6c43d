"""The neck survey as a document: ``pitchbench.neck/1`` (neck.schema.json)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from pitchbench.analysis.neck import HeardChord, NeckResult, SurveyedString, tally
from pitchbench.intonation.neck import nut_as_a_whole
from pitchbench.intonation.offset import Take, summarise
from pitchbench.report.readings import move_document, reading_document

SCHEMA: Final = "pitchbench.neck/1"


def neck_document(result: NeckResult) -> dict[str, Any]:
    """The whole document."""
    by = result.judged
    instrument = by.instrument
    nut = nut_as_a_whole([neck for _, neck in result.necks], tolerance_cents=by.tolerance_cents)
    return {
        "schema": SCHEMA,
        "a4_hz": by.a4_hz,
        "instrument": instrument.name or None,
        "scale_mm": instrument.scale_mm,
        "bridge": str(instrument.bridge.kind),
        "session": result.session,
        "tolerance_cents": by.tolerance_cents,
        "assumed": list(by.assumed),
        "strings": [_string_document(string) for string in result.strings],
        "too_little": [tally(string) for string in result.heard if not string.enough],
        "nut_as_a_whole_cents": None if nut is None else nut.mean,
        "nut_as_a_whole_u_cents": None if nut is None else nut.u,
        "chords": [_chord_document(chord) for chord in result.chords],
        "readings": [
            {
                **reading_document(pluck.source, pluck.reading, a4_hz=by.a4_hz),
                "string": string.note.name,
                "fret": pluck.fret,
            }
            for string in result.heard
            for pluck in string.plucks
        ],
    }


def _string_document(string: SurveyedString) -> dict[str, Any]:
    """One entry of ``strings`` (neck.schema.json)."""
    neck, choice, verdict = string.neck, string.choice, string.verdict
    return {
        "string": string.number,
        "note": string.note.name,
        "files": list(string.files),
        "open": _group_document(string.takes, 0),
        "frets": [
            {
                "fret": fret.fret,
                **_group_document(string.takes, fret.fret),
                "offset_cents": fret.offset_cents,
                "u_cents": fret.u_cents,
                "residual_cents": fret.residual_cents,
                "stands_out": fret.isolated,
                "after_cents": string.after_cents[fret.fret],
            }
            for fret in neck.frets
        ],
        "nut_cents": neck.nut_cents,
        "nut_u_cents": neck.nut_u_cents,
        "saddle_cents": neck.saddle_cents,
        "saddle_u_cents": neck.saddle_u_cents,
        "stiffness_b": string.stiffness_b,
        "verdict": str(verdict.advice),
        "off_before_cents": choice.rms_before_cents,
        "off_after_cents": choice.rms_cents,
        "off_after_most95_cents": choice.most95_cents,
        "move": None if verdict.move is None else move_document(verdict.move),
        "findings": list(string.findings),
    }


def _chord_document(chord: HeardChord) -> dict[str, Any]:
    """One entry of ``chords``."""
    return {
        "shape": chord.shape,
        "left_out": list(chord.left_out),
        "notes": [
            {
                "string": before.string,
                "fret": before.fret,
                "note": before.note.name,
                "before_cents": before.cents,
                "after_cents": after.cents,
            }
            for before, after in zip(chord.before.notes, chord.after.notes, strict=True)
        ],
        "intervals": [
            {
                "name": before.name,
                "lower": before.lower.note.name,
                "upper": before.upper.note.name,
                "beats_before_hz": before.beats_hz,
                "beats_after_hz": after.beats_hz,
            }
            for before, after in zip(chord.before.intervals, chord.after.intervals, strict=True)
        ],
    }


def _group_document(takes: Sequence[Take], fret: int) -> dict[str, Any]:
    group = summarise([take for take in takes if take.fret == fret])
    return {"n": group.n, "mean_hz": group.mean_hz, "spread_cents": group.spread_cents}
