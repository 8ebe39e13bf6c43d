"""What is made of a note: is it what was asked for, and what follows from it?"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pitchbench.belief import half95
from pitchbench.pitch.listener import LivePitch
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.session import paired, steps, takes, touched, words
from pitchbench.session.fit import Kind, Match, fit, fit_tuning
from pitchbench.session.log import (
    READING_STEPS,
    Ignored,
    SessionTake,
    Step,
    StrikeEntry,
    TakeEntry,
    TakeFate,
)
from pitchbench.session.touched import Doubt
from pitchbench.units import cents_between

if TYPE_CHECKING:
    from pitchbench.session.state import State

#: In tune means within this; the offset does not depend on it, being a ratio (common practice).
TUNED_WITHIN_CENTS: Final = 3.0

#: An open take this far off sends the string back to be tuned.
OUT_OF_TUNE_CENTS: Final = 10.0

#: An open note lower than its pitch by this much, and by less than nearly an octave (which would
#: be a slip of the tracker), was slackened; one within ``_SAME_CENTS`` of the takes before the
#: move, or within its own ± of them, sounds as if nothing had been moved.
SLACKENED_CENTS: Final = 30.0
_SLACK_LIMIT_CENTS: Final = 1000.0
_SAME_CENTS: Final = 2.0
_SURE_CLARITY: Final = 0.9

#: Every note starts sharp and sinks: nothing is said about a live pitch before this is over, and
#: within this much of its note it is only called near.
_ATTACK_S: Final = 0.4
LIVE_NEAR_CENTS: Final = 8.0

#: What a key was answered stands so long before a ringing note is spoken of again: a sentence is
#: read in that time.
_ANSWER_S: Final = 2.0


# ------------------------------------------------------------------------------ while it rings


def live(state: State, note: LivePitch) -> State:
    """Follow a ringing note; while tuning say where it stands."""
    log = state.log
    if note.clarity >= _SURE_CLARITY and _was_slackened(state, note.pitch_hz):
        state = steps.enter(state, Step.RETUNE, fret=0)
    elif log.tuned or log.step in (Step.BEFORE, Step.MOVE):
        return state
    answered = state.answered_s is not None and note.at_s < state.answered_s + _ANSWER_S
    if answered or note.at_s - note.onset_s < _ATTACK_S:
        return state
    found = fit_tuning(log, note.pitch_hz)
    if found.kind is not Kind.OPEN:
        if note.clarity < _SURE_CLARITY:
            return state
        return replace(state, says=_not_the_open_note_words(state, found))
    off_cents = cents_between(note.pitch_hz, log.setup.open_hz(log.current))
    if abs(off_cents) <= LIVE_NEAR_CENTS:
        return replace(state, says=f"String {log.current} is near its pitch: let it ring.")
    return replace(state, says=_tuning_words(state, off_cents))


def _was_slackened(state: State, pitch_hz: float) -> bool:
    """Whether the string for which a move is advised was let down, whatever is asked just now.

    Advice is good until the string is heard slack or in tune: a take that comes in late may ask
    for more takes while the person follows the advice already.
    """
    log = state.log
    if log.string.advice is None or log.step is Step.RETUNE:
        return False
    off_cents = cents_between(pitch_hz, log.setup.open_hz(log.current))
    if not -_SLACK_LIMIT_CENTS < off_cents < -SLACKENED_CENTS:
        return False
    return fit_tuning(log, pitch_hz).kind is Kind.OPEN


def _tuning_words(state: State, off_cents: float) -> str:
    off = words.sharp_or_flat(off_cents, of=state.spec.note)
    where = f"String {state.log.current} is {off}"
    if off_cents > 0:
        return f"{where}: above its pitch, slacken it below and come up again."
    return f"{where}: bring it up slowly."


def _not_the_open_note_words(state: State, found: Match) -> str:
    """A note that is hardly the open string that is being tuned must not send anyone to its
    machine: a 12th fret is no reason to slacken by an octave."""
    number = state.log.current
    if found.kind is not Kind.OTHER:
        return f"{found.why[:1].upper()}{found.why[1:]}."
    note = state.log.setup.instrument.string(found.string).note
    return f"That is string {found.string}'s note, {note}; if it is string {number}, go on tuning."


# ------------------------------------------------------------------------------ when it has ended


def pluck(state: State, reading: Reading | Rejected) -> State:
    """A pluck has ended."""
    if isinstance(reading, Rejected):
        return _rejected(state, reading)
    if state.log.step is not Step.MOVE and _was_slackened(state, reading.pitch_hz):
        return _while_tuning(steps.enter(state, Step.RETUNE, fret=0), reading)
    found = fit(state.log, reading)
    match found.kind:
        case Kind.OPEN | Kind.FRETTED:
            return _own(state, reading, found)
        case Kind.OTHER | Kind.NOTHING if harmonic := touched.of_the_open(state.log, reading):
            return _ignored(state, reading, Ignored.TOUCHED_HARMONIC, harmonic)
        case Kind.OTHER:
            return _elsewhere(state, reading, found)
        case _:
            assert found.cause is not None
            return _ignored(state, reading, found.cause, found.why)


def _logged(
    state: State,
    reading: Reading | Rejected,
    fate: TakeFate,
    *,
    fret: int | None = None,
    string: int | None = None,
    why: str = "",
    cause: Ignored | None = None,
) -> State:
    """Keep a pluck, whatever became of it."""
    log = state.log
    owner = log.strings[(string or log.current) - 1]
    number = log.next_take
    # In the last round the take that shows a string in tune begins its tuning.
    tuning = owner.tuning + (fate is TakeFate.ACCEPTED and not log.tuned)
    take = SessionTake(number, owner.number, fret, owner.round, reading, fate, why, tuning, cause)
    return state.kept(TakeEntry(reading.onset_s, take))


def _ignored(
    state: State,
    reading: Reading,
    cause: Ignored,
    why: str,
    *,
    fret: int | None = None,
    string: int | None = None,
) -> State:
    """Keep a pluck that could be read and does not count, and say why."""
    state = _logged(
        state, reading, TakeFate.IGNORED, fret=fret, string=string, why=why, cause=cause
    )
    return replace(state, says=f"Ignored: {why}.")


def _rejected(state: State, reading: Rejected) -> State:
    frets = {Kind.OPEN: 0, Kind.FRETTED: state.log.setup.fret}
    fret = frets.get(fit(state.log, reading).kind)
    partner = state.setup.instrument.partner(state.log.current)
    why = words.rejected_words(reading.reason, partner)
    state = _logged(state, reading, TakeFate.REJECTED, fret=fret, why=why)
    state = replace(state, says=f"Rejected: {why}.")
    if state.log.tuned and state.log.step in READING_STEPS:
        return steps.doubted(state) or state
    return state


def _own(state: State, reading: Reading, found: Match) -> State:
    """One of the two notes of the string that is being worked on."""
    if state.log.step is Step.BEFORE:
        state = steps.enter(state, Step.TUNE, fret=0)
    if state.log.step is Step.MOVE:
        return _at_move(state, reading)
    if not state.log.tuned:
        return _while_tuning(state, reading)
    return _take(state, reading, 0 if found.kind is Kind.OPEN else state.log.setup.fret)


def _elsewhere(state: State, reading: Reading, found: Match) -> State:
    """Another string's open note: the second in a row, or the first at the border, goes there; its
    fretted note in between goes nowhere by itself."""
    if found.why:
        fret, number = state.setup.fret, found.string
        cause = Ignored.ANOTHER_STRING
        return _ignored(state, reading, cause, found.why, fret=fret, string=number)
    last = state.log.just_ignored
    if state.log.step is Step.BORDER:
        state = steps.leave_border(state)
        return _while_tuning(steps.go_to(state, found.string), reading)
    if last is not None and last.string == found.string:
        return _while_tuning(steps.go_to(state, found.string), reading)
    note = state.setup.instrument.string(found.string).note
    why = f"another string ({found.string}, {note}): play it once more to go there"
    return _ignored(state, reading, Ignored.ANOTHER_STRING, why, fret=0, string=found.string)


def _while_tuning(state: State, reading: Reading) -> State:
    """An open note of a string that is not in tune yet; the one that shows it in tune is a take."""
    off_cents = cents_between(reading.pitch_hz, state.setup.open_hz(state.log.current))
    if abs(off_cents) > TUNED_WITHIN_CENTS:
        # What a partner rings at would be tuned away.
        doubt = paired.doubt(state.log, reading, counts=False)
        if doubt.cause is not None:
            state = _ignored(state, reading, doubt.cause, doubt.why, fret=0)
            return replace(state, says=f"{doubt.why}.")
        why = f"not in tune yet: {words.reading_words(reading, off_cents, state.spec.note)}"
        state = _ignored(state, reading, Ignored.NOT_IN_TUNE, why, fret=0)
        return replace(state, says=_tuning_words(state, off_cents))
    return _take(steps.found_in_tune(state), reading, 0)


def _at_move(state: State, reading: Reading) -> State:
    """An open note while a move is advised: has the saddle been moved?

    At another pitch the string was touched. At the same pitch nothing can be told from one pluck;
    a second one is taken for "yes, and tuned again".
    """
    string = state.log.string
    before_hz = takes.open_mean_hz(takes.in_this_tuning(string))
    as_before = max(_SAME_CENTS, half95(reading.u_cents))
    same = before_hz is not None and abs(cents_between(reading.pitch_hz, before_hz)) <= as_before
    last = state.log.just_ignored
    asked_again = last is not None and (last.string, last.fret) == (string.number, 0)
    if same and not asked_again:
        why = "as before the move: pluck it once more if the saddle has been moved"
        state = _ignored(state, reading, Ignored.AS_BEFORE_THE_MOVE, why, fret=0)
        return replace(state, says=f"String {string.number}: {why}.")
    return _while_tuning(steps.enter(state, Step.RETUNE, fret=0), reading)


def _take(state: State, reading: Reading, fret: int) -> State:
    """A pluck that counts; at the border the second open one in a row says, as where a move is
    advised, that the saddle has been moved unheard."""
    setup, number, note = state.setup, state.log.current, state.spec.note
    off_cents = cents_between(reading.pitch_hz, setup.open_hz(number)) - 100.0 * fret
    if fret == 0 and abs(off_cents) > OUT_OF_TUNE_CENTS:
        why = f"gone out of tune: {words.reading_words(reading, off_cents, note)}"
        state = _ignored(state, reading, Ignored.NOT_IN_TUNE, why, fret=0)
        step = Step.RETUNE if state.log.step is Step.BORDER else Step.TUNE
        state = steps.enter(state, step, fret=0)
        return replace(state, says=_tuning_words(state, off_cents))
    at_border = fret == 0 and state.log.step is Step.BORDER
    if at_border and state.log.string.asked_if_moved:
        return _while_tuning(steps.enter(state, Step.RETUNE, fret=0), reading)
    doubt = touched.doubt(state.log, reading, fret)
    if doubt.cause is not None and not doubt.counts:
        state = _ignored(state, reading, doubt.cause, doubt.why, fret=fret)
        says = state.says
        for number in doubt.struck:
            state = state.kept(StrikeEntry(state.at_s, state.log.current, number))
        return replace(steps.decided(state) if doubt.struck else state, says=says)
    if doubt.cause is None:
        doubt = paired.doubt(state.log, reading)
    if doubt.cause is None and at_border:
        doubt = _MOVED
    state = _logged(state, reading, TakeFate.ACCEPTED, fret=fret, why=doubt.why, cause=doubt.cause)
    take = state.log.last_take
    assert take is not None
    heard = f"Take {take.number}, {words.note_label(setup, number, fret)}: "
    heard += f"{words.reading_words(reading, off_cents, note.up(fret))}."
    state = steps.decided(replace(state, says=heard))
    # What is asked is always said, whatever else there is to say; at the border it is the request.
    asks = doubt.why and doubt is not _MOVED
    return replace(state, says=f"{state.says} {doubt.why}.") if asks else state


#: What is asked of an open note at the border: nobody may have heard the string slack.
_MOVED: Final = Doubt(
    cause=Ignored.AS_BEFORE_THE_MOVE,
    why="Has the saddle been moved? Then pluck it once more",
)
