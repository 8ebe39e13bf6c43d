"""A capo as the nut, strings that are played as one, clamps at the nut."""

from __future__ import annotations

from dataclasses import replace

import pytest
from invented import a_reading
from recordings import Ran
from session_story import Story

from pitchbench.commands.instrument_options import with_details
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.intonation.guide import page
from pitchbench.pitch.listener import PluckStarted, ReadingReady
from pitchbench.pitch.reading import Reason
from pitchbench.presets import preset
from pitchbench.records.documents import from_json, to_json
from pitchbench.records.history import changes
from pitchbench.refit import parse_capo, with_bridge, with_capo, without_capo
from pitchbench.session import stretch, survey
from pitchbench.session.job import Command, KeyPressed
from pitchbench.session.log import Ignored, Outcome, Setup, Step, TakeFate
from pitchbench.session.words import before_work
from pitchbench.strings.forecast import condition
from pitchbench.strings.physics import neck_of
from pitchbench.strings.virtual import VirtualInstrument

GUITAR = preset("six-string")
TWELVE = preset("twelve-string")
Capsys = pytest.CaptureFixture[str]


# ------------------------------------------------------------------------------ capo


def test_a_capo_is_the_nut_of_every_string() -> None:
    made = with_capo(GUITAR, 3)
    assert made.tuning == "G2 C3 F3 A#3 D4 G4"
    assert made.scale_of(6) == pytest.approx(648.0 * 2 ** (-3 / 12))
    assert (made.neck_fret(6, 12), made.highest_fret(6)) == (15, 19)
    assert without_capo(made) == GUITAR


def test_a_capo_leaves_the_tension_as_it_was() -> None:
    """Shorter by 2^(N/12) and higher by as much: T = 4 L^2 f^2 mu is the same."""
    for number in range(1, 7):
        tensions = [condition(each, number).tension_n for each in (GUITAR, with_capo(GUITAR, 5))]
        assert tensions[1] == pytest.approx(tensions[0], rel=1e-9)


def test_the_short_string_of_a_banjo_moves_up_with_the_capo() -> None:
    banjo = with_capo(preset("banjo-five"), 2)
    assert banjo.tuning == "A4 E3 A3 C#4 E4"
    assert (banjo.neck_fret(5, 12), banjo.neck_fret(4, 12)) == (19, 14)


@pytest.mark.parametrize("name", ["steel-acoustic", "banjo-five"])
def test_a_capo_that_leaves_no_octave_is_refused(name: str) -> None:
    with pytest.raises(PitchbenchError, match="no octave"):
        with_capo(preset(name), 9)


def test_a_session_with_a_capo_asks_for_the_octave_above_it() -> None:
    story = Story.begin(with_capo(GUITAR, 2), strings=(6,)).play(6)
    assert story.state.log.step is Step.FRETTED
    assert "14th fret" in story.state.asks
    story.takes(0.2)
    assert story.outcomes()[6] is Outcome.LEAVE


def test_a_capo_is_no_change_of_the_instrument() -> None:
    assert changes(with_capo(GUITAR, 2), GUITAR) == ()


def test_a_capo_over_some_strings_is_the_nut_of_those_alone() -> None:
    made = with_capo(GUITAR, 2, (1, 2, 3, 4, 5))
    assert made.tuning == "E2 B2 E3 A3 C#4 F#4"
    assert made.scale_of(6) == 648.0
    assert made.scale_of(5) == pytest.approx(648.0 * 2 ** (-2 / 12))
    assert [made.neck_fret(n, 12) for n in (6, 5)] == [12, 14]
    assert without_capo(made) == GUITAR
    assert with_capo(GUITAR, 2, range(1, 7)) == with_capo(GUITAR, 2)
    assert from_json(to_json(made), Instrument) == made
    # The finger's height over the nut is that of the nut where no capo lies.
    assert neck_of(made, 6) == neck_of(GUITAR, 6)
    assert neck_of(made, 5).nut_height_mm == 0.0


def test_a_string_that_is_not_known_begins_at_a_capo_over_all() -> None:
    unknown = replace(GUITAR, strings=(), setback_mm=())
    for made in (with_capo(GUITAR, 2), with_capo(unknown, 2)):
        assert made.scale_of(0) == pytest.approx(648.0 * 2 ** (-2 / 12))
        assert (made.neck_fret(0, 12), made.neck_fret(0, 0)) == (14, 0)
        assert made.highest_fret(0) == made.frets - 2
    some = with_capo(GUITAR, 2, (1, 2, 3, 4, 5))
    assert (some.scale_of(0), some.neck_fret(0, 12)) == (648.0, 12)


def test_each_string_is_asked_at_the_fret_above_its_own_nut() -> None:
    made = with_capo(GUITAR, 2, (5,))
    for string, fret in ((5, "14th fret"), (6, "12th fret")):
        assert fret in Story.begin(made, strings=(string,)).play(string).state.asks
    assert "capo on the 2nd fret over string 5" in before_work(made)
    assert "capo on the 2nd fret" in before_work(with_capo(GUITAR, 2))


@pytest.mark.parametrize(
    ("text", "means"),
    [
        ("2", (2, ())),
        ("2:1-5", (2, (1, 2, 3, 4, 5))),
        (" 4 : 5, 3,4 ", (4, (3, 4, 5))),
        ("12:1", (12, (1,))),
    ],
)
def test_capo_is_read(text: str, means: tuple[int, tuple[int, ...]]) -> None:
    assert parse_capo(text) == means


@pytest.mark.parametrize(
    "text", ["", "0", "13", "x", "2:", "2:0", "2:5-1", "2:1-", ":1", "²", "2:1,,2"]
)
def test_what_is_no_capo_is_refused(text: str) -> None:
    with pytest.raises(PitchbenchError, match="makes no sense"):
        parse_capo(text)


def test_a_capo_over_a_string_that_there_is_not_is_refused(capsys: Capsys) -> None:
    ran = Ran(capsys, "forecast", "--capo", "2:1-7")
    assert ran.code == 2
    assert "no string 7" in ran.err


def test_a_virtual_instrument_sounds_from_its_capo() -> None:
    """The same seed makes the same strings: 2 frets are 200 cents, but for setbacks and how far
    the strings as found are out of tune, some cents."""
    plain, capoed = (VirtualInstrument(each, seed=2) for each in (GUITAR, with_capo(GUITAR, 2)))
    for virtual in (plain, capoed):
        virtual.tune(6)
    assert capoed.true_open_hz(6) == pytest.approx(plain.true_open_hz(6) * 2 ** (2 / 12))
    assert abs(capoed.true_offset_cents(6)) <= 15.01


def test_forecast_and_help_know_it(capsys: Capsys) -> None:
    out = Ran(capsys, "forecast", "--capo", "2", "--plain").out
    assert "string 6 note: E2 to F#2" in out
    partial = Ran(capsys, "forecast", "--capo", "2:1-5", "--plain").out
    assert "string 6 note: E2 to E2" in partial
    assert "string 5 note: A2 to B2" in partial
    assert Ran(capsys, "forecast", "--capo", "0").code == 2
    assert "--capo" not in Ran(capsys, "instrument", "edit", "--help").out


# ------------------------------------------------------------------------------ courses


def test_the_strings_of_a_course_lie_side_by_side() -> None:
    assert [TWELVE.partner(n) for n in (1, 2, 11, 12)] == [2, 1, 12, 11]
    assert GUITAR.partner(3) is None
    greek = with_details(
        preset("mandolin"),
        {
            "tuning": "C3 C4 F3 F4 A3 A3 D4 D4",
            "gauges": "10 10 16 16 12 24w 18 32w",
            "courses": "1-2 3-4 5-6 7-8",
            "scale": (670.0,),
        },
    )
    assert [str(greek.string(n).note) for n in (7, 8)] == ["C4", "C3"]
    assert (greek.partner(7), greek.bridge.beside(7)) == (8, (1, 2, 3, 4, 5, 6, 8))


def test_the_partner_is_muted_wherever_a_string_is_to_sound() -> None:
    story = Story.begin(TWELVE, strings=(12, 11))
    assert story.state.asks == "Pluck string 12 open to begin, string 11 muted."
    story.play(12, 0, -40.0)
    assert story.state.log.step is Step.TUNE
    assert story.state.asks.endswith(", string 11 muted.")
    story.play(12)
    assert story.state.log.step is Step.FRETTED
    assert story.state.asks.endswith("and pluck it, string 11 muted.")


@pytest.mark.parametrize("job", ["neck", "stretch"])
def test_the_partner_is_muted_in_other_jobs_too(job: str) -> None:
    setup = Setup(TWELVE, strings=(4, 3))
    work = survey.begin(survey.Plan(setup, (12,))) if job == "neck" else stretch.begin(setup)
    assert work.asks == "Pluck string 4 (B3) open, string 3 muted."
    takes = []
    for start_s in (1.0, 5.0):
        reading = a_reading(setup.open_hz(4), start_s, split_cents=5.2)
        work = work.advance(PluckStarted(start_s)).advance(ReadingReady(reading, final=True))
        takes.append(work.log.last_take)
        if start_s == 1.0:
            assert work.says == (
                "Is string 3, its partner, muted? Two strings 5 cents apart seem to ring: if not, "
                "mute it and take this pluck back (key u)."
            )
    assert [take.fate for take in takes] == [TakeFate.ACCEPTED] * 2
    assert [take.cause for take in takes] == [Ignored.PARTNER_RINGS, None], "it is asked once"
    assert ", string 3 muted" in work.asks
    back = work.advance(KeyPressed(Command.UNDO)).advance(KeyPressed(Command.UNDO))
    assert not [t for t in back.log.strings[3].takes if t.fate is TakeFate.ACCEPTED]


def test_two_strings_at_once_are_told_to_mute_the_partner() -> None:
    story = Story.begin(TWELVE, strings=(12, 11)).play(12)
    story.play(12, 12, 3.0, reason=Reason.TWO_STRINGS)
    assert "mute string 11, its partner" in story.state.says
    single = Story.begin(GUITAR, strings=(6,)).play(6).play(6, 12, reason=Reason.TWO_STRINGS)
    assert "damp the others" in single.state.says


def test_the_octave_of_a_string_is_not_taken_for_its_partner() -> None:
    """E2 at the 12th fret and the open E3 beside it are one pitch: what is asked for counts."""
    story = Story.begin(TWELVE, strings=(11,)).play(11).play(11, 12, 2.0)
    assert story.accepted()[-1] == (11, 12, 0)


def test_both_strings_of_a_course_are_set_and_left_for_their_mean() -> None:
    story = Story.begin(TWELVE, strings=(12, 11)).play(12).takes(8.0)
    assert "lies on the same saddle" in story.state.says
    story.play(11).takes(4.0)
    assert story.state.log.step is Step.MOVE
    advice = story.state.log.string.advice
    assert advice is not None
    alone = Story.begin(replace(TWELVE, bridge=replace(TWELVE.bridge, pairs=())), strings=(11,))
    alone.play(11).takes(6.0)
    by_mean = alone.state.log.string.advice
    assert by_mean is not None
    # Half a cent of the two beliefs' shrinking towards nought is 0.3 mm here.
    assert advice.mm == pytest.approx(by_mean.mm, abs=0.3)


# ------------------------------------------------------------------------------ locking nut


def test_the_nut_is_unlocked_first_and_locked_at_last() -> None:
    story = Story.begin("clamped-tremolo", strings=(1,))
    assert story.state.asks.startswith("Unlock the nut and centre the fine tuners; pluck string 1")
    story.play(1).takes(0.1)
    assert story.state.log.step is Step.FINISHED
    for word in ("lock the nut", "fine tuner", "check it open and fretted"):
        assert word in story.state.asks


def test_without_clamps_nothing_is_said_of_them() -> None:
    floating = preset("clamped-tremolo")
    plain = replace(floating, bridge=replace(floating.bridge, locking_nut=False))
    story = Story.begin(plain, strings=(1,))
    assert story.state.asks == "Pluck string 1 open to begin."
    assert "nut" not in story.play(1).takes(0.1).state.asks
    assert with_bridge(GUITAR, kind=floating.bridge.kind).bridge.locking_nut


def test_the_guide_has_its_steps_and_what_to_mind() -> None:
    text = " ".join(page(preset("clamped-tremolo").bridge.kind).split())
    for words in ("middle of its travel", "Lock the nut again", "Never turn a tuner while"):
        assert words in text
    assert "locked" not in page(GUITAR.bridge.kind)
