"""Opening a store: SQLite in a file or PostgreSQL on a server, and what is said when it fails.

On SQLite the journal is a write-ahead log and every commit is forced to the disk
(``synchronous=FULL``): after a SIGKILL ``NORMAL`` would do, but it may lose the last commits when
the power fails, and a session commits a few times a minute, so the few milliseconds cost nothing.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, OperationalError

from pitchbench.errors import RecordsError
from pitchbench.records.places import STORE_VARIABLE

#: How long a program waits for another one that writes.
BUSY_S: Final = 30.0

#: How often it is tried whether it is our turn.
_TURN_S: Final = 0.02

#: What SQLite's index of the log takes at least; where there was no room for it, it is shorter.
_INDEX_BYTES: Final = 32_768

#: What SQLite says where there is no room: for what is written, or for that index.
_NO_ROOM: Final = {sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR_SHMSIZE}

#: How long a server that says nothing is waited for, at the least.
_SILENT_S: Final = 5.0


def file_engine(path: Path) -> Engine:
    """An engine on an SQLite file; its folder is made if need be."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordsError(
            f"The folder for the records, {str(path.parent)!r}, cannot be made: {error.strerror}.",
            f"Choose another place with --store FILE or the variable {STORE_VARIABLE}.",
        ) from error
    url = URL.create("sqlite", database=str(path))
    engine = create_engine(url, creator=lambda: open_file(path))

    @event.listens_for(engine, "connect")
    def prepare(connection: sqlite3.Connection, _: object) -> None:
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA foreign_keys=ON")

    @event.listens_for(engine, "checkin")
    def look_anew(connection: sqlite3.Connection | None, record: Any) -> None:
        if isinstance(connection, _Still):
            record.invalidate()

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        # A transaction that starts as a reader cannot wait for its turn to write, this one can.
        options = connection.get_execution_options()
        if options.get("isolation_level") != "AUTOCOMMIT":
            busy_s = options.get("busy_s", BUSY_S)
            connection.exec_driver_sql("PRAGMA busy_timeout = 0")
            _in_turn(connection.exec_driver_sql, "BEGIN IMMEDIATE", busy_s)
            connection.exec_driver_sql(f"PRAGMA busy_timeout = {round(1000 * busy_s)}")

    return engine


class _Still(sqlite3.Connection):
    """To a file that nobody can be writing to: for one reading, since that may change."""


def open_file(path: Path, *, read_only: bool = False) -> sqlite3.Connection:
    """A connection to the SQLite file ``path``; to read, even where nothing can be written.

    To read a store SQLite keeps an index beside it, for which there may be no room or no right.
    ``immutable`` reads without that, and without locks: wrongly if anybody writes meanwhile.
    """
    uri = f"{path.as_uri()}?mode=ro"
    place, first = (uri, "schema_version") if read_only else (str(path), "journal_mode=WAL")
    connection = _connected(place, uri=read_only)
    try:
        _in_turn(connection.execute, f"PRAGMA {first}", BUSY_S)
    except sqlite3.OperationalError as error:
        connection.close()
        if not _lies_still(path, error):
            raise
        return _connected(f"{uri}&immutable=1", uri=True, factory=_Still)
    except sqlite3.DatabaseError:
        pass  # it is damaged, or none: that is found by whoever reads
    return connection


def _connected(place: str, **how: Any) -> sqlite3.Connection:
    how |= {"timeout": BUSY_S, "isolation_level": None, "check_same_thread": False}
    connection: sqlite3.Connection = sqlite3.connect(place, **how)
    return connection


def _lies_still(path: Path, error: sqlite3.OperationalError) -> bool:
    """Whether nobody can be writing to the file, which could not be opened in the usual way, and
    all that was written is in it.

    Nobody can begin to where the disk is full, or mounted to be read. Whoever began before has an
    index beside it; what is not in it yet is in a log or a journal.
    """
    for end, least in (("-journal", 1), ("-wal", 1), ("-shm", _INDEX_BYTES)):
        beside = Path(f"{path}{end}")
        if beside.exists() and beside.stat().st_size >= least:
            return False
    if error.sqlite_errorcode in _NO_ROOM:
        return True
    # Where only we may not write somebody else may.
    return (
        hasattr(os, "statvfs") and path.is_file() and bool(os.statvfs(path).f_flag & os.ST_RDONLY)
    )


def file_identity(path: Path) -> tuple[int, int] | None:
    """Which file has this name now; None if none has, or its folder cannot be looked into."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino


def _in_turn(execute: Callable[[str], object], statement: str, busy_s: float) -> None:
    """Wait until no other program writes, and execute what would have to wait for it.

    SQLite's own waiting takes no signal, and does not cover the switch of the journal, for which
    two processes that create one store together must take turns.
    """
    deadline = time.monotonic() + busy_s
    while True:
        try:
            execute(statement)
            return
        except (sqlite3.OperationalError, OperationalError) as error:
            if "locked" not in str(error) or time.monotonic() > deadline:
                raise
            time.sleep(_TURN_S)


def server_engine(text: str) -> Engine:
    """An engine on a PostgreSQL server."""
    try:
        url = make_url(text)
        if url.drivername == "postgresql":
            url = url.set(drivername="postgresql+psycopg")
        if url.drivername != "postgresql+psycopg" or "@" in (url.host or ""):
            raise ArgumentError("not PostgreSQL, or an @ in the password that is not escaped")
    except (ArgumentError, ValueError) as error:
        raise RecordsError(
            "The URL of the store is not one of a PostgreSQL database.",
            "Write postgresql://user@host/database, or the path of a file.",
        ) from error
    # A server that does not answer may not hold up a session.
    asked = {} if "connect_timeout" in url.query else {"connect_timeout": f"{_SILENT_S:.0f}"}
    try:
        engine = create_engine(url, pool_pre_ping=True, connect_args=asked)
        connect = _patient_connection().connect
    except ModuleNotFoundError as error:
        raise RecordsError(
            "The PostgreSQL driver is not installed.",
            "In the folder of pitchbench: .venv/bin/pip install '.[postgresql]'.",
        ) from error

    @event.listens_for(engine, "do_connect")
    def open_patiently(_: object, __: object, words: list[Any], named: dict[str, Any]) -> Any:
        return connect(*words, **named)

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        busy_s = connection.get_execution_options().get("busy_s", BUSY_S)
        raw: Any = connection.connection.dbapi_connection
        raw.patience_s = max(busy_s, _SILENT_S)

    @event.listens_for(engine, "checkin")
    def settle(connection: Any, _: object) -> None:
        if connection is not None:  # whether it still answers is asked before the next beginning
            connection.patience_s = _SILENT_S

    return engine


def _patient_connection() -> Any:
    """A connection that is given up when the server has said nothing for ``patience_s``.

    The system gives up only what is not even received, and after a quarter of an hour; it takes a
    server that is stuck, or the machine before it, for one that thinks.
    """
    import psycopg.waiting  # noqa: PLC0415  # an extra

    class Patient(psycopg.Connection[Any]):
        patience_s = _SILENT_S

        def wait(self, gen: Any, *words: Any, **named: Any) -> Any:
            try:
                return psycopg.waiting.wait(
                    self._limited(gen), self.pgconn.socket, *words, **{"interval": 0.1, **named}
                )
            except KeyboardInterrupt:
                # It would ask the server to leave off, and wait for its answer.
                self.pgconn.finish()
                raise

        def _limited(self, waiting: Any) -> Any:
            """What ``waiting`` yields and returns; it is looked at several times a second."""
            silent_since = time.monotonic()
            try:
                wanted = next(waiting)
                while True:
                    ready = yield wanted
                    if ready:
                        silent_since = time.monotonic()
                    elif time.monotonic() - silent_since > self.patience_s:
                        self.pgconn.finish()
                        raise psycopg.OperationalError("the server does not answer any more")
                    wanted = waiting.send(ready)
            except StopIteration as end:
                return end.value

    return Patient


def _without_secrets(url: URL) -> str:
    """``url`` as it may be shown; a password may stand in either of two places."""
    shown = url.difference_update_query(["password", "sslpassword"])
    return shown.render_as_string(hide_password=True)


@contextmanager
def in_words(engine: Engine) -> Iterator[None]:
    """Database trouble as two sentences; the store is named without its password."""
    try:
        yield
    except UnicodeEncodeError as error:  # a file name, or a word typed, that is no UTF-8
        raise RecordsError(
            f"{error.object!r} holds characters that cannot be kept.",
            "Use a name of ordinary characters.",
        ) from error
    except DBAPIError as error:
        url = engine.url
        is_file = url.get_backend_name() == "sqlite"
        place = str(url.database) if is_file else _without_secrets(url)
        reason = " ".join(str(error.orig).split())
        code = getattr(error.orig, "sqlite_errorcode", 0)
        if code in _NO_ROOM or code & 0xFF == sqlite3.SQLITE_READONLY:  # of which there are kinds
            reason = "nothing can be written there, the disk is full or write-protected"
        remedy = (
            "See that the disk has room and the folder may be written, or choose another place "
            "with --store; what was recorded before is safe."
            if is_file
            else "See that the server runs and lets you in, or choose a file with --store; what "
            "was recorded before is safe."
        )
        if "malformed" in reason:
            remedy = (
                "The file is damaged. `pitchbench records check --save FILE` saves what can still "
                "be read; `pitchbench records restore` brings a backup back."
            )
        if "not a database" in reason:
            remedy = "Choose another file with --store FILE; this one was left as it is."
        raise RecordsError(f"The records in {place!r} cannot be used: {reason}.", remedy) from error
