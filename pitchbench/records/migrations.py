"""Bringing a store to the present version: numbered steps, in one transaction, after a copy.

A new store is made from schema.py at once. An older one takes every step above its own version;
a test holds that both ways end in the same tables. A newer one is refused.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from contextlib import closing
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, Engine, delete, insert, inspect, select, text

from pitchbench import __version__
from pitchbench.errors import RecordsError
from pitchbench.records.files import copy_sqlite, whole_file
from pitchbench.records.places import SCHEMA_VERSION
from pitchbench.records.schema import metadata, removed, schema_version

Step = Callable[[Connection], None]


def _tell_kinds_apart(connection: Connection) -> None:
    """Form 2: a session may be a survey of the neck; until now all set the intonation."""
    connection.execute(
        text("ALTER TABLE sessions ADD COLUMN kind VARCHAR(16) NOT NULL DEFAULT 'setup'")
    )


def _leave_rows_alone(_: Connection) -> None:
    """Form 3: the tables are the same, but offsets, moves and entries are written in the form of
    export/2. Rows written before stay as they are, since a log is never changed and
    records/older.py reads them; the number keeps older programs, which cannot read the new rows,
    away from them."""


def _keep_what_was(connection: Connection) -> None:
    """Form 4: an instrument remembers what it was, one that is removed can be put back, and a
    session says whether a bench has it in hand. Its documents may hold a scale, a nut and a
    tolerance for each string: a program that passes them over would move saddles wrongly."""
    connection.execute(
        text("ALTER TABLE instruments ADD COLUMN earlier TEXT NOT NULL DEFAULT '[]'")
    )
    connection.execute(text("ALTER TABLE sessions ADD COLUMN held_at VARCHAR(32)"))
    removed.create(connection)


#: Version reached -> the step from the version before.
STEPS: Final[Mapping[int, Step]] = {
    2: _tell_kinds_apart,
    3: _leave_rows_alone,
    4: _keep_what_was,
}

#: An arbitrary number that all benches agree on, so that one of them migrates and the others wait.
_ADVISORY_LOCK: Final = 0x7069746368  # "pitch"

_PATIENCE_S: Final = 3600.0


def bring_up_to_date(
    engine: Engine, steps: Mapping[int, Step] = STEPS, target: int = SCHEMA_VERSION
) -> Path | str | None:
    """Create or migrate the tables behind ``engine``; return where the copy of an old store is.

    Raises
    ------
    RecordsError
        If the store was written by a newer program, or holds something else's tables.
    """
    copy: Path | str | None = None
    # Another bench may be at it, and a copy of a large store may take its time.
    engine = engine.execution_options(busy_s=_PATIENCE_S)
    # To look takes no turn to write, and can be done where nothing can be written.
    with engine.execution_options(isolation_level="AUTOCOMMIT").connect() as connection:
        found = _version(connection)
    if found == target:
        return None
    with engine.begin() as connection:  # SQLite: BEGIN IMMEDIATE, so only one process gets here
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _ADVISORY_LOCK})
        found = _version(connection)  # again: another process may have been quicker
        if found is None:
            metadata.create_all(connection)
            _stamp(connection, target)
        elif found < target:
            if connection.dialect.name == "postgresql":
                copy = _copy_tables(connection, found)
            else:
                copy = _copy_file(Path(engine.url.database or ""), found)
            for version in range(found + 1, target + 1):
                steps[version](connection)
            _stamp(connection, target)
        elif found > target:
            raise RecordsError(
                f"These records were written by a newer pitchbench (form {found}; "
                f"this one, {__version__}, knows form {target}).",
                "Install the newer pitchbench on this bench too.",
            )
    return copy


def _version(connection: Connection) -> int | None:
    """The store's version, None for an empty one."""
    tables = inspect(connection).get_table_names()
    if not tables:
        return None
    version: int | None = None
    if schema_version.name in tables:
        version = connection.execute(select(schema_version.c.version)).scalar()
    if version is None:
        raise RecordsError(
            "This database belongs to something else: it has tables, but none of pitchbench's.",
            "Give pitchbench a file or a database of its own.",
        )
    return version


def _stamp(connection: Connection, version: int) -> None:
    connection.execute(delete(schema_version))
    connection.execute(insert(schema_version).values(version=version, program_version=__version__))


def _copy_file(store: Path, version: int) -> Path:
    """Copy an SQLite store beside itself; our lock on writing leaves reading free.

    It has its name once it is whole. What a program that was killed has left of one is replaced.
    """
    copy = store.with_name(f"{store.name}.form-{version}")
    with whole_file(copy, force=True) as file, closing(sqlite3.connect(store)) as source:
        copy_sqlite(source, Path(file.name), called=copy)
    return copy


def _copy_tables(connection: Connection, version: int) -> str:
    """Copy every table into a schema of its own, inside the transaction that migrates."""
    schema = f"pitchbench_form_{version}"
    tables = inspect(connection).get_table_names()
    connection.execute(text(f'DROP SCHEMA IF EXISTS "{schema}" CASCADE'))
    connection.execute(text(f'CREATE SCHEMA "{schema}"'))
    for table in tables:
        connection.execute(text(f'CREATE TABLE "{schema}"."{table}" AS TABLE "{table}"'))
    return schema
