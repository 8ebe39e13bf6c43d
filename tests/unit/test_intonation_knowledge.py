"""What is known of a string: against brute force, by symmetry, and by what each fact must do."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import special, stats

from pitchbench.intonation import knowledge as k
from pitchbench.intonation.take import Take
from pitchbench.units import shifted_hz

U_CENTS = 0.15


def heard(takes: str, *cents: float, person: k.Person = k.ANYBODY) -> k.Knowledge:
    """'o' and 'f' takes at these cents."""
    known = k.begin(person)
    for kind, value in zip(takes, cents, strict=True):
        known = k.after_take(known, fretted=kind == "f", cents=value, u_cents=U_CENTS)
    return known


def plain_person(spread_at: int) -> k.Person:
    """A person whose spread is known and whose takes do not hang together."""
    habits = np.zeros((k.SPREADS_CENTS.size, k.DEPENDENCE.size))
    habits[spread_at, 0] = 1.0
    return k.Person(tuple(map(tuple, habits.tolist())), open_cents=0.5, open_dof=1e6)


# ------------------------------------------------------------------------------ brute force


def bell(x: np.ndarray | float, mean: np.ndarray | float, sd: float) -> np.ndarray:
    return np.exp(-(((x - mean) / sd) ** 2) / 2.0) / (sd * math.sqrt(2.0 * math.pi))


def likelihood(m: np.ndarray, takes: list[float], spread: float, rho: float) -> np.ndarray:
    """Of fretted takes about ``m``: the sum over all ways in which each may be plain or not."""
    sd, plain_share = math.hypot(spread, U_CENTS), 1.0 - k.BENT_SHARE - k._STRAY_SHARE
    low, high = k._BENT_CENTS
    total = np.zeros_like(m)
    for kinds in itertools.product("pbs", repeat=len(takes)):
        one = np.ones_like(m)
        for i, (kind, take) in enumerate(zip(kinds, takes, strict=True)):
            if kind == "b":
                above = special.ndtr((take - m - low) / sd) - special.ndtr((take - m - high) / sd)
                one = one * k.BENT_SHARE * above / (high - low)
            elif kind == "s":
                one = one * k._STRAY_SHARE / (k.STEP_CENTS * k.POINTS)
            elif i and kinds[i - 1] == "p":
                mean = m + rho * (takes[i - 1] - m)
                narrow = math.sqrt(spread**2 * (1.0 - rho**2) + U_CENTS**2)
                one = one * plain_share * bell(take, mean, narrow)
            else:
                one = one * plain_share * bell(take, m, sd)
        total += one
    return total


def brute_force(opens: list[float], fretteds: list[float], u_open: float) -> stats.rv_histogram:
    """The offset's density on a grid five times finer, the open pitch integrated out."""
    x = np.arange(-25.0, 25.0, 0.05)
    density = np.zeros_like(x)
    habits = k.ANYBODY.of_one_string()
    for (i, spread), (j, rho) in itertools.product(
        enumerate(k.SPREADS_CENTS), enumerate(k.DEPENDENCE)
    ):
        for z in np.linspace(-4.0, 4.0, 17):
            pitch = np.mean(opens) + z * u_open
            density += (
                habits[i, j] * bell(z, 0.0, 1.0) * likelihood(x + pitch, fretteds, spread, rho)
            )
    density *= stats.t.pdf(x, 3, scale=k._FOUND_CENTS)
    return stats.rv_histogram((density, np.append(x - 0.025, x[-1] + 0.025)))


@pytest.mark.parametrize(
    "fretteds",
    [[3.0, 4.5, 2.2], [0.5, 9.5, 1.0], [-6.0, -5.5, -5.2, -5.4], [2.0]],
    ids=["plain", "one bent", "close together", "one take"],
)
def test_the_belief_is_that_of_brute_force(fretteds: list[float]) -> None:
    opens = [0.4, 0.9]
    known = heard("o" + "f" * len(fretteds) + "o", opens[0], *fretteds, opens[1])
    assert known.open_pitch is not None
    truth = brute_force(opens, fretteds, known.open_pitch[1])
    assert known.open_pitch[0] == pytest.approx(np.mean(opens))
    assert known.offset is not None
    # The grid's step is 0.25 cents, and the logistic step is within 0.01 of the normal one.
    assert known.offset.centre == pytest.approx(truth.median(), abs=0.05)
    assert known.offset.within(-2.0, 2.0) == pytest.approx(
        truth.cdf(2.0) - truth.cdf(-2.0), abs=0.01
    )
    for mine, its in zip(known.offset.interval(), truth.interval(0.95), strict=True):
        assert mine == pytest.approx(its, abs=0.25)


def test_plain_takes_of_a_known_spread_give_the_mean_and_its_uncertainty() -> None:
    spread = float(k.SPREADS_CENTS[4])
    known = heard("offffo", 0.0, 4.0, 5.0, 6.0, 5.0, 0.4, person=plain_person(4))
    u = math.sqrt((0.25 + U_CENTS**2) / 2.0 + (spread**2 + U_CENTS**2) / 4.0)
    assert known.offset is not None
    # A tenth more or less: the far chance of bent takes and where saddles are found.
    assert known.offset.centre == pytest.approx(4.8, abs=0.1)
    assert known.offset.u == pytest.approx(u, rel=0.1)


# ------------------------------------------------------------------------------ what facts do


def test_nothing_is_known_until_both_notes_were_played() -> None:
    assert k.begin().offset is None
    assert heard("o", 0.0).offset is None
    assert heard("ff", 1.0, 2.0).offset is None
    assert heard("ffo", 1.0, 2.0, 0.0).offset is not None
    assert k.after_move(heard("ff", 1.0, 2.0), change_cents=-1.0, u_cents=0.3).offset is None


def test_only_the_difference_of_the_notes_counts() -> None:
    one, other = heard("offf", 0.0, 3.0, 4.0, 5.0), heard("offf", 42.5, 45.5, 46.5, 47.5)
    assert one.offset is not None
    assert other.offset is not None
    assert other.offset.centre == pytest.approx(one.offset.centre, abs=0.01)
    assert other.offset.u == pytest.approx(one.offset.u, abs=0.01)


def test_the_order_of_open_and_fretted_takes_in_one_tuning_is_all_the_same() -> None:
    one, other = heard("offof", 0.3, 3.0, 5.0, 0.9, 4.0), heard("ffoof", 3.0, 5.0, 0.3, 0.9, 4.0)
    assert one.offset is not None
    assert other.offset is not None
    assert other.offset.centre == pytest.approx(one.offset.centre, abs=0.05)
    assert other.offset.u == pytest.approx(one.offset.u, abs=0.05)


def test_a_bent_take_hardly_counts_and_is_named() -> None:
    clean = heard("offff", 0.0, 1.0, 0.4, 0.8, 0.6)
    bent = k.after_take(clean, fretted=True, cents=9.0, u_cents=U_CENTS)
    assert clean.offset is not None
    assert bent.offset is not None
    # A mean would have gone up by 1.7.
    assert bent.offset.centre - clean.offset.centre < 0.2
    assert bent.p_bent[-1] > 0.9
    assert clean.p_bent[-1] < 0.1


def test_takes_that_follow_each_other_are_worth_less() -> None:
    rng = np.random.default_rng(3)
    hand, cents = 0.0, []
    for _ in range(40):
        hand = 0.8 * hand + 0.6 * float(rng.standard_normal())
        cents.append(2.0 * hand)
    following = heard("o" * 20 + "f" * 40, *[0.0] * 20, *cents)
    shuffled = heard("o" * 20 + "f" * 40, *[0.0] * 20, *rng.permutation(cents))
    assert following.p_dependent > 0.9
    assert shuffled.p_dependent < 0.1
    assert following.offset is not None
    assert shuffled.offset is not None
    assert following.offset.u > 1.3 * shuffled.offset.u


def test_a_move_shifts_what_is_known_and_blurs_it() -> None:
    before = heard("offfff", 0.0, 7.0, 9.0, 8.0, 8.5, 7.5)
    after = k.after_move(before, change_cents=-8.0, u_cents=0.8)
    assert before.offset is not None
    assert after.offset is not None
    assert after.offset.centre == pytest.approx(before.offset.centre - 8.0, abs=0.15)
    assert after.offset.u == pytest.approx(math.hypot(before.offset.u, 0.8), rel=0.1)
    # The chance that it went wrong stays, however sure all was before.
    assert after.offset.within(-5.0, 5.0) < 1.0 - 0.5 * k.WENT_WRONG


@pytest.mark.parametrize("found", [0.0, 8.0, 16.0], ids=["did nothing", "not moved", "wrong way"])
def test_a_move_that_went_wrong_is_believed_after_three_takes(found: float) -> None:
    known = heard("offff", 0.0, 8.0, 8.5, 7.5, 8.0)
    known = k.after_move(known, change_cents=-8.0, u_cents=0.8)
    for fretted, cents in ((False, 0.2), (True, found), (True, found + 1.0), (True, found - 0.4)):
        known = k.after_take(known, fretted=fretted, cents=cents, u_cents=U_CENTS)
    assert known.offset is not None
    assert known.offset.centre == pytest.approx(found, abs=1.0)


def test_what_no_move_explains_begins_anew() -> None:
    known = heard("offff", 0.0, 8.0, 8.5, 7.5, 8.0)
    known = k.after_take(known, fretted=True, cents=60.0, u_cents=U_CENTS)
    assert known.offset is not None
    assert known.offset.centre == pytest.approx(60.0, abs=3.0)
    assert known.fretted == 1


def test_takes_of_an_earlier_tuning_count_with_their_own_open_pitch() -> None:
    known = k.after_tuning(heard("offf", 0.0, 4.0, 5.0, 6.0))
    for fretted, cents in ((False, -3.0), (True, 1.0), (True, 2.0), (True, 3.0)):
        known = k.after_take(known, fretted=fretted, cents=cents, u_cents=U_CENTS)
    alone = heard("offf", 0.0, 4.0, 5.0, 6.0)
    assert known.offset is not None
    assert alone.offset is not None
    assert known.offset.centre == pytest.approx(5.0, abs=0.2)
    assert known.offset.u < 0.85 * alone.offset.u


# ------------------------------------------------------------------------------ the person


def test_a_person_is_learned_from_string_to_string() -> None:
    rng = np.random.default_rng(4)
    steady = [heard("o" + "f" * 6, 0.0, *rng.normal(0.0, 0.6, 6)) for _ in range(3)]
    wild = [heard("o" + "f" * 6, 0.0, *rng.normal(0.0, 4.0, 6)) for _ in range(3)]
    least, most = (k.ANYBODY.having_played(strings) for strings in (steady, wild))
    assert least.spread_cents < 1.0 < k.ANYBODY.spread_cents < 3.0 < most.spread_cents
    known = heard("off", 0.0, 1.0, 1.5)
    sure, unsure = (replace(known, person=p).offset for p in (least, most))
    assert sure is not None
    assert unsure is not None
    assert sure.u < 0.5 * unsure.u


def test_the_order_of_strings_is_all_the_same_to_what_is_known_of_a_person() -> None:
    one, other = heard("offf", 0.0, 1.0, 2.0, 3.0), heard("oofff", 0.0, 1.0, 5.0, 5.5, 5.2)
    a, b = (k.ANYBODY.having_played(strings) for strings in ((one, other), (other, one)))
    np.testing.assert_allclose(a.habits, b.habits, rtol=1e-9)
    assert a.open_cents == pytest.approx(b.open_cents)


def test_another_day_a_person_is_known_less_surely() -> None:
    string = heard("ooo" + "f" * 10, 0.0, 0.1, 0.2, *([1.0, 1.3] * 5))
    today = k.ANYBODY.having_played([string] * 6)
    later = today.on_another_day()
    assert sum(map(sum, later.habits)) == pytest.approx(1.0)
    assert today.spread_cents < later.spread_cents < k.ANYBODY.spread_cents
    assert later.open_dof < today.open_dof


# ------------------------------------------------------------------------------ densities, batches


def normal(mean: float, sd: float) -> k.Density:
    cents = np.arange(-24.0, 24.0, k.STEP_CENTS)
    p = stats.norm.pdf(cents, mean, sd)
    return k.Density(cents, p / p.sum())


def test_a_normal_density_has_the_numbers_of_the_normal_distribution() -> None:
    density = normal(1.0, 1.5)
    truth = stats.norm(1.0, 1.5)
    assert density.centre == pytest.approx(1.0, abs=0.01)
    assert density.u == pytest.approx(1.5, abs=0.02)
    assert density.interval() == pytest.approx(truth.interval(0.95), abs=0.03)
    assert density.within(-2.0, 2.0) == pytest.approx(truth.cdf(2.0) - truth.cdf(-2.0), abs=0.003)
    moved = density.moved(-1.0, 2.0)
    assert moved.centre == pytest.approx(0.0, abs=0.01)
    assert moved.u == pytest.approx(2.5, abs=0.03)


def test_two_strings_on_one_saddle_are_judged_by_their_mean() -> None:
    both = k.mean_of(normal(3.0, 0.9), normal(-1.0, 1.2))
    assert both.centre == pytest.approx(1.0, abs=0.01)
    assert both.u == pytest.approx(0.75, abs=0.02)
    assert both.p.sum() == pytest.approx(1.0)


def test_strings_on_one_bridge_are_judged_by_their_mean() -> None:
    """Independent normal offsets: the root of the sum of the squared uncertainties, over n."""
    offsets = [
        normal(c, u) for c, u in ((3.0, 0.9), (-1.0, 1.2), (4.0, 0.8), (0.0, 1.0), (2.0, 1.1))
    ]
    whole = k.mean_of(*offsets)
    assert whole.centre == pytest.approx(8.0 / 5.0, abs=0.01)
    assert whole.u == pytest.approx(math.sqrt(0.81 + 1.44 + 0.64 + 1.0 + 1.21) / 5.0, abs=0.02)
    assert k.mean_of(offsets[0]) is offsets[0]


@pytest.mark.parametrize("share", [0.75, 1.0, 1.335])
def test_a_belief_in_a_share_of_it(share: float) -> None:
    scaled = normal(3.0, 0.9).scaled(share)
    assert scaled.centre == pytest.approx(3.0 * share, abs=0.01)
    assert scaled.u == pytest.approx(0.9 * share, abs=0.01)
    assert scaled.p.sum() == pytest.approx(1.0, abs=1e-6)
    assert np.diff(scaled.cents) == pytest.approx(k.STEP_CENTS)


def batch(kinds: str, drift_cents_per_min: float = 0.0) -> list[Take]:
    rng = np.random.default_rng(6)
    takes = []
    for i, kind in enumerate(kinds):
        cents = rng.normal(0.0, 0.3) + drift_cents_per_min * i / 10.0
        fret = 12 if kind == "f" else 0
        takes.append(Take(fret, shifted_hz(110.0, 1205.0 * (fret > 0) + cents), 0.1, 6.0 * i))
    return takes


@pytest.mark.parametrize("spread_cents", [0.3, 1.0, 2.0])
def test_an_offset_is_drawn_toward_zero_by_what_is_known_of_saddles(
    spread_cents: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By u^2 / 48 of it, while it is small: a Student's t of 8 cents and three degrees of freedom
    has there the curvature of a normal distribution of sqrt(48) cents (docs/definitions.md)."""
    monkeypatch.setattr(k, "BENT_SHARE", 0.0)  # takes that may be bent sharp draw it down as well
    heard = [(0, 0.0), *((12, 3.0 + spread_cents * off) for off in (-1.0, 0.5, -0.5, 1.0))]
    takes = [
        Take(fret, shifted_hz(110.0, 100.0 * fret + cents), 0.05, 6.0 * n)
        for n, (fret, cents) in enumerate(heard)
    ]
    offset = k.from_takes(takes, fret=12).offset
    assert offset is not None
    drawn = 1.0 - offset.belief.centre / 3.0
    assert drawn == pytest.approx(offset.belief.u**2 / 48.0, rel=0.3)


def test_a_drift_seen_in_the_open_takes_is_taken_off() -> None:
    steady = k.from_takes(batch("ofofofofofof"), fret=12).offset
    drifting = k.from_takes(batch("ofofofofofof", 3.0), fret=12).offset
    assert steady is not None
    assert drifting is not None
    # Left in, it would show as 0.3 cents between the notes; a tenth of the prior's pull stays.
    assert drifting.centre == pytest.approx(steady.centre, abs=0.1)


def test_all_open_takes_first_makes_the_interval_wider() -> None:
    turns = k.from_takes(batch("ofofofofofof"), fret=12)
    first = k.from_takes(batch("oooooofffffff"), fret=12)
    assert turns.offset is not None
    assert first.offset is not None
    assert first.drift_u_cents > 3.0 * turns.drift_u_cents
    assert first.offset.u > 1.3 * turns.offset.u


def test_a_batch_without_one_of_the_notes_says_nothing() -> None:
    assert k.from_takes(batch("ooo"), fret=12).offset is None
    assert k.from_takes(batch("fff"), fret=12).offset is None
    assert k.from_takes(batch("ofof"), fret=5).offset is None


def test_a_belief_in_half_of_it_worked_by_hand() -> None:
    """Four cells alike, a cent each from -0.5 on: halved they fill two, from -0.25 on."""
    even = k.Density(np.arange(4.0), np.full(4, 0.25))
    halved = even.scaled(0.5)
    assert halved.cents == pytest.approx([0.25, 1.25, 2.25])
    assert halved.p == pytest.approx([0.5, 0.5, 0.0])


# ------------------------------------------------------------------------------ what is assumed


@pytest.mark.parametrize(
    ("person", "log_sd", "dependent"), [(k.ANYBODY, 0.5, 0.05), (k.WHOEVER, 1.0, 0.5)]
)
def test_spreads_are_lognormal_about_the_median(
    person: k.Person, log_sd: float, dependent: float
) -> None:
    """1.8 cents and a factor of e^0.5 = 1.65 for two players in three; of who made a recording more
    is possible, and whether the hand was lifted is not known."""
    habits = np.array(person.habits)
    by_hand = stats.norm.pdf(np.log(k.SPREADS_CENTS), np.log(1.8), log_sd)
    assert habits.sum(1) == pytest.approx(by_hand / by_hand.sum())
    assert habits[:, 1] / habits.sum(1) == pytest.approx(dependent)
    assert pytest.approx([0.0, 0.5]) == k.DEPENDENCE
    assert (person.open_cents, person.open_dof) == (0.6, 4.0)


def test_strings_of_a_person_are_played_with_about_the_same_spread() -> None:
    """Normal in the logarithm with an sd of 0.1, from any of the spreads to all others."""
    by_hand = stats.norm.pdf(np.log(k.SPREADS_CENTS / k.SPREADS_CENTS[4]), 0.0, 0.1)
    habits = plain_person(4).of_one_string()
    assert habits[:, 0] == pytest.approx(by_hand / by_hand.sum())
    assert habits[:, 1] == pytest.approx(0.0)


def test_another_day_one_hand_in_ten_is_another() -> None:
    today = plain_person(2)
    later = today.on_another_day()
    by_hand = 0.9 * np.array(today.habits) + 0.1 * np.array(k.ANYBODY.habits)
    np.testing.assert_allclose(later.habits, by_hand)
    assert (later.open_cents, later.open_dof) == (today.open_cents, 8.0)
    assert k.ANYBODY.on_another_day().open_dof == 4.0


def test_open_scatter_worked_by_hand() -> None:
    """Helmert's contrasts: 0, 1 and 2 lie 1 from 0, and 1.5 from the mean of both, so 1^2 / 2 and
    1.5^2 x 2 / 3, each less the reading's own 0.15^2; before them 0.6 cents, worth four takes."""
    squares = (0.5 - 0.0225) + (1.5 - 0.0225)
    known = heard("ooo", 0.0, 1.0, 2.0)
    assert (known.open_squares, known.open_dof) == (pytest.approx(squares), 2.0)
    assert known.open_spread_cents == pytest.approx(math.sqrt((4 * 0.36 + squares) / 6))
    person = k.ANYBODY.having_played([known, known])
    assert person.open_cents == pytest.approx(math.sqrt((4 * 0.36 + 2 * squares) / 8))
    assert person.open_dof == 8.0
    alike = heard("oo", 0.0, 0.1)
    assert alike.open_squares == 0.0, "readings are no surer than each of them"


def test_the_open_pitch_is_the_mean_that_counts_sure_readings_more() -> None:
    known = k.begin(plain_person(4))
    for cents, u_cents in ((0.0, 0.1), (1.0, 1.0)):
        known = k.after_take(known, fretted=False, cents=cents, u_cents=u_cents)
    weight = 1.0 / (0.25 + np.array([0.01, 1.0]))  # half a cent of scatter, and its own
    assert known.open_pitch is not None
    # To the square of one contrast among the million takes that the person's scatter is worth.
    assert known.open_pitch[0] == pytest.approx(weight[1] / weight.sum(), rel=1e-5)
    assert known.open_pitch[1] == pytest.approx(weight.sum() ** -0.5, rel=1e-5)
    drifted = replace(known, drift_u_cents=2.0)
    assert drifted.open_pitch == (
        pytest.approx(known.open_pitch[0]),
        pytest.approx(math.hypot(known.open_pitch[1], 2.0)),
    )


def test_takes_are_counted_of_the_string_of_the_move_and_of_the_tuning() -> None:
    nothing = k.begin()
    assert (nothing.open, nothing.fretted, nothing.fretted_since_move, nothing.moves) == (0,) * 4
    known = heard("offof", 0.0, 1.0, 1.2, 0.1, 0.9)
    assert (known.open, known.fretted, known.fretted_since_move, known.moves) == (2, 3, 3, 0)
    assert (known.kinds, known.fretted_in_a_row) == ("offof", 1)
    moved = k.after_move(known, change_cents=-1.0, u_cents=0.3)
    assert (moved.open, moved.fretted, moved.fretted_since_move, moved.moves) == (2, 3, 0, 1)
    assert (moved.opens, moved.fretteds, moved.kinds) == ((), (), "")
    tuned = k.after_tuning(known)
    assert (tuned.open, tuned.fretted, tuned.fretted_since_move, tuned.moves) == (2, 3, 3, 0)
    assert k.after_tuning(nothing) is nothing


def test_a_move_of_a_known_offset_goes_right_or_anywhere_between() -> None:
    """By SciPy: 96 of 100 lie where they should, the others about where they were, 0.8 of the move
    and a cent wide."""
    before = normal(8.0, 0.5)
    grid = np.zeros((9, 2, k.POINTS))
    middle = 8.0
    grid[:] = stats.norm.pdf(middle + k._STEPS, 8.0, 0.5)
    known = replace(k.begin(), middle_cents=middle, before=grid, opens=((0.0, 0.1),))
    moved = k.after_move(known, change_cents=-6.0, u_cents=0.6)
    assert moved.before is not None
    assert moved.middle_cents == 2.0
    x = 2.0 + k._STEPS
    # What was changed unsaid before the tuning, one time in a hundred, lies anywhere.
    found = stats.t.pdf(middle + k._STEPS, 3, scale=8.0)
    found = found / found.sum() / k.STEP_CENTS

    def spread(mean: float, sd: float, blur: float) -> np.ndarray:
        return np.asarray(stats.norm.pdf(x, mean, math.hypot(sd, blur)))

    def blurred(density: np.ndarray, shift: float, blur: float) -> np.ndarray:
        apart = x[:, None] - 2.0 - k._STEPS[None, :] - shift
        return np.asarray(stats.norm.pdf(apart, 0.0, blur) @ density * k.STEP_CENTS)

    by_hand = 0.96 * (0.99 * spread(2.0, 0.5, 0.6) + 0.01 * blurred(found, 0.0, 0.6))
    by_hand += 0.04 * (0.99 * spread(8.0, 0.5, 5.8) + 0.01 * blurred(found, 6.0, 5.8))
    got = moved.before[0, 0] / moved.before[0, 0].max()
    assert got == pytest.approx(by_hand / by_hand.max(), abs=2e-4)
    assert before.centre == pytest.approx(8.0, abs=0.01)


def test_a_batch_with_a_drift_worked_out_by_least_squares() -> None:
    """Open plucks of 0.6 cents about a line, whose slope is believed to be 0, 2 cents a minute
    give or take: by numpy's least squares, and the fretted takes at the 1st fret less that line."""
    at_s, open_cents = np.array([0.0, 60.0, 180.0]), np.array([0.0, 1.5, 3.0])
    opens = [Take(0, shifted_hz(110.0, c), 0.1, s) for c, s in zip(open_cents, at_s, strict=True)]
    fretteds = [
        Take(1, shifted_hz(110.0, 100.0 + c), 0.1, s) for c, s in ((4.0, 30.0), (7.0, 240.0))
    ]
    other = Take(5, shifted_hz(110.0, 500.0), 0.1, 90.0)
    known = k.from_takes([*fretteds, other, *opens], fret=1)
    about = at_s / 60.0 - 4.0 / 3.0
    rows = np.vstack([np.column_stack([np.ones(3), about]) / 0.6, [0.0, 1.0 / 2.0]])
    drift = np.linalg.lstsq(rows, np.append(open_cents / 0.6, 0.0), rcond=None)[0][1]
    assert [c for c, _ in known.opens] == pytest.approx(list(open_cents - drift * about))
    by_hand = [4.0 - drift * (0.5 - 4.0 / 3.0), 7.0 - drift * (4.0 - 4.0 / 3.0)]
    assert [c for c, _ in known.fretteds] == pytest.approx(by_hand)
    assert known.kinds == "ofoof"
    # So unsure is the slope, over the time between the middles of the two notes.
    u = math.sqrt(np.linalg.inv(rows.T @ rows)[1, 1])
    assert known.drift_u_cents == pytest.approx(u * (2.25 - 4.0 / 3.0))


def test_of_takes_that_follow_each_other_only_what_is_new_counts() -> None:
    """Each tells the note's place by what it does not owe to the last: (1 - 0.5)^2 over
    s^2 (1 - 0.5^2), beside the first with 1 / s^2."""
    habits = np.zeros((k.SPREADS_CENTS.size, 2))
    habits[5, 1] = 1.0
    person = k.Person(tuple(map(tuple, habits.tolist())), open_cents=0.1, open_dof=1e6)
    cents = np.tile([-0.5, 0.8, 0.1, -0.9], 3)
    known = k.begin(person)
    for fretted, value in [(False, 0.0)] * 12 + [(True, float(c)) for c in cents]:
        known = k.after_take(known, fretted=fretted, cents=value, u_cents=0.01)
    s = float(k.SPREADS_CENTS[5])
    assert known.offset is not None
    expected = s / math.sqrt(1.0 + 11 * 0.25 / 0.75)
    # A few per cent: they bear on the spread, and may be bent. Were they all new: s / sqrt(12).
    assert known.offset.u == pytest.approx(expected, rel=0.05)


def test_before_a_fretted_take_none_was_bent() -> None:
    assert heard("o", 0.0).p_bent == ()
    assert k.after_tuning(heard("of", 0.0, 1.0)).p_bent == ()


def test_a_belief_that_runs_off_its_grid_stays_a_whole_one() -> None:
    blurred = normal(22.0, 3.0).moved(0.0, 3.0)
    assert blurred.p.sum() == pytest.approx(1.0, abs=1e-12)
