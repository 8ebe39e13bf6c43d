"""What earlier sessions teach: how this person plays, and what this bridge does."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from pitchbench.intonation.knowledge import ANYBODY, Person
from pitchbench.intonation.response import Response
from pitchbench.session.fold import read_log
from pitchbench.session.log import Log, Setup
from pitchbench.session.saddles import alone, learned

#: How many earlier sessions are learned from.
LEARN_FROM: Final = 5


def learned_person(logs: Iterable[Log]) -> Person:
    """What earlier sessions, oldest first, say of how a person plays; anybody if nothing."""
    person = ANYBODY
    for log in logs:
        person = person.having_played(alone(log, string, learned(log)) for string in log.strings)
        person = person.on_another_day()
    return person


def learned_response(logs: Iterable[Log], setup: Setup) -> Response:
    """What this instrument's earlier sessions, oldest first, say of its bridge.

    ``setup`` is that of the session to come, in whose terms the logs are read again; a log of
    another number of strings, or with another capo, says nothing.
    """
    response = setup.response
    for log in logs:
        alike = len(log.strings) == len(setup.instrument.strings)
        if alike and _capo(log.setup) == _capo(setup):
            response = learned(read_log(replace(setup, response=response), log.entries))
    return response


def _capo(setup: Setup) -> tuple[int, tuple[int, ...]]:
    return setup.instrument.capo, setup.instrument.capo_strings
