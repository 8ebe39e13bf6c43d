"""Keys, read without waiting, from a terminal that is put back on every way out.

POSIX terminals through termios, Windows consoles through msvcrt. No thread: whoever runs the
session asks ``poll`` now and then. Signals stay on, so Ctrl-C, Ctrl-Z and the rest do what they
always do.
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import sys
from collections.abc import Mapping
from typing import Any, Final

from pitchbench.screen.keyhelp import COMMAND_OF_KEY
from pitchbench.session.job import Command, KeyPressed

if sys.platform == "win32":  # pragma: no cover - tried on no Windows machine yet
    import msvcrt
else:
    import termios

#: A cursor or function key (ECMA-48 control sequence, or the older single shifts); one that has not
#: arrived whole yet matches ``_UNFINISHED``. An escape before anything else is the Esc key.
_ESCAPE: Final = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|O.)")
_UNFINISHED: Final = re.compile(r"\x1b(?:\[[0-?]*[ -/]*|O)?$")

#: A terminal sends a cursor key as a whole; what is unfinished for longer was the Esc key.
_WHOLE_S: Final = 0.05

_CURSOR: Final = {
    "\x1b[C": Command.NEXT, "\x1bOC": Command.NEXT,
    "\x1b[D": Command.PREVIOUS, "\x1bOD": Command.PREVIOUS,
}  # fmt: skip

_MOST_FIGURES: Final = 4


class KeyParser:
    """Turns what a terminal sends into commands. ``typed`` holds the figures of a take number.

    ``own`` are the keys that a job has besides, or has for something else.
    """

    def __init__(self, own: Mapping[str, Command] | None = None) -> None:
        self._own = own or {}
        self.typed = ""
        self._rest = ""

    def feed(self, text: str) -> list[KeyPressed]:
        """The commands that ``text`` completes; what is half a sequence waits for the rest."""
        text, self._rest = self._rest + text, ""
        pressed = []
        at = 0
        while at < len(text):
            if _UNFINISHED.match(text, at):
                self._rest = text[at:]
                break
            escape = _ESCAPE.match(text, at)
            key = escape.group() if escape else text[at]
            at += len(key)
            command = self._command(key)
            if command is not None:
                pressed.append(command)
        return pressed

    def settle(self) -> list[KeyPressed]:
        """What half a sequence means if the rest of it does not come."""
        rest, self._rest = self._rest, ""
        command = self._command(rest[0]) if rest else None
        return [] if command is None else [command]

    @property
    def waits(self) -> bool:
        """Whether half a sequence waits for the rest."""
        return bool(self._rest)

    def _command(self, key: str) -> KeyPressed | None:
        if key.isascii() and key.isdigit():
            self.typed = (self.typed + key)[:_MOST_FIGURES]
            return None
        if key in ("\x7f", "\b"):
            self.typed = self.typed[:-1]
            return None
        typed, self.typed = self.typed, ""
        command = self._own.get(key) or _CURSOR.get(key) or COMMAND_OF_KEY.get(key.lower())
        if command is None:
            return None
        if command is Command.STRIKE and typed:
            return KeyPressed(command, int(typed))
        return KeyPressed(command)


def drop_typed() -> None:
    """Forget what was typed at a screen that has closed and was read by nobody, so that it answers
    no question that follows."""
    if sys.platform != "win32":
        with contextlib.suppress(OSError, ValueError, AttributeError, termios.error):
            termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)


class KeyReader:
    """Reads keys from a terminal; a context manager that leaves it as it was found.

    Parameters
    ----------
    descriptor : file descriptor of the terminal, standard input if None. If it is no terminal,
        there are no keys.
    own : as for `KeyParser`.
    """

    def __init__(
        self, descriptor: int | None = None, *, own: Mapping[str, Command] | None = None
    ) -> None:
        self._parser = KeyParser(own)
        self._descriptor = descriptor
        self._before: Any = None

    @property
    def typed(self) -> str:
        """Figures of a take number typed so far."""
        return self._parser.typed

    @property
    def at_terminal(self) -> bool:
        """Whether there is a terminal, and with it somebody who may press keys."""
        return self._before is not None if sys.platform != "win32" else sys.stdin.isatty()

    def __enter__(self) -> KeyReader:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def poll(self) -> list[KeyPressed]:
        """The commands since the last call; waits for nothing but the rest of a cursor key."""
        text = self._read(_WHOLE_S if self._parser.waits else 0.0)
        return self._parser.feed(text) if text else self._parser.settle()

    if sys.platform == "win32":  # pragma: no cover - tried on no Windows machine yet

        def start(self) -> None:
            """A console needs no preparation."""

        def stop(self) -> None:
            """Nothing to put back."""

        def _read(self, _wait_s: float) -> str:
            text = ""
            while msvcrt.kbhit():
                key = msvcrt.getwch()
                if key in ("\x00", "\xe0"):
                    # A cursor key comes as two characters; K is left, M is right.
                    key = {"K": "\x1b[D", "M": "\x1b[C"}.get(msvcrt.getwch(), "")
                text += key
            return text

    else:

        def start(self) -> None:
            """Deliver keys one by one and unseen from now on."""
            if self._descriptor is None:
                try:
                    self._descriptor = sys.stdin.fileno()
                except (OSError, ValueError, AttributeError):
                    return
            if not os.isatty(self._descriptor):
                return
            self._before = termios.tcgetattr(self._descriptor)
            mode = termios.tcgetattr(self._descriptor)
            mode[3] &= ~(termios.ICANON | termios.ECHO)
            mode[6][termios.VMIN] = 0
            mode[6][termios.VTIME] = 0
            # Draining would wait for a terminal that does not read; keys typed before are kept.
            termios.tcsetattr(self._descriptor, termios.TCSANOW, mode)

        def stop(self) -> None:
            """Put the terminal back; harmless if that was done or if the terminal is gone."""
            if self._before is None or self._descriptor is None:
                return
            before, self._before = self._before, None
            try:
                termios.tcsetattr(self._descriptor, termios.TCSANOW, before)
            except termios.error:
                return

        def _read(self, wait_s: float) -> str:
            if self._before is None or self._descriptor is None:
                return ""
            try:
                if not select.select([self._descriptor], [], [], wait_s)[0]:
                    return ""
                return os.read(self._descriptor, 1024).decode("utf-8", "ignore")
            except OSError:
                # The terminal is gone; the hang-up signal that goes with it ends the session.
                return ""
