"""The last thing a program does; that every signal leads there is in tests/live/test_endings.py."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pitchbench.errors import ExitCode

_SAYS_A_WORD_TOO_LATE = """
import sys
from pitchbench.ending import leave
print("it runs")
sys.stdin.read()
sys.stdout.write("never seen")
leave(int(sys.argv[1]))
"""


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="Windows has no terminals of this kind")
def test_a_terminal_that_has_gone_changes_no_exit_code() -> None:
    ours, theirs = os.openpty()
    # Unbuffered it would have been told at once.
    buffered = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    words = [sys.executable, "-c", _SAYS_A_WORD_TOO_LATE, str(int(ExitCode.INTERRUPTED))]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=theirs, env=buffered) as program:
        assert os.read(ours, 100).split() == [b"it", b"runs"]
        os.close(theirs)
        os.close(ours)
        program.communicate(b"")
    assert program.returncode == ExitCode.INTERRUPTED


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="only Linux has a disk always full")
@pytest.mark.parametrize("words", [["--version"], ["guide"], ["trouble", "--help"]])
def test_output_that_has_no_room_is_said_in_a_sentence(words: list[str]) -> None:
    program = [sys.executable, "-m", "pitchbench", *words]
    with open("/dev/full", "w") as full:
        ended = subprocess.run(program, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert ended.returncode == ExitCode.USAGE
    assert ended.stderr == (
        "pitchbench: What there is to show cannot be written: No space left on device.\n"
        "Make room where the output goes, or send it elsewhere.\n"
    )


@pytest.mark.skipif(sys.platform == "win32", reason="a shell of Unix closes the stream")
@pytest.mark.parametrize("words", ["--version", "guide", "schema offset"])
def test_output_that_goes_nowhere_is_said_in_a_sentence(words: str) -> None:
    program = f"{sys.executable} -m pitchbench {words} >&-"
    ended = subprocess.run(["sh", "-c", program], stderr=subprocess.PIPE, text=True, check=False)
    assert ended.returncode == ExitCode.USAGE
    assert ended.stderr == (
        "pitchbench: What there is to show cannot be written: the output is closed.\n"
        "Make room where the output goes, or send it elsewhere.\n"
    )
    # What is narrated is for nobody then.
    quiet = ["sh", "-c", f"{program[:-4]} >/dev/null 2>&-"]
    assert subprocess.run(quiet, check=False).returncode == 0


_LOST = """
import os, signal, sys
from pathlib import Path
from pitchbench.analysis import listening
from pitchbench.commands import main

class Gone:
    def __del__(self):
        os.kill(os.getpid(), signal.SIGTERM)
        for _ in range(1000):  # Python heeds it between two of these
            pass

hear = listening._hear

def hear_once_asked(*heard):
    Gone()  # nothing holds it: what is raised while it goes is lost
    return hear(*heard)

listening._hear = hear_once_asked
main()
"""


def test_a_signal_that_falls_into_a_destructor_is_heeded_all_the_same(tmp_path: Path) -> None:
    path = tmp_path / "long.wav"
    soundfile.write(path, np.zeros(8000 * 3600, dtype=np.float32), 8000)
    ran = subprocess.run(
        [sys.executable, "-c", _LOST, "read", path], capture_output=True, text=True, check=False
    )
    assert ran.returncode == ExitCode.INTERRUPTED
    assert "Traceback" not in ran.stderr
    assert "Listening to" in ran.stderr
    # By itself: the clock that runs from the signal on says nothing.
    assert "interrupted" in ran.stderr
