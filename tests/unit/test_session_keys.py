"""Which keys would change something, and how far they go."""

from __future__ import annotations

from dataclasses import replace

import pytest
from session_story import Story

from pitchbench.presets import preset
from pitchbench.session.fold import read_log
from pitchbench.session.job import Command
from pitchbench.session.keys import useful
from pitchbench.session.log import AdviceEntry, Outcome, SaidEntry, Step

C = Command
TOLERANCES = {C.TOLERANCE_UP, C.TOLERANCE_DOWN}


def test_each_step_has_its_keys() -> None:
    story = Story.begin(strings=(6, 5))
    assert useful(story.state) == {C.ACCEPT, C.NEXT, C.PREVIOUS, *TOLERANCES}
    story.play(6, 0, -30.0)
    assert story.state.log.step is Step.TUNE
    working = {C.ACCEPT, C.NEXT, C.PREVIOUS, C.UNDO, *TOLERANCES}
    assert useful(story.state) == working
    story.play(6)
    assert useful(story.state) == working | {C.AGAIN, C.STRIKE}
    story.takes(12.0)
    assert story.state.log.step is Step.MOVE
    assert useful(story.state) == working | {C.AGAIN, C.STRIKE, C.LESS, C.MORE}
    story.key(C.ACCEPT)
    assert story.state.log.step is Step.RETUNE
    assert useful(story.state) == working | {C.AGAIN, C.STRIKE, C.LESS, C.MORE}
    story.play(6, 0, 0.3)
    # The open note is a take of the new round.
    assert useful(story.state) == working | {C.AGAIN, C.STRIKE}


def test_at_the_end_one_may_go_back_and_another_tolerance_is_looked_at() -> None:
    story = Story.begin(strings=(6,))
    assert C.PREVIOUS not in useful(story.state), "there is no other string"
    story.string(0.1)
    assert story.state.finished
    assert useful(story.state) == {C.PREVIOUS, C.STRIKE, C.UNDO, *TOLERANCES}


@pytest.mark.parametrize(
    ("command", "ends_at", "useless"),
    [(C.TOLERANCE_UP, 20.0, C.TOLERANCE_UP), (C.TOLERANCE_DOWN, 0.5, C.TOLERANCE_DOWN)],
)
def test_a_tolerance_goes_by_halves_from_a_half_to_twenty(
    command: Command, ends_at: float, useless: Command
) -> None:
    story = Story.begin(tolerance_cents=2.0).key(command)
    assert story.state.log.string.tolerance_cents == (2.5 if command is C.TOLERANCE_UP else 1.5)
    for _ in range(40):
        story.key(command)
    assert story.state.log.string.tolerance_cents == ends_at
    assert useless not in useful(story.state)
    entries = story.entries
    assert story.key(command).entries == entries


@pytest.mark.parametrize(("cents", "sign"), [(12.0, 1.0), (-12.0, -1.0)])
def test_a_move_is_corrected_by_quarter_turns_in_its_own_direction(
    cents: float, sign: float
) -> None:
    story = Story.begin(strings=(6,)).string(cents)
    advice = story.state.log.string.advice
    assert advice is not None
    pitch_mm = preset("six-string").bridge.screw_pitch_mm
    assert pitch_mm is not None
    story.key(C.MORE).key(C.MORE)
    assert story.state.log.string.said_mm == pytest.approx(advice.mm + sign * 0.5 * pitch_mm)
    story.key(C.LESS).key(C.LESS).key(C.LESS)
    assert story.state.log.string.said_mm == pytest.approx(advice.mm - sign * 0.25 * pitch_mm)


def test_without_a_screw_a_move_is_corrected_by_tenths_of_a_millimetre() -> None:
    guitar = preset("six-string")
    sliding = replace(guitar, bridge=replace(guitar.bridge, screw_pitch_mm=None))
    story = Story.begin(sliding, strings=(6,)).string(12.0)
    advice = story.state.log.string.advice
    assert advice is not None
    story.key(C.MORE)
    assert story.state.log.string.said_mm == pytest.approx(advice.mm + 0.1)


def test_what_was_said_of_a_move_holds_for_no_other() -> None:
    story = Story.begin(strings=(6,)).string(12.0).key(C.MORE)
    assert story.state.log.string.said_mm is not None
    story.key(C.TOLERANCE_UP)
    assert story.state.log.step is Step.MOVE
    assert story.state.log.string.advice is not None
    assert story.state.log.string.said_mm is None


def test_another_advice_takes_back_what_was_said_but_in_logs_of_form_2_it_comes_after() -> None:
    """Those told how far a move was said to be made, not which was advised."""
    log = Story.begin(strings=(6,)).string(12.0).state.log
    advised = log.entries[-1]
    assert isinstance(advised, AdviceEntry)
    said = SaidEntry(log.at_s, 6, 3.0)
    assert read_log(log.setup, (*log.entries, said)).string.said_mm == 3.0
    assert read_log(log.setup, (*log.entries, said, advised)).string.said_mm is None
    assert read_log(log.setup, (*log.entries[:-1], said, advised)).string.said_mm == 3.0


def test_begun_by_hand_the_open_string_is_asked_for() -> None:
    story = Story.begin(strings=(6,)).key(C.ACCEPT)
    assert (story.state.log.step, story.state.log.wanted_fret) == (Step.TUNE, 0)
    story.string(12.0).key(C.ACCEPT)
    assert (story.state.log.step, story.state.log.wanted_fret) == (Step.RETUNE, 0)


def test_what_is_not_gone_on_with_is_left_as_it_was_judged() -> None:
    passed = Story.begin(strings=(6, 5)).string(12.0).key(C.NEXT)
    assert passed.state.log.strings[5].outcome is Outcome.PASSED_OVER
    unheard = Story.begin(strings=(6, 5)).play(6).key(C.ACCEPT)
    assert unheard.state.log.strings[5].outcome is Outcome.PASSED_OVER
    advised = Story.begin(strings=(6, 5)).string(12.0)
    assert advised.key(C.ACCEPT).state.log.step is Step.RETUNE


def test_back_goes_round_the_strings() -> None:
    story = Story.begin(strings=(6, 5, 4)).play(6)
    assert story.key(C.PREVIOUS).state.log.current == 4
    assert story.key(C.PREVIOUS).state.log.current == 5
    assert story.state.says == "Back to string 5."


def test_a_take_of_another_string_may_be_struck_out() -> None:
    story = Story.begin(strings=(6, 5)).string(0.1)
    assert story.state.log.current == 5
    before = story.state.log.strings[5].now
    assert before is not None
    story.key(C.STRIKE, 2)
    after = story.state.log.strings[5].now
    assert after is not None
    assert after.fretted.n == before.fretted.n - 1
    assert story.state.log.current == 5
    assert story.state.says == "Take 2 is struck out."
    assert story.key(C.STRIKE, 2).state.says == "There is no such take to strike out."


def test_after_the_end_a_tolerance_judges_anew_and_asks_for_nothing() -> None:
    story = Story.begin(strings=(6,)).string(0.1)
    asks = story.state.asks
    story.key(C.TOLERANCE_UP)
    assert story.state.finished
    assert story.state.asks == asks
    assert story.state.log.string.verdict is not None
    assert story.state.log.string.verdict.tolerance_cents == 2.5
