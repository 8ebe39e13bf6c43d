"""The log of a session: facts, only ever added, and what they come to.

What the entries make of a log is in ``session/fold.py``, and what is heard or pressed becomes
entries in ``session/decide.py``; nothing else changes one. What a person was told (an offset, a
verdict, an advised move, a step) is a fact too and is kept as it was told, so a later version of
the program shows what was shown then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

from pitchbench.instrument import Instrument
from pitchbench.intonation.bridge import Move
from pitchbench.intonation.deciding import MOST_TAKES
from pitchbench.intonation.knowledge import ANYBODY, Person
from pitchbench.intonation.offset import DEFAULT_PRIOR, Offset, ScatterPrior
from pitchbench.intonation.response import BY_GEOMETRY, Response
from pitchbench.intonation.verdict import Verdict
from pitchbench.notes import A4_HZ
from pitchbench.pitch.reading import Reading, Reason, Rejected
from pitchbench.session.checks import Checked


class Step(StrEnum):
    """Where the guided job stands; the words are what people read."""

    BEFORE = "before you start"
    TUNE = "tune"
    OPEN = "pluck open"
    FRETTED = "fret the 12th"
    MOVE = "move the saddle"
    RETUNE = "retune"
    BORDER = "on the border"
    LAST_ROUND = "all strings once more"
    SURVEY = "note by note"
    STRETCH = "pull the string"
    FINISHED = "finished"


#: The steps at which plucks are counted as takes once the string is in tune.
READING_STEPS = (Step.OPEN, Step.FRETTED, Step.BORDER, Step.LAST_ROUND)


class Outcome(StrEnum):
    """How a string was left."""

    LEAVE = "leave it"
    BORDER = "on the border"
    COMPROMISE = "best compromise"
    OUT_OF_TRAVEL = "out of travel"
    DOES_NOT_SETTLE = "does not settle"
    PASSED_OVER = "passed over"


class TakeFate(StrEnum):
    """The fate of a pluck: whether it counts."""

    ACCEPTED = "accepted"
    REJECTED = "rejected"
    IGNORED = "ignored"
    STRUCK = "struck out"


class Ignored(StrEnum):
    """The cause for which a pluck that could be read does not count, or is asked about, as programs
    know it."""

    ANOTHER_STRING = "another_string"
    ANOTHER_FRET = "another_fret"
    FRETTED_TOO_EARLY = "fretted_too_early"
    TOUCHED_HARMONIC = "touched_harmonic"
    PRESSED_HARDER = "pressed_harder"
    PARTNER_RINGS = "partner_rings"
    NO_NOTE_OF_IT = "no_note_of_it"
    NOT_IN_TUNE = "not_in_tune"
    AS_BEFORE_THE_MOVE = "as_before_the_move"


@dataclass(frozen=True)
class Setup:
    """The start of a session: it does not change while the session runs.

    ``strings`` are the strings to be set, in the order of work; empty for all, lowest first.
    ``tolerance_cents`` is the one to start with of strings with none of their own, ``person`` what
    is known of whoever plays, and ``prior`` what a survey of the neck believes of their scatter.
    ``filed_mm`` is what earlier sessions filed off the break points, string 1 first, positive
    away from the nut; empty where nothing is known of it.
    """

    instrument: Instrument
    person: Person = ANYBODY
    a4_hz: float = A4_HZ
    tolerance_cents: float = 2.0
    fret: int = 12
    most_takes: int = MOST_TAKES
    response: Response = BY_GEOMETRY
    strings: tuple[int, ...] = ()
    prior: ScatterPrior = DEFAULT_PRIOR
    filed_mm: tuple[float, ...] = ()

    @property
    def order(self) -> tuple[int, ...]:
        """The strings in the order of work."""
        return self.strings or tuple(range(len(self.instrument.strings), 0, -1))

    @property
    def judged(self) -> Instrument:
        """The instrument with the tolerance that this session started with."""
        return replace(self.instrument, tolerance_cents=self.tolerance_cents)

    def open_hz(self, string: int) -> float:
        """The pitch that an open string is tuned to."""
        return self.instrument.string(string).note.hz(self.a4_hz)


@dataclass(frozen=True)
class SessionTake:
    """One pluck of the session. ``number`` counts from 1 over the whole session; ``round`` is how
    many times the string's saddle had been moved, ``tuning`` how many times it had been found in
    tune; ``fret`` is None where it fitted nothing; ``why`` says in words why it was rejected or
    ignored, the cause first and after a colon what to do; ``ignored`` is that cause for programs,
    None where the reading's own reason says it. A take that counts may carry the cause that it was
    doubted for. The reading's onset is on the session's time line."""

    number: int
    string: int
    fret: int | None
    round: int
    reading: Reading | Rejected
    fate: TakeFate
    why: str = ""
    tuning: int = 0
    ignored: Ignored | None = None

    @property
    def cause(self) -> Reason | Ignored | None:
        """Why it does not count; None where it does, or where an older log does not tell."""
        return self.reading.reason if isinstance(self.reading, Rejected) else self.ignored


# ------------------------------------------------------------------------------ the entries


@dataclass(frozen=True)
class TakeEntry:
    """A pluck and what became of it."""

    at_s: float
    take: SessionTake


@dataclass(frozen=True)
class StrikeEntry:
    """A take was struck out by hand."""

    at_s: float
    string: int
    take: int


@dataclass(frozen=True)
class ClearedEntry:
    """A string is measured again from its tuning: its takes since the last move are struck out."""

    at_s: float
    string: int


@dataclass(frozen=True)
class VerdictEntry:
    """The takes of a string were weighed: the offset and the verdict as they were shown.

    ``offset`` is None where the takes that are left make none, ``verdict`` where it is too early
    for one.
    """

    at_s: float
    string: int
    offset: Offset | None
    verdict: Verdict | None


@dataclass(frozen=True)
class AdviceEntry:
    """A saddle move was advised; None withdraws what was advised before."""

    at_s: float
    string: int
    move: Move | None


@dataclass(frozen=True)
class SaidEntry:
    """The person said how far the saddle was moved, positive away from the nut."""

    at_s: float
    string: int
    mm: float


@dataclass(frozen=True)
class MoveEntry:
    """An advised move was found made; ``made_mm`` is signed, positive away from the nut: what was
    said, or what was advised where nothing was said. On a shared saddle it counts for both
    strings."""

    at_s: float
    string: int
    move: Move
    made_mm: float
    said: bool = False

    @property
    def made(self) -> Move:
        """The move as it was made."""
        return self.move.made(self.made_mm)

    @property
    def other_way(self) -> bool:
        """Whether it was made the other way than advised."""
        return self.made_mm * self.move.mm < 0.0


@dataclass(frozen=True)
class OtherWayEntry:
    """What was heard shows that a string's saddle last went the other way than told, as far."""

    at_s: float
    string: int


@dataclass(frozen=True)
class OutcomeEntry:
    """A string was finished with."""

    at_s: float
    string: int
    outcome: Outcome
    offset: Offset | None


@dataclass(frozen=True)
class StepEntry:
    """A step began on a string; ``fret`` is what is asked to be played there, 0 for the open
    string, None for nothing in particular."""

    at_s: float
    string: int
    step: Step
    fret: int | None = None


@dataclass(frozen=True)
class ToleranceEntry:
    """The tolerance was changed: of ``string``, or of all that have none of their own."""

    at_s: float
    cents: float
    string: int | None = None


@dataclass(frozen=True)
class NoteEntry:
    """A remark worth keeping: input lost, evidence that a string does not settle."""

    at_s: float
    string: int | None
    text: str


@dataclass(frozen=True)
class CheckEntry:
    """Something around the intonation was looked at, or asked for and skipped."""

    at_s: float
    checked: Checked


@dataclass(frozen=True)
class UndoEntry:
    """What was kept from entry ``first`` of the log on, counted from 0, is taken back: a pluck or a
    key with all that followed from it."""

    at_s: float
    first: int


Entry = (
    TakeEntry
    | StrikeEntry
    | ClearedEntry
    | VerdictEntry
    | AdviceEntry
    | SaidEntry
    | MoveEntry
    | OtherWayEntry
    | OutcomeEntry
    | StepEntry
    | ToleranceEntry
    | NoteEntry
    | CheckEntry
    | UndoEntry
)


# ------------------------------------------------------------------------------ what they come to


@dataclass(frozen=True)
class StringState:
    """One string's story so far.

    Parameters
    ----------
    takes : every pluck with its final fate, in order.
    moves : the moves of its saddle.
    found : the last offset that was judged before the first move; None if it never came to that.
    now : the last offset that was judged since the last move; None until takes say something.
    advice : the move that is advised and not yet found made.
    said_mm : how far the person says that it was made.
    tuning : how many times the string was found in tune.
    tolerance_cents : how far off it may be left.
    filed_mm : what earlier sessions filed off its break point, positive away from the nut.
    """

    number: int
    takes: tuple[SessionTake, ...] = ()
    moves: tuple[MoveEntry, ...] = ()
    found: Offset | None = None
    now: Offset | None = None
    verdict: Verdict | None = None
    advice: Move | None = None
    said_mm: float | None = None
    outcome: Outcome | None = None
    tuning: int = 0
    tolerance_cents: float = 2.0
    filed_mm: float = 0.0

    @property
    def round(self) -> int:
        """How many times the saddle has been moved."""
        return len(self.moves)

    @property
    def travel_mm(self) -> float:
        """Net saddle travel since the start, positive away from the nut."""
        return math.fsum(move.made_mm for move in self.moves)

    @property
    def moved_mm(self) -> float:
        """The same, with what earlier sessions filed."""
        return self.filed_mm + self.travel_mm

    @property
    def asked_if_moved(self) -> bool:
        """Whether it was asked, of the last take, if its saddle has been moved unheard."""
        return bool(self.accepted) and self.accepted[-1].cause is Ignored.AS_BEFORE_THE_MOVE

    @property
    def accepted(self) -> tuple[SessionTake, ...]:
        """The takes that count."""
        return tuple(take for take in self.takes if take.fate is TakeFate.ACCEPTED)

    @property
    def in_this_round(self) -> tuple[SessionTake, ...]:
        """The takes that count since the saddle was last moved."""
        return tuple(take for take in self.accepted if take.round == self.round)


@dataclass(frozen=True)
class Log:
    """A session as its entries tell it.

    Parameters
    ----------
    strings : string 1 first.
    current : the string being worked on.
    tolerance_cents : of strings that have none of their own.
    wanted_fret : what is asked to be played, 0 for the open string, None for nothing in
        particular.
    tuned : whether the current string has been found in tune since work on it (re)started.
    at_s : the latest moment that an entry tells of, on the session's time line.
    entries : every entry, whether it was taken back or not.
    standing : those that no later one has taken back, in order: all the rest follows from them.
    """

    setup: Setup
    strings: tuple[StringState, ...]
    current: int
    tolerance_cents: float
    step: Step = Step.BEFORE
    wanted_fret: int | None = 0
    tuned: bool = False
    at_s: float = 0.0
    entries: tuple[Entry, ...] = ()
    standing: tuple[Entry, ...] = ()

    @property
    def string(self) -> StringState:
        """The string being worked on."""
        return self.strings[self.current - 1]

    @property
    def order(self) -> tuple[int, ...]:
        """The strings that this session is about, in the order of work: those that were to be set,
        then any other that was worked on all the same, which is one that was found in tune, whence
        its takes count, or was finished with."""
        asked = self.setup.order
        others = (s for s in self.strings if s.number not in asked)
        return asked + tuple(
            s.number for s in others if s.tuning or s.outcome not in (None, Outcome.PASSED_OVER)
        )

    @property
    def finished(self) -> bool:
        """Whether the session came to its end."""
        return self.step is Step.FINISHED

    @property
    def just_ignored(self) -> SessionTake | None:
        """The last pluck, if it was ignored and nothing has come since."""
        last = self.standing[-1] if self.standing else None
        if isinstance(last, TakeEntry) and last.take.fate is TakeFate.IGNORED:
            return last.take
        return None

    @property
    def last_take(self) -> SessionTake | None:
        """The last pluck, whatever became of it."""
        taken = (entry.take for entry in reversed(self.standing) if isinstance(entry, TakeEntry))
        return next(taken, None)

    @property
    def next_take(self) -> int:
        """The number of the next pluck; none is given twice, also if the pluck is taken back."""
        return 1 + sum(isinstance(entry, TakeEntry) for entry in self.entries)

    @property
    def checked(self) -> tuple[Checked, ...]:
        """What was looked at around the intonation, or asked for and skipped, in order."""
        return tuple(entry.checked for entry in self.standing if isinstance(entry, CheckEntry))

    @property
    def moves(self) -> tuple[MoveEntry, ...]:
        """The moves of all saddles in order, as far as is known by now."""
        own = (m for string in self.strings for m in string.moves if m.string == string.number)
        return tuple(sorted(own, key=lambda move: move.at_s))

    @property
    def passed_over(self) -> tuple[int, ...]:
        """The strings that are still to be set because they were passed over, in order of work."""
        return tuple(
            number
            for number in self.setup.order
            if self.strings[number - 1].outcome is Outcome.PASSED_OVER
        )
