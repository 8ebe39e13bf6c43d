"""Recordings to readings: heard one after the other, plucks read on as many cores as wanted."""

from __future__ import annotations

import contextlib
import os
import signal
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Final

from pitchbench.analysis.heard import Listened
from pitchbench.errors import PitchbenchError
from pitchbench.pitch.listener import Listener, ReadingReady
from pitchbench.pitch.reading import Pluck, Reading, Rejected, read_pluck
from pitchbench.sound.recording import Recording
from pitchbench.sound.source import Block

#: Nobody waits for a block of a file; large ones cost less each.
_BLOCK_SIZE: Final = 1 << 16
#: Of less sound than this further processes take about as long to start as they save.
_MUCH_S: Final = 90.0
#: Plucks that may wait to be read, for each process: some megabytes each.
_WAITING: Final = 4


#: Called with the number of frames that were heard since it was called last.
Advance = Callable[[int], object]
#: Called with each recording before it is listened to; the context lasts until it is heard.
Follow = Callable[[Recording], contextlib.AbstractContextManager[Advance]]
#: What comes of a pluck, once it is read.
_ToBeRead = Future[Reading | Rejected | None]


def _follow_none(_: Recording) -> contextlib.AbstractContextManager[Advance]:
    return contextlib.nullcontext(lambda _: None)


def listen_to(
    paths: Iterable[Path],
    *,
    channel: int | None = None,
    jobs: int | None = 1,
    follow: Follow = _follow_none,
) -> Iterator[Listened]:
    """Listen to recordings; what was heard comes in the order of ``paths``, each once it is whole.

    Every file is opened before the first is listened to, so that a wrong name is told at once.

    Parameters
    ----------
    channel : counted from 1; None takes the one in which most happens.
    jobs : how many plucks are read side by side, each in a process of its own, which changes no
        reading; None for as many as there are cores where there is much to hear. The processes
        import the program that asks for them, so that it must not start at import:
        ``if __name__ == "__main__":``.
    follow : is told how far each has been heard.

    Raises
    ------
    PitchbenchError
        If a file cannot be read, or lacks the channel; for the first such file, after what was
        heard of those before it.
    """
    recordings = [Recording(path, channel=channel, block_size=_BLOCK_SIZE) for path in paths]
    if jobs is None:
        length_s = sum(each.frames / each.rate_hz for each in recordings)
        jobs = 1 if length_s < _MUCH_S else _cores()
    with _readers(jobs) as read:
        heard: deque[_Heard] = deque()
        for recording in recordings:
            try:
                with follow(recording) as advance:
                    heard.append(_hear(recording, advance, read))
            except PitchbenchError:
                yield from map(_listened, heard)
                raise
            while heard and all(each.done() for each in heard[0].readings):
                yield _listened(heard.popleft())
        yield from map(_listened, heard)


def _cores() -> int:
    """How many of the machine's cores this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)  # not on every system
    return len(affinity(0)) if affinity else os.cpu_count() or 1


@contextlib.contextmanager
def _readers(jobs: int) -> Iterator[Callable[[Pluck], _ToBeRead]]:
    """Yield what has a pluck read: here and now, or by the next process that is free."""
    if jobs <= 1:
        yield _read_here
        return
    # Loaded here, because few commands start processes.
    import multiprocessing  # noqa: PLC0415
    from concurrent.futures import ProcessPoolExecutor  # noqa: PLC0415
    from concurrent.futures.process import BrokenProcessPool  # noqa: PLC0415

    # Spawned everywhere: a fork of a process with threads, such as those of a numeric library, may
    # lock up.
    try:
        pool = ProcessPoolExecutor(
            jobs, multiprocessing.get_context("spawn"), initializer=_end_when_interrupted
        )
    except OSError:
        # A machine without semaphores, or none left in a full /dev/shm: one after the other, then.
        yield _read_here
        return
    waiting: deque[_ToBeRead] = deque(maxlen=_WAITING * jobs)

    def read(pluck: Pluck) -> _ToBeRead:
        if len(waiting) == waiting.maxlen:
            waiting[0].exception()  # whatever it is: it is asked for again
        waiting.append(pool.submit(read_pluck, pluck))
        return waiting[-1]

    try:
        yield read
    except BrokenProcessPool as error:
        raise PitchbenchError(
            "A process that was reading plucks has ended before its time.",
            "There may be too little memory for so many: try again with --jobs 1.",
        ) from error
    finally:
        pool.shutdown(cancel_futures=True)


def _read_here(pluck: Pluck) -> _ToBeRead:
    return _done(read_pluck(pluck))


def _done(reading: Reading | Rejected | None) -> _ToBeRead:
    done: _ToBeRead = Future()
    done.set_result(reading)
    return done


@dataclass(frozen=True, eq=False)
class _Heard:
    """A recording that was heard to its end; its plucks may yet be waiting to be read."""

    recording: Recording
    length_s: float
    readings: list[_ToBeRead]


def _hear(recording: Recording, advance: Advance, read: Callable[[Pluck], _ToBeRead]) -> _Heard:
    readings: list[_ToBeRead] = []
    listener = Listener(recording.rate_hz, elsewhere=lambda pluck: readings.append(read(pluck)))
    end = 0

    def blocks() -> Iterator[Block]:
        nonlocal end
        for block in recording.blocks():
            yield block
            advance(block.start + len(block.samples) - end)
            end = block.start + len(block.samples)

    for each in chain(chain.from_iterable(map(listener.feed, blocks())), listener.finish()):
        if isinstance(each, ReadingReady):
            readings.append(_done(each.reading))
    return _Heard(recording, end / recording.rate_hz, readings)


def _listened(heard: _Heard) -> Listened:
    """What was heard, once all its plucks are read."""
    recording = heard.recording
    readings = (each.result() for each in heard.readings)
    return Listened(
        source=str(recording.path),
        rate_hz=recording.rate_hz,
        channel=recording.channel,
        length_s=heard.length_s,
        damaged_after_s=recording.damaged_after_s,
        readings=tuple(each for each in readings if each is not None),
    )


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


def _end_when_interrupted() -> None:
    """Ctrl-C reaches every process of a terminal; the first of them is the one to speak of it."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
