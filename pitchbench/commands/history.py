"""``pitchbench history``: the sessions of an instrument and what lies between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import click

from pitchbench.belief import half95
from pitchbench.commands import completion
from pitchbench.commands.common import (
    ExamplesFirst,
    echo_json,
    format_option,
    printable,
    store_option,
)
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.intonation.bridge import move_words
from pitchbench.notes import Note
from pitchbench.records.history import Trend, changes, check_reasons, season_words, trends
from pitchbench.records.model import SessionKind, SessionMeta, SessionRecord
from pitchbench.records.repository import Repository
from pitchbench.report.document import fill
from pitchbench.report.sheet import interval_words
from pitchbench.session.log import Outcome, Setup, StringState

EXAMPLES = """\
  pitchbench history                     the latest sessions of all instruments
  pitchbench history "Blue bass"         as found, moves, as left; is a check due?
  pitchbench history "Blue bass" --last 50 --format json
"""

_MOST: Final = 10_000


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@click.argument("name", required=False, shell_complete=completion.instruments)
@click.option(
    "--last", type=click.IntRange(1, _MOST), default=12, show_default=True, metavar="N",
    help="How many of the latest sessions.",
)  # fmt: skip
@click.option("--rehearsals", is_flag=True, help="Rehearsals too.")
@format_option
@store_option
def command(
    name: str | None, last: int, rehearsals: bool, output_format: str, store: str | None
) -> None:
    """What was found, done and left, and whether a check is due. Without NAME, the latest
    sessions of every instrument, a line each."""
    with Repository.open(store) as repository:
        if name is None:
            _latest(repository, last, rehearsals, output_format)
            return
        sessions = repository.sessions(name, last=last, rehearsals=rehearsals)
        instrument = _present(repository, name, sessions)
    if output_format == "json":
        echo_json(_document(instrument, sessions))
    else:
        for line in _lines(instrument, sessions):
            click.echo(printable(line))


def _present(repository: Repository, name: str, sessions: Sequence[SessionRecord]) -> Instrument:
    """The instrument as it is now: on record, else as its last session had it."""
    try:
        return repository.instrument(name).instrument
    except PitchbenchError:
        if not sessions:
            raise
        return sessions[-1].setup.instrument


def _latest(repository: Repository, last: int, rehearsals: bool, output_format: str) -> None:
    metas = repository.session_lines(last=last, rehearsals=rehearsals)
    if output_format == "json":
        sessions = [fill(NamedSession, meta, instrument=name) for name, meta in metas]
        echo_json(fill(SessionsDocument, sessions=sessions))
        return
    for name, meta in metas:
        ending = "finished" if meta.finished_at else "broken off"
        kind = ", rehearsal" if meta.rehearsal else ""
        kind += ", neck survey" if meta.kind is SessionKind.NECK else ""
        line = f"{meta.short_id}: {meta.started_at:%Y-%m-%d %H:%M} UTC, {name}, {ending}{kind}"
        click.echo(printable(line))
    if not metas:
        click.echo("No session is on record yet: `pitchbench session`.", err=True)


def _between(sessions: Sequence[SessionRecord]) -> list[tuple[str, ...]]:
    """For each session what had changed since the one before it."""
    found: list[tuple[str, ...]] = [()] if sessions else []
    for earlier, later in pairwise(sessions):
        season = season_words(earlier.meta.started_at.date(), later.meta.started_at.date())
        changed = changes(earlier.setup.instrument, later.setup.instrument)
        found.append((*changed, *([season] if season else [])))
    return found


def _lines(instrument: Instrument, sessions: Sequence[SessionRecord]) -> list[str]:
    reasons = check_reasons(instrument, sessions)
    lines = [f"{instrument.name}: {len(sessions)} session{'s' * (len(sessions) != 1)} shown"]
    lines.append(f"check due: {'yes' if reasons else 'no, nothing on record speaks for it'}")
    lines += [f"reason: {reason}" for reason in reasons]
    for record, changed in zip(sessions, _between(sessions), strict=True):
        meta = record.meta
        ending = "" if meta.finished_at else ", broken off"
        kind = ", rehearsal" if meta.rehearsal else ""
        lines.append(f"session {meta.short_id}: {meta.started_at:%Y-%m-%d}{ending}{kind}")
        lines += [f"  changed before it: {change}" for change in changed]
        lines += [_result_line(record.setup, string) for string in record.log.strings]
    return [*lines, *(_trend_line(trend) for trend in trends(sessions))]


def _result_line(setup: Setup, string: StringState) -> str:
    made = ", then ".join(move_words(entry.made) for entry in string.moves)
    moves = f"; moved {made}" if made else ""
    return (
        f"  string {string.number} {setup.instrument.string(string.number).note}: "
        f"found {interval_words(string.found)}{moves}; "
        f"left {interval_words(string.now)}; {string.outcome or 'not finished'}"
    )


def _trend_line(trend: Trend) -> str:
    return (
        f"trend as the strings age: string {trend.string} {trend.cents_per_month:+.2f} "
        f"± {half95(trend.u_cents_per_month):.2f} cents per month over {trend.months:.1f} months"
    )


# -- documents ---------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class NamedSession(SessionMeta):
    """A session, and whose it was."""

    instrument: str


@dataclass(frozen=True)
class SessionsDocument:
    """What `pitchbench history --format json` prints."""

    schema: Literal["pitchbench.sessions/1"]
    sessions: tuple[NamedSession, ...]


@dataclass(frozen=True)
class ResultDocument:
    """One string's part of a session."""

    string: int
    note: Note
    found_cents: float | None
    found_interval95_cents: tuple[float, float] | None
    moves_mm: tuple[float, ...]
    left_cents: float | None
    left_interval95_cents: tuple[float, float] | None
    outcome: Outcome | None


@dataclass(frozen=True, kw_only=True)
class PastSession(SessionMeta):
    """A session, what had changed before it, and what it came to."""

    changed_before: tuple[str, ...]
    strings: tuple[ResultDocument, ...]


@dataclass(frozen=True)
class HistoryDocument:
    """What `pitchbench history NAME --format json` prints."""

    schema: Literal["pitchbench.history/1"]
    instrument: str
    check_due: bool
    reasons: tuple[str, ...]
    sessions: tuple[PastSession, ...]
    trends: tuple[Trend, ...]


def _document(instrument: Instrument, sessions: Sequence[SessionRecord]) -> HistoryDocument:
    reasons = check_reasons(instrument, sessions)
    past = [
        fill(PastSession, record.meta, changed_before=changed, strings=_results(record))
        for record, changed in zip(sessions, _between(sessions), strict=True)
    ]
    return fill(
        HistoryDocument,
        instrument=instrument.name,
        check_due=bool(reasons),
        reasons=reasons,
        sessions=past,
        trends=trends(sessions),
    )


def _results(record: SessionRecord) -> list[ResultDocument]:
    return [
        fill(
            ResultDocument,
            result,
            string=result.number,
            note=record.setup.instrument.string(result.number).note,
            found_cents=result.found and result.found.offset_cents,
            found_interval95_cents=result.found and result.found.interval95_cents,
            moves_mm=[move.made_mm for move in result.moves],
            left_cents=result.now and result.now.offset_cents,
            left_interval95_cents=result.now and result.now.interval95_cents,
        )
        for result in record.log.strings
    ]
