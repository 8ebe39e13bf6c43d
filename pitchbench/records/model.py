"""What the records hand out: one instrument on record, one session as it was kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from pitchbench.instrument import Instrument
from pitchbench.session.state import Entry, Setup

#: Of the 41 characters of a session's id, people see these: the date and six hexadecimal digits.
SHORT_ID_LENGTH = 15


@dataclass(frozen=True)
class InstrumentRecord:
    """An instrument on record. ``id`` is the same on every bench that knows the instrument."""

    id: str
    instrument: Instrument
    added_at: datetime
    changed_at: datetime


@dataclass(frozen=True)
class InstrumentSummary:
    """One line of the list of instruments; rehearsals are not counted."""

    instrument: Instrument
    sessions: int
    last_session_at: datetime | None


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
    parameters : settings of the analysis, so that the readings can be computed again.
    audio : the FLAC file with the sound, if it was kept.
    """

    id: str
    instrument_id: str | None
    started_at: datetime
    finished_at: datetime | None
    program_version: str
    source: str = ""
    rehearsal: bool = False
    parameters: Mapping[str, str | int | float | bool | None] = field(default_factory=dict)
    audio: Path | None = None

    @property
    def short_id(self) -> str:
        """The part of the id that people read and type: "20260314-a3f91c"."""
        return self.id[:SHORT_ID_LENGTH]


class SessionRecord(NamedTuple):
    """One session: what it started from, all that happened in order, and when and where."""

    setup: Setup
    entries: tuple[Entry, ...]
    meta: SessionMeta
