"""Nothing is cut off, whatever the size of the window."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from states import STATES, guitar, new, sharp

from pitchbench.screen.frame import LEAST_HEIGHT, LEAST_WIDTH
from pitchbench.screen.text import printable
from pitchbench.screen.theme import Palette, make_theme
from pitchbench.screen.view import keys_of, render
from pitchbench.session.log import Step

THEMES = [make_theme(Palette.MONOCHROME, ascii_only=ascii_only) for ascii_only in (False, True)]


def check(name: str, width: int, height: int, ascii_only: bool) -> None:
    state = STATES[name]
    lines = render(state, width, height, THEMES[ascii_only])
    assert len(lines) == height
    assert max(line.cell_len for line in lines) <= width
    text = [line.plain for line in lines]
    assert not any("\x1b" in line or "\n" in line for line in text)
    # "~" marks what was cut; no state of the demo has one of its own.
    assert [line for line in text if "~" in line] == []
    shown = " ".join(" ".join(text).split())
    keys = [key for key in keys_of(state) if key[0] != "f"]  # given up where there is no room
    assert any(all(f"{key[0]} {key[name]}" in shown for key in keys) for name in (1, 2))
    if not state.display.help_open:
        assert " ".join(state.asks.split()) in shown


@given(st.sampled_from(sorted(STATES)), st.integers(40, 200), st.integers(12, 60), st.booleans())
@settings(max_examples=300, deadline=None)
def test_no_line_is_cut_at_any_size(name: str, width: int, height: int, ascii_only: bool) -> None:
    check(name, width, height, ascii_only)


@pytest.mark.parametrize("name", sorted(STATES))
@pytest.mark.parametrize("size", [(40, 12), (40, 60), (80, 24), (109, 36), (110, 36), (200, 60)])
def test_no_line_is_cut_at_the_corners(name: str, size: tuple[int, int]) -> None:
    check(name, *size, ascii_only=False)
    check(name, *size, ascii_only=True)


@given(st.integers(1, 39), st.integers(1, 11))
@settings(max_examples=50, deadline=None)
def test_a_window_too_small_says_so(width: int, height: int) -> None:
    for size in ((width, 24), (80, height), (width, height)):
        lines = render(STATES["open"], *size, THEMES[0])
        assert len(lines) == size[1]
        assert max(line.cell_len for line in lines) <= size[0]
    lines = render(STATES["open"], 39, 11, THEMES[0])
    assert lines[0].plain == f"too small: needs {LEAST_WIDTH} x {LEAST_HEIGHT}"


def test_the_large_number_is_five_rows_high_in_every_window_that_shows_one() -> None:
    """Of the smallest window too: the number is the last pane that is given up."""
    state = STATES["open"]
    for width, height in ((40, 12), (80, 24), (120, 40), (200, 60)):
        text = [line.plain for line in render(state, width, height, THEMES[0])]
        rows = [line for line in text if line.startswith(("  ██ ", "██████", "    ████ "))]
        assert len(rows) >= 2
        # The foot of the 0 and of the point stand in one row, in the first forty columns.
        assert sum("██" in line[:40] for line in text) >= 5


def test_a_word_stands_beside_the_number_in_every_verdict() -> None:
    words = {
        "fretted": "more takes",
        "last-round-open": "more takes",
        "border-good": "leave it",
        "move": "sharp",
        "border": "border",
    }
    for name, word in words.items():
        text = " ".join(line.plain[26:].strip() for line in render(STATES[name], 40, 12, THEMES[1]))
        assert " ".join(part for part in word.split()) in " ".join(text.split())


def test_left_handed_is_the_mirror_image() -> None:
    right = sharp(guitar()).state
    left = STATES["move-left-handed"]
    lines = [
        next(line.plain for line in render(s, 80, 24, THEMES[1]) if "===" in line.plain)
        for s in (right, left)
    ]
    assert lines[0].rstrip().endswith("A")
    assert lines[1].strip().startswith("A")
    assert len(lines[0].strip()) == len(lines[1].strip())


def test_step_is_said_in_words() -> None:
    waiting = ("before-heard", "settling-begins", "settling", "large-wait")
    for name, state in STATES.items():
        if state.display.help_open or name in waiting:
            continue
        first = render(state, 80, 24, THEMES[0])[0].plain
        word = "fret the 12th" if state.log.step is Step.FRETTED else state.log.step.value
        assert word in first
    for name in waiting:
        assert "wait (settling)" in render(STATES[name], 80, 24, THEMES[0])[0].plain


def test_another_fret_is_named() -> None:
    state = new(fret=19).play(6).state
    assert "fret the 19th" in render(state, 80, 24, THEMES[0])[0].plain


#: What shows a move to be made.
MOVING = [
    name
    for name, state in STATES.items()
    if state.log.step in (Step.MOVE, Step.RETUNE, Step.BORDER) and not state.display.large_print
]


@pytest.mark.parametrize("name", MOVING)
def test_a_usual_window_shows_the_move_and_what_was_heard(name: str) -> None:
    state = STATES[name]
    text = [line.plain for line in render(state, 80, 24, THEMES[1])]
    assert any(line.startswith("-- the move") for line in text)
    assert state.log.string.advice is not None
    shown = " ".join(" ".join(text).split())
    assert state.log.string.advice.cautions[0] in shown
    assert printable(state.says, THEMES[1]) in shown
