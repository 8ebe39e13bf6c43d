"""Plucks laid over each other as they come: a pure function of what is heard and which key is hit.

For a teacher before a class: nothing is asked for, everything that is plucked is kept until it is
struck out or cleared.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Self

from pitchbench.intonation.drift import Drift, drift_of
from pitchbench.notes import A4_HZ
from pitchbench.pitch.listener import ReadingReady
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.session.job import Command, Followed, Job, KeyPressed
from pitchbench.session.words import input_request

_PLUCK: Final = "Pluck a string and let it ring."


@dataclass(frozen=True, eq=False)
class LaidPluck:
    """One pluck; ``number`` counts from 1 and is never given twice; ``drift`` is None where it was
    rejected."""

    number: int
    reading: Reading | Rejected
    drift: Drift | None


@dataclass(frozen=True, kw_only=True)
class Overlay(Job):
    """The plucks that lie over each other, and the one that rings; nothing of it goes on record.

    ``enough`` is how many settled plucks end it, None for any number; ``count`` how many were
    heard.
    """

    a4_hz: float = A4_HZ
    enough: int | None = None
    plucks: tuple[LaidPluck, ...] = ()
    count: int = 0

    @property
    def asks(self) -> str:
        """The one thing to do now."""
        if (request := input_request(self)) is not None:
            return request
        return "Let it ring to its end." if self.ringing else _PLUCK

    @property
    def finished(self) -> bool:
        """Whether as many plucks were heard as were asked for."""
        return self.enough is not None and len(self.settled) >= self.enough

    @property
    def settled(self) -> tuple[LaidPluck, ...]:
        """The plucks that can be drawn."""
        return tuple(pluck for pluck in self.plucks if pluck.drift is not None)

    def follow(self, event: Followed) -> Self:
        """Lay a pluck that has ended over the others, or do what a key asks."""
        match event:
            case KeyPressed(command=Command.STRIKE):
                return self._without(event.take)
            case KeyPressed(command=Command.AGAIN):
                return replace(self, plucks=(), says="All plucks are cleared.")
            case ReadingReady(reading=reading):
                return self._laid(reading)
        return self

    def _laid(self, reading: Reading | Rejected) -> Self:
        drift = drift_of(reading) if isinstance(reading, Reading) else None
        pluck = LaidPluck(self.count + 1, reading, drift)
        return replace(
            self,
            plucks=(*self.plucks, pluck),
            count=pluck.number,
            says="",  # its line says it all
            live_trace=self.live_trace if self.ringing else (),
        )

    def _without(self, number: int | None) -> Self:
        """The overlay without the last pluck, or the one of that number."""
        if number is None and self.plucks:
            number = self.plucks[-1].number
        left = tuple(pluck for pluck in self.plucks if pluck.number != number)
        if len(left) == len(self.plucks):
            return replace(self, says="There is no such pluck to strike out.")
        return replace(self, plucks=left, says=f"Pluck {number} is struck out.")
