"""A session that teaches: why each thing is asked, in a line, the first time it is asked."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Self

from pitchbench.session.fold import empty_log
from pitchbench.session.job import Command, Event, KeyPressed
from pitchbench.session.log import Setup, Step
from pitchbench.session.state import State


class Lesson(StrEnum):
    """Why something is asked; common practice where no more is said."""

    BEFORE = "Strings, relief, bridge, action first: each of them shifts intonation."
    TUNE = "Only the ratio of two notes counts, so near is enough; come up from below."
    FRET = "With the saddle right, the fretted note is in tune with the open string."
    ATTACK = "A note begins sharp and glides down: attack left out, glide followed."
    DAMP = "The reading is final: what rings on would sound into the next note."
    SEVERAL = "No two frettings are alike: several, until their mean is sure enough."
    OPEN = "An open note in between tells whether the string itself has drifted."
    SHARP = "Sharp: the fretted part is too short for its half, so away from the nut."
    FLAT = "Flat: the fretted part is too long for its half, so toward the nut."
    RETUNE = "A moved saddle changes the open note; up from below, the string seats again."
    AFTER = "A move is believed once it is heard; what was heard before it counts too."
    BORDER = "So near the tolerance that more plucks would hardly tell: you choose."
    ONCE_MORE = "By now more is known of your hand: the least sure strings are heard again."
    FINISHED = "Every retuning pulls the other strings a little off: so a last time."


def lesson_of(state: State) -> Lesson | None:
    """What there is to be learned from what is asked now."""
    log = state.log
    if state.measuring:
        return Lesson.ATTACK if state.offered is None else Lesson.DAMP
    match log.step:
        case Step.MOVE if log.string.advice is not None:
            return Lesson.SHARP if log.string.advice.mm > 0.0 else Lesson.FLAT
        case Step.OPEN | Step.FRETTED if log.wanted_fret == 0:
            return Lesson.OPEN
        case Step.FRETTED if log.string.round > 0:
            return Lesson.AFTER
        case Step.FRETTED:
            fretted = sum(take.fret == state.setup.fret for take in log.string.accepted)
            return Lesson.SEVERAL if fretted else Lesson.FRET
        case step:
            return _OF_STEP.get(step)


_OF_STEP = {
    Step.BEFORE: Lesson.BEFORE,
    Step.TUNE: Lesson.TUNE,
    Step.RETUNE: Lesson.RETUNE,
    Step.BORDER: Lesson.BORDER,
    Step.LAST_ROUND: Lesson.ONCE_MORE,
    Step.FINISHED: Lesson.FINISHED,
}


@dataclass(frozen=True, kw_only=True)
class Taught(State):
    """A session that is watched and teaches.

    Parameters
    ----------
    explain : whether each thing is explained every time.
    learned : what was to be learned before.
    """

    explain: bool
    learned: frozenset[Lesson] = frozenset()

    @property
    def lesson(self) -> Lesson | None:
        """What is to be learned now."""
        return lesson_of(self)

    @property
    def why(self) -> str:
        """Why it is asked, where that is new or always wanted."""
        lesson = self.lesson
        if lesson is None or (lesson in self.learned and not self.explain):
            return ""
        return lesson.value

    @property
    def setting(self) -> str:
        """What this is."""
        return "rehearsal, virtual player"

    def advance(self, event: Event) -> Self:
        """The next state, and the next lesson."""
        now = super().advance(event)
        if isinstance(event, KeyPressed) and event.command is Command.PAUSE:
            # At the end nothing goes on; what is taken up from there stands as it stood.
            if now.finished:
                return now
            return replace(now, display=replace(now.display, paused=not self.display.paused))
        if self.lesson in (None, now.lesson):
            return now
        return replace(now, learned=now.learned | {self.lesson})


def begin_taught(setup: Setup, *, explain: bool = False) -> Taught:
    """Such a session before anything is heard."""
    return Taught(log=empty_log(setup), explain=explain)
