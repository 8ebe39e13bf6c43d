"""A bridge is learned from moves whose truth is known."""

from dataclasses import replace

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
    did_not_seat,
    effect,
    expected_change,
    fell_short_mm,
    inferred_mm,
    learn,
)
from pitchbench.notes import Note

SCREWS = Bridge(BridgeKind.SCREW_SADDLES, 0.5, ScrewHeads.TAIL)
TUNING = ("E4", "B3", "G3", "D3", "A2", "E2")
STRINGS = tuple(StringSpec(Note.parse(note), 0.5, wound=False) for note in TUNING)
BENCH = Instrument("bench", "guitar", 648.0, STRINGS, SCREWS)
KNOWN = Response(factor=0.9, factor_u=0.01, slack_mm=0.12, slack_u_mm=0.01)


def believed(cents, u=0.3):
    return Belief(cents, u, 20.0)


def measured(cents, u=0.3):
    group = Group(4, 100.0, 0.5)
    return Offset(12, group, group, believed(cents, u))


def change(mm):
    return geometry.saddle_change_cents(mm, fret=12, scale_mm=648.0)


def made(screw_mm, before, *, factor=1.0, slack_mm=0.0, turned_back=False, u=0.3, error=0.0):
    travel = screw_mm - np.copysign(slack_mm if turned_back else 0.0, screw_mm)
    after = before + change(factor * travel) + error
    return MadeMove(
        6, screw_mm, True, 12, believed(before, u), believed(after, u), reversed=turned_back
    )


def test_without_moves_it_is_geometry():
    assert learn([], BENCH) == BY_GEOMETRY
    advice = advise(measured(5.0), BENCH, 6)
    assert advice.direction is Direction.AWAY_FROM_NUT
    # 1.880 mm by geometry; 1.4 % less because a move of uncertain size should fall a little short.
    assert advice.mm == pytest.approx(1.880 * 0.9866, abs=2e-3)
    # That 1.4 % of 5 cents, and half of the usual slack of 0.04 mm, the last turn being unknown.
    low, high = advice.ends95_cents
    assert (low + high) / 2 == pytest.approx(0.07 + 0.02 * 2.67, abs=0.01)


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
    assert advice.mm == pytest.approx(1.880 / 0.9, rel=0.015)


def test_turning_back_takes_up_the_slack():
    onward = advise(measured(5.0), BENCH, 6, response=KNOWN, last_screw_mm=1.0)
    back = advise(measured(5.0), BENCH, 6, response=KNOWN, last_screw_mm=-1.0)
    assert back.mm == onward.mm
    assert back.turns - onward.turns == pytest.approx(0.12 / 0.9 / 0.5, abs=1e-9)
    hardly = advise(measured(5.0), BENCH, 6, response=KNOWN, last_screw_mm=0.1)
    assert hardly == onward, "the way it was turned counts, not how far"


def test_the_end_of_a_move_is_told_as_well_as_it_can_be():
    """Simulated moves end within the interval about as often as it says."""
    rng = np.random.default_rng(11)
    inside = 0
    for _ in range(1000):
        true, u = rng.normal(0, 8), 0.7
        advice = advise(measured(true + rng.normal(0, u), u), BENCH, 6)
        factor = 1 + rng.normal(0, BY_GEOMETRY.factor_u)
        turned = advice.mm * (1 + rng.normal(0, 0.10))
        end = true + change(factor * turned)
        inside += advice.ends95_cents[0] < end < advice.ends95_cents[1]
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
    assert not fine.other_way
    assert not did_not_seat(fine, BENCH, BY_GEOMETRY)
    assert effect(fine, BENCH, BY_GEOMETRY, tolerance_cents=2.0) is Effect.AS_EXPECTED


def test_overshoot_is_recognised():
    over = MadeMove(6, 3.0, False, 12, believed(4.0), believed(-3.6))
    assert effect(over, BENCH, BY_GEOMETRY, tolerance_cents=2.0) is Effect.TOO_FAR


def test_a_move_the_other_way_is_recognised():
    wrong = MadeMove(6, 2.0, False, 12, believed(5.0), believed(10.2))
    assert effect(wrong, BENCH, BY_GEOMETRY, tolerance_cents=2.0) is Effect.OTHER_WAY
    # As far the other way would not do so much: what was moved is not known then.
    astray = replace(wrong, after=believed(19.0))
    assert effect(astray, BENCH, BY_GEOMETRY, tolerance_cents=2.0) is Effect.WORSE


def test_how_far_it_really_went_is_inferred():
    """Told two millimetres, heard the effect of 1.5: near 1.5 where the readings are good."""
    quarter_short = MadeMove(
        6, 2.0, False, 12, believed(6.0, 0.1), believed(6.0 + change(1.5), 0.1)
    )
    assert inferred_mm(quarter_short, BENCH, BY_GEOMETRY) == pytest.approx(1.55, abs=0.06)
    vague = MadeMove(6, 2.0, False, 12, believed(6.0, 3.0), believed(6.0 + change(1.5), 3.0))
    assert inferred_mm(vague, BENCH, BY_GEOMETRY) == pytest.approx(1.97, abs=0.05)


def test_a_move_is_expected_to_change_what_geometry_says_less_the_slack():
    change_cents = expected_change(2.0, BENCH, 6, fret=12)
    # Half of the slack is lost, since it is not known which way the screw was last turned.
    lost_mm = BY_GEOMETRY.slack_mm / 2
    assert change_cents.centre == pytest.approx(change(2.0 - lost_mm), abs=1e-9)
    onward = expected_change(2.0, BENCH, 6, fret=12, reversed_turn=False)
    assert onward.centre == pytest.approx(change(2.0), abs=1e-9)
    # 10 % of a move of 5.3 cents, 6 % of it, and some 0.04 mm of slack (0.1 cents).
    assert change_cents.u == pytest.approx(np.sqrt(0.53**2 + 0.32**2 + 0.10**2), abs=0.01)
    said = expected_change(2.0, BENCH, 6, fret=12, said=True)
    assert said.u < change_cents.u


def test_an_expected_change_holds_as_often_as_it_says():
    """Moves as the bridge and the player make them end where they are expected."""
    rng = np.random.default_rng(4)
    inside = 0
    for _ in range(2000):
        screw = rng.normal(0, 3)
        factor = (1 + rng.normal(0, BY_GEOMETRY.factor_u)) * (1 + rng.normal(0, 0.10))
        low, high = expected_change(
            screw, BENCH, 6, fret=12, response=Response(1.0, BY_GEOMETRY.factor_u, 0.0, 0.0)
        ).interval()
        inside += low < change(factor * screw) < high
    assert 0.935 <= inside / 2000 <= 0.965


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("went_mm", [1.5, 2.5, -0.5])
def test_how_far_a_move_fell_short_of_what_was_told(sign, went_mm):
    """Two millimetres told: what the change of the offset says, by the leverage of one millimetre,
    is taken off; a move the other way fell short by more than it was."""
    move = MadeMove(
        6, sign * 2.0, False, 12, believed(0.0, 0.4), believed(change(sign * went_mm), 0.3)
    )
    short = fell_short_mm(move, BENCH)
    per_mm = change(-0.5) - change(0.5)
    # The leverage of a millimetre about the middle, against the whole way: half a per cent.
    assert short.centre == pytest.approx(2.0 - went_mm, abs=0.02)
    u = np.hypot(Belief(0.0, 0.4, 20.0).u, Belief(0.0, 0.3, 20.0).u) / per_mm
    assert short.u == pytest.approx(np.hypot(u, 0.1 * 2.0), rel=1e-9)
    said = fell_short_mm(replace(move, said=True), BENCH)
    assert said.u == pytest.approx(np.hypot(u, 0.03 * 2.0), rel=1e-9)


def test_how_far_it_went_weighs_what_was_told_and_what_was_heard():
    """Told 2 mm by the factor of 0.9 less 0.12 of slack, to 10 % of the turn and 0.05 of the slack;
    heard what 1.2 mm do. The weights are those of two independent figures, by hand."""
    response = Response(factor=0.9, factor_u=0.01, slack_mm=0.12, slack_u_mm=0.05)
    move = MadeMove(6, 2.0, False, 12, believed(6.0, 0.3), believed(6.0 + change(1.2), 0.4))
    per_mm = change(-0.5) - change(0.5)
    heard_mm, heard_u = -change(1.2) / per_mm, move.before.u * (5.0 / 3.0) / per_mm
    for back, share in ((True, 1.0), (False, 0.0), (None, 0.5)):
        told_mm, told_u = 1.8 - 0.12 * share, np.hypot(0.2, 0.05 * share)
        mean = np.average([told_mm, heard_mm], weights=[told_u**-2, heard_u**-2])
        inferred = inferred_mm(replace(move, reversed=back), BENCH, response)
        assert inferred == pytest.approx(mean, rel=1e-6)


def test_whether_a_saddle_seated_is_judged_by_four_standard_deviations():
    """Two readings, 10 % of the turn (3 % where it was said), 6 % of the factor and the slack."""
    for said, share, back, lost in ((False, 0.10, False, 0.0), (True, 0.03, True, 1.0)):
        travel = 2.0 - 0.04 * lost
        per_mm = change(-0.5) - change(0.5)
        sd = np.sqrt(
            2 * believed(0.0).u ** 2
            + (share * change(2.0)) ** 2
            + (0.06 * change(travel)) ** 2
            + (0.06 * per_mm * lost) ** 2
        )
        for sigmas in (-4.01, -3.99, 3.99, 4.01):
            after = believed(6.0 + change(travel) + sigmas * sd)
            move = MadeMove(6, 2.0, said, 12, believed(6.0), after, reversed=back)
            assert did_not_seat(move, BENCH, BY_GEOMETRY) == (abs(sigmas) > 4.0)


def test_a_small_move_that_did_too_much_went_no_other_way():
    """A tenth of a millimetre does 0.3 cents; 0.9 the same way are too much for it."""
    sure = MadeMove(6, 0.1, True, 12, believed(3.0, 0.01), believed(2.1, 0.01), reversed=False)
    assert effect(sure, BENCH, BY_GEOMETRY, tolerance_cents=2.0) is Effect.NOT_SEATED
