"""A backup of a store while sessions run, and bringing one back.

A backup is an SQLite store, whichever kind it was taken from: it can be looked into with
``--store`` and brought back into either kind.
"""

from __future__ import annotations

import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Engine, delete, insert, select

from pitchbench.errors import RecordsError
from pitchbench.records.check import Checked, check, file_damage, reading_only
from pitchbench.records.engines import file_engine
from pitchbench.records.files import copy_sqlite, whole_file
from pitchbench.records.migrations import bring_up_to_date
from pitchbench.records.places import is_url
from pitchbench.records.schema import entries, instruments, removed, sessions, traces

#: Rows that are carried at a time.
_ROWS: Final = 200

#: In an order in which a row's own come after it.
_TABLES: Final = (instruments, sessions, entries, traces, removed)


def back_up(place: str, target: Path, *, force: bool) -> None:
    """Write all of the store at ``place``, as it is at one moment, to the SQLite store ``target``.

    Sessions may run meanwhile: SQLite's own backup, or on a server one snapshot, in which later
    changes are not seen.
    """
    with whole_file(target, force=force) as file, reading_only(place) as connection:
        if is_url(place):
            _copy_server(connection, Path(file.name), called=target)
        else:
            _copy_whole(connection, Path(file.name), called=target)
    with reading_only(str(target)) as connection:
        damage = file_damage(connection)
    if damage:
        raise RecordsError(
            f"{str(target)!r} was written, but {damage[0]}.",
            "Look at the records with `pitchbench records check`.",
        )


def bring_back(engine: Engine, backup: Path, *, force: bool) -> None:
    """Put what is in ``backup``, a store in a file, into the present one instead of what is there.

    Raises
    ------
    RecordsError
        If there is something and ``force`` was not given, or the backup is damaged or none.
    """
    checked = check(str(backup))
    _refuse_damaged(backup, checked)
    with tempfile.TemporaryDirectory(prefix="pitchbench-") as folder:
        copy = Path(folder, "backup.sqlite")  # which may be migrated; the backup stays as it is
        with reading_only(str(backup)) as connection:
            _copy_whole(connection, copy)
        old = file_engine(copy)
        try:
            bring_up_to_date(old)
            if checked.older:  # only now can what is in it be looked at
                _refuse_damaged(backup, check(str(copy)))
            with old.connect() as source:
                _replace_all(engine, source, force=force)
        finally:
            old.dispose()


def _refuse_damaged(backup: Path, checked: Checked) -> None:
    if checked.findings:
        raise RecordsError(
            f"{str(backup)!r} cannot be brought back: {checked.findings[0]}.",
            "Save what can be read with `pitchbench records check --store FILE --save OUT`, and "
            "take that in with `pitchbench import`.",
        )


def _copy_whole(source: Connection, target: Path, *, called: Path | None = None) -> None:
    """Copy a store in a file, with what lies in the write-ahead log beside it."""
    raw: Any = source.connection.dbapi_connection
    copy_sqlite(raw, target, called=called)


def _copy_server(source: Connection, target: Path, *, called: Path) -> None:
    with tempfile.TemporaryDirectory(prefix="pitchbench-", dir=target.parent) as folder:
        store = Path(folder, "store.sqlite")
        engine = file_engine(store)
        try:
            bring_up_to_date(engine)
            with engine.begin() as connection:
                _carry(source, connection)
        finally:
            engine.dispose()
        with closing(sqlite3.connect(store)) as made:
            copy_sqlite(made, target, called=called)


def _replace_all(engine: Engine, source: Connection, *, force: bool) -> None:
    with engine.begin() as connection:
        holds = [t for t in _TABLES if connection.execute(select(t).limit(1)).first() is not None]
        if holds and not force:
            raise RecordsError(
                "The present records hold something, which this would replace.",
                "Back them up first, then add --force; `pitchbench import` adds to them instead.",
            )
        for table in reversed(_TABLES):
            connection.execute(delete(table))
        _carry(source, connection)


def _carry(source: Connection, target: Connection) -> None:
    for table in _TABLES:
        rows = source.execution_options(yield_per=_ROWS).execute(select(table)).mappings()
        for some in rows.partitions(_ROWS):
            target.execute(insert(table), [dict(row) for row in some])
