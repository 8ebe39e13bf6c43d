"""``pitchbench import``: take in what another store exported, without duplicates."""

# ruff: noqa: N999  # a module is named after its command, and this is the word people look for

from __future__ import annotations

from typing import BinaryIO

import click

from pitchbench.commands.common import ExamplesFirst, store_option
from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.records.repository import Repository
from pitchbench.report.export import read_export

EXAMPLES = """\
  pitchbench import bench.json          everything that is not here yet
  pitchbench export --store old.sqlite | pitchbench import -
"""


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@click.argument("file", type=click.File("rb"))
@store_option
def command(file: BinaryIO, store: str | None) -> None:
    """Take FILE, made by `pitchbench export`, into the store. What is here already stays as it is;
    a session that grew since is completed."""
    try:
        text = file.read().decode("utf-8")
    except UnicodeDecodeError as error:
        raise PitchbenchError(
            "This file cannot be taken in: it is not text.",
            "Give a file made by `pitchbench export`.",
            ExitCode.RECORDS,
        ) from error
    export = read_export(text)
    with Repository.open(store) as repository:
        instruments = sum(map(repository.add_instrument_record, export.instruments))
        sessions = sum(map(repository.add_session, export.sessions))
    click.echo(
        f"Taken in: {instruments} of {len(export.instruments)} instruments, {sessions} of "
        f"{len(export.sessions)} sessions; the others were here already.",
        err=True,
    )
