"""A whole rehearsal on the screen in a pseudo-terminal: sounds, keys, sizes, an exception."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from terminal import HERE, Terminal

from pitchbench.session.teaching import Lesson

PITCHBENCH = str(Path(sys.executable).parent / "pitchbench")


@pytest.mark.timeout(240)
def test_two_strings_are_set_on_the_screen() -> None:
    options = "--seed 4 --strings 6,5 --tolerance 4 --speed 100"
    terminal = Terminal([PITCHBENCH, "rehearse", *options.split()])
    steps: set[str] = set()
    sizes = iter([(120, 40), (40, 12), (100, 30), (80, 24)])
    keys = iter("hhllff+-")

    def watch() -> bool:
        head = terminal.lines[0]
        steps.update(
            step
            for step in ("fret the 12th", "wait (settling)", "retune", "finished")
            if step in head
        )
        return head.startswith("finished")

    # Keys and sizes in between change nothing about the work; two of each key undo each other.
    for press, size in zip(keys, [*sizes] * 2, strict=True):
        terminal.send(press)
        terminal.resize(*size)
        terminal.wait_until(watch, 0.5)
    assert terminal.wait_until(watch, 150.0)
    assert steps == {"fret the 12th", "wait (settling)", "retune", "finished"}
    assert sum(line.startswith(("string  6 E2", "string  5 A2")) for line in terminal.lines) == 2
    terminal.send("q")
    terminal.was_given_back(status=0)
    receipt = terminal.output.decode().rpartition("\x1b[?1049l")[2]
    for string in ("string  6 E2", "string  5 A2"):
        assert string in receipt


def test_a_failure_in_the_middle_gives_the_terminal_back() -> None:
    terminal = Terminal([sys.executable, str(HERE / "rehearsal_child.py")])
    assert terminal.wait_until(lambda: "fret the 12th" in terminal.lines[0], 30.0)
    terminal.was_given_back(status=1)
    after = terminal.output.decode().rpartition("\x1b[?1049l")[2]
    assert "RuntimeError: the sixth entry could not be kept" in after
    # What was done until then is on the receipt.
    assert "string  6 E2" in after


def standing(terminal: Terminal) -> list[str]:
    """What stands on the terminal once nothing has changed for two seconds."""
    for _ in range(20):
        before = terminal.lines
        if not terminal.wait_until(lambda before=before: terminal.lines != before, 2.0):
            return before
    raise AssertionError("it does not come to stand")


def test_space_pauses_player_and_screen_and_right_goes_on_to_what_is_new() -> None:
    options = "--seed 4 --strings 6 --speed 8"
    terminal = Terminal([PITCHBENCH, "rehearse", *options.split()])
    assert terminal.wait_until(lambda: "rehearsal, virtual player" in terminal.lines[0], 30.0)
    assert "space pause  right step" in terminal.lines[-1]
    terminal.send(" ")
    assert terminal.wait_until(lambda: terminal.lines[0].endswith("paused"), 5.0)
    for _ in range(3):
        before = standing(terminal)
        terminal.send("\x1b[C")
        assert terminal.wait_until(lambda before=before: terminal.lines[1:] != before[1:], 20.0)
        # On to the next thing to read, and paused there.
        assert standing(terminal)[0].endswith("paused")
    terminal.send(" ")
    assert terminal.wait_until(lambda: "virtual player" in terminal.lines[0], 5.0)
    before = terminal.lines
    assert terminal.wait_until(lambda: terminal.lines != before, 20.0)
    terminal.send("q")
    terminal.was_given_back(status=0)


@pytest.mark.parametrize("key", ["\x1b[C", " "])
def test_whoever_reads_the_help_page_misses_nothing(key: str) -> None:
    options = "--seed 4 --strings 6 --speed 20"
    terminal = Terminal([PITCHBENCH, "rehearse", *options.split()])
    assert terminal.wait_until(lambda: "fret the 12th" in terminal.lines[0], 60.0)
    terminal.send("h")
    assert terminal.wait_until(lambda: "this page, and back" in " ".join(terminal.lines), 5.0)
    log = terminal.lines
    # The player waits: nothing comes in the seconds in which several plucks would have.
    assert not terminal.wait_until(lambda: terminal.lines != log, 3.0)
    terminal.send("h")
    assert terminal.wait_until(lambda: "this page" not in " ".join(terminal.lines), 5.0)
    terminal.send("h")
    assert terminal.wait_until(lambda: "this page" in " ".join(terminal.lines), 5.0)
    terminal.send(key)
    # What a key does is seen: it leaves the page.
    assert terminal.wait_until(lambda: "this page" not in " ".join(terminal.lines), 5.0)
    assert terminal.lines[0].endswith("paused") == (key == " ")
    terminal.send("q")
    terminal.was_given_back(status=0)


@pytest.mark.parametrize("size", [(40, 12), (80, 24), (120, 40)])
def test_what_is_asked_and_why_stand_together(size: tuple[int, int]) -> None:
    words = ["--seed", "4", "--strings", "6", "--speed", "30", "--explain"]
    terminal = Terminal([PITCHBENCH, "rehearse", *words])
    terminal.resize(*size)
    whys: set[str] = set()

    def watch() -> bool:
        page = " ".join(" ".join(terminal.lines).split())
        assert terminal.lines[0].endswith(("rehearsal", "virtual player", "")), terminal.lines[0]
        whys.update(lesson.name for lesson in Lesson if lesson in page)
        return "rehearsal" in terminal.lines[0] and len(whys) >= 5

    assert terminal.wait_until(watch, 100.0), whys
    terminal.send("q")
    terminal.was_given_back(status=0)
