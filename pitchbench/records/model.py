"""The records' own types: one instrument on record, one session as it was kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from enum import StrEnum
from functools import cached_property
from pathlib import Path

from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.records.places import SHORT_ID_LENGTH
from pitchbench.session.fold import read_log
from pitchbench.session.log import Entry, Log, Setup

#: One setting of the analysis.
Parameter = str | int | float | bool | None

_LONGEST_TEXT = 2000


class SessionKind(StrEnum):
    """The purpose of a session."""

    SETUP = "setup"
    NECK = "neck"
    STRETCH = "stretch"

    @property
    def command(self) -> str:
        """The command that makes such sessions."""
        return "session" if self is SessionKind.SETUP else self.value

    @property
    def words(self) -> str:
        """What people call one."""
        return _KIND_WORDS[self]


_KIND_WORDS = {
    SessionKind.SETUP: "session",
    SessionKind.NECK: "neck survey",
    SessionKind.STRETCH: "stretching of strings",
}


@dataclass(frozen=True)
class Earlier:
    """What an instrument was, as it was put on record at ``changed_at``, until the next change."""

    changed_at: datetime
    instrument: Instrument


@dataclass(frozen=True)
class InstrumentRecord:
    """An instrument on record. ``id`` is the same on every bench that knows the instrument;
    ``earlier`` is what it was before each change, oldest first."""

    id: str
    instrument: Instrument
    added_at: datetime
    changed_at: datetime
    earlier: tuple[Earlier, ...] = ()

    @property
    def versions(self) -> tuple[Earlier, ...]:
        """What it was before each change and what it is, oldest first."""
        return (*self.earlier, Earlier(self.changed_at, self.instrument))

    def changed(self, instrument: Instrument, at: datetime) -> InstrumentRecord:
        """As it is after a change at ``at``, which remembers what was before."""
        return replace(self, instrument=instrument, changed_at=at, earlier=self.versions)


@dataclass(frozen=True)
class RemovedInstrument:
    """An instrument that was removed and can be put back, with how many sessions."""

    id: str
    name: str
    removed_at: datetime
    sessions: int


@dataclass(frozen=True)
class InstrumentSummary:
    """One line of the list of instruments; rehearsals and surveys are not counted."""

    record: InstrumentRecord
    sessions: int
    last_session_at: datetime | None

    @property
    def instrument(self) -> Instrument:
        """The instrument itself."""
        return self.record.instrument


@dataclass(frozen=True)
class SessionMeta:
    """When, where and with what a session was made.

    Parameters
    ----------
    id : unique over all benches; any beginning of it that fits one session names the session.
    instrument_id : None where the instrument was not on record.
    finished_at : None while the session runs, or when it was broken off.
    program_version : version of pitchbench that made the readings.
    source : what was listened to, in words: the device, the recording, the rehearsal.
    rehearsal : True for a virtual instrument; rehearsals stay out of histories.
    parameters : settings of the analysis, so that the readings can be computed again, and the
        "player" where one was named.
    audio : the FLAC file with the sound, if it was kept.
    kind : whether the intonation was set, the neck surveyed or strings were stretched.
    """

    id: str
    instrument_id: str | None
    started_at: datetime
    finished_at: datetime | None
    program_version: str
    source: str = ""
    rehearsal: bool = False
    parameters: Mapping[str, Parameter] = field(default_factory=dict)
    audio: Path | None = None
    kind: SessionKind = SessionKind.SETUP

    @property
    def day(self) -> date:
        """The day on which it began, as people here count them."""
        return self.started_at.astimezone().date()

    @property
    def player(self) -> str | None:
        """Who played, if it was said."""
        player = self.parameters.get("player")
        return None if player is None else str(player)

    @property
    def short_id(self) -> str:
        """The part of the id that people read and type: "20260314-a3f91c"."""
        return self.id[:SHORT_ID_LENGTH]


@dataclass(frozen=True)
class SessionRecord:
    """One session: what it started from, all that happened in order, and when and where."""

    setup: Setup
    entries: tuple[Entry, ...]
    meta: SessionMeta

    @cached_property
    def log(self) -> Log:
        """The session as its entries tell it, which takes longer than to read them."""
        return read_log(self.setup, self.entries)

    def called_as(self, now: Instrument) -> SessionRecord:
        """The session with the name and the owner that its instrument has ``now``: they say which
        one it is, while all else says how it was."""
        then = self.setup.instrument
        renamed = replace(then, name=now.name, owner_mark=now.owner_mark)
        return replace(self, setup=replace(self.setup, instrument=renamed))


def checked_text(text: str, *, may_be_empty: bool = False) -> str:
    """``text`` without the blanks around it, if every store can keep it.

    What it may do to a terminal or a page is seen to where it is shown.

    Raises
    ------
    PitchbenchError
        If it is empty, very long, or holds what no database keeps (NUL, halves of characters).
    """
    text = text.strip()
    if not (text or may_be_empty):
        raise PitchbenchError("That text is empty.", "Write a name or a note.")
    keepable = "\0" not in text and not any("\ud800" <= c <= "\udfff" for c in text)
    if not keepable or len(text) > _LONGEST_TEXT:
        raise PitchbenchError(
            "That text cannot be kept.",
            f"Write a name or a note of at most {_LONGEST_TEXT} ordinary characters.",
        )
    return text
