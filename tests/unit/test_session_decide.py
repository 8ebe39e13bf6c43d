"""The guided job on hand-written lists of events: every way through it."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import pytest
from invented import a_reading
from session_story import Story, setup_of

from pitchbench.instrument import Bridge, BridgeKind, ScrewHeads
from pitchbench.intonation.bridge import Direction
from pitchbench.intonation.deciding import SURE_AT_LAST
from pitchbench.intonation.knowledge import ANYBODY
from pitchbench.intonation.verdict import SURE, Decision
from pitchbench.pitch.listener import PluckStarted, ReadingReady
from pitchbench.pitch.reading import Partial, Reason
from pitchbench.presets import preset
from pitchbench.screen.reference import shown_reading
from pitchbench.session.heard import TUNED_WITHIN_CENTS
from pitchbench.session.job import Command, InputBack, InputLost
from pitchbench.session.learning import learned_person
from pitchbench.session.log import (
    Ignored,
    MoveEntry,
    Outcome,
    Step,
    StepEntry,
    StrikeEntry,
    TakeFate,
    ToleranceEntry,
    VerdictEntry,
)
from pitchbench.session.saddles import known, p_within
from pitchbench.session.words import cause_words
from pitchbench.units import shifted_hz

# ------------------------------------------------------------------------------ before and tuning


def test_the_work_starts_at_the_lowest_string_and_leaves_the_checklist_by_itself() -> None:
    story = Story.begin()
    assert story.state.log.step is Step.BEFORE
    assert story.state.log.current == 6
    story.play(6)
    assert story.state.log.step is Step.FRETTED
    assert story.accepted() == [(6, 0, 0)]


def test_chosen_strings_are_worked_on_in_the_order_given() -> None:
    story = Story.begin(strings=(2, 4))
    assert story.state.log.current == 2
    story.string(0.1)
    assert story.state.log.current == 4


def test_noise_does_not_leave_the_checklist() -> None:
    story = Story.begin().sound(1000.0).sound(1000.0, reason=Reason.TOO_QUIET)
    assert story.state.log.step is Step.BEFORE
    assert [e.take.fate for e in story.entries] == [TakeFate.IGNORED, TakeFate.REJECTED]


@pytest.mark.parametrize(("cents", "word"), [(-23.4, "flat"), (8.1, "sharp")])
def test_a_string_out_of_tune_is_told_how_far(cents: float, word: str) -> None:
    story = Story.begin().play(6, 0, cents)
    assert story.state.log.step is Step.TUNE
    assert story.last_fate is TakeFate.IGNORED
    assert f"{abs(cents)}" in story.state.says
    assert word in story.state.says


def test_a_string_far_off_is_still_taken_for_the_one_being_tuned() -> None:
    story = Story.begin().play(6, 0, -60.0).play(6, 0, -730.0)
    assert story.state.log.step is Step.TUNE
    assert "730.0 cents flat" in story.state.says


def test_in_tune_means_a_few_cents() -> None:
    outside = Story.begin().play(6, 0, TUNED_WITHIN_CENTS + 0.1)
    inside = Story.begin().play(6, 0, TUNED_WITHIN_CENTS - 0.1)
    assert outside.state.log.step is Step.TUNE
    assert inside.state.log.step is Step.FRETTED


def test_while_tuning_the_live_pitch_is_followed_and_too_high_is_warned_of() -> None:
    story = Story.begin().play(6, 0, -30.0)
    low, high = story.target_hz(6) * 0.99, story.target_hz(6) * 1.01
    assert "flat" in story.live(low).state.says
    assert "slacken" in story.live(high).state.says
    assert "near its pitch" in story.live(story.target_hz(6)).state.says
    before = story.state.says
    assert story.live(high, after_s=0.1).state.says == before, (
        "the attack of a note is always sharp"
    )


def test_the_fretted_note_is_no_answer_while_the_open_one_is_tuned() -> None:
    story = Story.begin().play(6, 0, -30.0).play(6, 12)
    assert story.state.log.step is Step.TUNE
    assert story.last_fate is TakeFate.IGNORED
    assert "the 12th fret instead of the open string" in story.state.says
    assert story.state.log.last_take.cause is Ignored.FRETTED_TOO_EARLY


def test_a_preliminary_reading_is_only_shown() -> None:
    story = Story.begin().play(6)
    entries = story.entries
    reading = a_reading(164.9, story.now_s, ring_s=1.0, u_cents=0.3)
    story.event(PluckStarted(story.now_s)).event(ReadingReady(reading, final=False))
    assert story.state.offered is reading
    assert story.state.ringing
    assert story.entries is entries
    assert story.state.asks == "Damp the string."


# ------------------------------------------------------------------------------ readings, verdict


def test_a_good_string_is_left_alone_and_the_next_one_begins() -> None:
    story = Story.begin().string(0.1)
    assert story.outcomes()[6] is Outcome.LEAVE
    assert (story.state.log.current, story.state.log.step) == (5, Step.TUNE)
    assert story.state.log.strings[5].moves == ()
    assert "leave it" in story.state.says


@pytest.mark.parametrize(
    ("offset", "direction"), [(6.0, Direction.AWAY_FROM_NUT), (-6.0, Direction.TOWARD_NUT)]
)
def test_a_string_that_is_off_gets_a_move_in_the_right_direction(
    offset: float, direction: Direction
) -> None:
    story = Story.begin().string(offset)
    move = story.state.log.string.advice
    assert story.state.log.step is Step.MOVE
    assert move is not None
    assert move.direction is direction
    # 648 mm, 12th fret: 2.67 cents per mm (docs/definitions.md, section 3).
    assert move.mm == pytest.approx(offset / 2.67, rel=0.05)
    assert move.cautions
    assert story.state.asks.startswith("Slacken string 6, then move its saddle 2.")


def test_no_verdict_rests_on_a_single_fretted_note() -> None:
    story = Story.begin().play(6).play(6, 12, 30.0)
    assert story.state.log.step in (Step.OPEN, Step.FRETTED)
    (found,) = [e.verdict for e in story.entries if isinstance(e, VerdictEntry)]
    assert found is not None
    assert found.decision is Decision.TAKE_MORE


def test_open_and_fretted_are_taken_in_any_order() -> None:
    asked = Story.begin().play(6).takes(6.0)
    as_liked = Story.begin().play(6).play(6).play(6).play(6, 12, 6.2).takes(6.0)
    assert asked.state.log.step is as_liked.state.log.step is Step.MOVE
    assert as_liked.state.log.string.now is not None
    assert as_liked.state.log.string.now.open.n >= 3
    assert as_liked.state.log.string.now.offset_cents == pytest.approx(6.0, abs=0.2)


def test_takes_are_asked_for_in_turns() -> None:
    """Mostly the fretted note, which scatters most; the open one now and then, so that a drift of
    the string can be told from its offset."""
    story = Story.begin().play(6)
    asked = []
    scatter = (4.0, -4.0, 3.0, -3.0, 2.5, -2.5, 4.0, -4.0)
    for turn in range(8):
        asked.append(story.state.log.wanted_fret)
        story.play(6, asked[-1] or 0, scatter[turn] if asked[-1] else 0.1)
    assert asked[:4] == [12, 12, 12, 12]
    assert "0 0" not in " ".join(map(str, asked))
    assert 0 in asked[4:6], (
        "the open string is not forgotten however much the fretted takes scatter"
    )


def test_other_frets_are_judged_alike() -> None:
    story = Story.begin(fret=5).play(6).takes(4.0, fret=5)
    assert story.state.log.step is Step.MOVE
    assert story.state.log.string.now is not None
    assert story.state.log.string.now.fret == 5
    assert story.state.log.string.now.offset_cents == pytest.approx(4.0, abs=0.5)


def test_the_whole_cycle_move_retune_read_again_leave() -> None:
    story = Story.begin().string(6.0)
    story.play(6, 0, -200.0)
    assert story.state.log.step is Step.RETUNE
    story.play(6, 0, 12.0)
    assert "above its pitch" in story.state.says
    story.play(6, 0, 0.5)
    assert story.state.log.step is Step.FRETTED
    assert story.state.log.string.round == 1
    assert story.state.log.string.now is None, "takes of the earlier round no longer count"
    story.takes(0.1)
    assert story.outcomes()[6] is Outcome.LEAVE
    string = story.state.log.strings[5]
    assert string.found is not None
    assert string.now is not None
    assert string.found.offset_cents == pytest.approx(6.0, abs=0.3)
    assert string.now.offset_cents == pytest.approx(0.1, abs=0.3)
    assert {e.made_mm for e in story.entries if isinstance(e, MoveEntry)} == {string.travel_mm}


def test_a_slackened_string_is_noticed_while_it_still_rings() -> None:
    story = Story.begin().string(6.0)
    story.live(story.target_hz(6) * 0.9, clarity=0.4)
    assert story.state.log.step is Step.MOVE, "an unclear pitch proves nothing"
    story.live(story.target_hz(6) / 2)
    assert story.state.log.step is Step.MOVE, "an octave too low is a slip of the tracker"
    story.live(story.target_hz(6) * 0.9)
    assert story.state.log.step is Step.RETUNE


def test_a_move_without_slackening_is_known_by_the_open_pitch() -> None:
    story = Story.begin().string(6.0).play(6, 0, -6.0)
    assert story.state.log.step is Step.RETUNE
    story.play(6, 0, 0.0)
    assert story.state.log.string.round == 1


def test_an_open_note_as_before_the_move_counts_only_when_it_is_repeated() -> None:
    story = Story.begin().string(6.0).play(6, 0, 0.1)
    assert story.state.log.step is Step.MOVE
    assert "once more" in story.state.says
    story.play(6, 0, 0.1)
    assert story.state.log.string.round == 1


@pytest.mark.parametrize(("u_cents", "then"), [(0.1, Step.RETUNE), (3.0, Step.MOVE)])
def test_an_unsure_reading_is_no_proof_of_a_move(u_cents: float, then: Step) -> None:
    """Four cents from the takes before: a move, or a pluck that has not settled well."""
    story = Story.begin().string(6.0).play(6, 0, 4.0, u_cents=u_cents)
    assert story.state.log.step is then


def test_fretted_notes_are_ignored_until_the_saddle_has_been_moved() -> None:
    story = Story.begin().string(6.0).play(6, 12, 6.0)
    assert story.state.log.step is Step.MOVE
    assert story.last_fate is TakeFate.IGNORED


def test_a_move_the_wrong_way_is_said() -> None:
    story = Story.begin().string(6.0).move_and_retune(6).takes(12.0)
    assert story.state.log.step is Step.MOVE
    assert "other way" in story.state.says
    # By the takes of either side alone, drawn a little to where saddles are usually found.
    assert "5.8 ± 3.1 cents sharp before" in story.state.says
    assert "11.5 ± 3.1 cents sharp now" in story.state.says


def test_a_move_that_changed_nothing_is_said() -> None:
    story = Story.begin().string(6.0).move_and_retune(6).takes(6.1)
    assert "was it made?" in story.state.says


def test_a_move_that_fell_a_little_short_is_not_called_wrong() -> None:
    story = Story.begin().string(9.0).move_and_retune(6).takes(3.0)
    assert story.state.log.step in (Step.MOVE, Step.BORDER)
    assert "?" not in story.state.says


def test_a_string_gone_out_of_tune_between_readings_is_tuned_again() -> None:
    story = Story.begin().play(6).play(6, 12, 5.0).play(6, 0, -14.0)
    assert story.state.log.step is Step.TUNE
    story.play(6, 0, 0.0)
    assert story.state.log.step is Step.FRETTED


def test_takes_of_two_tunings_are_each_referred_to_their_own_open_pitch() -> None:
    """The string went down by 9 cents between the two halves; its offset stayed 6."""
    story = Story.begin().play(6, 0, 0.0).play(6, 12, 6.1).play(6, 0, -11.0).play(6, 0, -2.9)
    story.play(6, 12, 6.0 - 2.9)
    assert story.state.log.string.now is not None
    # Drawn a little to where saddles are usually found; one open pitch for both would give 3.
    assert story.state.log.string.now.offset_cents == pytest.approx(6.05, abs=0.3)


# ------------------------------------------------------------------------------ when to stop


#: Departures with which twelve takes can neither leave a string of 1.8 cents nor aim a move well.
_UNSURE = (3.8, -3.8, 2.3, -2.3, 3.0, -3.0)


def _at_the_border() -> Story:
    story = Story.begin(most_takes=12).play(6).takes(1.8, _UNSURE)
    assert story.state.log.step is Step.BORDER
    return story


def test_on_the_border_each_choice_is_told_with_its_risk() -> None:
    story = _at_the_border()
    assert "border" in story.state.says
    assert "±" in story.state.says
    assert "move" in story.state.asks
    assert "play the next string" in story.state.asks
    # Left, or moved: each with how likely it ends within the tolerance.
    assert story.state.says.count("%") == 2


def test_the_border_is_accepted_by_key() -> None:
    story = _at_the_border().key(Command.ACCEPT)
    assert story.outcomes()[6] is Outcome.BORDER
    assert story.state.log.current == 5


def test_the_border_is_accepted_by_playing_the_next_string() -> None:
    story = _at_the_border().play(5)
    assert story.outcomes()[6] is Outcome.BORDER
    assert (story.state.log.current, story.state.log.step) == (5, Step.FRETTED)


def test_from_the_border_the_saddle_may_be_moved_after_all() -> None:
    story = _at_the_border()
    story.live(story.target_hz(6) * 0.9).play(6, 0, -150.0).play(6, 0, 0.0)
    assert story.state.log.string.round == 1
    assert story.state.log.step is Step.FRETTED


def test_from_the_border_a_slackened_string_is_known_by_its_reading_alone() -> None:
    story = _at_the_border().play(6, 0, -200.0)
    assert story.state.log.step is Step.RETUNE
    assert story.play(6).state.log.string.round == 1


@pytest.mark.parametrize(
    ("cents", "comes_to"), [(2.6, Step.MOVE), (0.2, Step.MOVE), (-3.0, Step.BORDER)]
)
def test_further_takes_on_the_border_count(cents: float, comes_to: Step) -> None:
    """They aim the move well enough to advise it; where leaving becomes the better choice, the
    advice stands until the person goes on."""
    story = _at_the_border()
    for _ in range(4):
        if story.state.log.step is not Step.BORDER:
            break
        story.play(6, 12, cents).play(6)
    log = story.state.log
    assert log.step is comes_to
    assert log.string.advice is not None
    found = log.string.verdict
    assert found is not None
    assert found.decision is (Decision.LEAVE if comes_to is Step.BORDER else Decision.MOVE)


def test_at_the_border_a_move_that_nobody_heard_is_told_by_two_open_plucks() -> None:
    """As where a move is advised; a fretted note between them shows that takes go on."""
    story = _at_the_border().play(6, 12, -3.0).play(6)
    assert story.state.log.step is Step.BORDER
    assert story.state.asks == (
        "Pluck string 6 once more if the saddle has been moved; or play the next string."
    )
    story.play(6, 12, -3.0).play(6)
    assert story.state.log.string.round == 0
    story.play(6)
    assert (story.state.log.string.round, story.state.log.step) == (1, Step.FRETTED)


def test_at_the_border_what_the_verdict_says_comes_first() -> None:
    story = _at_the_border()
    assert story.state.asks.startswith("Slacken string 6, ")
    for _ in range(4):
        story.play(6).play(6, 12, -3.0)
    assert story.state.log.string.verdict.decision is Decision.LEAVE
    assert story.state.asks.startswith("Play the next string; or slacken string 6, ")


def test_what_is_left_at_the_border_is_called_by_its_numbers() -> None:
    story = _at_the_border()
    for _ in range(4):
        story.play(6, 12, -3.0).play(6)
    assert story.state.log.step is Step.BORDER
    story.play(5)
    log = story.state.log
    p = p_within(log, log.strings[5])
    assert story.outcomes()[6] is (Outcome.LEAVE if p >= SURE else Outcome.BORDER)


def test_how_often_a_string_was_found_in_tune_is_counted() -> None:
    story = Story.begin(strings=(6,)).play(6, 0, -30.0).string(12.0)
    story.move_and_retune(6).takes(0.2)
    takes = story.state.log.strings[5].takes
    accepted = [take for take in takes if take.fate is TakeFate.ACCEPTED]
    assert {(take.round, take.tuning) for take in accepted} == {(0, 1), (1, 2)}


def test_that_partials_say_different_things_is_said_once() -> None:
    """At the 12th fret the lowest one says 4 cents, the others none."""

    def partials(first_hz: float, lowest_cents: float) -> tuple[Partial, ...]:
        return tuple(
            Partial(k, k * shifted_hz(first_hz, off), 0.2, -20.0, None, 0.0, own_u_cents=0.2)
            for k, off in enumerate((lowest_cents, *[0.0] * 7), start=1)
        )

    story = Story.begin(strings=(6,), tolerance_cents=3.0, most_takes=40)
    open_hz, said = story.target_hz(6), []
    story.play(6, 0, partials=partials(open_hz, 0.0))
    for scatter in (0.8, -0.8):
        hz = shifted_hz(2.0 * open_hz, scatter)
        story.sound(shifted_hz(hz, 4.0), partials=partials(hz, 4.0))
        assert story.last_fate is TakeFate.ACCEPTED
        said.append("The lowest partials say" in story.state.says)
    assert said == [True, False]


def test_a_move_is_advised_with_how_far_off_the_string_is() -> None:
    says = Story.begin(strings=(6,)).string(12.0).state.says
    assert re.match(r"Fretted, string 6 is 1[12]\.\d ± \d\.\d cents sharp\.", says)


def test_out_of_travel_says_what_to_check_and_goes_on() -> None:
    guitar = preset("six-string")
    short = replace(guitar.bridge, travel_away_mm=1.0)
    story = Story.begin(replace(guitar, bridge=short)).string(6.0)
    assert story.outcomes()[6] is Outcome.OUT_OF_TRAVEL
    assert story.state.log.current == 5
    for word in ("relief", "action", "nut", "qualified repairer"):
        assert word in story.state.says


@pytest.mark.parametrize("sign", [1, -1])
def test_a_saddle_goes_to_the_end_of_its_travel_if_that_is_good_enough(sign: int) -> None:
    guitar = preset("six-string")
    short = replace(guitar.bridge, travel_away_mm=2.0, travel_toward_nut_mm=2.0)
    story = Story.begin(replace(guitar, bridge=short)).string(sign * 6.0)
    advice = story.state.log.string.advice
    assert advice is not None
    assert advice.mm == pytest.approx(sign * 2.0)
    assert not advice.out_of_travel


def test_plucks_that_never_settle_one_after_the_other_put_the_string_in_doubt() -> None:
    story = Story.begin().play(6)
    for _ in range(4):
        assert story.outcomes()[6] is None
        story.play(6, 12, 5.0, reason=Reason.NEVER_SETTLED)
    assert story.outcomes()[6] is Outcome.DOES_NOT_SETTLE
    assert "old or faulty string?" in story.state.says
    assert "4 plucks in a row" in story.state.says


def test_a_string_that_is_still_being_tuned_is_not_doubted_in_the_last_round_either() -> None:
    story = _left_too_soon()
    for _ in range(5):
        story.play(6, 0, reason=Reason.NEVER_SETTLED)
    assert (story.state.log.step, story.state.log.current) == (Step.LAST_ROUND, 6)
    assert story.outcomes()[6] is Outcome.LEAVE
    story.play(6)
    for _ in range(4):
        story.play(6, 12, reason=Reason.NEVER_SETTLED)
    assert story.outcomes()[6] is Outcome.DOES_NOT_SETTLE


def test_one_good_pluck_ends_the_run_of_bad_ones() -> None:
    story = Story.begin().play(6)
    for _ in range(3):
        for _ in range(3):
            story.play(6, 12, 5.0, reason=Reason.NEVER_SETTLED)
        story.play(6, 12, 5.0)
    assert story.outcomes()[6] is not Outcome.DOES_NOT_SETTLE


def test_a_hopeless_spread_puts_the_string_in_doubt() -> None:
    story = Story.begin(most_takes=40).play(6).takes(3.0, (20.0, -20.0, 15.0, -15.0))
    assert story.outcomes()[6] is Outcome.DOES_NOT_SETTLE
    assert "spread by" in story.state.says


# ------------------------------------------------------------------------------ what fits


@pytest.mark.parametrize(
    ("fret", "cents", "cause", "words"),
    [
        (11, 8.0, Ignored.ANOTHER_FRET, "the 11th fret instead of the 12th"),
        (13, -15.0, Ignored.ANOTHER_FRET, "the 13th fret instead of the 12th"),
        (3, 0.0, Ignored.ANOTHER_FRET, "the 3rd fret instead of the 12th"),
        (3, 50.0, Ignored.NO_NOTE_OF_IT, "no note of this string"),
        (5, 0.0, Ignored.ANOTHER_STRING, "another string (5, A2)"),
    ],
)
def test_a_pluck_that_was_not_asked_for_is_kept_with_its_cause(
    fret: int, cents: float, cause: Ignored, words: str
) -> None:
    story = Story.begin().play(6).play(6, fret, cents)
    take = story.state.log.last_take
    assert take is not None
    assert (take.fate, take.cause) == (TakeFate.IGNORED, cause)
    assert cause_words(take.why) == words
    assert words in story.state.says
    assert "Hz" not in story.state.says


def test_a_fret_played_while_the_open_string_is_asked_for_is_named() -> None:
    story = Story.begin().key(Command.ACCEPT).key(Command.ACCEPT).play(6, 7)
    take = story.state.log.last_take
    assert take is not None
    assert cause_words(take.why) == "the 7th fret instead of the open string"


@pytest.mark.parametrize("reason", list(Reason))
def test_a_rejected_pluck_is_kept_with_the_reason_and_never_counts(reason: Reason) -> None:
    story = Story.begin().play(6).play(6, 12, 5.0, reason=reason)
    take = story.state.log.last_take
    assert take is not None
    assert take.fate is TakeFate.REJECTED
    assert take.why
    assert story.state.log.string.now is None
    assert story.state.log.step is Step.FRETTED


def test_another_string_played_twice_is_turned_to() -> None:
    story = Story.begin().play(6).play(4)
    assert story.state.log.current == 6
    assert story.last_fate is TakeFate.IGNORED
    assert "once more to go there" in story.state.says
    story.play(4)
    assert (story.state.log.current, story.state.log.step) == (4, Step.FRETTED)
    assert story.outcomes()[6] is None, "what is not finished comes back later"


def test_whoever_plays_both_notes_of_another_string_in_turn_is_followed() -> None:
    """Open and 12th of string 4 while string 6 is at work: never the open note twice in a row."""
    story = Story.begin().play(6).play(4).play(4, 12)
    assert story.state.says == (
        "Ignored: another string (4, at the 12th fret): play it open to go there."
    )
    story.play(4)
    assert (story.state.log.current, story.state.log.step) == (4, Step.FRETTED)
    # Of a string that was not played just before it is no more than a note that fits nothing.
    assert "another string" not in Story.begin().play(6).play(4, 12).state.says
    assert "another string" not in Story.begin().play(6).play(5).play(4, 12).state.says


def test_another_string_played_once_and_then_this_one_stays_here() -> None:
    story = Story.begin().play(6).play(4).play(6, 12).play(4)
    assert story.state.log.current == 6


def test_unfinished_strings_come_back() -> None:
    story = Story.begin(strings=(6, 5, 4)).play(6).play(5).play(5).takes(0.1)
    assert story.state.log.current == 4
    story.string(0.1)
    assert story.state.log.current == 6


_C2_B = 2.0e-4


def test_drop_tuning_the_octave_of_the_low_c_is_not_taken_for_the_open_c() -> None:
    """String 6 in C2 with string 4 retuned to C3: its open note is string 6's 12th fret."""
    guitar = preset("six-string-drop-c")
    strings = list(guitar.strings)
    strings[3] = replace(strings[3], note=strings[5].note.up(12))
    story = Story.begin(replace(guitar, strings=tuple(strings)))
    assert story.target_hz(4) == pytest.approx(2 * story.target_hz(6))
    story.play(6, stiffness_b=_C2_B)
    fretted = 2 * story.target_hz(6)

    story.sound(fretted * 1.001, stiffness_b=4.1 * _C2_B)
    assert story.accepted()[-1] == (6, 12, 0), "four times as stiff: the fretted note"

    story.sound(fretted * 1.001, stiffness_b=0.5 * _C2_B)
    assert story.last_fate is TakeFate.IGNORED, "more supple than the open C2: another string"
    story.sound(fretted, stiffness_b=0.5 * _C2_B)
    assert story.state.log.current == 4

    story = Story.begin(replace(guitar, strings=tuple(strings))).play(6)
    story.sound(fretted).sound(fretted * 1.001)
    assert story.accepted()[1:] == [(6, 12, 0), (6, 12, 0)], "stiffness unknown: what was asked"


# ------------------------------------------------------------------------------ the end


def _all_strings(story: Story, offsets: dict[int, float]) -> Story:
    for _ in range(60):
        state = story.state
        if state.log.step is Step.FINISHED:
            return story
        story.play(state.log.current)
        story.takes(offsets[state.log.current])
        if story.state.log.step is Step.MOVE:
            number = story.state.log.current
            offsets[number] = 0.1
            story.move_and_retune(number).takes(0.1)
    raise AssertionError("the session never came to its end")


def test_nothing_moved_means_no_second_round() -> None:
    story = _all_strings(Story.begin(), dict.fromkeys(range(1, 7), 0.1))
    assert story.state.log.step is Step.FINISHED
    assert set(story.outcomes().values()) == {Outcome.LEAVE}
    assert Step.LAST_ROUND not in [e.step for e in story.entries if isinstance(e, StepEntry)]


def _checked(story: Story) -> list[int]:
    """The strings that were checked at the end, in order."""
    asked = [
        e.string for e in story.entries if isinstance(e, StepEntry) and e.step is Step.LAST_ROUND
    ]
    # One entry per note that is asked for: each string is checked in one go.
    return [string for string, _ in itertools.groupby(asked)]


@pytest.mark.parametrize("moved", [1, 4, 6])
def test_a_move_on_one_string_is_no_reason_to_check_the_others(moved: int) -> None:
    offsets = dict.fromkeys(range(1, 7), 0.1) | {moved: 7.0}
    assert _checked(_all_strings(Story.begin(), offsets)) == []


#: Departures of a person who scatters more than the strings before let expect.
_WIDE = (3.0, -3.0, 2.0, -2.0)


def _left_too_soon() -> Story:
    """String 6 is left after few steady takes; string 5 shows how much this person scatters."""
    story = Story.begin(strings=(6, 5)).play(6).takes(0.8)
    assert story.outcomes()[6] is Outcome.LEAVE
    found = story.state.log.strings[5].verdict
    assert found is not None
    assert found.p_within >= SURE
    story.play(5).takes(6.0, _WIDE)
    story.move_and_retune(5).takes(0.0, _WIDE)
    assert (story.state.log.step, story.state.log.current) == (Step.LAST_ROUND, 6)
    return story


def test_strings_that_are_not_sure_enough_are_checked_and_the_last_one_is_no_exception() -> None:
    story = _left_too_soon()
    log = story.state.log
    assert p_within(log, log.strings[5]) < SURE, "less sure than when it was left"
    assert SURE <= p_within(log, log.strings[4]) < SURE_AT_LAST
    story.string(0.6).string(0.3)
    assert story.state.log.step is Step.FINISHED
    assert _checked(story) == [6, 5]
    assert all(p_within(story.state.log, story.state.log.strings[n]) >= SURE for n in (5, 4))


def test_a_check_is_short_when_nothing_has_changed() -> None:
    story = _left_too_soon()
    before = len(story.accepted())
    story.string(0.5)
    assert (story.state.log.step, story.state.log.current) == (Step.LAST_ROUND, 5)
    assert 2 <= len(story.accepted()) - before <= 5


def test_a_string_disturbed_by_the_others_goes_round_again() -> None:
    story = _left_too_soon()
    story.string(9.0)
    assert (story.state.log.step, story.state.log.current) == (Step.MOVE, 6)
    story.move_and_retune(6).takes(0.2)
    assert (story.state.log.step, story.state.log.current) == (Step.LAST_ROUND, 5)
    assert story.outcomes()[6] is Outcome.LEAVE


def test_a_check_asks_for_the_string_to_be_in_tune_first() -> None:
    story = _left_too_soon()
    story.play(6, 0, -7.0)
    assert story.state.log.step is Step.LAST_ROUND
    assert "flat" in story.state.says
    assert not story.state.log.tuned
    story.play(6, 0, 0.5)
    assert story.state.log.tuned
    assert story.state.log.wanted_fret == 12


def test_after_the_end_nothing_heard_changes_anything() -> None:
    story = _all_strings(Story.begin(strings=(1,)), {1: 0.1})
    assert story.state.advance(PluckStarted(999.0)) is story.state


# ------------------------------------------------------------------------------ keys


def test_strike_out_the_last_take_and_a_chosen_one() -> None:
    story = Story.begin().play(6).play(6, 12, 30.0).play(6)
    story.key(Command.STRIKE)
    assert [e.take for e in story.entries if isinstance(e, StrikeEntry)] == [3]
    # Neither is it spoken of any more, nor does the large number show it.
    assert story.state.says == "Take 3 is struck out."
    assert shown_reading(story.state) is None
    story.key(Command.STRIKE, take=2)
    assert story.state.log.string.now is None
    assert [t.fate for t in story.state.log.string.takes] == [
        TakeFate.ACCEPTED,
        TakeFate.STRUCK,
        TakeFate.STRUCK,
    ]
    assert story.key(Command.STRIKE, take=2).state.says == "There is no such take to strike out."


def test_striking_out_the_take_that_decided_takes_the_move_back() -> None:
    story = Story.begin().string(6.0)
    assert story.state.log.step is Step.MOVE
    story.key(Command.STRIKE)
    assert story.state.log.step in (Step.OPEN, Step.FRETTED)
    assert story.state.log.string.advice is None
    story.takes(6.0)
    assert story.state.log.step is Step.MOVE


def test_accept_means_yes_to_what_is_asked() -> None:
    story = Story.begin().key(Command.ACCEPT)
    assert story.state.log.step is Step.TUNE
    story.key(Command.ACCEPT)
    assert story.state.log.step is Step.OPEN
    story.play(6, 0, 4.0).takes(10.0)
    assert story.state.log.step is Step.MOVE
    story.key(Command.ACCEPT)
    assert story.state.log.step is Step.RETUNE
    story.key(Command.ACCEPT)
    assert (story.state.log.step, story.state.log.string.round) == (Step.OPEN, 1)
    story.key(Command.ACCEPT)
    assert story.outcomes()[6] is Outcome.PASSED_OVER


def test_again_measures_the_string_afresh() -> None:
    story = Story.begin().string(6.0).key(Command.AGAIN)
    assert (story.state.log.step, story.state.log.current) == (Step.TUNE, 6)
    assert story.state.log.string.now is None
    assert story.state.log.string.advice is None
    story.string(0.1)
    assert story.outcomes()[6] is Outcome.LEAVE


def test_next_and_previous_string() -> None:
    story = Story.begin().key(Command.NEXT)
    assert story.state.log.current == 5
    assert story.outcomes()[6] is Outcome.PASSED_OVER
    story.key(Command.PREVIOUS)
    assert story.state.log.current == 6
    assert story.outcomes()[6] is None


def test_the_tolerance_goes_in_half_cents_and_judges_anew() -> None:
    story = Story.begin().string(3.0)
    assert story.state.log.string.advice is not None
    for _ in range(6):
        story.key(Command.TOLERANCE_UP)
    assert story.state.log.tolerance_cents == 5.0
    assert story.state.log.step in (Step.OPEN, Step.FRETTED) or story.outcomes()[6] is Outcome.LEAVE
    story.takes(3.0)
    assert story.outcomes()[6] is Outcome.LEAVE
    kept = [e.cents for e in story.entries if isinstance(e, ToleranceEntry)]
    assert kept == [2.5, 3.0, 3.5, 4.0, 4.5, 5.0]
    for _ in range(30):
        story.key(Command.TOLERANCE_DOWN)
    assert story.state.log.tolerance_cents == 0.5


@pytest.mark.parametrize(
    ("command", "name"),
    [
        (Command.FREEZE, "frozen"),
        (Command.LARGE_PRINT, "large_print"),
        (Command.HELP, "help_open"),
    ],
)
def test_display_keys_turn_over_and_leave_the_work_alone(command: Command, name: str) -> None:
    story = Story.begin().play(6)
    entries = story.entries
    assert getattr(story.key(command).state.display, name)
    assert not getattr(story.key(command).state.display, name)
    assert story.entries is entries


def test_quit_keeps_everything() -> None:
    story = Story.begin().play(6)
    entries = story.entries
    story.key(Command.QUIT)
    assert story.state.quit
    assert story.entries is entries
    assert story.state.advance(PluckStarted(99.0)) is story.state


@pytest.mark.parametrize("command", list(Command))
@pytest.mark.parametrize(
    "step", [Step.BEFORE, Step.TUNE, Step.FRETTED, Step.MOVE, Step.RETUNE, Step.FINISHED]
)
def test_every_key_is_safe_at_every_step(command: Command, step: Step) -> None:
    story = Story.begin(strings=(6,))
    if step is Step.TUNE:
        story.play(6, 0, 20.0)
    elif step is Step.FRETTED:
        story.play(6)
    elif step is Step.MOVE:
        story.string(6.0)
    elif step is Step.RETUNE:
        story.string(6.0).play(6, 0, -100.0)
    elif step is Step.FINISHED:
        story.string(0.1)
    assert story.state.log.step is step
    story.key(command)
    assert story.state.asks.endswith(".")


# ------------------------------------------------------------------------------ the input


def test_a_lost_input_is_said_and_the_work_goes_on_when_it_is_back() -> None:
    story = Story.begin().play(6)
    step = story.state.log.step
    story.event(InputLost("unplugged"))
    assert story.state.input_lost == "unplugged"
    assert "Connect" in story.state.asks
    story.event(InputBack())
    assert story.state.input_lost is None
    assert story.state.log.step is step
    story.takes(0.1)
    assert story.outcomes()[6] is Outcome.LEAVE


def test_the_first_sound_is_said_and_leaves_no_entry() -> None:
    story = Story.begin().event(InputBack())
    assert "open" in story.state.says
    assert story.entries == ()


# ------------------------------------------------------------------------------ what is said


def test_asks_is_always_one_imperative_sentence() -> None:
    story = Story.begin(strings=(6, 5), most_takes=10)
    asked = [story.state.asks]

    def note(_: object = None) -> None:
        asked.append(story.state.asks)

    story.play(6, 0, -20.0)
    note()
    story.play(6)
    note()
    story.takes(7.0)
    note()
    story.play(6, 0, -150.0)
    note()
    story.play(6).takes(1.8, _UNSURE)
    note()
    story.play(5).takes(0.1)
    note()
    story.string(1.0)
    note()
    assert len(set(asked)) >= 6
    for sentence in asked:
        assert sentence.endswith(".")
        assert ". " not in sentence
        assert len(sentence) <= 120
        assert sentence.split()[0] in {
            "Pluck", "Tune", "Fret", "Slacken", "Leave", "Check", "Connect", "Let", "Damp", "Once",
        }  # fmt: skip


def test_fretless_and_screwless_instruments_are_spoken_to_in_their_words() -> None:
    bass = replace(preset("bass-four"), fretless=True)
    bass = replace(bass, bridge=Bridge(BridgeKind.SLIDING_WOOD))
    story = Story.begin(bass).play(4)
    assert story.state.asks == "Stop string 4 lightly at the 12th fret mark and pluck it."
    story.takes(6.0)
    assert "turn" not in story.state.asks
    heads = replace(preset("six-string").bridge, screw_heads=ScrewHeads.NECK)
    guitar = Story.begin(replace(preset("six-string"), bridge=heads)).string(6.0)
    assert "counterclockwise" in guitar.state.asks


def test_every_verdict_is_kept_with_its_offset() -> None:
    story = Story.begin().string(6.0)
    verdicts = [e for e in story.entries if isinstance(e, VerdictEntry)]
    assert verdicts[-1].verdict.decision is Decision.MOVE
    assert verdicts[-1].offset == story.state.log.string.now
    assert setup_of().order == (6, 5, 4, 3, 2, 1)


def test_the_person_is_learned_as_the_session_goes_and_from_earlier_ones() -> None:
    wide = (3.0, -3.0, 2.0, -2.0)
    story = Story.begin(strings=(6, 5)).play(6).takes(9.0, wide)
    log = story.state.log
    own, other = (known(log, string).person for string in (log.strings[5], log.strings[4]))
    assert own == ANYBODY, "a string's own takes teach nothing of whoever plays it beforehand"
    assert other.spread_cents > ANYBODY.spread_cents + 0.1
    earlier = learned_person([log])
    assert ANYBODY.spread_cents < earlier.spread_cents < other.spread_cents, "less sure another day"
    assert learned_person([log, log]).spread_cents > earlier.spread_cents
    struck = story.key(Command.STRIKE)
    assert learned_person([struck.state.log]) != earlier
