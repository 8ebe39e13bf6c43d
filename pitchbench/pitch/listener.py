"""From blocks to readings as a stream: what the session and the commands listen to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pitchbench.pitch.reading import Reading
from pitchbench.sound.source import Block


@dataclass(frozen=True)
class PluckStarted:
    """A pluck was heard to begin."""

    onset_s: float


@dataclass(frozen=True)
class LivePitch:
    """The tracker's present value while a note rings: quick, not yet a reading.

    ``at_s`` is on the stream's time line; ``clarity`` runs from 0 (noise) to 1 (a pure period).
    """

    at_s: float
    onset_s: float
    pitch_hz: float
    clarity: float
    level_db: float


@dataclass(frozen=True)
class ReadingReady:
    """A reading, offered as soon as its uncertainty is small, ``final`` once the note has ended."""

    reading: Reading
    final: bool


Heard = PluckStarted | LivePitch | ReadingReady


class Listener:
    """Turns a stream of blocks into what is heard. Same blocks in, same events out, bit for bit.

    Parameters
    ----------
    rate_hz : sampling rate of the blocks to come.
    offer_early : whether to offer readings before a note has ended (a live session does).
    """

    def __init__(self, rate_hz: int, *, offer_early: bool = False) -> None:
        raise NotImplementedError

    def feed(self, block: Block) -> Iterator[Heard]:
        """Take the next block; yield what it completed, in order of time."""
        raise NotImplementedError

    def finish(self) -> Iterator[Heard]:
        """The stream has ended: yield the reading of a note that was still ringing."""
        raise NotImplementedError
