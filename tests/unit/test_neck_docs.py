"""What docs/neck.md shows is what the program prints on a terminal of 80 columns."""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import pexpect
import pytest

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs/neck.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```\n(.*?)^```$", PAGE, re.DOTALL | re.MULTILINE)
COMMANDS = re.findall(r"^    pitchbench (neck samples/.*)$", PAGE, re.MULTILINE)
NUMBER = re.compile(r"[-+−]?\d+(?:\.\d+)?")
ESCAPE = re.compile(r"\x1b\[[0-9;]*m")


def test_there_are_examples() -> None:
    assert len(COMMANDS) == 2


@pytest.mark.parametrize(("command", "block"), list(zip(COMMANDS, BLOCKS, strict=True)))
def test_the_page_shows_what_the_program_prints(command: str, block: str) -> None:
    child = pexpect.spawn(
        sys.executable,
        ["-c", "from pitchbench.commands import main; main()", *command.split()],
        dimensions=(24, 80),
        cwd=str(ROOT),
        env={"TERM": "xterm", "LC_ALL": "C.UTF-8", "PATH": os.environ["PATH"]},
        encoding="utf-8",
        timeout=60,
    )
    child.expect(pexpect.EOF)
    lines = [line.rstrip() for line in ESCAPE.sub("", child.before).splitlines()]
    shown, written = "\n".join(lines).strip(), block.strip()
    assert NUMBER.sub("#", shown) == NUMBER.sub("#", written)
    # The last digit may move as the readings are sharpened; a fifth of a cent may not.
    for ours, theirs in zip(NUMBER.findall(shown), NUMBER.findall(written), strict=True):
        assert float(ours) == pytest.approx(float(theirs), abs=0.15)
