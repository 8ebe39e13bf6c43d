"""What was heard in recordings: plucks, and whole recordings."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path, PurePath

from pitchbench.pitch.reading import Reading, Rejected


@dataclass(frozen=True, eq=False)
class Heard:
    """One pluck: the recording or the input in which it was heard, and its reading."""

    source: str
    reading: Reading | Rejected

    @property
    def where(self) -> str:
        """ "at 3.20 s of e-low.wav"."""
        return f"at {self.reading.onset_s:.2f} s of {PurePath(self.source).name}"


@dataclass(frozen=True, eq=False)
class Listened:
    """A recording that was listened to from its beginning to its end.

    Parameters
    ----------
    path : the file, as it was named.
    rate_hz, channel : its sampling rate, and the channel that was heard, counted from 1.
    length_s : how much of it was heard.
    damaged_after_s : where damage ended it; None if it is whole.
    readings : every pluck, in order.
    """

    path: Path
    rate_hz: int
    channel: int
    length_s: float
    damaged_after_s: float | None
    readings: tuple[Reading | Rejected, ...]
