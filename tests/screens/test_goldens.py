"""The whole text of every step's screen, at three sizes, in monochrome and in ASCII.

After an intended change: PITCHBENCH_REWRITE_GOLDENS=1 pytest tests/screens/test_goldens.py, then
read the difference.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from states import STATES

from pitchbench.screen.theme import Palette, make_theme
from pitchbench.screen.view import render

GOLDENS = Path(__file__).parent / "goldens"
SIZES = ((40, 12), (80, 24), (120, 40))
VARIANTS = ("monochrome", "ascii")
REWRITE = os.environ.get("PITCHBENCH_REWRITE_GOLDENS") == "1"


def screen(name: str, width: int, height: int, variant: str) -> str:
    theme = make_theme(Palette.MONOCHROME, ascii_only=variant == "ascii")
    return "\n".join(line.plain.rstrip() for line in render(STATES[name], width, height, theme))


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
    if "ascii" in path.name:
        assert path.read_text(encoding="utf-8").isascii()


@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_every_screen_is_as_it_was_last_looked_at(width: int, height: int, variant: str) -> None:
    path = GOLDENS / f"{width}x{height}-{variant}.txt"
    compare(path, {name: screen(name, width, height, variant) for name in STATES})


def test_the_picture_in_the_documents_is_what_is_drawn() -> None:
    text = (GOLDENS.parents[2] / "docs" / "screens.md").read_text(encoding="utf-8")
    picture = text.split("```\n")[1]
    assert picture.rstrip("\n") == stored(GOLDENS / "80x24-monochrome.txt")["fretted"]
