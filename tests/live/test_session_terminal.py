"""A session on a real terminal that shrinks to nothing, or is closed."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pexpect
import pyte
import pytest
from guided_bench import PITCHBENCH, Hands
from virtual_mic import VirtualMic

from pitchbench.presets import preset
from pitchbench.records.repository import Repository
from pitchbench.session.log import TakeEntry, TakeFate
from pitchbench.strings.virtual import VirtualInstrument

pytestmark = [pytest.mark.live, pytest.mark.timeout(120)]

PATIENCE_S = 20.0
ASKED = "Pluck string 6 open to begin."


class Window:
    """A terminal with a session in it."""

    def __init__(self, vmic: VirtualMic, store: Path) -> None:
        self._screen = pyte.Screen(80, 24)
        self._stream = pyte.ByteStream(self._screen)
        self.child = pexpect.spawn(
            PITCHBENCH[0],
            [*PITCHBENCH[1:], "session", "--strings", "6", "--store", str(store)],
            env={**vmic.env, "TERM": "xterm-256color", "LC_ALL": "C.UTF-8"},
            dimensions=(24, 80),
        )

    def read(self, seconds: float) -> None:
        """Draw what comes within ``seconds``."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            try:
                self._stream.feed(self.child.read_nonblocking(65536, timeout=0.05))
            except pexpect.TIMEOUT:
                continue

    def wait_until(self, holds: Callable[[], bool]) -> None:
        """Draw until ``holds()``."""
        end = time.monotonic() + PATIENCE_S
        while not holds():
            assert time.monotonic() < end, "\n".join(self._screen.display)
            self.read(0.1)

    def shows(self, words: str) -> bool:
        """Whether ``words`` stand on the terminal."""
        return words in "\n".join(self._screen.display)

    def resize(self, columns: int, lines: int) -> None:
        """Give the window another size, and then nothing stands on it. A size of 0 says that it is
        not known, so the window stays as it is."""
        if columns and lines and (columns, lines) != (self._screen.columns, self._screen.lines):
            self._screen = pyte.Screen(columns, lines)
            self._stream = pyte.ByteStream(self._screen)
        self.child.setwinsize(lines, columns)

    def close(self) -> None:
        """Close it under the program."""
        self.child.ptyproc.fileobj.close()


def listened_to(vmic: VirtualMic) -> bool:
    """Whether any program has the input open."""
    command = ["pactl", "list", "short", "source-outputs"]
    return bool(subprocess.run(command, env=vmic.env, capture_output=True, check=True).stdout)


@pytest.fixture
def window(vmic: VirtualMic, tmp_path: Path) -> Iterator[Window]:
    opened = Window(vmic, tmp_path / "records.sqlite")
    opened.wait_until(lambda: opened.shows(ASKED) and listened_to(vmic))
    yield opened
    if opened.child.isalive():
        opened.child.kill(9)
        opened.child.wait()


@pytest.mark.parametrize("size", [(1, 1), (0, 0), (80, 1), (1, 24)])
def test_a_window_of_no_size_and_back(window: Window, size: tuple[int, int]) -> None:
    window.resize(*size)
    window.read(0.3)
    assert window.shows(ASKED) is (0 in size)
    window.resize(80, 24)
    window.wait_until(lambda: window.shows(ASKED))
    assert window.child.isalive()


def takes(store: Path) -> list[TakeFate]:
    with Repository.open(store) as repository:
        entries = repository.session(repository.find_session("last")).entries
    return [entry.take.fate for entry in entries if isinstance(entry, TakeEntry)]


def test_the_terminal_is_closed(window: Window, vmic: VirtualMic, tmp_path: Path) -> None:
    store = tmp_path / "records.sqlite"
    instrument = VirtualInstrument(preset("six-string"), seed=9)
    instrument.tune(6)
    window.read(0.3)
    Hands(vmic, tmp_path, instrument).pluck(6, 0)
    window.wait_until(lambda: takes(store) == [TakeFate.ACCEPTED])
    window.close()
    _, status = os.waitpid(window.child.pid, 0)
    window.child.ptyproc.terminated = True
    # As after Ctrl-C: ended in order, not killed. The input is free again.
    assert os.waitstatus_to_exitcode(status) == 130
    assert not listened_to(vmic)
    assert takes(store) == [TakeFate.ACCEPTED]
