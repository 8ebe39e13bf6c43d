"""The screen in a pseudo-terminal: what stands on it, keys, sizes, and how it is given back.

A shell prints the terminal's settings before and after the program; pyte is the terminal.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path

import pexpect
import pyte
import pytest
from test_goldens import GOLDENS, stored

HERE = Path(__file__).parent
CHILD = HERE / "screen_child.py"


class Terminal:
    """A program running in a shell in a pseudo-terminal."""

    def __init__(self, folder: Path, *arguments: str, jobs: bool = False) -> None:
        columns, lines = 80, 24
        self._pid_file = folder / "pid"
        program = f"'{sys.executable}' '{CHILD}' '{self._pid_file}' {' '.join(arguments)}"
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
            env={**os.environ, "TERM": "xterm-256color", "PYTHONPATH": str(HERE)},
        )

    @property
    def pid(self) -> int:
        """Of the program, not of the shell."""
        return int(self._pid_file.read_text())

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
        end = time.monotonic() + seconds
        while self.lines != lines and time.monotonic() < end:
            self.read(0.1)
        assert self.lines == lines

    def send(self, keys: str) -> None:
        self._child.send(keys)

    def resize(self, columns: int, lines: int) -> None:
        self._screen.resize(lines, columns)
        self._child.setwinsize(lines, columns)

    def wait_for_end(self) -> None:
        end = time.monotonic() + 15
        while self._child.isalive() and time.monotonic() < end:
            self.read(0.1)
        self.read(0.2)
        assert not self._child.isalive()

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


def golden(name: str, size: str = "80x24") -> list[str]:
    return stored(GOLDENS / f"{size}-monochrome.txt")[name].split("\n")


def test_what_stands_on_the_terminal_is_the_view(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path)
    terminal.wait_for(golden("before"))
    terminal.send("n")
    terminal.wait_for(golden("tune"))
    terminal.send("nn")
    terminal.wait_for(golden("open-first"))
    terminal.send("\x1b[D")
    terminal.wait_for(golden("open"))
    terminal.send("\x1b")
    terminal.read(0.2)
    terminal.send("[C")
    terminal.wait_for(golden("open-first"))
    terminal.send("q")
    terminal.was_given_back(status=0)


def test_it_follows_the_size_of_the_window(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path)
    terminal.wait_for(golden("before"))
    for columns, lines in ((120, 40), (40, 12), (80, 24)):
        terminal.resize(columns, lines)
        terminal.wait_for(golden("before", f"{columns}x{lines}"))
    terminal.resize(30, 8)
    terminal.wait_for(["too small: needs 40 x 12", *[""] * 7])
    terminal.send("q")
    terminal.was_given_back(status=0)


def test_an_exception_gives_the_terminal_back_and_is_shown_after_it(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path)
    terminal.wait_for(golden("before"))
    terminal.send("r")
    terminal.was_given_back(status=1)
    after = terminal.output.decode().rpartition("\x1b[?1049l")[2]
    assert "RuntimeError: demo failure" in after


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT"])
def test_signals_give_the_terminal_back(tmp_path: Path, name: str) -> None:
    terminal = Terminal(tmp_path)
    terminal.wait_for(golden("before"))
    os.kill(terminal.pid, getattr(signal, name))
    # The shell reports an interrupted program as 128 plus SIGINT.
    terminal.was_given_back(status=130)


def test_suspended_and_continued(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path, jobs=True)
    terminal.wait_for(golden("before"))
    terminal.send("\x1a")
    terminal.read(0.7)
    settings, _, rest = terminal.output.decode().partition("\r\n")
    screen, _, after = rest.rpartition("\x1b[?1049l")
    assert "before you start" in screen
    assert settings in after
    terminal.send("\n")
    terminal.wait_for(golden("before"))
    terminal.send("n")
    terminal.wait_for(golden("tune"))
    terminal.send("q")
    terminal.was_given_back(status=0)


def test_nothing_is_written_while_nothing_changes(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path)
    terminal.wait_for(golden("before"))
    terminal.read(0.3)
    assert terminal.read(2.0) == b""
    terminal.send("q")
    terminal.was_given_back(status=0)


def test_little_is_written_while_a_note_rings(tmp_path: Path) -> None:
    """130 live pitches in three seconds; drawn whole 15 times a second, 80x24 would be at least
    28 800 bytes a second."""
    terminal = Terminal(tmp_path, "storm")
    while b"wait (settling)" not in terminal.output:
        terminal.read(0.05)
    before = len(terminal.output)
    terminal.read(2.5)
    per_second = (len(terminal.output) - before) / 2.5
    assert 0 < per_second < 4000
    terminal.wait_for(golden("before"))
    terminal.send("q")
    terminal.was_given_back(status=0)
