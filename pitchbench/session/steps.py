"""Where the takes of a string lead: more takes, a move, the next string, the end.

Each function returns the state with entries added to its log; nothing else of it changes but what
is said.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pitchbench.intonation.bridge import Move
from pitchbench.intonation.pairs import disagreement_words
from pitchbench.intonation.response import Effect, effect, inferred_mm
from pitchbench.intonation.verdict import SURE, Decision, Verdict, notice_words
from pitchbench.session import saddles, takes, words
from pitchbench.session.log import (
    AdviceEntry,
    Log,
    MoveEntry,
    NoteEntry,
    OtherWayEntry,
    Outcome,
    OutcomeEntry,
    Step,
    StepEntry,
    StringState,
    VerdictEntry,
)

if TYPE_CHECKING:
    from pitchbench.session.state import State

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
    verdict = saddles.verdict(state.log, state.log.string)
    if verdict is None or state.log.string.now is None:
        opens = any(take.fret == 0 for take in takes.in_this_tuning(state.log.string))
        return _wanting(state, state.log.setup.fret if opens else 0)
    if verdict.decision is Decision.TAKE_MORE:
        return _wanting(state, state.log.setup.fret if verdict.next_fretted else 0)
    return _follow(state, verdict)


def completed(state: State) -> State:
    """What a log that an earlier version kept does not tell, decided anew: which move was advised,
    and which note was asked for."""
    log = state.log
    if log.step in (Step.MOVE, Step.RETUNE, Step.BORDER) and log.string.advice is None:
        move = saddles.planned(log, log.string)
        return state if move is None else _advised(state, move)
    asking = log.step in (Step.OPEN, Step.FRETTED, Step.LAST_ROUND) and log.wanted_fret is None
    return decided(state) if asking and log.tuned and log.string.in_this_round else state


def _follow(state: State, verdict: Verdict) -> State:
    """Leave the current string's saddle or move it, as the verdict says."""
    string = state.log.string
    if (found := _other_way(state)) is not None:
        remark, state = found
        state = decided(state)
        return replace(state, says=f"{remark} {state.says}".strip())
    move = saddles.planned(state.log, string) if verdict.decision is Decision.MOVE else None
    for other in saddles.to_measure_first(state.log, string, move):
        says = words.measure_first_words(state.log, other)
        return replace(go_to(state, other.number), says=says)
    if verdict.decision is Decision.LEAVE and state.log.step is Step.BORDER:
        # Whoever follows the advice already shall not be lost: it stands until the next string.
        return replace(state, says=words.border_words(state.log, verdict))
    if verdict.decision is Decision.LEAVE:
        return _finish_saddle(state)
    assert move is not None
    if not verdict.border or move.goes_back:
        return _advise(state, move)
    if state.log.step is not Step.BORDER:
        state = enter(state, Step.BORDER)
    return replace(_advised(state, move), says=words.border_words(state.log, verdict))


def weighed(state: State, number: int | None = None) -> State:
    """``state`` with the offset and verdict of a string brought up to date."""
    log = state.log
    string = log.string if number is None else log.strings[number - 1]
    offset = saddles.weigh(log, string)
    verdict = None if offset is None else saddles.verdict(log, string)
    if (offset, verdict) == (string.now, string.verdict):
        return state
    fresh = () if verdict is None else verdict.notices
    seen = () if string.verdict is None else string.verdict.notices
    state = state.kept(VerdictEntry(state.at_s, string.number, offset, verdict))
    said = [notice_words(n, verdict) for n in fresh if n not in seen and verdict is not None]
    apart, was_apart = (disagreement_words(o.pairs) if o else "" for o in (offset, string.now))
    said += [apart] if apart and not was_apart else []
    return replace(state, says=" ".join([state.says, *said]).strip())


def doubted(state: State) -> State | None:
    """Finish with a string that does not settle, the evidence said; None if it does settle."""
    string = state.log.string
    evidence = takes.doubt(string, string.now)
    if evidence is None:
        return None
    text = f"string {string.number} does not settle: {evidence}"
    state = state.kept(NoteEntry(state.at_s, string.number, text))
    outcome = Outcome.DOES_NOT_SETTLE
    says = words.outcome_words(string, outcome, state.setup.instrument.bridge)
    return replace(finish_string(state, outcome), says=f"{says} {evidence.capitalize()}.")


def _wanting(state: State, fret: int) -> State:
    """Ask for an open or a fretted pluck."""
    log = state.log
    step = Step.OPEN if fret == 0 else Step.FRETTED
    if log.step is Step.LAST_ROUND:
        step = Step.LAST_ROUND
    return state if (log.step, log.wanted_fret) == (step, fret) else enter(state, step, fret=fret)


def _advise(state: State, move: Move) -> State:
    """Advise a saddle move, or say that there is no room for it."""
    found, remark = _after_move(state)
    if remark:
        state = state.kept(NoteEntry(state.at_s, state.log.current, remark))
    # Where the last move went is in doubt, so is how much travel is left. Of what is filed nothing
    # comes back, so there no doubt is tried out.
    filed = move.bridge.is_filed
    if (filed and found is Effect.WORSE) or (move.out_of_travel and (filed or not remark)):
        state = finish_string(state, Outcome.OUT_OF_TRAVEL)
        return replace(state, says=f"{remark} {state.says}".strip())
    if state.log.step is not Step.MOVE:
        state = enter(state, Step.MOVE)
    state = _advised(state, move)
    now = state.log.string.now
    off = "off" if now is None else words.offset_words(now)
    log = state.log
    whole = words.mean_words(
        log.setup.instrument,
        saddles.shared_mean(log, log.string),
        saddles.scatter_cents(log, log.string),
    )
    # Off its own open note at that fret, not out of tune.
    stopped = "Stopped" if state.setup.instrument.fretless else "Fretted"
    says = f"{stopped}, string {state.log.current} is {off}.{whole}{words.ends_words(move)}"
    return replace(state, says=f"{remark} {says}".strip())


def _advised(state: State, move: Move) -> State:
    string = state.log.string
    if string.advice == move:
        return state
    return state.kept(AdviceEntry(state.at_s, string.number, move))


def _other_way(state: State) -> tuple[str, State] | None:
    """What to say where the last move is found to have gone the other way than told, and the state
    with that on record; None where it is not."""
    found, remark = _after_move(state)
    if found is not Effect.OTHER_WAY:
        return None
    at_s, number = state.at_s, state.log.current
    told = (NoteEntry(at_s, number, remark), OtherWayEntry(at_s, number))
    return remark, state.kept(*told)


def _after_move(state: State) -> tuple[Effect, str]:
    """What the last move did, and what to say where it was not what it should; else nothing."""
    log = state.log
    made = saddles.last_move(log, log.string)
    if made is None:
        return Effect.AS_EXPECTED, ""
    response = saddles.learned(log, but=log.current)
    instrument = log.setup.instrument
    found = effect(made, instrument, response, tolerance_cents=log.string.tolerance_cents)
    went_mm = inferred_mm(made, instrument, response)
    return found, words.effect_words(made, found, went_mm, instrument.bridge)


# ------------------------------------------------------------------------------ done with a string


def _finish_saddle(state: State) -> State:
    """Leave the saddle where it is: done with every string on it that was measured there."""
    for beside in saddles.partners(state.log, state.log.string):
        if beside.outcome is None and saddles.weigh(state.log, beside):
            state = _done(weighed(state, beside.number), left_as(state.log, beside), beside.number)
    return finish_string(state, left_as(state.log, state.log.string))


def left_as(log: Log, string: StringState) -> Outcome:
    """How a string is left whose saddle stays where it is: the same numbers, the same word."""
    if saddles.p_within(log, string) >= SURE:
        return Outcome.LEAVE
    return Outcome.COMPROMISE if saddles.partners(log, string) else Outcome.BORDER


def judged_anew(state: State, number: int) -> State:
    """A string by the present tolerance: what it was left as, if it was, follows."""
    says = state.says
    state = weighed(state, number)
    string = state.log.strings[number - 1]
    if string.outcome in _CHECKED_ONCE_MORE:
        outcome = left_as(state.log, string)
        state = state if outcome is string.outcome else _done(state, outcome, number)
    return replace(state, says=says)


def _done(state: State, outcome: Outcome, number: int) -> State:
    now = state.log.strings[number - 1].now
    return state.kept(OutcomeEntry(state.at_s, number, outcome, now))


def finish_string(state: State, outcome: Outcome) -> State:
    """Done with the current string: say how it was left and go on to the next."""
    state = _done(state, outcome, state.log.current)
    says = words.outcome_words(state.log.string, outcome, state.setup.instrument.bridge)
    return replace(_go_on(state), says=says)


def leave_border(state: State) -> State:
    """Leave a string that is on the border as it is, without going on."""
    return _done(state, left_as(state.log, state.log.string), state.log.current)


def _go_on(state: State) -> State:
    """The next string that needs work; then all strings once more; then the end."""
    log = state.log
    order = log.setup.order
    here = order.index(log.current) + 1 if log.current in order else 0
    for number in (*order[here:], *order[:here]):
        if log.strings[number - 1].outcome is None:
            return go_to(state, number)
    checked = _checked(log)
    for number in order:
        string = log.strings[number - 1]
        if string.outcome not in _CHECKED_ONCE_MORE or number in checked:
            continue
        if saddles.needs_a_check(log, string):
            return go_to(state, number, last_round=True)
    return enter(state, Step.FINISHED)


def _checked(log: Log) -> frozenset[int]:
    """The strings that were checked once more."""
    beside = log.setup.instrument.bridge.beside
    begun: set[int] = set()
    done: set[int] = set()
    for entry in log.standing:
        if isinstance(entry, StepEntry) and entry.step is Step.LAST_ROUND:
            begun.add(entry.string)
        elif isinstance(entry, OutcomeEntry) and {entry.string, *beside(entry.string)} & begun:
            done.add(entry.string)
    return frozenset(done)
