"""A glance at the records for the first page: quick, never waiting, never in the way.

The store proper opens with a database library, which takes longer to load than that page may take,
and it makes, locks or migrates the file. Here the standard library looks into a file that is there
already, and whatever goes wrong is no news. tests/unit/test_records_glance.py holds what it sees
against what the store says.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from pitchbench.records.places import (
    SCHEMA_VERSION,
    SHORT_ID_LENGTH,
    file_of,
    is_there,
    is_url,
    place_of,
)

#: How long another program that writes is waited for.
_PATIENCE_S: Final = 0.2

_NEWER: Final = "SELECT max(version) > ? FROM schema_version"
_LATEST: Final = """
SELECT sessions.id, coalesce(instruments.name, instrument_name), started_at,
finished_at IS NULL, kind FROM sessions LEFT JOIN instruments ON instruments.id = instrument_id
WHERE NOT rehearsal ORDER BY started_at DESC, sessions.id DESC LIMIT ?
"""
#: As many as anybody picks from by hand.
_RECENT: Final = 30
_NAMES: Final = "SELECT name FROM instruments ORDER BY lower(name), name"


@dataclass(frozen=True)
class LastSession:
    """One of the latest sessions on record, rehearsals apart; ``day`` as 2026-03-14, here;
    ``kind`` as on record."""

    short_id: str
    instrument: str
    day: str
    broken_off: bool
    kind: str


@dataclass(frozen=True)
class Glance:
    """What is on record: the instruments' names and the latest sessions, the last one first.

    ``seen`` is false where there are records that cannot be looked into.
    """

    instruments: tuple[str, ...] = ()
    recent: tuple[LastSession, ...] = ()
    seen: bool = True

    @property
    def last(self) -> LastSession | None:
        """The latest session; None where there is none."""
        return self.recent[0] if self.recent else None


def glance(store: str | Path | None = None) -> Glance:
    """What is on record at ``store`` (as for `Repository.open`); nothing where that is not to be
    seen at once, as on a server."""
    place = place_of(store)
    if is_url(place):
        return Glance(seen=False)
    try:
        # A name with "?" or "#" in it is no trouble in a URI that Path makes.
        uri = f"{file_of(place).as_uri()}?mode=ro"
        with closing(sqlite3.connect(uri, uri=True, timeout=_PATIENCE_S)) as connection:
            if connection.execute(_NEWER, (SCHEMA_VERSION,)).fetchone()[0]:
                return Glance(seen=False)  # what every command refuses is not offered
            names = tuple(str(name) for (name,) in connection.execute(_NAMES))
            recent = tuple(map(_session, connection.execute(_LATEST, (_RECENT,))))
    except (sqlite3.Error, OSError, ValueError, RuntimeError, OverflowError):
        return Glance(seen=not is_there(place))
    return Glance(names, recent)


def _session(row: tuple[Any, ...]) -> LastSession:
    session_id, instrument, started_at, broken_off, kind = row
    short_id = str(session_id)[:SHORT_ID_LENGTH]
    day = str(datetime.fromisoformat(started_at).astimezone().date())
    return LastSession(short_id, str(instrument), day, bool(broken_off), str(kind))
