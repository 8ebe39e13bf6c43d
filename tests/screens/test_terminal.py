"""The screen in a pseudo-terminal: what stands on it, keys, sizes, and how it is given back."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

import pytest
from terminal import HERE, Terminal
from test_goldens import GOLDENS, stored

CHILD = HERE / "screen_child.py"


def browse(folder: Path, *arguments: str, jobs: bool = False) -> tuple[Terminal, Path]:
    """The demo states in a terminal, and the file that holds the program's number."""
    pid_file = folder / "pid"
    return Terminal([sys.executable, str(CHILD), str(pid_file), *arguments], jobs=jobs), pid_file


def golden(name: str, size: str = "80x24") -> list[str]:
    return stored(GOLDENS / f"{size}-monochrome.txt")[name].split("\n")


def test_what_stands_on_the_terminal_is_the_view(tmp_path: Path) -> None:
    terminal, _ = browse(tmp_path)
    terminal.wait_for(golden("before"))
    terminal.send("nn")
    terminal.wait_for(golden("tune"))
    terminal.send("nnn")
    terminal.wait_for(golden("tune-sharp"))
    terminal.send("\x1b[D")
    terminal.wait_for(golden("tune-near"))
    # The Esc key by itself swallows nothing that comes after it.
    terminal.send("\x1b")
    terminal.read(0.2)
    terminal.send("n")
    terminal.wait_for(golden("tune-sharp"))
    terminal.send("q")
    terminal.was_given_back(status=0)


def test_it_follows_the_size_of_the_window(tmp_path: Path) -> None:
    terminal, _ = browse(tmp_path)
    terminal.wait_for(golden("before"))
    for columns, lines in ((120, 40), (40, 12), (80, 24)):
        terminal.resize(columns, lines)
        terminal.wait_for(golden("before", f"{columns}x{lines}"))
    terminal.resize(30, 8)
    terminal.wait_for(["too small: needs 40 x 12", *[""] * 7])
    terminal.send("q")
    terminal.was_given_back(status=0)


def test_an_exception_gives_the_terminal_back_and_is_shown_after_it(tmp_path: Path) -> None:
    terminal, _ = browse(tmp_path)
    terminal.wait_for(golden("before"))
    terminal.send("r")
    terminal.was_given_back(status=1)
    after = terminal.output.decode().rpartition("\x1b[?1049l")[2]
    assert "RuntimeError: demo failure" in after


def test_what_c_libraries_write_does_not_cross_the_screen(tmp_path: Path) -> None:
    terminal, _ = browse(tmp_path, "complaint")
    terminal.wait_for(golden("before"))
    assert "C library" not in terminal.output.decode()
    terminal.send("q")
    terminal.was_given_back(status=0)
    after = terminal.output.decode().rpartition("\x1b[?1049l")[2]
    assert after.count("from a C library") == 9  # kept, and said when the screen is gone


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT"])
def test_signals_give_the_terminal_back(tmp_path: Path, name: str) -> None:
    terminal, pid_file = browse(tmp_path)
    terminal.wait_for(golden("before"))
    os.kill(int(pid_file.read_text()), getattr(signal, name))
    # The shell reports an interrupted program as 128 plus SIGINT.
    terminal.was_given_back(status=130)


def test_suspended_and_continued(tmp_path: Path) -> None:
    terminal, _ = browse(tmp_path, jobs=True)
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
    terminal.wait_for(golden("before-heard"))
    terminal.send("q")
    terminal.was_given_back(status=0)


def test_nothing_is_written_while_nothing_changes(tmp_path: Path) -> None:
    terminal, _ = browse(tmp_path)
    terminal.wait_for(golden("before"))
    terminal.read(0.3)
    assert terminal.read(2.0) == b""
    terminal.send("q")
    terminal.was_given_back(status=0)


def test_little_is_written_while_a_note_rings(tmp_path: Path) -> None:
    """130 live pitches in three seconds; drawn whole 15 times a second, 80x24 would be at least
    28 800 bytes a second."""
    terminal, _ = browse(tmp_path, "storm")
    while b"wait (settling)" not in terminal.output:
        terminal.read(0.05)
    before = len(terminal.output)
    terminal.read(2.5)
    per_second = (len(terminal.output) - before) / 2.5
    assert 0 < per_second < 2000
    terminal.wait_for(golden("before"))
    terminal.send("q")
    terminal.was_given_back(status=0)
