"""The store: every accepted take, struck take, move and verdict, committed the moment it happens.

SQLite in a file by default, PostgreSQL by URL; the same code for both.
"""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any, Final

from sqlalchemy import (
    Connection,
    Engine,
    delete,
    func,
    insert,
    select,
    update,
)

from pitchbench import __version__
from pitchbench.errors import PitchbenchError, RecordsError
from pitchbench.instrument import Instrument
from pitchbench.records import migrations
from pitchbench.records.backup import bring_back
from pitchbench.records.documents import stored
from pitchbench.records.engines import (
    BUSY_S,
    file_engine,
    file_identity,
    in_words,
    server_engine,
)
from pitchbench.records.merging import (
    TakenIn,
    delete_instrument,
    put_away,
    put_back,
    removed_instrument,
    take_in,
)
from pitchbench.records.model import (
    InstrumentRecord,
    InstrumentSummary,
    Parameter,
    RemovedInstrument,
    SessionKind,
    SessionMeta,
    SessionRecord,
)
from pitchbench.records.naming import (
    BY_TIME,
    LATEST_IDS,
    WITH_NAMES,
    has_instrument,
    instrument_called,
    no_session,
    refuse_taken_name,
    session_meant,
    sessions_of,
    sessions_under,
)
from pitchbench.records.places import default_path, file_of, is_url, place_of
from pitchbench.records.rows import (
    ReadsSession,
    entry_document,
    insert_entry,
    instrument_record,
    instrument_row,
    meta_of,
    outcomes_alone,
    session_row,
    whole_session,
    without_frames,
)
from pitchbench.records.schema import entries, instruments, removed, sessions
from pitchbench.records.work import Work, finished, unfinished
from pitchbench.session.log import Entry, Setup

_LATEST: Final = select(sessions).order_by(*BY_TIME)


class Repository:
    """The records of a bench or of a workshop. Open it with ``Repository.open``.

    Every method raises ``PitchbenchError`` (exit code 5) when the store cannot be read or written.
    """

    def __init__(self, engine: Engine, path: Path | None = None) -> None:
        self._engine = engine
        self._path = path
        self._identity = None if path is None else file_identity(path)
        self._reader = engine.execution_options(isolation_level="AUTOCOMMIT")

    @classmethod
    def open(cls, url_or_path: str | Path | None = None) -> Repository:
        """Open the store, creating or migrating it where needed.

        Parameters
        ----------
        url_or_path : a file, or a ``postgresql://`` URL; None for what ``PITCHBENCH_STORE`` says,
            else ``records.sqlite`` in the user's data directory.

        Raises
        ------
        PitchbenchError
            If it cannot be opened, was written by a newer program, or is something else.
        """
        where = place_of(url_or_path)
        path = None
        if is_url(where):
            engine = server_engine(where)
        else:
            path = file_of(where)
            if os.path.isdir(path):
                raise RecordsError(
                    f"{str(path)!r} is a folder, not a file of records.",
                    f"Give a file in it: --store {path / default_path().name}.",
                )
            engine = file_engine(path)
        try:
            with in_words(engine):
                migrations.bring_up_to_date(engine)
        except BaseException:
            engine.dispose()
            raise
        return cls(engine, path)

    def close(self) -> None:
        """Let go of the file or the server."""
        self._engine.dispose()

    def __enter__(self) -> Repository:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- instruments ------------------------------------------------------------------------

    def add_instrument(self, instrument: Instrument, *, at: datetime | None = None) -> str:
        """Put ``instrument`` on record and return its id; its name must be free."""
        added_at = at or datetime.now(UTC)
        record = InstrumentRecord(uuid.uuid4().hex, instrument, added_at, added_at)
        with self._writing() as connection:
            refuse_taken_name(connection, instrument.name)
            connection.execute(insert(instruments).values(**instrument_row(record)))
        return record.id

    def change_instrument(
        self, name: str, instrument: Instrument, *, at: datetime | None = None
    ) -> None:
        """Replace what is on record for ``name``; the new name may differ. Sessions keep theirs."""
        with self._writing() as connection:
            record = instrument_called(connection, name)
            if instrument == record.instrument:
                return
            if instrument.name != record.instrument.name:
                refuse_taken_name(connection, instrument.name)
            changed = record.changed(instrument, at or datetime.now(UTC))
            connection.execute(
                update(instruments)
                .where(instruments.c.id == record.id)
                .values(**instrument_row(changed))
            )

    def remove_instrument(
        self, name: str, *, for_good: bool = False, at: datetime | None = None
    ) -> None:
        """Take the instrument and its sessions off the record, in one transaction; they can be put
        back unless it is ``for_good``."""
        with self._writing() as connection:
            record = instrument_called(connection, name)
            its = sessions_of(record)
            if for_good:
                delete_instrument(connection, record, its)
            else:
                put_away(connection, record, its, at or datetime.now(UTC))

    def removed_instruments(self) -> list[RemovedInstrument]:
        """What can be put back, the latest removed first."""
        query = select(removed).order_by(removed.c.removed_at.desc(), removed.c.id)
        with self._reading() as connection:
            return [removed_instrument(row) for row in connection.execute(query)]

    def restore_instrument(self, removed_id: str) -> str:
        """Put a removed instrument back with its sessions; the name that it has now: a number is
        added where another one took its own."""
        with self._writing() as connection:
            return put_back(connection, removed_id)

    def forget_removed(self, removed_id: str) -> None:
        """Delete a removed instrument and its sessions for good."""
        with self._writing() as connection:
            connection.execute(delete(removed).where(removed.c.id == removed_id))

    def instrument(self, name: str) -> InstrumentRecord:
        """The instrument called ``name``; capitals count only where they tell two apart."""
        with self._reading() as connection:
            return instrument_called(connection, name)

    def has_instrument(self, name: str) -> bool:
        """Whether an instrument of exactly this name is on record."""
        with self._reading() as connection:
            return has_instrument(connection, name)

    def instruments(self) -> list[InstrumentSummary]:
        """Every instrument by name, with its sessions counted."""
        counted = (
            select(
                sessions.c.instrument_id,
                func.count().label("number"),
                func.max(sessions.c.started_at).label("last"),
            )
            .where(~sessions.c.rehearsal, sessions.c.kind == SessionKind.SETUP)
            .group_by(sessions.c.instrument_id)
            .subquery()
        )
        query = (
            select(instruments, counted.c.number, counted.c.last)
            .outerjoin(counted, counted.c.instrument_id == instruments.c.id)
            .order_by(func.lower(instruments.c.name), instruments.c.name)
        )
        with self._reading() as connection:
            rows = connection.execute(query).all()
        return [
            InstrumentSummary(instrument_record(row), row.number or 0, row.last) for row in rows
        ]

    # -- sessions: writing ------------------------------------------------------------------

    def begin_session(
        self,
        setup: Setup,
        *,
        at: datetime,
        source: str = "",
        rehearsal: bool = False,
        parameters: Mapping[str, Parameter] | None = None,
        kind: SessionKind = SessionKind.SETUP,
    ) -> str:
        """Open a session and return its id: the day here, then 32 random hexadecimal digits.

        It belongs to the instrument on record that has the name of ``setup.instrument``, if any.
        """
        name = setup.instrument.name
        with self._writing() as connection:
            instrument_id = connection.execute(
                select(instruments.c.id).where(instruments.c.name == name)
            ).scalar()
            meta = SessionMeta(
                id=f"{at.astimezone():%Y%m%d}-{uuid.uuid4().hex}",
                instrument_id=instrument_id,
                started_at=at,
                finished_at=None,
                program_version=__version__,
                source=source,
                rehearsal=rehearsal,
                parameters=parameters or {},
                kind=kind,
            )
            connection.execute(insert(sessions).values(**session_row(setup, meta), held_at=at))
        return meta.id

    def append(
        self,
        session_id: str,
        entry: Entry,
        *,
        again: bool = False,
        sequence: int | None = None,
        busy_s: float = BUSY_S,
    ) -> None:
        """Add ``entry`` to the session's log; when this returns, it is on the disk.

        Parameters
        ----------
        again : this was tried before and failed, perhaps after it had reached the disk: if the log
            ends with just this entry, nothing is done.
        sequence : how many entries the log has if nobody else wrote into it; None if that does not
            matter.
        busy_s : how long to wait for another program that holds the file.
        """
        with self._writing(busy_s) as connection:
            query = (
                select(entries.c.sequence, entries.c.document)
                .where(entries.c.session_id == session_id)
                .order_by(entries.c.sequence.desc())
                .limit(1)
            )
            last = connection.execute(query).first()
            if again and last is not None and last.document == entry_document(entry):
                return
            here = 0 if last is None else last.sequence + 1
            if sequence is not None and here != sequence:
                raise RecordsError(
                    "Another program has changed this session on record.",
                    "See how it stands there: `pitchbench today`.",
                )
            insert_entry(connection, session_id, here, entry)
            held = update(sessions).where(sessions.c.id == session_id)
            connection.execute(held.values(held_at=datetime.now(UTC)))

    def finish_session(self, session_id: str, *, at: datetime) -> None:
        """Say that the session came to its end."""
        self._set(session_id, finished_at=at, held_at=None)

    def claim(self, session_id: str, *, seen: datetime | None) -> bool:
        """Take the session in hand if `held_at` is ``seen`` still; False if it is not. Of two that
        claim it at once one gets it."""
        unchanged = sessions.c.held_at.is_(None) if seen is None else sessions.c.held_at == seen
        claimed = update(sessions).where(sessions.c.id == session_id, unchanged)
        with self._writing() as connection:
            return connection.execute(claimed.values(held_at=datetime.now(UTC))).rowcount == 1

    def hold(self, session_id: str, at: datetime | None, *, busy_s: float = BUSY_S) -> None:
        """Tell that a bench has the session in hand still, ``at`` being now, or let it go: None.

        The one thing that another thread may do: whether the file is the same one still is seen to
        by whoever writes more.
        """
        if self._path is not None and file_identity(self._path) != self._identity:
            raise self._gone()
        engine = self._engine.execution_options(busy_s=busy_s)
        with in_words(engine), engine.begin() as connection:
            held = update(sessions).where(sessions.c.id == session_id)
            connection.execute(held.values(held_at=at))

    def held_at(self, session_id: str) -> datetime | None:
        """When it was last told that a bench has the session in hand; None if none has."""
        query = select(sessions.c.held_at).where(sessions.c.id == session_id)
        with self._reading() as connection:
            return connection.execute(query).scalar()

    def let_go(self, session_id: str) -> None:
        """Say that no bench has the session in hand any more; it can be gone on with."""
        self._set(session_id, held_at=None)

    def keep_audio(self, session_id: str, audio: Path) -> None:
        """Say where the sound of the session lies."""
        self._set(session_id, audio=str(audio.absolute()))

    def take_in(
        self, new_instruments: Iterable[InstrumentRecord], new_sessions: Iterable[SessionRecord]
    ) -> TakenIn:
        """Add what comes from elsewhere and is not here yet, all of it or nothing."""
        with self._writing() as connection:
            return take_in(connection, new_instruments, new_sessions)

    def bring_back(self, backup: Path, *, force: bool) -> None:
        """Put what a backup holds in the place of what is here, all of it or nothing; if there is
        anything here, only by ``force``."""
        with in_words(self._engine):
            bring_back(self._engine, backup, force=force)

    # -- sessions: reading ------------------------------------------------------------------

    def find_session(self, words: str, *, kind: SessionKind | None = None) -> str:
        """The id of the session that ``words`` name: the beginning of an id, or "last".

        ``kind`` is what it must have been for; None if that does not matter.
        """
        with self._reading() as connection:
            return session_meant(connection, words, kind)

    def session(
        self, session_id: str, *, traces_too: bool = True, outcomes_only: bool = False
    ) -> SessionRecord:
        """The session with exactly this id; without the frames of its takes, by far the larger
        part, or with nothing but what decides how its strings were left, if that will do."""
        with self._reading() as connection:
            row = connection.execute(select(sessions).where(sessions.c.id == session_id)).first()
            if row is None:
                raise no_session(session_id)
            if outcomes_only:
                return outcomes_alone(connection, row)
            return (whole_session if traces_too else without_frames)(connection, row)

    def sessions(
        self,
        name: str | None = None,
        *,
        last: int | None = None,
        rehearsals: bool = False,
        kind: SessionKind = SessionKind.SETUP,
        outcomes_only: bool = False,
    ) -> list[SessionRecord]:
        """Sessions of the instrument called ``name`` (None: of all), oldest first, without frames.

        Parameters
        ----------
        last : how many of the latest are wanted; None for all.
        rehearsals : whether those on virtual instruments are wanted too.
        kind : what they were for.
        outcomes_only : see `session`.
        """
        query = LATEST_IDS.where(sessions.c.kind == kind)
        if not rehearsals:
            query = query.where(~sessions.c.rehearsal)
        with self._reading() as connection:
            if name is not None:
                query = query.where(sessions_under(connection, name))
            read = outcomes_alone if outcomes_only else without_frames
            return _records(connection, query.limit(last), read)

    def sessions_played_by(self, player: str, *, last: int) -> list[SessionRecord]:
        """The latest sessions of one player on any instrument, oldest first, without frames."""
        query = LATEST_IDS.where(sessions.c.kind == SessionKind.SETUP, ~sessions.c.rehearsal)
        with self._reading() as connection:
            said = query.add_columns(sessions.c.parameters).where(sessions.c.parameters != "{}")
            played = (
                row.id
                for row in connection.execute(said)
                if str(stored(row.parameters, dict).get("player")) == player
            )
            return _records(connection, list(islice(played, last)))

    def session_lines(
        self, *, last: int, rehearsals: bool = False
    ) -> list[tuple[str, SessionMeta]]:
        """Name that the instrument has now and circumstances of the latest sessions, latest
        first."""
        query = LATEST_IDS if rehearsals else LATEST_IDS.where(~sessions.c.rehearsal)
        with self._reading() as connection:
            rows = connection.execute(WITH_NAMES.where(sessions.c.id.in_(query.limit(last)))).all()
        return [(row.name_now, meta_of(row)) for row in rows]

    def last_unfinished(
        self, *, kind: SessionKind = SessionKind.SETUP, but: Sequence[str] = ()
    ) -> str | None:
        """The id of the latest session that is not finished, rehearsals and those with an id in
        ``but`` apart; None if there is none."""
        query = LATEST_IDS.where(
            sessions.c.finished_at.is_(None),
            ~sessions.c.rehearsal,
            sessions.c.kind == kind,
            sessions.c.id.not_in(but),
        )
        with self._reading() as connection:
            return connection.execute(query.limit(1)).scalar()

    def work_unfinished(self) -> list[Work]:
        """Sessions in hand or broken off, latest first (`records.work`)."""
        with self._reading() as connection:
            return unfinished(connection)

    def work_finished(self, begin: datetime, end: datetime) -> list[Work]:
        """Sessions finished from ``begin`` until before ``end``, latest first (`records.work`)."""
        with self._reading() as connection:
            return finished(connection, begin, end)

    def instruments_of(self, records: Sequence[SessionRecord]) -> list[InstrumentRecord]:
        """The instruments on record that these sessions belong to."""
        ids = {record.meta.instrument_id for record in records if record.meta.instrument_id}
        with self._reading() as connection:
            rows = connection.execute(select(instruments).where(instruments.c.id.in_(ids))).all()
        return [instrument_record(row) for row in rows]

    def session_ids(self, name: str | None = None) -> list[str]:
        """Ids of all sessions (rehearsals too), or of those of one instrument, oldest first."""
        query = select(sessions.c.id).order_by(sessions.c.started_at, sessions.c.id)
        with self._reading() as connection:
            if name is not None:
                query = query.where(sessions_under(connection, name))
            return list(connection.execute(query).scalars())

    # -- within ------------------------------------------------------------------------------

    def _set(self, session_id: str, **values: Any) -> None:
        with self._writing() as connection:
            done = connection.execute(
                update(sessions).where(sessions.c.id == session_id).values(**values)
            )
            if done.rowcount != 1:
                raise no_session(session_id)

    @contextmanager
    def _writing(self, busy_s: float = BUSY_S) -> Iterator[Connection]:
        if not self._same_file() and self._identity is None:
            raise self._gone()  # and let SQLite make no new one in its place
        engine = self._engine.execution_options(busy_s=busy_s)
        with in_words(engine), engine.begin() as connection:
            yield connection
        if not self._same_file():
            raise self._gone()

    def _same_file(self) -> bool:
        """Whether the file that is open is the one that people see under its name.

        A file that was removed, or whose disk was, would take what is written to it and keep it for
        nobody. If it is another one by now, that is opened from here on. A server has no file.
        """
        if self._path is None:
            return True
        before, self._identity = self._identity, file_identity(self._path)
        if self._identity is not None and self._identity == before:
            return True
        self._engine.dispose()
        return False

    def _gone(self) -> PitchbenchError:
        return RecordsError(
            f"The records in {str(self._path)!r} are not there any more.",
            "Bring the file, or the disk that it is on, back.",
        )

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with in_words(self._engine), self._reader.connect() as connection:
            yield connection


def _records(
    connection: Connection, ids: Any, read: ReadsSession = without_frames
) -> list[SessionRecord]:
    """The sessions with these ids, or those that a query of ids finds; oldest first."""
    rows = connection.execute(_LATEST.where(sessions.c.id.in_(ids))).all()
    return [read(connection, row) for row in reversed(rows)]
