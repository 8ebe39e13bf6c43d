"""A survey of the neck on hand-written lists of events: every way through it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from invented import a_reading
from survey_story import GUITAR, Played, plan

from pitchbench.analysis.neck import Judged, judge_neck
from pitchbench.intonation.neck import survey as neck_survey
from pitchbench.intonation.offset import DEFAULT_PRIOR
from pitchbench.pitch.listener import LivePitch, PluckStarted, ReadingReady
from pitchbench.pitch.reading import Partial, Reason
from pitchbench.presets import preset
from pitchbench.refit import with_capo
from pitchbench.report.on_record import heard_in_survey
from pitchbench.screen.survey_lines import SurveyLines
from pitchbench.session.job import Command, InputBack, InputLost
from pitchbench.session.log import Ignored, Setup, TakeEntry, TakeFate
from pitchbench.session.survey import (
    OUT_OF_TUNE_CENTS,
    USUAL_FRETS,
    Plan,
    begin,
    counted,
    fret_of,
    heard_times,
    offsets_cents,
    resume,
    statistics_of,
    string_done,
    take_cents,
    wanted,
)
from pitchbench.units import shifted_hz


def playing(**changes) -> Played:
    return Played(begin(plan(**changes)))


def test_it_asks_for_open_and_frets_string_by_string_and_ends_by_itself() -> None:
    story = playing()
    asked = []
    for string, fret in ((6, 0), (6, 5), (6, 12), (5, 0), (5, 5), (5, 12)):
        assert (story.survey.current, wanted(story.survey, string)) == (string, fret)
        asked.append(story.survey.asks)
        story.note(string, fret)
    assert asked == [
        "Pluck string 6 (E2) open.",
        "String 6: fret the 5th and pluck it.",
        "String 6: fret the 12th and pluck it.",
        "Pluck string 5 (A2) open.",
        "String 5: fret the 5th and pluck it.",
        "String 5: fret the 12th and pluck it.",
    ]
    assert story.survey.finished
    assert story.survey.over


def test_the_frets_that_are_asked_for_are_those_of_the_page() -> None:
    page = (Path(__file__).parents[2] / "docs" / "neck.md").read_text(encoding="utf-8")
    said = re.search(r"each string open and at the frets ([\d, and]+), as far as", page)
    assert said is not None
    assert tuple(map(int, re.findall(r"\d+", said[1]))) == USUAL_FRETS


def test_any_order_within_a_string() -> None:
    story = playing().note(6, 12, 3.0).note(6, 5, -2.0)
    assert offsets_cents(story.survey, 6) == {5: None, 12: None}
    assert "heard; now the open string" in story.survey.says
    story.note(6, 0, 1.0)
    assert story.survey.current == 5
    known = offsets_cents(story.survey, 6)
    assert known == pytest.approx({5: -3.0, 12: 2.0})


def test_a_fret_that_was_not_asked_for_counts_too() -> None:
    story = playing().note(6).note(6, 7, 1.5)
    assert (story.last.fret, story.last.fate) == (7, TakeFate.ACCEPTED)
    assert wanted(story.survey, 6) == 5
    assert "7th fret: 1.5 cents sharp" in story.survey.says


def test_every_note_once_before_any_note_twice() -> None:
    story = playing(strings=(6,), takes=2)
    order = []
    while not story.survey.over:
        fret = wanted(story.survey, 6)
        order.append(fret)
        story.note(6, fret or 0)
    assert order == [0, 5, 12, 0, 5, 12]


@pytest.mark.parametrize(("cents", "word"), [(-95.0, "flat"), (23.0, "sharp"), (-12.0, "flat")])
def test_a_string_out_of_tune_is_to_be_tuned_first(cents: float, word: str) -> None:
    story = playing().note(6, 0, cents)
    assert story.last.fate is TakeFate.IGNORED
    assert f"{abs(cents)} cents {word} of E2: tune it first" in story.survey.says
    assert story.survey.asks == "Tune string 6 up to E2 and pluck it."
    story.note(6)
    assert story.survey.asks.startswith("String 6: fret the 5th")


def test_a_string_that_slips_is_tuned_and_its_frets_stay_what_they_were() -> None:
    story = playing(frets=(5, 7, 12)).note(6).note(6, 5, 3.0)
    story.note(6, 0, -15.0)
    assert "has slipped" in story.survey.says
    assert wanted(story.survey, 6) == 0
    story.note(6, 0, 2.0).note(6, 7, 5.0)
    # Each against the open note of its own tuning.
    assert offsets_cents(story.survey, 6) == pytest.approx({5: 3.0, 7: 3.0})
    neck = neck_survey(6, statistics_of(counted(story.survey, 6)), prior=DEFAULT_PRIOR)
    assert [fret.offset_cents for fret in neck.frets] == pytest.approx([3.0, 3.0])


def test_a_take_its_row_and_the_result_say_the_same_of_a_string_whose_first_partial_strays() -> (
    None
):
    """A body draws the open string's first partial 8 cents up: 0.7 is what the others say."""
    open_hz = GUITAR.string(6).note.hz()

    def partials(f1_hz: float, strays: float = 0.0) -> tuple[Partial, ...]:
        law_hz = shifted_hz(f1_hz, -strays)
        hz = {k: f1_hz if k == 1 else k * law_hz for k in range(1, 9)}
        law = {k: 0.0 if k == 1 else -strays for k in hz}
        return tuple(Partial(k, hz[k], 0.1, -20.0, 1.0, law[k], 0.1) for k in hz)

    story = playing(strings=(6,), frets=(5, 12))
    story.note(6, partials=partials(open_hz, 8.0))
    # Both notes 0.7 cents sharp of what the open note would be by its law.
    for fret in (5, 12):
        f1_hz = shifted_hz(open_hz, -8.0 + 100.0 * fret + 0.7)
        story.note(6, fret, -8.0 + 0.7, partials=partials(f1_hz))
        assert take_cents(story.survey, story.last) == pytest.approx(0.7, abs=0.01)
        assert story.survey.says.endswith("0.7 cents sharp.")
    assert offsets_cents(story.survey, 6) == pytest.approx({5: 0.7, 12: 0.7}, abs=0.01)
    neck = neck_survey(6, statistics_of(counted(story.survey, 6)), prior=DEFAULT_PRIOR)
    assert [fret.offset_cents for fret in neck.frets] == pytest.approx([0.7, 0.7], abs=0.01)


#: An open string whose partials lie off its law, in cents.
OFF_LAW = (0.0, 1.5, -2.0, 4.0, 1.0, -3.0, 2.0, 0.5)


def sounding(pitch_hz: float, off_cents: tuple[float, ...]) -> tuple[Partial, ...]:
    return tuple(
        Partial(k, k * shifted_hz(pitch_hz, off), 0.05, -20.0, 2.0 / k, off)
        for k, off in enumerate(off_cents, start=1)
    )


def twelfth(story: Played, cents: float = 0.0, *, touched: bool, left: bool = False) -> Played:
    """The 12th fret of string 6: ``touched`` its partials are the open string's even ones, of which
    a trace of the others may be ``left``."""
    hz = 2.0 * GUITAR.string(6).note.hz()
    off = OFF_LAW[1::2] if touched else (1.0, -2.0, 0.5, 3.0)
    partials = sounding(shifted_hz(hz, cents), off)
    first_hz = partials[0].frequency_hz
    return story.hz(first_hz, partials=partials, undertones=(2,) if left else ())


def opened() -> Played:
    return playing(strings=(6,)).note(6, partials=sounding(GUITAR.string(6).note.hz(), OFF_LAW))


def test_a_touched_harmonic_is_no_fretted_note() -> None:
    story = twelfth(opened(), touched=True, left=True)
    assert story.last.fate is TakeFate.IGNORED
    assert story.survey.says == (
        "Ignored: a harmonic touched instead of fretted: press the string down at the 12th fret."
    )
    story.note(6, 5)
    assert wanted(story.survey, 6) == 12
    twelfth(story, 8.0, touched=False)
    assert story.last.fate is TakeFate.ACCEPTED
    assert story.survey.finished


def test_what_may_be_a_harmonic_is_asked_for_again_and_the_fretted_one_takes_its_place() -> None:
    story = opened().note(6, 5)
    twelfth(story, 0.6, touched=True)
    assert story.last.fate is TakeFate.ACCEPTED
    assert "Is that fretted, or a harmonic touched?" in story.survey.says
    assert not story.survey.finished
    assert heard_times(story.survey, 6, 12) == 0
    assert story.survey.asks == "String 6: fret the 12th and pluck it."
    twelfth(story, 8.0, touched=False)
    assert story.survey.finished
    assert story.survey.says.endswith("; it takes the place of take 3.")
    assert [take.number for take in counted(story.survey, 6, 12)] == [4]


def test_who_plays_what_may_be_a_harmonic_once_more_goes_on() -> None:
    """It was asked; nobody is held up for a string that is set right."""
    story = opened().note(6, 5)
    twelfth(twelfth(story, 0.65, touched=True), 0.65, touched=True)
    assert story.survey.finished
    assert [take.number for take in counted(story.survey, 6, 12)] == [3, 4]


def counted_in_the_end(story: Played) -> dict[int, int]:
    """How many takes of each fret the result rests on."""
    (string,) = heard_in_survey(story.survey.log, "default")
    return dict(Counter(take.fret for take in string.takes))


def test_in_the_end_nothing_rests_on_what_is_likelier_a_harmonic() -> None:
    story = opened().note(6, 5)
    twelfth(twelfth(story, 0.6, touched=True), 0.65, touched=True)
    assert counted_in_the_end(story) == {0: 1, 5: 1}


def test_what_may_be_a_harmonic_is_asked_about_in_the_end() -> None:
    story = twelfth(opened().note(6, 5), 0.9, touched=True)
    heard = heard_in_survey(story.survey.log, "default")
    assert counted_in_the_end(story) == {0: 1, 5: 1, 12: 1}
    (string,) = judge_neck(heard, Judged(GUITAR, (), None, DEFAULT_PRIOR, 440.0)).strings
    assert string.findings[-1] == (
        "At the 12th fret it sounds as the open string's touched harmonic would. "
        "Was the string pressed down?"
    )


def test_who_pressed_harder_is_believed_in_the_end() -> None:
    story = opened().note(6, 5)
    for _ in range(2):
        twelfth(story, touched=True, left=True)
    twelfth(story, 3.0, touched=False)
    assert story.last.cause is Ignored.PRESSED_HARDER
    twelfth(story, 0.7, touched=True)
    assert counted_in_the_end(story) == {0: 1, 5: 1, 12: 1}


def test_what_was_heard_is_said_in_a_sentence() -> None:
    assert playing().note(6).survey.says.startswith("String 6 (E2) open: ")
    assert playing().note(6).note(6, 5, 3.0).survey.says == "String 6, 5th fret: 3.0 cents sharp."


def test_what_was_fretted_after_it_slipped_waits_for_the_open_string() -> None:
    story = playing().note(6).note(6, 5, 3.0).note(6, 0, -15.0)
    assert "has slipped" in story.survey.says
    story.note(6, 12, 4.0)
    assert offsets_cents(story.survey, 6) == {5: pytest.approx(3.0), 12: None}
    assert "heard; now the open string" in story.survey.says
    story.note(6, 0, 1.0)
    assert offsets_cents(story.survey, 6) == {5: pytest.approx(3.0), 12: pytest.approx(3.0)}


def test_another_string_twice_in_a_row_goes_there() -> None:
    story = playing(strings=(5, 6)).note(6)
    assert story.last.fate is TakeFate.IGNORED
    assert "play it once more to go there" in story.survey.says
    story.note(6)
    assert (story.survey.current, story.last.fate) == (6, TakeFate.ACCEPTED)
    # What is done there leads back to what is not.
    story.note(6, 5).note(6, 12)
    assert story.survey.current == 5


def test_what_fits_nothing_is_kept_and_does_not_count() -> None:
    story = playing().note(6).note(6, 3, 50.0)
    assert story.last.fate is TakeFate.IGNORED
    assert "no note of this string: pluck string 6 alone" in story.survey.says
    story.hz(110.0, Reason.TOO_QUIET)
    assert story.last.fate is TakeFate.REJECTED
    assert len([e for e in story.survey.entries if isinstance(e, TakeEntry)]) == 3
    assert len(counted(story.survey, 6)) == 1


def test_keys_go_to_strings_strike_out_and_begin_anew() -> None:
    story = playing().note(6).note(6, 5)
    story.key(Command.STRIKE)
    assert story.last.fate is TakeFate.STRUCK
    assert wanted(story.survey, 6) == 5
    story.note(6, 5).note(6, 12)
    story.key(Command.STRIKE, 1)
    assert (story.survey.current, wanted(story.survey, 6)) == (6, 0)
    story.key(Command.NEXT)
    assert story.survey.current == 5
    story.key(Command.PREVIOUS).key(Command.AGAIN)
    assert counted(story.survey, 6) == ()
    for take in (99, 1, None):  # that never was, and those that count no more
        story.key(Command.STRIKE, take)
        assert story.survey.says == "There is no such take to strike out."
    story.key(Command.QUIT)
    assert story.survey.over
    assert not story.survey.finished


def test_a_string_that_is_done_may_be_played_again() -> None:
    story = playing().note(6).note(6, 5).note(6, 12)
    story.key(Command.PREVIOUS)
    assert story.survey.asks.startswith("String 6 is done")
    story.note(6, 12, 1.0)
    assert story.survey.current == 6
    assert offsets_cents(story.survey, 6)[12] == pytest.approx(0.5)


def test_after_the_end_nothing_changes() -> None:
    story = playing(strings=(6,)).note(6).note(6, 5).note(6, 12)
    before = story.survey
    story.note(6, 7)
    assert story.survey == before


def test_a_lost_input_is_told_and_goes_on() -> None:
    story = playing().note(6).then(PluckStarted(9.0)).then(InputLost("unplugged"))
    assert story.survey.asks == "Connect the sound input again."
    assert not story.survey.ringing
    story.then(InputBack())
    assert story.survey.asks.startswith("String 6: fret the 5th")


def test_a_reading_that_comes_after_the_next_pluck_began_does_not_end_that() -> None:
    story = playing().note(6)
    story.then(PluckStarted(7.0)).then(LivePitch(7.4, 7.0, 110.0, 1.0, -20.0))
    late = a_reading(GUITAR.string(6).note.hz(), 3.5, ring_s=1.0)
    story.then(ReadingReady(late, final=True))
    assert story.survey.ringing


def test_it_is_rebuilt_from_its_entries() -> None:
    story = playing(takes=2).note(6).note(6, 5).note(6, 0, -15.0).note(6, 0, 1.0)
    story.note(6, 12).key(Command.STRIKE, 2)
    survey = story.survey
    again = resume(survey.plan, survey.entries)
    assert again.entries == survey.entries
    assert again.takes == survey.takes
    assert (again.current, wanted(again, 6)) == (6, wanted(survey, 6))
    assert again.clock_s == story.now_s + 2.0
    # The clock of a new stream begins at nought; takes are on the time line of the survey.
    reading = a_reading(GUITAR.string(6).note.hz(), 1.0, ring_s=2.0)
    later = again.advance(ReadingReady(reading, final=True))
    assert later.takes[-1].reading.onset_s == again.clock_s + 1.0
    assert later.takes[-1].number == survey.takes[-1].number + 1


def test_resumed_where_a_string_was_done_it_goes_on_with_the_next() -> None:
    story = playing().note(6).note(6, 5).note(6, 12)
    again = resume(story.survey.plan, story.survey.entries)
    assert again.current == 5
    assert string_done(again, 6)


def test_the_frets_of_a_plan_are_those_of_the_neck_on_every_string() -> None:
    """With a capo on all strings, on one alone, and on a string that begins farther up."""
    whole = Plan(Setup(with_capo(GUITAR, 2)), (3, 5, 14))
    assert whole.notes_of(6) == whole.notes_of(1) == (0, 1, 3, 12)
    part = Plan(Setup(with_capo(GUITAR, 2, (6,))), (2, 5, 14))
    assert (part.notes_of(6), part.notes_of(5)) == ((0, 3, 12), (0, 2, 5, 14))
    banjo = Plan(Setup(preset("banjo-five")), (3, 7, 17))
    assert (banjo.notes_of(5), banjo.notes_of(4)) == ((0, 2, 12), (0, 3, 7, 17))
    story = Played(begin(replace(whole, setup=replace(whole.setup, strings=(6,)))))
    story.note(6, 2).note(6, 3)
    assert story.survey.asks == "String 6: fret the 5th and pluck it."
    story.note(6, 5).note(6, 14)
    assert story.survey.finished
    assert [take.fret for take in story.survey.takes] == [0, 1, 3, 12]


def test_plain_lines_say_what_an_entry_is() -> None:
    written: list[str] = []
    view = SurveyLines(written.append)
    story = Played(begin(Plan(Setup(with_capo(GUITAR, 2), strings=(6, 5)), (3, 14))))

    def then(act: Callable[[], object]) -> list[str]:
        before, old = len(written), story.survey
        act()
        view(old, story.survey)
        return written[before:]

    opening = then(lambda: story.note(6, 2))
    assert opening[1] == "notes: open and frets 3, 14, capo on the 2nd fret"
    then(lambda: story.note(6, 3))
    assert "string 6, fret" not in " ".join(written)
    assert then(lambda: story.note(6, 14))[1] == "step: string 5 (B2)"
    assert then(lambda: story.key(Command.PREVIOUS))[0] == "step: string 6 (F#2)"
    assert then(lambda: story.key(Command.AGAIN))[0] == "struck out: all takes of string 6"
    for fret in (2, 3, 14):
        then(lambda fret=fret: story.note(6, fret))
    then(lambda: story.note(5, 2))
    then(lambda: story.note(5, 3))
    assert then(lambda: story.note(5, 14))[1:] == ["step: finished", "do: All notes are heard."]
    assert not [line for line in written if "Entry" in line]


def test_a_fretless_instrument_is_asked_for_marks() -> None:
    fretless = replace(GUITAR, fretless=True)
    survey = begin(Plan(Setup(fretless), (5,)))
    story = Played(survey).note(6)
    assert story.survey.asks == "String 6: stop it at the 5th mark and pluck it."


@pytest.mark.parametrize(
    ("cents", "fret"),
    [
        (-39.0, 0),
        (-41.0, None),
        (439.0, 4),
        (441.0, None),
        (461.0, 5),
        (2239.0, 22),
        (2261.0, None),
    ],
)
def test_a_note_is_of_a_fret_within_40_cents_up_to_the_last_one(
    cents: float, fret: int | None
) -> None:
    """The neck of the guitar has 22."""
    survey = playing().note(6).survey
    assert fret_of(survey, shifted_hz(GUITAR.string(6).note.hz(), cents)) == fret


def test_an_open_note_of_the_name_is_in_tune_within_a_few_cents() -> None:
    inside = playing().note(6, 0, OUT_OF_TUNE_CENTS - 0.1)
    assert (inside.last.fret, inside.last.fate) == (0, TakeFate.ACCEPTED)
    outside = playing().note(6, 0, OUT_OF_TUNE_CENTS + 0.1)
    assert (outside.last.fret, outside.last.fate) == (0, TakeFate.IGNORED)


@pytest.mark.parametrize(
    ("cents", "fret", "why"),
    [
        (-199.0, 0, "out of tune"),
        (-201.0, None, "no note of this string"),
        (49.0, 0, "out of tune"),
        (51.0, None, "no note of this string"),
    ],
)
def test_the_first_open_note_may_be_a_tone_flat_and_a_quarter_sharp(
    cents: float, fret: int | None, why: str
) -> None:
    story = playing().note(6, 0, cents)
    assert story.last.fret == fret
    assert story.last.why.startswith(why)


def test_keys_go_round_the_strings() -> None:
    story = playing(strings=(6, 5, 4))
    assert [story.key(Command.PREVIOUS).survey.current for _ in range(3)] == [4, 5, 6]
    assert [story.key(Command.NEXT).survey.current for _ in range(3)] == [5, 4, 6]


def test_the_next_string_is_the_next_that_is_not_done_also_from_the_front() -> None:
    story = playing(strings=(6, 5, 4), frets=(12,)).key(Command.NEXT)
    for fret in (0, 12):
        story.note(5, fret)
    assert story.survey.current == 4
    for fret in (0, 12):
        story.note(4, fret)
    assert story.survey.current == 6
    for fret in (0, 12):
        story.note(6, fret)
    assert story.survey.finished
