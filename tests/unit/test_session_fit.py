"""Which note a pluck is taken for, at the pitches where that changes."""

from __future__ import annotations

import pytest
from session_story import Story

from pitchbench.session.fit import Kind, fit, fit_live
from pitchbench.session.log import Ignored, Step
from pitchbench.units import shifted_hz

OPEN, FRETTED, OTHER, NOTHING = Kind.OPEN, Kind.FRETTED, Kind.OTHER, Kind.NOTHING


def taken_for(story: Story, cents: float) -> tuple[Kind, int, Ignored | None]:
    """What a note so far above the open string at work is taken for."""
    log = story.state.log
    match = fit_live(log, shifted_hz(story.target_hz(log.current), cents))
    return match.kind, match.string, match.cause


@pytest.mark.parametrize(
    ("cents", "kind", "string"),
    [
        (79.0, OPEN, 6), (-79.0, OPEN, 6), (-81.0, NOTHING, 6),
        # A2, D3, G3, B3 and E4 lie 500, 1000, 1500, 1900 and 2400 cents above E2.
        (451.0, OTHER, 5), (449.0, NOTHING, 6), (1049.0, OTHER, 4), (1051.0, NOTHING, 6),
        (1121.0, FRETTED, 6), (1119.0, NOTHING, 6), (1279.0, FRETTED, 6), (1281.0, NOTHING, 6),
        (2400.0, OTHER, 1),
    ],
)  # fmt: skip
def test_a_string_in_tune_has_its_two_notes_first(cents: float, kind: Kind, string: int) -> None:
    story = Story.begin().play(6)
    assert taken_for(story, cents)[:2] == (kind, string)


@pytest.mark.parametrize(
    ("cents", "cause"),
    [
        (139.0, Ignored.ANOTHER_FRET), (141.0, Ignored.NO_NOTE_OF_IT),
        (661.0, Ignored.ANOTHER_FRET), (659.0, Ignored.NO_NOTE_OF_IT),
        (-100.0, Ignored.NO_NOTE_OF_IT), (2200.0, Ignored.ANOTHER_FRET),
        (2300.0, Ignored.NO_NOTE_OF_IT),
    ],
)  # fmt: skip
def test_what_is_within_40_cents_of_a_fret_is_another_fret(cents: float, cause: Ignored) -> None:
    """Of the 22 frets that the neck has."""
    story = Story.begin().play(6)
    assert story.state.setup.instrument.frets == 22
    assert taken_for(story, cents)[2] is cause


def test_another_fret_is_named_with_what_was_asked() -> None:
    story = Story.begin().play(6)
    log = story.state.log
    reading = story.reading(shifted_hz(story.target_hz(6), 705.0), 9.0)
    assert fit(log, reading).why == ("the 7th fret instead of the 12th: count the frets once more")
    asked_open = Story.begin().play(6).play(6, 12).play(6, 12)
    while asked_open.state.log.wanted_fret != 0:
        asked_open.play(6, 12)
    why = fit(asked_open.state.log, reading).why
    assert why == "the 7th fret instead of the open string: pluck it open"


def test_the_open_note_is_where_it_was_heard() -> None:
    """Tuned 2 cents sharp, its octave lies 2 cents higher as well."""
    story = Story.begin().play(6, 0, 2.0)
    assert taken_for(story, 1281.0)[0] is FRETTED
    assert taken_for(story, 1283.0)[0] is NOTHING
    assert taken_for(story, -77.0)[0] is OPEN
    assert taken_for(story, -79.0)[0] is NOTHING


def test_between_near_frets_there_is_room_for_half_of_it() -> None:
    story = Story.begin(fret=1).play(6)
    assert taken_for(story, 49.0)[0] is OPEN
    assert taken_for(story, 51.0)[0] is FRETTED
    assert taken_for(story, 149.0)[0] is FRETTED
    assert taken_for(story, 151.0)[0] is NOTHING


@pytest.mark.parametrize(
    ("cents", "kind", "string"),
    [
        (299.0, OPEN, 6), (301.0, NOTHING, 6), (-299.0, OPEN, 6), (-301.0, NOTHING, 6),
        (451.0, OTHER, 5), (449.0, NOTHING, 6), (1200.0, NOTHING, 6),
    ],
)  # fmt: skip
def test_as_found_a_string_may_be_three_semitones_off(
    cents: float, kind: Kind, string: int
) -> None:
    assert taken_for(Story.begin(), cents)[:2] == (kind, string)


@pytest.mark.parametrize(
    ("cents", "kind", "string"),
    [
        (-1899.0, OPEN, 6), (-1901.0, NOTHING, 6), (699.0, OPEN, 6), (701.0, NOTHING, 6),
        (451.0, OTHER, 5), (449.0, OPEN, 6), (1121.0, NOTHING, 6),
    ],
)  # fmt: skip
def test_while_it_is_tuned_almost_any_pitch_is_the_string(
    cents: float, kind: Kind, string: int
) -> None:
    story = Story.begin().play(6, 0, -30.0)
    assert story.state.log.step is Step.TUNE
    assert taken_for(story, cents)[:2] == (kind, string)


def test_brought_up_after_a_move_it_passes_through_lower_strings() -> None:
    story = Story.begin(strings=(5,)).string(12.0)
    assert story.state.log.step is Step.MOVE
    # E2 lies 500 cents below A2.
    assert taken_for(story, -509.0)[:2] == (OTHER, 6)
    assert taken_for(story, -511.0)[:2] == (OPEN, 5)


def test_too_early_is_the_fretted_note_and_nothing_beside_it() -> None:
    story = Story.begin().play(6, 0, -30.0)
    for cents, cause in ((1121.0, Ignored.FRETTED_TOO_EARLY), (1119.0, Ignored.NO_NOTE_OF_IT)):
        assert taken_for(story, cents)[2] is cause


@pytest.mark.parametrize(
    ("stiffness_b", "kind"), [(2.1e-4, FRETTED), (1.9e-4, OTHER), (None, FRETTED), (8e-4, FRETTED)]
)
def test_the_open_string_an_octave_up_is_less_than_half_as_stiff_as_the_fretted_note(
    stiffness_b: float | None, kind: Kind
) -> None:
    """C2 and C3: at the 12th fret the law is four times the open string's, of which the middle of
    three is 1e-4."""
    story = Story.begin("six-string-drop-c")
    for open_b in (1e-4, 3e-4, 0.5e-4):
        story.play(6, 0, stiffness_b=open_b)
    reading = story.reading(story.target_hz(6, 12), 9.0, stiffness_b=stiffness_b)
    assert fit(story.state.log, reading).kind is kind
