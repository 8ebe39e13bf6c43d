"""Nothing is cut off, whatever the size of the window."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from session_story import Story, setup_of
from states import STATES, guitar, in_tune, new, sharp, watched, worked

from pitchbench.presets import preset
from pitchbench.screen.digits import block_rows, half_block_rows
from pitchbench.screen.frame import LEAST_HEIGHT, LEAST_WIDTH
from pitchbench.screen.letters import Large
from pitchbench.screen.number import large_of
from pitchbench.screen.request import request_lines, request_scale, request_word
from pitchbench.screen.saddle import shown_move
from pitchbench.screen.strip import receipt
from pitchbench.screen.text import printable
from pitchbench.screen.theme import Palette, make_theme
from pitchbench.screen.view import keys_of, render
from pitchbench.session.job import Command, Display
from pitchbench.session.log import Step
from pitchbench.session.teaching import begin_taught

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


@pytest.mark.parametrize(
    ("hint", "shown"),
    [
        ("about 2 more plucks; over 99 % for moving", "about 2 more plucks; >99 % for moving"),
        ("about 12 more plucks; over 99 % for leaving it", "about 12 more plucks"),
        ("about 2 more plucks; 70 % for moving", "about 2 more plucks; 70 % for moving"),
        ("over 99 % good if left, over 99 % if moved", ">99 % good if left, >99 % if moved"),
    ],
)
def test_a_hint_loses_whole_clauses_and_no_half_ones(hint: str, shown: str) -> None:
    large = Large("+2.1", "more takes", "±0.8", hint)
    for theme in THEMES:
        scale = request_scale(40, 12, theme)
        assert request_lines("12TH", large, theme, 40, scale)[-1].plain.rstrip() == shown


def test_after_a_move_the_line_of_strings_says_no_more_than_the_table() -> None:
    """What was found before any move would pass for what the last one made."""
    moved = sharp().move_and_retune(4).state
    assert moved.log.string.found is not None
    assert moved.log.string.now is None
    lines = [line.plain for line in render(moved, 40, 12, THEMES[0])]
    (strip,) = [line for line in lines if line.startswith("1")]
    assert re.search(r"4▸( |$)", strip), strip


def test_what_to_do_stands_in_block_letters_in_every_window() -> None:
    """Of the smallest window too, and the number beside it: they are the last to be given up."""
    words = {
        "before": "OPEN", "tune": "DONE", "tune-flat": "TUNE", "open": "OPEN", "fretted": "12TH",
        "settling": "RING", "settled": "DAMP", "move": "MOVE", "retune": "TUNE", "border": "NEXT",
        "last-round": "DONE", "last-round-open": "12TH", "finished": "", "no-sound": "",
    }  # fmt: skip
    for name, word in words.items():
        state = STATES[name]
        assert request_word(state) == word, name
        if not word:
            continue
        for width, height in ((40, 12), (60, 24), (80, 24), (120, 40), (200, 60)):
            for theme in THEMES:
                text = [line.plain for line in render(state, width, height, theme)]
                if (height, theme) == (12, THEMES[True]) and name in ("retune", "border"):
                    # Letters of five lines would leave none for the danger.
                    assert any(line.startswith(f"{word}  ") for line in text), text
                    continue
                scale = request_scale(width, height, theme)
                rows = (
                    half_block_rows(word)
                    if scale is None
                    else block_rows(
                        word, ink=theme.glyphs.ink, columns=scale.columns, rows=scale.rows
                    )
                )
                first = next(n for n, line in enumerate(text) if line.startswith(rows[0].rstrip()))
                for row, line in zip(rows, text[first:], strict=False):
                    assert line.startswith(row.rstrip()), (name, width, height)


def test_done_stands_until_the_next_pluck_and_only_where_a_string_was_set() -> None:
    story = Story.begin(strings=(6, 5, 4)).play(6).takes(0.0)
    assert request_word(story.state) == "DONE"
    assert large_of(story.state, THEMES[False]).word == "string 6"
    assert request_word(story.ring(story.target_hz(5)).state) == "TUNE"
    assert request_word(story.play(5, 0, -20.0).state) == "TUNE"
    assert request_word(story.key(Command.NEXT).state) == "NEXT"


@pytest.mark.parametrize(("ascii_only", "marks"), [(False, "»■▸"), (True, "/#>")])
def test_a_string_that_was_passed_over_does_not_look_done(ascii_only: bool, marks: str) -> None:
    story = Story.begin(strings=(6, 5, 4)).string(0.0).key(Command.NEXT)
    passed, done, current = marks
    for width, height in ((80, 24), (120, 40)):
        lines = render(story.state, width, height, THEMES[ascii_only])
        text = "\n".join(line.plain for line in lines)
        for number, note, mark in ((6, "E2", done), (5, "A2", passed), (4, "D3", current)):
            assert f"{mark} {number} {note}" in text, (width, number)
    story.key(Command.HELP)
    page = "\n".join(line.plain for line in render(story.state, 80, 24, THEMES[ascii_only]))
    assert f"{passed}  passed over" in page


@pytest.mark.parametrize("instrument", ["six-string", "twelve-string"])
def test_that_nothing_moves_is_told_in_every_window(instrument: str) -> None:
    number = len(preset(instrument).strings)
    story = Story.begin(instrument, strings=(number,)).play(number).key(Command.FREEZE)
    for told in (story, story.takes(8.0)):
        first = render(told.state, 40, 12, THEMES[False])[0].plain
        assert first.rstrip().endswith("frozen"), first


def test_a_string_that_is_not_done_is_not_said_to_be_left() -> None:
    story = Story.begin(strings=(6, 5)).string(0.0).string(6.0).play(5, 0, -180.0)
    assert story.state.log.step is Step.RETUNE
    page = {line.plain[7:9].strip(): line.plain for line in receipt(story.state, THEMES[False], 80)}
    assert "left" in page["6"]
    assert "left" not in page["5"]
    assert re.search(r"last +\+5", page["5"])


@pytest.mark.parametrize("offset_cents", [6.0, -6.0])
def test_in_the_smallest_window_the_danger_stands_even_where_the_reason_does(
    offset_cents: float,
) -> None:
    story = Story(begin_taught(setup_of(strings=(6,)))).play(6).takes(offset_cents)
    text = [line.plain for line in render(story.state, 40, 12, THEMES[False])]
    assert request_word(story.state) == "MOVE"
    assert any("Wear eye protection" in line for line in text), text
    assert story.state.why in " ".join(" ".join(text).split())


SADDLE_SIZES = [(40, 12), (40, 24), (50, 14), (60, 16), (60, 20), (80, 18), (80, 24), (120, 40)]


@pytest.mark.parametrize(("width", "height"), SADDLE_SIZES)
@pytest.mark.parametrize("large_print", [False, True])
@pytest.mark.parametrize("name", ["move", "retune", "border"])
def test_every_window_names_the_danger_and_cuts_no_number(
    name: str, large_print: bool, width: int, height: int
) -> None:
    state = replace(STATES[name], display=Display(large_print=large_print))
    text = [line.plain for line in render(state, width, height, THEMES[False])]
    page = " ".join(" ".join(text).split())
    assert re.search(r"[Ww]ear eye protection", page), text
    if name == "move" and large_print:
        move = shown_move(state)
        assert move is not None
        figure = f"{move.turns:.1f}"
        sizes = [block_rows(figure, ink="█", columns=2 * n, rows=n) for n in (1, 2, 3)]
        # All its rows, one below the other.
        found = [rows for rows in (half_block_rows(figure), *sizes) if _stands(rows, text)]
        assert found, text


@pytest.mark.parametrize("name", ["move", "retune", "border"])
def test_so_does_the_smallest_window_in_ascii(name: str) -> None:
    text = [line.plain for line in render(STATES[name], 40, 12, THEMES[True])]
    assert any("Wear eye protection" in line for line in text), text


def _stands(rows: tuple[str, ...], text: list[str]) -> bool:
    return any(
        len(text) - first >= len(rows)
        and all(row.rstrip() in text[first + n] for n, row in enumerate(rows))
        for first in range(len(text))
    )


def test_a_word_stands_beside_the_number_in_every_verdict() -> None:
    words = {
        "fretted": "more takes",
        "last-round-open": "more takes",
        "border-good": "leave it",
        "border": "border",
    }
    for name, word in words.items():
        for theme in THEMES:
            text = " ".join(line.plain for line in render(STATES[name], 40, 12, theme))
            assert f", {word}" in text or f" {word}" in text
            assert "12th fret against open" in text or not theme.glyphs.unicode


def test_beside_move_in_a_small_window_stand_its_turns_and_no_cents() -> None:
    """Cents in its place would be taken for turns."""
    for theme in THEMES:
        text = " ".join(line.plain for line in render(STATES["move"], 40, 12, theme))
        if theme.glyphs.unicode:
            assert "turns clockwise" in text
            assert "Wear eye protection" in text
        assert "12th fret against open" not in text


def test_one_note_is_this_note_and_the_offset_is_named() -> None:
    for name in ("settling", "settled", "tune-flat", "retune"):
        large = large_of(STATES[name], THEMES[0])
        assert large.caption == "this note", name
    for name in ("fretted", "move", "border"):
        assert large_of(STATES[name], THEMES[0]).caption == "12th fret against open", name


def test_a_note_that_was_not_asked_for_is_not_judged() -> None:
    """The 12th fret while tuning, another string while taking readings."""
    tuning = worked()
    fretted = tuning.ring(tuning.hz(4, 12, 0.0)).state
    other = in_tune()
    other = other.ring(other.hz(2, 0, 0.0))
    for state in (fretted, other.state):
        large = large_of(state, THEMES[0])
        assert (large.figure, large.word) == ("", "not asked")
    assert large_of(other.state, THEMES[0]).about == "string 2 open"


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


def test_what_a_rehearsal_is_judged_by_has_its_unit_at_every_width() -> None:
    state = watched(STATES["fretted"])
    for width in range(LEAST_WIDTH, 121):
        first = render(state, width, 24, THEMES[0])[0].plain.rstrip()
        assert "rehearsal" in first
        assert ("\N{PLUS-MINUS SIGN}" in first) == first.endswith(" cents"), first


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


@pytest.mark.parametrize("width", [40, 46, 60, 80, 120])
def test_that_it_is_a_rehearsal_is_said_at_every_step(width: int) -> None:
    """In the smallest window the word "string" makes room for it; nothing but a state of the whole
    picture, such as a lost input, goes before."""
    for name, state in STATES.items():
        if state.input_lost or state.display.frozen or state.display.help_open:
            continue
        head = render(watched(state), width, 12, THEMES[0])[0].plain
        assert "rehearsal" in head, (name, head)
        assert "~" not in head, (name, head)
