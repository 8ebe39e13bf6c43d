"""The checks around a session, asked in lines: before its screen opens, and after it has closed."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import partial
from typing import Final

import click

from pitchbench.commands.common import Length, ask, tell
from pitchbench.commands.guided import Keeping
from pitchbench.commands.instrument_options import NoDayError, past_day
from pitchbench.errors import PitchbenchError
from pitchbench.records.model import checked_text
from pitchbench.screen.keys import drop_typed
from pitchbench.session.checks import (
    Asked,
    Check,
    Checked,
    Sort,
    Stage,
    asked_of,
    checked_words,
    compared,
    usual_words,
)
from pitchbench.session.engine import NotKeptError
from pitchbench.session.log import CheckEntry
from pitchbench.session.state import State

#: The answer that leaves out the rest.
_REST: Final = "q"

_AGE: Final = re.compile(r"(\d{1,3}) ?(day|week|month|year)s?")

_OPENING: Final = {
    Stage.BEFORE: (
        "Before the first pluck: as the instrument came. What you put right (relief, action, nut) "
        "put right now, before the intonation."
    ),
    Stage.AFTER: "After the last string: as it leaves.",
}
#: Everything is asked.
NOTHING_KNOWN: Final[Mapping[Check, str]] = {}

_HOW: Final = (
    f"Enter leaves one out, {_REST} the rest. A length without its unit is in mm. What is called "
    "usual is common practice, from memory, no source, and no verdict."
)


class Checking:
    """The checks around one session; ``state`` is that session as it stands.

    Parameters
    ----------
    keeping : keeps each answer as it is given; None where nothing is kept.
    known : what is on record already and so is not asked before the first pluck.
    """

    def __init__(
        self, state: State, keeping: Keeping | None, known: Mapping[Check, str] = NOTHING_KNOWN
    ) -> None:
        self.state = state
        self._keeping = keeping
        self._known = known

    def before(self, store: str | None) -> State:
        """The session after the checks before its first pluck; as it was if that is over.

        Raises
        ------
        click.Abort
            On Ctrl-C; it is said how to go on.
        """
        if any(string.takes for string in self.state.log.strings):
            return self.state
        try:
            self._go_through(Stage.BEFORE)
        except click.Abort:
            if self._keeping is not None:
                self._keeping.end(self.state)
                self._keeping.tell(store, go_on=True)
            raise
        return self.state

    def after(self) -> State:
        """The session after the checks that follow its last string; as it was if it was broken off,
        or the records did not take it.

        Ctrl-C leaves out the rest: all else is done.
        """
        if not self.state.finished or (self._keeping is not None and self._keeping.rescued):
            return self.state
        drop_typed()
        try:
            self._go_through(Stage.AFTER)
        except click.Abort:
            click.echo(err=True)
        if self._keeping is not None:
            self._keeping.end(self.state)
        return self.state

    def _go_through(self, stage: Stage) -> None:
        """Ask what was not asked for yet; what is left out is kept as such."""
        asked = {each.check for each in self.state.log.checked if each.stage is stage}
        rows = [row for row in asked_of(self.state.setup.instrument) if row.check not in asked]
        if rows:
            tell(_OPENING[stage])
            tell(_HOW)
        rest = False
        for row in rows:
            checked = self._on_record(row.check, stage)
            if checked is None and not rest:
                checked = self._answer(row, stage)
                rest = checked is None
            self._keep(CheckEntry(self.state.at_s, checked or Checked(row.check, stage)))

    def _keep(self, entry: CheckEntry) -> None:
        self.state = self.state.kept(entry)
        if self._keeping is None:
            return
        try:
            self._keeping(entry)
        except PitchbenchError as cause:
            raise self._keeping.write_apart(NotKeptError(self.state, 1, cause)) from cause

    def _on_record(self, check: Check, stage: Stage) -> Checked | None:
        """What is on record of a check already; None where it is to be asked for."""
        known = self._known.get(check) if stage is Stage.BEFORE else None
        if not known:
            return None
        tell(f"{check}, as on record: {known}")
        return Checked(check, stage, words=known)

    def _answer(self, row: Asked, stage: Stage) -> Checked | None:
        """What is said of one check; None where the rest is to be left out."""
        pairs = compared(self.state.log.checked)
        before = next((pair.before for pair in pairs if pair.check is row.check), None)
        usual = usual_words(row.check, self.state.setup.instrument)
        tell(f"{row.check}: {row.question}{usual and f'; usual {usual}'}")
        if before is not None and stage is Stage.AFTER:
            tell(f"before: {checked_words(before)}")
        if row.caution and stage is Stage.BEFORE:
            tell(f"caution: {row.caution}")
        try:
            return ask(f"{row.check}?", partial(_read, row, stage), default="")
        except click.Abort as abort:
            if isinstance(abort.__context__, EOFError):  # nobody is there to answer
                return None
            raise


def _read(row: Asked, stage: Stage, answer: str) -> Checked | None:
    """One answer; PitchbenchError if it is none."""
    answer = answer.strip()
    if answer.lower() == _REST:
        return None
    if not answer:
        return Checked(row.check, stage)
    if row.sort is Sort.LENGTH:
        length = Length("MM", *row.range_mm, f"the {row.question} in mm, or as 0.010in")
        checked = Checked(row.check, stage, mm=length(answer))
    else:
        checked = Checked(row.check, stage, words=_READERS[row.sort](row, answer))
    tell(f"noted: {row.check}, {checked_words(checked)}")
    return checked


def _age(_row: Asked, answer: str) -> str:
    """A day, which has been, or an age: "3 weeks"."""
    if match := _AGE.fullmatch(answer.lower()):
        return f"{int(match[1])} {match[2]}{'s' * (int(match[1]) != 1)}"
    try:
        return past_day(answer).isoformat()
    except NoDayError as error:
        raise PitchbenchError(
            f"{answer!r} is neither a day nor an age.", "Write 2026-03-14, today or 3 weeks."
        ) from error


def _choice(row: Asked, answer: str) -> str:
    """One of the words, or the beginning of one alone."""
    fits = [word for word in row.choices if word.startswith(answer.lower())]
    if len(fits) != 1:
        raise PitchbenchError(
            f"{answer!r} is no answer here.", f"Write one of: {', '.join(row.choices)}."
        )
    return fits[0]


_READERS: Final[dict[Sort, Callable[[Asked, str], str]]] = {
    Sort.AGE: _age,
    Sort.CHOICE: _choice,
    Sort.TEXT: lambda _row, answer: checked_text(answer),
}
