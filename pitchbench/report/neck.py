"""The neck survey as a document and as words: the same in every form that shows it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from pitchbench.intonation.bridge import Move
from pitchbench.intonation.chords import Chord, Interval
from pitchbench.intonation.neck import (
    NeckAdvice,
    NeckVerdict,
    SaddleChoice,
    StringNeck,
)
from pitchbench.intonation.offset import Take, summarise
from pitchbench.notes import Note
from pitchbench.report.readings import COVERAGE_95
from pitchbench.session.words import move_words, ordinal

SCHEMA: Final = "pitchbench.neck/1"


@dataclass(frozen=True, eq=False)
class SurveyedString:
    """All that is known of one string.

    Parameters
    ----------
    number : 1 the highest; None where the instrument is not known.
    takes : what counted, open and fretted.
    after_cents : offset at each measured fret once the move is made; as it is where there is none.
    findings : what it shows, in a repairer's words.
    stiffness_b : B of the open string, None where it was not measured.
    """

    number: int | None
    note: Note
    files: tuple[str, ...]
    takes: tuple[Take, ...]
    neck: StringNeck
    choice: SaddleChoice
    verdict: NeckVerdict
    after_cents: Mapping[int, float]
    findings: tuple[str, ...]
    stiffness_b: float | None

    @property
    def label(self) -> str:
        """ "6 E2", or the note alone."""
        return str(self.note) if self.number is None else f"{self.number} {self.note}"

    @property
    def name(self) -> str:
        """ "String 6, E2", or "String E2"."""
        return (
            f"String {self.note}" if self.number is None else f"String {self.number}, {self.note}"
        )


@dataclass(frozen=True)
class HeardChord:
    """A chord before and after the moves; ``left_out`` names its strings that were not recorded."""

    shape: str
    before: Chord
    after: Chord
    left_out: tuple[str, ...]


# -- words -------------------------------------------------------------------------------------


def advice_words(string: SurveyedString, tolerance_cents: float) -> str:
    """What to do about a string's saddle, in one sentence or two."""
    choice, verdict = string.choice, string.verdict
    now, then = f"{choice.rms_before_cents:.1f}", f"{choice.rms_cents:.1f}"
    match verdict.advice:
        case NeckAdvice.LEAVE:
            return (
                f"{string.name}: leave the saddle; over the frets used it is {now} cents off "
                f"(rms), within {tolerance_cents:g}."
            )
        case NeckAdvice.MOVE:
            assert verdict.move is not None
            return (
                f"{string.name}: move the saddle {_move_words(verdict.move)}. Over the frets used "
                f"it is {now} cents off (rms) now, {then} then."
            )
        case NeckAdvice.NUT_FIRST:
            assert verdict.move is not None
            return (
                f"{string.name}: the nut first. Left as it is, the best the saddle can do is "
                f"{_move_words(verdict.move)}: {now} cents off (rms) now, {then} then."
            )
        case NeckAdvice.TAKE_MORE:
            return (
                f"{string.name}: take more before you touch the saddle; it is {now} cents off "
                "(rms) over the frets used, but the best move may yet be either way."
            )
        case NeckAdvice.NOT_THE_SADDLE:
            return (
                f"{string.name}: {now} cents off (rms) over the frets used, and more than a saddle "
                "can do; look at the nut, the frets and the string."
            )


def term_words(string: SurveyedString) -> str:
    """Nut and saddle with the half-width of their 95 % intervals."""
    neck = string.neck
    return (
        f"nut {_cents(neck.nut_cents)} ± {COVERAGE_95 * neck.nut_u_cents:.1f} cents at every fret, "
        f"saddle {_cents(neck.saddle_cents)} ± {COVERAGE_95 * neck.saddle_u_cents:.1f} at the 12th"
    )


def fret_words(string: SurveyedString) -> list[tuple[str, str]]:
    """Label and words of every fret."""
    counts = _counts(string.takes)
    return [
        (
            f"{string.name}, {ordinal(fret.fret)} fret",
            f"{_cents(fret.offset_cents)} ± {COVERAGE_95 * fret.u_cents:.1f} cents, "
            f"{counts[fret.fret]} take{'s' * (counts[fret.fret] != 1)}, "
            f"{_cents(fret.residual_cents)} beside nut and saddle"
            + (", stands out" if fret.isolated else "")
            + f", {_cents(string.after_cents[fret.fret])} after the move"
            * (string.verdict.move is not None),
        )
        for fret in string.neck.frets
    ]


def note_words(before: Chord, after: Chord) -> list[str]:
    """Each note of a chord, such as "E2 open", "C3 +3.1, then -0.2"."""
    return [
        f"{a.note} open" if a.fret == 0 else f"{a.note} {_cents(a.cents)}, then {_cents(b.cents)}"
        for a, b in zip(before.notes, after.notes, strict=True)
    ]


def interval_words(before: Interval, after: Interval) -> str:
    """ "octave C3 C4: beats 1.20 Hz, then 0.31"."""
    return (
        f"{before.name} {before.lower.note} {before.upper.note}: beats {before.beats_hz:.2f} Hz, "
        f"then {after.beats_hz:.2f}"
    )


def cautions(strings: Sequence[SurveyedString]) -> tuple[str, ...]:
    """What to mind, each thing once, where anything is to be moved."""
    moves = [string.verdict.move for string in strings if string.verdict.move is not None]
    return tuple(dict.fromkeys(caution for move in moves for caution in move.cautions))


def _move_words(move: Move) -> str:
    low, high = move.interval95_mm
    seen = ", seen from the screw head" if move.rotation else ""
    return f"{move_words(move)}{seen} (95 % between {low:.1f} and {high:.1f} mm)"


def _cents(value: float) -> str:
    """With its sign; what rounds to nothing is +0.0, never -0.0."""
    return f"{round(value, 1) + 0.0:+.1f}"


def _counts(takes: Sequence[Take]) -> dict[int, int]:
    frets = [take.fret for take in takes]
    return {fret: frets.count(fret) for fret in frets}


# -- document ----------------------------------------------------------------------------------


def string_document(string: SurveyedString) -> dict[str, Any]:
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
        "move": None if verdict.move is None else _move_document(verdict.move),
        "findings": list(string.findings),
    }


def chord_document(chord: HeardChord) -> dict[str, Any]:
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


def _move_document(move: Move) -> dict[str, Any]:
    return {
        "direction": str(move.direction),
        "mm": move.mm,
        "interval95_mm": list(move.interval95_mm),
        "turns": move.turns,
        "rotation": None if move.rotation is None else str(move.rotation),
        "cautions": list(move.cautions),
        "out_of_travel": move.out_of_travel,
    }
