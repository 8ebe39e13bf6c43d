"""From an offset to a move: direction, size, turns, and what to mind."""

import math
from dataclasses import replace

import pytest

from pitchbench.belief import Belief
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Bridge, BridgeKind, Instrument, ScrewHeads, StringSpec
from pitchbench.intonation import geometry
from pitchbench.intonation.bridge import (
    CAUTIONS,
    DIRECTION_WORDS,
    Direction,
    Leverage,
    Move,
    Rotation,
    cancelling_move,
    move_words,
    plan_move,
    rotation,
    what_to_move,
)
from pitchbench.intonation.offset import Group, Offset
from pitchbench.notes import Note
from pitchbench.presets import preset

TUNING = ("E4", "B3", "G3", "D3", "A2", "E2")


def instrument(bridge, **options):
    strings = tuple(StringSpec(Note.parse(note), 0.5, wound=False) for note in TUNING)
    return Instrument("bench", "guitar", 648.0, strings, bridge, **options)


def measured(cents, half=1.0, fret=12):
    group = Group(4, 100.0, 0.5)
    return Offset(fret, group, group, Belief(cents, half / Belief(0.0, 1.0, 20.0).half(), 20.0))


SCREWS = Bridge(BridgeKind.SCREW_SADDLES, 0.5, ScrewHeads.TAIL)


def test_sharp_goes_away_from_the_nut_by_the_exact_geometry():
    move = plan_move(measured(5.0), instrument(SCREWS), 6)
    assert move.direction is Direction.AWAY_FROM_NUT
    assert move.mm == pytest.approx(1.880, abs=0.5e-3)  # docs/definitions.md, section 3
    assert move.turns == pytest.approx(3.76, abs=0.5e-2)
    assert move.interval95_mm == pytest.approx((1.5023, 2.2582), abs=1e-3)


def test_flat_goes_toward_the_nut():
    move = plan_move(measured(-10.0), instrument(SCREWS), 6)
    assert move.direction is Direction.TOWARD_NUT
    assert move.mm == pytest.approx(-3.711, abs=0.5e-3)
    assert move.size_mm == -move.mm
    assert move.interval95_mm[0] < move.mm < move.interval95_mm[1] < 0.0
    assert move.onward95_mm == (-move.interval95_mm[1], -move.interval95_mm[0])


def test_the_setback_on_record_counts():
    setback = (0.0, 0.0, 0.0, 0.0, 0.0, 3.0)
    on_record = instrument(SCREWS, setback_mm=setback)
    assert plan_move(measured(5.0), on_record, 6).mm == pytest.approx(1.906, abs=0.5e-3)


def test_each_string_moves_by_its_own_scale():
    """Lengths alone: the move grows with the scale, so 686 / 648 farther on the longest string."""
    slanted = preset("seven-string-slanted")
    short, long = (plan_move(measured(6.0), slanted, string) for string in (1, 7))
    assert long.mm / short.mm == pytest.approx(686 / 648, abs=1e-9)
    assert short == plan_move(measured(6.0), preset("seven-string"), 1)


def test_a_short_string_moves_by_what_is_left_of_the_scale():
    banjo = preset("banjo-five")
    short, whole = (plan_move(measured(6.0), banjo, string).mm for string in (5, 4))
    assert short / whole == pytest.approx(2 ** (-5 / 12), abs=1e-9)


def test_another_fret_has_its_own_leverage():
    move = plan_move(measured(5.0, fret=19), instrument(SCREWS), 1)
    change = geometry.saddle_change_cents(move.mm, fret=19, scale_mm=648.0)
    assert change == pytest.approx(-5.0, abs=1e-9)


@pytest.mark.parametrize(
    ("heads", "cents", "expected"),
    [
        (ScrewHeads.TAIL, 5.0, Rotation.CLOCKWISE),
        (ScrewHeads.TAIL, -5.0, Rotation.COUNTERCLOCKWISE),
        (ScrewHeads.NECK, 5.0, Rotation.COUNTERCLOCKWISE),
        (ScrewHeads.NECK, -5.0, Rotation.CLOCKWISE),
    ],
)
def test_clockwise_draws_the_saddle_toward_the_head(heads, cents, expected):
    bridge = Bridge(BridgeKind.SCREW_SADDLES, 0.5, heads)
    assert plan_move(measured(cents), instrument(bridge), 1).rotation is expected


def test_no_screw_no_turns():
    move = plan_move(measured(5.0), instrument(Bridge(BridgeKind.CLAMPED_TREMOLO)), 2)
    assert move.turns is None
    assert move.rotation is None
    assert move_words(move) == "1.9 mm away from the nut"


def test_a_screw_whose_head_is_not_known_gives_turns_but_no_rotation():
    bridge = Bridge(BridgeKind.BASS, 0.5)
    assert rotation(bridge, away=True) is None
    assert move_words(plan_move(measured(5.0), instrument(bridge), 1)) == (
        "1.9 mm away from the nut, 3.8 turns"
    )


def test_the_sentence_says_which_way_how_far_and_how_to_turn():
    assert move_words(plan_move(measured(5.0), instrument(SCREWS), 6)) == (
        "1.9 mm away from the nut, 3.8 turns clockwise"
    )


@pytest.mark.parametrize(
    ("cents", "moved_mm", "beyond"),
    [(5.0, 0.0, False), (5.0, 0.5, True), (-5.0, 0.0, True), (-5.0, 1.5, False)],
)
def test_the_travel_on_record_is_not_overrun(cents, moved_mm, beyond):
    bridge = Bridge(
        BridgeKind.SCREW_SADDLES, 0.5, ScrewHeads.TAIL, travel_toward_nut_mm=1, travel_away_mm=2
    )
    move = replace(plan_move(measured(cents), instrument(bridge), 1), moved_mm=moved_mm)
    assert move.out_of_travel is beyond
    assert move.cautions[0].startswith("Out of travel") is beyond


@pytest.mark.parametrize(
    ("kind", "word"),
    [
        (BridgeKind.SCREW_SADDLES, "slacken"),
        (BridgeKind.POST_BAR, "other way round"),
        (BridgeKind.PAIRED_SADDLES, "compromise"),
        (BridgeKind.CLAMPED_TREMOLO, "go round"),
        (BridgeKind.BASS, "slacken"),
        (BridgeKind.SLIDING_WOOD, "mark"),
        (BridgeKind.FIXED_SADDLE, "cannot be undone"),
    ],
)
def test_each_bridge_has_the_caution_that_belongs_to_it(kind, word):
    text = " ".join(plan_move(measured(5.0), instrument(Bridge(kind)), 1).cautions).lower()
    assert word in text
    assert "eye protection" in text
    if kind is BridgeKind.FIXED_SADDLE:
        assert "mask" in text
        assert "repairer" in text


@pytest.mark.parametrize("kind", list(BridgeKind))
def test_the_caution_in_a_line_is_one_of_those_of_its_bridge(kind):
    move = plan_move(measured(5.0), instrument(Bridge(kind)), 1)
    assert len(move.brief_caution) <= 40
    whole = " ".join(move.cautions).lower()
    known = {"eye protection", "mask", "both", "hold the saddle", "mark", "dust"}
    said = {word for word in known if word in move.brief_caution.lower()}
    assert said
    assert all(word in whole for word in said)
    assert "eye protection" in said
    assert ("filing" in move.brief_caution.lower()) is (kind is BridgeKind.FIXED_SADDLE)


def test_every_kind_has_cautions():
    assert set(CAUTIONS) == set(BridgeKind)


def test_more_than_a_saddle_can_cause_is_refused():
    with pytest.raises(PitchbenchError, match="more than a saddle"):
        plan_move(measured(180.0), instrument(SCREWS), 1)


def test_a_very_wide_interval_still_gives_a_move():
    move = plan_move(measured(40.0, half=3000.0), instrument(SCREWS), 1)
    low, high = move.interval95_mm
    assert low < 0.0 < move.mm < high


@pytest.mark.parametrize(
    ("moved_mm", "mm", "beyond"),
    [(18.0, -0.6, False), (18.0, 0.6, True), (-14.0, 1.0, False), (-14.0, -1.0, True)],
)
def test_the_way_back_is_never_out_of_travel(moved_mm: float, mm: float, beyond: bool) -> None:
    """A saddle that was moved the wrong way stands elsewhere than the record says."""
    bridge = Bridge(BridgeKind.SCREW_SADDLES, travel_toward_nut_mm=12.0, travel_away_mm=12.0)
    assert Move(6, mm, (mm, mm), bridge, moved_mm=moved_mm).out_of_travel is beyond


@pytest.mark.parametrize(
    ("cents", "turns"), [(1.0, Rotation.CLOCKWISE), (-1.0, Rotation.COUNTERCLOCKWISE)]
)
def test_a_screw_with_its_head_at_the_tail_draws_the_saddle_there_however_little(cents, turns):
    move = plan_move(measured(cents), instrument(SCREWS), 6)
    assert 0.3 < move.size_mm < 0.5
    assert move.rotation is turns


def test_what_a_hand_moves_at_each_bridge():
    wood = Bridge(BridgeKind.SLIDING_WOOD)
    assert what_to_move(instrument(SCREWS), "its") == "move its saddle"
    assert (
        what_to_move(instrument(Bridge(BridgeKind.FIXED_SADDLE)), "its") == "file its break point"
    )
    assert what_to_move(preset("mandolin"), "its") == "slide the whole bridge"
    assert what_to_move(instrument(wood), "its") == "slide the bridge under it"


def test_slack_was_taken_up_only_where_the_screw_went_the_way_it_was_told():
    told = Move(6, 1.0, (0.5, 1.5), SCREWS, slack_mm=0.1)
    assert told.screw_mm == pytest.approx(1.1)
    assert told.made(0.5).screw_mm == pytest.approx(0.6)
    assert told.made(-0.5).screw_mm == pytest.approx(-0.5)
    assert told.made(0.0).screw_mm == 0.0


def test_a_saddle_of_which_nothing_else_is_said_was_not_moved():
    move = cancelling_move(
        measured(5.0), string=1, scale_mm=648.0, setback_mm=0.0, bridge=Bridge(BridgeKind.BASS)
    )
    change = geometry.saddle_change_cents(move.mm, fret=12, scale_mm=648.0)
    assert change == pytest.approx(-5.0, abs=1e-9)


@pytest.mark.parametrize(
    ("mm", "travel_mm", "said"),
    [(14.4, None, True), (-9.0, None, True), (3.0, None, False), (9.0, 10.0, False)],
)
def test_a_move_that_hardly_any_saddle_allows_is_minded(
    mm: float, travel_mm: float | None, said: bool
) -> None:
    """Where it is not on record how far this one goes."""
    bridge = Bridge(BridgeKind.SCREW_SADDLES, travel_away_mm=travel_mm)
    cautions = Move(5, mm, (mm, mm), bridge).cautions
    assert any(words.startswith("Hardly any saddle") for words in cautions) is said


FILED = Bridge(BridgeKind.FIXED_SADDLE, travel_toward_nut_mm=1.0, travel_away_mm=1.0)


@pytest.mark.parametrize("cents", [2.4, -2.4])
def test_what_is_filed_stops_short_of_the_mark(cents: float) -> None:
    """The near end of the interval that is shown, with how much is asked in all."""
    move = plan_move(measured(cents, half=1.0), instrument(FILED), 1)
    asked = plan_move(measured(cents, half=1.0), instrument(SCREWS), 1)
    assert asked.whole_mm is None
    assert move.asked_mm == asked.mm
    assert abs(move.mm) == min(map(abs, asked.interval95_mm))
    assert move.mm * cents > 0.0
    assert move_words(move) == (
        f"0.5 mm {DIRECTION_WORDS[move.direction]} (short of the mark: 0.9 mm is asked in all)"
    )
    assert move.made(0.3).whole_mm is None


def test_what_is_not_known_either_way_is_not_filed_at_all() -> None:
    assert plan_move(measured(0.5, half=1.0), instrument(FILED), 1).mm == 0.0


@pytest.mark.parametrize(
    ("moved_mm", "cents", "back"),
    [(0.5, -1.0, True), (-0.5, 1.0, True), (0.5, 1.0, False), (-0.5, -1.0, False)],
)
def test_what_was_filed_is_never_put_back(moved_mm: float, cents: float, back: bool) -> None:
    filed, screwed = (
        replace(plan_move(measured(cents, half=0.2), instrument(bridge), 1), moved_mm=moved_mm)
        for bridge in (FILED, SCREWS)
    )
    assert filed.goes_back is filed.out_of_travel is back
    assert filed.cautions[0].startswith("What was filed cannot be put back") is back
    assert not screwed.out_of_travel


def test_what_is_sure_is_filed_where_it_fits_though_all_that_is_asked_does_not() -> None:
    short = Bridge(BridgeKind.FIXED_SADDLE, None, None, 0.7, 0.7)
    move = plan_move(measured(2.4, half=1.0), instrument(short), 1)
    assert move.mm < 0.7 < move.asked_mm
    assert not move.out_of_travel
    assert move.whole.out_of_travel
    assert move.cautions[0].startswith("All that is asked is beyond the travel: check")
    # To the end of the travel, where that is enough; nowhere, where it is not.
    sure = plan_move(measured(2.4, half=0.1), instrument(short), 1)
    assert sure.out_of_travel
    assert sure.within_travel(2.4, 0.4) == sure
    there = sure.within_travel(2.4, 2.0)
    assert (there.mm, there.out_of_travel) == (pytest.approx(0.7), False)


def test_a_saddle_cures_no_more_than_its_travel_does() -> None:
    bare = instrument(Bridge(BridgeKind.FIXED_SADDLE))
    flatter, sharper = Leverage(bare, 1, 12, 0.25).reach_cents()
    assert sharper == 0.0  # what was filed is not put back
    assert flatter == pytest.approx(Leverage(bare, 1, 12, 0.25).change_cents(0.75))
    free = instrument(Bridge(BridgeKind.SCREW_SADDLES))
    assert Leverage(free, 1, 12).reach_cents() == (-math.inf, math.inf)


def test_a_break_point_goes_a_millimetre_where_nothing_is_said() -> None:
    bare = Bridge(BridgeKind.FIXED_SADDLE)
    assert not plan_move(measured(2.4), instrument(bare), 1).out_of_travel
    move = plan_move(measured(5.0), instrument(bare), 1)
    assert move.out_of_travel
    assert move.mm == move.reach_mm == 1.0
    assert move.asked_mm == move.whole.mm == pytest.approx(1.9, abs=0.05)
    unsure = plan_move(measured(5.0, half=3.5), instrument(bare), 1)
    assert unsure.mm == unsure.interval95_mm[0] < 1.0
    # Nothing is left to be filed: it is still the way that is asked for.
    spent = replace(plan_move(measured(-5.0), instrument(bare), 1), moved_mm=-1.0).short_of_the_mark
    assert spent.size_mm == 0.0
    assert spent.direction is Direction.TOWARD_NUT
