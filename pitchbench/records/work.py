"""The day's work as the store knows it: sessions that are unfinished, and those that are done."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import Connection, Select, and_, or_, select

from pitchbench.records.model import SessionMeta
from pitchbench.records.naming import WITH_NAMES
from pitchbench.records.rows import meta_of
from pitchbench.records.schema import sessions

_WORK: Final = WITH_NAMES.where(~sessions.c.rehearsal)


@dataclass(frozen=True)
class Work:
    """One session: whose it is, its circumstances, and when it was last told that a bench has it in
    hand; None once it was let go."""

    instrument: str
    meta: SessionMeta
    held_at: datetime | None


def unfinished(connection: Connection) -> list[Work]:
    """Sessions that were not finished, latest first; rehearsals apart, and those after which
    another one of the same instrument and kind was finished: they are over with."""
    later = sessions.alias()
    same = or_(
        later.c.instrument_id == sessions.c.instrument_id,
        and_(
            sessions.c.instrument_id.is_(None),
            later.c.instrument_name == sessions.c.instrument_name,
        ),
    )
    over_with = (
        select(later.c.id)
        .where(
            same,
            later.c.kind == sessions.c.kind,
            later.c.started_at > sessions.c.started_at,
            later.c.finished_at.isnot(None),
            ~later.c.rehearsal,
        )
        .exists()
    )
    return _read(connection, _WORK.where(sessions.c.finished_at.is_(None), ~over_with))


def finished(connection: Connection, begin: datetime, end: datetime) -> list[Work]:
    """Sessions that were finished from ``begin`` until before ``end``, latest first; rehearsals
    apart. The clock of another bench may be ahead."""
    return _read(
        connection, _WORK.where(sessions.c.finished_at >= begin, sessions.c.finished_at < end)
    )


def _read(connection: Connection, query: Select[Any]) -> list[Work]:
    return [Work(row.name_now, meta_of(row), row.held_at) for row in connection.execute(query)]
