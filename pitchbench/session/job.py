"""A guided job as data: what is heard at this moment, what is shown, and what an event changes.

A session that sets the intonation, a survey of the neck and plucks laid over each other are jobs.
What they share stands here: notes that ring, an input that is lost, keys of the display, a log that
grows. What they make of a pluck or of a key is their own (`Job.follow`). No clock, no thread, no
sound: time is what the events carry.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any, Final, Self

from pitchbench.instrument import StringSpec
from pitchbench.pitch.listener import LivePitch, PluckStarted, ReadingReady
from pitchbench.pitch.reading import Reading
from pitchbench.session.fold import evolve, standing_of
from pitchbench.session.log import (
    CheckEntry,
    Entry,
    Log,
    NoteEntry,
    Setup,
    TakeEntry,
    UndoEntry,
)
from pitchbench.sound.hearing import InputHeard


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
    UNDO = "take back"
    FREEZE = "freeze"
    LARGE_PRINT = "large print"
    HELP = "help"
    LEAVE_HELP = "leave help"
    PAUSE = "pause"
    STEP = "step"
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


@dataclass(frozen=True)
class Speaking:
    """The program speaks ``text``, empty once that has died away; ``listening`` whether it listens
    meanwhile."""

    text: str
    listening: bool


@dataclass(frozen=True)
class NoNote:
    """A sound has gone by that was no note, though it was taken for one at first, or is ``loud`` as
    a pluck."""

    loud: bool


#: What is said of it.
NO_NOTE: Final = "Ignored: talk or a knock, no steady note."

Event = (
    PluckStarted
    | LivePitch
    | ReadingReady
    | KeyPressed
    | InputHeard
    | InputLost
    | InputBack
    | Speaking
    | NoNote
)

#: Events that each job answers in its own way.
Followed = KeyPressed | LivePitch | ReadingReady | InputBack


@dataclass(frozen=True)
class Display:
    """What the person asked of the screen; only what is watched can be ``paused``."""

    frozen: bool = False
    large_print: bool = False
    help_open: bool = False
    paused: bool = False


#: The switches of the display and the keys that turn them over.
_SWITCHES: Final = {
    Command.FREEZE: "frozen",
    Command.LARGE_PRINT: "large_print",
}


#: Keys that mean something only where a rehearsal is watched, which sees to them.
_OF_WATCHING: Final = (Command.PAUSE, Command.STEP)


@dataclass(frozen=True, kw_only=True)
class Job(ABC):
    """The state of a guided job.

    Parameters
    ----------
    says : what was made of the last thing heard, in a sentence.
    at_s : now, on the job's time line; ``clock_s`` is where the present stream of sound starts on
        it.
    ringing : whether a note rings; ``live`` is its latest pitch, ``live_trace`` every one in order,
        ``offered`` the reading offered before it has ended.
    input_lost : why there is no sound; None where there is.
    input : how the input stands; None where there is none, or none that could be wrong.
    speaking : what is being spoken; None where nothing is.
    answered_s : when a key was answered last, on the time line; None before the first.
    """

    says: str = ""
    at_s: float = 0.0
    clock_s: float = 0.0
    ringing: bool = False
    live: LivePitch | None = None
    live_trace: tuple[LivePitch, ...] = ()
    offered: Reading | None = None
    input_lost: str | None = None
    input: InputHeard | None = None
    speaking: Speaking | None = None
    answered_s: float | None = None
    quit: bool = False
    display: Display = field(default_factory=Display)

    # ---------------------------------------------------------------- what every job says of itself

    @property
    @abstractmethod
    def asks(self) -> str:
        """The one thing to do now, in a sentence."""

    @property
    @abstractmethod
    def finished(self) -> bool:
        """Whether all is done."""

    @property
    def awaits_pluck(self) -> bool:
        """Whether a pluck is asked for, so that whoever is not heard wonders why."""
        return True

    @property
    def entries(self) -> tuple[Entry, ...]:
        """Everything worth keeping, in order; it only ever grows."""
        return ()

    @property
    def complete(self) -> bool:
        """Whether it came to its end with nothing left to do."""
        return self.finished

    @property
    def over(self) -> bool:
        """Whether nothing more is to be heard."""
        return self.quit or self.finished

    @abstractmethod
    def follow(self, event: Followed) -> Self:
        """What follows from ``event``, after `advance` has seen to what all jobs share: a live
        pitch or a reading is on the job's time line, `InputBack` says that sound comes at first."""

    def noted(self, text: str, says: str) -> Self:  # noqa: ARG002 - for jobs that keep a log
        """The job with a remark; one that keeps a log keeps ``text`` as well."""
        return replace(self, says=says)

    # ---------------------------------------------------------------- what happens to every job

    def advance(self, event: Event) -> Self:  # noqa: PLR0911  # one per kind of event
        """The next state. Once it is over, nothing that is heard changes anything."""
        match event:
            case KeyPressed():
                return self._key(event)
            case InputHeard():
                return replace(self, input=event)
            case Speaking():
                return replace(self, speaking=event if event.text else None)
            case InputLost(reason=reason):
                lost = replace(
                    self, input_lost=reason, input=None, ringing=False, live=None, offered=None
                )
                return lost.noted(f"input lost: {reason}", "The sound input is lost.")
            case InputBack() if self.input_lost is None:
                return replace(self, says="The sound input is open.").follow(event)
            case InputBack():
                back = replace(self, input_lost=None)
                return back.noted("input back", "The sound input is back.")
            case _ if self.over:
                return self
            case NoNote(loud=loud):
                still = replace(self, ringing=False, live=None, offered=None)
                return replace(still, says=NO_NOTE) if loud and self.awaits_pluck else still
            case PluckStarted(onset_s=onset_s):
                heard = self._at(self.clock_s + onset_s)
                return replace(heard, ringing=True, live=None, live_trace=(), offered=None)
            case LivePitch():
                return self._live(event)
            case ReadingReady(reading=Reading() as reading, final=False):
                return replace(self, offered=reading)
        return self._ended(event)

    def _key(self, key: KeyPressed) -> Self:
        """A key does what it does, wherever it is pressed; on the help page it also leaves that."""
        if self.quit:
            return self
        done = key.command is Command.QUIT or (self.finished and key.command is Command.ACCEPT)
        if done:
            return replace(self, quit=True)
        opens = key.command is Command.HELP and not self.display.help_open
        job = replace(self, display=replace(self.display, help_open=opens))
        if key.command in (Command.HELP, Command.LEAVE_HELP, *_OF_WATCHING):
            return job
        switch = _SWITCHES.get(key.command)
        if switch is None:
            return replace(job.follow(key), answered_s=self.at_s)
        turned: dict[str, Any] = {switch: not getattr(self.display, switch)}
        return replace(job, display=replace(job.display, **turned))

    def _live(self, heard: LivePitch) -> Self:
        live = replace(heard, at_s=self.clock_s + heard.at_s, onset_s=self.clock_s + heard.onset_s)
        now = replace(
            self._at(live.at_s), ringing=True, live=live, live_trace=(*self.live_trace, live)
        )
        return now.follow(live)

    def _ended(self, event: ReadingReady) -> Self:
        """A note has ended; a newer one may ring already."""
        reading = replace(event.reading, onset_s=self.clock_s + event.reading.onset_s)
        now = replace(self._at(reading.onset_s + reading.ring_s), offered=None)
        if self.live is None or self.live.onset_s <= reading.onset_s:
            now = replace(now, ringing=False, live=None)
        return now.follow(replace(event, reading=reading))

    def _at(self, at_s: float) -> Self:
        return replace(self, at_s=max(self.at_s, at_s))


@dataclass(frozen=True)
class Mark:
    """Where the log stood before something that can be taken back, and what that was: a take, the
    name of a key, or nothing yet where the note that did it still rings."""

    first: int
    what: str


def remembered(log: Log) -> tuple[Mark, ...]:
    """What can be taken back of a log that was read anew: take after take, each with what followed
    from it or was pressed after it, since a log does not tell the two apart."""
    marks: list[Mark] = []
    standing = standing_of(log.entries)
    for place, (own, entry) in enumerate(standing):
        if isinstance(entry, CheckEntry):
            marks.clear()  # what was looked at is asked for once
        if not isinstance(entry, TakeEntry):
            continue
        first = own
        for index, before in reversed(standing[:place]):
            # What is kept of a note before its take begins with it: the step that it led to.
            if isinstance(before, TakeEntry | CheckEntry) or before.at_s <= entry.at_s:
                break
            first = index
        marks.append(Mark(first, f"take {entry.take.number} and what came after it"))
    return tuple(marks)


@dataclass(frozen=True, kw_only=True)
class LoggedJob(Job):
    """A job whose every lasting change is an entry of its log.

    Parameters
    ----------
    marks : what can be taken back, the last thing last; see `remembered` where a log was read anew.
    """

    log: Log
    marks: tuple[Mark, ...] = ()

    @classmethod
    def led_to_by(cls, log: Log, **own: Any) -> Self:
        """The job as ``log`` left it, ready to go on with a new stream of sound."""
        return cls(log=log, marks=remembered(log), at_s=log.at_s, clock_s=log.at_s, **own)

    @property
    def entries(self) -> tuple[Entry, ...]:
        """The entries of the log."""
        return self.log.entries

    @property
    def setup(self) -> Setup:
        """The start of the log."""
        return self.log.setup

    @property
    def current(self) -> int:
        """The string that is asked for."""
        return self.log.current

    @property
    def spec(self) -> StringSpec:
        """The current string."""
        return self.setup.instrument.string(self.current)

    @property
    def finished(self) -> bool:
        """Whether the log has come to its end."""
        return self.log.finished

    @property
    def complete(self) -> bool:
        """Whether it came to its end, and no string was passed over."""
        return self.finished and not self.log.passed_over

    @abstractmethod
    def decide(self, event: Followed) -> Self:
        """The job with what is to be kept because of ``event``, and a sentence about it."""

    def follow(self, event: Followed) -> Self:
        """Keep what is decided: nothing else changes."""
        after = self.decide(event)
        marks = self._marks_after(event, after.entries[len(self.entries) :])
        return replace(self, log=after.log, says=after.says, marks=marks)

    def _marks_after(self, event: Followed, entries: tuple[Entry, ...]) -> tuple[Mark, ...]:
        """What can be taken back after ``event``; of one note it is all one."""
        if not entries or isinstance(event, InputBack):
            return self.marks
        last = entries[-1]
        if isinstance(last, UndoEntry):
            return tuple(mark for mark in self.marks if mark.first < last.first)
        first, before = len(self.log.entries), self.marks
        if isinstance(event, KeyPressed):
            return (*before, Mark(first, str(event.command)))
        if before and not before[-1].what:
            first, before = before[-1].first, before[:-1]
        takes = [entry.take for entry in entries if isinstance(entry, TakeEntry)]
        return (*before, Mark(first, f"take {takes[0].number}" if takes else ""))

    def taken_back(self) -> Self:
        """The job without the last take or key, and without all that followed from it."""
        if not self.marks:
            return replace(self, says="There is nothing to take back.")
        mark = self.marks[-1]
        says = f"Taken back: {mark.what or 'what the last note did'}."
        return self.kept(UndoEntry(self.at_s, mark.first), says=says)

    def kept(self, *entries: Entry, says: str | None = None) -> Self:
        """The job with ``entries`` added to its log."""
        log = self.log
        for entry in entries:
            log = evolve(log, entry)
        return replace(self, log=log, says=self.says if says is None else says)

    def noted(self, text: str, says: str) -> Self:
        """The job with a remark in its log."""
        return self.kept(NoteEntry(self.at_s, self.log.current, text), says=says)
