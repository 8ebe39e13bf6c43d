"""What stretching strings came to, as a document and in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pitchbench.instrument import Instrument
from pitchbench.notes import Note
from pitchbench.records.model import SessionRecord
from pitchbench.report.document import Count, Positive, Probability, Thousandths, fill
from pitchbench.session.stretch import Stretch, result_of, result_words, resume, story_of

_Interval = tuple[Thousandths, Thousandths]


@dataclass(frozen=True)
class StretchedString:
    """One string: what is lost counts positive. ``per_pull_cents`` is what the last pull cost;
    ``stretched`` whether that is less than the tolerance with 95 % probability (``p_stretched``).
    Null where too little was heard."""

    string: int
    note: Note
    tolerance_cents: Positive
    pulls: Count
    plucks: Count
    per_pull_cents: Thousandths | None
    per_pull_interval95_cents: _Interval | None
    per_minute_cents: Thousandths | None
    per_minute_interval95_cents: _Interval | None
    lost_cents: Thousandths | None
    p_stretched: Probability | None
    stretched: bool | None


@dataclass(frozen=True)
class StretchDocument:
    """What `pitchbench stretch --format json` prints."""

    schema: Literal["pitchbench.stretch/1"]
    session: str | None
    source: str
    instrument: str
    a4_hz: Positive
    finished: bool
    strings: tuple[StretchedString, ...]


def stretch_document(stretch: Stretch, *, session: str | None, source: str) -> StretchDocument:
    """The whole work; ``session`` is its id on record, None if it was not kept."""
    return fill(
        StretchDocument,
        session=session,
        source=source,
        instrument=stretch.setup.instrument.name,
        a4_hz=stretch.setup.a4_hz,
        finished=stretch.complete,
        strings=[_string(stretch, string) for string in stretch.setup.order],
    )


def _string(stretch: Stretch, string: int) -> StretchedString:
    story, result = story_of(stretch, string), result_of(stretch, string)
    cost = None if result is None else result.per_pull
    by_itself = None if result is None else result.per_minute
    return StretchedString(
        string=string,
        note=stretch.setup.instrument.string(string).note,
        tolerance_cents=stretch.log.strings[string - 1].tolerance_cents,
        pulls=story.pulls,
        plucks=len(story.plucks),
        per_pull_cents=None if cost is None else cost.centre,
        per_pull_interval95_cents=None if cost is None else cost.interval(),
        per_minute_cents=None if by_itself is None else by_itself.centre,
        per_minute_interval95_cents=None if by_itself is None else by_itself.interval(),
        lost_cents=None if result is None else result.lost_cents,
        p_stretched=None if result is None else result.p_stretched,
        stretched=None if result is None else result.stretched,
    )


def stretch_lines(stretch: Stretch) -> list[tuple[str, str]]:
    """Each string as label and words."""
    return [
        (
            f"string {string}, {stretch.setup.instrument.string(string).note}",
            _words(stretch, string),
        )
        for string in stretch.setup.order
    ]


def _words(stretch: Stretch, string: int) -> str:
    result = result_of(stretch, string)
    if result is None:
        return "not measured"
    return f"{'stretched' if result.stretched else 'not stretched yet'}: {result_words(result)}"


def stretched_words(record: SessionRecord, instrument: Instrument) -> str:
    """ "5 of 6 on 2026-03-14 (not 3)": what is on record of it, in short; empty where no string was
    heard often enough, or where ``instrument`` has other strings since."""
    fitted = instrument.strings_fitted
    if fitted is not None and fitted > record.meta.day:
        return ""
    stretch = resume(record.setup, record.entries)
    results = {string: result_of(stretch, string) for string in stretch.setup.order}
    heard = {string: result for string, result in results.items() if result is not None}
    if not heard:
        return ""
    left = [string for string in results if string not in heard or not heard[string].stretched]
    without = f" (not {', '.join(map(str, sorted(left)))})" if left else ""
    done = len(results) - len(left)
    return f"{done} of {len(record.setup.instrument.strings)} on {record.meta.day}{without}"
