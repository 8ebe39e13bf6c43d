"""What follows from a key: the person overrides what the session makes of what it hears."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pitchbench.intonation.verdict import Decision
from pitchbench.session import steps, words
from pitchbench.session.job import Command, KeyPressed
from pitchbench.session.log import (
    READING_STEPS,
    AdviceEntry,
    ClearedEntry,
    Outcome,
    SaidEntry,
    Step,
    StrikeEntry,
    ToleranceEntry,
)
from pitchbench.units import in_cents

if TYPE_CHECKING:
    from pitchbench.session.state import State

#: By how much a key corrects the advised move.
SAID_STEP_TURNS: Final = 0.25
SAID_STEP_MM: Final = 0.1

TOLERANCE_STEP_CENTS: Final = 0.5
TOLERANCE_RANGE_CENTS: Final = (0.5, 20.0)


def pressed(state: State, key: KeyPressed) -> State:
    """What ``key`` leads to."""
    return _KEYS[key.command](state, key)


def _accept(state: State, _: KeyPressed) -> State:
    """Yes: begin, in tune, moved, or leave this string as it is."""
    match state.log.step:
        case Step.BEFORE:
            return steps.enter(state, Step.TUNE, fret=0)
        case Step.MOVE:
            return steps.enter(state, Step.RETUNE, fret=0)
        case Step.TUNE | Step.RETUNE:
            state = steps.found_in_tune(state)
            return replace(state, says=f"String {state.log.current}: taken to be in tune.")
        case Step.FINISHED:
            return state
        case _:
            return steps.finish_string(state, _outcome_by_hand(state))


def _outcome_by_hand(state: State) -> Outcome:
    """How a string is left that the person does not want to go on with."""
    string = state.log.string
    if state.log.step is Step.LAST_ROUND and string.outcome is not None:
        return string.outcome
    if string.now is None or string.verdict is None:
        return Outcome.PASSED_OVER
    if string.verdict.decision is Decision.MOVE and not string.verdict.border:
        return Outcome.PASSED_OVER
    return steps.left_as(state.log, string)


def _again(state: State, _: KeyPressed) -> State:
    """Measure this string again from its tuning: the takes of this round are struck out."""
    if state.log.step in (Step.BEFORE, Step.FINISHED):
        return state
    number = state.log.current
    state = steps.go_to(state.kept(ClearedEntry(state.at_s, number)), number)
    return replace(state, says=f"String {number} is measured again from the start.")


def _strike(state: State, key: KeyPressed) -> State:
    """Strike a take out: the one named, or the last one accepted on this string."""
    log = state.log
    candidates = [
        take
        for string in log.strings
        for take in string.accepted
        if (take.number == key.take if key.take else take.string == log.current)
    ]
    if not candidates:
        return replace(state, says=words.NOTHING_TO_STRIKE)
    take = candidates[-1]
    # What was said before is of the takes as they were.
    state = state.kept(StrikeEntry(state.at_s, take.string, take.number), says="")
    here = take.string == log.current
    state = _redecided(state) if here else steps.weighed(state, take.string)
    return replace(state, says=f"Take {take.number} is struck out. {state.says}".strip())


def _redecided(state: State) -> State:
    """Decide anew on other takes or another tolerance; a move that rested on the old ones is
    withdrawn."""
    if state.log.step is Step.MOVE:
        return steps.decided(state.kept(AdviceEntry(state.at_s, state.log.current, None)))
    if state.log.tuned and state.log.step in READING_STEPS:
        return steps.decided(state)
    return steps.weighed(state)


def _next(state: State, _: KeyPressed) -> State:
    """Leave this string: as it was judged where that is all there is to say, else passed over."""
    if state.log.step is Step.FINISHED:
        return state
    if state.log.step is Step.BORDER:
        return steps.finish_string(state, steps.left_as(state.log, state.log.string))
    if state.log.step is Step.LAST_ROUND and state.log.string.outcome is not None:
        return steps.finish_string(state, state.log.string.outcome)
    return steps.finish_string(state, Outcome.PASSED_OVER)


def _previous(state: State, _: KeyPressed) -> State:
    """Back: the key for the next string is taken back; the end leads to a string passed over, or to
    the last one at work."""
    log = state.log
    if state.marks and state.marks[-1].what == Command.NEXT:
        return state.taken_back()
    order = log.setup.order
    here = order.index(log.current) if log.current in order else 0
    number = order[here - 1]
    if log.finished:
        number = log.passed_over[-1] if log.passed_over else log.current
    return replace(steps.go_to(state, number), says=f"Back to string {number}.")


def _tolerance(state: State, step_cents: float) -> State:
    low, high = TOLERANCE_RANGE_CENTS
    number, before_cents = state.log.current, state.log.string.tolerance_cents
    cents = min(high, max(low, before_cents + step_cents))
    if cents == before_cents:
        return state
    own = state.setup.instrument.string(number).tolerance_cents is not None
    entry = ToleranceEntry(state.at_s, cents, number if own else None)
    of = f" of string {number}" if own else ""
    state = state.kept(entry, says=f"The tolerance{of} is {in_cents(cents)}.")
    for string in state.log.strings:
        if string.now is not None:
            state = steps.judged_anew(state, string.number)
    here = not state.finished and state.log.string.now is not None
    return _redecided(state) if here else state


def _said(state: State, steps_more: int) -> State:
    """The person says that the advised move was made shorter or longer by a step."""
    string = state.log.string
    advice, bridge = string.advice, state.log.setup.instrument.bridge
    if advice is None or state.log.step not in (Step.MOVE, Step.BORDER, Step.RETUNE):
        return replace(state, says="There is no move to correct.")
    step_mm = SAID_STEP_TURNS * bridge.screw_pitch_mm if bridge.screw_pitch_mm else SAID_STEP_MM
    before_mm = advice.mm if string.said_mm is None else string.said_mm
    said_mm = before_mm + steps_more * math.copysign(step_mm, advice.mm)
    return state.kept(SaidEntry(state.at_s, string.number, said_mm))


_KEYS: Final[dict[Command, Callable[[State, KeyPressed], State]]] = {
    Command.ACCEPT: _accept,
    Command.AGAIN: _again,
    Command.STRIKE: _strike,
    Command.NEXT: _next,
    Command.PREVIOUS: _previous,
    Command.TOLERANCE_UP: lambda state, _: _tolerance(state, TOLERANCE_STEP_CENTS),
    Command.TOLERANCE_DOWN: lambda state, _: _tolerance(state, -TOLERANCE_STEP_CENTS),
    Command.LESS: lambda state, _: _said(state, -1),
    Command.MORE: lambda state, _: _said(state, 1),
    Command.UNDO: lambda state, _: state.taken_back(),
}


def useful(state: State) -> frozenset[Command]:
    """The keys that would change something now, those of the display and quitting apart."""
    log = state.log
    working = log.step not in (Step.BEFORE, Step.FINISHED)
    moving = log.step in (Step.MOVE, Step.BORDER, Step.RETUNE) and log.string.advice is not None
    uses = {
        Command.ACCEPT: not log.finished,
        Command.AGAIN: working and bool(log.string.in_this_round),
        Command.STRIKE: bool(log.string.accepted),
        Command.NEXT: not log.finished,
        Command.PREVIOUS: log.finished or len(log.setup.order) > 1,
        Command.TOLERANCE_UP: log.string.tolerance_cents < TOLERANCE_RANGE_CENTS[1],
        Command.TOLERANCE_DOWN: log.string.tolerance_cents > TOLERANCE_RANGE_CENTS[0],
        Command.LESS: moving,
        Command.MORE: moving,
        Command.UNDO: bool(state.marks),
    }
    return frozenset(command for command, use in uses.items() if use)
