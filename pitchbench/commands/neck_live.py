"""``pitchbench neck`` without a file: a survey with the microphone, and surveys on record."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from typing import TYPE_CHECKING

from pitchbench.commands.guided import Start
from pitchbench.commands.resuming import broken_off
from pitchbench.errors import PitchbenchError, RecordsError
from pitchbench.records.model import Parameter, SessionKind, SessionRecord
from pitchbench.session.log import Setup
from pitchbench.session.survey import USUAL_FRETS, Plan, Survey, resume

if TYPE_CHECKING:
    from pitchbench.records.repository import Repository


def plan_for(setup: Setup, weights: Mapping[int, float] | None, takes: int) -> Plan:
    """What is to be heard: the frets that the player uses, else the usual ones, as far as the neck
    goes.

    Raises
    ------
    PitchbenchError
        If that leaves less than two.
    """
    asked = USUAL_FRETS if weights is None else tuple(fret for fret, w in weights.items() if w > 0)
    highest = min(map(setup.instrument.highest_fret, setup.order))
    frets = tuple(sorted(fret for fret in asked if fret <= highest))
    if len(frets) < 2:
        raise PitchbenchError(
            "Two frets at least are needed to tell the nut from the saddle.",
            f"Give some from 1 to {highest} with --frets, such as 1,3,12.",
        )
    return Plan(setup, frets, takes)


def gone_on_with(stack: ExitStack, repository: Repository, words: str) -> Start[Survey]:
    """The survey to go on with: one by its id, or the last that was broken off."""
    record = broken_off(stack, repository, words, SessionKind.NECK)
    job = resume(_planned(record), record.entries)
    return Start(job, record.meta.id, len(record.entries))


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


def to_be_heard(plan: Plan) -> dict[str, Parameter]:
    """``plan`` as parameters on record."""
    return {"frets": ",".join(map(str, plan.frets)), "takes": plan.takes}
