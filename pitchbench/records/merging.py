"""Taking in what comes from elsewhere, and what was removed.

All of it works on rows, within a transaction that whoever calls has begun.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, delete, insert, select, update

from pitchbench.errors import RecordsError
from pitchbench.records.documents import from_json, kept_session, session_document, to_json
from pitchbench.records.model import Earlier, InstrumentRecord, RemovedInstrument, SessionRecord
from pitchbench.records.rows import (
    entry_document,
    insert_entry,
    instrument_record,
    instrument_row,
    session_row,
    whole_session,
)
from pitchbench.records.schema import entries, instruments, removed, sessions
from pitchbench.session.log import Entry


@dataclass(frozen=True)
class TakenIn:
    """How many were taken in, of how many there were."""

    instruments: int
    of_instruments: int
    sessions: int
    of_sessions: int


def take_in(
    connection: Connection,
    new_instruments: Iterable[InstrumentRecord],
    new_sessions: Iterable[SessionRecord],
) -> TakenIn:
    """Add what is not there yet, one after another, so that they need not all be in memory."""
    counts = {True: 0, False: 0}, {True: 0, False: 0}
    for instrument in new_instruments:
        counts[0][add_instrument(connection, instrument)] += 1
    for session in new_sessions:
        counts[1][add_session(connection, session)] += 1
    (here, all_), (sessions_here, all_sessions) = ((c[True], sum(c.values())) for c in counts)
    return TakenIn(here, all_, sessions_here, all_sessions)


def add_session(connection: Connection, record: SessionRecord) -> bool:
    """Add a session from elsewhere, or what it has gained since; False if nothing is new.

    Raises
    ------
    RecordsError
        If it was gone on with here and elsewhere: two logs that differ make no third one.
    """
    setup, log, meta = record.setup, record.entries, record.meta
    query = select(sessions.c.finished_at).where(sessions.c.id == meta.id)
    here = connection.execute(query).first()
    if here is None:
        its = select(instruments.c.id).where(instruments.c.id == meta.instrument_id)
        meta = replace(meta, instrument_id=connection.execute(its).scalar())
        connection.execute(insert(sessions).values(**session_row(setup, meta)))
    known = _known_of(connection, record)
    for sequence, entry in enumerate(log[known:], start=known):
        insert_entry(connection, meta.id, sequence, entry)
    finished = here is not None and _ended_later(meta.finished_at, here.finished_at)
    if finished:
        connection.execute(
            update(sessions)
            .where(sessions.c.id == meta.id)
            .values(finished_at=meta.finished_at, held_at=None)
        )
    return here is None or len(log) > known or finished


def _ended_later(there: datetime | None, here: datetime | None) -> bool:
    return there is not None and (here is None or there > here)


def _known_of(connection: Connection, record: SessionRecord) -> int:
    """How many entries of the session are here; those that both have are the same."""
    query = select(entries.c.document).where(entries.c.session_id == record.meta.id)
    documents = connection.execute(query.order_by(entries.c.sequence)).scalars().all()
    for sequence, (document, entry) in enumerate(zip(documents, record.entries, strict=False)):
        theirs = entry_document(entry)
        # A row of an older form may be written otherwise and say the same.
        if document != theirs and entry_document(from_json(document, Entry)) != theirs:
            raise RecordsError(
                f"Session {record.meta.short_id} was gone on with here and elsewhere: entry "
                f"{sequence} is not the same.",
                "Nothing was changed. To see both, take the other one into a store of its own: "
                "`pitchbench import FILE --store NEW`.",
            )
    return len(documents)


def add_instrument(connection: Connection, record: InstrumentRecord) -> bool:
    """Add an instrument from elsewhere, or what is new of it; False if nothing is.

    The later change of the two wins, and what either bench had before stays known. A name that
    another instrument has here gets a number.
    """
    row = connection.execute(select(instruments).where(instruments.c.id == record.id)).first()
    here = None if row is None else instrument_record(row)
    if here is not None:
        record = _of_both(here, record)
        if record == here:
            return False
    taken = set(
        connection.execute(
            select(instruments.c.name).where(instruments.c.id != record.id)
        ).scalars()
    )
    name, number = record.instrument.name, 2
    while name in taken:
        name, number = f"{record.instrument.name} ({number})", number + 1
    values = instrument_row(replace(record, instrument=replace(record.instrument, name=name)))
    if here is None:
        connection.execute(insert(instruments).values(**values))
    else:
        connection.execute(
            update(instruments).where(instruments.c.id == record.id).values(**values)
        )
    return True


def _of_both(here: InstrumentRecord, there: InstrumentRecord) -> InstrumentRecord:
    """One instrument as two benches know it: as it was changed last, and all that it was before;
    the same on both."""
    last = max(here, there, key=lambda record: _said_by(record.versions[-1]))
    other = there if last is here else here
    known = {_said_by(each) for each in last.versions}
    new = [each for each in other.versions if _said_by(each) not in known]
    if not new:
        return last
    return replace(
        last, earlier=tuple(sorted((*last.earlier, *new), key=lambda each: each.changed_at))
    )


def _said_by(version: Earlier) -> tuple[datetime, str]:
    """What tells a version from others: not its name, which may have got a number on one bench."""
    return version.changed_at, to_json(replace(version.instrument, name=""))


# -- removed and put back ----------------------------------------------------------------------


def put_away(
    connection: Connection, record: InstrumentRecord, its: ColumnElement[bool], at: datetime
) -> None:
    """Take an instrument and ``its`` sessions off the record into one row that can be put back.

    One that was removed before, and came again from elsewhere, is one with what is there already.
    """
    there = select(removed.c.id).where(removed.c.id == record.id)
    if connection.execute(there).first() is not None:
        put_back(connection, record.id)
        row = connection.execute(select(instruments).where(instruments.c.id == record.id)).one()
        record = instrument_record(row)
    rows = connection.execute(select(sessions).where(its).order_by(sessions.c.started_at)).all()
    kept = [session_document(whole_session(connection, row)) for row in rows]
    connection.execute(
        insert(removed).values(
            id=record.id,
            name=record.instrument.name,
            removed_at=at,
            instrument=to_json(record),
            session_count=len(kept),
            sessions=zlib.compress(json.dumps(kept, separators=(",", ":")).encode()),
        )
    )
    delete_instrument(connection, record, its)


def delete_instrument(
    connection: Connection, record: InstrumentRecord, its: ColumnElement[bool]
) -> None:
    """Delete an instrument and ``its`` sessions, those as well that go by its name alone."""
    connection.execute(delete(sessions).where(its))
    connection.execute(delete(instruments).where(instruments.c.id == record.id))


def put_back(connection: Connection, removed_id: str) -> str:
    """Put a removed instrument back with its sessions; the name that it has now."""
    row = connection.execute(select(removed).where(removed.c.id == removed_id)).one()
    add_instrument(connection, from_json(row.instrument, InstrumentRecord))
    for document in json.loads(zlib.decompress(row.sessions)):
        add_session(connection, kept_session(document))
    connection.execute(delete(removed).where(removed.c.id == removed_id))
    return str(
        connection.execute(
            select(instruments.c.name).where(instruments.c.id == removed_id)
        ).scalar_one()
    )


def removed_instrument(row: Any) -> RemovedInstrument:
    """A removed instrument as a row of ``removed`` has it."""
    return RemovedInstrument(row.id, row.name, row.removed_at, row.session_count)
