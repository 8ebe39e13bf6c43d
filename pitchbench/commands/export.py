"""``pitchbench export``: records as one JSON document that another store can take in."""

from __future__ import annotations

from pathlib import Path

import click

from pitchbench.commands import completion
from pitchbench.commands.common import (
    ExamplesFirst,
    counted,
    open_records,
    store_option,
    tell,
)
from pitchbench.report.export import export_json, write_file

EXAMPLES = """\
  pitchbench export --out bench.json               everything on record
  pitchbench export "Blue bass" --out bass.json    one instrument and its sessions
  pitchbench export > bench.json                   the same to stdout
"""


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@click.argument("names", nargs=-1, shell_complete=completion.instruments)
@click.option("--out", type=click.Path(path_type=Path), help="File; else it goes to stdout.")
@click.option("--force", is_flag=True, help="Replace the file if it exists.")
@store_option
def command(names: tuple[str, ...], out: Path | None, force: bool, store: str | None) -> None:
    """Instruments and sessions, frames included, as JSON (form: docs/files.md)."""
    with open_records(store) as repository:
        if names:
            instruments = [repository.instrument(name) for name in names]
            ids = [each for name in names for each in repository.session_ids(name)]
        else:
            instruments = [summary.record for summary in repository.instruments()]
            ids = repository.session_ids()
        pieces = export_json(instruments, map(repository.session, ids))
        if out is None:
            for piece in pieces:
                click.echo(piece, nl=False)
            return
        write_file(out, (piece.encode() for piece in pieces), force=force)
    counts = f"{counted(len(instruments), 'instrument')}, {counted(len(ids), 'session')}"
    tell(f"Written: {out}, {counts}.")
