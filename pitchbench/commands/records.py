"""``pitchbench records``: look after the records: are they whole, back them up, bring them back."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import click

from pitchbench.commands.common import (
    counted,
    format_option,
    open_records,
    printable,
    show_result,
    store_option,
    tell,
)
from pitchbench.commands.help_page import GroupWithExamples
from pitchbench.errors import RecordsError
from pitchbench.records.places import is_url, place_of
from pitchbench.report.document import fill

EXAMPLES = """\
  pitchbench records check                       is everything on record whole?
  pitchbench records check --save rescued.json   and save what can be read of it
  pitchbench records backup bench.sqlite         while sessions run
  pitchbench records restore bench.sqlite --force
"""


@dataclass(frozen=True)
class RecordsDocument:
    """What `pitchbench records check --format json` prints."""

    schema: Literal["pitchbench.records/1"]
    place: str
    whole: bool
    form: int | None
    instruments: int
    sessions: int
    entries: int
    findings: tuple[str, ...]
    saved: Path | None


@click.group(cls=GroupWithExamples, examples=EXAMPLES)
def command() -> None:
    """Look after the records: are they whole, back them up, bring a backup back."""


@command.command("check")
@click.option(
    "--save", type=click.Path(path_type=Path), help="Export whatever can be read to this file."
)
@click.option("--force", is_flag=True, help="Replace the file if it exists.")
@format_option
@store_option
def check_(save: Path | None, force: bool, output_format: str, store: str | None) -> None:
    """Read everything on record: is it whole, is every document what it should be, does all belong
    to something? Nothing is written to the records."""
    # The database loads here, because the first screen must not wait for it.
    from pitchbench.records.check import check  # noqa: PLC0415
    from pitchbench.screen.tables import Page  # noqa: PLC0415  # for terminals alone

    place = place_of(store)
    found = check(place)
    if found.older:
        words = f"it is of form {found.form}: open it once with any command to migrate it"
        found = replace(found, findings=(*found.findings, words))
    lost = _save(place, save, force=force) if save is not None else []
    whole = not found.findings
    read = (
        f"{counted(found.instruments, 'instrument')}, {counted(found.sessions, 'session')}, "
        f"{counted(found.entries, 'entry')}"
    )
    lines = [
        ("records", _shown(place)),
        ("read", read),
        *(("finding", finding) for finding in found.findings),
        ("whole", "yes" if whole else "no"),
    ]
    show_result(
        output_format,
        plain=False,
        document=lambda: fill(RecordsDocument, found, place=_shown(place), whole=whole, saved=save),
        lines=lambda: lines,
        page=lambda: Page().facts(lines),
    )
    if save is not None:
        tell(f"Saved what can be read: {save}.")
        for each in lost:
            tell(f"Not readable: {each}.")
    if found.findings:
        raise RecordsError(
            f"The records in {printable(_shown(place))!r} are not whole.",
            "Bring a backup back with `pitchbench records restore`, or save what can be read with "
            "--save FILE and take that into a new store.",
        )


def _shown(place: str) -> str:
    """A URL may hold a password."""
    return "the server's database" if is_url(place) else place


def _save(place: str, file: Path, *, force: bool) -> list[str]:
    """Export what can be read; what cannot, in words."""
    from pitchbench.records.check import readable, reading_only  # noqa: PLC0415
    from pitchbench.report.export import export_json, write_file  # noqa: PLC0415

    with reading_only(place) as connection:
        instruments, sessions, lost = readable(connection)
        pieces = (piece.encode() for piece in export_json(instruments, sessions))
        write_file(file, pieces, force=force)
    return lost


@command.command("backup")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--force", is_flag=True, help="Replace the file if it exists.")
@store_option
def backup(file: Path, force: bool, store: str | None) -> None:
    """Write all records, as they are at this moment, to FILE, a store of its own. Sessions may run
    meanwhile. The sound of sessions lies apart and is not in it."""
    from pitchbench.records.backup import back_up  # noqa: PLC0415

    back_up(place_of(store), file, force=force)
    tell(f"Backed up: {file}. Look into it with --store.")


@command.command("restore")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--force", is_flag=True, help="Replace what is on record now.")
@store_option
def restore(file: Path, force: bool, store: str | None) -> None:
    """Put what FILE, a backup, holds in the place of what is on record, all of it or nothing."""
    with open_records(store, begin=True) as repository:
        repository.bring_back(file, force=force)
    tell(f"On record is what {file} holds.")
