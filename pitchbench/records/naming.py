"""Which instrument and which session a person's words name, and what is said if they name none."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from typing import Final

from sqlalchemy import ColumnElement, Connection, and_, func, or_, select

from pitchbench.errors import PitchbenchError, RecordsError
from pitchbench.records.model import InstrumentRecord, SessionKind
from pitchbench.records.rows import instrument_record
from pitchbench.records.schema import instruments, sessions

#: The latest session first.
BY_TIME: Final = (sessions.c.started_at.desc(), sessions.c.id.desc())

#: The ids of sessions alone: rows are long, so few are read and none sorted.
LATEST_IDS: Final = select(sessions.c.id).order_by(*BY_TIME)

#: Sessions, the latest first, each with the name that its instrument has now, if it is on record.
WITH_NAMES: Final = (
    select(
        sessions,
        func.coalesce(instruments.c.name, sessions.c.instrument_name).label("name_now"),
    )
    .outerjoin(instruments, instruments.c.id == sessions.c.instrument_id)
    .order_by(*BY_TIME)
)

#: What names the latest session.
_LAST: Final = "last"


class RenamedError(RecordsError):
    """An instrument was asked for by a name that it had before."""


def instrument_called(connection: Connection, name: str) -> InstrumentRecord:
    """The instrument called ``name``; capitals count only where they tell two apart.

    Raises
    ------
    RecordsError
        If there is none; `RenamedError` if one was called so before.
    """
    row = connection.execute(select(instruments).where(instruments.c.name == name)).first()
    if row is None:
        names = connection.execute(select(instruments.c.name)).scalars().all()
        alike = [known for known in names if known.casefold() == name.casefold()]
        if len(alike) != 1:
            # Followed to where it went, a name that no list shows might be taken for another's.
            renamed = None if alike else _renamed(connection, name)
            raise renamed or _no_instrument(name, names)
        row = connection.execute(select(instruments).where(instruments.c.name == alike[0])).one()
    return instrument_record(row)


def refuse_taken_name(connection: Connection, name: str) -> None:
    """Raise `RecordsError` if an instrument has this name."""
    if has_instrument(connection, name):
        raise RecordsError(
            f"There is already an instrument called {name!r}.",
            "Choose another name, or change that one with `pitchbench instrument edit`.",
        )


def has_instrument(connection: Connection, name: str) -> bool:
    """Whether an instrument of exactly this name is on record."""
    query = select(instruments.c.id).where(instruments.c.name == name)
    return connection.execute(query).first() is not None


def sessions_of(record: InstrumentRecord) -> ColumnElement[bool]:
    """Those that belong to the instrument, and those that have its name and no instrument."""
    return or_(
        sessions.c.instrument_id == record.id,
        and_(
            sessions.c.instrument_id.is_(None),
            sessions.c.instrument_name == record.instrument.name,
        ),
    )


def sessions_under(connection: Connection, name: str) -> ColumnElement[bool]:
    """Those of the instrument on record called ``name``, or that bear the name and belong to none
    on record."""
    try:
        return sessions_of(instrument_called(connection, name))
    except PitchbenchError:
        nobodys = or_(
            sessions.c.instrument_id.is_(None),
            sessions.c.instrument_id.not_in(select(instruments.c.id)),
        )
        bear_it = and_(sessions.c.instrument_name == name, nobodys)
        if connection.execute(select(sessions.c.id).where(bear_it).limit(1)).first() is None:
            raise
        return bear_it


def session_meant(connection: Connection, words: str, kind: SessionKind | None) -> str:
    """The id of the session that ``words`` name: the beginning of an id, or "last"; of this kind,
    if it matters."""
    query = LATEST_IDS
    if kind is not None:
        query = query.where(sessions.c.kind == kind)
    if words != _LAST:
        query = query.where(sessions.c.id.startswith(words, autoescape=True))
    found = connection.execute(query.limit(2)).scalars().all()
    if not words or not found:
        raise no_session(words, SessionKind.SETUP if kind is None else kind)
    if len(found) > 1 and words != _LAST:
        raise RecordsError(
            f"More than one session begins with {words!r}.",
            "Give more of the session's id, as `pitchbench history` shows it.",
        )
    return str(found[0])


def no_session(words: str, kind: SessionKind = SessionKind.SETUP) -> PitchbenchError:
    """What is said of a session that is not there."""
    return RecordsError(
        f"There is no {kind.words} {words!r} on record.",
        "See `pitchbench history` for the sessions that there are.",
    )


def _renamed(connection: Connection, name: str) -> PitchbenchError | None:
    """What is said where an instrument was called ``name`` before; None where none was."""
    records = map(instrument_record, connection.execute(select(instruments)))
    now = [
        repr(record.instrument.name)
        for record in records
        if name.casefold() in {was.instrument.name.casefold() for was in record.earlier}
    ]
    if not now:
        return None
    return RenamedError(
        f"There is no instrument {name!r} on record.",
        f"It is called {' or '.join(sorted(now))} now.",
    )


def _no_instrument(name: str, names: Sequence[str]) -> PitchbenchError:
    near = difflib.get_close_matches(name, names, n=1)
    remedy = f"Did you mean {near[0]!r}?" if near else "See `pitchbench instrument list`."
    return RecordsError(f"There is no instrument {name!r} on record.", remedy)
