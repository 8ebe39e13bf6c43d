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
    format_option,
    open_records,
    plain_option,
    show_result,
    store_option,
    tell,
)
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.intonation.bridge import move_words
from pitchbench.notes import Note
from pitchbench.records.history import (
    Trend,
    changes,
    check_reasons,
    misdated_words,
    season_words,
    sessions_to_go_by,
    trends,
)
from pitchbench.records.model import SessionKind, SessionMeta, SessionRecord
from pitchbench.records.repository import Repository
from pitchbench.report.checks import CheckDocument, check_documents, check_rows, check_words
from pitchbench.report.document import NonNegative, fill
from pitchbench.report.neck_words import brief_words
from pitchbench.report.on_record import neck_on_record
from pitchbench.report.sheet import half_words, interval_words
from pitchbench.report.stretch import StretchDocument, stretch_document, stretch_lines
from pitchbench.session.log import Log, Outcome, Setup, StringState
from pitchbench.session.stretch import resume
from pitchbench.session.words import capo_words, left_words, places

EXAMPLES = """\
  pitchbench history                     the latest sessions of all instruments
  pitchbench history "Blue bass"         as found, moves, as left; is a check due?
  pitchbench history "Blue bass" --last 50 --format json
"""

_MOST: Final = 10_000

#: The least that two decimals of a rate show.
_LEAST_HALF: Final = 0.01


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@click.argument("name", required=False, shell_complete=completion.instruments)
@click.option(
    "--last", type=click.IntRange(1, _MOST), default=12, show_default=True, metavar="N",
    help="How many of the latest sessions.",
)  # fmt: skip
@click.option("--rehearsals", is_flag=True, help="Rehearsals too.")
@format_option
@plain_option
@store_option
def command(
    *,
    name: str | None,
    last: int,
    rehearsals: bool,
    output_format: str,
    plain: bool,
    store: str | None,
) -> None:
    """What was found, done and left, and whether a check is due. Without NAME, the latest
    sessions of every instrument, a line each."""
    with open_records(store) as repository:
        if name is None:
            metas = repository.session_lines(last=last, rehearsals=rehearsals)
            none = "No session is on record yet: `pitchbench session`."
            if not metas and repository.session_lines(last=1, rehearsals=True):
                none = "Rehearsals alone are on record: `pitchbench history --rehearsals`."
            _latest(metas, output_format, plain, none)
            return
        sessions = repository.sessions(name, last=last, rehearsals=rehearsals)
        surveys = repository.sessions(name, last=last, rehearsals=rehearsals, kind=SessionKind.NECK)
        stretched = repository.sessions(name, last=1, kind=SessionKind.STRETCH)
        instrument = _present(repository, name, sessions or surveys or stretched)
        reasons = check_reasons(instrument, sessions_to_go_by(repository, instrument))
    show_result(
        output_format,
        plain,
        document=lambda: _document(instrument, reasons, sessions, surveys, stretched),
        lines=lambda: _lines(instrument, reasons, sessions, surveys, stretched),
        page=lambda: _page(instrument, reasons, sessions, surveys, stretched),
    )


def _present(repository: Repository, name: str, sessions: Sequence[SessionRecord]) -> Instrument:
    """The instrument as it is now: on record, else as its last session had it."""
    try:
        return repository.instrument(name).instrument
    except PitchbenchError:
        if not sessions:
            raise
        return sessions[-1].setup.instrument


def _latest(
    metas: Sequence[tuple[str, SessionMeta]], output_format: str, plain: bool, none: str
) -> None:
    rows = [
        (meta.short_id, f"{meta.started_at.astimezone():%Y-%m-%d %H:%M}", name, _what_became(meta))
        for name, meta in metas
    ]
    show_result(
        output_format,
        plain,
        document=lambda: fill(
            SessionsDocument,
            sessions=[fill(NamedSession, meta, instrument=name) for name, meta in metas],
        ),
        lines=lambda: [(session, ", ".join(rest)) for session, *rest in rows],
        page=lambda: _latest_page(rows),
    )
    if not metas and output_format != "json":
        tell(none)


def _what_became(meta: SessionMeta) -> str:
    ending = "finished" if meta.finished_at else "broken off"
    kind = ", rehearsal" if meta.rehearsal else ""
    return f"{ending}{kind}{'' if meta.kind is SessionKind.SETUP else f', {meta.kind.words}'}"


def _latest_page(rows: Sequence[Sequence[str]]) -> None:
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    if rows:
        headings = ("session", "begun", "instrument", "")
        Page().table([Column(heading, right=False) for heading in headings], rows)


def _between(sessions: Sequence[SessionRecord]) -> list[tuple[str, ...]]:
    """For each session what had changed since the one before it."""
    found: list[tuple[str, ...]] = [()] if sessions else []
    for earlier, later in pairwise(sessions):
        season = season_words(earlier.meta.day, later.meta.day)
        changed = changes(earlier.setup.instrument, later.setup.instrument)
        found.append((*changed, *([season] if season else [])))
    return found


def _before_words(record: SessionRecord, changed: Sequence[str]) -> list[str]:
    """What is said of a session before its results."""
    misdated = misdated_words(record)
    said = [] if misdated is None else [f"misdated: {misdated}, so it is left out of the trend"]
    return said + [f"changed before it: {change}" for change in changed]


def _lines(
    instrument: Instrument,
    reasons: Sequence[str],
    sessions: Sequence[SessionRecord],
    surveys: Sequence[SessionRecord],
    stretched: Sequence[SessionRecord],
) -> list[str]:
    lines = [_headline(instrument, sessions)]
    lines.append(f"check due: {'yes' if reasons else 'no, nothing on record speaks for it'}")
    lines += [f"reason: {reason}" for reason in reasons]
    for record, changed in zip(sessions, _between(sessions), strict=True):
        lines.append(_session_words(record))
        lines += [f"  {words}" for words in _before_words(record, changed)]
        lines += [_result_line(record.log, string) for string in record.log.strings]
        lines += [f"  {label}: {words}" for label, words in check_words(check_rows(record))]
    beside = [*_survey_lines(surveys), *_stretched_lines(stretched)]
    lines += [f"{label}: {words}" for label, words in beside]
    return [*lines, *(_trend_line(trend) for trend in trends(sessions))]


def _survey_lines(surveys: Sequence[SessionRecord]) -> list[tuple[str, str]]:
    """What each survey of the neck found, in a line."""
    said = []
    for record in surveys:
        begun = [f"{record.meta.day}", *["broken off"] * (record.meta.finished_at is None)]
        words = ", ".join([*begun, *_capo(record.setup)])
        label = f"neck survey {record.meta.short_id}"
        said.append((label, f"{words}; {_found_words(record)}"))
    return said


def _found_words(record: SessionRecord) -> str:
    result = neck_on_record(record)
    return "too little heard" if result is None else "; ".join(map(brief_words, result.strings))


def _capo(setup: Setup) -> list[str]:
    return [capo_words(setup.instrument)] if setup.instrument.capo else []


def _stretched_lines(stretched: Sequence[SessionRecord]) -> list[tuple[str, str]]:
    """How the strings were last stretched."""
    return [
        (f"stretched {record.meta.day}, {label}", words)
        for record in stretched
        for label, words in stretch_lines(resume(record.setup, record.entries))
    ]


def _headline(instrument: Instrument, sessions: Sequence[SessionRecord]) -> str:
    return f"{instrument.name}: {len(sessions)} session{'s' * (len(sessions) != 1)} shown"


def _session_words(record: SessionRecord) -> str:
    meta, setup = record.meta, record.setup
    ending = "" if meta.finished_at else ", broken off"
    kind = ", rehearsal" if meta.rehearsal else ""
    # What was compared elsewhere is not what other sessions compared.
    where = "" if setup.fret == Setup.fret else f", at {places(setup)}"
    said = f"session {meta.short_id}: {meta.day}{ending}{kind}{where}"
    return ", ".join([said, *_capo(setup)])


def _page(
    instrument: Instrument,
    reasons: Sequence[str],
    sessions: Sequence[SessionRecord],
    surveys: Sequence[SessionRecord],
    stretched: Sequence[SessionRecord],
) -> None:
    """Session by session a table of its strings."""
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    page = Page()
    page.say(_headline(instrument, sessions), strong=True)
    page.say(f"A check is due: {'; '.join(reasons)}." if reasons else "No check is due.")
    columns = [
        Column("string", right=False),
        Column("found"),
        Column("moved", right=False),
        Column("left"),
        Column("", right=False),
    ]
    for record, changed in zip(sessions, _between(sessions), strict=True):
        page.gap()
        page.say(_session_words(record), strong=True)
        for words in _before_words(record, changed):
            page.say(words, hanging=2)
        page.table(columns, [_row(record.log, string) for string in record.log.strings])
        page.labelled(check_words(check_rows(record)))
    page.gap()
    page.say("found and left in cents, + is sharp; ± holds 95 %")
    page.labelled([*_survey_lines(surveys), *_stretched_lines(stretched)])
    for trend in trends(sessions):
        page.say(_trend_line(trend), hanging=2)


def _row(log: Log, string: StringState) -> list[str]:
    return [
        f"{string.number} {log.setup.instrument.string(string.number).note}",
        half_words(string.found),
        ", then ".join(move_words(entry.made) for entry in string.moves),
        half_words(string.now),
        left_words(log, string),
    ]


def _result_line(log: Log, string: StringState) -> str:
    made = ", then ".join(move_words(entry.made) for entry in string.moves)
    moves = f"; moved {made}" if made else ""
    return (
        f"  string {string.number} {log.setup.instrument.string(string.number).note}: "
        f"found {interval_words(string.found)}{moves}; "
        f"left {interval_words(string.now)}; {left_words(log, string)}"
    )


def _trend_line(trend: Trend) -> str:
    half = max(half95(trend.u_cents_per_month), _LEAST_HALF)  # no rate is without a doubt
    return (
        f"trend as the strings age: string {trend.string} {trend.cents_per_month:+.2f} "
        f"± {half:.2f} cents per month over {trend.months:.1f} months"
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

    fret: int
    capo: int
    misdated: str | None
    changed_before: tuple[str, ...]
    strings: tuple[ResultDocument, ...]
    checks: tuple[CheckDocument, ...]


@dataclass(frozen=True)
class SurveyedStringDocument:
    """What a survey of the neck found on one string; ``stands_out`` are frets of the neck."""

    string: int
    note: Note
    nut_cents: float
    nut_u_cents: NonNegative
    saddle_cents: float
    saddle_u_cents: NonNegative
    stands_out: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class PastSurvey(SessionMeta):
    """A survey of the neck; ``strings`` are those of which enough was heard."""

    capo: int
    strings: tuple[SurveyedStringDocument, ...]


@dataclass(frozen=True)
class HistoryDocument:
    """What `pitchbench history NAME --format json` prints."""

    schema: Literal["pitchbench.history/1"]
    instrument: str
    check_due: bool
    reasons: tuple[str, ...]
    sessions: tuple[PastSession, ...]
    surveys: tuple[PastSurvey, ...]
    trends: tuple[Trend, ...]
    stretched: StretchDocument | None


def _document(
    instrument: Instrument,
    reasons: Sequence[str],
    sessions: Sequence[SessionRecord],
    surveys: Sequence[SessionRecord],
    stretched: Sequence[SessionRecord],
) -> HistoryDocument:
    past = [
        fill(
            PastSession,
            record.meta,
            fret=record.setup.fret,
            capo=record.setup.instrument.capo,
            misdated=misdated_words(record),
            changed_before=changed,
            strings=_results(record),
            checks=check_documents(record.log),
        )
        for record, changed in zip(sessions, _between(sessions), strict=True)
    ]
    return fill(
        HistoryDocument,
        instrument=instrument.name,
        check_due=bool(reasons),
        reasons=reasons,
        sessions=past,
        surveys=[_surveyed(record) for record in surveys],
        trends=trends(sessions),
        stretched=next(
            (
                stretch_document(
                    resume(record.setup, record.entries),
                    session=record.meta.id,
                    source=record.meta.source,
                )
                for record in stretched
            ),
            None,
        ),
    )


def _surveyed(record: SessionRecord) -> PastSurvey:
    result = neck_on_record(record)
    strings = [
        fill(
            SurveyedStringDocument,
            each,
            string=each.number,
            nut_cents=each.neck.nut.centre,
            nut_u_cents=each.neck.nut.u,
            saddle_cents=each.neck.saddle.centre,
            saddle_u_cents=each.neck.saddle.u,
            stands_out=each.stands_out,
        )
        for each in (result.strings if result else ())
    ]
    return fill(PastSurvey, record.meta, capo=record.setup.instrument.capo, strings=strings)


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
