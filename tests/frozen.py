"""What the program says of a kept session, as plain numbers that no later form changes.

tests/unit/data/make_frozen_store.py writes this beside a frozen store, and
tests/unit/test_frozen_records.py holds each later version against it.
"""

from __future__ import annotations

from typing import Any

from pitchbench.intonation.offset import Offset
from pitchbench.records.model import SessionKind, SessionRecord
from pitchbench.report.export import takes_csv
from pitchbench.session import survey
from pitchbench.session.job import InputBack
from pitchbench.session.log import ClearedEntry, StrikeEntry, StringState
from pitchbench.session.state import State, resume

Said = dict[str, Any]


def sheet(record: SessionRecord) -> Said:
    """What the paper says: of each string how it was found and left, and its moves between."""
    return {
        "tolerance_cents": record.log.tolerance_cents,
        "strings": {str(string.number): _string(string) for string in record.log.strings},
        "takes_csv": takes_csv(record),
    }


def struck_strings(record: SessionRecord) -> list[int]:
    """The strings with a take that was struck out."""
    return sorted({e.string for e in record.entries if isinstance(e, StrikeEntry | ClearedEntry)})


def live(state: State) -> Said:
    """Where the work stands at the end, and how each string does."""
    advice = state.log.string.advice
    return {
        "step": state.log.step.value,
        "current": state.log.current,
        "tuned": state.log.tuned,
        "tolerance_cents": state.log.tolerance_cents,
        "advice_mm": None if advice is None else advice.mm,
        "said_mm": state.log.string.said_mm,
        "strings": {str(string.number): _live_string(string) for string in state.log.strings},
    }


def live_survey(state: survey.Survey) -> Said:
    """Where a survey stands at the end: offsets by string and fret."""
    return {
        "current": state.log.current,
        "done": state.finished,
        "offsets_cents": {
            str(string): {
                str(fret): cents for fret, cents in survey.offsets_cents(state, string).items()
            }
            for string in state.setup.order
        },
    }


def plan(record: SessionRecord) -> survey.Plan:
    """What was to be heard in a survey."""
    frets, takes = (record.meta.parameters[name] for name in ("frets", "takes"))
    return survey.Plan(record.setup, tuple(map(int, str(frets).split(","))), int(takes or 1))


def resumed(record: SessionRecord) -> Said:
    """Where the work stands that is gone on with from what was kept, once sound comes: logs of
    form 2 do not tell what was advised last, so that it is advised anew then."""
    if record.meta.kind is SessionKind.NECK:
        return live_survey(survey.resume(plan(record), record.entries).advance(InputBack()))
    return live(resume(record.setup, record.entries).advance(InputBack()))


def _string(result: StringState) -> Said:
    return {
        "found": _offset(result.found),
        "left": _offset(result.now),
        "outcome": None if result.outcome is None else result.outcome.value,
        "moves": [
            {"advised_mm": m.move.mm, "made_mm": m.made_mm, "said": m.said} for m in result.moves
        ],
        "travel_mm": result.travel_mm,
    }


def _live_string(string: StringState) -> Said:
    return {
        "as_found": _offset(string.found),
        "now": _offset(string.now),
        "verdict": None if string.verdict is None else string.verdict.decision.value,
        "outcome": None if string.outcome is None else string.outcome.value,
        "round": string.round,
        "tuning": string.tuning,
        "travel_mm": string.travel_mm,
    }


def _offset(offset: Offset | None) -> Said | None:
    if offset is None:
        return None
    return {
        "offset_cents": offset.offset_cents,
        "u_cents": offset.u_cents,
        "interval95_cents": list(offset.interval95_cents),
        "dof": offset.belief.dof,
        "takes": [offset.open.n, offset.fretted.n],
    }
