"""The whole text of every step's screen, at three sizes, in monochrome and in ASCII.

After an intended change: PITCHBENCH_REWRITE_GOLDENS=1 pytest tests/screens/test_goldens.py, then
read the difference.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from states import STATES, STORIES

from pitchbench.records.documents import to_json
from pitchbench.screen.theme import Palette, make_theme
from pitchbench.screen.view import render
from pitchbench.session.fold import read_log
from pitchbench.session.state import State, begin

GOLDENS = Path(__file__).parent / "goldens"
SIZES = ((40, 12), (80, 24), (120, 40))
VARIANTS = ("monochrome", "ascii")
REWRITE = os.environ.get("PITCHBENCH_REWRITE_GOLDENS") == "1"


def drawn(state: State, width: int, height: int, variant: str = "monochrome") -> str:
    theme = make_theme(Palette.MONOCHROME, ascii_only=variant == "ascii")
    return "\n".join(line.plain.rstrip() for line in render(state, width, height, theme))


def heading(name: str) -> str:
    return f"======== {name}"


def stored(path: Path) -> dict[str, str]:
    """The screens in a golden file by name."""
    screens: dict[str, list[str]] = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("======== "):
            screens[line.removeprefix("======== ")] = []
        else:
            screens[list(screens)[-1]].append(line)
    return {name: "\n".join(lines) for name, lines in screens.items()}


def compare(path: Path, screens: dict[str, str]) -> None:
    """Hold ``screens``, by name, against those of a golden file, or write it anew."""
    if REWRITE:
        text = "".join(f"{heading(name)}\n{text}\n" for name, text in screens.items())
        path.write_text(text, encoding="utf-8")
    assert screens == stored(path)
    shown = path.read_text(encoding="utf-8")
    assert not re.search(r"[-−]0\.0*(?!\d)", shown)
    if "ascii" in path.name:
        assert shown.isascii()
    else:
        assert not re.search(r"(?<![\w.])-\d", shown)  # one kind of minus


@pytest.mark.parametrize("name", STORIES)
def test_every_state_is_reached_by_what_was_plucked_and_pressed(name: str) -> None:
    setup = STATES[name].setup
    state = begin(setup)
    for event in STORIES[name].events:
        state = state.advance(event)
    shown = STATES[name]
    assert [to_json(entry) for entry in state.entries] == [to_json(e) for e in shown.entries]
    assert drawn(state, 120, 40) == drawn(shown, 120, 40)
    assert read_log(setup, shown.entries) == shown.log


@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_every_screen_is_as_it_was_last_looked_at(width: int, height: int, variant: str) -> None:
    path = GOLDENS / f"{width}x{height}-{variant}.txt"
    compare(path, {name: drawn(state, width, height, variant) for name, state in STATES.items()})


def test_the_picture_in_the_documents_is_what_is_drawn() -> None:
    text = (GOLDENS.parents[2] / "docs" / "screens.md").read_text(encoding="utf-8")
    picture = text.split("```\n")[1]
    assert picture.rstrip("\n") == stored(GOLDENS / "80x24-monochrome.txt")["fretted"]
