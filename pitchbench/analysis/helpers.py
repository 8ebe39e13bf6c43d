"""Processes that read plucks while this one hears the next."""

from __future__ import annotations

import contextlib
import signal
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import replace
from typing import TYPE_CHECKING

from pitchbench.errors import PitchbenchError
from pitchbench.pitch.reading import Pluck, Reading, Rejected, read_pluck, surely_a_pluck

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from multiprocessing.context import SpawnProcess

#: What comes of a pluck, once it is read.
ToBeRead = Future[Reading | Rejected | None]


class Helpers:
    """Up to ``most`` processes that read plucks, each one pluck at a time; fewer than two are none.

    Each is started when all others are busy, and hangs on this one by a pipe alone: one that dies
    shows at once, and all end with this one, however it ends. Once there are some, this process
    reads no pluck, but hears ahead by as many as there are of them, so that whoever is free finds
    one waiting.
    """

    def __init__(self, most: int) -> None:
        self._most = most if most > 1 else 0
        self._processes: list[SpawnProcess] = []
        self._starting: set[Connection] = set()
        self._idle: list[Connection] = []
        self._busy: dict[Connection, ToBeRead] = {}
        self._waiting: deque[tuple[Pluck, ToBeRead]] = deque()

    def read(self, pluck: Pluck) -> ToBeRead | None:
        """Have a pluck read; None where that is left to this process: there are no helpers yet, or
        it may be no pluck at all."""
        self.collect(wait=False)
        if not self._idle:
            self._start_another()
        if not (self._idle or self._busy) or not surely_a_pluck(pluck):
            return None
        to_be_read = ToBeRead()
        # What it was heard in goes on, and may move.
        self._waiting.append((replace(pluck, samples=pluck.samples.copy()), to_be_read))
        self._hand_out()
        while len(self._waiting) > len(self._processes):
            self.collect(wait=True)
        return to_be_read

    def collect(self, *, wait: bool) -> None:
        """Take what has been read, if need be after waiting for it, and hand out what waits."""
        expected = [*self._busy, *self._starting]
        if not expected:
            return
        # Loaded here, because few commands start processes.
        from multiprocessing import connection  # noqa: PLC0415

        ready = connection.wait(expected, None if wait else 0.0)
        for helper in [each for each in expected if each in ready]:
            with _said_if_it_ends():
                answer = helper.recv()
            self._idle.append(helper)
            if helper in self._starting:
                self._starting.remove(helper)
            elif isinstance(answer, Exception):
                self._busy.pop(helper).set_exception(answer)
            else:
                self._busy.pop(helper).set_result(answer)
        self._hand_out()

    def _hand_out(self) -> None:
        while self._idle and self._waiting:
            helper, (pluck, to_be_read) = self._idle.pop(), self._waiting.popleft()
            self._busy[helper] = to_be_read
            with _said_if_it_ends():
                helper.send(pluck)

    def close(self) -> None:
        """End them, whatever they are at: they hold nothing that could be lost."""
        for process in self._processes:
            process.kill()
        for process in self._processes:
            process.join()
        for helper in (*self._starting, *self._idle, *self._busy):
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
        self._starting.add(helper)  # until it says that it has started


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
