"""How the input stands, in the one line that every job's screen has for it, and in plain lines."""

from __future__ import annotations

import pytest
from rich.text import Text
from session_story import Story, setup_of
from survey_story import plan

from pitchbench.screen import plain, survey, view
from pitchbench.screen.digits import block_rows, half_block_rows
from pitchbench.screen.theme import Palette, make_theme
from pitchbench.session.job import Command, InputLost, KeyPressed, Speaking
from pitchbench.session.log import Step
from pitchbench.session.state import State, begin
from pitchbench.session.survey import begin as begin_survey
from pitchbench.sound.hearing import Fault, InputHeard, OtherInput

NAME = "Built-in Microphone"
OTHER = OtherInput(3, "USB Audio", 0.2)


def shown(state: State, width: int = 80, height: int = 24, *, ascii_only: bool = False) -> str:
    lines = view.render(state, width, height, make_theme(Palette.MONOCHROME, ascii_only=ascii_only))
    assert len(lines) == height
    assert all(line.cell_len <= width for line in lines)
    return "\n".join(Text.assemble(line).plain for line in lines)


def heard(level: float | None = -36.0, fault: Fault | None = None, other: OtherInput | None = None):
    return begin(setup_of()).advance(InputHeard(NAME, level, fault, other))


@pytest.mark.parametrize(
    ("level", "cells"), [(0.0, 10), (-6.0, 9), (-36.0, 4), (-60.0, 0), (-90.0, 0)]
)
def test_the_bar_runs_from_60_db_below_full_scale(level: float, cells: int) -> None:
    bar = "█" * cells + "─" * (10 - cells)
    assert f"input {bar} heard · {NAME}" in shown(heard(level))
    bar = "#" * cells + "-" * (10 - cells)
    assert f"input {bar} heard | {NAME}" in shown(heard(level), ascii_only=True)


def test_no_bar_where_it_would_mislead() -> None:
    assert "input " not in shown(begin(setup_of()))
    assert f"input silent · {NAME}" in shown(heard(None, Fault.SILENT))
    assert f"input heard · {NAME}" in shown(heard().advance(KeyPressed(Command.FREEZE)))
    assert NAME not in shown(heard().advance(InputLost("unplugged")))


def test_a_small_window_says_only_what_is_wrong() -> None:
    assert NAME not in shown(heard(), 40, 12)
    small = shown(heard(-0.1, Fault.LOUD), 40, 12)
    assert "input ██████████ too loud: turn it down" in small


@pytest.mark.parametrize(
    ("fault", "other", "asked"),
    [
        (Fault.SILENT, None, f"Unmute the input {NAME}, or plug it in: it is dead silent."),
        (Fault.FAINT, None, f"Turn the input {NAME} up, or go nearer: it is far too quiet."),
        (
            Fault.SILENT,
            OTHER,
            f"Unmute the input {NAME}, or plug it in, or choose USB Audio with --device 3: that "
            "one has sound.",
        ),
        (
            Fault.ELSEWHERE,
            OTHER,
            f"Play into {NAME}, or choose USB Audio with --device 3: that one has sound.",
        ),
    ],
)
def test_what_has_to_be_done_first_is_the_request(
    fault: Fault, other: OtherInput | None, asked: str
) -> None:
    state = heard(None, fault, other)
    assert state.asks == asked
    for size in ((40, 12), (80, 24), (120, 40)):
        text = " ".join(shown(state, *size).split())
        assert asked in text
    # A note that rings is let ring, whatever was wrong before.
    assert heard(-3.0, Fault.LOUD).asks == begin(setup_of()).asks


SIZES = ((40, 12), (40, 24), (80, 24), (120, 40), (160, 54))


def letters(word: str) -> list[str]:
    """The first row of ``word`` in letters of every size."""
    sizes = [(columns, n) for n in range(1, 7) for columns in (n, 2 * n)]
    blocks = [block_rows(word, ink="█", columns=c, rows=r)[0].rstrip() for c, r in sizes]
    return [half_block_rows(word)[0].rstrip(), *blocks]


def in_letters(word: str, text: str) -> bool:
    return any(row in text for row in letters(word))


@pytest.mark.parametrize("large_print", [False, True])
@pytest.mark.parametrize("fault", [Fault.SILENT, Fault.FAINT, Fault.ELSEWHERE])
def test_the_letters_ask_for_nothing_that_the_sentence_does_not(
    fault: Fault, large_print: bool
) -> None:
    dead = InputHeard(NAME, None, fault)
    at_move = Story.begin(strings=(6,)).play(6).takes(6.0).state
    assert at_move.log.step is Step.MOVE
    for job, word in ((heard(), "OPEN"), (at_move, "MOVE")):
        state = job.advance(KeyPressed(Command.LARGE_PRINT)) if large_print else job
        for size in SIZES:
            assert in_letters(word, shown(state, *size)), size
            text = shown(state.advance(dead), *size)
            assert not in_letters(word, text), size
            said = "too quiet" if fault is Fault.FAINT else "no sound"
            assert in_letters(said, text) or said.upper() in text, size


def test_nor_do_they_in_a_survey() -> None:
    job = begin_survey(plan())
    for asked, event in (
        (True, InputHeard(NAME, -36.0)),
        (False, InputHeard(NAME, None, Fault.SILENT)),
    ):
        lines = survey.render(job.advance(event), 80, 24, make_theme(Palette.MONOCHROME))
        text = "\n".join(Text.assemble(line).plain for line in lines)
        assert in_letters("string 6 open", text) is asked
        assert in_letters("no sound", text) is not asked


def test_it_says_that_it_speaks_and_whether_it_listens() -> None:
    spoken = heard().advance(Speaking("Fret twelve.", listening=False))
    assert "input speaking, not listening" in shown(spoken)
    assert "input speaking, not listening" in shown(spoken, 40, 12)
    listening = heard().advance(Speaking("Fret twelve.", listening=True))
    assert shown(listening).splitlines()[-2] == "input speaking"
    silent = spoken.advance(Speaking("", listening=True))
    assert f"heard · {NAME}" in shown(silent)


def test_plain_lines_say_it_when_it_changes_and_not_with_every_level() -> None:
    lines: list[str] = []
    tell = plain.PlainView(lines.append)
    state = begin(setup_of())
    tell(state, state)
    for event in (
        InputHeard(NAME, -60.0),
        InputHeard(NAME, -20.0),
        InputHeard(NAME, None, Fault.SILENT),
        InputHeard(NAME, -50.0),
    ):
        old, state = state, state.advance(event)
        tell(old, state)
    told = [line for line in lines if line.startswith("input: ")]
    assert told == [f"input: {NAME}, {words}" for words in ("heard", "silent", "heard")]
    asked = [line for line in lines if line.startswith("do: ")]
    assert [line[:14] for line in asked] == ["do: Pluck stri", "do: Unmute the", "do: Pluck stri"]
