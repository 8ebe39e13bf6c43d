"""A program in a shell in a pseudo-terminal, with pyte as the terminal."""

from __future__ import annotations

import os
import shlex
import time
from collections.abc import Callable
from pathlib import Path

import pexpect
import pyte

HERE = Path(__file__).parent

#: Where a child finds what the tests share, and the program that the tests themselves use.
_PATHS = os.pathsep.join(str(path) for path in (HERE, HERE.parent, HERE.parents[1]))


class Terminal:
    """A program running in a shell in a pseudo-terminal.

    The shell prints the terminal's settings before and after the program, and its exit status.
    """

    def __init__(
        self, command: list[str], *, columns: int = 80, lines: int = 24, jobs: bool = False
    ) -> None:
        program = shlex.join(command)
        if jobs:
            # With job control the shell goes on when the program stops; fg brings it back.
            program = f"set -m; {program}; stty -g; read -r line; fg"
        self.output = b""
        self._screen = pyte.Screen(columns, lines)
        self._stream = pyte.ByteStream(self._screen)
        self._child = pexpect.spawn(
            "/bin/bash",
            ["-c", f"stty -g; {program}; echo status $?; stty -g"],
            dimensions=(lines, columns),
            env={**os.environ, "TERM": "xterm-256color", "PYTHONPATH": _PATHS},
        )

    @property
    def lines(self) -> list[str]:
        return [line.rstrip() for line in self._screen.display]

    def read(self, seconds: float) -> bytes:
        """What comes within ``seconds``; less if the program ends."""
        end = time.monotonic() + seconds
        came = b""
        while time.monotonic() < end:
            try:
                came += self._child.read_nonblocking(65536, timeout=0.05)
            except pexpect.TIMEOUT:
                continue
            except pexpect.EOF:
                break
        self.output += came
        self._stream.feed(came)
        return came

    def wait_for(self, lines: list[str], seconds: float = 15.0) -> None:
        """Until exactly ``lines`` stand on the terminal."""
        self.wait_until(lambda: self.lines == lines, seconds)
        assert self.lines == lines

    def wait_until(self, holds: Callable[[], bool], seconds: float) -> bool:
        """Until ``holds()`` or the time is over; which of the two."""
        end = time.monotonic() + seconds
        while not holds() and time.monotonic() < end:
            self.read(0.05)
        return holds()

    def send(self, keys: str) -> None:
        self._child.send(keys)

    def resize(self, columns: int, lines: int) -> None:
        self._screen.resize(lines, columns)
        self._child.setwinsize(lines, columns)

    def wait_for_end(self, seconds: float = 15.0) -> None:
        assert self.wait_until(lambda: not self._child.isalive(), seconds)
        self.read(0.2)

    def was_given_back(self, status: int) -> None:
        """The terminal's settings are those from before, and so are screen, cursor and wrapping."""
        self.wait_for_end()
        text = self.output.decode()
        words = text.split("\r\n")
        assert words[-3].endswith(f"status {status}")
        assert words[-2] == words[0]
        for switch_on, switch_off in (("?1049h", "?1049l"), ("?25l", "?25h"), ("?7l", "?7h")):
            assert text.count(f"\x1b[{switch_on}") == text.count(f"\x1b[{switch_off}") >= 1
            assert text.rindex(f"\x1b[{switch_off}") > text.rindex(f"\x1b[{switch_on}")
