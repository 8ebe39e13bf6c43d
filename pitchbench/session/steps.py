"""Where the takes of a string lead: more takes, a move, the next string, the end.

Each function returns the state with entries added to its log; nothing else of it changes but what
is said.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pitchbench.intonation.bridge import Move, move_words
from pitchbench.intonation.offset import Offset
from pitchbench.intonation.response import effect, inferred_mm
from pitchbench.intonation.verdict import CONFIDENCE, Decision, Verdict
from pitchbench.session import saddles, takes, words
from pitchbench.session.log import (
    AdviceEntry,
    Log,
    MoveEntry,
    NoteEntry,
    Outcome,
    OutcomeEntry,
    Step,
    StepEntry,
    StringState,
    VerdictEntry,
)

if TYPE_CHECKING:
    from pitchbench.session.state import State

#: Fretted takes in a row before an open one is asked for, so that drift can be told.
_FRETTED_IN_A_ROW: Final = 4

_CHECKED_ONCE_MORE: Final = (Outcome.LEAVE, Outcome.BORDER, Outcome.COMPROMISE)


# ------------------------------------------------------------------------------ from step to step


def enter(state: State, step: Step, *, fret: int | None = None, string: int | None = None) -> State:
    """Begin ``step`` on a string, the current one unless said; ``fret`` is what is asked there."""
    number = state.log.current if string is None else string
    return state.kept(StepEntry(state.at_s, number, step, fret))


def go_to(state: State, number: int, *, last_round: bool = False) -> State:
    """Turn to string ``number``, which is tuned first."""
    return enter(state, Step.LAST_ROUND if last_round else Step.TUNE, fret=0, string=number)


def found_in_tune(state: State) -> State:
    """Go on from tuning to taking readings; after a move that is what shows that it was made."""
    if state.log.step is Step.RETUNE:
        state = _move_made(state)
    return state if state.log.step is Step.LAST_ROUND else enter(state, Step.OPEN, fret=0)


def _move_made(state: State) -> State:
    string = state.log.string
    advice, said_mm = string.advice, string.said_mm
    if advice is None:
        return state
    made_mm = advice.mm if said_mm is None else said_mm
    entry = MoveEntry(state.at_s, string.number, advice, made_mm, said=said_mm is not None)
    return state.kept(entry)


# ------------------------------------------------------------------------------ what takes lead to


def decided(state: State) -> State:
    """Weigh the current string's takes and go where they lead."""
    state = weighed(state)
    given_up = doubted(state)
    if given_up is not None:
        return given_up
    string = state.log.string
    missing = takes.missing_kind(string, state.log.setup.fret)
    if missing is not None or string.now is None or string.verdict is None:
        return _wanting(state, missing if missing is not None else 0)
    return _follow(state, string.now, string.verdict)


def completed(state: State) -> State:
    """What a log that an earlier version kept does not tell, decided anew: which move was advised,
    and which note was asked for."""
    log = state.log
    if log.step in (Step.MOVE, Step.RETUNE, Step.BORDER) and log.string.advice is None:
        choice = saddles.choice(log, log.string)
        return state if choice is None else _advised(state, choice.move)
    asking = log.step in (Step.OPEN, Step.FRETTED, Step.LAST_ROUND) and log.wanted_fret is None
    return decided(state) if asking and log.tuned and log.string.in_this_round else state


def _follow(state: State, offset: Offset, verdict: Verdict) -> State:
    """Do what the verdict on the current string says."""
    string = state.log.string
    choice = saddles.choice(state.log, string)
    assert choice is not None
    if not saddles.is_enough(state.log, string, verdict, choice):
        return _wanting(state, _next_kind(state, verdict))
    beside = saddles.partner(state.log, string)
    if beside is not None and beside.outcome is None and saddles.belief(state.log, beside) is None:
        says = f"String {beside.number} lies on the same saddle as string {string.number}: "
        return replace(go_to(state, beside.number), says=f"{says}measure it too.")
    if verdict.decision is Decision.MOVE:
        return _advise(state, choice.move, offset)
    if verdict.decision is Decision.LEAVE or not choice.worth_a_move:
        return _finish_saddle(state)
    if state.log.step is not Step.BORDER:
        state = enter(state, Step.BORDER)
    state = _advised(state, choice.move)
    return replace(state, says=words.border_words(state.log, choice.p_left, choice.p_moved))


def weighed(state: State, number: int | None = None) -> State:
    """``state`` with the offset and verdict of a string brought up to date."""
    log = state.log
    string = log.string if number is None else log.strings[number - 1]
    offset = saddles.weigh(log, string)
    verdict = string.verdict if offset is not None else None
    if offset is not None and takes.missing_kind(string, log.setup.fret) is None:
        verdict = saddles.verdict(log, string, offset)
    if (offset, verdict) == (string.now, string.verdict):
        return state
    return state.kept(VerdictEntry(state.at_s, string.number, offset, verdict))


def doubted(state: State) -> State | None:
    """Finish with a string that does not settle, the evidence said; None if it does settle."""
    string = state.log.string
    evidence = takes.doubt(string, string.now)
    if evidence is None:
        return None
    text = f"string {string.number} does not settle: {evidence}"
    state = state.kept(NoteEntry(state.at_s, string.number, text))
    outcome = Outcome.DOES_NOT_SETTLE
    says = words.outcome_words(string, outcome, state.log.tolerance_cents)
    return replace(finish_string(state, outcome), says=f"{says} {evidence.capitalize()}.")


def _next_kind(state: State, verdict: Verdict) -> int:
    """The kind of take expected to help most, the two interleaved."""
    fret = state.log.setup.fret
    last, run = takes.last_in_a_row(state.log.string)
    more = verdict.more_takes
    if last == 0:
        return fret
    if run >= _FRETTED_IN_A_ROW or (more is not None and more.open > more.fretted):
        return 0
    return fret


def _wanting(state: State, fret: int) -> State:
    """Ask for an open or a fretted pluck."""
    log = state.log
    step = Step.OPEN if fret == 0 else Step.FRETTED
    if log.step is Step.LAST_ROUND:
        step = Step.LAST_ROUND
    return state if (log.step, log.wanted_fret) == (step, fret) else enter(state, step, fret=fret)


def _advise(state: State, move: Move, offset: Offset) -> State:
    """Advise a saddle move, or say that there is no room for it."""
    remark = _after_move(state)
    # Where the last move went is in doubt, so is how much travel is left.
    if move.out_of_travel and not remark:
        return finish_string(state, Outcome.OUT_OF_TRAVEL)
    if remark:
        state = state.kept(NoteEntry(state.at_s, state.log.current, remark))
    if state.log.step is not Step.MOVE:
        state = enter(state, Step.MOVE)
    state = _advised(state, move)
    setup = state.log.setup
    says = (
        f"String {state.log.current} is {words.offset_words(offset)} at {words.place(setup)}: "
        f"{words.what_to_move(setup, 'its')} {move_words(move)}.{words.ends_words(move)}"
    )
    return replace(state, says=f"{remark} {says}".strip())


def _advised(state: State, move: Move) -> State:
    string = state.log.string
    if string.advice == move:
        return state
    return state.kept(AdviceEntry(state.at_s, string.number, move))


def _after_move(state: State) -> str:
    """What to say where the last move did not do what it should; else nothing."""
    log = state.log
    made = saddles.last_move(log, log.string)
    if made is None:
        return ""
    response = saddles.learned(log, but=log.current)
    instrument = log.setup.instrument
    found = effect(made, instrument, response, tolerance_cents=log.tolerance_cents)
    return words.effect_words(made, found, inferred_mm(made, instrument, response))


# ------------------------------------------------------------------------------ done with a string


def _finish_saddle(state: State) -> State:
    """Leave the saddle where it is: done with every string on it that was measured there."""
    beside = saddles.partner(state.log, state.log.string)
    if beside is not None and beside.outcome is None and saddles.weigh(state.log, beside):
        state = _done(weighed(state, beside.number), _left(state.log, beside), beside.number)
    return finish_string(state, _left(state.log, state.log.string))


def _left(log: Log, string: StringState) -> Outcome:
    """How a string is left whose saddle stays where it is."""
    if saddles.p_within(log, string) >= CONFIDENCE:
        return Outcome.LEAVE
    return Outcome.BORDER if saddles.partner(log, string) is None else Outcome.COMPROMISE


def _done(state: State, outcome: Outcome, number: int) -> State:
    now = state.log.strings[number - 1].now
    return state.kept(OutcomeEntry(state.at_s, number, outcome, now))


def finish_string(state: State, outcome: Outcome) -> State:
    """Done with the current string: say how it was left and go on to the next."""
    state = _done(state, outcome, state.log.current)
    says = words.outcome_words(state.log.string, outcome, state.log.tolerance_cents)
    return replace(_go_on(state), says=says)


def leave_border(state: State) -> State:
    """Leave a string that is on the border as it is, without going on."""
    return _done(state, Outcome.BORDER, state.log.current)


def _go_on(state: State) -> State:
    """The next string that needs work; then all strings once more; then the end."""
    log = state.log
    order = log.setup.order
    here = order.index(log.current) + 1 if log.current in order else 0
    following = (*order[here:], *order[:here])
    for number in following:
        if log.strings[number - 1].outcome is None:
            return go_to(state, number)
    disturbed = _disturbed(log)
    began = any(map(_begins_last_round, log.entries))
    for number in following if began else order:
        left = log.strings[number - 1].outcome
        if number in disturbed and left in _CHECKED_ONCE_MORE:
            return go_to(state, number, last_round=True)
    return enter(state, Step.FINISHED)


def _begins_last_round(entry: object) -> bool:
    return isinstance(entry, StepEntry) and entry.step is Step.LAST_ROUND


def _disturbed(log: Log) -> frozenset[int]:
    """The strings that were finished before a saddle was last moved ahead of the last round."""
    steps = list(map(_begins_last_round, log.entries))
    entries = log.entries[: steps.index(True)] if True in steps else log.entries
    moves = [index for index, entry in enumerate(entries) if isinstance(entry, MoveEntry)]
    if not moves:
        return frozenset()
    since = log.entries[moves[-1] :]
    return frozenset(log.setup.order) - {e.string for e in since if isinstance(e, OutcomeEntry)}
