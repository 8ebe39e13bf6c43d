"""The end that a person or the system asks for, by Ctrl-C or by a signal, and that it comes.

Python heeds a signal between two of its own steps. A library that waits in C, for a sound server
that stands still or for another program's lock, takes none; so where a program is to end whatever
happens a clock runs from the signal on, in a thread that the system itself wakes. What keeps things
(`saving`) is waited for, and sees to it that this is not long.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Final, NoReturn

#: Windows has no SIGHUP.
_SIGNALS: Final = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)

#: Threads that may be left behind bear names that begin so.
LEFT_BEHIND: Final = "pitchbench-"

#: How long the program may take to end by itself, so that it is over two seconds after the signal.
_PATIENCE_S: Final = 1.6

_saving: Final = threading.RLock()


class _Asked:
    """Whether this process has been asked to end, and within how many `heeded` it is."""

    asked = False
    depth = 0


def interrupt(_number: int, _frame: object) -> None:
    """Handle a signal: the first one is KeyboardInterrupt; the end that it begins is not cut short
    by those that follow."""
    if not _Asked.asked:
        _Asked.asked = True
        raise KeyboardInterrupt


def asked() -> bool:
    """Whether the end has been asked for."""
    return _Asked.asked


def heed() -> None:
    """Raise KeyboardInterrupt if the end has been asked for: one that was raised within a callback
    or a destructor is lost."""
    if _Asked.asked:
        raise KeyboardInterrupt


@contextmanager
def heeded() -> Iterator[None]:
    """While this lasts, SIGTERM and SIGHUP are heeded like Ctrl-C. What is ignored, as a hang-up is
    under nohup, stays so."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    _Asked.depth += 1
    before = {number: signal.getsignal(number) for number in _SIGNALS}
    for number, handler in before.items():
        if handler is not signal.SIG_IGN:
            signal.signal(number, interrupt)
    shown = sys.unraisablehook

    def show(unraisable: sys.UnraisableHookArgs) -> None:
        # One that is lost is not worth a traceback: `heed` finds it.
        if unraisable.exc_type is not KeyboardInterrupt:
            shown(unraisable)

    sys.unraisablehook = show
    try:
        yield
    finally:
        sys.unraisablehook = shown
        for number, handler in before.items():
            signal.signal(number, handler)
        _Asked.depth -= 1
        if _Asked.depth == 0:
            _Asked.asked = False


@contextmanager
def left_to_pager() -> Iterator[None]:
    """While this lasts Ctrl-C is for the pager, which reads the same terminal and goes on."""
    before = signal.signal(signal.SIGINT, lambda _number, _frame: None)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def saving() -> Iterator[None]:
    """What is done within is done to its end: the clock waits for it."""
    with _saving:
        yield


@contextmanager
def in_time(exit_code: int) -> Iterator[None]:
    """While this lasts, and for good once the end has been asked for: two seconds after a signal
    the process is gone, with ``exit_code``."""
    if os.name == "nt" or threading.current_thread() is not threading.main_thread():
        yield  # Windows wakes sockets alone, and knows none of these signals but Ctrl-C
        return
    told, tells = os.pipe()
    os.set_blocking(tells, False)
    before = signal.set_wakeup_fd(tells, warn_on_full_buffer=False)
    watch = threading.Thread(
        target=_watch, args=(told, exit_code), name=f"{LEFT_BEHIND}clock", daemon=True
    )
    watch.start()
    try:
        yield
    finally:
        if not _Asked.asked:
            signal.set_wakeup_fd(before)
            os.close(tells)
            watch.join()


def _watch(told: int, exit_code: int) -> None:
    """Wait for a signal, and end the process if it has not ended by itself in time."""
    while number := os.read(told, 1):
        if signal.getsignal(number[0]) is interrupt:
            time.sleep(_PATIENCE_S)
            with _saving:
                os._exit(exit_code)
    os.close(told)


def leave(exit_code: int) -> NoReturn:
    """End the program; a thread that stands still within a library is left behind."""
    for stream in (sys.stdout, sys.stderr):
        with suppress(ValueError):
            try:
                stream.flush()
            except OSError:
                # Its terminal has gone. What is left in the buffer must go somewhere, or the
                # interpreter would end with a code of its own.
                os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
    stands = [each.name for each in threading.enumerate() if each.name.startswith(LEFT_BEHIND)]
    if any(name != f"{LEFT_BEHIND}clock" for name in stands):
        os._exit(exit_code)
    sys.exit(exit_code)
