"""The guided job as a pure function: the state and what happened give the next state.

No clock, no thread, no sound: time is what the events carry. docs/session.md holds the table of
steps that this module follows; tests/unit/test_session_table.py compares the two.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Final

from pitchbench.intonation.bridge import Move, move_words
from pitchbench.intonation.offset import Offset
from pitchbench.intonation.response import effect, inferred_mm
from pitchbench.intonation.verdict import CONFIDENCE, Decision, Verdict
from pitchbench.pitch.listener import LivePitch, PluckStarted, ReadingReady
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.session import saddles, takes, words
from pitchbench.session.fit import Fit, Kind, fit, fit_tuning, target_hz
from pitchbench.session.state import (
    Command,
    Entry,
    Event,
    InputBack,
    InputLost,
    KeyPressed,
    MoveEntry,
    NoteEntry,
    Outcome,
    OutcomeEntry,
    SessionTake,
    Setup,
    State,
    Step,
    StrikeEntry,
    StringState,
    TakeEntry,
    TakeFate,
    VerdictEntry,
)
from pitchbench.units import cents_between

#: In tune means within this; the offset does not depend on it, being a ratio (common practice).
TUNED_WITHIN_CENTS: Final = 3.0

#: An open take this far off sends the string back to be tuned.
OUT_OF_TUNE_CENTS: Final = 10.0

#: An open note lower than its pitch by this much, and by less than nearly an octave (which would
#: be a slip of the tracker), was slackened; one within ``_SAME_CENTS`` of the
#: takes before the move sounds as if nothing had been moved.
SLACKENED_CENTS: Final = 30.0
_SLACK_LIMIT_CENTS: Final = 1000.0
_SAME_CENTS: Final = 2.0
_SURE_CLARITY: Final = 0.9

#: Every note starts sharp and sinks: nothing is said about a live pitch before this is over, and
#: within this much of its note it is only called near.
_ATTACK_S: Final = 0.4
LIVE_NEAR_CENTS: Final = 8.0

#: Fretted takes in a row before an open one is asked for, so that drift can be told.
_FRETTED_IN_A_ROW: Final = 4

#: By how much a key corrects the advised move.
SAID_STEP_TURNS: Final = 0.25
SAID_STEP_MM: Final = 0.1

TOLERANCE_STEP_CENTS: Final = 0.5
TOLERANCE_RANGE_CENTS: Final = (0.5, 20.0)

_CHECKED_ONCE_MORE: Final = (Outcome.LEAVE, Outcome.BORDER, Outcome.COMPROMISE)
_READING_STEPS: Final = (Step.OPEN, Step.FRETTED, Step.BORDER, Step.LAST_ROUND)


# ------------------------------------------------------------------------------ the three doors


def begin(setup: Setup) -> State:
    """The state before anything is heard."""
    count = len(setup.instrument.strings)
    state = State(
        setup=setup,
        step=Step.BEFORE,
        current=setup.order[0],
        strings=tuple(StringState(number) for number in range(1, count + 1)),
        tolerance_cents=setup.tolerance_cents,
        wanted_fret=0,
    )
    return _asking(state)


def advance(state: State, event: Event) -> State:
    """The next state. After ``quit`` or at ``FINISHED`` nothing that is heard changes anything."""
    if isinstance(event, KeyPressed):
        return _asking(_key(state, event))
    if isinstance(event, InputLost):
        lost = replace(state, input_lost=event.reason, ringing=False, live=None, offered=None)
        return _asking(_note(lost, f"input lost: {event.reason}", says="The sound input is lost."))
    if isinstance(event, InputBack):
        if state.input_lost is None:
            return replace(state, says="The sound input is open.")
        back = replace(state, input_lost=None)
        return _asking(_note(back, "input back", says="The sound input is back."))
    if state.quit or state.step is Step.FINISHED:
        return state
    if isinstance(event, PluckStarted):
        heard = replace(
            _at(state, event.onset_s),
            ringing=True,
            live=None,
            live_trace=(),
            offered=None,
        )
    elif isinstance(event, LivePitch):
        heard = _live(_at(state, event.at_s), event)
    elif isinstance(event.reading, Reading) and not event.final:
        heard = replace(state, offered=event.reading)
    else:
        heard = _pluck(state, event)
    return _asking(heard)


def resume(setup: Setup, entries: tuple[Entry, ...]) -> State:
    """The state that ``entries`` led to, ready to go on with a new stream of sound."""
    state = begin(setup)
    for entry in entries:
        state = _recall(state, entry)
    state = replace(state, clock_s=state.at_s)
    if state.tuned and state.step in _READING_STEPS:
        state = _decide(state)
    return _asking(state)


# ------------------------------------------------------------------------------ small changes


def _at(state: State, stream_s: float) -> State:
    return replace(state, at_s=max(state.at_s, state.clock_s + stream_s))


def _asking(state: State) -> State:
    return replace(state, asks=words.asks(state))


def _keep(state: State, entry: Entry) -> State:
    return replace(state, entries=(*state.entries, entry))


def _note(state: State, text: str, *, says: str | None = None) -> State:
    state = _keep(state, NoteEntry(state.at_s, state.current, text))
    return state if says is None else replace(state, says=says)


def _with_string(state: State, number: int | None = None, **changes: object) -> State:
    """``state`` with its current string, or string ``number``, changed."""
    index = (state.current if number is None else number) - 1
    changed = replace(state.strings[index], **changes)  # type: ignore[arg-type]
    return replace(state, strings=(*state.strings[:index], changed, *state.strings[index + 1 :]))


def _enter(state: State, step: Step, *, wanted_fret: int | None, tuned: bool) -> State:
    """Begin ``step`` on the current string."""
    state = replace(state, step=step, wanted_fret=wanted_fret, tuned=tuned)
    text = step.value if step is Step.FINISHED else f"string {state.current}: {step.value}"
    return _keep(state, NoteEntry(state.at_s, state.current, text, step=step))


def _log(
    state: State,
    reading: Reading | Rejected,
    fate: TakeFate,
    *,
    fret: int | None,
    string: int | None = None,
    why: str = "",
) -> State:
    """Keep a pluck, whatever became of it."""
    owner = state.strings[(string or state.current) - 1]
    number = 1 + sum(isinstance(entry, TakeEntry) for entry in state.entries)
    take = SessionTake(
        number, owner.number, fret, owner.round, reading, fate, why, tuning=owner.tuning
    )
    state = _with_string(state, owner.number, takes=(*owner.takes, take))
    return replace(_keep(state, TakeEntry(reading.onset_s, take)), last_take=take)


# ------------------------------------------------------------------------------ what is heard


def _live(state: State, live: LivePitch) -> State:
    """Follow a ringing note; while tuning say where it stands."""
    live = replace(live, at_s=state.clock_s + live.at_s, onset_s=state.clock_s + live.onset_s)
    state = replace(state, live=live, ringing=True, live_trace=(*state.live_trace, live))
    off_cents = cents_between(live.pitch_hz, target_hz(state, state.current))
    may_move = state.step in (Step.MOVE, Step.BORDER)
    if may_move and live.clarity >= _SURE_CLARITY and _is_slack(state, live.pitch_hz):
        state = _enter(state, Step.RETUNE, wanted_fret=0, tuned=False)
    if state.tuned or state.step in (Step.BEFORE, Step.MOVE):
        return state
    if live.at_s - live.onset_s < _ATTACK_S:
        return state
    if abs(off_cents) <= LIVE_NEAR_CENTS:
        return replace(state, says=f"String {state.current} is near its pitch: let it ring.")
    return replace(state, says=_tuning_words(state, off_cents))


def _is_slack(state: State, pitch_hz: float) -> bool:
    """Whether a pitch is this string let down, rather than another one or an octave slip."""
    off_cents = cents_between(pitch_hz, target_hz(state, state.current))
    if not -_SLACK_LIMIT_CENTS < off_cents < -SLACKENED_CENTS:
        return False
    return fit_tuning(state, pitch_hz).kind is Kind.OPEN


def _tuning_words(state: State, off_cents: float) -> str:
    note = state.setup.instrument.string(state.current).note
    where = f"String {state.current} is {words.sharp_or_flat(off_cents, of=note)}"
    if off_cents > 0:
        return f"{where}: above its pitch, slacken it below and come up again."
    return f"{where}: bring it up slowly."


def _pluck(state: State, event: ReadingReady) -> State:
    """A pluck has ended: what was it, and what follows from it?"""
    reading = replace(event.reading, onset_s=state.clock_s + event.reading.onset_s)
    newer = state.live is not None and state.live.onset_s > reading.onset_s
    state = replace(state, offered=None, at_s=max(state.at_s, reading.onset_s + reading.ring_s))
    if not newer:
        state = replace(state, ringing=False, live=None)
    found = fit(state, reading)
    if isinstance(reading, Rejected):
        return _rejected(state, reading, found)
    if state.step is Step.BORDER and _is_slack(state, reading.pitch_hz):
        state = _enter(state, Step.RETUNE, wanted_fret=0, tuned=False)
        return _pluck_while_tuning(state, reading)
    return _PLUCKED[found.kind](state, reading, found)


def _rejected(state: State, reading: Rejected, found: Fit) -> State:
    fret = {Kind.OPEN: 0, Kind.FRETTED: state.setup.fret}.get(found.kind)
    why = words.rejected_words(reading.reason)
    state = _log(state, reading, TakeFate.REJECTED, fret=fret, why=why)
    state = replace(state, says=f"Rejected: {why}.")
    if state.tuned and state.step in _READING_STEPS:
        return _doubted(state) or state
    return state


def _own(state: State, reading: Reading, found: Fit) -> State:
    """One of the two notes of the string that is being worked on."""
    if state.step is Step.BEFORE:
        state = _enter(state, Step.TUNE, wanted_fret=0, tuned=False)
    if state.step is Step.MOVE:
        return _pluck_at_move(state, reading)
    if not state.tuned:
        return _pluck_while_tuning(state, reading)
    return _take(state, reading, 0 if found.kind is Kind.OPEN else state.setup.fret)


def _nothing(state: State, reading: Reading, found: Fit) -> State:
    """A pluck that fits nothing is kept with the reason."""
    state = _log(state, reading, TakeFate.IGNORED, fret=None, why=found.why)
    return replace(state, says=f"Ignored: {found.why}.")


def _elsewhere(state: State, reading: Reading, found: Fit) -> State:
    """Another string's open note: the second in a row, or the first at the border, goes there."""
    last = state.entries[-1] if state.entries else None
    again = (
        isinstance(last, TakeEntry)
        and last.take.fate is TakeFate.IGNORED
        and last.take.string == found.string != state.current
    )
    if again or state.step is Step.BORDER:
        if state.step is Step.BORDER:
            state = _settled(state, Outcome.BORDER)
        return _pluck_while_tuning(_go_to(state, found.string), reading)
    label = words.note_label(state.setup, found.string, 0)
    why = f"it fits string {found.string}, {label}; play it once more to go there"
    state = _log(state, reading, TakeFate.IGNORED, fret=0, string=found.string, why=why)
    return replace(state, says=f"Ignored: {why}.")


_PLUCKED: Final[dict[Kind, Callable[[State, Reading, Fit], State]]] = {
    Kind.OPEN: _own,
    Kind.FRETTED: _own,
    Kind.OTHER: _elsewhere,
    Kind.NOTHING: _nothing,
}


def _pluck_while_tuning(state: State, reading: Reading) -> State:
    """An open note of a string that is not in tune yet; the one that shows it in tune is a take."""
    off_cents = cents_between(reading.pitch_hz, target_hz(state, state.current))
    if abs(off_cents) > TUNED_WITHIN_CENTS:
        note = state.setup.instrument.string(state.current).note
        why = f"not in tune yet, {words.reading_words(reading, off_cents, note)}"
        state = _log(state, reading, TakeFate.IGNORED, fret=0, why=why)
        return replace(state, says=_tuning_words(state, off_cents))
    return _take(_found_in_tune(state), reading, 0)


def _pluck_at_move(state: State, reading: Reading) -> State:
    """An open note while a move is advised: has the saddle been moved?

    At another pitch the string was touched. At the same pitch nothing can be told from one pluck;
    a second one is taken for "yes, and tuned again".
    """
    before_hz = takes.open_mean_hz(takes.in_this_tuning(state.string))
    same = before_hz is not None and abs(cents_between(reading.pitch_hz, before_hz)) <= _SAME_CENTS
    last = state.entries[-1] if state.entries else None
    asked_again = (
        isinstance(last, TakeEntry)
        and last.take.fate is TakeFate.IGNORED
        and last.take.string == state.current
        and last.take.fret == 0
    )
    if same and not asked_again:
        why = "it sounds as before the move; pluck it once more if the saddle has been moved"
        state = _log(state, reading, TakeFate.IGNORED, fret=0, why=why)
        return replace(state, says=f"String {state.current}: {why}.")
    return _pluck_while_tuning(_enter(state, Step.RETUNE, wanted_fret=0, tuned=False), reading)


def _found_in_tune(state: State) -> State:
    """Go on from tuning to taking readings; after a move that is what shows that it was made."""
    if state.step is Step.RETUNE:
        state = _move_made(state)
    state = _with_string(state, tuning=state.string.tuning + 1)
    if state.step is Step.LAST_ROUND:
        return replace(state, tuned=True)
    return _enter(state, Step.OPEN, wanted_fret=0, tuned=True)


def _move_made(state: State) -> State:
    advice, said_mm = state.string.advice, state.string.said_mm
    if advice is None:
        return state
    made_mm = advice.mm if said_mm is None else said_mm
    entry = MoveEntry(state.at_s, state.current, advice, made_mm, said=said_mm is not None)
    return _moved(_keep(state, entry), entry)


def _moved(state: State, entry: MoveEntry) -> State:
    """A saddle was moved, and with it every string that lies on it."""
    beside = saddles.partner(state, state.strings[entry.string - 1])
    if beside is not None:
        state = _with_moves(state, beside.number, entry, outcome=None)
    return _with_moves(state, entry.string, entry)


def _with_moves(state: State, number: int, entry: MoveEntry, **changes: object) -> State:
    moves = (*state.strings[number - 1].moves, entry)
    cleared = {"now": None, "verdict": None, "advice": None, "said_mm": None}
    return _with_string(state, number, moves=moves, **cleared, **changes)


def _take(state: State, reading: Reading, fret: int) -> State:
    """A pluck that counts."""
    note = state.setup.instrument.string(state.current).note
    target = target_hz(state, state.current)
    off_cents = cents_between(reading.pitch_hz, target) - 100.0 * fret
    if fret == 0 and abs(off_cents) > OUT_OF_TUNE_CENTS:
        why = f"gone out of tune, {words.reading_words(reading, off_cents, note)}"
        state = _log(state, reading, TakeFate.IGNORED, fret=0, why=why)
        step = Step.RETUNE if state.step is Step.BORDER else Step.TUNE
        state = _enter(state, step, wanted_fret=0, tuned=False)
        return replace(state, says=_tuning_words(state, off_cents))
    state = _log(state, reading, TakeFate.ACCEPTED, fret=fret)
    heard = f"{words.note_label(state.setup, state.current, fret)}: "
    heard += f"{words.reading_words(reading, off_cents, note.up(fret))}."
    return _decide(replace(state, says=heard[0].upper() + heard[1:]))


# ------------------------------------------------------------------------------ what follows


def _decide(state: State) -> State:
    """Weigh the current string's takes and go where they lead."""
    state = _weighed(state)
    doubted = _doubted(state)
    if doubted is not None:
        return doubted
    offset, verdict = state.string.now, state.string.verdict
    missing = takes.missing_kind(state.string, state.setup.fret)
    if missing is not None or offset is None or verdict is None:
        return _wanting(state, missing if missing is not None else 0)
    return _follow(state, offset, verdict)


def _follow(state: State, offset: Offset, verdict: Verdict) -> State:
    """Do what the verdict on the current string says."""
    choice = saddles.choice(state, state.string)
    assert choice is not None
    if not saddles.is_enough(state, state.string, verdict, choice):
        return _wanting(state, _next_kind(state, verdict))
    state = _acted_on(state, offset, verdict)
    beside = saddles.partner(state, state.string)
    if beside is not None and beside.outcome is None and saddles.belief(state, beside) is None:
        return _measure_beside(state, beside.number)
    if verdict.decision is Decision.MOVE:
        return _advise(state, choice.move, offset)
    if verdict.decision is Decision.LEAVE or not choice.worth_a_move:
        return _finish_saddle(state)
    if state.step is not Step.BORDER:
        state = _enter(state, Step.BORDER, wanted_fret=None, tuned=True)
    state = _with_string(state, advice=choice.move)
    return replace(state, says=words.border_words(state, choice.p_left, choice.p_moved))


def _measure_beside(state: State, number: int) -> State:
    """Turn to the other string on a shared saddle, which is judged for both together."""
    says = f"String {number} lies on the same saddle as string {state.current}: measure it too."
    return replace(_go_to(state, number), says=says)


def _finish_saddle(state: State) -> State:
    """Leave the saddle where it is: done with every string on it that was measured there."""
    beside = saddles.partner(state, state.string)
    if beside is not None and beside.outcome is None and saddles.weigh(state, beside) is not None:
        state = _settled(state, _left(state, beside), beside.number)
    return _finish_string(state, _left(state, state.string))


def _left(state: State, string: StringState) -> Outcome:
    """How a string is left whose saddle stays where it is."""
    if saddles.p_within(state, string) >= CONFIDENCE:
        return Outcome.LEAVE
    return Outcome.BORDER if saddles.partner(state, string) is None else Outcome.COMPROMISE


def _weighed(state: State, number: int | None = None) -> State:
    """``state`` with the offset and verdict of a string brought up to date and kept if changed."""
    string = state.string if number is None else state.strings[number - 1]
    offset = saddles.weigh(state, string)
    verdict = None
    if offset is not None and takes.missing_kind(string, state.setup.fret) is None:
        verdict = saddles.verdict(state, string, offset)
    as_found = offset if string.round == 0 else string.as_found
    changed = verdict is not None and _gist(verdict) != _gist(string.verdict)
    state = _with_string(
        state,
        string.number,
        now=offset,
        as_found=as_found,
        verdict=verdict or string.verdict,
    )
    if verdict is None or offset is None or not changed:
        return state
    return _keep(state, VerdictEntry(state.at_s, string.number, string.round, offset, verdict))


def _acted_on(state: State, offset: Offset, verdict: Verdict) -> State:
    """Keep what is acted on, if takes have come in since the verdict was last kept."""
    kept = (e for e in reversed(state.entries) if isinstance(e, VerdictEntry))
    last = next((e for e in kept if e.string == state.current), None)
    if last is not None and last.offset == offset:
        return state
    entry = VerdictEntry(state.at_s, state.current, state.string.round, offset, verdict)
    return _keep(state, entry)


def _gist(verdict: Verdict | None) -> object:
    return verdict and (verdict.decision, verdict.border, verdict.tolerance_cents)


def _next_kind(state: State, verdict: Verdict) -> int:
    """The kind of take expected to help most, the two interleaved."""
    fret = state.setup.fret
    last, run = takes.last_in_a_row(state.string)
    more = verdict.more_takes
    if last == 0:
        return fret
    if run >= _FRETTED_IN_A_ROW or (more is not None and more.open > more.fretted):
        return 0
    return fret


def _wanting(state: State, fret: int) -> State:
    """Ask for an open or a fretted pluck."""
    if state.step is Step.LAST_ROUND:
        return replace(state, wanted_fret=fret)
    step = Step.OPEN if fret == 0 else Step.FRETTED
    if state.step in (Step.OPEN, Step.FRETTED):
        return replace(state, step=step, wanted_fret=fret)
    return _enter(state, step, wanted_fret=fret, tuned=True)


def _doubted(state: State) -> State | None:
    """Finish with a string that does not settle, the evidence said; None if it does settle."""
    evidence = takes.doubt(state.string, state.string.now)
    if evidence is None:
        return None
    state = _note(state, f"string {state.current} does not settle: {evidence}")
    outcome = Outcome.DOES_NOT_SETTLE
    says = words.outcome_words(state.string, outcome, state.tolerance_cents)
    return replace(_finish_string(state, outcome), says=f"{says} {evidence.capitalize()}.")


def _planned(state: State) -> Move | None:
    """The move that the current string's takes call for; None where there are none."""
    choice = saddles.choice(state, state.string)
    return None if choice is None else choice.move


def _advise(state: State, move: Move, offset: Offset) -> State:
    """Advise a saddle move, or say that there is no room for it."""
    remark = _after_move(state)
    # Where the last move went is in doubt, so is how much travel is left.
    if move.out_of_travel and not remark:
        return _finish_string(state, Outcome.OUT_OF_TRAVEL)
    if remark:
        state = _note(state, remark)
    state = _with_string(state, advice=move, outcome=None)
    if state.step is Step.MOVE:
        state = replace(state, tuned=False, wanted_fret=None)
    else:
        state = _enter(state, Step.MOVE, wanted_fret=None, tuned=False)
    says = (
        f"String {state.current} is {words.offset_words(offset)} at {words.place(state.setup)}: "
        f"{words.what_to_move(state, 'its')} {move_words(move)}.{words.ends_words(move)}"
    )
    return replace(state, says=f"{remark} {says}".strip())


def _after_move(state: State) -> str:
    """What to say where the last move did not do what it should; else nothing."""
    made = saddles.last_move(state, state.string)
    if made is None:
        return ""
    response = saddles.learned(state, but=state.current)
    instrument = state.setup.instrument
    found = effect(made, instrument, response, tolerance_cents=state.tolerance_cents)
    return words.effect_words(made, found, inferred_mm(made, instrument, response))


def _settled(state: State, outcome: Outcome, number: int | None = None) -> State:
    """Done with the current string, or with string ``number``."""
    number = state.current if number is None else number
    state = _with_string(state, number, outcome=outcome, advice=None, said_mm=None)
    now = state.strings[number - 1].now
    return _keep(state, OutcomeEntry(state.at_s, number, outcome, now))


def _finish_string(state: State, outcome: Outcome) -> State:
    """Done with the current string: say how it was left and go on to the next."""
    state = _settled(state, outcome)
    says = words.outcome_words(state.string, outcome, state.tolerance_cents)
    return replace(_go_on(state), says=says)


def _go_on(state: State) -> State:
    """The next string that needs work; then all strings once more; then the end."""
    order = state.setup.order
    here = order.index(state.current) + 1 if state.current in order else 0
    following = (*order[here:], *order[:here])
    for number in following:
        if state.strings[number - 1].outcome is None:
            return _go_to(state, number)
    disturbed = _disturbed(state)
    began = any(isinstance(e, NoteEntry) and e.step is Step.LAST_ROUND for e in state.entries)
    for number in following if began else order:
        left = state.strings[number - 1].outcome
        if number in disturbed and left in _CHECKED_ONCE_MORE:
            return _go_to(state, number, last_round=True)
    return _enter(state, Step.FINISHED, wanted_fret=None, tuned=False)


def _disturbed(state: State) -> frozenset[int]:
    """The strings that were finished before a saddle was last moved ahead of the last round."""
    steps = [isinstance(e, NoteEntry) and e.step is Step.LAST_ROUND for e in state.entries]
    entries = state.entries[: steps.index(True)] if True in steps else state.entries
    moves = [index for index, entry in enumerate(entries) if isinstance(entry, MoveEntry)]
    if not moves:
        return frozenset()
    since = state.entries[moves[-1] :]
    return frozenset(state.setup.order) - {e.string for e in since if isinstance(e, OutcomeEntry)}


def _go_to(state: State, number: int, *, last_round: bool = False) -> State:
    """Turn to string ``number``, which is tuned first."""
    state = replace(state, current=number)
    if last_round:
        return _enter(state, Step.LAST_ROUND, wanted_fret=0, tuned=False)
    state = _with_string(state, outcome=None, advice=None)
    return _enter(state, Step.TUNE, wanted_fret=0, tuned=False)


# ------------------------------------------------------------------------------ keys


def _key(state: State, key: KeyPressed) -> State:
    if state.quit:
        return state
    return _KEYS[key.command](state, key)


def _accept(state: State, _: KeyPressed) -> State:
    """Yes: begin, in tune, moved, or leave this string as it is."""
    match state.step:
        case Step.BEFORE:
            return _enter(state, Step.TUNE, wanted_fret=0, tuned=False)
        case Step.MOVE:
            return _enter(state, Step.RETUNE, wanted_fret=0, tuned=False)
        case Step.TUNE | Step.RETUNE:
            state = _found_in_tune(state)
            return replace(state, says=f"String {state.current}: taken to be in tune.")
        case Step.FINISHED:
            return state
        case _:
            return _finish_string(state, _outcome_by_hand(state))


def _outcome_by_hand(state: State) -> Outcome:
    """How a string is left that the person does not want to go on with."""
    string = state.string
    if state.step is Step.LAST_ROUND and string.outcome is not None:
        return string.outcome
    if string.now is None or string.verdict is None:
        return Outcome.PASSED_OVER
    return {
        Decision.LEAVE: Outcome.LEAVE,
        Decision.TAKE_MORE: Outcome.BORDER,
        Decision.MOVE: Outcome.PASSED_OVER,
    }[string.verdict.decision]


def _again(state: State, _: KeyPressed) -> State:
    """Measure this string again from its tuning: the takes of this round are struck out."""
    if state.step in (Step.BEFORE, Step.FINISHED):
        return state
    for take in takes.in_this_round(state.string):
        state = _struck(state, take)
    state = _with_string(state, now=None, verdict=None)
    says = f"String {state.current} is measured again from the start."
    return replace(_go_to(state, state.current), says=says)


def _strike(state: State, key: KeyPressed) -> State:
    """Strike a take out: the one named, or the last one accepted on this string."""
    candidates = [
        take
        for string in state.strings
        for take in string.takes
        if take.fate is TakeFate.ACCEPTED
        and (take.number == key.take if key.take else take.string == state.current)
    ]
    if not candidates:
        return replace(state, says="There is no such take to strike out.")
    take = candidates[-1]
    state = _struck(state, take)
    state = _weighed(_with_string(state, take.string, verdict=None), take.string)
    if take.string == state.current:
        state = _redecided(state)
    return replace(state, says=f"Take {take.number} is struck out. {state.says}".strip())


def _redecided(state: State) -> State:
    """Decide anew on the same takes, where the current string is at readings or at a move."""
    if state.step is Step.MOVE:
        return _decide(_with_string(replace(state, tuned=True), advice=None))
    return _decide(state) if state.tuned and state.step in _READING_STEPS else state


def _struck(state: State, take: SessionTake) -> State:
    state = _keep(state, StrikeEntry(state.at_s, take.string, take.number))
    return _with_struck(state, take.string, take.number)


def _with_struck(state: State, string: int, number: int) -> State:
    struck = tuple(
        replace(t, fate=TakeFate.STRUCK) if t.number == number else t
        for t in state.strings[string - 1].takes
    )
    return _with_string(state, string, takes=struck)


def _next(state: State, _: KeyPressed) -> State:
    if state.step is Step.FINISHED:
        return state
    if state.step is Step.BORDER:
        return _finish_string(state, Outcome.BORDER)
    if state.step is Step.LAST_ROUND and state.string.outcome is not None:
        return _finish_string(state, state.string.outcome)
    return _finish_string(state, Outcome.PASSED_OVER)


def _previous(state: State, _: KeyPressed) -> State:
    order = state.setup.order
    here = order.index(state.current) if state.current in order else 0
    return replace(_go_to(state, order[here - 1]), says="")


def _tolerance(state: State, step_cents: float) -> State:
    low, high = TOLERANCE_RANGE_CENTS
    tolerance = min(high, max(low, state.tolerance_cents + step_cents))
    if tolerance == state.tolerance_cents:
        return state
    text = f"tolerance {tolerance:g} cents"
    state = replace(state, tolerance_cents=tolerance)
    entry = NoteEntry(state.at_s, state.current, text, tolerance_cents=tolerance)
    state = replace(_keep(state, entry), says=f"The {text}.".replace("tolerance", "tolerance is"))
    return _redecided(state) if state.string.now is not None else state


def _said(state: State, steps: int) -> State:
    """The person says that the advised move was made shorter or longer by a step."""
    advice, bridge = state.string.advice, state.setup.instrument.bridge
    if advice is None or state.step not in (Step.MOVE, Step.BORDER, Step.RETUNE):
        return replace(state, says="There is no move to correct.")
    pitch_mm = bridge.screw_pitch_mm
    step_mm = SAID_STEP_TURNS * pitch_mm if pitch_mm else SAID_STEP_MM
    before_mm = advice.mm if state.string.said_mm is None else state.string.said_mm
    said_mm = before_mm + steps * math.copysign(step_mm, advice.mm)
    made = move_words(advice.made(said_mm))
    state = _with_string(state, said_mm=said_mm)
    text = f"string {state.current}: said to be moved {made}"
    return _keep(state, NoteEntry(state.at_s, state.current, text, said_mm=said_mm))


def _shown(name: str) -> Callable[[State, KeyPressed], State]:
    """Turn one of the display's switches over."""

    def turn(state: State, _: KeyPressed) -> State:
        display = state.display
        return replace(state, display=replace(display, **{name: not getattr(display, name)}))

    return turn


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
    Command.FREEZE: _shown("frozen"),
    Command.LARGE_PRINT: _shown("large_print"),
    Command.HELP: _shown("help_open"),
    Command.QUIT: lambda state, _: replace(state, quit=True),
}


# ------------------------------------------------------------------------------ resuming


def _recall(state: State, entry: Entry) -> State:
    """Take one kept entry in again, without deciding anything anew."""
    state = _keep(replace(state, at_s=max(state.at_s, entry.at_s)), entry)
    match entry:
        case TakeEntry(take=take):
            return _recall_take(state, take)
        case StrikeEntry():
            return _with_struck(state, entry.string, entry.take)
        case VerdictEntry():
            found = entry.offset if entry.round == 0 else state.strings[entry.string - 1].as_found
            return _with_string(
                state,
                entry.string,
                now=entry.offset,
                verdict=entry.verdict,
                as_found=found,
            )
        case MoveEntry():
            return _moved(state, entry)
        case OutcomeEntry():
            return _with_string(state, entry.string, outcome=entry.outcome, advice=None)
        case NoteEntry():
            return _recall_note(state, entry)


def _recall_take(state: State, take: SessionTake) -> State:
    string = state.strings[take.string - 1]
    state = _with_string(state, take.string, takes=(*string.takes, take))
    state = replace(
        state,
        last_take=take,
        at_s=max(state.at_s, take.reading.onset_s + take.reading.ring_s),
    )
    if take.fate is not TakeFate.ACCEPTED:
        return state
    state = _with_string(state, take.string, tuning=take.tuning)
    offset = saddles.weigh(state, state.strings[take.string - 1])
    as_found = offset if take.round == 0 else string.as_found
    state = _with_string(state, take.string, now=offset, as_found=as_found)
    return replace(state, tuned=True) if take.string == state.current else state


def _recall_note(state: State, note: NoteEntry) -> State:
    if note.said_mm is not None:
        return _with_string(state, note.string, said_mm=note.said_mm)
    if note.tolerance_cents is not None:
        state = replace(state, tolerance_cents=note.tolerance_cents)
    if note.step is None or note.string is None:
        return state
    tuned = note.step in (Step.OPEN, Step.FRETTED, Step.BORDER)
    if note.step is Step.OPEN and state.step in (Step.TUNE, Step.RETUNE):
        state = _with_string(state, note.string, tuning=state.strings[note.string - 1].tuning + 1)
    wanted = None if note.step in (Step.MOVE, Step.BORDER, Step.FINISHED) else 0
    state = replace(state, step=note.step, current=note.string, wanted_fret=wanted, tuned=tuned)
    if note.step is Step.TUNE:
        state = _with_string(state, outcome=None, advice=None)
    if note.step in (Step.MOVE, Step.BORDER, Step.RETUNE):
        state = _with_string(state, advice=_planned(state))
    if note.step is Step.MOVE:
        state = _with_string(state, outcome=None)
    return state
