"""What docs/read-and-offset.md shows is what the program prints on a terminal of 80 columns."""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import pexpect
import pytest

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs/read-and-offset.md").read_text()
BLOCKS = re.findall(r"^```\n(.*?)^```$", PAGE, re.DOTALL | re.MULTILINE)
NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")
ESCAPE = re.compile(r"\x1b\[[0-9;]*m")

COMMANDS = (
    "read samples/e2-soft-medium-hard.flac",
    "read samples/b0-bass.flac --second-opinion",
    "offset samples/a2-open-and-12th-sharp.flac --string A2 --scale 648 --pitch-per-turn 0.5 "
    "--screw-heads tail",
)


@pytest.mark.parametrize(("command", "block"), list(zip(COMMANDS, BLOCKS, strict=True)))
def test_the_page_shows_what_the_program_prints(command: str, block: str) -> None:
    if "--second-opinion" in command:
        pytest.importorskip("aubio")
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
    # The last digit may move as the readings are sharpened; more than a tenth may not.
    for ours, theirs in zip(NUMBER.findall(shown), NUMBER.findall(written), strict=True):
        assert float(ours) == pytest.approx(float(theirs), abs=0.1)


@pytest.mark.parametrize("command", COMMANDS)
def test_the_page_gives_the_command_in_full(command: str) -> None:
    assert f"\n    pitchbench {command}\n" in PAGE
