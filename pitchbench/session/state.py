"""The session that sets an instrument's intonation: its log, and what is heard at this moment."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final, Self

from pitchbench.session import steps, words
from pitchbench.session.decide import decide
from pitchbench.session.fold import empty_log, read_log
from pitchbench.session.job import Followed, LoggedJob
from pitchbench.session.log import Entry, Outcome, OutcomeEntry, Setup, Step, StepEntry, StringState

#: How a string is left that was set as well as it can be.
JUDGED: Final = (Outcome.LEAVE, Outcome.BORDER, Outcome.COMPROMISE)


@dataclass(frozen=True, kw_only=True)
class State(LoggedJob):
    """Everything that the screen shows of a session and that the engine needs."""

    @property
    def asks(self) -> str:
        """The one thing to do now, in a sentence."""
        return words.asks(self)

    @property
    def why(self) -> str:
        """Why it is asked, in a sentence; nothing where a session does not teach."""
        return ""

    @property
    def setting(self) -> str:
        """What this is if it is no real instrument."""
        return ""

    @property
    def measuring(self) -> bool:
        """Whether a note rings that may count: until it is damped, nothing else is asked."""
        wanted = self.log.tuned or self.log.step is Step.BEFORE
        return self.ringing and wanted and self.log.step is not Step.BORDER

    @property
    def just_done(self) -> StringState | None:
        """The string that was set a moment ago, nothing heard since; None where there is none."""
        if self.ringing or self.finished or self.log.tuned:
            return None
        for entry in reversed(self.log.standing):
            if isinstance(entry, OutcomeEntry) and entry.outcome in JUDGED:
                return self.log.strings[entry.string - 1]
            if not isinstance(entry, StepEntry):
                return None
        return None

    def taken_back(self) -> Self:
        """As any job; that a screw may have been turned meanwhile is no entry, and stays."""
        back = super().taken_back()
        if back.awaits_pluck or not self.awaits_pluck:
            return back
        return replace(back, says=f"{back.says} {words.TURNED_ALREADY}")

    @property
    def awaits_pluck(self) -> bool:
        """At the saddle, tools knock."""
        return self.log.step not in (Step.MOVE, Step.BORDER)

    def decide(self, event: Followed) -> State:
        """What follows from ``event``; docs/session.md has the table of steps."""
        return decide(self, event)


def begin(setup: Setup) -> State:
    """The session before anything is heard."""
    return State(log=empty_log(setup))


def resume(setup: Setup, entries: Iterable[Entry]) -> State:
    """The session that ``entries`` led to, ready to go on with a new stream of sound."""
    return State.led_to_by(read_log(setup, entries))


def reopened(state: State) -> State:
    """The session, and where it had come to its end, the strings that were passed over anew."""
    numbers = state.log.passed_over if state.finished else ()
    for number in reversed(numbers):
        state = steps.go_to(state, number)
    if not numbers:
        return state
    return replace(state, says=f"String {numbers[0]} was passed over: it is set now.")
