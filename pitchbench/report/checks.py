"""What was looked at besides the intonation, in words and as documents (docs/session.md)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from pitchbench.records.model import SessionRecord
from pitchbench.session.checks import Check, checked_words, compared, usual_words
from pitchbench.session.log import Log

#: Where the usual ranges are from.
_USUAL: Final = "common practice, from memory, no source"


@dataclass(frozen=True)
class CheckRow:
    """What was looked at besides, before and after, and what is usual; empty where nothing was
    said or nothing is usual."""

    check: str
    before: str
    after: str
    usual: str


@dataclass(frozen=True)
class CheckDocument:
    """What was looked at besides, before and after: a length in mm, or words (a day as 2026-03-14);
    null where it was skipped."""

    check: Check
    before_mm: float | None
    before: str | None
    after_mm: float | None
    after: str | None


def check_rows(record: SessionRecord) -> tuple[CheckRow, ...]:
    """What was looked at besides the intonation; what was skipped is not stated."""
    instrument, day = record.setup.instrument, record.meta.day
    return tuple(
        CheckRow(
            pair.check,
            checked_words(pair.before, day),
            checked_words(pair.after, day),
            usual_words(pair.check, instrument),
        )
        for pair in compared(record.log.checked)
    )


def check_words(rows: Iterable[CheckRow]) -> list[tuple[str, str]]:
    """ "relief", "before 0.30 mm, after 0.20 mm, usual 0.1 to 0.3 mm": label and value of each, and
    where what is usual is from."""
    said = [
        (row.check, [("before", row.before), ("after", row.after), ("usual", row.usual)])
        for row in rows
    ]
    lines = [
        (check, ", ".join(f"{when} {words}" for when, words in parts if words))
        for check, parts in said
    ]
    return [*lines, ("usual", _USUAL)] if any(parts[-1][1] for _, parts in said) else lines


def check_documents(log: Log) -> tuple[CheckDocument, ...]:
    """What was looked at besides the intonation, in the order of the table of checks."""
    return tuple(
        CheckDocument(
            pair.check,
            None if pair.before is None else pair.before.mm,
            (pair.before and pair.before.words) or None,
            None if pair.after is None else pair.after.mm,
            (pair.after and pair.after.words) or None,
        )
        for pair in compared(log.checked)
    )
