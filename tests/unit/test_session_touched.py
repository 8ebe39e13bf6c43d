"""A harmonic touched where a note should be fretted: what is said, and what counts."""

from __future__ import annotations

import math

import pytest
import scipy.optimize
from session_story import Story

from pitchbench.intonation.harmonics import touched_harmonic
from pitchbench.intonation.verdict import Decision
from pitchbench.pitch.reading import Partial, Reading
from pitchbench.session.log import Ignored, Step, TakeEntry, TakeFate
from pitchbench.session.touched import likely_touched
from pitchbench.units import shifted_hz

#: An open string whose partials a body has shifted by cents, and what is left of them an octave up.
OPEN = (0.0, 1.5, -2.0, 4.0, 1.0, -3.0, 2.0, 0.5)
TOUCHED = OPEN[1::2]
FRETTED = (1.0, -2.0, 0.5, 3.0)


def partials(f1_hz: float, off_cents: tuple[float, ...], decay_s: float) -> tuple[Partial, ...]:
    return tuple(
        Partial(k, k * shifted_hz(f1_hz, off), 0.05, -20.0, decay_s / k, off)
        for k, off in enumerate(off_cents, start=1)
    )


def pluck(
    story: Story, off_cents: tuple[float, ...], cents: float = 0.0, undertones: tuple[int, ...] = ()
) -> Story:
    """The octave of string 6, its partials so far off twice the open string's."""
    f1_hz = shifted_hz(2.0 * story.target_hz(6), cents)
    first_hz = shifted_hz(f1_hz, off_cents[0])
    heard = partials(f1_hz, off_cents, 1.0)
    return story.sound(first_hz, partials=heard, undertones=undertones)


def begun(opens: int = 1) -> Story:
    story = Story.begin(strings=(6,))
    for _ in range(opens):
        story.play(6, 0, partials=partials(story.target_hz(6), OPEN, 2.0))
    return story


def touched(story: Story) -> Story:
    """With something left of the open string, so that one tells it beyond doubt."""
    return pluck(story, TOUCHED, undertones=(2,))


def fretted(story: Story, cents: float = 6.0) -> Story:
    return pluck(story, FRETTED, cents)


def test_a_touched_note_is_refused_and_a_fretted_one_taken() -> None:
    story = touched(begun())
    assert story.last_fate is TakeFate.IGNORED
    assert story.state.log.last_take.cause is Ignored.TOUCHED_HARMONIC
    assert story.state.says == (
        "Ignored: a harmonic touched instead of fretted: press the string down at the 12th fret."
    )
    assert fretted(story).last_fate is TakeFate.ACCEPTED
    assert story.state.log.last_take.cause is None


def log_ratio(cents: float) -> float:
    """Logarithm of how much likelier a note is if it is touched, so far from where it would lie."""
    story = pluck(begun(), TOUCHED, cents, undertones=(2,))
    of_open, take = (e.take.reading for e in story.entries if isinstance(e, TakeEntry))
    assert isinstance(of_open, Reading)
    assert isinstance(take, Reading)
    found = touched_harmonic([take], [of_open], beforehand=0.5)
    assert found is not None
    return math.log(found.probability / (1.0 - found.probability))


@pytest.mark.parametrize(("times", "refused"), [(1.05, True), (0.95, False)])
def test_of_those_who_were_told_and_then_fretted_one_in_500_touches_again(
    times: float, refused: bool
) -> None:
    """Refused is what is so with 999 in 1000; with 1 to 499 before, that takes 999 times 499."""
    least = math.log(times * 999.0 * 499.0)
    cents = scipy.optimize.brentq(lambda cents: log_ratio(cents) - least, 0.0, 1.0)
    story = fretted(touched(begun()))
    assert story.last_fate is TakeFate.ACCEPTED
    pluck(story, TOUCHED, cents, undertones=(2,))
    assert (story.last_fate is TakeFate.IGNORED) == refused


def test_the_second_time_the_way_out_is_said() -> None:
    """A string that is set perfectly sounds so too: pressed harder, it goes sharp if it is
    fretted."""
    story = touched(begun())
    assert "press harder" not in story.state.says
    assert "if you do, press harder once" in touched(story).state.says
    assert "if you do, press harder once" in touched(story).state.says


@pytest.mark.parametrize(("sharper", "pressed"), [(1.1, True), (0.9, False)])
def test_pressed_harder_it_shows_that_it_is_fretted(sharper: float, pressed: bool) -> None:
    """By a cent above the last one that was refused; that pluck itself counts for nothing."""
    story = begun()
    for _ in range(2):
        touched(story)
    other = tuple(off + sharper for off in TOUCHED[:1]) + FRETTED[1:]
    pluck(story, other)
    cause = story.state.log.last_take.cause
    assert (cause is Ignored.PRESSED_HARDER) == pressed
    if pressed:
        assert story.last_fate is TakeFate.IGNORED
        assert "now press as in playing" in story.state.says


def test_what_was_refused_in_another_tuning_is_no_reason_to_press_harder() -> None:
    story = begun()
    for _ in range(2):
        touched(story)
    story.play(6, 0, -15.0)
    story.play(6, 0, partials=partials(story.target_hz(6), OPEN, 2.0))
    pluck(story, (TOUCHED[0] + 1.1, *FRETTED[1:]))
    assert story.last_fate is TakeFate.ACCEPTED
    assert story.state.log.last_take.cause is None


def test_one_refused_is_no_reason_to_press_harder() -> None:
    story = touched(begun())
    pluck(story, (TOUCHED[0] + 5.0, *FRETTED[1:]))
    assert story.last_fate is TakeFate.ACCEPTED


def test_a_note_that_hardly_tells_is_asked_about_and_counts_until_a_second_one_tells() -> None:
    story = pluck(begun(), TOUCHED, 0.6)
    assert story.last_fate is TakeFate.ACCEPTED
    assert story.state.log.last_take.cause is Ignored.TOUCHED_HARMONIC
    assert "Is that fretted, or a harmonic touched?" in story.state.says
    pluck(story, TOUCHED, 0.6)
    assert story.last_fate is TakeFate.IGNORED
    assert [take.number for take in story.state.log.string.accepted] == [1], "2 is struck out"
    fretted(story)
    assert [take.number for take in story.state.log.string.accepted] == [1, 4]


def test_a_harmonic_that_would_pass_for_another_string_is_told() -> None:
    """Of the low E string touched at its 7th fret sounds nearly the open B."""
    story = begun()
    hz = 3.0 * story.target_hz(6)
    third = partials(hz, (OPEN[2], OPEN[5]), 2.0 / 3.0)
    story.sound(shifted_hz(hz, OPEN[2]), partials=third)
    assert story.state.says == (
        "Ignored: a harmonic touched at the 7th fret of string 6: press it at the 12th fret."
    )
    assert story.state.log.last_take.cause is Ignored.TOUCHED_HARMONIC


def test_before_the_string_is_in_tune_its_harmonic_is_told_by_what_is_left_of_it() -> None:
    story = Story.begin(strings=(6,)).play(6, 0, -30.0)
    hz = 2.0 * story.target_hz(6)
    story.sound(hz, undertones=(2,))
    assert story.state.says == (
        "Ignored: a harmonic touched at the 12th fret of string 6: pluck it open."
    )


def likely(times: int) -> Story:
    """So many notes that are likelier touched than fretted, none of them beyond doubt."""
    story = begun()
    for off in (0.8, 0.7, 1.0, 0.6)[:times]:
        pluck(story, TOUCHED, off)
        assert story.last_fate is TakeFate.ACCEPTED
    return story


def test_no_advice_rests_on_what_is_likelier_touched() -> None:
    """As in `offset`: three takes that agree would be enough for advice."""
    story = likely(1)
    assert "Is that fretted, or a harmonic touched?" in story.state.says
    for times in (2, 3, 4):
        story = likely(times)
        string = story.state.log.string
        assert string.verdict.decision is Decision.TAKE_MORE
        assert (string.advice, string.outcome) == (None, None)
        assert (story.state.log.step, story.state.log.wanted_fret) == (Step.FRETTED, 12)
        assert story.state.says.endswith(
            "No advice rests on what sounds touched: press the string down at the 12th fret; if "
            "you do, press harder once, for a fretted note goes sharp then."
        )
    fretted(story)
    assert story.state.log.last_take.cause is Ignored.PRESSED_HARDER


def test_who_pressed_harder_gets_advice_on_what_sounds_touched() -> None:
    """Nor is anything said of it from there on: the string is set so well, or so it seems."""
    story = likely(3)
    pluck(story, (TOUCHED[0] + 3.0, *FRETTED[1:]))
    assert story.state.log.last_take.cause is Ignored.PRESSED_HARDER
    for off in (0.7, 0.8):
        pluck(story, TOUCHED, off)
    assert story.state.log.step is not Step.FRETTED
    assert "sounds touched" not in story.state.says


def test_a_new_tuning_makes_no_advice_of_what_was_likelier_touched() -> None:
    story = likely(3).play(6, 0, -15.0)
    story.play(6, 0, partials=partials(story.target_hz(6), OPEN, 2.0))
    assert story.state.log.string.verdict.decision is Decision.TAKE_MORE
    assert likely_touched(story.state.log, story.state.log.string)
    assert not likely_touched(fretted(story).state.log, story.state.log.string)
