"""Nut, saddle and single frets told apart on necks made of numbers."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from pitchbench.belief import Belief
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Bridge, BridgeKind, Instrument, StringSpec
from pitchbench.intonation import geometry
from pitchbench.intonation.neck import (
    FRETWORK_CENTS,
    FretOffset,
    NeckAdvice,
    StringNeck,
    _matters,
    believed_offsets,
    best_saddle,
    bound95_cents,
    findings,
    judge_saddle,
    nut_as_a_whole,
    shared_nut,
    survey,
    uneven_string,
)
from pitchbench.intonation.offset import DEFAULT_PRIOR
from pitchbench.intonation.take import Take
from pitchbench.notes import Note
from pitchbench.pitch.reading import Partial
from pitchbench.presets import preset
from pitchbench.refit import with_capo

FRETS = (1, 3, 5, 7, 9, 12, 15, 17)
E2_HZ = 82.4069
BENCH = Instrument(
    "bench", "guitar", 648.0, (StringSpec(Note.parse("E2"), 1.2, wound=True),),
    Bridge(BridgeKind.SCREW_SADDLES),
)  # fmt: skip


def takes(offset_at, *, spread=0.5, repeats=3, seed=1, frets=FRETS):
    """Takes on a neck where ``offset_at(fret)`` holds, each scattered by ``spread`` cents."""
    rng = np.random.default_rng(seed)
    return [
        Take(n, E2_HZ * 2 ** ((100 * n + offset_at(n) + rng.normal(0, spread)) / 1200), 0.05, 0.0)
        for n in (0, *frets)
        for _ in range(repeats)
    ]


def neck(nut=0.0, saddle=0.0, bad=None, **options):
    bad = bad or {}

    def offset_at(n):
        return (nut + saddle * (2 ** (n / 12) - 1) + bad.get(n, 0.0)) if n else 0.0

    return survey(1, takes(offset_at, **options), prior=DEFAULT_PRIOR)


@pytest.mark.parametrize(("nut", "saddle"), [(0, 0), (5, 0), (0, 7), (4, -6), (-3, 5)])
def test_nut_and_saddle_are_told_apart(nut, saddle):
    found = neck(nut, saddle)
    assert found.nut.centre == pytest.approx(nut, abs=3 * found.nut.u)
    assert found.saddle.centre == pytest.approx(saddle, abs=3 * found.saddle.u)
    assert found.nut.u < 0.8
    assert found.saddle.u < 1.0
    assert not any(fret.isolated for fret in found.frets)


def test_a_fret_played_once_is_as_unsure_as_students_t_says():
    """The interval, not only the standard uncertainty: t = 2.776 for the 4 degrees of freedom that
    a typical spread is worth where it stands in for a note played once (any handbook)."""
    fret = neck(repeats=1).frets[0]
    assert fret.belief.half() == pytest.approx(2.776 * np.hypot(2.0, 0.05), rel=1e-3)
    assert fret.u_cents == pytest.approx(1.142 * np.hypot(2.0, 0.05), rel=1e-3)


def test_the_uncertainties_are_honest():
    """Pulls over many simulated necks have a standard deviation of about one."""
    found = [neck(2.0, 4.0, seed=s, spread=1.0) for s in range(300)]
    for pulls in (
        [(f.nut.centre - 2.0) / f.nut.u for f in found],
        [(f.saddle.centre - 4.0) / f.saddle.u for f in found],
    ):
        # Below 1: the fretwork allowance, which these perfect frets do not need.
        assert 0.6 < np.std(pulls) < 1.1
        assert abs(np.mean(pulls)) < 0.2


@pytest.mark.parametrize(("fret", "cents"), [(7, 6.0), (1, -6.0), (15, 6.0)])
def test_a_single_bad_fret_is_found_and_does_not_bend_the_rest(fret, cents):
    found = neck(3.0, 5.0, {fret: cents})
    (bad,) = [f for f in found.frets if f.isolated]
    assert bad.fret == fret
    assert bad.residual_cents == pytest.approx(cents, abs=1.5)
    assert found.nut.centre == pytest.approx(3.0, abs=1.5)
    assert found.saddle.centre == pytest.approx(5.0, abs=1.5)


def test_good_frets_are_seldom_called_bad():
    called = [any(f.isolated for f in neck(2.0, 4.0, seed=s, spread=1.0).frets) for s in range(300)]
    assert np.mean(called) < 0.03


def test_one_take_of_each_note_is_enough_to_begin_with():
    found = neck(0.0, 20.0, repeats=1)
    assert found.saddle.centre == pytest.approx(20.0, abs=3 * found.saddle.u)
    assert found.saddle.u > neck(0.0, 20.0, repeats=3).saddle.u


@pytest.mark.parametrize("frets", [(), (12,)])
def test_too_few_notes(frets):
    with pytest.raises(PitchbenchError, match="too few notes"):
        neck(frets=frets)


def test_no_open_take():
    alone = [take for take in takes(lambda n: 0.0) if take.fret]
    with pytest.raises(PitchbenchError, match="too few notes"):
        survey(1, alone, prior=DEFAULT_PRIOR)


def test_words_for_each_cause():
    assert findings(neck(), BENCH, tolerance_cents=2.0) == ()
    (nut,) = findings(neck(nut=6.0), BENCH, tolerance_cents=2.0)
    assert nut.startswith("The nut: +")
    assert "repairer" in nut
    assert findings(neck(saddle=-6.0), BENCH, tolerance_cents=2.0) == (), (
        "that is the saddle's verdict"
    )
    (fret,) = findings(neck(bad={9: 8.0}), BENCH, tolerance_cents=2.0)
    assert fret.startswith("Fret 9 stands out")
    (fret,) = findings(neck(bad={9: 8.0}), with_capo(BENCH, 3), tolerance_cents=2.0)
    assert fret.startswith("Fret 12 stands out"), "counted from the nut of the neck, not the capo"


def test_under_a_capo_it_is_the_capo_that_is_the_same_at_every_fret():
    for cents in (6.0, -6.0):
        (capo,) = findings(neck(nut=cents), with_capo(BENCH, 2), tolerance_cents=2.0)
        assert capo.startswith("The capo: +" if cents > 0 else "The capo: -")
        assert "slot" not in capo
        assert "nut" not in capo
    free = with_capo(preset("six-string"), 2, (2, 3))  # which leaves string 1 to the nut
    (nut,) = findings(neck(nut=6.0), free, tolerance_cents=2.0)
    assert nut.startswith("The nut: +")


def test_where_there_is_no_fret_none_is_worn():
    (found,) = findings(neck(bad={9: 8.0}), replace(BENCH, fretless=True), tolerance_cents=2.0)
    assert found.startswith("The note at the 9th fret mark stands out by +")
    assert "worn" not in found
    assert "high" not in found


def test_the_best_saddle_cures_what_the_saddle_causes():
    choice = best_saddle(neck(saddle=6.0, spread=0.01), BENCH)
    exact = geometry.saddle_move_mm(6.0, fret=12, scale_mm=648.0)
    assert choice.move.centre == pytest.approx(exact, abs=0.02)
    assert choice.rms_cents < 0.1


def test_the_weights_say_which_frets_matter():
    string = neck(nut=5.0, saddle=0.0, spread=0.01)
    low, high = (best_saddle(string, BENCH, {n: 1.0}) for n in (5, 17))
    assert low.remaining_cents[5] == pytest.approx(0.0, abs=1e-6)
    assert high.remaining_cents[17] == pytest.approx(0.0, abs=1e-6)
    assert low.move.centre > 3 * high.move.centre  # the saddle has less hold on the low frets


def test_an_unmeasured_fret_enters_with_what_nut_and_saddle_make_of_it():
    string = neck(saddle=6.0, spread=0.01)
    assert string.expected_cents(19) == pytest.approx(6.0 * (2 ** (19 / 12) - 1), abs=0.2)
    assert string.expected_cents(0) == 0.0


@pytest.mark.parametrize("weights", [{3: 1.0, 7: 1.0, 12: 2.0}, {1: 4.0, 5: 1.0, 17: 0.5}])
def test_the_move_is_as_unsure_as_what_it_rests_on(weights):
    """Every offset by itself, and all together by the open note: how far the move follows each is
    seen by changing it."""
    string = neck(nut=1.0, saddle=5.0)
    step = 0.01

    def follows(frets):
        moved = [
            replace(f, belief=replace(f.belief, centre=f.belief.centre + step * (f.fret in frets)))
            for f in string.frets
        ]
        there = best_saddle(replace(string, frets=tuple(moved)), BENCH, weights).move.centre
        return (there - best_saddle(string, BENCH, weights).move.centre) / step

    own = [follows({f.fret}) * f.u_cents for f in string.frets if f.fret in weights]
    expected = np.hypot(np.linalg.norm(own), follows(set(FRETS)) * string.open_u_cents)
    # A straight line stands in for the geometry: a few parts in a thousand at such a move.
    assert best_saddle(string, BENCH, weights).move.u == pytest.approx(expected, rel=0.02)


def test_what_lies_below_the_bound_by_handbook_tables():
    """With nothing left on the mean the square is chi-squared: 3.841 for one fret, 9.488 / 4 for
    four that err by themselves (95 %, any handbook)."""
    assert bound95_cents(np.zeros(1), np.array([[0.09]]), [1.0]) == pytest.approx(
        0.3 * 3.841**0.5, rel=1e-3
    )
    assert bound95_cents(np.zeros(4), 0.09 * np.eye(4), [1.0] * 4) == pytest.approx(
        0.3 * (9.488 / 4) ** 0.5, rel=1e-3
    )
    far = bound95_cents(np.array([10.0]), np.array([[0.09]]), [1.0])
    assert far == pytest.approx(10.0 + 1.645 * 0.3, abs=0.02), "far from nothing it is normal"


def test_a_weight_of_nothing():
    with pytest.raises(PitchbenchError, match="No fret is weighted") as caught:
        best_saddle(neck(), BENCH, {12: 0.0})
    assert caught.value.remedy.endswith("such as 12:1.")


def test_a_nut_in_the_wrong_place_shows_on_all_strings_alike():
    alike = shared_nut([neck(nut=4.0, seed=s) for s in range(6)])
    assert alike.mean == pytest.approx(4.0, abs=3 * alike.u)
    assert alike.between_variance < 1.0
    slots = shared_nut([neck(nut=n, seed=s) for s, n in enumerate((0, 6, 0, 7, -1, 0))])
    assert slots.between_variance > 4.0


def partials(*law_cents):
    return [Partial(k + 1, 82.4 * (k + 1), 0.2, -30.0, 1.0, c) for k, c in enumerate(law_cents)]


def test_an_uneven_string_is_named():
    assert uneven_string(partials(0, 0.5, -0.6, 0.3, 1.0)) == ""
    named = uneven_string(partials(0, 14, -15, 11, -12))
    assert "12 cents off" in named
    assert "if other notes of this string show it too" in named, "one note is no proof"
    assert uneven_string(partials(0, 14)) == ""


def test_what_is_believed_of_each_fret_worked_by_hand():
    """Nut 2 and saddle 6 cents (gamma - 1 is 1 at the 12th fret, 3 at the 24th). Frets differ by 3
    cents, and the 12th, heard to 4, by 10: 9 / (9 + 16) of it is believed, with a variance of
    16 x 0.36. What stands out is believed as it was heard; of the 36th nothing was."""
    string = StringNeck(
        1,
        (
            FretOffset(12, Belief.normal(18.0, 4.0), 10.0, isolated=False),
            FretOffset(24, Belief.normal(30.0, 4.0), 10.0, isolated=True),
        ),
        nut=Belief.normal(2.0, 0.5),
        saddle=Belief.normal(6.0, 0.2),
        open_u_cents=0.3,
        covariance_cents2=-0.02,
        fret_sd_cents=3.0,
    )
    mean, covariance = believed_offsets(string, [12, 24, 36])
    assert mean == pytest.approx([8.0 + 3.6, 20.0 + 10.0, 44.0])
    together = [[0.25 + 0.04 * a * b - 0.02 * (a + b) for b in (1, 3, 7)] for a in (1, 3, 7)]
    assert covariance == pytest.approx(np.array(together) + np.diag([5.76, 16.0, 9.0]))


def test_no_partial_is_surer_than_a_tenth_of_a_cent():
    """One on the law to 0.01, three 24 cents off it to 0.2: weights of 100, and three times 25."""
    heard = [
        replace(p, u_cents=u)
        for p, u in zip(partials(0, 24, -24, 24), (0.01, 0.2, 0.2, 0.2), strict=True)
    ]
    assert "16 cents off" in uneven_string(heard)  # 24 (75 / 175)^0.5 = 15.7


@pytest.mark.parametrize("uneven", [0.0, 0.9])
def test_nut_and_saddle_are_those_of_numpys_weighted_fit(uneven):
    """Frets that are ``uneven`` by turns: more than their uncertainties account for widens all."""
    found = neck(2.0, 4.0, dict(zip(FRETS, [uneven, -uneven] * 4, strict=True)))
    assert not any(fret.isolated for fret in found.frets)
    u = np.hypot([fret.u_cents for fret in found.frets], FRETWORK_CENTS)
    lever = 2.0 ** (np.array(FRETS) / 12.0) - 1.0
    cents = np.array([fret.offset_cents for fret in found.frets])
    (saddle, nut), covariance = np.polyfit(lever, cents, 1, w=1.0 / u, cov="unscaled")
    left = cents - nut - saddle * lever
    wider2 = max(1.0, np.sum((left / u) ** 2) / 6)
    assert (wider2 > 1.0) == (uneven > 0)
    assert (found.nut.centre, found.saddle.centre) == pytest.approx((nut, saddle))
    assert [fret.residual_cents for fret in found.frets] == pytest.approx(left)
    assert found.saddle.u == pytest.approx(np.sqrt(covariance[0, 0] * wider2))
    assert found.nut.u == pytest.approx(
        np.hypot(np.sqrt(covariance[1, 1] * wider2), found.open_u_cents)
    )
    assert found.covariance_cents2 == pytest.approx(covariance[0, 1] * wider2)
    fret_sd = np.sqrt(FRETWORK_CENTS**2 + (wider2 - 1.0) * np.mean(u**2))
    assert found.fret_sd_cents == pytest.approx(fret_sd)


@pytest.mark.parametrize(("times", "called"), [(1.01, True), (0.99, False)])
def test_a_fret_stands_out_from_the_level_of_a_hundredth_on(times, called):
    """Six frets, one take each: the others say 0, and are as unsure as the fit to them; the normal
    quantile is of a hundredth shared by six, either side."""
    frets = (1, 4, 7, 10, 13, 16)
    u = np.hypot(neck(repeats=1, frets=frets).frets[0].u_cents, FRETWORK_CENTS)
    lever = 2.0 ** (np.array(frets) / 12.0) - 1.0
    others = np.delete(lever, 2)
    apart = np.sum((others - others.mean()) ** 2)
    u_expected = u * np.sqrt(1.0 + 1 / 5 + (lever[2] - others.mean()) ** 2 / apart)
    cents = times * stats.norm.ppf(1.0 - 0.01 / 12) * u_expected
    found = neck(bad={7: cents}, repeats=1, spread=0.0, frets=frets)
    assert [fret.fret for fret in found.frets if fret.isolated] == [7] * called


def test_four_frets_must_be_left_to_speak_for_the_rest():
    five, four = (neck(bad={9: 12.0}, frets=frets) for frets in ((1, 5, 9, 12, 15), (1, 5, 9, 12)))
    assert [fret.fret for fret in five.frets if fret.isolated] == [9]
    assert not any(fret.isolated for fret in four.frets)


def with_nut(cents):
    return StringNeck(1, (), Belief.normal(cents, 0.1), Belief.normal(0.0, 0.1), 0.1)


@pytest.mark.parametrize(
    ("nuts", "matters"),
    [
        ((4.0, 4.0, 4.0), True),
        ((4.0, 4.0), False),  # two strings are no nut as a whole
        ((1.5, 1.5, 1.5), False),  # within tolerance
        ((4.0, 2.4, 5.6), True),  # 1.6 from string to string, and half of 4 is 2
        ((4.0, 1.6, 6.4), False),  # 2.4
    ],
)
def test_a_nut_is_wrong_as_a_whole_where_the_strings_hardly_differ(nuts, matters):
    found = nut_as_a_whole([with_nut(cents) for cents in nuts], tolerance_cents=2.0)
    assert (found is not None) == matters
    assert found is None or found.mean == pytest.approx(4.0)


@pytest.mark.parametrize(("off_cents", "named"), [(5.1, True), (4.9, False)])
def test_a_string_is_uneven_from_five_cents_on(off_cents, named):
    four = partials(off_cents, -off_cents, off_cents, -off_cents)
    assert bool(uneven_string(four)) == named
    assert uneven_string(four[:3]) == ""


@pytest.mark.parametrize(
    ("saddle", "advice"), [(38.0, NeckAdvice.MOVE), (43.0, NeckAdvice.NOT_THE_SADDLE)]
)
def test_no_saddle_goes_farther_than_15_mm(saddle, advice):
    """x = L (1 - q) / (2 q - 1), q = 2^(-e / 1200): 14.5 mm for 38 cents and 16.5 mm for 43."""
    string = neck(saddle=saddle, spread=0.01)
    choice = best_saddle(string, BENCH, {12: 1.0})
    q = 2 ** (-saddle / 1200)
    assert choice.move.centre == pytest.approx(648 * (1 - q) / (2 * q - 1), abs=0.05)
    assert judge_saddle(string, choice, BENCH, tolerance_cents=2.0).advice is advice


def test_what_may_be_left_is_what_is_believed_and_what_the_move_does():
    """The move turns out 6 % more or less than geometry says, at every fret alike."""
    string, weights = neck(nut=1.0, saddle=6.0), {5: 1.0, 12: 2.0, 17: 1.0}
    choice = best_saddle(string, BENCH, weights)
    moved = np.array([choice.remaining_cents[n] - choice.before_cents[n] for n in weights])
    mean, covariance = believed_offsets(string, list(weights))
    bound = bound95_cents(
        mean + moved, covariance + 0.06**2 * np.outer(moved, moved), list(weights.values())
    )
    assert choice.most95_cents == pytest.approx(bound)
    assert choice.most95_cents > choice.rms_cents


@pytest.mark.parametrize(("nut", "cause"), [(0.9, "The slot is high"), (-0.9, "too near")])
def test_a_nut_is_too_far_or_too_near_however_little(nut, cause):
    (found,) = findings(with_nut(nut), BENCH, tolerance_cents=0.5)
    assert cause in found


@pytest.mark.parametrize(
    ("cents", "u_cents", "matters"),
    [
        (2.1, 1.0, True), (1.9, 1.0, False), (-2.1, 1.0, True),
        (1.6, 0.1, True), (1.4, 0.1, False), (-1.4, 0.1, False),
    ],
)  # fmt: skip
def test_a_term_matters_from_two_uncertainties_and_the_tolerance_on(cents, u_cents, matters):
    assert _matters(Belief.normal(cents, u_cents), 1.5) == matters
