"""What a session's log comes to, string by string: as found, moved, as left."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from pitchbench.intonation.offset import Offset
from pitchbench.notes import Note
from pitchbench.session.state import (
    Entry,
    MoveEntry,
    NoteEntry,
    Outcome,
    OutcomeEntry,
    SessionTake,
    Setup,
    StrikeEntry,
    TakeEntry,
    TakeFate,
    VerdictEntry,
)


@dataclass(frozen=True)
class StringResult:
    """One string's part of a session.

    Parameters
    ----------
    found : the last offset that was judged before the first move; None if it never came to that.
    left : the last offset that was judged since the last move; None if there was none.
    takes : every pluck with its final fate, in order.
    """

    number: int
    note: Note
    found: Offset | None = None
    left: Offset | None = None
    moves: tuple[MoveEntry, ...] = ()
    outcome: Outcome | None = None
    takes: tuple[SessionTake, ...] = ()

    @property
    def travel_mm(self) -> float:
        """Net saddle travel, positive away from the nut."""
        return math.fsum(move.made_mm for move in self.moves)

    def accepted(self, round_: int) -> tuple[SessionTake, ...]:
        """The takes that counted after ``round_`` moves."""
        return tuple(
            take for take in self.takes if take.round == round_ and take.fate is TakeFate.ACCEPTED
        )


def string_results(setup: Setup, entries: Sequence[Entry]) -> tuple[StringResult, ...]:
    """The result of each string, string 1 first, from what was recorded: nothing is recomputed,
    so a later version of the program shows what was shown then."""
    results = [
        StringResult(number, spec.note)
        for number, spec in enumerate(setup.instrument.strings, start=1)
    ]
    for entry in entries:
        if isinstance(entry, TakeEntry):
            index = entry.take.string - 1
        elif not isinstance(entry, NoteEntry):
            index = entry.string - 1
        else:
            continue
        results[index] = _with_entry(results[index], entry)
        beside = setup.instrument.bridge.beside(index + 1)
        if isinstance(entry, MoveEntry) and beside is not None:
            results[beside - 1] = _with_entry(results[beside - 1], entry)
    return tuple(results)


def tolerance_cents(setup: Setup, entries: Sequence[Entry]) -> float:
    """The tolerance that was in force at the end."""
    changes = [
        entry.tolerance_cents
        for entry in entries
        if isinstance(entry, NoteEntry) and entry.tolerance_cents is not None
    ]
    return changes[-1] if changes else setup.tolerance_cents


def _with_entry(result: StringResult, entry: Entry) -> StringResult:
    match entry:
        case TakeEntry():
            return replace(result, takes=(*result.takes, entry.take))
        case StrikeEntry():
            takes = tuple(
                replace(take, fate=TakeFate.STRUCK) if take.number == entry.take else take
                for take in result.takes
            )
            return replace(result, takes=takes)
        case MoveEntry():
            return replace(result, moves=(*result.moves, entry), left=None, outcome=None)
        case VerdictEntry():
            return _with_offset(result, entry.offset)
        case OutcomeEntry():
            return replace(_with_offset(result, entry.offset), outcome=entry.outcome)
    return result


def _with_offset(result: StringResult, offset: Offset | None) -> StringResult:
    if offset is None:
        return result
    found = result.found if result.moves else offset
    return replace(result, found=found, left=offset)
