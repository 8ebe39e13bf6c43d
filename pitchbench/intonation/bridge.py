"""From a verdict to hands: which way, how far, how many turns, and what to mind."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pitchbench.instrument import Instrument
from pitchbench.intonation.offset import Offset


class Direction(StrEnum):
    """Which way the saddle goes along the string."""

    AWAY_FROM_NUT = "away_from_nut"
    TOWARD_NUT = "toward_nut"


class Rotation(StrEnum):
    """How the screw turns, seen from its head."""

    CLOCKWISE = "clockwise"
    COUNTERCLOCKWISE = "counterclockwise"


@dataclass(frozen=True)
class Move:
    """One saddle move; lengths and turns are positive, the direction carries the sign.

    ``turns`` and ``rotation`` are None where the bridge has no screw; ``out_of_travel`` is True
    when the record says that the saddle cannot go that far.
    """

    string: int
    direction: Direction
    mm: float
    interval95_mm: tuple[float, float]
    turns: float | None
    rotation: Rotation | None
    cautions: tuple[str, ...]
    out_of_travel: bool = False

    @property
    def signed_mm(self) -> float:
        """Positive away from the nut."""
        return self.mm if self.direction is Direction.AWAY_FROM_NUT else -self.mm


def plan_move(
    offset: Offset, instrument: Instrument, string: int, *, moved_mm: float = 0.0
) -> Move:
    """The move that cancels ``offset``; ``moved_mm`` is the saddle's travel since the start."""
    raise NotImplementedError
