"""The sentences of a session: what is asked and what is said, so that every view says the same.

Values carry their unit and their uncertainty; what stands after "±" is half of the interval that
holds the value with 95 % probability.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Final

from pitchbench.belief import Belief, half95, half_figures
from pitchbench.instrument import Bridge, BridgeKind, Instrument
from pitchbench.intonation.bridge import (
    Move,
    move_words,
    out_of_travel_advice,
    to_slacken,
    way_words,
    what_to_move,
)
from pitchbench.intonation.offset import Offset
from pitchbench.intonation.response import Effect, MadeMove, Response
from pitchbench.intonation.verdict import SURE, Decision, Verdict, percent
from pitchbench.lengths import length_figures, length_words
from pitchbench.notes import Note, ordinal, strings_words
from pitchbench.pitch.reading import Reading, Reason
from pitchbench.session.log import Log, Outcome, Setup, Step, StringState
from pitchbench.sound.hearing import Fault, InputHeard
from pitchbench.units import in_cents

if TYPE_CHECKING:
    from pitchbench.session.job import Job, LoggedJob
    from pitchbench.session.state import State

#: What has to be right before intonation is worth setting (common practice, no source).
ORDER_OF_WORK: Final = (
    "strings new, stretched and tuned",
    "neck relief set",
    "floating bridge level",
    "action set: intonation comes last",
)

#: The same where the strings are clamped at the nut: tuners turn nothing while it is locked.
LOCKING_NUT: Final = "nut unlocked, every fine tuner in the middle of its travel"


def before_work(instrument: Instrument) -> tuple[str, ...]:
    """What has to be right on this instrument before its intonation is set."""
    locked = (LOCKING_NUT,) if instrument.bridge.locking_nut else ()
    capo = (capo_words(instrument),) if instrument.capo else ()
    return (*ORDER_OF_WORK, *locked, *capo)


#: What is said where a take is to be struck out that is not there or does not count.
NOTHING_TO_STRIKE: Final = "There is no such take to strike out."


def capo_words(instrument: Instrument) -> str:
    """Where its capo is."""
    over = f" over {strings_words(instrument.capo_strings)}" if instrument.capo_strings else ""
    return f"capo on the {ordinal(instrument.capo)} fret{over}"


#: How to hold and play, so that takes agree with each other (common practice, no source).
HOW_TO_PLAY: Final = (
    "hold the instrument in playing position",
    "pluck gently and evenly, always at the same place",
    "fret lightly and cleanly, just behind the fret",
)

_REMEDIES: Final = {
    Reason.CLIPPED: "too loud for the input: turn it down or pluck more gently",
    Reason.TOO_SHORT: "too short: let it ring longer",
    Reason.TOO_QUIET: "too quiet: pluck a little harder or go nearer",
    Reason.GAP: "samples were lost in the middle of it",
    Reason.TWO_STRINGS: "two strings at once: damp the others",
    Reason.HUM: "hum lies on the note: move away from transformers and lamps",
    Reason.NEVER_SETTLED: "its pitch never settled",
}


def place(setup: Setup, string: int, fret: int | None = None) -> str:
    """Where a note is stopped, the one asked for unless said: "the 12th fret", or the mark where
    there is no fret."""
    return setup.instrument.place(string, setup.fret if fret is None else fret)


def places(setup: Setup) -> str:
    """The same for all strings to be set."""
    return setup.instrument.places(setup.order, setup.fret)


def left_words(log: Log, string: StringState) -> str:
    """How a string was left, in two words."""
    if string.number not in log.order:
        return "left out"
    return "not finished" if string.outcome is None else string.outcome.value


def note_label(setup: Setup, string: int, fret: int | None) -> str:
    """What was played: "open E2", "12th fret of string 6"."""
    if fret is None:
        return "a pluck"
    if fret == 0:
        return f"open {setup.instrument.string(string).note}"
    return f"string {string} at {place(setup, string)}"


def sharp_or_flat(cents: float, half_width: float | None = None, *, of: Note | None = None) -> str:
    """ "4.2 ± 0.9 cents sharp of E3"; "0.0 ± 0.9 cents from E3" where neither word fits."""
    value = f"{abs(cents):.1f} cents"
    if half_width is not None:
        value = f"{abs(cents):.1f} ± {half_figures(half_width)} cents"
    if value.startswith("0.0"):
        return f"{value} off" if of is None else f"{value} from {of}"
    word = "sharp" if cents > 0 else "flat"
    return f"{value} {word}" if of is None else f"{value} {word} of {of}"


def reading_words(reading: Reading, cents: float, note: Note) -> str:
    """A settled reading, ``cents`` above ``note``."""
    return sharp_or_flat(cents, half95(reading.u_cents), of=note)


def offset_words(offset: Offset | None) -> str:
    """An offset with its 95 % interval's half-width."""
    return "not measured" if offset is None else cents_words(offset.belief)


def cents_words(cents: Belief) -> str:
    """What is believed of an offset, with its 95 % interval's half-width."""
    return sharp_or_flat(cents.centre, cents.half())


def rejected_words(reason: Reason, partner: int | None = None) -> str:
    """Why a pluck was rejected, and after a colon what to do about it; ``partner`` is the other
    string of its course."""
    if reason is Reason.TWO_STRINGS and partner is not None:
        return f"two strings at once: mute string {partner}, its partner"
    return _REMEDIES[reason]


def cause_words(why: str) -> str:
    """The cause alone of why a pluck does not count: what stands before the colon."""
    return why.partition(": ")[0]


def ends_words(move: Move) -> str:
    """Where the offset is expected to end."""
    if move.ends95_cents is None:
        return ""
    low, high = move.ends95_cents
    return f" If moved, {low:+z.1f} to {high:+z.1f} cents."


def border_words(log: Log, verdict: Verdict) -> str:
    """What each choice promises where more takes would hardly decide it."""
    now = log.string.now
    if now is None or verdict.p_moved is None:
        return ""
    within = f"Within {in_cents(log.string.tolerance_cents)}"
    where = "On the border, neither is sure" if verdict.border else "Good now"
    return (
        f"{where}: {offset_words(now)}. {within} if you leave it: "
        f"{percent(verdict.p_within)}; if you move it: {percent(verdict.p_moved)}."
    )


def rests_words(offset: Offset) -> str:
    """What an offset rests on: "2 open and 3 fretted takes since the last move, and what was known
    before it"."""
    many = offset.fretted.n
    counts = f"{offset.open.n} open and {many} fretted take{'s' * (many != 1)}"
    if not offset.carried_over:
        return counts
    return f"{counts} since the last move, and what was known before it"


#: What is said where an order to move a saddle comes back after it may have been followed.
TURNED_ALREADY: Final = "If the saddle has been moved since, do not move it again."


def measure_first_words(log: Log, other: StringState) -> str:
    """Why the string at work waits for ``other``, of which nothing is known yet."""
    if other.number in log.setup.instrument.bridge.beside(log.current):
        same = f"String {other.number} lies on the same saddle as string {log.current}"
        return f"{same}: measure it too."
    return f"All strings are measured before any is filed: string {other.number} is next."


def effect_words(  # noqa: PLR0911  # one per effect
    move: MadeMove, effect: Effect, inferred_mm: float, bridge: Bridge
) -> str:
    """What a move did where it was not what it should have been; nothing where it was."""
    which, far = f"string {move.string}", length_words(abs(inferred_mm))
    values = f"{cents_words(move.before)} before, {cents_words(move.after)} now"
    match effect:
        case Effect.AS_EXPECTED:
            return ""
        case Effect.OTHER_WAY:
            return (
                f"The move made {which} worse ({values}): its saddle went the other way, and that "
                "is on record now."
            )
        case Effect.WORSE:
            return f"The move made {which} worse ({values}): did it go the other way?"
        case Effect.LITTLE:
            return f"The move changed little on {which} ({values}): was it made?"
        case Effect.NOT_SEATED:
            return (
                f"The move did not do what it should on {which} ({values}): press the string down "
                "at its saddle so that it seats."
            )
        case Effect.TOO_FAR:
            if bridge.is_filed:
                return f"The move went too far on {which} ({values}): about {far}."
            return f"The move went too far on {which} ({values}): about {far}, so come back."


def learned_words(response: Response, bridge: Bridge) -> str:
    """What this bridge has been found to do; slack is of screws alone."""
    moves = f"learned from {response.moves} move{'' if response.moves == 1 else 's'}"
    factor = f"{response.factor:.2f} ± {half95(response.factor_u):.2f}"
    if bridge.screw_pitch_mm is None:
        return f"its moves do {factor} of what was to be expected, {moves}"
    return (
        f"its saddles go {factor} of what the screws are turned, slack "
        f"{length_figures(response.slack_mm, 2)} ± {length_words(half95(response.slack_u_mm), 2)}, "
        f"{moves}"
    )


def filed_words(filed_mm: Sequence[float], bridge: Bridge) -> str:
    """ "string 6 0.42 mm away from the nut (0.58 mm left)": what was filed off break points, string
    1 first, and what that leaves of the travel on record."""

    def left_words(mm: float) -> str:
        left_mm = (bridge.travel_mm(away=mm > 0.0) or 0.0) - abs(mm)
        return f"{length_words(max(0.0, left_mm), 2)} left"

    return ", ".join(
        f"string {number} {way_words(mm, 2)} ({left_words(mm)})"
        for number, mm in enumerate(filed_mm, start=1)
        if round(mm, 2)
    )


#: How an input that is well is called.
_INPUT_WELL: Final = "heard"

#: What is to be done about an input, and why.
_INPUT_REQUESTS: Final[dict[Fault | None, tuple[str, str]]] = {
    Fault.SILENT: ("Unmute the input {}, or plug it in", "it is dead silent"),
    Fault.FAINT: ("Turn the input {} up, or go nearer", "it is far too quiet"),
    Fault.ELSEWHERE: ("Play into {}", "nothing is heard there"),
}


def input_words(heard: InputHeard) -> str:
    """How an input stands, and what to do about it, in a few words; what to do where it has no
    sound is the request."""
    match heard.fault:
        case None:
            return _INPUT_WELL
        case Fault.LOUD:
            return "too loud: turn it down"
        case fault:
            return str(fault)


def input_request(job: Job) -> str | None:
    """What has to be done about the input before anything else can be; None for nothing."""
    if job.input_lost is not None:
        return "Connect the sound input again."
    heard = job.input
    if heard is None or heard.fault not in _INPUT_REQUESTS or job.ringing:
        return None
    do, why = _INPUT_REQUESTS[heard.fault]
    if heard.other is None:
        return f"{do.format(heard.name)}: {why}."
    other = f"choose {heard.other.name} with --device {heard.other.number}"
    return f"{do.format(heard.name)}, or {other}: that one has sound."


def asks(state: State) -> str:
    """The one thing to do now, one sentence in the imperative."""
    if (request := input_request(state)) is not None:
        return request
    if state.measuring:
        return "Let it ring." if state.offered is None else "Damp the string."
    asked = _ASKS[state.log.step](state)
    return by_itself(state, asked) if state.log.step in _PLAYED_ALONE else asked


def by_itself(job: LoggedJob, asked: str) -> str:
    """The sentence that asks for a pluck, with the other string of a course to be muted."""
    partner = job.setup.instrument.partner(job.current)
    return asked if partner is None else f"{asked[:-1]}, string {partner} muted."


def _place(state: State) -> str:
    return place(state.setup, state.log.current)


def _ask_fretted(state: State) -> str:
    verb = "Stop" if state.setup.instrument.fretless else "Fret"
    return f"{verb} string {state.log.current} lightly at {_place(state)} and pluck it."


def _on_saddle(state: State) -> tuple[str, str]:
    """The strings on the saddle at work and whose saddle it is, as they stand in a sentence."""
    beside = state.setup.instrument.bridge.beside(state.log.current)
    if not beside:
        return f"string {state.log.current}", "its"
    if state.setup.instrument.in_one_piece:
        return "all strings", "their"
    return strings_words(sorted((state.log.current, *beside))), "their"


def mean_words(instrument: Instrument, mean: Belief | None, scatter_cents: float | None) -> str:
    """What a saddle with several strings goes by, as a sentence after another: their mean, and how
    far they are from it where that is known."""
    if mean is None:
        return ""
    what = "bridge" if instrument.in_one_piece else "saddle"
    differ = "" if scatter_cents is None else f"; they differ from it by {scatter_cents:.1f} cents"
    value = f"{mean.centre:+z.1f} ± {half_figures(mean.half())} cents"
    return f" The {what} goes by the mean of its strings, {value}{differ}."


def _how_far(state: State) -> str:
    """The move as advised, or as the person said it was made."""
    move, said_mm = state.log.string.advice, state.log.string.said_mm
    if move is None:
        return ""
    if said_mm is None:
        return f" {move_words(move)}"
    return f" {move_words(move.made(said_mm))}, as you said"


_DONE: Final = {"file": "filed", "slide": "slid", "move": "moved"}


def _ask_move(state: State) -> str:
    strings, whose = _on_saddle(state)
    instrument = state.setup.instrument
    slack = to_slacken(instrument.bridge, strings)
    return f"{slack.capitalize()}, then {what_to_move(instrument, whose)}{_how_far(state)}."


def _ask_border(state: State) -> str:
    move, verdict = _ask_move(state), state.log.string.verdict
    if state.log.string.asked_if_moved:
        once_more = f"Pluck string {state.log.current} once more if the saddle has been moved"
        return f"{once_more}; or play the next string."
    if verdict is not None and verdict.decision is Decision.LEAVE:
        return f"Play the next string; or {move[0].lower()}{move[1:]}"
    return f"{move[:-1]}; or play the next string."


def _ask_retune(state: State) -> str:
    """The step begins when the string is heard slack: the move may still have to be made."""
    if state.log.string.advice is None:
        return f"Tune string {state.log.current} up to {state.spec.note} again and pluck it."
    # Asked twice, a move is made twice: what is done already must not seem to be asked again.
    do, _, what = what_to_move(state.setup.instrument, "the").partition(" ")
    once = f"Once {what} is {_DONE[do]}{_how_far(state)}"
    return f"{once}, tune string {state.log.current} up to {state.spec.note} and pluck it."


def _ask_check(state: State) -> str:
    if not state.log.tuned:
        return f"Check string {state.log.current}: tune it to {state.spec.note} and pluck it open."
    if state.log.wanted_fret == 0:
        return f"Check string {state.log.current}: pluck it open."
    return _ask_fretted(state)


def _ask_finished(state: State) -> str:
    passed = state.log.passed_over
    if passed:
        were = "were" if len(passed) > 1 else "was"
        later = "" if state.setting else ", --resume goes on later"  # a rehearsal cannot
        who = f"{strings_words(passed).capitalize()} {were}"
        return f"{who} passed over: key p goes back, q quits{later}."
    if state.setup.instrument.bridge.locking_nut:
        return (
            "Tune all strings, lowest first, until a whole round needs no turning; lock the nut, "
            "bring each string back by its fine tuner, and check it open and fretted."
        )
    if state.setup.instrument.bridge.kind is not BridgeKind.CLAMPED_TREMOLO:
        return "Tune the instrument once more and play it."
    return (
        "Tune all strings, lowest first, and go round again until a whole round needs no turning; "
        "then play it."
    )


def _ask_begin(state: State) -> str:
    pluck = f"pluck string {state.log.current} open to begin."
    if state.setup.instrument.bridge.locking_nut:
        return f"Unlock the nut and centre the fine tuners; {pluck}"
    return pluck.capitalize()


#: Where a string of a course is to sound without its partner.
_PLAYED_ALONE: Final = frozenset(Step) - {Step.MOVE, Step.BORDER, Step.FINISHED}

_ASKS: Final[dict[Step, Callable[[State], str]]] = {
    Step.BEFORE: _ask_begin,
    Step.TUNE: lambda s: f"Tune string {s.log.current} to {s.spec.note}, coming up from below.",
    Step.OPEN: lambda s: f"Pluck string {s.log.current} open and let it ring.",
    Step.FRETTED: _ask_fretted,
    Step.MOVE: _ask_move,
    Step.RETUNE: _ask_retune,
    Step.BORDER: _ask_border,
    Step.LAST_ROUND: _ask_check,
    Step.FINISHED: _ask_finished,
}


#: What is said where a string is on the border, so that nobody has to look it up.
BORDER_SHORT: Final = f"less than {100 * SURE:.0f} % sure"
BORDER_MEANS: Final = f"on the border: {BORDER_SHORT} that it is within the tolerance"


def _how_sure(string: StringState) -> str:
    """ " (97 % sure)", where that is known."""
    return "" if string.verdict is None else f" ({percent(string.verdict.p_within)} sure)"


def outcome_words(string: StringState, outcome: Outcome, bridge: Bridge) -> str:
    """How a string was left, in one sentence."""
    value = offset_words(string.now)
    match outcome:
        case Outcome.LEAVE:
            within = f"within {string.tolerance_cents:g}{_how_sure(string)}"
            return f"String {string.number}: leave it, {value}, {within}."
        case Outcome.BORDER:
            off = bridge.is_filed and string.verdict is not None and string.verdict.p_within < 0.5
            why = ", not so surely off that it is filed" * off
            return f"String {string.number}: left on the border, {value}{_how_sure(string)}{why}."
        case Outcome.COMPROMISE:
            return f"String {string.number}: {value}, the best for all strings on its saddle."
        case Outcome.OUT_OF_TRAVEL:
            now_cents = 0.0 if string.now is None else string.now.offset_cents
            back = bridge.is_filed and now_cents * string.moved_mm < 0.0
            advice = " ".join(out_of_travel_advice(bridge.kind, goes_back=back))
            return f"String {string.number}: {value}. {advice}"
        case Outcome.DOES_NOT_SETTLE:
            return f"String {string.number} does not settle: an old or faulty string?"
        case Outcome.PASSED_OVER:
            return f"String {string.number}: passed over, {value}."
