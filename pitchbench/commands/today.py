"""``pitchbench today``: what is in hand, broken off and done, and which checks are due."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Literal

import click

from pitchbench.commands.common import (
    format_option,
    going_on,
    open_records,
    plain_option,
    show_result,
    store_option,
    tell,
)
from pitchbench.commands.help_page import ExamplesFirst
from pitchbench.records.hand import in_hand
from pitchbench.records.history import check_reasons, sessions_to_go_by
from pitchbench.records.model import SessionKind, SessionMeta
from pitchbench.report.document import fill

if TYPE_CHECKING:
    from pitchbench.records.repository import Repository

EXAMPLES = """\
  pitchbench today                   the list of the day, of all benches with these records
  pitchbench today --format json
"""


@dataclass(frozen=True)
class WorkDocument:
    """One session of the day's list; ``go_on`` is the command that goes on with it."""

    session: str
    instrument: str
    kind: SessionKind
    started_at: datetime
    finished_at: datetime | None
    strings_done: int
    strings: int
    go_on: str | None


@dataclass(frozen=True)
class DueDocument:
    """An instrument whose check is due, and why."""

    instrument: str
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class TodayDocument:
    """What `pitchbench today --format json` prints."""

    schema: Literal["pitchbench.today/1"]
    day: date
    in_hand: tuple[WorkDocument, ...]
    broken_off: tuple[WorkDocument, ...]
    done: tuple[WorkDocument, ...]
    checks_due: tuple[DueDocument, ...]


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@format_option
@plain_option
@store_option
def command(output_format: str, plain: bool, store: str | None) -> None:
    """The list of the day: in hand, broken off (and how to go on), done, and the checks that are
    due. Benches that share their records share the list."""
    with open_records(store) as repository:
        document = _today(repository, datetime.now(UTC), store)
    show_result(
        output_format,
        plain,
        document=lambda: document,
        lines=lambda: _lines(document),
        page=lambda: _page(document),
    )
    anything = any((document.in_hand, document.broken_off, document.done, document.checks_due))
    if not anything and output_format != "json":
        tell("Nothing is in hand, broken off, done today or due.")


def _today(repository: Repository, now: datetime, store: str | None) -> TodayDocument:
    day = now.astimezone().date()
    begin, end = (
        datetime.combine(each, time.min).astimezone() for each in (day, day + timedelta(days=1))
    )
    unfinished = repository.work_unfinished()
    held = [each for each in unfinished if in_hand(each.held_at, now)]
    busy = {each.instrument for each in held}
    done = repository.work_finished(begin, end)
    return TodayDocument(
        "pitchbench.today/1",
        day=day,
        in_hand=tuple(_work(repository, each.instrument, each.meta) for each in held),
        broken_off=tuple(
            _work(repository, each.instrument, each.meta, going_on(each.meta, store))
            for each in unfinished
            if each not in held
        ),
        done=tuple(_work(repository, each.instrument, each.meta) for each in done),
        checks_due=tuple(each for each in _due(repository, now) if each.instrument not in busy),
    )


def _work(
    repository: Repository, name: str, meta: SessionMeta, go_on: str | None = None
) -> WorkDocument:
    """What is shown of a session; ``go_on`` is the command that goes on with it."""
    record = repository.session(meta.id, outcomes_only=True)
    strings = [record.log.strings[number - 1] for number in record.log.order]
    return fill(
        WorkDocument,
        meta,
        session=meta.short_id,
        instrument=name,
        strings_done=sum(s.outcome is not None for s in strings),
        strings=len(strings),
        go_on=go_on,
    )


def _due(repository: Repository, now: datetime) -> list[DueDocument]:
    found = []
    for summary in repository.instruments():
        sessions = sessions_to_go_by(repository, summary.instrument)
        if reasons := check_reasons(summary.instrument, sessions, today=now.astimezone().date()):
            found.append(DueDocument(summary.instrument.name, reasons))
    return found


def _lines(document: TodayDocument) -> list[str]:
    lines = [f"today: {document.day:%Y-%m-%d}"]
    for work in document.in_hand:
        since = _clock(work.started_at)
        lines.append(f"in hand: {work.instrument}, {_what(work)}, since {since}")
    for work in document.broken_off:
        lines.append(f"broken off: {work.instrument}, {_what(work)}, {_day(work.started_at)}")
        lines.append(f"  go on with: {work.go_on}")
    for work in document.done:
        lines.append(f"done: {work.instrument}, {_what(work)}, {_clock(work.finished_at)}")
        if sheet := _sheet(work):
            lines.append(f"  sheet: {sheet}")
    for due in document.checks_due:
        lines.append(f"check due: {due.instrument}")
        lines += [f"  {reason}" for reason in due.reasons]
    return lines


def _page(document: TodayDocument) -> None:
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    rows = [
        *(_row("in hand", work, f"since {_clock(work.started_at)}") for work in document.in_hand),
        *(_row("broken off", work, _day(work.started_at)) for work in document.broken_off),
        *(_row("done", work, _clock(work.finished_at)) for work in document.done),
        *(
            ("check due", due.instrument, "", "", "; ".join(due.reasons))
            for due in document.checks_due
        ),
    ]
    page = Page()
    page.say(f"{document.day:%Y-%m-%d}", strong=True)
    if rows:
        headings = ("", "instrument", "", "", "next")
        page.table([Column(heading, right=False) for heading in headings], rows)


def _row(group: str, work: WorkDocument, when: str) -> tuple[str, ...]:
    return group, work.instrument, _what(work), when, work.go_on or _sheet(work)


def _sheet(work: WorkDocument) -> str:
    """The command that prints what came of it, once there is something."""
    done = work.finished_at and work.kind is SessionKind.SETUP
    return f"pitchbench sheet {work.session}" if done else ""


def _day(moment: datetime) -> str:
    return f"{moment.astimezone():%Y-%m-%d}"


def _clock(moment: datetime | None) -> str:
    return f"{moment.astimezone():%H:%M}" if moment else ""


def _what(work: WorkDocument) -> str:
    if work.kind is not SessionKind.SETUP:
        return work.kind.words
    return f"{work.strings_done} of {work.strings} strings done"
