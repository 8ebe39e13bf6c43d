"""What follows from an event: a pure function of the session's state.

No clock, no thread, no sound. docs/session.md holds the table of steps that this follows;
tests/unit/test_session_table.py compares the two.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pitchbench.pitch.listener import LivePitch, ReadingReady
from pitchbench.session import heard, keys, steps
from pitchbench.session.job import Followed, InputBack, KeyPressed

if TYPE_CHECKING:
    from pitchbench.session.state import State


def decide(state: State, event: Followed) -> State:
    """The state with the entries that ``event`` adds to the log, and what is said about it."""
    match event:
        case KeyPressed():
            return keys.pressed(state, event)
        case LivePitch():
            return heard.live(state, event)
        case ReadingReady(reading=reading):
            return heard.pluck(state, reading)
        case InputBack():
            return steps.completed(state)
