"""The partials that an open and a fretted note share, and the offset that they make together.

The pitches are calculated from the law of the stiff string, f_k = k f0 sqrt(1 + B k^2); that the
octave types 2:1, 4:2, 6:3 are what is compared is the practice of piano tuners (no source).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from session_story import Story

from pitchbench import api
from pitchbench.intonation import deciding
from pitchbench.intonation import pairs as pairs_module
from pitchbench.intonation.knowledge import from_takes
from pitchbench.intonation.neck import survey
from pitchbench.intonation.offset import DEFAULT_PRIOR
from pitchbench.intonation.pairs import (
    Compared,
    Pair,
    a_weighting_db,
    compare_partials,
    disagreement_words,
    pairs_at,
)
from pitchbench.intonation.take import Take
from pitchbench.intonation.verdict import Decision
from pitchbench.pitch.reading import Partial, Reading
from pitchbench.presets import preset
from pitchbench.session import saddles
from pitchbench.strings.virtual import VirtualInstrument
from pitchbench.units import cents_between, shifted_hz

OPEN_HZ = 110.0
B = 1e-4


def note(
    fret: int,
    f0_hz: float,
    b: float,
    *,
    off_cents: Mapping[int, float] | None = None,
    level_db: Mapping[int, float] | None = None,
    numbers: range = range(1, 9),
    own_u_cents: float = 0.05,
    at_s: float = 0.0,
) -> Take:
    """A take of a stiff string whose partials lie ``off_cents`` of the law."""
    off_cents, level_db = off_cents or {}, level_db or {}
    partials = tuple(
        Partial(
            k,
            shifted_hz(k * f0_hz * math.sqrt(1.0 + b * k**2), off_cents.get(k, 0.0)),
            0.2,
            level_db.get(k, -20.0),
            1.0,
            # The law goes through the first partial, as in a reading.
            off_cents.get(k, 0.0) - off_cents.get(1, 0.0),
            own_u_cents,
        )
        for k in numbers
    )
    first_hz = shifted_hz(f0_hz * math.sqrt(1.0 + b), off_cents.get(1, 0.0))
    return Take(fret, first_hz, 0.2, at_s, partials, b)


def an_octave(offset_cents: float = 0.0, **fretted: object) -> tuple[Take, Take]:
    """Open and fretted: of the first partials of an ideal string the offset is ``offset_cents``
    and what stiffness adds."""
    high = note(12, shifted_hz(2.0 * OPEN_HZ, offset_cents), 4.0 * B, **fretted)  # type: ignore[arg-type]
    return note(0, OPEN_HZ, B), high


def offset_of(compared: Compared, fret: int = 12) -> float:
    opens, fretteds = (
        [take.pitch_hz for take in compared.takes if take.fret == n] for n in (0, fret)
    )
    return cents_between(fretteds[0], opens[0]) - 100.0 * fret


def test_all_pairs_of_an_ideal_stiff_string_say_what_its_first_partials_say() -> None:
    takes = an_octave(3.0)
    compared = compare_partials(takes, fret=12)
    assert [(pair.open, pair.fretted) for pair in compared.pairs] == list(pairs_at(12))
    firsts = cents_between(takes[1].pitch_hz, takes[0].pitch_hz) - 1200.0
    assert firsts == pytest.approx(3.0 + 600.0 * math.log2((1 + 4 * B) / (1 + B)), abs=1e-9)
    for pair in compared.pairs:
        assert pair.offset_cents == pytest.approx(firsts, abs=1e-9)
    assert offset_of(compared) == pytest.approx(firsts, abs=1e-9)
    assert compared.u_cents == 0.0
    assert math.fsum(pair.weight for pair in compared.pairs) == pytest.approx(1.0)


@pytest.mark.parametrize("fret", [5, 7, 19, 24])
def test_other_frets_whose_partials_coincide_compare_alike(fret: int) -> None:
    ratio = 2.0 ** (fret / 12.0)
    takes = note(0, OPEN_HZ, B), note(fret, OPEN_HZ * ratio, B * ratio**2)
    compared = compare_partials(takes, fret=fret)
    firsts = cents_between(takes[1].pitch_hz, takes[0].pitch_hz) - 100.0 * fret
    # Just and tempered intervals are two cents apart, so partials that nearly coincide are not
    # stiffened quite alike: partial 8 of the open note by 0.013 cents less.
    assert offset_of(compared, fret) == pytest.approx(firsts, abs=0.013)


@pytest.mark.parametrize("fret", [1, 3, 9])
def test_where_no_partials_coincide_those_of_one_number_are_compared(fret: int) -> None:
    """A first partial that a body moves by 8 cents counts for what it is to the ear: at 110 Hz, by
    the A curve 19 dB down, for 4 to 7 of a hundred."""
    ratio = 2.0 ** (fret / 12.0)
    low, moved = note(0, OPEN_HZ, B), note(0, OPEN_HZ, B, off_cents={1: 8.0})
    high = note(fret, shifted_hz(OPEN_HZ * ratio, 3.0), B * ratio**2)
    compared = compare_partials((low, high), fret=fret)
    assert [(pair.open, pair.fretted) for pair in compared.pairs] == [(k, k) for k in range(1, 9)]
    firsts = cents_between(high.pitch_hz, low.pitch_hz) - 100.0 * fret
    assert offset_of(compared, fret) == pytest.approx(firsts, abs=1e-9)
    of_moved = compare_partials((moved, high), fret=fret)
    assert of_moved.pairs[0].offset_cents == pytest.approx(firsts - 8.0, abs=1e-9)
    share = of_moved.pairs[0].weight
    assert 0.04 < share < 0.07
    assert offset_of(of_moved, fret) == pytest.approx(firsts - 8.0 * share, abs=1e-9)
    assert of_moved.u_cents > 0.3


def test_a_neck_says_of_its_12th_fret_what_the_offset_says() -> None:
    """A body moves the open string's first partial by 8 cents: no fault of the nut."""
    opens = [note(0, OPEN_HZ, B, off_cents={1: 8.0}, at_s=at_s) for at_s in (0.0, 1.0)]
    fretted = [
        note(n, shifted_hz(OPEN_HZ * 2.0 ** (n / 12.0), 3.0 * (2.0 ** (n / 12.0) - 1.0)), B * 4.0)
        for n in (1, 3, 12)
        for _ in range(2)
    ]
    takes = [*opens, *(replace(take, at_s=5.0 + i) for i, take in enumerate(fretted))]
    neck = survey(6, takes, prior=DEFAULT_PRIOR)
    (twelfth,) = (fret for fret in neck.frets if fret.fret == 12)
    assert twelfth.offset_cents == pytest.approx(offset_of(compare_partials(takes, fret=12)))
    assert abs(neck.nut.centre) < 1.0
    firsts = survey(6, [replace(take, partials=()) for take in takes], prior=DEFAULT_PRIOR)
    assert firsts.nut.centre < -7.0


def test_a_take_of_another_tuning_compares_partials_and_all() -> None:
    low, high = an_octave(3.0)
    here = offset_of(compare_partials((low, high), fret=12))
    both = (low.tuned(1.01), high.tuned(1.01))
    assert offset_of(compare_partials(both, fret=12)) == pytest.approx(here, abs=1e-9)
    assert both[0].partials[3].frequency_hz == pytest.approx(1.01 * low.partials[3].frequency_hz)
    # A fretted note from before the string was tuned by 17 cents, brought to its present tuning.
    flat = note(12, high.pitch_hz / 1.01 / math.sqrt(1.0 + 4.0 * B), 4.0 * B)
    assert offset_of(compare_partials((low, flat.tuned(1.01)), fret=12)) == pytest.approx(here)


def test_a_first_partial_that_a_body_moves_does_not_move_the_open_note() -> None:
    low, high = an_octave()
    moved = note(0, OPEN_HZ, B, off_cents={1: 8.0})
    assert offset_of(compare_partials((moved, high), fret=12)) == pytest.approx(
        offset_of(compare_partials((low, high), fret=12)), abs=1e-9
    )


def test_pairs_are_weighed_by_the_loudness_of_their_beat() -> None:
    # Two pairs: partials 2 and 1 at 220 Hz, 4 and 2 at 440 Hz; the second fretted partial is 4
    # cents sharp. By hand: half the sum of both levels and the ear's weighting, twice for 10 dB.
    low = note(0, OPEN_HZ, 0.0, level_db={2: -10.0, 4: -20.0}, numbers=range(1, 5))
    high = note(12, 2 * OPEN_HZ, 0.0, level_db={1: -12.0, 2: -18.0}, off_cents={2: 4.0})
    compared = compare_partials((low, high), fret=12)
    loud_db = np.array([-5.0 - 0.0 + a_weighting_db(220.0), -10.0 - 3.0 + a_weighting_db(440.0)])
    weight = 2.0 ** (loud_db / 10.0)
    assert compared.pairs[1].weight == pytest.approx(weight[1] / weight.sum(), rel=1e-3)
    assert offset_of(compared) == pytest.approx(4.0 * weight[1] / weight.sum(), rel=1e-3)


def test_what_the_pairs_differ_by_is_in_the_uncertainty() -> None:
    # Equal weights, two pairs 3 cents to either side: their mean is as unsure as that of two takes
    # of this spread, 3 sqrt(2) / sqrt(2).
    even = dict.fromkeys(range(1, 9), -20.0)
    even[4] = even[2] = -20.0
    low = note(0, OPEN_HZ, 0.0, numbers=range(1, 5), own_u_cents=1e-3)
    high = note(12, 2 * OPEN_HZ, 0.0, off_cents={1: -3.0, 2: 3.0}, own_u_cents=1e-3)
    quieter_db = 2.0 * (a_weighting_db(440.0) - a_weighting_db(220.0))
    low = replace(
        low,
        partials=tuple(
            replace(p, level_db=p.level_db - quieter_db if p.number == 4 else p.level_db)
            for p in low.partials
        ),
    )
    compared = compare_partials((low, high), fret=12)
    assert [pair.weight for pair in compared.pairs] == pytest.approx([0.5, 0.5], abs=0.01)
    assert compared.u_cents == pytest.approx(3.0, rel=0.02)


def test_a_take_without_one_of_the_partials_compares_as_well() -> None:
    # Fretted partial 2 lies 4 cents sharp in every take; one take has lost it, another is plucked
    # 1 cent sharp as a whole. Were the lost one passed over, that take would seem flat.
    low, high = an_octave(off_cents={2: 4.0})
    lost = replace(high, at_s=1.0, partials=tuple(p for p in high.partials if p.number != 2))
    whole = offset_of(compare_partials((low, high), fret=12))
    both = compare_partials((low, high, lost), fret=12)
    assert [
        cents_between(take.pitch_hz, both.takes[0].pitch_hz) - 1200.0 for take in both.takes[1:]
    ] == pytest.approx([whole, whole], abs=1e-3)  # one take less of a pair, so a hair less weight


def test_notes_that_share_too_few_partials_are_compared_by_their_first() -> None:
    low, high = an_octave()
    bare = replace(high, partials=())
    only_one = replace(high, partials=high.partials[:1])
    for takes in ((low, bare), (low, only_one), (low,), (high,)):
        assert compare_partials(takes, fret=12) == Compared(takes, (), 0.0)
    assert compare_partials((low, replace(bare, fret=11)), fret=11).pairs == ()


def test_it_is_said_when_the_lowest_partials_disagree_with_the_others() -> None:
    steady = [Pair(2, 1, 5.1, 0.3, 0.4), Pair(4, 2, 4.0, 0.3, 0.6)]
    assert disagreement_words(steady) == ""
    apart = [steady[0], Pair(4, 2, 1.9, 0.3, 0.6)]
    assert "+5.1" in disagreement_words(apart)
    assert "+1.9" in disagreement_words(apart)
    unsure = [replace(pair, u_cents=1.5) for pair in apart]
    assert disagreement_words(unsure) == ""


def test_a_weighting_of_the_table_in_iec_61672_1() -> None:
    # Table 3, nominal frequencies, a tenth of a decibel (from memory).
    table = {31.5: -39.4, 63.0: -26.2, 125.0: -16.1, 250.0: -8.6, 500.0: -3.2, 1000.0: 0.0}
    table |= {2000.0: 1.2, 4000.0: 1.0, 8000.0: -1.1}
    for f_hz, a_db in table.items():
        assert a_weighting_db(f_hz) == pytest.approx(a_db, abs=0.15)


def test_pairs_that_differ_do_not_ask_for_takes_that_mend_nothing() -> None:
    takes = [
        replace(take, at_s=float(number))
        for number, take in enumerate([*an_octave(0.2), *an_octave(-0.1), *an_octave(0.1)] * 2)
    ]
    known = from_takes(takes, fret=12)
    clear = deciding.judge(known, tolerance_cents=2.0)
    blurred = deciding.judge(replace(known, choice_u_cents=3.0), tolerance_cents=2.0)
    assert clear is not None
    assert blurred is not None
    assert (clear.decision, clear.border) == (Decision.LEAVE, False)
    assert (blurred.decision, blurred.border) == (Decision.LEAVE, True)
    assert blurred.p_within < 0.6 < clear.p_within


def test_in_a_session_the_pairs_say_the_offset() -> None:
    # The fretted first partial is held 5 cents sharp by the body, the others say 0.
    story = Story.begin(strings=(1,))
    open_hz = story.target_hz(1)

    def partials(fret: int) -> tuple[Partial, ...]:
        take = note(fret, open_hz * (2 if fret else 1), 0.0, off_cents={1: 5.0} if fret else None)
        return take.partials

    while story.state.log.wanted_fret == 0:
        story = story.play(1, 0, partials=partials(0), stiffness_b=0.0)
    for _ in range(2):
        story = story.play(1, 12, 5.0, partials=partials(12), stiffness_b=0.0)
        story = story.play(1, 0, partials=partials(0), stiffness_b=0.0)
    log = story.state.log
    offset = saddles.weigh(log, log.strings[0])
    assert offset is not None
    assert [pair.offset_cents for pair in offset.pairs] == pytest.approx([5.0, 0.0, 0.0, 0.0])
    by_hand = 5.0 * offset.pairs[0].weight
    assert offset.offset_cents == pytest.approx(by_hand, abs=0.5)
    assert offset.offset_cents < 2.5


def test_plucked_strings_have_pairs_that_agree() -> None:
    # By sound: the virtual instrument's strings obey the law, so all pairs say the true offset.
    instrument = VirtualInstrument(preset("six-string"), seed=3)
    takes = []
    for fret in (0, 12):
        sound = np.concatenate((np.zeros(9600, np.float32), instrument.pluck(5, fret, ring_s=3.0)))
        sound = sound + instrument.room(len(sound))
        (reading,) = api.read(sound, instrument.rate_hz)
        assert isinstance(reading, Reading)
        takes.append(Take.of(reading, fret=fret, at_s=float(fret)))
    compared = compare_partials(takes, fret=12)
    assert len(compared.pairs) >= 3
    truth = instrument.true_offset_cents(5)
    for pair in compared.pairs:
        # Two of its own u and what the takes share, of which each reading's u is the bound.
        assert abs(pair.offset_cents - truth) < 2.0 * math.hypot(
            pair.u_cents, *(take.u_cents for take in takes)
        )


def test_a_take_that_lost_a_partial_and_is_sharp_is_so_much_sharp() -> None:
    """Six cents sharp as a whole; the partial that it lacks lies 4 cents off in the other."""
    low, high = an_octave(off_cents={2: 4.0})
    _, sharp = an_octave(6.0, off_cents={2: 4.0})
    lost = replace(sharp, partials=tuple(p for p in sharp.partials if p.number != 2))
    both = compare_partials((low, high, lost), fret=12)
    assert cents_between(both.takes[2].pitch_hz, both.takes[1].pitch_hz) == pytest.approx(
        6.0, abs=1e-3
    )
    # The lowest pair is heard in both takes, its offset in the middle of theirs.
    firsts = cents_between(high.pitch_hz, low.pitch_hz) - 1200.0
    assert both.pairs[0].offset_cents == pytest.approx(firsts + 3.0, abs=1e-3)
    assert both.pairs[1].offset_cents == pytest.approx(firsts + 3.0 + 4.0, abs=1e-3)


def test_a_pair_that_is_known_badly_counts_less() -> None:
    """Known to 1.5 cents, as far as pairs differ, it counts half of what it does by its loudness:
    the variance of a mean of two takes is half of theirs."""
    low, high = (
        note(0, OPEN_HZ, 0.0, own_u_cents=1e-4),
        note(12, 2 * OPEN_HZ, 0.0, own_u_cents=1e-4),
    )
    vague = replace(
        high,
        partials=tuple(
            replace(p, own_u_cents=1.5 * math.sqrt(2.0)) if p.number == 2 else p
            for p in high.partials
        ),
    )
    sure, unsure = (compare_partials((low, each, each), fret=12).pairs for each in (high, vague))
    shares = [pair.weight / pairs[0].weight for pairs in (sure, unsure) for pair in pairs[1:2]]
    assert shares[1] / shares[0] == pytest.approx(0.5, rel=1e-3)
    assert unsure[1].u_cents == pytest.approx(1.5, rel=1e-3)


def test_what_a_take_is_known_to_is_what_its_partials_share_and_their_mean() -> None:
    """0.2 in all and 0.05 of it its own: by the weighted mean of the partials, shared or not."""
    compared = compare_partials(an_octave(), fret=12)
    own_u2 = sum((pair.weight * 0.05) ** 2 for pair in compared.pairs)
    for take in compared.takes:
        assert take.u_cents == pytest.approx(math.sqrt(0.2**2 - 0.05**2 + own_u2), rel=1e-9)


@pytest.mark.parametrize(
    ("open_b", "fretted_b", "told_b"),
    [
        (B, 4 * B, B),
        (B, 9 * B, B),
        (3 * B, 4 * B, B),
        (None, 4 * B, B),
        (B, None, B),
        (None, None, 0),
    ],
)
def test_the_smaller_stiffness_says_how_far_the_first_partials_lie_apart(
    open_b: float | None, fretted_b: float | None, told_b: float
) -> None:
    """B goes as 1 / L^2, so the octave has 4 times that of the open string; partials that stray
    from the law pass for more."""
    low, high = note(0, OPEN_HZ, 0.0), note(12, 2 * OPEN_HZ, 0.0)
    takes = replace(low, stiffness_b=open_b), replace(high, stiffness_b=fretted_b)
    expected = 600.0 * math.log2((1.0 + 4.0 * told_b) / (1.0 + told_b))
    compared = compare_partials(takes, fret=12)
    assert offset_of(compared) == pytest.approx(expected, abs=1e-9)
    assert compared.pairs[0].offset_cents == pytest.approx(expected, abs=1e-9)


def test_the_choice_of_pairs_is_as_unsure_as_a_mean_of_so_many_numbers() -> None:
    """Alike: s / sqrt(n), less what each is unsure by itself. Where one outweighs the rest, 0.9
    and 0.1 beside 10 apart: 0.81 + 0.81 by 1 / 0.82 pairs, over no less than a half."""
    off, even = np.array([1.0, 3.0, -2.0, 4.0]), np.full(4, 0.25)
    s2 = float(np.var(off, ddof=1))
    u = pairs_module._u_of_choice
    assert u(off, np.zeros(4), even) == pytest.approx(math.sqrt(s2 / 4.0))
    # With variances of their own the spread is 3 / 4 of them too large: no correction for that.
    assert u(off, np.full(4, 0.6), even) == pytest.approx(math.sqrt((s2 - 0.6 * 4 / 3) / 4.0))
    assert u(off, np.full(4, 60.0), even) == 0.0
    heavy = u(np.array([0.0, 10.0]), np.zeros(2), np.array([0.9, 0.1]))
    assert heavy == pytest.approx(math.sqrt(1.62 / 0.82 / 0.5))


def test_a_word_is_worth_from_one_cent_and_a_half_and_two_uncertainties_on() -> None:
    """The others' mean weighs each by its share: (0.2 x 3 + 0.4 x 4.5) / 0.6 = 4 cents."""
    others = [Pair(4, 2, 3.0, 0.0, 0.2), Pair(6, 3, 4.5, 0.0, 0.4)]
    assert disagreement_words([Pair(2, 1, 5.51, 0.0, 0.4), *others])
    assert not disagreement_words([Pair(2, 1, 5.49, 0.0, 0.4), *others])
    # Uncertainties of 0.6 / 3 and 0.6 x 2 / 3 beside one of 1: in squares 0.04 + 0.16 + 1.
    vague = [replace(pair, u_cents=0.6) for pair in others]
    apart = 2.0 * math.sqrt(1.2)
    assert disagreement_words([Pair(2, 1, 4.0 + apart + 0.01, 1.0, 0.4), *vague])
    assert not disagreement_words([Pair(2, 1, 4.0 + apart - 0.01, 1.0, 0.4), *vague])
    assert not disagreement_words([Pair(2, 1, 50.0, 0.0, 1.0)])


def test_a_note_whose_first_partial_was_not_heard_alone_shares_all_that_it_is_unsure_of() -> None:
    low, high = an_octave()
    for without in (
        replace(low, partials=low.partials[1:]),
        replace(low, partials=(replace(low.partials[0], own_u_cents=None), *low.partials[1:])),
    ):
        compared = compare_partials((without, high), fret=12)
        own_u2 = sum((pair.weight * 0.05) ** 2 for pair in compared.pairs)
        assert compared.takes[0].u_cents == pytest.approx(math.sqrt(0.2**2 + own_u2), rel=1e-9)
