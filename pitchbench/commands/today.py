"""``pitchbench today``: what is in hand, broken off and done, and which checks are due."""

from __future__ import annotations

import shlex
import shutil
import textwrap
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Final, Literal

import click

from pitchbench.commands.common import (
    echo_json,
    format_option,
    is_plain,
    open_records,
    printable,
    store_option,
)
from pitchbench.commands.help_page import ExamplesFirst
from pitchbench.records.history import check_reasons
from pitchbench.records.model import SessionKind, SessionMeta
from pitchbench.records.places import is_url
from pitchbench.report.document import fill

if TYPE_CHECKING:
    from pitchbench.records.repository import Repository

EXAMPLES = """\
  pitchbench today                   the list of the day, of all benches with these records
  pitchbench today --format json
"""

#: A bench that has kept nothing for so long has let go, or was switched off. No source: longer than
#: a string change, shorter than the wait for the next customer.
_IN_HAND: Final = timedelta(minutes=30)

#: How many of an instrument's sessions are looked at, as in a history.
_HISTORY: Final = 12


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
@store_option
def command(output_format: str, store: str | None) -> None:
    """The list of the day: in hand, broken off (and how to go on), done, and the checks that are
    due. Benches that share their records share the list."""
    with open_records(store) as repository:
        document = _today(repository, datetime.now(UTC), _store_words(store))
    if output_format == "json":
        echo_json(document)
        return
    for line in map(printable, _lines(document)):
        click.echo(line if is_plain() else _wrapped(line))
    if not any((document.in_hand, document.broken_off, document.done, document.checks_due)):
        click.echo("Nothing is in hand, broken off, done today or due.", err=True)


def _store_words(store: str | None) -> str:
    """What names the store again; a URL may hold a password, so it is not shown."""
    if store is None:
        return ""
    return f" --store {'URL' if is_url(store) else shlex.quote(store)}"


def _today(repository: Repository, now: datetime, store_words: str) -> TodayDocument:
    midnight = now.astimezone().replace(hour=0, minute=0, second=0, microsecond=0)
    unfinished = repository.work_unfinished()
    in_hand = [each for each in unfinished if each.held_at and now - each.held_at <= _IN_HAND]
    busy = {each.instrument for each in in_hand}
    done = repository.work_finished(since=midnight)
    return TodayDocument(
        "pitchbench.today/1",
        day=midnight.date(),
        in_hand=tuple(_work(repository, each.instrument, each.meta) for each in in_hand),
        broken_off=tuple(
            _work(repository, each.instrument, each.meta, store_words=store_words)
            for each in unfinished
            if each not in in_hand
        ),
        done=tuple(_work(repository, each.instrument, each.meta) for each in done),
        checks_due=tuple(each for each in _due(repository, now) if each.instrument not in busy),
    )


def _work(
    repository: Repository, name: str, meta: SessionMeta, *, store_words: str | None = None
) -> WorkDocument:
    """What is shown of a session, and with ``store_words`` the command that goes on with it."""
    record = repository.session(meta.id, traces_too=False)
    strings = [s for s in record.log.strings if s.number in record.setup.order]
    command = "neck" if meta.kind is SessionKind.NECK else "session"
    go_on = f"pitchbench {command} --resume {meta.short_id}{store_words}"
    return fill(
        WorkDocument,
        meta,
        session=meta.short_id,
        instrument=name,
        strings_done=sum(s.outcome is not None for s in strings),
        strings=len(strings),
        go_on=None if store_words is None else go_on,
    )


def _due(repository: Repository, now: datetime) -> list[DueDocument]:
    found = []
    for summary in repository.instruments():
        name = summary.instrument.name
        # Mostly the last session tells of every string.
        sessions = repository.sessions(name, last=1)
        if sessions and len(sessions[0].setup.order) < len(summary.instrument.strings):
            sessions = repository.sessions(name, last=_HISTORY)
        if reasons := check_reasons(summary.instrument, sessions, today=now.astimezone().date()):
            found.append(DueDocument(name, reasons))
    return found


def _lines(document: TodayDocument) -> list[str]:
    lines = [f"today: {document.day:%Y-%m-%d}"]
    for work in document.in_hand:
        since = f"since {work.started_at.astimezone():%H:%M}"
        lines.append(f"in hand: {work.instrument}, {_what(work)}, {since}")
    for work in document.broken_off:
        lines.append(
            f"broken off: {work.instrument}, {_what(work)}, {work.started_at.astimezone():%Y-%m-%d}"
        )
        lines.append(f"  go on with: {work.go_on}")
    for work in document.done:
        assert work.finished_at is not None
        when = f"{work.finished_at.astimezone():%H:%M}"
        lines.append(f"done: {work.instrument}, {_what(work)}, {when}")
        if work.kind is SessionKind.SETUP:
            lines.append(f"  sheet: pitchbench sheet {work.session}")
    for due in document.checks_due:
        lines.append(f"check due: {due.instrument}")
        lines += [f"  {reason}" for reason in due.reasons]
    return lines


def _wrapped(line: str) -> str:
    """As wide as the terminal, broken between words alone."""
    return textwrap.fill(
        line,
        shutil.get_terminal_size().columns,
        subsequent_indent="    ",
        break_long_words=False,
        break_on_hyphens=False,
    )


def _what(work: WorkDocument) -> str:
    if work.kind is SessionKind.NECK:
        return "neck survey"
    return f"{work.strings_done} of {work.strings} strings done"
