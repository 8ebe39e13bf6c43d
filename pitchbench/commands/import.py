"""``pitchbench import``: take in what another store exported, without duplicates."""

# ruff: noqa: N999  # a module is named after its command, and this is the word people look for

from __future__ import annotations

import click

from pitchbench.commands.common import ExamplesFirst, store_option
from pitchbench.errors import PitchbenchError, RecordsError
from pitchbench.records.repository import Repository
from pitchbench.report.export import read_export

EXAMPLES = """\
  pitchbench import bench.json          everything that is not here yet
  pitchbench export --store old.sqlite | pitchbench import -
"""


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@click.argument("file", metavar="FILE")
@store_option
def command(file: str, store: str | None) -> None:
    """Take FILE, made by `pitchbench export`, into the store. What is here already stays as it is;
    a session that grew since is completed."""
    export = read_export(_text(file))
    with Repository.open(store) as repository:
        instruments = sum(map(repository.add_instrument_record, export.instruments))
        sessions = sum(map(repository.add_session, export.sessions))
    click.echo(
        f"Taken in: {instruments} of {len(export.instruments)} instruments, {sessions} of "
        f"{len(export.sessions)} sessions; the others were here already.",
        err=True,
    )


def _text(file: str) -> str:
    """What ``file`` holds, "-" being stdin."""
    try:
        with click.open_file(file, "rb") as stream:
            content: bytes = stream.read()
        return content.decode("utf-8")
    except OSError as error:
        raise PitchbenchError(
            f"{file!r} cannot be read: {error.strerror}.", "Check the name."
        ) from error
    except UnicodeDecodeError as error:
        raise RecordsError(
            "This file cannot be taken in: it is not text.",
            "Give a file made by `pitchbench export`.",
        ) from error
