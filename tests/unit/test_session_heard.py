"""What follows from a pluck, at the pitches where that changes."""

from __future__ import annotations

import pytest
from session_story import Story

from pitchbench.session.job import Command
from pitchbench.session.log import Ignored, Step, TakeFate
from pitchbench.units import shifted_hz


def at_a_move() -> Story:
    story = Story.begin(strings=(6, 5)).string(12.0)
    assert story.state.log.step is Step.MOVE
    return story


@pytest.mark.parametrize(
    ("cents", "slack"), [(-29.0, False), (-31.0, True), (-999.0, True), (-1001.0, False)]
)
@pytest.mark.parametrize("clarity", [0.9, 0.89])
def test_a_string_is_heard_slack_while_it_rings(cents: float, slack: bool, clarity: float) -> None:
    """From 30 cents to ten semitones down, if the pitch is clear."""
    story = at_a_move()
    story.live(shifted_hz(story.target_hz(6), cents), clarity=clarity)
    assert story.state.log.step is (Step.RETUNE if slack and clarity >= 0.9 else Step.MOVE)


def test_nothing_is_said_of_the_attack_and_near_is_near_enough() -> None:
    story = Story.begin().play(6, 0, -30.0)
    before = story.state.says

    def said(cents: float, after_s: float = 1.0) -> str:
        pitch_hz = shifted_hz(story.target_hz(6), cents)
        return Story(story.state).live(pitch_hz, after_s).state.says

    assert said(-20.0, 0.39) == before
    assert said(-20.0, 0.41) == "String 6 is 20.0 cents flat of E2: bring it up slowly."
    assert said(7.9) == said(-7.9) == "String 6 is near its pitch: let it ring."
    assert said(-8.1) == "String 6 is 8.1 cents flat of E2: bring it up slowly."
    assert "slacken it below and come up again" in said(8.1)


def test_the_answer_to_a_key_stands_for_a_moment() -> None:
    story = Story.begin(strings=(6,)).play(6, 0, -30.0)
    flat_hz = shifted_hz(story.target_hz(6), -20.0)
    story.live(flat_hz).key(Command.STRIKE, take=99)
    for after_s in (1.03, 2.9):
        story.live(flat_hz, after_s)
        assert story.state.says == "There is no such take to strike out."
    # While it is still turned up, the string is spoken of again; and of a key long ago at once.
    assert story.live(flat_hz, 3.1).state.says.startswith("String 6 is 20.0 cents flat of E2")
    story.play(6, 0, -30.0).key(Command.STRIKE, take=99)
    story.now_s += 10.0
    assert story.live(flat_hz, 0.5).state.says.startswith("String 6 is 20.0 cents flat of E2")


def test_what_is_not_the_open_string_sends_nobody_to_its_machine() -> None:
    """While string 1 is tuned: its 12th fret, string 2 open, and what is no note of either."""
    story = Story.begin(strings=(1,)).play(1, 0, -30.0)
    before = story.state.says

    def said(pitch_hz: float, clarity: float = 0.99) -> str:
        return Story(story.state).live(pitch_hz, clarity=clarity).state.says

    octave_hz = story.target_hz(1, 12)
    assert said(octave_hz) == (
        "The 12th fret instead of the open string: bring the open string in tune first."
    )
    assert said(story.target_hz(2)) == (
        "That is string 2's note, B3; if it is string 1, go on tuning."
    )
    assert "pluck string 1 alone" in said(shifted_hz(octave_hz, 500.0))
    assert said(octave_hz, clarity=0.89) == before


@pytest.mark.parametrize(("cents", "moved"), [(1.9, False), (-1.9, False), (2.1, True)])
def test_an_open_note_as_before_asks_whether_the_saddle_was_moved(
    cents: float, moved: bool
) -> None:
    """Within two cents of the mean of the takes before; a second one says yes."""
    story = Story.begin(strings=(6,)).play(6)
    while story.state.log.step is not Step.MOVE:
        story.play(
            6, story.state.log.wanted_fret or 0, 12.0 if story.state.log.wanted_fret else 0.0
        )
    story.play(6, 0, cents)
    assert (story.state.log.string.round == 1) == moved
    if not moved:
        assert story.state.log.last_take.cause is Ignored.AS_BEFORE_THE_MOVE
        assert story.play(6, 0, cents).state.log.string.round == 1


def test_an_unsure_open_note_is_as_before_within_its_own_uncertainty() -> None:
    story = Story.begin(strings=(6,)).play(6)
    while story.state.log.step is not Step.MOVE:
        story.play(
            6, story.state.log.wanted_fret or 0, 12.0 if story.state.log.wanted_fret else 0.0
        )
    # 95 % of a normal distribution: 1.96 of 1.4 cents are 2.74.
    assert Story(story.state).play(6, 0, 2.7, u_cents=1.4).state.log.string.round == 0
    assert Story(story.state).play(6, 0, 2.8, u_cents=1.4).state.log.string.round == 1


@pytest.mark.parametrize(("cents", "fate"), [(9.9, TakeFate.ACCEPTED), (10.1, TakeFate.IGNORED)])
def test_an_open_take_ten_cents_off_has_gone_out_of_tune(cents: float, fate: TakeFate) -> None:
    story = Story.begin().play(6).play(6, 0, cents)
    assert story.last_fate is fate
    assert (story.state.log.step is Step.TUNE) == (fate is TakeFate.IGNORED)
    sharp = Story.begin().play(6).play(6, 12, cents + 20.0)
    assert sharp.last_fate is TakeFate.ACCEPTED, "of a fretted note that is the offset"


def test_another_string_is_gone_to_when_it_is_played_twice_in_a_row() -> None:
    once = Story.begin(strings=(6, 5)).play(6).play(5)
    assert once.state.log.current == 6
    assert once.state.log.last_take.cause is Ignored.ANOTHER_STRING
    assert Story(once.state).play(5).state.log.current == 5
    assert Story(once.state).play(4).state.log.current == 6
    between = Story(once.state)
    assert between.play(6, 12, 0.0).play(5).state.log.current == 6


def test_a_take_says_how_far_off_the_note_it_is() -> None:
    story = Story.begin().play(6, 0, -0.4)
    assert story.state.says == "Take 1, open E2: 0.4 ± 0.1 cents flat of E2."
    assert story.play(6, 12, 6.0).state.says == (
        "Take 2, string 6 at the 12th fret: 6.0 ± 0.1 cents sharp of E3."
    )


def test_what_stands_out_is_said_once() -> None:
    """Takes that scatter by 8 cents to either side."""
    story = Story.begin(strings=(6,)).play(6)
    said = []
    for turn in range(9):
        fret = story.state.log.wanted_fret or 0
        story.play(6, fret, 8.0 * (-1) ** turn if fret else 0.0)
        said.append("scatter much" in story.state.says)
    assert sum(said) == 1
