"""What takes say of their players, on numbers whose truth is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats

from pitchbench.intonation.repeatability import (
    MOST_TAKES,
    Habit,
    Played,
    plucking_effect,
    precision,
    spread,
    study,
    takes_needed,
)


def test_one_player_has_no_reproducibility() -> None:
    found = precision([[1.0, 3.0]])
    assert found.repeatability_sd == pytest.approx(math.sqrt(2.0))
    assert (found.between_sd, found.reproducibility_sd) == (None, None)


def test_players_who_agree_better_than_chance_have_no_spread_between() -> None:
    found = precision([[0.0, 2.0], [2.0, 0.0]])
    assert found.between_sd == 0.0
    assert found.reproducibility_sd == found.repeatability_sd


def test_a_note_played_once_each_says_nothing() -> None:
    found = precision([[0.0], [2.0]])
    assert (found.repeatability_sd, found.dof, found.reproducibility_sd) == (None, 0, None)


def test_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="no results"):
        precision([[], []])


def test_precision_finds_the_spreads_that_were_put_in() -> None:
    rng = np.random.default_rng(5)
    groups = [rng.normal(rng.normal(0.0, 3.0), 1.0, size=6) for _ in range(400)]
    found = precision(groups)
    # 2000 degrees of freedom know s_r to 1.6 %, 399 s_L to 4 %; the other sd is a factor of 3 off.
    assert found.repeatability_sd == pytest.approx(1.0, rel=0.06)
    assert found.between_sd == pytest.approx(3.0, rel=0.14)
    assert found.reproducibility_sd == pytest.approx(math.sqrt(10.0), rel=0.14)


def test_the_interval_of_a_spread_holds_the_truth_19_times_in_20() -> None:
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(1000):
        found = spread([Played("a", "E2", False, c, 6.0) for c in rng.normal(0.0, 1.5, size=4)])
        assert found is not None
        held += found.interval95_cents[0] <= 1.5 <= found.interval95_cents[1]
    # Binomial: 950 with a standard deviation of 7.
    assert held == pytest.approx(950, abs=25)


@pytest.mark.parametrize(
    ("cents", "within", "needed"),
    # Student's t, 0.975: 2.365 for 7 degrees of freedom, 2.447 for 6, 12.71 for 1 (any handbook).
    [(1.19, 1.0, 8), (1.0, 1.0, 7), (0.1, 1.0, 2), (100.0, 0.1, None)],
)
def test_takes_needed(cents: float, within: float, needed: int | None) -> None:
    assert takes_needed(cents, within) == needed


def test_nobody_is_asked_for_more_takes_than_can_be_played() -> None:
    """With so many takes t is 1.9647 (scipy.stats): what just needs them all is still told."""
    most_cents = MOST_TAKES**0.5 / 1.9647
    assert takes_needed(most_cents * 0.9999, 1.0) == MOST_TAKES
    assert takes_needed(most_cents * 1.001, 1.0) is None


def test_as_many_takes_as_needed_bring_the_mean_near_enough() -> None:
    """The mean of that many takes lies within the half-width at least 19 times in 20."""
    needed = takes_needed(2.0, 1.0)
    assert needed is not None
    means = np.random.default_rng(3).normal(0.0, 2.0, size=(4000, needed)).mean(axis=1)
    assert np.mean(np.abs(means) <= 1.0) >= 0.95


def played(*, scatter_cents: float, slope: float, seed: int) -> list[Played]:
    """Twelve open and twelve fretted takes; attacks spread by 6 cents."""
    rng = np.random.default_rng(seed)
    takes = []
    for note, fretted in (("E2", False), ("E3", True)):
        for _ in range(12):
            attack = float(rng.normal(12.0, 6.0))
            cents = rng.normal(0.0, scatter_cents if fretted else 0.3) + slope * attack
            takes.append(Played("anna", note, fretted, float(cents), attack))
    return takes


def test_the_habit_that_costs_most_is_found() -> None:
    fretting = study(played(scatter_cents=2.0, slope=0.0, seed=1))
    assert fretting.habit is Habit.FRETTING
    # 11 degrees of freedom know a spread to a fifth; without fretting it would be 0.
    assert fretting.refretting_cents == pytest.approx(2.0, rel=0.5)
    plucking = study(played(scatter_cents=0.3, slope=0.2, seed=1))
    assert plucking.habit is Habit.PLUCKING
    assert plucking.plucking is not None
    assert plucking.plucking.slope == pytest.approx(0.2, abs=0.03)
    neither = study(played(scatter_cents=0.3, slope=0.0, seed=1))
    assert neither.habit is Habit.NEITHER
    few = study([Played("anna", "E2", False, c, 6.0) for c in (0.0, 1.0)])
    assert few.habit is Habit.UNKNOWN


def test_the_line_through_one_note_is_ordinary_regression() -> None:
    """Slope and its standard uncertainty against SciPy's linregress."""
    cents, attack_cents = [0.3, 1.1, -0.4, 2.0, 0.9], [4.0, 9.0, 2.0, 15.0, 6.0]
    takes = [Played("anna", "E2", False, *each) for each in zip(cents, attack_cents, strict=True)]
    found = plucking_effect(takes)
    assert found is not None
    line = scipy.stats.linregress(attack_cents, cents)
    assert found.slope == pytest.approx(line.slope, rel=1e-9)
    assert found.u_slope == pytest.approx(line.stderr, rel=1e-9)


def test_attacks_that_are_alike_say_nothing_of_plucking() -> None:
    alike = [Played("anna", "E2", False, c, 10.0 + 0.1 * c) for c in (0.0, 1.0, 2.0, 3.0, 4.0, 5.0)]
    assert plucking_effect(alike) is None


def test_notes_and_players_are_kept_apart() -> None:
    takes = [
        Played(player, note, False, cents, 6.0)
        for player, note, cents in (
            ("anna", "E2", 0.0), ("anna", "E2", 2.0), ("ben", "E2", 10.0), ("ben", "E2", 12.0),
            ("anna", "A2", 50.0), ("anna", "A2", 50.0),
        )
    ]  # fmt: skip
    found = study(takes)
    assert list(found.notes) == ["E2", "A2"]
    assert found.notes["E2"].players == 2
    assert found.notes["E2"].between_sd == pytest.approx(7.0, abs=1e-9)  # sqrt((100 - 2) / 2)
    assert found.open is not None
    assert found.open.cents == pytest.approx(math.sqrt(4.0 / 3.0))
    assert found.players["ben"] is not None
    assert found.players["ben"].cents == pytest.approx(math.sqrt(2.0))


def test_the_interval_of_a_spread_by_handbook_tables() -> None:
    """0, 1, 2 and 5 about their mean of 2: squares of 14 at 3 degrees of freedom, for which
    chi-squared has 2.5 and 97.5 % points of 0.2158 and 9.348 (any handbook)."""
    found = spread([Played("anna", "E2", False, c, 6.0) for c in (0.0, 1.0, 2.0, 5.0)])
    assert found is not None
    assert (found.cents, found.dof) == (pytest.approx(math.sqrt(14.0 / 3.0)), 3)
    low, high = found.interval95_cents
    assert (low, high) == pytest.approx((math.sqrt(14 / 9.348), math.sqrt(14 / 0.2158)), rel=1e-3)
    assert spread([Played("anna", note, False, 0.0, 6.0) for note in ("E2", "A2")]) is None


def test_what_uneven_plucking_costs_worked_by_hand() -> None:
    """Attacks of 2, 4, 6, 8 and 10 about 6, squares of 40 at 4 degrees of freedom: a standard
    deviation of 10^0.5; pitches of 1, 2, 2, 4 and 6 rise by 0.6 for each cent of it."""
    attacks, cents = (2.0, 4.0, 6.0, 8.0, 10.0), (1.0, 2.0, 2.0, 4.0, 6.0)
    takes = [Played("a", "E2", True, c, a) for c, a in zip(cents, attacks, strict=True)]
    found = plucking_effect(takes)
    assert found is not None
    assert found.slope == pytest.approx(0.6)
    assert found.attack_sd_cents == pytest.approx(math.sqrt(10.0))
    assert found.cost_cents == pytest.approx(0.6 * math.sqrt(10.0))
    # Left over are 0.4, 0.2, -1, -0.2 and 0.6: 1.6 at 3 degrees of freedom. t is 4.6 beside 3.182.
    assert found.u_slope == pytest.approx(math.sqrt(1.6 / 3 / 40))
    assert found.significant
    assert plucking_effect(takes[:4]) is None, "two degrees of freedom tell nothing of a slope"


@pytest.mark.parametrize(("factor", "significant"), [(1.01, True), (0.99, False)])
def test_a_slope_is_named_from_the_5_per_cent_point_on(factor: float, significant: bool) -> None:
    """Of 3 degrees of freedom: t = 3.182 (any handbook)."""
    attacks, left = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]), np.array([1.0, -2.0, 2.0, -2.0, 1.0])
    slope = factor * 3.182 * math.sqrt(14.0 / 3.0 / 10.0)
    takes = [
        Played("a", "E2", True, *each) for each in zip(slope * attacks + left, attacks, strict=True)
    ]
    found = plucking_effect(takes)
    assert found is not None
    assert found.slope == pytest.approx(slope)
    assert found.significant is significant


@pytest.mark.parametrize(("times", "surely"), [(2.29, True), (2.27, False)])
def test_fretting_is_named_from_the_5_per_cent_point_of_f_on(times: float, surely: bool) -> None:
    """F of 5 and 5 degrees of freedom: 5.05 (any handbook), whose root is 2.247; of 4 and 5 it is
    5.19, root 2.278, of 5 and 4 6.26. Here five fretted takes and six open ones."""
    opens = [Played("a", "E2", False, c, 6.0) for c in (-2.0, -1.0, 0.0, 0.0, 1.0, 2.0)]  # s^2 = 2
    frets = [Played("a", "E3", True, c * times * math.sqrt(2.0 / 2.5), 6.0) for c in range(-2, 3)]
    found = study([*opens, *frets])
    assert found.open is not None
    assert found.fretted is not None
    assert found.open.cents == pytest.approx(math.sqrt(2.0))
    assert found.fretted.cents == pytest.approx(times * math.sqrt(2.0))
    assert found.refretting_significant is surely
    assert found.refretting_cents == pytest.approx(math.sqrt(2.0 * (times**2 - 1.0)))
    assert found.habit is (Habit.FRETTING if surely else Habit.NEITHER)


@pytest.mark.parametrize(("sd", "told"), [(0.51, True), (0.49, False)])
def test_attacks_are_alike_within_half_a_cent(sd: float, told: bool) -> None:
    attacks = np.array([-1.0, 1.0, -1.0, 1.0, -1.0, 1.0]) * sd * math.sqrt(5.0 / 6.0)
    takes = [Played("a", "E2", True, float(n), 9.0 + a) for n, a in enumerate(attacks)]
    assert (plucking_effect(takes) is not None) == told


def test_who_frets_more_evenly_than_plucks_adds_nothing_by_fretting() -> None:
    opens = [Played("a", "E2", False, c, 6.0) for c in (-1.0, 0.0, 1.0)]
    frets = [Played("a", "E3", True, c, 6.0) for c in (-0.5, 0.0, 0.5)]
    assert study([*opens, *frets]).refretting_cents == 0.0
