"""``pitchbench neck`` without a file: a survey with the microphone, and surveys on record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from pitchbench.commands.guided import Keeping, Shown
from pitchbench.errors import PitchbenchError, RecordsError
from pitchbench.records.model import Parameter, SessionKind, SessionRecord
from pitchbench.session.engine import NotKeptError, run
from pitchbench.session.log import Setup
from pitchbench.session.survey import USUAL_FRETS, Plan, Survey, begin, resume
from pitchbench.sound.source import Source

if TYPE_CHECKING:
    from pitchbench.records.repository import Repository


@dataclass(frozen=True)
class Start:
    """Where a survey starts, and its id on record if it goes on with an old one."""

    survey: Survey
    session_id: str | None = None


def plan_for(setup: Setup, weights: Mapping[int, float] | None, takes: int) -> Plan:
    """What is to be heard: the frets that the player uses, else the usual ones, as far as the neck
    goes.

    Raises
    ------
    PitchbenchError
        If that leaves less than two.
    """
    asked = USUAL_FRETS if weights is None else tuple(fret for fret, w in weights.items() if w > 0)
    frets = tuple(sorted(fret for fret in asked if fret <= setup.instrument.frets))
    if len(frets) < 2:
        raise PitchbenchError(
            "Two frets at least are needed to tell the nut from the saddle.",
            f"Give some from 1 to {setup.instrument.frets} with --frets, such as 1,3,12.",
        )
    return Plan(setup, frets, takes)


def fresh(plan: Plan) -> Start:
    """A survey from the beginning."""
    return Start(begin(plan))


def gone_on_with(repository: Repository, words: str) -> Start:
    """The survey to go on with: one by its id, or the last that was broken off."""
    if words == "last":
        last = repository.last_unfinished(kind=SessionKind.NECK)
        if last is None:
            raise RecordsError(
                "There is no survey of a neck to go on with.",
                "Start a new one, or name one as `pitchbench history` shows it.",
            )
        words = last
    record = repository.session(repository.find_session(words, kind=SessionKind.NECK))
    if record.meta.finished_at is not None:
        raise RecordsError(
            f"Survey {record.meta.short_id} is finished.",
            f"See it with `pitchbench neck --session {record.meta.short_id}`, or start a new one.",
        )
    return Start(resume(_planned(record), record.entries), record.meta.id)


def _planned(record: SessionRecord) -> Plan:
    """What was to be heard in a survey on record."""
    try:
        frets, takes = (record.meta.parameters[name] for name in ("frets", "takes"))
        return Plan(record.setup, tuple(map(int, str(frets).split(","))), int(takes or 1))
    except (KeyError, ValueError) as error:  # it was taken in from elsewhere
        raise RecordsError(
            f"Survey {record.meta.short_id} does not say what was to be heard.",
            "Start a new one.",
        ) from error


def begin_keeping(repository: Repository, start: Start, source: Source) -> Keeping:
    """Put the survey on record, where it is not there yet."""
    plan = start.survey.plan
    parameters: dict[str, Parameter] = {
        "rate_hz": source.rate_hz,
        "frets": ",".join(map(str, plan.frets)),
        "takes": plan.takes,
    }
    session_id = start.session_id or repository.begin_session(
        plan.setup,
        at=datetime.now(UTC),
        source=source.name,
        parameters=parameters,
        kind=SessionKind.NECK,
    )
    return Keeping(repository, session_id)


def hold_survey(
    source: Source, start: Start, shown: Shown[Survey], keeping: Keeping | None, store: str | None
) -> Survey:
    """Run the survey; whatever ends it, say where what was heard is kept."""
    survey = start.survey
    try:
        survey = run(
            source,
            survey,
            views=shown.views,
            keys=shown.keys,
            keep=keeping,
            tell_records=shown.tell_records,
        )
        if keeping is not None:
            keeping.end(survey)
    except NotKeptError as trouble:
        assert keeping is not None
        apart = keeping.write_apart(trouble)
        keeping = None
        raise apart from trouble
    finally:
        if keeping is not None:
            keeping.tell(None if survey.finished else "neck", store)
    return survey
