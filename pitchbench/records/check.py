"""Is a store whole? And what of one that is not can still be read?

To check is to read: nothing is made, migrated or mended, and a damaged store is read as far as it
goes.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import (
    URL,
    Connection,
    Table,
    Text,
    create_engine,
    func,
    inspect,
    literal_column,
    select,
)
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from pitchbench.errors import RecordsError
from pitchbench.instrument import Instrument
from pitchbench.records.documents import from_json, kept_session
from pitchbench.records.engines import in_words, open_file, server_engine
from pitchbench.records.model import Earlier, InstrumentRecord, SessionRecord
from pitchbench.records.places import SCHEMA_VERSION, SHORT_ID_LENGTH, file_of, is_url
from pitchbench.records.rows import frames_of, instrument_record, meta_of, with_trace
from pitchbench.records.schema import (
    entries,
    instruments,
    metadata,
    removed,
    schema_version,
    sessions,
    traces,
)
from pitchbench.session.log import Entry, Setup

#: SQLite names at most so many faults of a damaged file.
_MOST: Final = 20


@dataclass(frozen=True)
class Checked:
    """What was looked at, and what is wrong with it, in words; of an older store the file alone is
    looked at."""

    place: str
    form: int | None
    instruments: int
    sessions: int
    entries: int
    findings: tuple[str, ...]

    @property
    def older(self) -> bool:
        """Whether it is a store of an older form, which opening it migrates."""
        return self.form is not None and self.form < SCHEMA_VERSION


@contextmanager
def reading_only(place: str) -> Iterator[Connection]:
    """A store that is there already, to read and nothing else, whatever its form."""
    if is_url(place):
        engine = server_engine(place)
    else:
        path = file_of(place)
        if not path.is_file():
            raise RecordsError(
                f"There are no records in {str(path)!r}.", "Give the file with --store FILE."
            )
        engine = create_engine(
            URL.create("sqlite", database=str(path)),
            creator=lambda: open_file(path, read_only=True),
        )
    try:
        with in_words(engine), engine.connect() as connection:
            # All of it as it is at one moment.
            snapshot = "SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY"
            connection.exec_driver_sql(snapshot if is_url(place) else "BEGIN")
            yield connection
    finally:
        engine.dispose()


# -- check -------------------------------------------------------------------------------------


def check(place: str) -> Checked:
    """Look at everything in the store at ``place``; nothing is written to it.

    Raises
    ------
    RecordsError
        If it cannot be opened at all.
    """
    with reading_only(place) as connection:
        findings: list[str] = []
        if not is_url(place):
            findings += file_damage(connection)
        form, wrong_tables = _form(connection)
        findings += wrong_tables
        counts = dict.fromkeys(("instruments", "sessions", "entries"), 0)
        if form == SCHEMA_VERSION and not wrong_tables:
            for look in (_instruments, _sessions, _orphans, _removed):
                with _damage_told(findings):
                    findings += look(connection, counts)
    return Checked(place, form, **counts, findings=tuple(findings))


@contextmanager
def _damage_told(
    findings: list[str], words: str = "it cannot be read to its end"
) -> Iterator[None]:
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error) as error:
        reason = getattr(error, "orig", None) or error
        findings.append(f"{words}: {' '.join(str(reason).split())}")


def file_damage(connection: Connection) -> list[str]:
    """What SQLite itself says of pages and indexes."""
    findings: list[str] = []
    with _damage_told(findings, "the file is damaged"):
        said = connection.exec_driver_sql(f"PRAGMA integrity_check({_MOST})").scalars().all()
        findings += [f"the file is damaged: {line}" for line in said if line != "ok"]
    return findings


def _form(connection: Connection) -> tuple[int | None, list[str]]:
    try:
        there = set(inspect(connection).get_table_names())
        form = connection.execute(select(schema_version.c.version)).scalar()
    except (SQLAlchemyError, sqlite3.Error):
        return None, ["it is no store of pitchbench's, or its first pages are damaged"]
    if not isinstance(form, int) or form < 1:  # SQLite keeps any word where a number should be
        return None, ["it does not say of what form it is, so nothing in it was looked at"]
    if form > SCHEMA_VERSION:
        return form, [
            f"it is of form {form}, of a newer pitchbench (install that one; this one knows form "
            f"{SCHEMA_VERSION}): nothing in it was looked at"
        ]
    if form < SCHEMA_VERSION:
        return form, []
    missing = [table.name for table in metadata.sorted_tables if table.name not in there]
    findings = [f"the table {name} is missing" for name in missing]
    for table in metadata.sorted_tables:
        if table.name in there:
            columns = {column["name"] for column in inspect(connection).get_columns(table.name)}
            lacking = [column.name for column in table.columns if column.name not in columns]
            findings += [f"the column {table.name}.{name} is missing" for name in lacking]
    return form, findings


def _instruments(connection: Connection, counts: dict[str, int]) -> list[str]:
    findings = []
    for row in connection.execute(select(instruments)):
        counts["instruments"] += 1
        if trouble := _trouble(from_json, row.document, Instrument):
            findings.append(f"instrument {row.name!r} cannot be read: {trouble}")
        elif trouble := _trouble(from_json, row.earlier, tuple[Earlier, ...]):
            findings.append(f"what instrument {row.name!r} was earlier cannot be read: {trouble}")
    return findings


def _sessions(connection: Connection, counts: dict[str, int]) -> list[str]:
    findings = []
    for row in connection.execute(select(sessions)).all():
        counts["sessions"] += 1
        whose = f"session {row.id[:SHORT_ID_LENGTH]}"
        if trouble := _trouble(_read_session, row):
            findings.append(f"{whose} cannot be read: {trouble}")
        expected = 0
        query = select(entries).where(entries.c.session_id == row.id).order_by(entries.c.sequence)
        for entry in connection.execute(query):
            counts["entries"] += 1
            if entry.sequence != expected:
                findings.append(f"{whose}: entry {expected} is missing")
            expected = entry.sequence + 1
            if trouble := _trouble(_read_entry, entry.document):
                findings.append(f"{whose}: entry {entry.sequence} cannot be read: {trouble}")
        if trouble := _trouble(frames_of, connection, row.id):
            findings.append(f"{whose}: the frames of a take cannot be read: {trouble}")
    return findings


def _read_session(row: Any) -> None:
    from_json(row.setup, Setup)
    meta_of(row)


def _read_entry(document: str) -> Entry:
    json.loads(document, parse_constant=_no_number)
    entry: Entry = from_json(document, Entry)
    return entry


def _no_number(name: str) -> float:
    raise ValueError(f"{name} is no number")


def _orphans(connection: Connection, _: dict[str, int]) -> list[str]:
    """Rows that belong to nothing that is there."""
    findings = []
    owners: list[tuple[Table, Any, Any]] = [
        (sessions, sessions.c.instrument_id, instruments.c.id),
        (entries, entries.c.session_id, sessions.c.id),
        (traces, traces.c.session_id, sessions.c.id),
    ]
    for table, key, owner in owners:
        loose = select(func.count()).select_from(table)
        loose = loose.where(key.isnot(None), ~key.in_(select(owner)))
        if count := connection.execute(loose).scalar_one():
            findings.append(f"{count} rows of {table.name} belong to nothing that is there")
    return findings


def _removed(connection: Connection, _: dict[str, int]) -> list[str]:
    findings = []
    for row in connection.execute(select(removed)):
        if trouble := _trouble(_read_removed, row):
            findings.append(f"removed instrument {row.name!r} cannot be read: {trouble}")
    return findings


def _read_removed(row: Any) -> None:
    from_json(row.instrument, InstrumentRecord)
    for document in json.loads(zlib.decompress(row.sessions)):
        kept_session(document)


def _trouble(read: Callable[..., object], *of: object) -> str | None:
    """Why something cannot be read; None if it can."""
    try:
        read(*of)
    except (SQLAlchemyError, sqlite3.Error):
        raise
    except Exception as error:  # whatever the damage: cattrs groups what it finds
        return type(error).__name__ if isinstance(error, ExceptionGroup) else str(error)[:80]
    return None


# -- what can still be read --------------------------------------------------------------------


def readable(
    connection: Connection,
) -> tuple[list[InstrumentRecord], Iterator[SessionRecord], list[str]]:
    """Whatever of a damaged store can still be read: instruments, and sessions, of one that is
    damaged itself the entries before that; and words on what cannot, which grow as sessions are
    read."""
    lost: list[str] = []
    kept = []
    for identity in _ids(connection, instruments, lost):
        with _loss_told(lost, f"instrument {identity}"):
            query = select(instruments).where(instruments.c.id == identity)
            kept.append(instrument_record(connection.execute(query).one()))
    return kept, _readable_sessions(connection, lost), lost


def _readable_sessions(connection: Connection, lost: list[str]) -> Iterator[SessionRecord]:
    for identity in _ids(connection, sessions, lost):
        whose = f"session {identity[:SHORT_ID_LENGTH]}"
        with _loss_told(lost, whose):
            row = connection.execute(select(sessions).where(sessions.c.id == identity)).one()
            setup, meta = from_json(row.setup, Setup), meta_of(row)
            log, frames = _readable_log(connection, identity, lost)
            whole = (with_trace(entry, frames[n]) if n in frames else entry for n, entry in log)
            yield SessionRecord(setup, tuple(whole), meta)


def _readable_log(
    connection: Connection, identity: str, lost: list[str]
) -> tuple[list[tuple[int, Entry]], dict[int, Any]]:
    whose = f"session {identity[:SHORT_ID_LENGTH]}"
    documents, damaged = _documents(connection, identity)
    log: list[tuple[int, Entry]] = []
    try:
        while len(log) in documents:
            log.append((len(log), _read_entry(documents[len(log)])))
        damaged = damaged or len(documents) > len(log)
    except Exception:  # whatever the damage
        damaged = True
    if damaged:
        lost.append(f"{whose} from entry {len(log)} on")
    frames: dict[int, Any] = {}
    with _loss_told(lost, f"the frames of {whose}"):
        frames = frames_of(connection, identity)
    return log, frames


def _documents(connection: Connection, identity: str) -> tuple[dict[int, str], bool]:
    """The entries of a session by their number, and whether there may be more of them: found by the
    index, and where that is damaged by going through the whole table."""
    found: dict[int, str] = {}
    for key in (entries.c.session_id, literal_column("+session_id", Text)):
        query = select(entries.c.sequence, entries.c.document).where(key == identity)
        try:
            for row in connection.execute(query):
                found[row.sequence] = row.document
        except DBAPIError:
            continue
        return found, False
    return found, True


def _ids(connection: Connection, table: Table, lost: list[str]) -> list[str]:
    """The ids of a table's rows, by its key's index; where that is damaged, by its rows."""
    found: list[str] = []
    for query in (select(table.c.id).order_by(table.c.id), select(table.c.id, table)):
        with suppress(DBAPIError):
            for row in connection.execute(query):
                if row[0] not in found:
                    found.append(row[0])
            return found
    lost.append(f"some {table.name}")
    return found


@contextmanager
def _loss_told(lost: list[str], what: str) -> Iterator[None]:
    try:
        yield
    except Exception:  # whatever the damage
        lost.append(what)
