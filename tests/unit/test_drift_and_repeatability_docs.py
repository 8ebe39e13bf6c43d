"""What docs/drift.md and docs/repeatability.md show is what the program prints, 80 columns wide."""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import pexpect
import pytest

ROOT = Path(__file__).parents[2]
NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")
ESCAPE = re.compile(r"\x1b\[[0-9;]*m")


def shown_examples(name: str) -> list[tuple[str, str, str]]:
    """Page, arguments and output of every example whose output follows it."""
    page = (ROOT / "docs" / name).read_text(encoding="utf-8")
    parts = re.split(r"^```\n", page, flags=re.MULTILINE)
    return [
        (name, re.findall(r"^    pitchbench (.*samples/.*)$", before, re.MULTILINE)[-1], output)
        for before, output in zip(parts[::2], parts[1::2], strict=False)
    ]


EXAMPLES = [*shown_examples("drift.md"), *shown_examples("repeatability.md")]


def test_each_page_has_an_example() -> None:
    assert {page for page, _, _ in EXAMPLES} == {"drift.md", "repeatability.md"}


@pytest.mark.parametrize(("page", "command", "written"), EXAMPLES)
def test_the_page_shows_what_the_program_prints(page: str, command: str, written: str) -> None:
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
    shown = "\n".join(line.rstrip() for line in ESCAPE.sub("", child.before).splitlines()).strip()
    written = written.strip()
    assert NUMBER.sub("#", shown) == NUMBER.sub("#", written)
    # The last digit may move as the readings are sharpened; a fifth of a cent may not.
    for ours, theirs in zip(NUMBER.findall(shown), NUMBER.findall(written), strict=True):
        assert float(ours) == pytest.approx(float(theirs), abs=0.2)
