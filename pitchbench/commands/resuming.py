"""What ``--resume`` goes on with: a job that was broken off, as it began."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from pitchbench.commands.common import tell, typed
from pitchbench.commands.guided import DETAILS
from pitchbench.commands.instrument_options import with_details
from pitchbench.errors import PitchbenchError, RecordsError
from pitchbench.presets import preset
from pitchbench.records.hand import claimed, held, in_hand
from pitchbench.records.model import SessionKind, SessionRecord
from pitchbench.refit import parse_capo, with_capo, without_capo

if TYPE_CHECKING:
    from pitchbench.records.repository import Repository


def broken_off(
    stack: contextlib.ExitStack, repository: Repository, words: str, kind: SessionKind
) -> SessionRecord:
    """The session to go on with: one by its id, or the last that was broken off. Until ``stack``
    ends nobody else can go on with it.

    Raises
    ------
    RecordsError
        If there is none, or it is in hand, finished or a rehearsal.
    PitchbenchError
        If options say otherwise than it began with.
    """
    session_id = _taken_in_hand(repository, words, kind)
    stack.enter_context(held(repository, session_id))
    record = repository.session(session_id)
    to_do = record.meta.finished_at is None or bool(record.log.passed_over)
    if to_do and not record.meta.rehearsal:
        refuse_otherwise(repository, record, ("name", "a4", "fret", "strings", *DETAILS))
        return record
    short_id, why = record.meta.short_id, "a rehearsal" if record.meta.rehearsal else "finished"
    of_neck = kind is SessionKind.NECK
    see = f"See it with `pitchbench neck --session {short_id}`, or start" if of_neck else "Start"
    raise RecordsError(
        f"{kind.words.capitalize()} {short_id} cannot be gone on with: it is {why}.",
        f"{see} a new one.",
    )


def refuse_otherwise(repository: Repository, record: SessionRecord, names: Iterable[str]) -> None:
    """Refuse options of these names that were typed and say otherwise than what is on record."""
    otherwise = [
        flag for name, flag, value in typed(names) if not _as_begun(repository, record, name, value)
    ]
    if otherwise:
        raise PitchbenchError(
            f"{record.meta.kind.words.capitalize()} {record.meta.short_id} began otherwise than "
            f"{' and '.join(otherwise)} say{'s' * (len(otherwise) == 1)}.",
            "Leave that out, or begin a new one.",
        )


def _as_begun(repository: Repository, record: SessionRecord, option: str, value: Any) -> bool:
    """Whether an option says what this session began with."""
    setup = record.setup
    instrument = setup.judged
    if option == "name":
        return repository.instrument(value).id == record.meta.instrument_id
    if option == "preset_name":
        return preset(value).name == instrument.name
    if option == "capo":
        return with_capo(without_capo(instrument), *parse_capo(value)) == instrument
    if option in (begun := {"a4": setup.a4_hz, "fret": setup.fret, "strings": setup.order}):
        return bool(value == begun[option])
    bare = without_capo(instrument)
    return with_details(bare, {option: value}) == bare


def _taken_in_hand(repository: Repository, words: str, kind: SessionKind) -> str:
    """The id of the session that ``words`` name, which nobody else has in hand now; "last" passes
    over those that somebody has."""
    busy: list[str] = []
    while True:
        if words == "last":
            session_id = repository.last_unfinished(kind=kind, but=busy)
        else:
            session_id = repository.find_session(words, kind=kind)
        if session_id is None or session_id in busy:
            break
        if in_hand(repository.held_at(session_id), datetime.now(UTC)):
            tell("It seems to be in hand: looking whether anybody has it still ...")
        if claimed(repository, session_id):
            return session_id
        busy.append(session_id)
    if not busy:
        raise RecordsError(
            f"There is no {kind.words} to go on with.",
            "Start a new one, or name one as `pitchbench history` shows it.",
        )
    short_id = repository.session(busy[0], outcomes_only=True).meta.short_id
    raise RecordsError(
        f"{kind.words.capitalize()} {short_id} is in hand, here or at another bench.",
        "Go on with it there, or quit it there first. `pitchbench today` lists what is in hand and "
        "what was broken off.",
    )
