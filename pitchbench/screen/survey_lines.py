"""A survey in plain lines: one per event, the label before the value."""

from __future__ import annotations

from pitchbench.screen.logged_lines import LoggedLines
from pitchbench.session.log import (
    ClearedEntry,
    Entry,
    NoteEntry,
    Step,
    StepEntry,
    StrikeEntry,
    TakeEntry,
    TakeFate,
    UndoEntry,
)
from pitchbench.session.survey import Survey, note_words, take_words
from pitchbench.session.words import capo_words


class SurveyLines(LoggedLines[Survey]):
    """Writes lines; hand it to the engine as a view."""

    def opening(self, job: Survey) -> tuple[str, ...]:
        """Whose neck it is, and what is to be heard."""
        frets = ", ".join(map(str, job.plan.frets))
        instrument = job.setup.instrument
        capo = f", {capo_words(instrument)}" if instrument.capo else ""
        return f"instrument: {instrument.name}", f"notes: open and frets {frets}{capo}"

    def line(self, job: Survey, entry: Entry) -> str:  # noqa: PLR0911  # one each
        """An entry, the label before the value."""
        match entry:
            case TakeEntry(take=take) if take.fate is TakeFate.ACCEPTED:
                return f"take {take.number}: accepted, {take_words(job, take)}"
            case TakeEntry(take=take):
                note = f"string {take.string}"
                if take.fret is not None:
                    note = note_words(job, take.string, take.fret)
                return f"take {take.number}: {take.fate}, {note}, {take.why}"
            case StrikeEntry():
                return f"struck out: take {entry.take} of string {entry.string}"
            case NoteEntry():
                return f"note: {entry.text}"
            case UndoEntry():
                return f"note: {job.says}"
            case ClearedEntry():
                return f"struck out: all takes of string {entry.string}"
            case StepEntry(step=Step.FINISHED):
                return f"step: {entry.step}"
            case StepEntry():
                return f"step: {note_words(job, entry.string, 0).removesuffix(' open')}"
        return ""
