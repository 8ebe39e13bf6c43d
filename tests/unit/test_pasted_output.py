"""What the documents show is what the program prints on a terminal of 80 columns.

An example is an indented command on recordings in samples/ and, after it, its output in a fence.
"""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import pexpect
import pytest

ROOT = Path(__file__).parents[2]
NUMBER = re.compile(r"[-+−]?\d+(?:\.\d+)?")
ESCAPE = re.compile(r"\x1b\[[0-9;]*m")

#: How many examples a page has, and how far a number may be from the one on the page: the last
#: digit moves as the readings are sharpened, a fifth of a cent may not.
PAGES = {
    "read-and-offset.md": (3, 0.1),
    "neck.md": (3, 0.15),
    "drift.md": (1, 0.2),
    "repeatability.md": (1, 0.2),
}


def examples(page: str) -> list[tuple[str, str]]:
    """Arguments and output of every example on a page; other fences hold pictures."""
    text = (ROOT / "docs" / page).read_text(encoding="utf-8")
    parts = re.split(r"^```\n", text, flags=re.MULTILINE)
    commands = [re.findall(r"^    pitchbench (.*samples/.*)$", p, re.M) for p in parts[::2]]
    fences = zip(commands, parts[1::2], strict=False)
    return [(found[-1], output) for found, output in fences if found]


def printed(arguments: str) -> str:
    """What the program prints, without colours."""
    child = pexpect.spawn(
        sys.executable,
        ["-c", "from pitchbench.commands import main; main()", *arguments.split()],
        dimensions=(24, 80),
        cwd=str(ROOT),
        env={"TERM": "xterm", "LC_ALL": "C.UTF-8", "PATH": os.environ["PATH"], "PAGER": ""},
        encoding="utf-8",
        timeout=60,
    )
    child.expect(pexpect.EOF)
    return "\n".join(line.rstrip() for line in ESCAPE.sub("", child.before).splitlines()).strip()


def numbers(text: str) -> list[float]:
    return [float(number.replace("−", "-")) for number in NUMBER.findall(text)]


@pytest.mark.parametrize("page", PAGES)
def test_each_page_has_its_examples(page: str) -> None:
    assert len(examples(page)) == PAGES[page][0]


@pytest.mark.parametrize(
    ("page", "command", "written"),
    [(page, *example) for page in PAGES for example in examples(page)],
)
def test_the_page_shows_what_the_program_prints(page: str, command: str, written: str) -> None:
    if "--second-opinion" in command:
        pytest.importorskip("aubio")
    shown, written = printed(command), written.strip()
    assert NUMBER.sub("#", shown) == NUMBER.sub("#", written)
    assert numbers(shown) == pytest.approx(numbers(written), abs=PAGES[page][1])


@pytest.mark.parametrize("page", PAGES)
def test_what_is_explained_stands_in_the_example(page: str) -> None:
    parts = re.split(r"^```.*\n", (ROOT / "docs" / page).read_text(encoding="utf-8"), flags=re.M)
    shown = " ".join(" ".join(parts[1::2]).split())
    for explained in re.findall(r"^- \*\*(.*\d.*?)\*\*:", "".join(parts[::2]), re.M):
        assert explained in shown
