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
    """What is to be heard: the frets of the neck that the player uses, else the usual ones above
    its nut or capo, as far as the neck goes.

    Raises
    ------
    PitchbenchError
        If that leaves less than two on a string.
    """
    frets = _usual(setup) if weights is None else tuple(f for f, w in weights.items() if w > 0)
    highest = setup.instrument.frets
    plan = Plan(setup, tuple(sorted(fret for fret in frets if fret <= highest)), takes)
    for string in setup.order:
        if len(plan.notes_of(string)) < 3:
            first = setup.instrument.neck_fret(string, 1)
            raise PitchbenchError(
                f"String {string} has too few of these frets to tell the nut from the saddle.",
                f"Give two or more from {first} to {highest} with --frets, such as "
                f"{first},{first + 2},{first + 11}, or leave the string out with --string.",
            )
    return plan


def _usual(setup: Setup) -> tuple[int, ...]:
    """The usual frets, as they are counted on the neck; from the nut that lies lowest, so that
    strings which begin elsewhere are asked for the same ones."""
    return tuple(
        min(setup.instrument.neck_fret(string, fret) for string in setup.order)
        for fret in USUAL_FRETS
    )


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
