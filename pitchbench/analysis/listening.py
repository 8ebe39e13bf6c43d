"""Recordings to readings: heard one after the other, plucks read on as many cores as wanted."""

from __future__ import annotations

import contextlib
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Final

from pitchbench.analysis.heard import Listened
from pitchbench.analysis.helpers import Helpers, ToBeRead
from pitchbench.errors import PitchbenchError
from pitchbench.pitch.listener import Listener, ReadingReady
from pitchbench.pitch.reading import Pluck, Reading, Rejected
from pitchbench.sound.recording import Recording
from pitchbench.sound.source import Block

#: Nobody waits for a block of a file; large ones cost less each.
_BLOCK_SIZE: Final = 1 << 16
#: For less sound than this a further process takes about as long to start as it saves.
_MUCH_S: Final = 90.0
#: More processes than this cannot be waited for on Windows.
MOST_JOBS: Final = 60


#: Called with the number of frames that were heard since it was called last.
Advance = Callable[[int], object]
#: Called with each recording before it is listened to; the context lasts until it is heard.
Follow = Callable[[Recording], contextlib.AbstractContextManager[Advance]]


def _follow_none(_: Recording) -> contextlib.AbstractContextManager[Advance]:
    return contextlib.nullcontext(lambda _: None)


def listen_to(
    paths: Iterable[Path],
    *,
    channel: int | None = None,
    jobs: int | None = 1,
    follow: Follow = _follow_none,
) -> Iterator[Listened]:
    """Listen to recordings; what was heard comes in the order of ``paths``, each when it is whole.

    Every file is opened before the first is listened to, so that a wrong name is told at once.

    Parameters
    ----------
    channel : counted from 1; None takes the one in which most happens.
    jobs : how many plucks are read at the same time, by so many processes, which changes no
        reading; None for as many as there are cores, where there is much to hear. With more than
        one the next recording may be heard before the last one is handed on. The processes import
        the program that asks for them, so that it must not start at import:
        ``if __name__ == "__main__":``.
    follow : is told how far each has been heard.

    Raises
    ------
    PitchbenchError
        If a file cannot be read, or lacks the channel; for the first such file, after what was
        heard of those before it. If a process ends before its time.
    """
    recordings = [Recording(path, channel=channel, block_size=_BLOCK_SIZE) for path in paths]
    if jobs is None:
        length_s = sum(each.frames / each.rate_hz for each in recordings)
        jobs = min(_cores(), int(length_s / _MUCH_S))
    heard: deque[_Heard] = deque()
    with contextlib.closing(Helpers(min(jobs, MOST_JOBS))) as helpers:
        for recording in recordings:
            try:
                with follow(recording) as advance:
                    heard.append(_hear(recording, advance, helpers))
            except PitchbenchError:
                yield from (each.whole(helpers) for each in heard)
                raise
            while heard and heard[0].is_read:
                yield heard.popleft().whole(helpers)
        yield from (each.whole(helpers) for each in heard)


def _cores() -> int:
    """How many of the machine's cores this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)  # not on every system
    return len(affinity(0)) if affinity else os.cpu_count() or 1


@dataclass(frozen=True, eq=False)
class _Heard:
    """A recording that was heard to its end; some plucks may yet be waiting to be read."""

    recording: Recording
    length_s: float
    readings: list[ToBeRead]

    @property
    def is_read(self) -> bool:
        """Whether all is read that was heard in it."""
        return all(each.done() for each in self.readings)

    def whole(self, helpers: Helpers) -> Listened:
        """What was heard, once all of it is read."""
        while not self.is_read:
            helpers.collect(wait=True)
        readings = (each.result() for each in self.readings)
        return Listened(
            source=str(self.recording.path),
            rate_hz=self.recording.rate_hz,
            channel=self.recording.channel,
            length_s=self.length_s,
            damaged_after_s=self.recording.damaged_after_s,
            readings=tuple(each for each in readings if each is not None),
        )


def _hear(recording: Recording, advance: Advance, helpers: Helpers) -> _Heard:
    readings: list[ToBeRead] = []
    end = 0

    def elsewhere(pluck: Pluck) -> bool:
        if (to_be_read := helpers.read(pluck)) is not None:
            readings.append(to_be_read)
        return to_be_read is not None

    def blocks() -> Iterator[Block]:
        nonlocal end
        for block in recording.blocks():
            yield block
            helpers.collect(wait=False)
            advance(block.start + len(block.samples) - end)
            end = block.start + len(block.samples)

    listener = Listener(recording.rate_hz, elsewhere=elsewhere)
    for each in chain(chain.from_iterable(map(listener.feed, blocks())), listener.finish()):
        if isinstance(each, ReadingReady):
            readings.append(ToBeRead())
            readings[-1].set_result(each.reading)
    return _Heard(recording, end / recording.rate_hz, readings)


def readings_in(blocks: Iterable[Block], rate_hz: int) -> Iterator[Reading | Rejected]:
    """Every pluck in a stream of blocks, each as soon as it has ended."""
    listener = Listener(rate_hz)
    heard = chain(chain.from_iterable(map(listener.feed, blocks)), listener.finish())
    return (each.reading for each in heard if isinstance(each, ReadingReady) and each.final)


def offers_in(recording: Recording) -> Iterator[Reading | Rejected]:
    """Every reading of every pluck as a session hears it, those offered while it rings too."""
    listener = Listener(recording.rate_hz, offer_early=True)
    heard = chain(chain.from_iterable(map(listener.feed, recording.blocks())), listener.finish())
    return (each.reading for each in heard if isinstance(each, ReadingReady))
