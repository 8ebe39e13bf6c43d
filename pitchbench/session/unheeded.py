"""Sounds as loud as a pluck that were none: a player who made one wonders what became of it.

Talk, knocks and the like are passed over in silence where they are faint. Loud means as loud as
what was plucked: all follows from the samples and from what the listener made of them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from typing import Final

import numpy as np

from pitchbench.pitch.listener import Heard, LivePitch, PluckStarted, ReadingReady
from pitchbench.pitch.reading import Reading
from pitchbench.session.job import NoNote
from pitchbench.sound.source import Block

_PART_S: Final = 0.05

#: A sound is over when it has been quiet for so long: a word among others is part of them.
_OVER_S: Final = 0.5

#: What goes on for longer is told before it ends; a note has long been announced by then.
_LONGEST_S: Final = 2.0

#: The pitch of a note that rings is told more often than this.
_LOST_S: Final = 0.8

#: A note may be found to have begun a little before its sound was as loud.
_BEFORE_S: Final = 0.3

#: As loud as a pluck: within 10 dB of the softest of the last notes; before the first note a peak
#: of -20 dB, which no distant sound has (our own choice, both).
_SHARE: Final = 10.0 ** (-10.0 / 20.0)
_LOUD_BEFORE: Final = 0.1
_NOTES: Final = 8
_ATTACK_S: Final = 0.3


class Unheeded:
    """Follows the sound beside the listener.

    Parameters
    ----------
    rate_hz : sampling rate of the blocks to come.
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._size = round(_PART_S * rate_hz)
        self._pending = np.empty(0, np.float32)
        self._peaks: deque[tuple[float, float]] = deque(maxlen=round(20.0 / _PART_S))
        self._of_notes: deque[float] = deque(maxlen=_NOTES)
        self._began_s: float | None = None
        self._loud_s = self._note_s = self._onset_s = -1.0
        self._rings = False

    def feed(self, block: Block, heard: Iterable[Heard]) -> Iterator[NoNote]:
        """What has gone by in which no note was ``heard``, if anything has."""
        for each in heard:
            self._note(each)
        if block.gap:
            self._pending, self._began_s = np.empty(0, np.float32), None
        end = block.start + len(block.samples)
        self._pending = np.concatenate((self._pending, block.samples))
        while len(self._pending) >= self._size:
            at_s = (end - len(self._pending)) / self._rate_hz
            part, self._pending = self._pending[: self._size], self._pending[self._size :]
            yield from self._follow(at_s, float(np.abs(part - part.mean()).max()))

    def _note(self, heard: Heard) -> None:
        match heard:
            case PluckStarted(onset_s=at_s):
                self._note_s, self._rings, self._onset_s = max(self._note_s, at_s), True, at_s
            case LivePitch(at_s=at_s):
                self._note_s = max(self._note_s, at_s)
            case ReadingReady(reading=reading):
                self._rings = self._rings and not heard.final
                self._note_s = max(self._note_s, reading.onset_s + reading.ring_s)
                if heard.final and isinstance(reading, Reading):
                    within = (reading.onset_s - _PART_S, reading.onset_s + _ATTACK_S)
                    peaks = [peak for at, peak in self._peaks if within[0] <= at <= within[1]]
                    self._of_notes += [max(peaks)] if peaks else []

    def _follow(self, at_s: float, peak: float) -> Iterator[NoNote]:
        """One part, which begins at ``at_s``."""
        self._peaks.append((at_s, peak))
        least = _SHARE * min(self._of_notes) if self._of_notes else _LOUD_BEFORE
        if peak >= least:
            self._loud_s = at_s
            self._began_s = at_s if self._began_s is None else self._began_s
        quiet = at_s - self._loud_s >= _OVER_S
        if self._rings and quiet and at_s - self._note_s >= _LOST_S:
            # Taken for a note at first, and then given up.
            yield NoNote(loud=self._loud_s >= self._onset_s - _BEFORE_S)
            self._rings, self._began_s = False, None
        elif self._began_s is None:
            return
        elif self._note_s >= self._began_s - _BEFORE_S:
            # Whatever becomes of a note is said of it.
            self._began_s = None if quiet and not self._rings else self._began_s
        elif quiet or at_s - self._began_s >= _LONGEST_S:
            yield NoNote(loud=True)
            self._began_s = None
