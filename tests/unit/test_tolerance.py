"""A tolerance for each string: suggested, kept, and what a session judges by."""

from __future__ import annotations

import pytest
from recordings import Ran
from session_story import Story

from pitchbench.commands.instrument_options import TOLERANCES, with_details
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Bridge, BridgeKind, Instrument
from pitchbench.intonation.tolerance import (
    heard_cents,
    suggested_tolerance_cents,
    tolerance_words,
    with_suggested_tolerance,
)
from pitchbench.notes import Note
from pitchbench.presets import PRESETS, preset
from pitchbench.refit import with_tolerance
from pitchbench.session.fold import read_log
from pitchbench.session.job import Command
from pitchbench.session.log import Outcome, Step, ToleranceEntry
from pitchbench.session.state import resume
from pitchbench.units import cents_between

BASS = with_tolerance(preset("bass-five"), 2.0, 2.0, 2.0, 2.5, 4.0)


def test_what_is_heard_is_a_hertz_below_500_and_two_thousandths_above() -> None:
    """At the 4th partial, worked by hand: of B1 (61.735 Hz) that is 246.94 Hz, of A4 1760 Hz."""
    assert heard_cents(Note.parse("B1")) == pytest.approx(cents_between(247.94, 246.94), abs=0.02)
    assert heard_cents(Note.parse("A4")) == pytest.approx(cents_between(1763.52, 1760.0), abs=0.01)


@pytest.mark.parametrize("instrument", PRESETS.values(), ids=PRESETS)
def test_lower_strings_are_never_held_to_less(instrument: Instrument) -> None:
    by_pitch = sorted(spec.note for spec in instrument.strings)
    suggested = [suggested_tolerance_cents(note) for note in by_pitch]
    assert suggested == sorted(suggested, reverse=True)
    assert all(2.0 <= cents <= 4.0 for cents in suggested)


def test_the_low_strings_of_a_bass_may_be_farther_off() -> None:
    assert with_suggested_tolerance(preset("bass-five")).tolerances_cents == (2, 2, 2, 2.5, 3.5)
    assert with_suggested_tolerance(preset("six-string")).tolerances_cents == (2.0,) * 6


def test_the_least_is_the_instruments_and_the_others_are_their_own() -> None:
    assert BASS.tolerance_cents == 2.0
    assert [spec.tolerance_cents for spec in BASS.strings] == [None, None, None, 2.5, 4.0]
    assert with_tolerance(BASS, 1.0).tolerances_cents == (1.0,) * 5
    assert (tolerance_words(BASS.tolerances_cents), tolerance_words((2.0, 2.0))) == (
        "2 to 4 cents",
        "2 cents",
    )


@pytest.mark.parametrize("said", ["2 2 2", "0", "2 x 2 2 2", "", "sugested", "nan"])
def test_a_tolerance_that_makes_no_sense_is_refused(said: str) -> None:
    with pytest.raises(PitchbenchError):
        with_details(preset("bass-five"), {"tolerance": TOLERANCES.convert(said, None, None)})


def test_suggestions_need_to_know_the_strings() -> None:
    unknown = Instrument("", "", 648.0, (), Bridge(BridgeKind.SCREW_SADDLES))
    with pytest.raises(PitchbenchError, match="strings are not known"):
        with_details(unknown, {"tolerance": ()})


def test_each_string_is_judged_by_its_own() -> None:
    """The same takes, 2 cents flat, leave string 5 and move string 3."""
    story = Story.begin(BASS, strings=(5, 3)).play(5).takes(-2.0)
    assert story.outcomes()[5] is Outcome.LEAVE
    assert "within 4" in story.state.says
    assert story.play(3).takes(-2.0).state.log.step is Step.MOVE


def test_a_key_changes_the_tolerance_of_the_string_that_has_its_own() -> None:
    story = Story.begin(BASS, strings=(5, 3, 2)).play(5).key(Command.TOLERANCE_UP)
    assert [s.tolerance_cents for s in story.state.log.strings] == [2, 2, 2, 2.5, 4.5]
    assert "of string 5" in story.state.says
    story.key(Command.NEXT).play(3).key(Command.TOLERANCE_UP)
    assert [s.tolerance_cents for s in story.state.log.strings] == [2.5, 2.5, 2.5, 2.5, 4.5]
    assert story.state.log.tolerance_cents == 2.5
    told = [e for e in story.entries if isinstance(e, ToleranceEntry)]
    assert [(e.cents, e.string) for e in told] == [(4.5, 5), (2.5, None)]
    setup, entries = story.state.setup, story.entries
    assert read_log(setup, entries).strings == resume(setup, entries).log.strings


def test_they_are_kept_with_the_instrument(
    capsys: pytest.CaptureFixture[str], tmp_path: object
) -> None:
    store = f"{tmp_path}/bench.sqlite"
    Ran(
        capsys,
        *("instrument", "add", "Low", "--like", "bass-five"),
        *("--tolerance", "suggested", "--store", store),
    )
    shown = Ran(capsys, "instrument", "show", "Low", "--store", store).out
    assert "tolerance: 2 to 3.5 cents" in shown
    assert "string 5: B0, 3.3 mm wound, nickel-wound steel, may be 3.5 cents off" in shown
    Ran(capsys, "instrument", "edit", "Low", "--tolerance", "3", "--store", store)
    assert "tolerance: 3 cents" in Ran(capsys, "instrument", "show", "Low", "--store", store).out
