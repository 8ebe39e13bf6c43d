"""Files that are written whole or not at all, whatever ends the program meanwhile."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Final

from pitchbench.errors import PitchbenchError, RecordsError

try:
    import fcntl
except ImportError:  # Windows, which lets nobody remove what somebody else writes
    fcntl = None  # type: ignore[assignment]

#: What is being written has a name that nobody else gives, beside the one that it is to have.
_PART: Final = ".pitchbench-{}.part"
_JOURNAL: Final = "-journal"


@contextlib.contextmanager
def whole_file(path: Path, *, force: bool) -> Iterator[IO[bytes]]:
    """A file to write; it is ``path`` once the block has ended, and nothing is if that raises.

    What programs that were killed have left of theirs in the same folder is removed.

    Raises
    ------
    PitchbenchError
        If ``path`` exists and ``force`` was not given, is something other than a file, or cannot be
        written.
    """
    if os.path.exists(path) and not os.path.isfile(path):  # never raise
        raise PitchbenchError(f"{str(path)!r} is not a file.", "Give the name of a file.")
    if os.path.lexists(path) and not force:
        raise PitchbenchError(
            f"{str(path)!r} exists already.", "Give another name, or --force to replace it."
        )
    try:
        remove_leftovers(path.parent)
        part, file = _new_part(path.parent)
        try:
            with file:
                yield file
                file.flush()
                os.fsync(file.fileno())
                part.replace(path)
            _force_names(path.parent)
        finally:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
    except OSError as error:
        raise RecordsError(
            f"{str(path)!r} cannot be written: {error.strerror}.",
            "Choose another place, or make room.",
        ) from error


def copy_sqlite(source: sqlite3.Connection, target: Path, *, called: Path | None = None) -> None:
    """Copy the database behind ``source``, which others may be writing to, into ``target``, which
    will be ``called`` otherwise once it is whole."""
    try:
        with contextlib.closing(sqlite3.connect(target)) as connection:
            # It has its name only when it is whole, so it needs no journal of its own beside it.
            connection.execute("PRAGMA journal_mode=OFF")
            source.backup(connection)
            connection.execute("PRAGMA journal_mode=DELETE")  # to read it needs no files beside it
    except sqlite3.Error as error:
        no_room = isinstance(error, sqlite3.OperationalError)  # damage is another kind of error
        raise RecordsError(
            f"The records cannot be copied to {str(called or target)!r}: {error}.",
            "Choose another place, or make room."
            if no_room
            else "See whether the file is whole: `pitchbench records check`.",
        ) from error


def remove_leftovers(folder: Path) -> None:
    """Remove what killed programs have left in ``folder``: whoever still writes holds a lock."""
    for part in folder.glob(_PART.format("*")):
        with contextlib.suppress(OSError), part.open("rb") as file:
            if fcntl is not None:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            part.unlink()
    # SQLite may have been ended while it had a journal beside one.
    for journal in folder.glob(f"{_PART.format('*')}{_JOURNAL}"):
        if not Path(str(journal).removesuffix(_JOURNAL)).exists():
            with contextlib.suppress(OSError):
                journal.unlink()


def _new_part(folder: Path) -> tuple[Path, IO[bytes]]:
    """A new file that nobody takes for a leftover."""
    while True:
        part = folder / _PART.format(uuid.uuid4().hex)
        file = part.open("xb")
        if fcntl is not None:
            with contextlib.suppress(OSError):  # some shares know no locks; then nobody gets one
                fcntl.flock(file, fcntl.LOCK_EX)
        if part.exists():  # else it was removed before it had its lock
            return part, file
        file.close()


def _force_names(folder: Path) -> None:
    """Have the disk keep the folder too, where the new name stands."""
    with contextlib.suppress(OSError):  # Windows opens no folders
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
