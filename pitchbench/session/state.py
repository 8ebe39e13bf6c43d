"""The guided job as data: what is being done, what has been heard, what is asked next.

Data only. ``session/reducer.py`` holds the three functions that work on it: ``begin(setup)``,
``advance(state, event)``, the only way a state changes, and ``resume(setup, entries)``. Everything
worth keeping is an ``Entry``; ``State.entries`` only ever grows, the records keep each entry as it
appears, plain mode prints each as one line, and ``resume`` rebuilds a session from them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum

from pitchbench.instrument import Instrument
from pitchbench.intonation.bridge import Move
from pitchbench.intonation.offset import Offset, ScatterPrior
from pitchbench.intonation.response import BY_GEOMETRY, Response
from pitchbench.intonation.verdict import Verdict
from pitchbench.notes import A4_HZ
from pitchbench.pitch.listener import LivePitch, PluckStarted, ReadingReady
from pitchbench.pitch.reading import Reading


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
    FINISHED = "finished"


class Outcome(StrEnum):
    """How a string was left."""

    LEAVE = "leave it"
    BORDER = "on the border"
    COMPROMISE = "best compromise"
    OUT_OF_TRAVEL = "out of travel"
    DOES_NOT_SETTLE = "does not settle"
    PASSED_OVER = "passed over"


class Command(StrEnum):
    """What a key can ask for; the screen maps keys to these."""

    ACCEPT = "accept"
    AGAIN = "again"
    STRIKE = "strike out"
    NEXT = "next string"
    PREVIOUS = "previous string"
    TOLERANCE_UP = "tolerance up"
    TOLERANCE_DOWN = "tolerance down"
    LESS = "moved less"
    MORE = "moved more"
    FREEZE = "freeze"
    LARGE_PRINT = "large print"
    HELP = "help"
    QUIT = "quit"


@dataclass(frozen=True)
class KeyPressed:
    """A key asked for ``command``; ``take`` names a take to strike out, None the last one."""

    command: Command
    take: int | None = None


@dataclass(frozen=True)
class InputLost:
    """The sound stopped coming: unplugged, or the sound server went away."""

    reason: str


@dataclass(frozen=True)
class InputBack:
    """Sound is coming: for the first time, or again after a loss."""


Event = PluckStarted | LivePitch | ReadingReady | KeyPressed | InputLost | InputBack


@dataclass(frozen=True)
class Setup:
    """What a session starts from; it does not change while it runs, the tolerance apart.

    ``strings`` are the strings to be set, in the order of work; empty for all, lowest first.
    """

    instrument: Instrument
    prior: ScatterPrior
    a4_hz: float = A4_HZ
    tolerance_cents: float = 2.0
    fret: int = 12
    most_takes: int = 16
    response: Response = BY_GEOMETRY
    strings: tuple[int, ...] = ()

    @property
    def order(self) -> tuple[int, ...]:
        """The strings in the order of work."""
        return self.strings or tuple(range(len(self.instrument.strings), 0, -1))


class TakeFate(StrEnum):
    """What became of a pluck."""

    ACCEPTED = "accepted"
    REJECTED = "rejected"
    IGNORED = "ignored"
    STRUCK = "struck out"


@dataclass(frozen=True)
class SessionTake:
    """One pluck of the session. ``number`` counts from 1 over the whole session; ``round`` is how
    many times the string's saddle had been moved, ``tuning`` how many times it had been found in
    tune; ``fret`` is None where it fitted nothing; ``why`` says in words why it was rejected or
    ignored. The reading's onset is on the session's time line."""

    number: int
    string: int
    fret: int | None
    round: int
    reading: Reading
    fate: TakeFate
    why: str = ""
    tuning: int = 0


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
class VerdictEntry:
    """The verdict on a string changed."""

    at_s: float
    string: int
    round: int
    offset: Offset
    verdict: Verdict


@dataclass(frozen=True)
class MoveEntry:
    """A saddle move was advised and then found made; ``made_mm`` is signed, positive away from the
    nut: what was said, or what was advised where nothing was said. On a shared saddle it counts
    for both strings."""

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
    def screw_mm(self) -> float:
        """Travel of the screw, its slack included, positive away from the nut."""
        return self.made.screw_mm


@dataclass(frozen=True)
class OutcomeEntry:
    """A string was finished with."""

    at_s: float
    string: int
    outcome: Outcome
    offset: Offset | None


@dataclass(frozen=True)
class NoteEntry:
    """Anything else worth keeping: input lost, a tolerance changed (``tolerance_cents``), a step
    begun on a string (``step``), how far its saddle was moved where that was said (``said_mm``,
    positive away from the nut)."""

    at_s: float
    string: int | None
    text: str
    step: Step | None = None
    tolerance_cents: float | None = None
    said_mm: float | None = None


Entry = TakeEntry | StrikeEntry | VerdictEntry | MoveEntry | OutcomeEntry | NoteEntry


@dataclass(frozen=True)
class StringState:
    """One string's story so far. ``takes`` holds every pluck, whatever became of it; ``tuning`` is
    how many times the string was found in tune; ``now`` is None after a move until takes say
    more; ``said_mm`` is how far the person says the advised move was made."""

    number: int
    takes: tuple[SessionTake, ...] = ()
    moves: tuple[MoveEntry, ...] = ()
    as_found: Offset | None = None
    now: Offset | None = None
    verdict: Verdict | None = None
    advice: Move | None = None
    said_mm: float | None = None
    outcome: Outcome | None = None
    tuning: int = 0

    @property
    def round(self) -> int:
        """How many times the saddle has been moved."""
        return len(self.moves)

    @property
    def travel_mm(self) -> float:
        """Net saddle travel since the start, positive away from the nut."""
        return math.fsum(move.made_mm for move in self.moves)


@dataclass(frozen=True)
class Display:
    """What the person asked of the screen."""

    frozen: bool = False
    large_print: bool = False
    help_open: bool = False


@dataclass(frozen=True)
class State:
    """Everything the screen shows and the engine needs. ``asks`` is the one thing to do now, in a
    sentence; ``says`` what was made of the last thing heard. ``live_trace`` is every live pitch of
    the present note in order, cleared by the next pluck: what the screen draws until a reading
    brings its own trace. ``wanted_fret`` is what ``asks`` asks to be played, 0 for the open string,
    None for nothing in particular; ``tuned`` whether the current string has been found in tune
    since work on it (re)started. ``clock_s`` is where the present stream starts on the session's
    time line."""

    setup: Setup
    step: Step
    current: int
    strings: tuple[StringState, ...]
    tolerance_cents: float
    asks: str = ""
    says: str = ""
    at_s: float = 0.0
    ringing: bool = False
    live: LivePitch | None = None
    live_trace: tuple[LivePitch, ...] = ()
    offered: Reading | None = None
    last_take: SessionTake | None = None
    entries: tuple[Entry, ...] = ()
    wanted_fret: int | None = None
    tuned: bool = False
    clock_s: float = 0.0
    input_lost: str | None = None
    quit: bool = False
    display: Display = field(default_factory=Display)

    @property
    def string(self) -> StringState:
        """The string being worked on."""
        return self.strings[self.current - 1]
