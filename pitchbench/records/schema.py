"""The tables. What is searched has a column; the rest of a record is one JSON document.

A session is a log: ``entries`` only grows, a row is never changed. The frames of a take, by far
the larger part, lie apart in ``traces`` so that histories and sheets need not read them.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    Boolean,
    Column,
    Dialect,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
)


class UtcTime(TypeDecorator[datetime]):
    """An aware time, kept as ISO 8601 text in UTC: sorts as text, the same in every database."""

    impl = String(32)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:  # noqa: ARG002
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a time on record needs its time zone")
        return value.astimezone(UTC).isoformat(timespec="microseconds")

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        return None if value is None else datetime.fromisoformat(value)


metadata = MetaData()

schema_version = Table(
    "schema_version",
    metadata,
    Column("version", Integer, nullable=False),
    Column("program_version", Text, nullable=False),
)

instruments = Table(
    "instruments",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("name", Text, nullable=False, unique=True),
    Column("document", Text, nullable=False),
    Column("added_at", UtcTime, nullable=False),
    Column("changed_at", UtcTime, nullable=False),
    # Form 4: what it was before each change, oldest first.
    Column("earlier", Text, nullable=False, server_default="[]"),
)

sessions = Table(
    "sessions",
    metadata,
    Column("id", String(41), primary_key=True),
    Column("instrument_id", ForeignKey("instruments.id", ondelete="CASCADE")),
    Column("instrument_name", Text, nullable=False),
    Column("setup", Text, nullable=False),
    Column("started_at", UtcTime, nullable=False),
    Column("finished_at", UtcTime),
    Column("program_version", Text, nullable=False),
    Column("source", Text, nullable=False),
    Column("rehearsal", Boolean, nullable=False),
    Column("parameters", Text, nullable=False),
    Column("audio", Text),
    # Form 2; before it there was only one kind.
    Column("kind", String(16), nullable=False, server_default="setup"),
    # Form 4: when a bench last told that it has it in hand; null once it let go.
    Column("held_at", UtcTime),
    Index("ix_sessions_instrument", "instrument_id", "started_at"),
    Index("ix_sessions_name", "instrument_name", "started_at"),
    Index("ix_sessions_started", "started_at"),
)

entries = Table(
    "entries",
    metadata,
    Column("session_id", ForeignKey("sessions.id", ondelete="CASCADE"), primary_key=True),
    Column("sequence", Integer, primary_key=True, autoincrement=False),
    Column("kind", String(16), nullable=False),
    Column("document", Text, nullable=False),
)

#: ``frames`` is zlib over little-endian float64: all times, then all pitches, then all levels.
traces = Table(
    "traces",
    metadata,
    Column("session_id", ForeignKey("sessions.id", ondelete="CASCADE"), primary_key=True),
    Column("sequence", Integer, primary_key=True, autoincrement=False),
    Column("frames", LargeBinary, nullable=False),
)

#: Form 4: instruments that were removed, until they are put back. ``sessions`` is zlib over JSON:
#: the list of their sessions, each as in an export, and where its sound lies.
removed = Table(
    "removed",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("name", Text, nullable=False),
    Column("removed_at", UtcTime, nullable=False),
    Column("instrument", Text, nullable=False),
    Column("session_count", Integer, nullable=False),
    Column("sessions", LargeBinary, nullable=False),
)
