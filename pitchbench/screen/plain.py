"""The plain view: the same session, one line per event, the label before the value.

For screen readers, pipes and logs. No boxes, no escapes, nothing redrawn. What a note does while
it rings is not told; while a string is brought up, one line says where each pluck stands and one
more each time it comes near its pitch or above it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from pitchbench.intonation.bridge import move_interval_words, move_words, way_words
from pitchbench.intonation.offset import Offset
from pitchbench.intonation.verdict import Verdict, explain
from pitchbench.lengths import length_words
from pitchbench.pitch.reading import Reading
from pitchbench.screen.input import input_told
from pitchbench.session.checks import checked_words
from pitchbench.session.fold import evolve
from pitchbench.session.heard import LIVE_NEAR_CENTS
from pitchbench.session.log import (
    AdviceEntry,
    CheckEntry,
    ClearedEntry,
    Entry,
    Log,
    MoveEntry,
    NoteEntry,
    OtherWayEntry,
    OutcomeEntry,
    SaidEntry,
    SessionTake,
    Step,
    StepEntry,
    StrikeEntry,
    TakeEntry,
    TakeFate,
    ToleranceEntry,
    UndoEntry,
    VerdictEntry,
)
from pitchbench.session.saddles import learned, shared_mean
from pitchbench.session.state import State
from pitchbench.session.words import (
    HOW_TO_PLAY,
    before_work,
    learned_words,
    left_words,
    note_label,
    offset_words,
    outcome_words,
    reading_words,
)
from pitchbench.units import cents_between, in_cents

_TUNING_STEPS: Final = (Step.TUNE, Step.RETUNE)
_TELLING: Final = (TakeEntry, VerdictEntry, OutcomeEntry, NoteEntry, UndoEntry)


class PlainView:
    """Writes lines; hand it to the engine as a view.

    Parameters
    ----------
    write : called with each line, without its end.
    """

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write
        self._zone: tuple[float, str] | None = None
        self._asked = ""
        self._explained = ""
        self._told = ""
        self._opened = False

    def __call__(self, old: State, new: State) -> None:
        """Write what is new in ``new``."""
        if not self._opened:
            self._opened = True
            self._open(new)
        input_told(self._write, old, new)
        log, entries = old.log, new.entries[len(old.entries) :]
        advised = any(isinstance(entry, AdviceEntry) for entry in entries)
        for entry in entries:
            if advised or not _is_verdict_as_before(log, entry):
                self._line(*entry_line(log, entry))
            log = evolve(log, entry)
        self._say(new, entries)
        self._advice(old, new)
        if new.log.last_take is not old.log.last_take:
            self._asked = ""  # after a pluck it is said again, even where it is the same
        self._ask(new)

    def _open(self, state: State) -> None:
        """What is said once, before anything is heard."""
        setup = state.setup
        self._line("this is", state.setting)
        self._line("instrument", setup.instrument.name)
        self._line("tolerance", in_cents(state.log.string.tolerance_cents))
        if state.log.step is Step.BEFORE:
            self._line("before", "; ".join(before_work(setup.instrument)))
            self._line("playing", "; ".join(HOW_TO_PLAY))

    def _say(self, state: State, entries: tuple[Entry, ...]) -> None:
        """What was made of the last thing heard, where no entry's line has said it already."""
        if state.says == self._told:
            return
        live = state.live
        if state.log.step in _TUNING_STEPS and live is not None and not entries:
            open_hz = state.setup.open_hz(state.log.current)
            zone = (live.onset_s, _side(cents_between(live.pitch_hz, open_hz)))
            if zone == self._zone:
                return
            self._zone = zone
        self._told = state.says
        told = any(isinstance(entry, _TELLING) for entry in entries)
        if state.log.step in _TUNING_STEPS or not told:
            self._line("heard", state.says)

    def _advice(self, old: State, new: State) -> None:
        """The move and what to mind, when it is first advised."""
        advice = new.log.string.advice
        if advice is None or advice == old.log.strings[new.log.current - 1].advice:
            return
        self._line("move", f"string {advice.string}, {move_words(advice)}")
        self._line("move, 95 % interval", move_interval_words(advice))
        if advice.ends95_cents is not None:
            low, high = advice.ends95_cents
            self._line("offset after it, 95 % interval", f"{low:+z.1f} to {high:+z.1f} cents")
        self._line("travel so far", length_words(new.log.string.travel_mm, sign=True))
        if filed_mm := new.log.string.filed_mm:
            self._line("filed before", way_words(filed_mm, 2))
        for caution in advice.cautions:
            self._line("caution", caution)

    def _ask(self, state: State) -> None:
        # Of a ringing note nothing is told, but why it is to ring.
        if (not state.ringing or state.why) and state.asks != self._asked:
            self._asked = state.asks
            self._line("do", state.asks)
            if state.why != self._explained:
                self._explained = state.why
                self._line("why", state.why)

    def _line(self, label: str, value: str) -> None:
        if value:
            self._write(f"{label}: {value}")


def _side(off_cents: float) -> str:
    if abs(off_cents) <= LIVE_NEAR_CENTS:
        return "near"
    return "above" if off_cents > 0 else "below"


def entry_line(log: Log, entry: Entry) -> tuple[str, str]:  # noqa: PLR0911, PLR0912  # one each
    """An entry that is added to ``log`` as label and value; an empty value where the line would say
    nothing."""
    match entry:
        case TakeEntry(take=take):
            return f"take {take.number}", _take_words(log, take)
        case StrikeEntry():
            return "struck out", f"take {entry.take} of string {entry.string}"
        case ClearedEntry():
            return "struck out", f"all takes of string {entry.string} since its last move"
        case VerdictEntry(offset=Offset() as offset, verdict=Verdict() as verdict):
            decision = verdict.decision.replace("_", " ")
            words = f"string {entry.string}, {offset_words(offset)}, {decision}"
            mean = shared_mean(log, log.strings[entry.string - 1])
            return "verdict", f"{words}: {explain(offset, verdict, mean=mean)}"
        case SaidEntry():
            far = length_words(entry.mm, 2, sign=True)
            return "said", f"string {entry.string}, moved {far} (+ is away from nut)"
        case MoveEntry():
            far = length_words(entry.made_mm, sign=True)
            return "moved", f"string {entry.string}, {far} (+ is away from nut)"
        case OtherWayEntry():
            (*_, move) = evolve(log, entry).strings[entry.string - 1].moves
            far = length_words(move.made_mm, sign=True)
            return "moved", f"string {entry.string}, the other way: {far} (+ is away from nut)"
        case OutcomeEntry():
            string = log.strings[entry.string - 1]
            return "done", outcome_words(string, entry.outcome, log.setup.instrument.bridge)
        case StepEntry():
            return "step", _step_words(log, entry)
        case ToleranceEntry():
            of = f" of string {entry.string}" if entry.string else ""
            return "note", f"tolerance{of} {in_cents(entry.cents)}"
        case NoteEntry():
            return "note", entry.text
        case CheckEntry(checked=checked):
            words = checked_words(checked)
            return "checked", words and f"{checked.check}, {checked.stage}: {words}"
        case UndoEntry():
            gone = log.standing[len(evolve(log, entry).standing) :]
            back = [e.take.number for e in gone if isinstance(e, TakeEntry)]
            return "taken back", f"take {back[-1]}" if back else "the last key"
    return "", ""


def _is_verdict_as_before(log: Log, entry: Entry) -> bool:
    """Whether the entry is a verdict that differs from the one before in its numbers alone."""
    return isinstance(entry, VerdictEntry) and _gist(entry.verdict) == _gist(
        log.strings[entry.string - 1].verdict
    )


def _gist(verdict: Verdict | None) -> object:
    return verdict and (verdict.decision, verdict.border, verdict.tolerance_cents)


def _step_words(log: Log, entry: StepEntry) -> str:
    """The step that begins; nothing where the other note of the same string is asked for."""
    if entry.step is Step.FINISHED:
        return entry.step.value
    both = {entry.step, log.step}
    if entry.string == log.current and (len(both) == 1 or both == {Step.OPEN, Step.FRETTED}):
        return ""
    return f"string {entry.string}: {entry.step.value}"


def result_lines(state: State) -> list[str]:
    """How each string was found and left: what remains to be read when the session is over."""
    lines = []
    for number in state.log.order:
        string = state.log.strings[number - 1]
        note = state.setup.instrument.string(number).note
        moves = len(string.moves)
        lines.append(
            f"result: string {number} ({note}), found {offset_words(string.found)}, "
            f"now {offset_words(string.now)}, {left_words(state.log, string)}, "
            f"{moves} move{'' if moves == 1 else 's'}, saddle travel "
            f"{length_words(string.travel_mm, sign=True)}"
        )
    response = learned(state.log)
    if response.moves:
        lines.append(f"bridge: {learned_words(response, state.setup.instrument.bridge)}")
    return lines


def _take_words(log: Log, take: SessionTake) -> str:
    reading = take.reading
    label = note_label(log.setup, take.string, take.fret)
    if take.fate is TakeFate.ACCEPTED and isinstance(reading, Reading) and take.fret is not None:
        note = log.setup.instrument.string(take.string).note.up(take.fret)
        off_cents = cents_between(reading.pitch_hz, note.hz(log.setup.a4_hz))
        words = reading_words(reading, off_cents, note)
        asked = f". {take.why}" if take.why else ""
        return f"accepted, {label}, {reading.pitch_hz:.2f} Hz, {words}{asked}"
    return f"{take.fate}, {label}: {take.why}"
