"""Records as files: JSON to move them between stores, CSV for spreadsheets, PDF for paper."""

from __future__ import annotations

import csv
import io
import json
import math
import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import MAXYEAR, MINYEAR, UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Final, Literal

import msgspec

from pitchbench import __version__
from pitchbench.errors import PitchbenchError, RecordsError, printable
from pitchbench.instrument import Instrument
from pitchbench.pitch.reading import NO_TRACE, Reading, Trace
from pitchbench.records.documents import ENTRY_KINDS, from_document, session_document, to_document
from pitchbench.records.files import whole_file
from pitchbench.records.model import InstrumentRecord, SessionMeta, SessionRecord, checked_text
from pitchbench.refit import SCALE_RANGE_MM
from pitchbench.session.checks import row_of
from pitchbench.session.log import (
    CheckEntry,
    Entry,
    NoteEntry,
    SessionTake,
    Setup,
    TakeEntry,
    ToleranceEntry,
    UndoEntry,
)

if TYPE_CHECKING:
    from mmap import mmap

    Buffer = bytes | mmap

SCHEMA: Final = "pitchbench.export/2"

#: The forms that can be read; what differs is seen to in records/older.py.
_READABLE: Final = ("pitchbench.export/1", SCHEMA)

_SESSION_ID: Final = re.compile(r"\d{8}-[0-9a-f]{32}")
_INSTRUMENT_ID: Final = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True)
class SessionExport:
    """One session: what it started from, all that happened in order, and when and where."""

    meta: SessionMeta
    setup: Setup
    entries: tuple[Entry, ...]


@dataclass(frozen=True)
class ExportDocument:
    """What `pitchbench export` writes."""

    #: By the ``kind`` of an entry, and by the reason that a pluck that settled has not.
    TOLD_BY: ClassVar = {
        **{kind: {"kind": {"const": word}} for kind, word in ENTRY_KINDS.items()},
        Reading: {"reason": {"type": "null"}},
    }

    OR_NULL: ClassVar = (Trace,)

    schema: Literal["pitchbench.export/2"]
    program_version: str
    instruments: tuple[InstrumentRecord, ...]
    sessions: tuple[SessionExport, ...]


# -- JSON ------------------------------------------------------------------------------------


def export_json(
    instruments: Sequence[InstrumentRecord], sessions: Iterable[SessionRecord]
) -> Iterator[str]:
    """One JSON document in pieces, one session at a time, since all of them may be large."""
    head = {
        "schema": SCHEMA,
        "program_version": __version__,
        "instruments": to_document(list(instruments)),
    }
    yield _json(head, "instruments")[:-1] + ', "sessions": ['
    for count, record in enumerate(sessions):
        # Where this machine keeps the sound means nothing to another one.
        moved = replace(record, meta=replace(record.meta, audio=None))
        document = _json(session_document(moved), f"session {record.meta.short_id}")
        yield (",\n" if count else "\n") + document
    yield "\n]}\n"


def _json(document: Any, whose: str) -> str:
    """``document`` as JSON, which knows no NaN: a file that held one could not be read again."""
    try:
        return json.dumps(document, allow_nan=False)
    except ValueError as error:
        raise RecordsError(
            f"What is on record of {whose} holds a number that is none.",
            "Export the other instruments by their names.",
        ) from error


def open_export(content: Buffer) -> tuple[tuple[InstrumentRecord, ...], Iterator[SessionRecord]]:
    """The instruments of an export, and its sessions one after another, each read when it is asked
    for: all of them may be too many for the memory.

    Raises
    ------
    PitchbenchError
        If it is no export, of a newer form, or damaged; for what is wrong in a session, when that
        is asked for.
    """
    try:
        outline = msgspec.json.decode(content, type=dict[str, msgspec.Raw])
        schema = _read_json(outline["schema"])
    except (ValueError, KeyError, RecursionError, msgspec.DecodeError) as error:
        raise _unreadable("it is not JSON, or not one of pitchbench's exports") from error
    if schema not in _READABLE:
        readable = " and ".join(_READABLE)
        raise _unreadable(f"its form is {str(schema)[:60]!r}, and this version reads {readable}")
    with _damage_in_words():
        document = _read_json(outline["instruments"])
        instruments = tuple(from_document(document, tuple[InstrumentRecord, ...]))
        for instrument in instruments:
            _check_instrument_record(instrument)
        sessions = msgspec.json.decode(outline["sessions"], type=list[msgspec.Raw])
    return instruments, map(_read_session, sessions)


def _read_session(raw: msgspec.Raw) -> SessionRecord:
    with _damage_in_words():
        return _session(_read_json(raw))


def _read_json(raw: msgspec.Raw) -> Any:
    return json.loads(bytes(raw), parse_constant=_refuse_constant, parse_float=_finite)


@contextmanager
def _damage_in_words() -> Iterator[None]:
    try:
        yield
    except PitchbenchError:
        raise
    except Exception as error:  # whatever the damage: cattrs groups what it finds
        raise _unreadable("something in it is missing or of the wrong kind") from error


def _check_instrument_record(record: InstrumentRecord) -> None:
    _check(_INSTRUMENT_ID.fullmatch(record.id), "an instrument's id")
    _check_times(record.added_at, record.changed_at, *(each.changed_at for each in record.earlier))
    for instrument in (record.instrument, *(each.instrument for each in record.earlier)):
        _check_instrument(instrument)


def _session(document: Any) -> SessionRecord:
    record = SessionRecord(
        from_document(document["setup"], Setup),
        from_document(document["entries"], tuple[Entry, ...]),
        replace(from_document(document["meta"], SessionMeta), audio=None),
    )
    setup, entries, meta = record.setup, record.entries, record.meta
    _check(_SESSION_ID.fullmatch(meta.id), "a session's id")
    _check_times(meta.started_at, *([meta.finished_at] if meta.finished_at else []))
    checked_text(meta.source, may_be_empty=True)
    _check_instrument(setup.instrument)
    highest = min(map(setup.instrument.highest_fret, range(1, len(setup.instrument.strings) + 1)))
    _check(1 <= setup.fret <= highest, "the fret of a session")
    _check(
        min(setup.a4_hz, setup.tolerance_cents, setup.most_takes) > 0, "what a session started from"
    )
    numbers = [
        entry.take.string if isinstance(entry, TakeEntry) else entry.string
        for entry in entries
        if not isinstance(entry, NoteEntry | ToleranceEntry | UndoEntry | CheckEntry)
    ]
    for checked in (entry.checked for entry in entries if isinstance(entry, CheckEntry)):
        low_mm, high_mm = row_of(checked.check).range_mm
        _check(
            checked.mm is None or low_mm <= checked.mm <= high_mm, "what was measured in a check"
        )
        checked_text(checked.words, may_be_empty=True)
    undone = [(entry.first, n) for n, entry in enumerate(entries) if isinstance(entry, UndoEntry)]
    _check(all(0 <= first <= n for first, n in undone), "where what is taken back begins")
    strings = len(setup.instrument.strings)
    numbers += setup.strings
    _check(len(setup.filed_mm) in (0, strings), "what was filed before a session")
    _check(all(1 <= number <= strings for number in numbers), "the number of a string")
    return record


def _check_instrument(instrument: Instrument) -> None:
    checked_text(instrument.name)
    _check(bool(instrument.strings), "the strings of an instrument")
    low, high = SCALE_RANGE_MM
    scales_mm = (instrument.scale_mm, *instrument.scales_mm)
    _check(all(low <= mm <= high for mm in scales_mm), "the scale of an instrument")
    tolerances = (instrument.tolerance_cents, *instrument.tolerances_cents)
    _check(min(tolerances) > 0, "the tolerance of an instrument")
    named = [number for pair in instrument.courses for number in pair]
    numbers = range(1, len(instrument.strings) + 1)
    _check(len(set(named)) == len(named) and set(named) <= set(numbers), "a course")
    _check(set(instrument.capo_strings) <= set(numbers), "the capo")
    under = [instrument.string(n).nut_fret for n in numbers if instrument.under_capo(n)]
    _check(0 <= instrument.capo <= min(under, default=0), "the capo")
    nuts = [spec.nut_fret for spec in instrument.strings]
    _check(all(0 <= nut < instrument.frets for nut in nuts), "the nut of a string")
    _check(all(spec.diameter_mm > 0 for spec in instrument.strings), "the strings of an instrument")
    setback = len(instrument.setback_mm)
    _check(setback in (0, len(instrument.strings)), "the setback of an instrument")


def _check_times(*times: datetime) -> None:
    _check(all(time.tzinfo is not None for time in times), "a time without its zone")
    for time in times:
        # Days of the first year or the last may be on no calendar here, nor what is due after them.
        _check(MINYEAR < time.astimezone(UTC).year < MAXYEAR, "a time")


def _check(sound: object, what: str) -> None:
    if not sound:
        raise _unreadable(f"{what} in it is wrong")


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is not JSON")


def _finite(digits: str) -> float:
    number = float(digits)
    if not math.isfinite(number):
        raise ValueError(f"{digits} is out of range")
    return number


def _unreadable(why: str) -> PitchbenchError:
    return RecordsError(
        f"This file cannot be taken in: {why}.",
        "Make it with `pitchbench export`; nothing of it was recorded.",
    )


# -- CSV -------------------------------------------------------------------------------------

#: The columns of a CSV export, one row per pluck (docs/files.md).
COLUMNS: Final = (
    "session",
    "started_at",
    "instrument",
    "string",
    "note",
    "take",
    "round",
    "fret",
    "fate",
    "why",
    "onset_s",
    "ring_s",
    "reason",
    "pitch_hz",
    "u_cents",
    "attack_cents",
    "settle_s",
    "tail_s",
    "wander_cents",
    "stiffness_b",
    "snr_db",
)


def takes_csv(record: SessionRecord) -> str:
    """Every pluck of a session, one row each, in the order of play; empty where nothing is known.

    Numbers are written so that they read back as the same double.
    """
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\r\n")
    writer.writeheader()
    takes = [take for string in record.log.strings for take in string.takes]
    for take in sorted(takes, key=lambda take: take.number):
        writer.writerow(_csv_row(record, take))
    return text.getvalue()


def _csv_row(record: SessionRecord, take: SessionTake) -> dict[str, Any]:
    instrument = record.setup.instrument
    reading = to_document(replace(take.reading, trace=NO_TRACE, partials=()))
    return {
        "session": record.meta.id,
        "started_at": record.meta.started_at.isoformat(),
        "instrument": _cell(instrument.name),
        "string": take.string,
        "note": instrument.string(take.string).note.name,
        "take": take.number,
        "round": take.round,
        "fret": take.fret,
        "fate": take.fate.value,
        "why": _cell(take.why),
        **{column: reading[column] for column in COLUMNS if column in reading},
    }


#: How a formula begins for one spreadsheet or another, in their full-width forms too; and the
#: apostrophe, so that the one we add can be told from the writer's own.
_FORMULA_SIGNS: Final = "=+-@'\uff1d\uff0b\uff0d\uff20"


def _cell(text: str) -> str:
    """A text that a spreadsheet would take for a formula gets an apostrophe before it; control
    characters are written out."""
    shown = printable(text)
    return f"'{shown}" if shown.strip()[:1] in tuple(_FORMULA_SIGNS) else shown


# -- files -----------------------------------------------------------------------------------


def write_file(path: Path, pieces: Iterable[bytes], *, force: bool) -> None:
    """Write ``path`` whole or not at all.

    Raises
    ------
    PitchbenchError
        As `whole_file`.
    """
    with whole_file(path, force=force) as file:
        file.writelines(pieces)


#: Names under which the common browsers that can print without a window are installed.
_BROWSERS: Final = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")


def html_to_pdf(page: str) -> bytes:
    """``page`` printed by an installed browser, which knows how to set every script.

    Raises
    ------
    PitchbenchError
        If there is no such browser, or it does not print.
    """
    browser = next((path for name in _BROWSERS if (path := shutil.which(name))), None)
    if browser is None:
        raise PitchbenchError(
            "There is no browser here that could print the page.",
            "Write an .html file instead and print that from any browser.",
        )
    with tempfile.TemporaryDirectory(prefix="pitchbench-") as folder:
        source, target = Path(folder, "sheet.html"), Path(folder, "sheet.pdf")
        source.write_text(page, encoding="utf-8")
        arguments = [
            browser,
            "--headless",
            "--disable-gpu",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            f"--user-data-dir={folder}/profile",
            "--no-pdf-header-footer",
            f"--print-to-pdf={target}",
            # Its sandbox does not work for root, and the page is our own, without scripts.
            *(["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []),
            source.as_uri(),
        ]
        try:
            subprocess.run(arguments, check=True, capture_output=True, timeout=60)
            return target.read_bytes()
        except (OSError, subprocess.SubprocessError) as error:
            raise PitchbenchError(
                f"{browser} did not print the page.",
                "Write an .html file instead and print that from any browser.",
            ) from error
