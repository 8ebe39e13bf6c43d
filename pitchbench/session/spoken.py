"""What is spoken: the same request, result and move as on the screen, for the ear.

Pure functions of a job before and after an event. What is said in full the first time is said in a
few words from then on; numbers are spelled, and they are those of the screen.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable
from typing import Final, Generic, Protocol, TypeVar

from pitchbench.intonation.bridge import DIRECTION_WORDS, Move, short_words, to_slacken
from pitchbench.intonation.offset import Offset
from pitchbench.pitch.reading import Reading
from pitchbench.session import words
from pitchbench.session.job import Job, LoggedJob
from pitchbench.session.log import (
    Entry,
    Outcome,
    OutcomeEntry,
    SessionTake,
    Step,
    TakeEntry,
    TakeFate,
)
from pitchbench.session.overlay import Overlay
from pitchbench.session.state import State
from pitchbench.session.stretch import CAUTION, Stretch, story_of
from pitchbench.session.survey import Survey, take_cents, wanted
from pitchbench.units import cents_between

_J = TypeVar("_J", bound=Job)
_J_contra = TypeVar("_J_contra", bound=Job, contravariant=True)

_ONES: Final = (
    "zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
    "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen",
    "nineteen",
)  # fmt: skip
_TENS: Final = (
    "", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety",
)  # fmt: skip
_ORDINALS: Final = {
    "one": "first", "two": "second", "three": "third", "five": "fifth", "eight": "eighth",
    "nine": "ninth", "twelve": "twelfth",
}  # fmt: skip

#: Signs and short units as they are spoken.
_SPELLED: Final = (
    (r"±", " plus or minus "),
    (r"(?<=\d) ?mm\b", " millimetres"),
    (r"(?<=\d) ?%", " per cent"),
    (r"(?<=\d) ?s\b", " seconds"),
    (r"(?<=\d) ?Hz\b", " hertz"),
    (r"--device (\d+)", r"device \1"),
    (r"\b([A-G])#(?=\d)", r"\1 sharp "),
    (r"\b([A-G])b(?=\d)", r"\1 flat "),
    (r"\b([A-G])(?=\d)", r"\1 "),
)
#: Of what is so far off, tenths tell nothing to the ear.
_WHOLE_FROM_CENTS: Final = 20.0

_ORDINAL: Final = re.compile(r"\b(\d+)(?:st|nd|rd|th)\b")
_NUMBER: Final = re.compile(r"[+\-−]?\d+(?:\.\d+)?")


# ------------------------------------------------------------------------------ for the ear


def number(value: float, digits: int = 1) -> str:
    """A number in words, its sign left out: "four point two"; no ".0" is spoken."""
    text = f"{abs(value):.{digits}f}"
    whole, _, decimals = text.partition(".")
    spoken = _whole(int(whole))
    if decimals.strip("0"):
        spoken += " point " + " ".join(_ONES[int(figure)] for figure in decimals)
    return spoken


def _whole(n: int) -> str:
    if n < 20:
        return _ONES[n]
    if n < 100:
        return _TENS[n // 10] + (f" {_ONES[n % 10]}" if n % 10 else "")
    if n < 1000:
        return f"{_ONES[n // 100]} hundred" + (f" {_whole(n % 100)}" if n % 100 else "")
    return " ".join(_ONES[int(figure)] for figure in str(n))


def ordinal(n: int) -> str:
    """ "twelfth"."""
    *first, last = _whole(n).split()
    ending = "ieth" if last.endswith("y") else "th"
    last = _ORDINALS.get(last, last.removesuffix("y") + ending)
    return " ".join([*first, last])


def spelled(text: str) -> str:
    """A sentence of the screen as it is spoken."""
    for pattern, instead in _SPELLED:
        text = re.sub(pattern, instead, text)
    text = _ORDINAL.sub(lambda match: ordinal(int(match[1])), text)
    text = _NUMBER.sub(_number_said, text)
    return " ".join(text.split())


def _number_said(match: re.Match[str]) -> str:
    digits = len(match[0].partition(".")[2])
    sign = "minus " if match[0][0] in "-−" else ""
    return sign + number(float(match[0].lstrip("+-−")), digits)


def cents(value: float) -> str:
    """ "four point two sharp", to a tenth as on the screen; whole cents from twenty on."""
    if round(value, 1) == 0.0:
        return "zero"
    digits = 1 if abs(value) < _WHOLE_FROM_CENTS else 0
    return f"{number(value, digits)} {'sharp' if value > 0 else 'flat'}"


def turns(value: float) -> str:
    """ "one and a half turns", to a tenth as on the screen."""
    tenths = round(10 * abs(value))
    if tenths == 5:
        return "half a turn"
    if tenths % 10 == 5:
        return f"{_whole(tenths // 10)} and a half turns"
    return "one turn" if tenths == 10 else f"{number(value)} turns"


def move(advice: Move) -> str:
    """ "one and a half turns clockwise"; how far and which way where there is no screw."""
    if advice.turns is None or advice.rotation is None:
        way = f"{number(advice.size_mm)} millimetres {DIRECTION_WORDS[advice.direction]}"
        return ", ".join(filter(None, (way, spelled(short_words(advice)))))
    return f"{turns(advice.turns)} {advice.rotation}"


# ------------------------------------------------------------------------------ one after the other


#: Something said: its kind, in full, and short; empty for nothing.
_Said = tuple[Hashable, str, str]


class Says(Protocol[_J_contra]):
    """What a kind of job says."""

    def result(self, old: _J_contra, new: _J_contra) -> _Said:
        """What was made of what was heard."""
        ...

    def request(self, old: _J_contra, new: _J_contra) -> _Said:
        """What is to be done now."""
        ...


class Spoken(Generic[_J]):
    """What is spoken as a job goes on, in full the first time.

    Parameters
    ----------
    says : what this kind of job says.
    """

    def __init__(self, says: Says[_J]) -> None:
        self._says = says
        self._known: set[Hashable] = set()
        self._asked = ""
        #: The job as it stood when something was last said of it.
        self._last: _J | None = None

    def __call__(self, old: _J, new: _J) -> str:
        """What follows when ``old`` becomes ``new``; empty for nothing.

        What becomes of a note that another one follows at once is said with that one.
        """
        if self._last is None:
            self._last = old
        if new.ringing:
            return ""  # what is asked then is for the eye
        result = self._once(self._says.result(self._last, new))
        if not result and new.asks == self._asked:
            return ""
        request = self._once(self._says.request(self._last, new))
        self._asked, self._last = new.asks, new
        return " ".join(f"{part[0].upper()}{part[1:]}." for part in (result, request) if part)

    def _once(self, said: _Said) -> str:
        kind, full, short = said
        known = kind in self._known
        if full:
            self._known.add(kind)
        return (short if known else full).rstrip(".")


_NOTHING: Final = (None, "", "")


def _fresh(old: Job, new: Job) -> tuple[Entry, ...]:
    return new.entries[len(old.entries) :]


def _last(entries: tuple[Entry, ...]) -> SessionTake | None:
    takes = [entry.take for entry in entries if isinstance(entry, TakeEntry)]
    return takes[-1] if takes else None


def _became(take: SessionTake | None, counted: Callable[[SessionTake], _Said]) -> _Said:
    """What became of a pluck; ``counted`` says it of one that counts and is not asked about."""
    if take is None:
        return _NOTHING
    if take.fate is not TakeFate.ACCEPTED:
        # In short without what follows from it.
        why = spelled(take.why)
        return (take.fate, why), f"{take.fate}: {why}", f"{take.fate}: {why.partition(':')[0]}"
    if take.cause is None:
        return counted(take)
    question, mark, _ = take.why.partition("?")
    return take.cause, spelled(take.why), spelled(f"{question}{mark}")


# ------------------------------------------------------------------------------ a session

_OUTCOMES: Final = {
    Outcome.LEAVE: "leave it",
    Outcome.BORDER: "left on the border",
    Outcome.COMPROMISE: "the best for all strings",
    Outcome.OUT_OF_TRAVEL: "out of travel",
    Outcome.DOES_NOT_SETTLE: "does not settle",
    Outcome.PASSED_OVER: "passed over",
}

_TUNING: Final = (Step.TUNE, Step.RETUNE)
_MOVING: Final = (Step.MOVE, Step.BORDER)


class SessionSays:
    """A session that sets the intonation."""

    def result(self, old: State, new: State) -> _Said:
        """What became of the pluck, and of the string."""
        entries = _fresh(old, new)
        done = [entry for entry in entries if isinstance(entry, OutcomeEntry)]
        if done:
            how, offset = _OUTCOMES[done[-1].outcome], done[-1].offset
            value = "" if offset is None else f", {_offset(offset)}"
            said = f"string {_whole(done[-1].string)}{value}: {how}"
            return Outcome, said, said
        match take := _last(entries):
            case SessionTake(
                fate=TakeFate.IGNORED, fret=0, string=string, reading=Reading() as reading
            ) if new.log.step in _TUNING:
                off = cents(cents_between(reading.pitch_hz, new.setup.open_hz(string)))
                return _TUNING, f"string {_whole(string)} is {off}", off
        return _became(take, lambda _: self._accepted(new))

    def _accepted(self, state: State) -> _Said:
        now, verdict = state.log.string.now, state.log.string.verdict
        if now is None:
            return "taken", "that was taken", "taken"
        value = _offset(now)
        more = None if verdict is None else verdict.more_takes
        if more is None:
            return Offset, f"{value} at the {ordinal(state.setup.fret)} fret", value
        count = _whole(more.open + more.fretted)
        full = f"{value} at the {ordinal(state.setup.fret)} fret, about {count} more"
        return Offset, full, f"{value}, {count} more"

    def request(self, old: State, new: State) -> _Said:
        """What to do: in full the screen's own sentence, at a move after what to mind there."""
        if (first := words.input_request(new)) is not None:
            return first, spelled(first), spelled(first)
        short, full = self._short(new), spelled(new.asks)
        kind: Hashable = short.partition(" ")[0]
        if new.log.current != old.log.current:
            short = f"{_string_now(new)}, {short}"
        advice = new.log.string.advice
        if advice is not None and new.log.step in _MOVING:
            # What to mind comes first, so that how far and which way is heard last.
            minds = advice.cautions
            kind, full = (kind, minds), " ".join([*map(spelled, minds), full])
        return kind, full, short

    def _short(self, state: State) -> str:  # noqa: PLR0911  # one per thing to do
        log = state.log
        note = spelled(str(state.spec.note))
        advice = log.string.advice
        match log.step:
            case Step.BEFORE | Step.OPEN:
                return "open"
            case Step.TUNE:
                return f"tune {note}"
            case Step.MOVE | Step.BORDER if advice is not None:
                said_mm = log.string.said_mm
                done = advice if said_mm is None else advice.made(said_mm)
                border = ", or play the next string" if log.step is Step.BORDER else ""
                bridge = state.setup.instrument.bridge
                beside = bridge.beside(log.current)
                which = ("both" if len(beside) == 1 else "all") if beside else ""
                which = which or ("it" if bridge.is_filed else "")
                return f"{to_slacken(bridge, which).rstrip()}, {move(done)}{border}"
            case Step.RETUNE:
                return f"tune up to {note}"
            case Step.FRETTED | Step.LAST_ROUND if log.tuned and log.wanted_fret:
                mark = "mark" if state.setup.instrument.fretless else "fret"
                fret = state.setup.instrument.neck_fret(log.current, log.wanted_fret)
                return f"{mark} {_whole(fret)}"
            case Step.LAST_ROUND:
                return "open" if log.tuned else f"check, tune {note}"
        return spelled(state.asks)


def _offset(offset: Offset) -> str:
    return cents(offset.offset_cents)


def _string_now(job: LoggedJob) -> str:
    """Which string it is now, and which one is to be muted then."""
    partner = job.setup.instrument.partner(job.current)
    mute = "" if partner is None else f", {_whole(partner)} muted"
    return f"string {_whole(job.current)}{mute}"


# ------------------------------------------------------------------------------ other jobs


class SurveySays:
    """A survey of the neck."""

    def result(self, old: Survey, new: Survey) -> _Said:
        """How far off the note was, or why it does not count."""

        def counted(take: SessionTake) -> _Said:
            off_cents = take_cents(new, take)
            said = "heard" if off_cents is None else cents(off_cents)
            return Offset, said, said

        return _became(_last(_fresh(old, new)), counted)

    def request(self, old: Survey, new: Survey) -> _Said:
        """Which note to play."""
        fret = wanted(new, new.current)
        full = spelled(new.asks)
        if words.input_request(new) is not None or new.finished or fret is None:
            return full, full, full
        if "Tune" in new.asks:
            return "tune", full, full
        at = new.setup.instrument.neck_fret(new.current, fret) if fret else 0
        short = "open" if fret == 0 else f"fret {_whole(at)}"
        if new.current != old.current:
            short = f"{_string_now(new)}, {short}"
        return fret == 0, full, short


class StretchSays:
    """The stretching of strings."""

    def result(self, old: Stretch, new: Stretch) -> _Said:
        """What the pull cost, or why a pluck does not count."""
        said = spelled(new.says)
        counted = Offset, said, said.partition(";")[0]
        return _became(_last(_fresh(old, new)), lambda _: counted)

    def request(self, old: Stretch, new: Stretch) -> _Said:  # noqa: ARG002
        """Whether to pluck or to pull, and what to mind."""
        asks = spelled(new.asks)
        if story_of(new, new.current).pull_asked:
            return "pull", f"{asks} {CAUTION}", asks
        return asks, asks, asks


class OverlaySays:
    """Plucks laid over each other."""

    def result(self, old: Overlay, new: Overlay) -> _Said:
        """How sharp the attack was and when it had settled."""
        if len(new.plucks) <= len(old.plucks):
            return _NOTHING
        reading = new.plucks[-1].reading
        which = f"pluck {_whole(new.plucks[-1].number)}"
        if not isinstance(reading, Reading):
            why = spelled(words.rejected_words(reading.reason))
            return (which, why), f"{which}: rejected, {why}", f"{which}: rejected, {why}"
        attack, settled = cents(reading.attack_cents), number(reading.settle_s)
        full = f"{which}: the attack {attack}, settled after {settled} seconds"
        return Reading, full, f"{which}: {attack}, {settled} seconds"

    def request(self, old: Overlay, new: Overlay) -> _Said:  # noqa: ARG002
        """What to do about the input; a pluck is asked for once."""
        first = words.input_request(new)
        full = spelled(new.asks)
        return (first, full, full) if first is not None else ("pluck", full, "")
