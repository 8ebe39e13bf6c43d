"""What earlier sessions teach: how this player's takes scatter, and what this bridge does."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

from pitchbench.intonation.offset import GUIDED_PRIOR, ScatterPrior, Take, learn_scatter
from pitchbench.intonation.response import Response
from pitchbench.session.reducer import begin
from pitchbench.session.saddles import learned
from pitchbench.session.state import (
    Entry,
    MoveEntry,
    Setup,
    State,
    StrikeEntry,
    TakeEntry,
    TakeFate,
)
from pitchbench.session.takes import repeats

Log = Sequence[Entry]

#: How many earlier sessions of an instrument are learned from.
LEARN_FROM: Final = 5


def learned_scatter(logs: Iterable[Log]) -> ScatterPrior:
    """What this player's earlier sessions say of the scatter; the usual belief if nothing."""
    sets: list[list[Take]] = []
    for log in logs:
        struck = _struck(log)
        sets += repeats(
            entry.take
            for entry in log
            if isinstance(entry, TakeEntry)
            and entry.take.fate is TakeFate.ACCEPTED
            and entry.take.number not in struck
        )
    return learn_scatter(sets, typical=GUIDED_PRIOR)


def learned_response(logs: Iterable[Log], setup: Setup) -> Response:
    """What this instrument's earlier sessions, oldest first, say of its bridge.

    ``setup`` is that of the session to come, in whose terms the logs are read again.
    """
    response = setup.response
    for log in logs:
        response = learned(_read_again(replace(setup, response=response), log))
    return response


def _read_again(setup: Setup, log: Log) -> State:
    """A state with the takes and moves of a log, as much as learning asks for: `resume` would
    weigh every take in its time as well."""
    state = begin(setup)
    strings = {string.number: string for string in state.strings}
    struck = _struck(log)
    for entry in log:
        match entry:
            case TakeEntry(take=take) if take.number not in struck:
                owner = strings[take.string]
                strings[take.string] = replace(owner, takes=(*owner.takes, take))
            case MoveEntry(string=number):
                beside = setup.instrument.bridge.beside(number)
                for moved in (number,) if beside is None else (number, beside):
                    owner = strings[moved]
                    strings[moved] = replace(owner, moves=(*owner.moves, entry))
    return replace(state, strings=tuple(strings.values()))


def _struck(log: Log) -> set[int]:
    return {entry.take for entry in log if isinstance(entry, StrikeEntry)}
