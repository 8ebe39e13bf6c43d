"""Signs of faults in a session, at the numbers where they begin."""

from __future__ import annotations

from dataclasses import replace

import pytest
from session_story import Story

from pitchbench.pitch.reading import Partial
from pitchbench.presets import preset
from pitchbench.session.findings import findings
from pitchbench.session.fold import read_log
from pitchbench.session.job import Command
from pitchbench.strings.faults import Fault
from pitchbench.units import shifted_hz


def partials(
    hz: float, decay_s: float | None, off_law_cents: float, numbers: range = range(1, 8)
) -> tuple[Partial, ...]:
    """Partials 2 to 6 lie so far off the law, by turns; what lies beside them tells nothing, nor
    how those above the first one die."""
    return tuple(
        Partial(
            number=k,
            frequency_hz=k * hz,
            u_cents=0.05,
            level_db=-20.0,
            decay_s=decay_s if k == 1 else 0.5,
            law_cents=(-1.0) ** k * off_law_cents if 2 <= k <= 6 else 90.0,
        )
        for k in numbers
    )


def play(
    story: Story,
    fret: int,
    decay_s: float | None,
    off_law_cents: float = 0.0,
    numbers: range = range(1, 8),
) -> None:
    """String 6, whose 12th fret is some cents sharp, or it might be a touched harmonic."""
    cents = 4.0 * (fret > 0)
    hz = shifted_hz(story.target_hz(6, fret), cents)
    story.play(6, fret, cents, partials=partials(hz, decay_s, off_law_cents, numbers))


def found(
    *,
    open_s: float | None = 2.0,
    fretted_s: float | None = 1.0,
    off_law_cents: float = 1.0,
    plucks: int = 2,
    numbers: range = range(1, 8),
) -> list[Fault]:
    """What is found after so many plucks of either note of string 6."""
    story = Story.begin(strings=(6,), tolerance_cents=0.1)
    for _ in range(plucks):
        play(story, 0, open_s, off_law_cents, numbers)
        play(story, 12, fretted_s, off_law_cents, numbers)
    assert len(story.accepted()) == 2 * plucks
    return [finding.fault for finding in findings(story.state.log)]


def test_an_ordinary_string_shows_nothing() -> None:
    assert found() == []


@pytest.mark.parametrize(
    ("open_s", "fretted_s", "dead"),
    [
        (2.0, 0.29, True),
        (2.0, 0.31, False),  # it lasts for three tenths of a second
        (1.4, 0.29, False),  # the open string dies soon as well: 4.8 times are less than 5
        (1.5, 0.29, True),
        (None, 0.1, False),
        (2.0, None, False),
    ],
)
def test_a_dead_fret_dies_in_a_moment_and_much_faster_than_the_open_string(
    open_s: float | None, fretted_s: float | None, dead: bool
) -> None:
    assert found(open_s=open_s, fretted_s=fretted_s) == [Fault.DEAD_FRET] * dead


@pytest.mark.parametrize(("off_law_cents", "old"), [(12.1, True), (11.9, False)])
def test_a_string_whose_partials_lie_far_off_the_law_is_old(
    off_law_cents: float, old: bool
) -> None:
    assert found(off_law_cents=off_law_cents) == [Fault.OLD_STRING] * old


def test_one_pluck_or_two_partials_say_nothing() -> None:
    assert found(off_law_cents=30.0, fretted_s=0.1, plucks=1) == []
    assert found(off_law_cents=30.0, numbers=range(1, 4)) == []
    assert found(off_law_cents=30.0, numbers=range(1, 5)) == [Fault.OLD_STRING]
    assert found(off_law_cents=30.0, numbers=range(4, 7)) == [Fault.OLD_STRING]
    assert found(off_law_cents=30.0, numbers=range(5, 8)) == []
    assert found(fretted_s=0.1, numbers=range(2, 6)) == [], "the first partial tells how it dies"


def test_how_many_times_as_fast_it_dies_is_said() -> None:
    story = Story.begin(strings=(6,), tolerance_cents=0.1)
    for _ in range(2):
        play(story, 0, 2.0)
        play(story, 12, 0.25)
    (finding,) = findings(story.state.log)
    assert finding.string == 6
    assert finding.words.startswith("at the 12th fret it dies 8 times as fast as open: a worn")
    setup = replace(story.state.setup, instrument=replace(preset("six-string"), fretless=True))
    (finding,) = findings(read_log(setup, story.state.entries))
    assert finding.words.startswith("at the 12th fret mark it dies 8 times as fast as open: a soft")
    assert "worn" not in finding.words


def test_a_saddle_that_went_the_other_way_is_a_sign_also_once_that_is_on_record() -> None:
    """From then on the move is one the other way, and did as expected of such a one."""
    story = Story.begin(strings=(6,)).string(6.0).move_and_retune(6).takes(12.0)
    assert [move.other_way for move in story.state.log.moves] == [True]
    (finding,) = findings(story.state.log)
    assert (finding.fault, finding.string) == (Fault.WRONG_WAY, 6)
    right = Story.begin(strings=(6,)).string(6.0).move_and_retune(6).takes(0.1)
    assert findings(right.state.log) == ()


def test_a_move_that_made_it_worse_is_a_sign_though_nobody_says_so() -> None:
    story = Story.begin(strings=(6,)).string(6.0).move_and_retune(6).takes(25.0)
    assert not any(move.other_way for move in story.state.log.moves)
    assert Fault.WRONG_WAY in [finding.fault for finding in findings(story.state.log)]


@pytest.mark.parametrize("screws", [True, False])
def test_where_there_is_no_screw_none_turns_in_vain(screws: bool) -> None:
    guitar = preset("six-string")
    pitch_mm = guitar.bridge.screw_pitch_mm if screws else None
    bridge = replace(guitar.bridge, screw_pitch_mm=pitch_mm, travel_away_mm=30.0)
    story = Story.begin(replace(guitar, bridge=bridge), strings=(6, 5))
    for number in (6, 5):
        story.string(14.0).move_and_retune(number).takes(7.0).key(Command.NEXT)
    found = [finding.fault for finding in findings(story.state.log)]
    assert (Fault.BACKLASH in found) is screws
