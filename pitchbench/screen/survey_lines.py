"""A survey in plain lines: one per event, the label before the value."""

from __future__ import annotations

from collections.abc import Callable

from pitchbench.screen.input import input_told
from pitchbench.session.job import NO_NOTE
from pitchbench.session.log import Entry, NoteEntry, StrikeEntry, TakeEntry, TakeFate, UndoEntry
from pitchbench.session.survey import Survey, note_words, take_words


class SurveyLines:
    """Writes lines; hand it to the engine as a view.

    Parameters
    ----------
    write : called with each line, without its end.
    """

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write
        self._opened = False
        self._asked = ""

    def __call__(self, old: Survey, new: Survey) -> None:
        """Write what is new in ``new``."""
        if not self._opened:
            self._opened = True
            self._write(f"instrument: {new.setup.instrument.name}")
            self._write(f"notes: open and frets {', '.join(map(str, new.plan.frets))}")
        input_told(self._write, old, new)
        fresh = new.entries[len(old.entries) :]
        for entry in fresh:
            self._write(_line(new, entry))
        if new.says == NO_NOTE != old.says:
            self._write(f"note: {new.says}")
        if fresh:
            self._asked = ""  # after a pluck it is said again, even where it is the same
        if not new.ringing and new.asks != self._asked:
            self._asked = new.asks
            self._write(f"do: {new.asks}")


def _line(survey: Survey, entry: Entry) -> str:
    match entry:
        case TakeEntry(take=take) if take.fate is TakeFate.ACCEPTED:
            return f"take {take.number}: accepted, {take_words(survey, take)}"
        case TakeEntry(take=take):
            note = f"string {take.string}"
            if take.fret is not None:
                note = note_words(survey, take.string, take.fret)
            return f"take {take.number}: {take.fate}, {note}, {take.why}"
        case StrikeEntry():
            return f"struck out: take {entry.take} of string {entry.string}"
        case NoteEntry():
            return f"note: {entry.text}"
        case UndoEntry():
            return f"note: {survey.says}"
    return f"note: {type(entry).__name__}"
