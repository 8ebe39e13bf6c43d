"""``pitchbench import``: take in what another store exported, without duplicates."""

# ruff: noqa: N999  # a module is named after its command, and this is the word people look for

from __future__ import annotations

import codecs
import mmap
import sys
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Final

import click

from pitchbench.commands.common import (
    ExamplesFirst,
    counted,
    open_records,
    store_option,
    tell,
)
from pitchbench.errors import PitchbenchError, RecordsError
from pitchbench.records.model import SessionRecord
from pitchbench.report.export import open_export

EXAMPLES = """\
  pitchbench import bench.json          everything that is not here yet
  pitchbench export --store old.sqlite | pitchbench import -
"""

_CHUNK: Final = 1 << 20


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@click.argument("file", metavar="FILE")
@store_option
def command(file: str, store: str | None) -> None:
    """Take FILE, made by `pitchbench export`, into the store. What is here already stays as it is,
    but a session that grew since is completed, and of an instrument that is here already the later
    change wins; what it was before stays known."""
    with _spooled(file) as content, open_records(store, begin=True) as repository:
        instruments, sessions = open_export(content)
        with _shown(sessions) as shown:
            taken = repository.take_in(instruments, shown)
    all_new = taken.instruments + taken.sessions == taken.of_instruments + taken.of_sessions
    tell(
        f"Taken in: {taken.instruments} of {counted(taken.of_instruments, 'instrument')}, "
        f"{taken.sessions} of {counted(taken.of_sessions, 'session')}"
        f"{'' if all_new else '; of the others nothing was new'}."
    )


@contextmanager
def _shown(sessions: Iterable[SessionRecord]) -> Iterator[Iterable[SessionRecord]]:
    """The sessions, counted on the terminal while they are taken in."""
    if not sys.stderr.isatty():
        yield sessions
        return
    with click.progressbar(
        sessions, label="Taking in sessions", show_pos=True, file=sys.stderr
    ) as shown:
        yield shown


@contextmanager
def _spooled(file: str) -> Iterator[mmap.mmap | bytes]:
    """What ``file`` holds, "-" being stdin, in a file of our own: it may be larger than the memory,
    and nobody shortens it meanwhile."""
    check = codecs.getincrementaldecoder("utf-8")()
    with tempfile.TemporaryFile() as spool:
        try:
            with click.open_file(file, "rb") as stream:
                while chunk := stream.read(_CHUNK):
                    check.decode(chunk)
                    spool.write(chunk)
                check.decode(b"", final=True)
            spool.flush()
        except OSError as error:
            raise PitchbenchError(
                f"{file!r} cannot be read: {error.strerror}.", "Check the name."
            ) from error
        except UnicodeDecodeError as error:
            raise RecordsError(
                "This file cannot be taken in: it is not text.",
                "Give a file made by `pitchbench export`.",
            ) from error
        if spool.tell() == 0:
            yield b""
            return
        # What was read from it may still point into it, so it is closed with the last of that.
        yield mmap.mmap(spool.fileno(), 0, access=mmap.ACCESS_READ)
