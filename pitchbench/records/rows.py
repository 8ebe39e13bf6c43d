"""Records as rows of the tables, and rows as records; the frames of a take lie apart from it."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from sqlalchemy import Connection, Row, insert, select

from pitchbench.instrument import Instrument
from pitchbench.pitch.reading import NO_TRACE, Trace
from pitchbench.records.documents import ENTRY_KINDS, stored, to_json, told_if_damaged
from pitchbench.records.model import (
    Earlier,
    InstrumentRecord,
    SessionKind,
    SessionMeta,
    SessionRecord,
)
from pitchbench.records.schema import entries, traces
from pitchbench.session.log import (
    AdviceEntry,
    ClearedEntry,
    Entry,
    MoveEntry,
    OtherWayEntry,
    OutcomeEntry,
    Setup,
    StepEntry,
    TakeEntry,
    UndoEntry,
)

#: What reads the session that a row is of.
ReadsSession = Callable[[Connection, Any], SessionRecord]

#: Whatever gives a string its outcome, or takes it away, and moves its saddle
#: (`session.fold.evolve`).
DECIDE_OUTCOMES: Final = (
    AdviceEntry,
    ClearedEntry,
    MoveEntry,
    OtherWayEntry,
    OutcomeEntry,
    StepEntry,
    UndoEntry,
)


def instrument_row(record: InstrumentRecord) -> dict[str, Any]:
    return {
        "id": record.id,
        "name": record.instrument.name,
        "document": to_json(record.instrument),
        "added_at": record.added_at,
        "changed_at": record.changed_at,
        "earlier": to_json(record.earlier),
    }


def instrument_record(row: Row[Any]) -> InstrumentRecord:
    instrument = stored(row.document, Instrument)
    earlier = stored(row.earlier, tuple[Earlier, ...])
    return InstrumentRecord(row.id, instrument, row.added_at, row.changed_at, earlier)


def session_row(setup: Setup, meta: SessionMeta) -> dict[str, Any]:
    return {
        "id": meta.id,
        "instrument_id": meta.instrument_id,
        "instrument_name": setup.instrument.name,
        "setup": to_json(setup),
        "started_at": meta.started_at,
        "finished_at": meta.finished_at,
        "program_version": meta.program_version,
        "source": meta.source,
        "rehearsal": meta.rehearsal,
        "parameters": to_json(dict(meta.parameters)),
        "audio": None if meta.audio is None else str(meta.audio),
        "kind": meta.kind,
    }


def meta_of(row: Row[Any]) -> SessionMeta:
    return SessionMeta(
        id=row.id,
        instrument_id=row.instrument_id,
        started_at=row.started_at,
        finished_at=row.finished_at,
        program_version=row.program_version,
        source=row.source,
        rehearsal=row.rehearsal,
        parameters=stored(row.parameters, dict),
        audio=None if row.audio is None else Path(row.audio),
        kind=SessionKind(row.kind),
    )


def insert_entry(connection: Connection, session_id: str, sequence: int, entry: Entry) -> None:
    """One row in ``entries`` and, for a take with frames, one in ``traces``."""
    key = {"session_id": session_id, "sequence": sequence}
    kind = ENTRY_KINDS[type(entry)]
    if isinstance(entry, TakeEntry) and (trace := entry.take.reading.trace).time_s.size:
        connection.execute(insert(traces).values(**key, frames=_pack(trace)))
    connection.execute(insert(entries).values(**key, kind=kind, document=entry_document(entry)))


def entry_document(entry: Entry) -> str:
    """``entry`` as it is kept, its frames apart."""
    return to_json(with_trace(entry, NO_TRACE), Entry)


def entries_of(
    connection: Connection, session_id: str, kinds: Iterable[type] | None = None
) -> list[Entry]:
    """The entries of a session in order, all or those of some kinds."""
    query = (
        select(entries.c.document)
        .where(entries.c.session_id == session_id)
        .order_by(entries.c.sequence)
    )
    if kinds is not None:
        query = query.where(entries.c.kind.in_([ENTRY_KINDS[kind] for kind in kinds]))
    return [stored(text, Entry) for text in connection.execute(query).scalars()]


def whole_session(connection: Connection, row: Any) -> SessionRecord:
    """The session of ``row`` with the frames of its takes."""
    log = entries_of(connection, row.id)
    frames = frames_of(connection, row.id)
    with_frames = tuple(
        with_trace(entry, frames.get(sequence, NO_TRACE)) for sequence, entry in enumerate(log)
    )
    return SessionRecord(stored(row.setup, Setup), with_frames, meta_of(row))


def without_frames(connection: Connection, row: Any) -> SessionRecord:
    """The session of ``row`` without the frames of its takes."""
    return SessionRecord(
        stored(row.setup, Setup), tuple(entries_of(connection, row.id)), meta_of(row)
    )


def outcomes_alone(connection: Connection, row: Any) -> SessionRecord:
    """The session of ``row`` with no entries but those that decide how its strings were left."""
    log = entries_of(connection, row.id, DECIDE_OUTCOMES)
    if any(isinstance(entry, UndoEntry) for entry in log):
        log = entries_of(connection, row.id)  # it counts them all
    return SessionRecord(stored(row.setup, Setup), tuple(log), meta_of(row))


def frames_of(connection: Connection, session_id: str) -> dict[int, Trace]:
    query = select(traces.c.sequence, traces.c.frames).where(traces.c.session_id == session_id)
    rows = connection.execute(query).all()
    with told_if_damaged():
        return {row.sequence: _unpack(row.frames) for row in rows}


def with_trace(entry: Entry, trace: Trace) -> Entry:
    """``entry`` with these frames in its reading; entries other than takes as they are."""
    if not isinstance(entry, TakeEntry):
        return entry
    reading = replace(entry.take.reading, trace=trace)
    return replace(entry, take=replace(entry.take, reading=reading))


def _pack(trace: Trace) -> bytes:
    stacked = np.stack([trace.time_s, trace.pitch_hz, trace.level_db])
    return zlib.compress(stacked.astype("<f8").tobytes())


def _unpack(frames: bytes) -> Trace:
    time_s, pitch_hz, level_db = np.frombuffer(zlib.decompress(frames), "<f8").reshape(3, -1).copy()
    return Trace(time_s, pitch_hz, level_db)
