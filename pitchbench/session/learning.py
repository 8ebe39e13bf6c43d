"""What earlier sessions teach: how this player's takes scatter, and what this bridge does."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from pitchbench.intonation.offset import GUIDED_PRIOR, ScatterPrior, learn_scatter
from pitchbench.intonation.response import Response
from pitchbench.session.log import Log, Setup, read_log
from pitchbench.session.saddles import learned
from pitchbench.session.takes import repeats

#: How many earlier sessions of an instrument are learned from.
LEARN_FROM: Final = 5


def learned_scatter(logs: Iterable[Log]) -> ScatterPrior:
    """What this player's earlier sessions say of the scatter; the usual belief if nothing."""
    takes = [repeats(string.accepted) for log in logs for string in log.strings]
    return learn_scatter([each for sets in takes for each in sets], typical=GUIDED_PRIOR)


def learned_response(logs: Iterable[Log], setup: Setup) -> Response:
    """What this instrument's earlier sessions, oldest first, say of its bridge.

    ``setup`` is that of the session to come, in whose terms the logs are read again; a log of
    another number of strings says nothing.
    """
    response = setup.response
    for log in logs:
        if len(log.strings) == len(setup.instrument.strings):
            response = learned(read_log(replace(setup, response=response), log.entries))
    return response
