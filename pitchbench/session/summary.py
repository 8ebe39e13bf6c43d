"""What a session came to, as the JSON documents of docs/files.md."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pitchbench.intonation.offset import Offset
from pitchbench.intonation.response import Response
from pitchbench.session.log import MoveEntry, Step, StringState
from pitchbench.session.saddles import learned
from pitchbench.session.state import State

if TYPE_CHECKING:
    from pitchbench.session.rehearsal import Rehearsal


def session_document(state: State, *, session: str | None, source: str) -> dict[str, Any]:
    """``pitchbench.session/1``; ``session`` is its id on record, None if it was not kept."""
    return {
        "schema": "pitchbench.session/1",
        "session": session,
        "source": source,
        **_frame(state),
        "strings": [_string(state, state.log.strings[n - 1]) for n in state.setup.order],
        "moves": [_move(entry) for entry in state.entries if isinstance(entry, MoveEntry)],
        "bridge": _bridge(learned(state.log)),
    }


def rehearsal_document(rehearsal: Rehearsal, *, seed: int) -> dict[str, Any]:
    """``pitchbench.rehearsal/1``: the truth beside each result, since it is known."""
    state = rehearsal.state
    return {
        "schema": "pitchbench.rehearsal/1",
        "seed": seed,
        **_frame(state),
        "strings": [
            {
                **_string(state, state.log.strings[number - 1]),
                "true_found_cents": round(rehearsal.true_found_cents[number], 3),
                "true_left_cents": round(rehearsal.true_left_cents[number], 3),
            }
            for number in state.setup.order
        ],
        "moves": [
            {
                "string": move.string,
                "true_before_cents": round(move.true_before_cents, 3),
                "advised_mm": round(move.advised_mm, 3),
                "made_mm": round(move.made_mm, 3),
                "true_after_cents": round(move.true_after_cents, 3),
            }
            for move in rehearsal.moves
        ],
    }


def _frame(state: State) -> dict[str, Any]:
    return {
        "instrument": state.setup.instrument.name,
        "a4_hz": state.setup.a4_hz,
        "fret": state.setup.fret,
        "tolerance_cents": state.log.tolerance_cents,
        "finished": state.log.step is Step.FINISHED,
    }


def _string(state: State, string: StringState) -> dict[str, Any]:
    verdict = string.verdict
    return {
        "string": string.number,
        "note": state.setup.instrument.string(string.number).note.name,
        **_offset("found", string.found),
        **_offset("left", string.now),
        "verdict": None if verdict is None else str(verdict.decision),
        "outcome": None if string.outcome is None else string.outcome.name.lower(),
        "moves": len(string.moves),
        "travel_mm": round(string.travel_mm, 3),
        "plucks": len(string.takes),
    }


def _offset(when: str, offset: Offset | None) -> dict[str, Any]:
    """Value, standard uncertainty and 95 % interval; null where there was nothing to go by."""
    if offset is None:
        return {f"{when}_cents": None, f"{when}_u_cents": None, f"{when}_interval95_cents": None}
    return {
        f"{when}_cents": round(offset.offset_cents, 3),
        f"{when}_u_cents": round(offset.u_cents, 3),
        f"{when}_interval95_cents": [round(end, 3) for end in offset.interval95_cents],
    }


def _bridge(response: Response) -> dict[str, Any]:
    """What the bridge has been found to do: saddle travel per screw travel, and lost travel."""
    return {
        "factor": round(response.factor, 3),
        "factor_u": round(response.factor_u, 3),
        "slack_mm": round(response.slack_mm, 3),
        "slack_u_mm": round(response.slack_u_mm, 3),
        "moves": response.moves,
    }


def _move(entry: MoveEntry) -> dict[str, Any]:
    """The move as advised, and how far it was made."""
    return {
        "string": entry.string,
        **entry.move.document(),
        "made_mm": entry.made_mm,
        "made_turns": entry.made.turns,
        "said": entry.said,
    }
