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
from typing import TYPE_CHECKING, Final

from pitchbench.analysis.heard import Listened
from pitchbench.errors import PitchbenchError
from pitchbench.pitch.listener import Listener, ReadingReady
from pitchbench.pitch.reading import Pluck, Reading, Rejected, read_pluck, surely_a_pluck
from pitchbench.sound.recording import Recording
from pitchbench.sound.source import Block

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from multiprocessing.context import SpawnProcess

#: Nobody waits for a block of a file; large ones cost less each.
_BLOCK_SIZE: Final = 1 << 16
#: For less sound than this a further process takes about as long to start as it saves.
_MUCH_S: Final = 90.0
#: More processes than this cannot be waited for on Windows.
_MOST_JOBS: Final = 60


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
        jobs = min(_cores(), 1 + int(length_s / _MUCH_S))
    heard: deque[_Heard] = deque()
    with contextlib.closing(_Helpers(min(jobs, _MOST_JOBS) - 1)) as helpers:
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


class _Helpers:
    """Up to ``most`` processes that read plucks beside this one, each one pluck at a time.

    Each is started when all others are busy, and hangs on this one by a pipe alone: one that dies
    shows at once, and all end with this one, however it ends.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._processes: list[SpawnProcess] = []
        self._idle: list[Connection] = []
        self._busy: dict[Connection, _ToBeRead] = {}

    def read(self, pluck: Pluck) -> _ToBeRead | None:
        """Have a pluck read; None where that is left to this process: nobody is free, or it may
        be no pluck at all."""
        self.collect(wait=False)
        if not self._idle:
            self._start_another()
            return None
        if not surely_a_pluck(pluck):
            return None
        helper = self._idle.pop()
        self._busy[helper] = to_be_read = _ToBeRead()
        with _said_if_it_ends():
            helper.send(pluck)
        return to_be_read

    def collect(self, *, wait: bool) -> None:
        """Take what has been read, if need be after waiting for it."""
        if not self._busy:
            return
        # Loaded here, because few commands start processes.
        from multiprocessing import connection  # noqa: PLC0415

        ready = connection.wait(list(self._busy), None if wait else 0.0)
        for helper in [each for each in self._busy if each in ready]:
            with _said_if_it_ends():
                answer = helper.recv()
            to_be_read = self._busy.pop(helper)
            self._idle.append(helper)
            if isinstance(answer, Exception):
                to_be_read.set_exception(answer)
            else:
                to_be_read.set_result(answer)

    def close(self) -> None:
        """End them, whatever they are at: they hold nothing that could be lost."""
        for process in self._processes:
            process.kill()
        for process in self._processes:
            process.join()
        for helper in (*self._idle, *self._busy):
            helper.close()

    def _start_another(self) -> None:
        if len(self._processes) >= self._most:
            return
        from multiprocessing import get_context  # noqa: PLC0415

        # Spawned everywhere: a fork of a process with threads, such as those of a numeric library,
        # may lock up.
        spawn = get_context("spawn")
        helper, theirs = spawn.Pipe()
        process = spawn.Process(target=_read_for, args=(theirs,), daemon=True)
        try:
            with _interrupts_held_back():
                process.start()
        except OSError:
            # No room for more processes: those that there are will do.
            self._most = 0
            helper.close()
            return
        finally:
            theirs.close()
        self._processes.append(process)
        self._busy[helper] = _ToBeRead()  # until it says that it has started


def _read_for(asking: Connection) -> None:
    """What a helper does: read every pluck that comes, until nobody is there any more."""
    # Ctrl-C reaches every process of a terminal; the first of them is the one to speak of it.
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    _let_interrupts_through()
    answer: Reading | Rejected | Exception | None = None
    with contextlib.suppress(EOFError, OSError):
        while True:
            asking.send(answer)
            pluck = asking.recv()
            try:
                answer = read_pluck(pluck)
            except Exception as error:
                answer = error


@contextlib.contextmanager
def _said_if_it_ends() -> Iterator[None]:
    try:
        yield
    except (EOFError, OSError) as error:
        raise PitchbenchError(
            "A process that was reading plucks has ended before its time.",
            "There may be too little memory for so many: try again with --jobs 1.",
        ) from error


@contextlib.contextmanager
def _interrupts_held_back() -> Iterator[None]:
    """So that a process being started has no words for Ctrl-C of its own. Windows has no such."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker  # noqa: PLC0415

    resource_tracker.ensure_running()  # which lets them through when it is started
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _let_interrupts_through() -> None:
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, [signal.SIGINT])


@dataclass(frozen=True, eq=False)
class _Heard:
    """A recording that was heard to its end; some plucks may yet be waiting to be read."""

    recording: Recording
    length_s: float
    readings: list[_ToBeRead]

    @property
    def is_read(self) -> bool:
        """Whether all is read that was heard in it."""
        return all(each.done() for each in self.readings)

    def whole(self, helpers: _Helpers) -> Listened:
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


def _hear(recording: Recording, advance: Advance, helpers: _Helpers) -> _Heard:
    readings: list[_ToBeRead] = []
    end = 0

    def elsewhere(pluck: Pluck) -> bool:
        if (to_be_read := helpers.read(pluck)) is not None:
            readings.append(to_be_read)
        return to_be_read is not None

    def blocks() -> Iterator[Block]:
        nonlocal end
        for block in recording.blocks():
            yield block
            advance(block.start + len(block.samples) - end)
            end = block.start + len(block.samples)

    listener = Listener(recording.rate_hz, elsewhere=elsewhere)
    for each in chain(chain.from_iterable(map(listener.feed, blocks())), listener.finish()):
        if isinstance(each, ReadingReady):
            readings.append(_ToBeRead())
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
