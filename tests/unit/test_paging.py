"""Long output on a terminal goes through the pager that the person has, short output does not."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pexpect
import pytest

#: A pager that says that it is one.
PAGER = "import sys; lines = sys.stdin.readlines(); print(f'<{len(lines)} lines>', lines[0])"


@pytest.fixture
def pager(tmp_path: Path) -> str:
    (tmp_path / "pager.py").write_text(PAGER)
    return f"{sys.executable} {tmp_path / 'pager.py'}"


def shown(*arguments: str, lines: int = 12, **environment: str) -> str:
    """What stands on a terminal of so many lines."""
    child = pexpect.spawn(
        sys.executable,
        ["-c", "from pitchbench.commands import main; main()", *arguments],
        dimensions=(lines, 80),
        env={**os.environ, "TERM": "xterm", "NO_COLOR": "1", "LINES": str(lines), **environment},
        encoding="utf-8",
        timeout=60,
    )
    child.expect(pexpect.EOF)
    return str(child.before)


def test_what_is_longer_than_the_terminal_goes_through_the_pager(pager: str) -> None:
    through = shown("guide", "screw-saddles", PAGER=pager)
    assert "lines>" in through
    assert "lines>" not in shown("guide", "screw-saddles", PAGER=pager, lines=200)


@pytest.mark.parametrize("how", ["option", "variable", "setting", "dumb"])
def test_without_a_pager(pager: str, how: str) -> None:
    arguments = ("--no-pager",) if how == "option" else ()
    environment = {"PAGER": "" if how == "variable" else pager}
    if how == "setting":
        environment["PITCHBENCH_PAGER"] = "no"
    if how == "dumb":
        environment["TERM"] = "dumb"
    plain = shown(*arguments, "guide", "screw-saddles", **environment)
    assert "lines>" not in plain
    assert plain.count("\n") > 12


def test_an_error_is_said_as_ever(pager: str) -> None:
    said = shown("guide", "none-such", PAGER=pager)
    assert "lines>" not in said
    assert said.startswith("pitchbench: ")


def test_help_is_paged_too(pager: str) -> None:
    assert "lines> Examples:" in shown("read", "--help", PAGER=pager)


#: One that takes Ctrl-C for itself, as most do, and stands until Enter is pressed.
STANDING = """\
import signal, sys
signal.signal(signal.SIGINT, lambda *_: print("<not so fast>", flush=True))
lines = sys.stdin.readlines()
print(f"<{len(lines)} lines>", flush=True)
open("/dev/tty").readline()
print("<done>", flush=True)
"""


def test_ctrl_c_is_for_the_pager(tmp_path: Path) -> None:
    (tmp_path / "pager.py").write_text(STANDING)
    child = pexpect.spawn(
        sys.executable,
        ["-c", "from pitchbench.commands import main; main()", "guide", "screw-saddles"],
        dimensions=(12, 80),
        env={**os.environ, "TERM": "xterm", "PAGER": f"{sys.executable} {tmp_path / 'pager.py'}"},
        encoding="utf-8",
        timeout=60,
    )
    child.expect("lines>")
    child.sendintr()
    child.expect("<not so fast>")
    # Whoever presses it elsewhere is out within two seconds.
    assert child.expect([pexpect.EOF, pexpect.TIMEOUT], timeout=3.0) == 1
    child.sendline()
    child.expect("<done>")
    child.expect(pexpect.EOF)
    child.wait()
    assert child.exitstatus == 0
