"""A whole rehearsal on the screen in a pseudo-terminal: sounds, keys, sizes, an exception."""

from __future__ import annotations

import itertools
import sys
from pathlib import Path

import pytest
from terminal import HERE, Terminal

from pitchbench.session.teaching import Lesson

PITCHBENCH = str(Path(sys.executable).parent / "pitchbench")


#: What takes each key back.
BACK = {"l": "l", "f": "f", "n": "p", **dict.fromkeys("arx+-,.", "u")}


def press_each_key(terminal: Terminal) -> set[str]:
    """Every key that the help page lists does something, and is taken back; which they were."""

    def page() -> str:
        return " ".join(terminal.lines)

    terminal.send("h")
    assert terminal.wait_until(lambda: "this page, and back" in page(), 10.0)
    heads = [line.split()[0] for line in terminal.lines[1:15] if line]
    terminal.send("\x1b")
    assert terminal.wait_until(lambda: "this page, and back" not in page(), 10.0)
    keys = {key for head in heads if not head.isalpha() or len(head) == 1 for key in head}
    for key in sorted(keys & BACK.keys()):
        before = standing(terminal, 0.2)
        terminal.send(key)
        assert terminal.wait_until(lambda before=before: terminal.lines != before, 10.0), key
        done = standing(terminal, 0.2)
        terminal.send(BACK[key])
        # What is said may differ: that it was taken back.
        stands = before if BACK[key] == key else before[:2]
        back = terminal.wait_until(
            lambda done=done, stands=stands: (
                terminal.lines != done and terminal.lines[: len(stands)] == stands
            ),
            10.0,
        )
        assert back, "\n".join([key, *before, "", *terminal.lines])
    return keys & BACK.keys()


def test_plain_lines_wait_for_the_key_that_they_name() -> None:
    terminal = Terminal([PITCHBENCH, "rehearse", "--strings", "6", "--plain", "--speed", "5"])

    def told(words: str) -> bool:
        return terminal.wait_until(lambda: words in terminal.output.decode(), 20.0)

    assert told("do: ")
    terminal.send("n")
    assert told("do: String 6 was passed over: key p goes back, q quits.\r\n")
    terminal.read(0.5)
    assert b"result: " not in terminal.output
    terminal.send("p")
    assert told("step: string 6: tune")
    terminal.send("q")
    terminal.wait_for_end()
    assert b"status 0" in terminal.output


@pytest.mark.timeout(280)
def test_a_string_is_set_on_the_screen_with_every_key_at_every_step() -> None:
    options = "--seed 4 --strings 6,5 --tolerance 5 --speed 25"
    terminal = Terminal([PITCHBENCH, "rehearse", *options.split()])
    sizes = itertools.cycle([(120, 40), (40, 12)])
    pressed: dict[str, set[str]] = {}

    def step() -> str:
        words = terminal.lines[0].partition("rehearsal, ")[0].removesuffix("paused")
        return words.split(" \N{MIDDLE DOT} ")[-1].split("  ")[0].strip()

    def is_new() -> bool:
        return "virtual player" in terminal.lines[0] and step() not in pressed

    while not terminal.lines[0].startswith("string 5"):
        # Sizes in between change nothing about the work.
        terminal.resize(*next(sizes))
        terminal.read(0.1)
        terminal.resize(80, 24)
        if not terminal.wait_until(is_new, 0.5):
            continue
        terminal.send(" ")
        assert terminal.wait_until(lambda: terminal.lines[0].endswith("paused"), 10.0)
        if step() not in pressed:
            pressed[step()] = press_each_key(terminal)
        terminal.send(" ")
        assert terminal.wait_until(lambda: not terminal.lines[0].endswith("paused"), 10.0)
    terminal.send("n")
    assert terminal.wait_until(lambda: terminal.lines[0].startswith("finished"), 10.0)
    pressed["finished"] = press_each_key(terminal)
    results = ("string  6 E2", "string  5 A2")
    assert sum(line.startswith(results) for line in terminal.lines) == 2
    at_a_saddle = {*"arxn+-,.fl"}
    assert pressed["move the saddle"] == pressed["retune"] == at_a_saddle
    assert pressed["fret the 12th"] == at_a_saddle - {*",."}
    assert {"before you start", "wait (settling)"} <= pressed.keys()
    terminal.send("q")
    terminal.was_given_back(status=0)
    assert "string  6 E2" in terminal.output.decode().rpartition("\x1b[?1049l")[2]


def test_a_failure_in_the_middle_gives_the_terminal_back() -> None:
    terminal = Terminal([sys.executable, str(HERE / "rehearsal_child.py")])
    assert terminal.wait_until(lambda: "fret the 12th" in terminal.lines[0], 30.0)
    terminal.was_given_back(status=1)
    after = terminal.output.decode().rpartition("\x1b[?1049l")[2]
    assert "RuntimeError: the sixth entry could not be kept" in after
    # What was done until then is on the receipt.
    assert "string  6 E2" in after


def standing(terminal: Terminal, seconds: float = 2.0) -> list[str]:
    """What stands on the terminal once nothing has changed for so long."""
    for _ in range(20):
        before = terminal.lines
        if not terminal.wait_until(lambda before=before: terminal.lines != before, seconds):
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
        whys.update(lesson.name for lesson in Lesson if lesson in page)
        return "rehearsal" in terminal.lines[0] and len(whys) >= 5

    assert terminal.wait_until(watch, 100.0), whys
    terminal.send("q")
    terminal.was_given_back(status=0)
