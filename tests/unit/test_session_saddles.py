"""What a session learns of the bridge, and what it then advises: hand-written events."""

from __future__ import annotations

from dataclasses import replace

import pytest
from session_story import Story, setup_of

from pitchbench.instrument import Bridge, BridgeKind, Instrument
from pitchbench.intonation.bridge import Direction, Move
from pitchbench.intonation.deciding import WORTH_A_MOVE
from pitchbench.intonation.geometry import saddle_change_cents
from pitchbench.intonation.response import BY_GEOMETRY, Response
from pitchbench.presets import preset
from pitchbench.session import saddles
from pitchbench.session.fold import evolve, read_log
from pitchbench.session.job import Command
from pitchbench.session.keys import SAID_STEP_TURNS
from pitchbench.session.learning import learned_response
from pitchbench.session.log import MoveEntry, OtherWayEntry, Outcome, Step
from pitchbench.session.saddles import learned
from pitchbench.session.state import resume
from pitchbench.session.words import TURNED_ALREADY

#: 648 mm, 12th fret: cents per mm (docs/definitions.md, section 3), and the screw's mm per
#: turn.
CENTS_PER_MM = 2.67
PITCH_MM = 0.5


def set_string(story: Story, offset: float, factor: float) -> float:
    """Set the current string on a bridge that does ``factor`` of what its screws are turned;
    returns the offset that is left."""
    number = story.state.log.current
    story.play(number).takes(offset)
    while story.state.log.current == number and story.state.log.string.advice is not None:
        offset -= CENTS_PER_MM * factor * story.state.log.string.advice.screw_mm
        story.move_and_retune(number).takes(offset)
    return offset


def roomy() -> Instrument:
    """A bridge with room for moves so large that two takes on either side measure them well."""
    guitar = preset("six-string")
    room = replace(guitar.bridge, travel_toward_nut_mm=30.0, travel_away_mm=30.0)
    return replace(guitar, bridge=room)


def test_the_bridge_is_learned_from_string_to_string() -> None:
    """A bridge that does nine tenths of what geometry says: the later strings gain from it."""
    story = Story.begin(roomy(), strings=(6, 5, 4, 3, 2, 1))
    assert learned(story.state.log) == BY_GEOMETRY
    for offset in (30.0, -28.0, 25.0, -27.0, 29.0):
        set_string(story, offset, 0.9)
    found = learned(story.state.log)
    assert found.moves >= 5
    assert found.factor == pytest.approx(0.9, abs=2 * found.factor_u)
    # Geometry is 0.1 away; what was learned is nearer, and surer than before.
    assert found.factor == pytest.approx(0.9, abs=0.06)
    assert found.factor_u < 0.8 * BY_GEOMETRY.factor_u
    story.play(1).takes(8.0)
    advice = story.state.log.string.advice
    assert advice is not None
    assert advice.mm == pytest.approx(8.0 / CENTS_PER_MM / found.factor, rel=0.05)


def test_what_was_learned_is_there_next_time() -> None:
    story = Story.begin(roomy())
    for offset in (30.0, -28.0, 25.0):
        set_string(story, offset, 0.8)
    setup = setup_of()
    response = learned_response([story.state.log], setup)
    assert response == learned(story.state.log)
    assert response.factor < 0.95
    again = Story.begin(response=response).string(8.0)
    plain = Story.begin().string(8.0)
    assert again.state.log.string.advice is not None
    assert plain.state.log.string.advice is not None
    assert again.state.log.string.advice.mm > 1.05 * plain.state.log.string.advice.mm


def test_turning_back_takes_up_the_slack_that_was_learned() -> None:
    known = Response(factor=1.0, factor_u=0.02, slack_mm=0.1, slack_u_mm=0.01, moves=9)
    story = Story.begin(response=known).string(6.0)
    onward = story.state.log.string.advice
    assert onward is not None
    assert onward.slack_mm == 0.0, "a first turn has nothing to turn back from"
    story.move_and_retune(6).takes(-6.0)
    back = story.state.log.string.advice
    assert back is not None
    assert back.direction is Direction.TOWARD_NUT
    assert back.slack_mm == pytest.approx(0.1, abs=0.02)
    assert back.turns == pytest.approx((back.size_mm + back.slack_mm) / PITCH_MM)


def test_a_move_says_where_it_should_end() -> None:
    story = Story.begin().string(6.0)
    advice = story.state.log.string.advice
    assert advice is not None
    assert advice.ends95_cents is not None
    low, high = advice.ends95_cents
    assert low < 0.0 < high
    assert f"If moved, {low:+.1f} to {high:+.1f} cents." in story.state.says


# ------------------------------------------------------------------------------ how far it went


def test_the_person_says_how_far_the_saddle_really_went() -> None:
    story = Story.begin().string(6.0)
    advice = story.state.log.string.advice
    assert advice is not None
    story.key(Command.LESS).key(Command.LESS)
    assert "as you said" in story.state.asks
    assert f"{advice.turns - 2 * SAID_STEP_TURNS:.1f} turns" in story.state.asks
    story.move_and_retune(6)
    (made,) = [e for e in story.entries if isinstance(e, MoveEntry)]
    assert made.said
    assert made.made_mm == pytest.approx(advice.mm - 2 * SAID_STEP_TURNS * PITCH_MM)
    assert made.move == advice, "what was advised stays on record beside it"


def test_more_and_less_undo_each_other_and_toward_the_nut_is_a_direction_too() -> None:
    story = Story.begin().string(-6.0)
    advice = story.state.log.string.advice
    assert advice is not None
    story.key(Command.MORE)
    assert story.state.log.string.said_mm == pytest.approx(advice.mm - SAID_STEP_TURNS * PITCH_MM)
    story.key(Command.LESS)
    assert story.state.log.string.said_mm == pytest.approx(advice.mm)


def test_a_saddle_that_went_the_other_way_stands_on_record_where_it_is() -> None:
    story = Story.begin().string(6.0)
    advice = story.state.log.string.advice
    assert advice is not None
    story.move_and_retune(6)
    assert story.state.log.string.travel_mm == advice.mm, "until it is heard, it is as told"
    story.takes(12.0)
    (move,) = story.state.log.moves
    assert (move.made_mm, move.move.mm) == (-advice.mm, advice.mm)
    assert story.state.log.string.travel_mm == -advice.mm
    back = story.state.log.string.advice
    assert back is not None
    assert back.mm == pytest.approx(2.0 * advice.mm, rel=0.1)
    assert back.moved_mm == -advice.mm, "its way back is not a way farther out"
    assert read_log(story.state.setup, story.entries) == story.state.log
    story.move_and_retune(6).takes(0.1)
    assert [move.other_way for move in story.state.log.moves] == [True, False]
    assert story.state.log.strings[5].travel_mm == pytest.approx(advice.mm, rel=0.1)


def test_what_was_heard_of_a_move_goes_with_the_take_that_told_it() -> None:
    story = Story.begin().string(6.0).move_and_retune(6).takes(12.0)
    assert story.state.log.string.travel_mm < 0.0
    story.key(Command.UNDO)
    assert story.state.log.string.travel_mm > 0.0


def test_a_move_that_is_asked_for_again_is_not_made_twice_unawares() -> None:
    """Taking a take back does not turn the screw back."""
    story = Story.begin().string(6.0)
    assert story.state.log.step is Step.MOVE
    asked = story.state.asks
    story.move_and_retune(6)
    assert story.state.log.step is not Step.MOVE
    while story.state.log.step is not Step.MOVE:
        story.key(Command.UNDO)
    assert story.state.asks == asked
    assert story.state.says.endswith(TURNED_ALREADY)
    story.key(Command.UNDO)
    assert TURNED_ALREADY not in story.state.says, "before the move was advised none was made"


def test_a_saddle_of_two_strings_went_the_other_way_for_both() -> None:
    story, told = pair(), OtherWayEntry(99.0, 6)
    assert evolve(story.state.log, told).moves == (), "a log from elsewhere may tell of none"
    log = evolve(story.play(5).takes(3.0).move_and_retune(5).state.log, told)
    assert [string.moves[-1].other_way for string in log.strings[4:]] == [True, True]
    assert len(log.moves) == 1


def test_what_was_said_is_surer_than_what_was_only_told() -> None:
    told = Story.begin().string(9.0).move_and_retune(6)
    said = Story.begin().string(9.0).key(Command.LESS).key(Command.MORE).move_and_retune(6)
    scales = []
    for story in (told, said):
        story.play(6, 12, 0.0)
        assert story.state.log.strings[5].now is not None
        scales.append(story.state.log.strings[5].now.belief.scale)
    assert scales[1] < scales[0]


def test_without_a_move_there_is_nothing_to_correct() -> None:
    story = Story.begin().play(6)
    entries = story.entries
    assert story.key(Command.LESS).state.says == "There is no move to correct."
    assert story.entries is entries


def test_what_was_said_outlasts_a_crash() -> None:
    story = Story.begin().string(6.0).key(Command.LESS)
    again = resume(story.state.setup, story.entries)
    assert again.log.step is Step.MOVE
    assert again.log.string.said_mm == pytest.approx(story.state.log.string.said_mm)
    assert again.asks == story.state.asks


# ------------------------------------------------------------------------------ enough takes


def test_few_takes_do_where_leaving_or_moving_is_sure_to_end_well() -> None:
    """A steady player on a string that is well off: no more plucks than it takes to aim."""
    story = Story.begin().play(6).takes(6.0)
    assert story.state.log.step is Step.MOVE
    assert len(story.accepted()) <= 8
    story.move_and_retune(6).takes(0.1)
    assert len(story.accepted()) <= 12
    assert story.outcomes()[6] is Outcome.LEAVE


def test_leaving_and_moving_are_weighed_by_where_they_end() -> None:
    story = Story.begin().play(6)
    for cents in (3.2, 3.6):
        story.play(6, 12, cents)
    found = story.state.log.string.verdict
    assert found is not None
    assert found.p_moved is not None
    assert found.p_within < 0.3
    assert found.p_moved > found.p_within + WORTH_A_MOVE


# ------------------------------------------------------------------------------ two on one saddle


def pair() -> Story:
    """String 6 of a bridge with two strings to a saddle is measured, and string 5 is next."""
    story = Story.begin(preset("paired-saddles"), strings=(6, 5)).play(6).takes(9.0)
    assert (story.state.log.current, story.state.log.step) == (5, Step.TUNE)
    assert "same saddle" in story.state.says
    assert story.outcomes()[6] is None
    return story


def test_both_strings_of_a_saddle_are_measured_before_it_is_moved() -> None:
    story = pair().play(5).takes(3.0)
    advice = story.state.log.string.advice
    assert story.state.log.step is Step.MOVE
    assert advice is not None
    # The mean of 9 and 3 is what the saddle can cure.
    assert advice.mm == pytest.approx(6.0 / CENTS_PER_MM, rel=0.06)
    assert story.state.asks.startswith("Slacken strings 5 and 6, then move their saddle")
    assert "The saddle goes by the mean of its strings, +5.9 ± " in story.state.says


def test_a_shared_saddle_ends_at_the_best_compromise_for_both() -> None:
    story = pair().play(5).takes(3.0).move_and_retune(5).takes(-3.0)
    assert story.state.log.current == 6, "the other string lay on the moved saddle too"
    assert story.state.log.string.round == 1
    assert story.state.log.string.travel_mm == story.state.log.strings[4].travel_mm
    story.play(6).takes(3.0)
    for number, left in ((6, 3.0), (5, -3.0)):
        string = story.state.log.strings[number - 1]
        assert string.outcome is Outcome.COMPROMISE
        assert string.now is not None
        assert string.now.offset_cents == pytest.approx(left, abs=0.5)
    assert "best for all strings" in story.state.says
    assert sum(isinstance(e, MoveEntry) for e in story.entries) == 1


def test_a_shared_saddle_whose_strings_are_good_stays() -> None:
    story = Story.begin(preset("paired-saddles"), strings=(6, 5)).string(0.2).string(-0.2)
    assert story.state.log.step is Step.FINISHED
    assert {story.outcomes()[n] for n in (5, 6)} == {Outcome.LEAVE}


def test_of_a_pair_a_single_string_may_be_chosen() -> None:
    story = Story.begin(preset("paired-saddles"), strings=(6,)).string(6.0)
    assert story.state.log.step is Step.MOVE


# ---------------------------------------------------------------------------- a bridge in one piece

#: Offsets of a banjo's strings before its bridge is moved, string 1 first; invented.
BANJO_CENTS = {1: 8.0, 2: 5.0, 3: 9.0, 4: 10.0}


def banjo(*order: int) -> Story:
    """Every string of it measured, as it was found."""
    story = Story.begin(preset("banjo-five"), strings=order)
    for number in order:
        assert story.state.log.current == number
        story.play(number).takes(BANJO_CENTS[number])
    return story


def test_every_string_is_measured_before_the_bridge_is_moved_by_their_mean() -> None:
    story = banjo(4, 3, 2, 1)
    assert story.state.log.step is Step.MOVE
    advice = story.state.log.string.advice
    assert advice is not None
    # 1200/ln 2 cents to a scale of 667 mm, docs/definitions.md, section 3; the mean is 8 cents.
    assert advice.mm == pytest.approx(8.0 * 667.0 / 1731.2, rel=0.08)
    assert story.state.asks.startswith("Slacken all strings, then slide the whole bridge ")
    # The standard deviation of 8, 5, 9 and 10 cents is 2.16.
    assert "The bridge goes by the mean of its strings, +7.9 ± " in story.state.says
    assert "; they differ from it by 2." in story.state.says, (
        "drawn a little to where saddles are found"
    )
    assert not any(story.outcomes().values())


def test_one_move_of_the_bridge_is_a_move_of_every_string() -> None:
    story = banjo(4, 3, 2, 1).move_and_retune(1)
    travels = {s.travel_mm for s in story.state.log.strings}
    assert len(travels) == 1
    assert travels.pop() > 0.0
    # Each is measured again; what is left is theirs.
    for number in (1, 4, 3, 2):
        assert story.state.log.current == number
        if number != 1:
            story.play(number)
        story.takes(BANJO_CENTS[number] - 8.0)
    assert story.state.log.step is Step.FINISHED
    assert sum(isinstance(e, MoveEntry) for e in story.entries) == 1
    outcomes = story.outcomes()
    assert outcomes[1] is Outcome.LEAVE
    assert outcomes[2] is Outcome.COMPROMISE, "3 cents flat, and no move of the bridge cures that"


def test_a_short_string_asks_for_less_travel_than_its_cents_say() -> None:
    """String 5 begins at the 5th fret: 2^(5/12) times as many cents to the mm."""
    story = Story.begin(preset("banjo-five"), strings=(5, 4)).play(5).takes(8.0 * 2 ** (5 / 12))
    story.play(4).takes(8.0)
    advice = story.state.log.string.advice
    assert advice is not None
    assert advice.mm == pytest.approx(8.0 * 667.0 / 1731.2, rel=0.08)


def test_a_single_string_of_it_may_be_set() -> None:
    story = Story.begin(preset("banjo-five"), strings=(2,)).string(6.0)
    assert story.state.log.step is Step.MOVE


# ------------------------------------------------------------------------------ a floating bridge


def test_a_floating_bridge_is_tuned_round_after_round_in_the_end() -> None:
    story = Story.begin(preset("clamped-tremolo"), strings=(6,)).string(0.1)
    assert story.state.log.step is Step.FINISHED
    assert "until a whole round needs no turning" in story.state.asks


def test_resuming_a_pair_rebuilds_both_strings() -> None:
    story = pair().play(5).takes(3.0).move_and_retune(5).play(5, 12, -3.0)
    strings, again = story.state.log.strings, resume(story.state.setup, story.entries)
    assert [s.travel_mm for s in again.log.strings] == [s.travel_mm for s in strings]
    assert [s.round for s in again.log.strings] == [s.round for s in strings]


def test_travel_counts_what_was_said() -> None:
    guitar = preset("six-string")
    short = replace(guitar, bridge=replace(guitar.bridge, travel_away_mm=2.5))
    story = Story.begin(short).string(6.0)
    for _ in range(4):
        story.key(Command.LESS)
    story.move_and_retune(6)
    assert story.state.log.string.travel_mm == pytest.approx(
        story.state.log.string.moves[0].move.mm - 4 * SAID_STEP_TURNS * PITCH_MM
    )


@pytest.mark.parametrize(
    ("kind", "cents", "what", "once"),
    [
        (
            BridgeKind.FIXED_SADDLE, 3.2,
            "Take string 6 off, then file its break point", "the break point is filed",
        ),
        (
            BridgeKind.SLIDING_WOOD, 2.4,
            "Slacken string 6, then slide the bridge under it", "the bridge under it is slid",
        ),
        (
            BridgeKind.CLAMPED_TREMOLO, 2.4,
            "Slacken string 6, then move its saddle", "the saddle is moved",
        ),
    ],
)  # fmt: skip
def test_a_bridge_without_screws_is_told_what_a_hand_does_there(
    kind: BridgeKind, cents: float, what: str, once: str
) -> None:
    bridge = Bridge(kind, travel_toward_nut_mm=1.0, travel_away_mm=1.0)
    story = Story.begin(replace(preset("six-string"), bridge=bridge), strings=(6,)).string(cents)
    assert story.state.log.string.advice is not None
    assert story.state.log.string.advice.turns is None
    assert story.state.asks.startswith(f"{what} 0.")
    cautions = " ".join(story.state.log.string.advice.cautions)
    if kind is BridgeKind.FIXED_SADDLE:
        for mind in ("Take the string off", "cannot be undone", "mask", "qualified repairer"):
            assert mind in cautions
    else:
        assert "Mark where" in cautions
    story.live(story.target_hz(6) * 0.9)
    assert story.state.asks.startswith(f"Once {once} 0.")


def filed(**travel_mm: float) -> Instrument:
    """A six-string with break points that are filed, 2 mm each way unless said."""
    known = {"travel_toward_nut_mm": 2.0, "travel_away_mm": 2.0} | travel_mm
    return replace(preset("six-string"), bridge=Bridge(BridgeKind.FIXED_SADDLE, **known))


def test_all_strings_are_measured_before_any_is_filed() -> None:
    story = Story.begin(filed(), strings=(6, 5, 4)).string(4.0)
    assert story.state.log.step is Step.TUNE
    assert story.state.log.current == 5
    assert story.state.says == "All strings are measured before any is filed: string 5 is next."
    story.string(0.0)
    assert story.outcomes()[5] is Outcome.LEAVE
    assert story.state.log.current == 4
    story.string(-4.0)
    # The last one is at hand; then those that wait, on what was heard of them.
    assert story.state.log.step is Step.MOVE
    story.move_and_retune(4).takes(0.0)
    assert story.outcomes()[4] is Outcome.LEAVE
    assert (story.state.log.current, story.state.log.step) == (6, Step.TUNE)
    story.play(6)
    assert story.state.log.step is Step.MOVE
    assert story.state.log.string.advice.whole_mm > story.state.log.string.advice.mm > 0.0


def test_a_string_that_cannot_go_so_far_waits_for_no_other() -> None:
    story = Story.begin(filed(travel_away_mm=1.0), strings=(6, 5)).string(8.0)
    assert story.outcomes()[6] is Outcome.OUT_OF_TRAVEL
    assert "screw" not in story.state.says


def test_what_is_left_after_filing_short_of_the_mark_may_be_asked_for_again() -> None:
    story = Story.begin(filed(), strings=(6,), tolerance_cents=0.5).string(4.0)
    first = story.state.log.string.advice
    assert "short of the mark: 1.5 mm is asked in all" in story.state.asks
    left = 4.0 - CENTS_PER_MM * first.mm
    story.move_and_retune(6).takes(left)
    assert story.state.log.string.advice.mm > 0.0
    assert story.state.log.string.advice.asked_mm == pytest.approx(left / CENTS_PER_MM, abs=0.1)


@pytest.mark.parametrize("sign", [1, -1])
def test_what_was_filed_is_not_filed_back(sign: int) -> None:
    story = Story.begin(filed(), strings=(6, 5)).string(sign * 4.0).string(0.0)
    story.play(6).move_and_retune(6).takes(sign * -6.0)
    assert story.outcomes()[6] is Outcome.OUT_OF_TRAVEL
    assert len(story.state.log.strings[5].moves) == 1
    assert "What was filed cannot be put back: check the strings" in story.state.says
    assert "come back" not in story.state.says
    # Nor is it tried out where it may have gone the other way.
    worse = Story.begin(filed(), strings=(6, 5)).string(sign * 4.0).string(0.0)
    worse.play(6).move_and_retune(6).takes(sign * 25.0)
    assert worse.outcomes()[6] is Outcome.OUT_OF_TRAVEL
    assert "did it go the other way?" in worse.state.says
    turned = Story.begin(roomy(), strings=(6, 5)).string(sign * 4.0)
    turned.move_and_retune(6).takes(sign * -6.0)
    assert turned.state.log.step is Step.MOVE


def before(mm: float) -> dict[str, object]:
    """What a setup says of break points of which string 6 was filed ``mm`` in earlier sessions."""
    return {"filed_mm": (0.0, 0.0, 0.0, 0.0, 0.0, mm)}


@pytest.mark.parametrize("sign", [1, -1])
def test_what_an_earlier_session_filed_is_not_filed_back_either(sign: int) -> None:
    story = Story.begin(filed(), strings=(6,), **before(-0.5 * sign)).string(sign * 4.0)
    assert story.outcomes()[6] is Outcome.OUT_OF_TRAVEL
    assert "What was filed cannot be put back: check the strings" in story.state.says
    onward = Story.begin(filed(), strings=(6,), **before(0.5 * sign)).string(sign * 4.0)
    assert onward.state.log.string.advice.moved_mm == 0.5 * sign


def test_what_an_earlier_session_filed_is_gone_from_the_travel() -> None:
    """Of 8 cents 1.1 mm leave 5; of 3.7 cents 1.1 mm leave 0.8, which is within the tolerance."""
    story = Story.begin(filed(), strings=(6,), **before(0.9)).string(8.0)
    assert story.outcomes()[6] is Outcome.OUT_OF_TRAVEL
    story = Story.begin(filed(), strings=(6,), **before(0.9)).string(3.7)
    advice = story.state.log.string.advice
    assert advice.mm <= 1.1 < 3.7 / CENTS_PER_MM < advice.asked_mm + 0.1
    assert not advice.out_of_travel


def test_the_end_of_the_travel_is_not_gone_to_before_that_is_sure() -> None:
    """Of 3.7 cents 1 mm leaves 1.0: all there is, but no more of it than is sure."""
    story = Story.begin(filed(travel_away_mm=1.0), strings=(6,)).string(3.7)
    advice = story.state.log.string.advice
    assert 2.0 / CENTS_PER_MM < advice.mm <= 1.0 < 3.7 / CENTS_PER_MM < advice.asked_mm + 0.1
    assert advice.mm == pytest.approx(min(1.0, advice.interval95_mm[0]))
    assert not advice.out_of_travel


@pytest.mark.parametrize(
    ("offset_cents", "travel", "to_mm"),
    [
        (3.7, {"travel_away_mm": 1.0}, 1.0),
        (-3.7, {"travel_toward_nut_mm": 1.0}, -1.0),
        (2.6, {"travel_away_mm": 0.5, "travel_toward_nut_mm": 3.0}, 0.5),
        (3.7, {"travel_toward_nut_mm": 1.0}, None),
        (-3.7, {"travel_away_mm": 1.0}, None),
        (3.7, {"travel_away_mm": 2.0}, None),
        (9.0, {"travel_away_mm": 1.0}, None),  # what is left then is beyond the tolerance
        (3.7, {"travel_away_mm": 0.0}, None),  # it stands at the end
        (-3.7, {"travel_toward_nut_mm": 0.0}, None),
    ],
)
def test_a_saddle_goes_to_the_end_of_its_travel_if_that_is_enough(
    offset_cents: float, travel: dict[str, float], to_mm: float | None
) -> None:
    """About 2.7 cents for a millimetre: of 3.7 cents 1 mm leaves 1.0."""
    guitar = preset("six-string")
    free = replace(guitar.bridge, travel_away_mm=None, travel_toward_nut_mm=None)
    planned, whole = (
        saddles.planned(log, log.string)
        for bridge in (replace(free, **travel), free)
        for log in [Story.begin(replace(guitar, bridge=bridge), strings=(6,)).string(offset_cents)
                    .state.log]
    )  # fmt: skip
    assert planned is not None
    assert whole is not None
    assert planned.mm == pytest.approx(whole.mm if to_mm is None else to_mm, abs=1e-6)
    assert not planned.out_of_travel or to_mm is None


def test_how_surely_a_saddle_goes_where_it_is_sent() -> None:
    """Ten per cent of the turn and six of the bridge, in squares; and 0.06 mm of slack."""
    story = Story.begin(strings=(6,)).string(5.0)
    turning = saddles._turning(story.state.log, story.state.log.string)
    assert turning.share == pytest.approx((0.1**2 + 0.06**2) ** 0.5)
    setback_mm = preset("six-string").setback_mm[5] if preset("six-string").setback_mm else 0.0
    per_mm = saddle_change_cents(-1.0, fret=12, scale_mm=648.0, setback_mm=setback_mm)
    assert turning.slack_cents == pytest.approx(0.06 * per_mm)


def test_how_far_the_strings_of_a_bridge_differ_is_told_of_three_and_more() -> None:
    log = Story.begin("mandolin", strings=(1, 3, 5)).state.log
    assert saddles.scatter_cents(log, log.strings[0]) is None
    assert saddles.p_within(log, log.strings[0]) == 0.0
    story = Story.begin(strings=(6,)).string(5.0)
    assert saddles.scatter_cents(story.state.log, story.state.log.string) is None
    assert saddles.shared_mean(story.state.log, story.state.log.string) is None


@pytest.mark.parametrize("first_mm", [0.4, -0.4])
def test_a_screw_is_turned_back_by_the_sign_of_its_last_turn_alone(first_mm: float) -> None:
    advice = Move(6, first_mm, (first_mm, first_mm), preset("six-string").bridge)
    moves = [MoveEntry(0.0, 6, advice, first_mm)]
    assert saddles._reversed(moves, 0.5) is (first_mm < 0.0)
    assert saddles._reversed(moves, -0.5) is (first_mm > 0.0)
    assert saddles._reversed([], 0.5) is None


def test_what_a_string_is_known_by_its_own_moves_have_no_part_in() -> None:
    """A move that did far more than told teaches how the bridge answers, and that is for others:
    else what was heard after it would count twice."""
    story = Story.begin(strings=(6,))
    before = saddles.learned(story.state.log)
    story.string(8.0)
    story.move_and_retune(6).takes(-3.0)
    log = story.state.log
    string = log.strings[5]
    assert len(string.moves) == 1
    learned = saddles.learned(log)
    assert learned.factor > before.factor + 0.02
    found, as_before, twice = (
        knowledge.offset.belief.centre
        for knowledge in (
            saddles.known(log, string),
            saddles.alone(log, string, before),
            saddles.alone(log, string, learned),
        )
        if knowledge.offset is not None
    )
    assert found == as_before
    assert abs(twice - as_before) > 0.01


def test_what_was_known_before_a_move_is_said_to_be_carried_over() -> None:
    story = Story.begin(strings=(6,)).string(8.0)
    found = saddles.weigh(story.state.log, story.state.log.string)
    assert found is not None
    assert not found.carried_over
    story.move_and_retune(6).takes(0.2)
    left = saddles.weigh(story.state.log, story.state.log.strings[5])
    assert left is not None
    assert left.carried_over
