"""``pitchbench sheet``: one session on a page for the owner, or as a table or document."""

from __future__ import annotations

import os
import tempfile
import webbrowser
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Final

import click

from pitchbench.commands import completion
from pitchbench.commands.common import (
    ExamplesFirst,
    is_plain,
    open_records,
    plain_option,
    printable,
    store_option,
    tell,
    write_line,
)
from pitchbench.commands.defaults import values
from pitchbench.commands.instrument_options import written_day
from pitchbench.errors import PitchbenchError, RecordsError
from pitchbench.records.model import SessionKind, SessionRecord
from pitchbench.records.naming import RenamedError
from pitchbench.records.repository import Repository
from pitchbench.report.export import export_json, html_to_pdf, takes_csv, write_file
from pitchbench.report.sheet import Words, Workshop, sheet_html, sheet_in_words, sheet_lines
from pitchbench.report.stretch import stretched_words

EXAMPLES = """\
  pitchbench sheet last                        the latest session, as text
  pitchbench sheet "Blue bass" --open          its latest session, in the browser
  pitchbench sheet last --out sheet.html       one page to print or to send
  pitchbench sheet 20260314-a3f91c --out sheet.pdf
  pitchbench sheet 20260314 --out plucks.csv   every pluck, for a spreadsheet
"""

_SUFFIXES: Final = (".html", ".csv", ".json", ".pdf")
_SHOWN: Final = (".html", ".pdf")


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@click.argument("session", shell_complete=completion.sessions)
@click.option("--out", type=click.Path(path_type=Path), help="File: .html, .csv, .json or .pdf.")
@click.option("--force", is_flag=True, help="Replace the file if it exists.")
@click.option("--open", "opened", is_flag=True, help="Show the page in the browser.")
@click.option("--remarks", default="", metavar="TEXT", help="What the customer said.")
@click.option("--recommend", default="", metavar="TEXT", help="What you advise.")
@click.option("--next-check", type=written_day, metavar="DATE",
              help="When to check, as 2027-03-31 [another season or old strings].")  # fmt: skip
@plain_option
@store_option
def command(
    *,
    session: str,
    out: Path | None,
    force: bool,
    opened: bool,
    remarks: str,
    recommend: str,
    next_check: date | None,
    plain: bool,
    store: str | None,
) -> None:
    """The setup sheet of SESSION: the beginning of its id, "last", or the name of an instrument,
    whose latest session is meant."""
    suffix = out.suffix.lower() if out else ""
    if out and suffix not in _SUFFIXES:
        raise PitchbenchError(
            f"What {printable(str(out))!r} should hold cannot be told from its name.",
            f"End it in one of: {', '.join(_SUFFIXES)}.",
        )
    if opened and out and suffix not in _SHOWN:
        raise PitchbenchError(
            "A browser shows no such file as a page.", f"End it in one of: {', '.join(_SHOWN)}."
        )
    words = Words(_workshop(), remarks, recommend, next_check)
    with open_records(store) as repository:
        # Frames are many: text and rows do without.
        drawn = opened or suffix in {".html", ".pdf", ".json"}
        record = repository.session(_meant(repository, session), traces_too=drawn)
        if next_check is not None and next_check < record.meta.day:
            raise PitchbenchError(
                f"--next-check {next_check} is before the session, which was on {record.meta.day}.",
                "Give a day after it.",
            )
        shown = _called_now(repository, record)
        if stretch := _latest(repository, shown, SessionKind.STRETCH):
            words = replace(words, stretched=stretched_words(stretch, shown.setup.instrument))
        if out is None and opened:
            # A folder of its own, which nobody else may read.
            out = (
                Path(tempfile.mkdtemp(prefix="pitchbench-")) / f"sheet-{record.meta.short_id}.html"
            )
            suffix = out.suffix
        if out is None:
            _print(shown, _latest(repository, shown, SessionKind.NECK), words, plain=plain)
            return
        if os.path.lexists(out) and not force:  # before the work, not after it
            write_file(out, [], force=False)
        write_file(out, [_content(suffix, repository, record, words)], force=force)
    tell(f"Written: {out}")
    if opened and not webbrowser.open(out.resolve().as_uri()):
        raise PitchbenchError(
            "No browser could be started.", f"Open {printable(str(out))!r} by hand."
        )


def _print(
    record: SessionRecord, survey: SessionRecord | None, words: Words, *, plain: bool
) -> None:
    if is_plain(plain):
        for line in sheet_lines(record, survey, words):
            write_line(line)
        return
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    sheet, page = sheet_in_words(record, survey, words), Page()
    for line in sheet.head:
        page.say(line, strong=True)
    page.gap()
    page.facts(sheet.facts)
    page.gap()
    headings = ("string", "found", "moved", "left", "saddle", "")
    page.table(
        [Column(heading, right=heading in ("found", "left")) for heading in headings],
        [
            (
                f"{row.string} {row.note}{row.wire and f', {row.wire}'}",
                row.found_half,
                ", then ".join(row.moves),
                row.left_half,
                row.saddle,
                row.outcome,
            )
            for row in sheet.rows
        ],
    )
    page.gap()
    page.labelled(sheet.said)
    page.gap()
    for line in sheet.method:
        page.say(line)


def _meant(repository: Repository, words: str) -> str:
    """The id of the session that is named, or of the latest one of the instrument that is."""
    try:
        return repository.find_session(words, kind=SessionKind.SETUP)
    except RecordsError:
        latest: list[SessionRecord] = []
        try:
            latest = repository.sessions(words, last=1, rehearsals=True)
        except RenamedError:
            raise
        except RecordsError:
            pass  # nor an instrument
        if not latest:
            raise
        return latest[0].meta.id


def _content(suffix: str, repository: Repository, record: SessionRecord, words: Words) -> bytes:
    if suffix == ".csv":
        return takes_csv(record).encode()
    if suffix == ".json":
        return "".join(export_json(repository.instruments_of([record]), [record])).encode()
    shown = _called_now(repository, record)
    page = sheet_html(shown, _latest(repository, shown, SessionKind.NECK), words)
    return html_to_pdf(page) if suffix == ".pdf" else page.encode()


def _called_now(repository: Repository, record: SessionRecord) -> SessionRecord:
    """For people: a name that was corrected, and an owner who was entered, after the session."""
    on_record = repository.instruments_of([record])
    return record.called_as(on_record[0].instrument) if on_record else record


def _workshop() -> Workshop:
    """Whose sheet it is, by the settings."""
    given = {key.rpartition(".")[2]: each.value or "" for key, each in values().items()}
    return Workshop(*(given[key] for key in ("name", "address", "technician", "paper")))


def _latest(
    repository: Repository, record: SessionRecord, kind: SessionKind
) -> SessionRecord | None:
    """The latest of this kind, for the sheet of the instrument's latest session."""
    name = record.setup.instrument.name
    latest = repository.sessions(name, last=1)
    if not latest or latest[0].meta.id != record.meta.id:
        return None
    return next(iter(repository.sessions(name, last=1, kind=kind)), None)
