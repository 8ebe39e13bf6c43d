"""The same numbers get the same word, on the screen, on the sheet, and after another tolerance."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from session_story import Story, setup_of

from pitchbench.belief import Belief
from pitchbench.intonation.offset import Group, Offset
from pitchbench.intonation.response import Effect, MadeMove, Response
from pitchbench.intonation.verdict import SURE, Decision, Verdict
from pitchbench.notes import Note
from pitchbench.pitch.reading import Reason
from pitchbench.presets import preset
from pitchbench.records.model import SessionMeta, SessionRecord
from pitchbench.refit import with_capo
from pitchbench.report.sheet import build_sheet
from pitchbench.session import words
from pitchbench.session.job import Command
from pitchbench.session.log import Log, Outcome, Step

#: Departures that twelve takes do not decide on.
UNEVEN = (3.8, -3.8, 2.3, -2.3, 3.0, -3.0)


def _outcomes(log: Log) -> list[tuple[float, Outcome | None]]:
    return [
        (string.verdict.p_within, string.outcome)
        for string in log.strings
        if string.verdict is not None and string.outcome in (Outcome.LEAVE, Outcome.BORDER)
    ]


def _sheet_words(story: Story) -> list[str]:
    meta = SessionMeta(
        "20260301-" + "0" * 32, None, datetime(2026, 3, 1, tzinfo=UTC), None, "t", ""
    )
    record = SessionRecord(story.state.setup, story.entries, meta)
    return [row.outcome for row in build_sheet(record).rows]


SCREWS = preset("six-string").bridge


def _two_strings() -> Story:
    """String 6 left surely, string 5 on the border."""
    story = Story.begin(strings=(6, 5), most_takes=12).play(6).takes(0.2).play(5)
    story.takes(1.7, UNEVEN)
    assert story.state.log.step is Step.BORDER
    return story.key(Command.ACCEPT)


def test_leave_and_border_are_told_apart_by_the_number_that_is_shown() -> None:
    story = _two_strings()
    outcomes = _outcomes(story.state.log)
    assert {outcome for _, outcome in outcomes} == {Outcome.LEAVE, Outcome.BORDER}
    for p, outcome in outcomes:
        assert (p >= 0.95) is (outcome is Outcome.LEAVE)
    for said in _sheet_words(story):
        if found := re.fullmatch(r"(.*), (over 99|\d+) % sure", said):
            whole = int(found[2].removeprefix("over "))
            assert found[1] == ("within tolerance" if whole >= 95 else "on the border")


def test_on_the_border_both_ways_are_asked_for_in_one_sentence() -> None:
    story = Story.begin(strings=(6, 5), most_takes=12).play(6).takes(1.7, UNEVEN)
    state = story.state
    assert state.log.step is Step.BORDER
    moving = replace(state, log=replace(state.log, step=Step.MOVE)).asks
    assert moving.endswith(".")
    assert state.asks == f"{moving.removesuffix('.')}; or play the next string."


def test_the_border_is_below_95_per_cent() -> None:
    assert SURE == 0.95
    assert words.BORDER_SHORT == "less than 95 % sure"


def test_how_sure_a_string_was_left_is_said_where_that_is_known() -> None:
    left, bordering = _two_strings().state.log.strings[5:3:-1]
    for string, outcome in ((left, Outcome.LEAVE), (bordering, Outcome.BORDER)):
        said = words.outcome_words(string, outcome, SCREWS)
        found = re.search(r" \((over 99|\d+) % sure\)\.$", said)
        assert found is not None, said
        assert (int(found[1].removeprefix("over ")) >= 95) is (outcome is Outcome.LEAVE)
        unknown = words.outcome_words(replace(string, verdict=None), outcome, SCREWS)
        assert unknown == said.replace(found[0], ".")


def test_words_follow_a_tolerance_that_is_changed_by_key() -> None:
    story = _two_strings()
    assert story.outcomes()[5] is Outcome.BORDER
    for _ in range(8):
        story.key(Command.TOLERANCE_UP)
    assert story.outcomes()[5] is Outcome.LEAVE
    assert story.outcomes()[6] is Outcome.LEAVE
    assert all(p >= 0.95 for p, _ in _outcomes(story.state.log))
    assert all(s.verdict.tolerance_cents == 6.0 for s in story.state.log.strings if s.verdict)
    for _ in range(11):
        story.key(Command.TOLERANCE_DOWN)
    assert story.state.log.tolerance_cents == 0.5
    assert all((p >= 0.95) is (out is Outcome.LEAVE) for p, out in _outcomes(story.state.log))
    assert "on the border" in " ".join(_sheet_words(story))


@pytest.mark.parametrize(
    ("cents", "half", "said"),
    [
        (4.2, None, "4.2 cents sharp"), (-4.2, None, "4.2 cents flat"),
        (4.2, 0.9, "4.2 ± 0.9 cents sharp"), (-0.04, 0.9, "0.0 ± 0.9 cents off"),
        (0.04, None, "0.0 cents off"), (0.06, None, "0.1 cents sharp"),
    ],
)  # fmt: skip
def test_how_far_off(cents: float, half: float | None, said: str) -> None:
    assert words.sharp_or_flat(cents, half) == said


def test_how_far_off_which_note() -> None:
    note = Note.parse("E3")
    assert words.sharp_or_flat(4.2, 0.9, of=note) == "4.2 ± 0.9 cents sharp of E3"
    assert words.sharp_or_flat(0.0, 0.9, of=note) == "0.0 ± 0.9 cents from E3"


def test_where_a_note_is_stopped_is_counted_from_the_nut_of_the_neck() -> None:
    guitar = preset("six-string")
    setup = setup_of(guitar)
    assert words.place(setup, 6) == "the 12th fret"
    assert words.place(setup, 6, 3) == "the 3rd fret"
    assert words.place(setup_of(replace(guitar, fretless=True)), 6) == "the 12th fret mark"
    capo = setup_of(with_capo(guitar, 2))
    assert words.place(capo, 6) == "the 14th fret"
    assert words.places(capo) == "the 14th fret"
    part = setup_of(with_capo(guitar, 2, (3, 4, 5)))
    assert words.places(part) == "fret 12, from each string's own nut"
    assert words.note_label(setup, 6, None) == "a pluck"
    assert words.note_label(setup, 6, 0) == "open E2"
    assert words.note_label(setup, 6, 12) == "string 6 at the 12th fret"


def test_what_is_wrong_with_a_pluck_and_what_to_do() -> None:
    said = words.rejected_words(Reason.TWO_STRINGS)
    assert said == "two strings at once: damp the others"
    assert words.rejected_words(Reason.TWO_STRINGS, 4).endswith("mute string 4, its partner")
    assert words.rejected_words(Reason.CLIPPED, 4) == words.rejected_words(Reason.CLIPPED)
    assert words.cause_words(said) == "two strings at once"


def test_what_a_move_did_in_words() -> None:
    before, after = Belief.normal(6.0, 0.5), Belief.normal(-3.0, 0.5)
    move = MadeMove(5, 2.0, False, 12, before, after)
    said = {effect: words.effect_words(move, effect, -3.4, SCREWS) for effect in Effect}
    assert said.pop(Effect.AS_EXPECTED) == ""
    assert all("6.0 ± 1.0 cents sharp before, 3.0 ± 1.0 cents flat now" in each
               for each in said.values())  # fmt: skip
    assert all("string 5" in each for each in said.values())
    assert said[Effect.TOO_FAR].endswith("about 3.4 mm, so come back.")
    assert len(set(said.values())) == len(Effect) - 1
    filed = preset("nylon").bridge
    assert words.effect_words(move, Effect.TOO_FAR, -3.4, filed).endswith("about 3.4 mm.")


@pytest.mark.parametrize(("moves", "said"), [(1, "from 1 move"), (2, "from 2 moves")])
def test_what_the_bridge_taught(moves: int, said: str) -> None:
    found = words.learned_words(Response(0.9, 0.02, 0.12, 0.03, moves), SCREWS)
    assert found.startswith("its saddles go 0.90 ± 0.04 of what the screws are turned")
    assert found.endswith(f"slack 0.12 ± 0.06 mm, learned {said}")


@pytest.mark.parametrize("name", ["nylon", "mandolin", "clamped-tremolo"])
def test_no_screw_is_spoken_of_where_there_is_none(name: str) -> None:
    bridge, story = preset(name).bridge, Story.begin(strings=(6,))
    found = words.learned_words(Response(0.9, 0.02, 0.12, 0.03, 1), bridge)
    assert found == "its moves do 0.90 ± 0.04 of what was to be expected, learned from 1 move"
    said = words.outcome_words(story.state.log.string, Outcome.OUT_OF_TRAVEL, bridge)
    assert "gauge" in said
    for text in (found, said):
        assert "screw" not in text
        assert "slack" not in text


def test_the_mean_of_a_saddle_in_words() -> None:
    guitar, mean = preset("six-string"), Belief.normal(-0.02, 0.5)
    assert words.mean_words(guitar, None, None) == ""
    said = " The saddle goes by the mean of its strings, +0.0 ± 1.0 cents"
    assert words.mean_words(guitar, mean, None) == f"{said}."
    assert words.mean_words(guitar, mean, 1.26) == f"{said}; they differ from it by 1.3 cents."
    assert words.mean_words(preset("mandolin"), mean, None).startswith(" The bridge goes by")


def test_what_an_offset_rests_on() -> None:
    offset = Offset(12, Group(2, 82.4, 0.1), Group(3, 164.8, 0.1), Belief(0.0, 1.0, 4.0))
    assert words.rests_words(offset) == "2 open and 3 fretted takes"
    one = replace(offset, fretted=Group(1, 164.8, 0.1))
    assert words.rests_words(one) == "2 open and 1 fretted take"
    carried = replace(offset, carried_over=True)
    assert words.rests_words(carried) == (
        "2 open and 3 fretted takes since the last move, and what was known before it"
    )


def test_what_is_left_to_do_in_the_end_depends_on_the_bridge() -> None:
    ends = {
        name: Story.begin(name, strings=(1,)).string(0.1).state.asks
        for name in ("six-string", "clamped-tremolo")
    }
    assert ends["six-string"] == "Tune the instrument once more and play it."
    assert "until a whole round needs no turning" in ends["clamped-tremolo"]


def test_what_a_choice_promises_is_said_where_it_is_known() -> None:
    story = Story.begin(strings=(6,)).string(0.1)
    log = story.state.log
    verdict = Verdict(Decision.LEAVE, 2.0, 0.62, border=True, p_moved=0.91)
    assert words.border_words(log, verdict).startswith("On the border, neither is sure: ")
    assert words.border_words(log, verdict).endswith("62 %; if you move it: 91 %.")
    sure = replace(verdict, border=False)
    assert words.border_words(log, sure).startswith("Good now: ")
    assert words.border_words(log, replace(verdict, p_moved=None)) == ""
    assert words.border_words(Story.begin().state.log, verdict) == ""


def test_a_check_asks_for_the_string_in_tune_then_for_what_is_wanted() -> None:
    """In the last round, by hand: the string as it was left, and the two notes after it."""
    state = Story.begin(strings=(6,)).play(6).state
    last = replace(state.log, step=Step.LAST_ROUND, wanted_fret=0)

    def asked(**changes: object) -> str:
        return replace(state, log=replace(last, **changes)).asks  # type: ignore[arg-type]

    assert asked(tuned=False) == "Check string 6: tune it to E2 and pluck it open."
    assert asked() == "Check string 6: pluck it open."
    assert asked(wanted_fret=12) == "Fret string 6 lightly at the 12th fret and pluck it."
