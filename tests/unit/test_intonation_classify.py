"""Open and fretted takes told apart on pitches written by hand."""

from dataclasses import replace

import numpy as np
import pytest
from invented import a_reading

from pitchbench.intonation import classify
from pitchbench.intonation.classify import LeftOut, Sounded
from pitchbench.pitch.reading import Partial

C2, E2, C3, C4, B3 = 65.4064, 82.4069, 130.8128, 261.6256, 246.9417


def sounds(*pairs):
    """(Hz, cents off) or (Hz, cents off, B)."""
    return [Sounded(p[0] * 2 ** (p[1] / 1200), p[2] if len(p) > 2 else None) for p in pairs]


def tell_apart(heard, **options):
    return [told.fret for told in classify.tell_apart(heard, **options)]


def test_a_named_string():
    heard = sounds((E2, 3), (2 * E2, 9), (E2, -4), (2 * E2, 12))
    assert tell_apart(heard, fret=12, open_hz=E2) == [0, 12, 0, 12]


def test_an_unnamed_string():
    heard = sounds((2 * E2, 9), (E2, 3), (2 * E2, 12), (E2, -4))
    assert tell_apart(heard, fret=12) == [12, 0, 12, 0]


@pytest.mark.parametrize("open_hz", [E2, None])
@pytest.mark.parametrize("fret", [5, 7, 12, 19])
def test_any_fret_and_a_stranger(fret, open_hz):
    stranger = E2 * 2 ** ((fret + 2) / 12)
    heard = sounds((E2, 0), (E2 * 2 ** (fret / 12), 30), (stranger, 0), (E2, 5))
    assert tell_apart(heard, fret=fret, open_hz=open_hz) == [0, fret, None, 0]


@pytest.mark.parametrize("off", [-190.0, 190.0])
def test_far_out_of_tune_is_still_this_string_when_the_fretted_note_agrees(off):
    heard = sounds((E2, off), (2 * E2, off + 15), (E2, off + 6))
    assert tell_apart(heard, fret=12, open_hz=E2) == [0, 12, 0]


def test_out_of_tune_it_is_one_note_of_either_that_shows_where_the_string_stands():
    """Open takes that scatter about its place: where it is, the fretted one tells best."""
    heard = sounds((E2, 120), (E2, 260), (2 * E2, 190))
    assert tell_apart(heard, fret=12, open_hz=E2) == [0, 0, 12]


def test_far_out_of_tune_and_alone_is_not_this_string():
    assert tell_apart(sounds((E2, 190), (E2, 185)), fret=12, open_hz=E2) == [None, None]


def test_two_pairs_in_tune_and_out_of_tune_the_named_one_wins():
    """The next string, a major second away, was recorded as well, as often as the right one."""
    heard = sounds((E2, 0), (2 * E2, 5), (E2, 200), (2 * E2, 205))
    assert tell_apart(heard, fret=12, open_hz=E2) == [0, 12, None, None]
    lower = sounds((E2, 0), (2 * E2, 5), (E2, -200), (2 * E2, -205))
    assert tell_apart(lower, fret=12, open_hz=E2) == [0, 12, None, None]


def test_open_takes_alone_are_open():
    assert tell_apart(sounds((E2, 0), (E2, 5)), fret=12) == [0, 0]
    assert tell_apart(sounds((E2, 0), (E2, 5)), fret=12, open_hz=E2) == [0, 0]


def test_fretted_takes_alone_are_fretted_when_the_string_is_named():
    assert tell_apart(sounds((2 * E2, 0), (2 * E2, 5)), fret=12, open_hz=E2) == [12, 12]


def test_three_octaves_of_a_drop_tuning_are_told_apart_by_stiffness():
    """Open C2, its 12th fret, and another string's C4: C2 and C3 are the pair, for the C4 is no
    stiffer than the C3. Then the other way round: C3 and C4 are one string."""
    low = sounds((C2, 0, 1e-4), (C3, 5, 4.1e-4), (C4, 0, 4e-4))
    assert tell_apart(low, fret=12) == [0, 12, None]
    high = sounds((C2, 0, 2e-4), (C3, 5, 1e-4), (C4, 0, 3.9e-4))
    assert tell_apart(high, fret=12) == [None, 0, 12]


@pytest.mark.parametrize("open_hz", [C2, None])
def test_an_open_string_of_the_fretted_pitch_is_a_stranger(open_hz):
    """C2's octave is the open C3 of a drop tuning: twelve times less stiff than C2 at the 12th."""
    heard = sounds((C2, 0, 1.5e-4), (C3, 5, 6e-4), (C3, 2, 5e-5), (C2, 1, 1.6e-4), (C3, 0, 5.2e-5))
    assert tell_apart(heard, fret=12, open_hz=open_hz) == [0, 12, None, 0, None]


def test_a_fretted_note_of_another_string_is_no_open_take():
    heard = sounds((C3, 0, 5e-5), (C3, 5, 6e-4), (C4, 3, 2.1e-4))
    assert tell_apart(heard, fret=12, open_hz=C3) == [0, None, 12]


def test_stiffness_that_fits_nowhere_or_hardly_shows_puts_nobody_out():
    nowhere = sounds((C2, 0, 1.5e-4), (C3, 5, 1.5e-4), (C3, 2, 1.4e-4))
    assert tell_apart(nowhere, fret=12, open_hz=C2) == [0, 12, 12]
    slight = sounds((C2, 0, 1e-5), (C3, 5, 4e-5), (C3, 2, 6e-6), (C3, 2))
    assert tell_apart(slight, fret=12, open_hz=C2) == [0, 12, 12, 12]


def test_a_first_fret_leaves_no_room_for_doubt():
    heard = sounds((E2, 0), (E2, 104), (E2, 200))
    assert tell_apart(heard, fret=1, open_hz=E2) == [0, 1, None]
    assert tell_apart(sounds((E2, 0), (E2, 55)), fret=1, open_hz=E2) == [0, 1]


def test_nothing_heard():
    assert tell_apart([], fret=12) == []


def why(heard, **options):
    return [told.left_out for told in classify.tell_apart(heard, **options)]


def test_what_is_left_out_says_why():
    heard = sounds((C2, 0, 1.5e-4), (C3, 5, 6e-4), (C3, 2, 5e-5), (C2, 1, 1.6e-4), (E2, 0, 5.2e-5))
    assert why(heard, fret=12, open_hz=C2) == [
        None,
        None,
        LeftOut.ANOTHER_STRING,
        None,
        LeftOut.ANOTHER_NOTE,
    ]


@pytest.mark.parametrize("ratio", [0.05, 0.5, 4.0, 12.4])
def test_no_take_is_left_out_because_real_strings_break_the_law(ratio):
    """What B fretted over B open came to on recordings of 18 real pairs, where 4 was expected."""
    takes = [1.0, 1.3, 0.8]  # as takes of one note differ
    heard = [Sounded(E2, 1e-4 * k, 2e-5) for k in takes]
    heard += [Sounded(2 * E2, 1e-4 * ratio * k, 2e-5) for k in takes]
    assert tell_apart(heard, fret=12, open_hz=E2) == [0, 0, 0, 12, 12, 12]


def test_a_stiffness_that_is_hardly_known_puts_nobody_out():
    known = [Sounded(C2, 1.5e-4, 1e-5), Sounded(C3, 6e-4, 1e-5), Sounded(C3, 6.1e-4, 1e-5)]
    sure, unsure = Sounded(C3, 6e-5, 1e-5), Sounded(C3, 6e-5, 6e-5)
    assert tell_apart([*known, sure], fret=12, open_hz=C2) == [0, 12, 12, None]
    assert tell_apart([*known, unsure], fret=12, open_hz=C2) == [0, 12, 12, 12]


def test_soft_and_hard_plucks_of_one_string_may_differ_threefold():
    """7.6e-5 and 2.3e-4: one E2 of a real guitar with flatwound strings."""
    heard = [
        Sounded(E2, 7.6e-5, 2.1e-5),
        Sounded(E2, 2.3e-4, 4.2e-5),
        Sounded(2 * E2, 3.1e-4, 5e-5),
    ]
    assert tell_apart(heard, fret=12, open_hz=E2) == [0, 0, 12]


def test_the_uncertainty_of_b_follows_the_scatter_about_the_law():
    """sd of the slope of ln(f_k / k) against k^2, twice: by the formula of a straight line."""
    number = np.arange(1, 9)
    off = np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0])
    partials = tuple(
        Partial(int(k), 110.0 * k, 0.0, -20.0, None, float(c))
        for k, c in zip(number, off, strict=True)
    )
    reading = a_reading(110.0, 0.0, u_cents=0.1, stiffness_b=1e-4,
                      partials=partials)  # fmt: skip
    nepers = off * np.log(2.0) / 1200.0
    k2 = number**2.0
    expected = 2.0 * np.sqrt(np.sum(nepers**2) / 6.0 / np.sum((k2 - k2.mean()) ** 2))
    assert Sounded.of(reading).u_stiffness_b == pytest.approx(expected, rel=1e-9)
    assert Sounded.of(replace(reading, partials=partials[:4])).u_stiffness_b is not None
    few = replace(reading, partials=partials[:3])
    assert Sounded.of(few).u_stiffness_b is None


@pytest.mark.parametrize(("times", "told"), [(6.0, [0, 12, None]), (4.9, [0, 12, 12])])
def test_a_stranger_is_five_times_farther_from_the_law(times, told):
    """At the 12th fret the law is 4 times the open string's stiffness: one take keeps it."""
    heard = [Sounded(C2, 1e-4, 1e-6), Sounded(C3, 4e-4, 4e-6), Sounded(C3, times * 4e-4, 4e-6)]
    assert tell_apart(heard, fret=12, open_hz=C2) == told


def test_of_two_that_both_break_the_law_none_is_the_stranger():
    """6.4 and 0.89 times as stiff as open, where 4 is the law: 1.6 above it and 4.5 below."""
    heard = [Sounded(C2, 1e-4, 1e-6), Sounded(C3, 6.4e-4, 6e-6), Sounded(C3, 0.89e-4, 1e-6)]
    assert tell_apart(heard, fret=12, open_hz=C2) == [0, 12, 12]


def test_how_sure_the_middle_of_some_stiffnesses_is():
    """Of 0.3 and 0.4, each with a tenth besides: the root of 0.09 + 0.16 + 2 times 0.01, halved."""
    part = [classify._Stiffness(k, 0.0, u) for k, u in enumerate((0.3, 0.4))]
    assert classify._u_of_middle(part) == pytest.approx(0.27**0.5 / 2.0)
