"""A bridge is learned from moves whose truth is known."""

import numpy as np
import pytest

from pitchbench.belief import Belief
from pitchbench.instrument import Bridge, BridgeKind, Instrument, ScrewHeads, StringSpec
from pitchbench.intonation import geometry
from pitchbench.intonation.bridge import Direction
from pitchbench.intonation.offset import Group, Offset
from pitchbench.intonation.response import (
    BY_GEOMETRY,
    Effect,
    MadeMove,
    Response,
    advise,
    carried_over,
    combined,
    did_not_seat,
    effect,
    inferred_mm,
    learn,
    shared,
)
from pitchbench.notes import Note

SCREWS = Bridge(BridgeKind.SCREW_SADDLES, 0.5, ScrewHeads.TAIL)
TUNING = ("E4", "B3", "G3", "D3", "A2", "E2")
STRINGS = tuple(StringSpec(Note.parse(note), 0.5, wound=False) for note in TUNING)
BENCH = Instrument("bench", "guitar", 648.0, STRINGS, SCREWS)
KNOWN = Response(factor=0.9, factor_u=0.01, slack_mm=0.12, slack_u_mm=0.01)


def measured(cents, u=0.3):
    group = Group(4, 100.0, 0.5)
    return Offset(12, group, group, Belief(cents, u, 20.0))


def change(mm):
    return geometry.saddle_change_cents(mm, fret=12, scale_mm=648.0)


def made(screw_mm, before, *, factor=1.0, slack_mm=0.0, turned_back=False, u=0.3, error=0.0):
    travel = screw_mm - np.copysign(slack_mm if turned_back else 0.0, screw_mm)
    after = before + change(factor * travel) + error
    return MadeMove(
        6, screw_mm, True, measured(before, u), measured(after, u), reversed=turned_back
    )


def test_without_moves_it_is_geometry():
    assert learn([], BENCH) == BY_GEOMETRY
    advice = advise(measured(5.0), BENCH, 6)
    assert advice.move.direction is Direction.AWAY_FROM_NUT
    # 1.880 mm by geometry; 1.4 % less because a move of uncertain size should fall a little short.
    assert advice.move.mm == pytest.approx(1.880 * 0.9866, abs=2e-3)
    # That 1.4 % of 5 cents, and half of the usual slack of 0.04 mm, the last turn being unknown.
    assert advice.after.offset_cents == pytest.approx(0.07 + 0.02 * 2.67, abs=0.01)


def test_factor_and_slack_are_learned():
    moves = [
        made(mm, before, factor=0.9, slack_mm=0.12, turned_back=back, u=0.1)
        for mm, before, back in [
            (3.0, 9.0, False), (-1.0, -3.0, True), (2.0, 5.0, True), (2.5, 7.0, False),
            (-2.0, -6.0, True), (4.0, 10.0, False),
        ]
    ]  # fmt: skip
    found = learn(moves, BENCH)
    assert found.moves == 6
    assert found.factor == pytest.approx(0.9, abs=2 * found.factor_u)
    assert found.slack_mm == pytest.approx(0.12, abs=2 * found.slack_u_mm)
    # Geometry alone is 0.10 and 0.08 away: what was learned must be nearer by far.
    assert found.factor == pytest.approx(0.9, abs=0.04)
    assert found.slack_mm == pytest.approx(0.12, abs=0.04)
    assert found.factor_u < BY_GEOMETRY.factor_u / 2
    assert found.slack_u_mm < BY_GEOMETRY.slack_u_mm


def test_one_vague_move_teaches_little():
    found = learn([made(1.0, 3.0, factor=0.8, u=2.0)], BENCH)
    assert found.factor == pytest.approx(1.0, abs=0.01)


def test_the_factor_is_used():
    advice = advise(measured(5.0), BENCH, 6, response=KNOWN)
    assert advice.move.mm == pytest.approx(1.880 / 0.9, rel=0.015)


def test_turning_back_takes_up_the_slack():
    onward = advise(measured(5.0), BENCH, 6, response=KNOWN, last_screw_mm=1.0)
    back = advise(measured(5.0), BENCH, 6, response=KNOWN, last_screw_mm=-1.0)
    assert back.move.mm == onward.move.mm
    assert back.move.turns - onward.move.turns == pytest.approx(0.12 / 0.9 / 0.5, abs=1e-9)


def test_the_end_of_a_move_is_told_as_well_as_it_can_be():
    """Simulated moves end within the interval about as often as it says."""
    rng = np.random.default_rng(11)
    inside = 0
    for _ in range(1000):
        true, u = rng.normal(0, 8), 0.7
        advice = advise(measured(true + rng.normal(0, u), u), BENCH, 6)
        factor = 1 + rng.normal(0, BY_GEOMETRY.factor_u)
        turned = advice.move.mm * (1 + rng.normal(0, 0.10))
        end = true + change(factor * turned)
        inside += advice.after.interval95_cents[0] < end < advice.after.interval95_cents[1]
    assert 0.92 <= inside / 1000 <= 0.98


def test_a_saddle_that_did_not_seat_teaches_nothing_and_is_named():
    stuck = made(2.0, 6.0, error=5.3)
    assert did_not_seat(stuck, BENCH, BY_GEOMETRY)
    assert learn([stuck], BENCH) == BY_GEOMETRY
    assert effect(stuck, BENCH, BY_GEOMETRY, tolerance_cents=2.0) is Effect.LITTLE
    halfway = made(4.0, 12.0, error=4.9)
    assert did_not_seat(halfway, BENCH, BY_GEOMETRY)
    assert effect(halfway, BENCH, BY_GEOMETRY, tolerance_cents=2.0) is Effect.NOT_SEATED


def test_an_ordinary_move_needs_no_words():
    fine = made(2.0, 6.0)
    assert not did_not_seat(fine, BENCH, BY_GEOMETRY)
    assert effect(fine, BENCH, BY_GEOMETRY, tolerance_cents=2.0) is Effect.AS_EXPECTED


def test_overshoot_is_recognised():
    over = MadeMove(6, 3.0, False, measured(4.0), measured(-3.6))
    assert effect(over, BENCH, BY_GEOMETRY, tolerance_cents=2.0) is Effect.TOO_FAR


def test_a_move_the_other_way_is_recognised():
    wrong = MadeMove(6, 2.0, False, measured(5.0), measured(10.2))
    assert effect(wrong, BENCH, BY_GEOMETRY, tolerance_cents=2.0) is Effect.WORSE


def test_how_far_it_really_went_is_inferred():
    """Told two millimetres, heard the effect of 1.5: near 1.5 where the readings are good."""
    quarter_short = MadeMove(6, 2.0, False, measured(6.0, 0.1), measured(6.0 + change(1.5), 0.1))
    assert inferred_mm(quarter_short, BENCH, BY_GEOMETRY) == pytest.approx(1.55, abs=0.06)
    vague = MadeMove(6, 2.0, False, measured(6.0, 3.0), measured(6.0 + change(1.5), 3.0))
    assert inferred_mm(vague, BENCH, BY_GEOMETRY) == pytest.approx(1.97, abs=0.05)


def test_a_shared_saddle_goes_to_the_best_compromise():
    both = shared(measured(9.0), measured(3.0))
    advice = advise(both, BENCH, 5)
    ends = [c + change(advice.move.mm) for c in (9.0, 3.0)]
    assert ends == pytest.approx([3.0, -3.0], abs=0.2)
    # The mean of two independent offsets, 0.3 each.
    assert both.u_cents == pytest.approx(0.3 / np.sqrt(2.0), rel=0.05)


def test_a_shared_saddle_of_opposite_strings_stays():
    advice = advise(shared(measured(3.0), measured(-3.0)), BENCH, 5)
    assert advice.move.size_mm < 0.05


def test_what_was_known_before_a_move_is_carried_over():
    before = measured(6.0, 0.5)
    after = carried_over(before, BENCH, 6, 2.0)
    # Half of the slack is lost, since it is not known which way the screw was last turned.
    lost_mm = BY_GEOMETRY.slack_mm / 2
    assert after.offset_cents == pytest.approx(6.0 + change(2.0 - lost_mm), abs=1e-9)
    onward = carried_over(before, BENCH, 6, 2.0, reversed_turn=False)
    assert onward.offset_cents == pytest.approx(6.0 + change(2.0), abs=1e-9)
    # 10 % of a move of 5.3 cents, 6 % of it, and some 0.04 mm of slack (0.1 cents).
    assert after.belief.scale == pytest.approx(
        np.sqrt(0.5**2 + 0.53**2 + 0.32**2 + 0.10**2), abs=0.01
    )
    said = carried_over(before, BENCH, 6, 2.0, said=True)
    assert said.belief.scale < after.belief.scale


def test_before_and_after_together_are_surer_than_either():
    carried = carried_over(measured(6.0, 0.5), BENCH, 6, 2.25)
    now = measured(0.8, 1.0)
    both = combined(now, carried)
    assert both.u_cents < min(now.u_cents, carried.u_cents)
    assert carried.offset_cents < both.offset_cents < now.offset_cents
    assert both.fretted.n == 8


def test_a_surprise_counts_alone():
    carried = carried_over(measured(6.0, 0.5), BENCH, 6, 2.25)
    now = measured(6.0, 0.5)
    assert combined(now, carried) == now


def test_together_they_cover_as_often_as_they_say():
    """Before, a move as the bridge and the player make it, after: the interval holds the truth."""
    rng = np.random.default_rng(4)
    inside = 0
    for _ in range(2000):
        true = rng.normal(0, 8)
        before = measured(true + rng.normal(0, 0.8), 0.8)
        screw = geometry.saddle_move_mm(before.offset_cents, fret=12, scale_mm=648.0)
        factor = (1 + rng.normal(0, BY_GEOMETRY.factor_u)) * (1 + rng.normal(0, 0.10))
        end = true + change(factor * screw)
        now = measured(end + rng.normal(0, 1.2), 1.2)
        low, high = combined(now, carried_over(before, BENCH, 6, screw)).interval95_cents
        inside += low < end < high
    # 20 degrees of freedom are given for what is normal here, so a little above 95 %.
    assert 0.94 <= inside / 2000 <= 0.975
