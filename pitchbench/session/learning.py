"""What earlier sessions teach: how this player's takes scatter, and what this bridge does."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from pitchbench.intonation.offset import ScatterPrior, Take, learn_scatter
from pitchbench.intonation.response import Response
from pitchbench.session.reducer import resume
from pitchbench.session.saddles import learned
from pitchbench.session.state import Entry, Setup, StrikeEntry, TakeEntry, TakeFate
from pitchbench.session.takes import repeats

Log = Sequence[Entry]


def learned_scatter(logs: Iterable[Log]) -> ScatterPrior:
    """What this player's earlier sessions say of the scatter; the usual belief if nothing."""
    sets: list[list[Take]] = []
    for log in logs:
        struck = {entry.take for entry in log if isinstance(entry, StrikeEntry)}
        sets += repeats(
            entry.take
            for entry in log
            if isinstance(entry, TakeEntry)
            and entry.take.fate is TakeFate.ACCEPTED
            and entry.take.number not in struck
        )
    return learn_scatter(sets)


def learned_response(logs: Iterable[Log], setup: Setup) -> Response:
    """What this instrument's earlier sessions, oldest first, say of its bridge.

    ``setup`` is that of the session to come, in whose terms the logs are read again.
    """
    response = setup.response
    for log in logs:
        response = learned(resume(replace(setup, response=response), tuple(log)))
    return response
