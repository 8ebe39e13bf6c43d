"""From an offset to what to do: leave it, move the saddle, or take more."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pitchbench.intonation.offset import Offset, ScatterPrior


class Decision(StrEnum):
    """The three verdicts."""

    LEAVE = "leave"
    MOVE = "move"
    TAKE_MORE = "take_more"


@dataclass(frozen=True)
class MoreTakes:
    """How many further takes of each kind are expected to decide it."""

    open: int
    fretted: int


@dataclass(frozen=True)
class Verdict:
    """What the takes so far justify.

    ``p_within`` is the probability that the true offset lies within the tolerance. ``border`` is
    True when the most takes worth making are in and it is still undecided: the string is on the
    border, and ``explanation`` says what each choice risks.
    """

    decision: Decision
    tolerance_cents: float
    p_within: float
    more_takes: MoreTakes | None
    border: bool
    explanation: str


def judge(
    offset: Offset, *, tolerance_cents: float, prior: ScatterPrior, most_takes: int
) -> Verdict:
    """Judge ``offset``: leave or move at 95 % probability, else take more up to ``most_takes``."""
    raise NotImplementedError
