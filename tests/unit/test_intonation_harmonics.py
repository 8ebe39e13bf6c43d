"""A harmonic touched on the open string, told from a fretted note; played on the virtual
instrument, and on partials written by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
import scipy.stats
from invented import a_reading
from recordings import RATE_HZ, Note, play
from sampler import GUITARS, render_note, require_sampler

from pitchbench.intonation.harmonics import (
    HARMONIC_AT_FRET,
    IN_DOUBT,
    TOUCHED,
    TOUCHED_AT_FRET,
    Array,
    touched_harmonic,
    touched_takes,
)
from pitchbench.pitch.listener import Listener, ReadingReady
from pitchbench.pitch.reading import Partial, Reading
from pitchbench.presets import preset
from pitchbench.sound.source import Block
from pitchbench.strings.virtual import VirtualInstrument
from pitchbench.units import cents_between, fret_ratio


def read(virtual: VirtualInstrument, notes: list[Note]) -> list[Reading]:
    listener = Listener(RATE_HZ)
    events = [*listener.feed(Block(play(virtual, notes), 0, RATE_HZ)), *listener.finish()]
    return [e.reading for e in events if isinstance(e, ReadingReady)]


def set_to_zero(virtual: VirtualInstrument, string: int) -> None:
    for _ in range(4):
        error = virtual.true_offset_cents(string)
        virtual.move_saddle(string, error * virtual.instrument.scale_mm / 1731.2)
        virtual.tune(string)


@pytest.mark.parametrize(
    ("name", "string"), [("six-string", 6), ("six-string", 2), ("bass-five", 4)]
)
@pytest.mark.parametrize(("fret", "number"), HARMONIC_AT_FRET.items())
def test_touched_takes_are_known(name: str, string: int, fret: int, number: int) -> None:
    virtual = VirtualInstrument(preset(name), seed=3, rate_hz=RATE_HZ)
    opens = read(virtual, [Note(string)] * 2)
    touched = read(virtual, [Note(string, touched=number)] * 3)
    found = touched_harmonic(touched, opens, number=number)
    assert found is not None
    assert found.probability > TOUCHED
    assert abs(found.off_cents) < 3.0 * found.u_cents
    fretted = read(virtual, [Note(string, fret, detune_cents=d) for d in (-0.4, 0.5)])
    # The saddle as it was found is some cents off at the 12th fret, more further up.
    assert abs(virtual.true_offset_cents(string, fret)) > 1.0
    told = touched_harmonic(fretted, opens, number=number)
    assert told is not None
    assert told.probability < 0.01


@pytest.mark.parametrize("string", range(1, 7))
def test_a_string_that_is_set_perfectly_is_not_taken_for_touched(string: int) -> None:
    """The hardest case: no offset, and three frettings within half a cent of it."""
    virtual = VirtualInstrument(preset("six-string"), seed=3, rate_hz=RATE_HZ)
    set_to_zero(virtual, string)
    opens = read(virtual, [Note(string)] * 2)
    fretted = read(virtual, [Note(string, 12, detune_cents=d) for d in (-0.4, 0.5, -0.1)])
    found = touched_harmonic(fretted, opens)
    assert found is not None
    assert found.probability < TOUCHED


def reading(f1_hz: float, off_cents: list[float], decay_s: float = 2.0) -> Reading:
    """A reading whose partial k lies ``off_cents[k - 1]`` above k times ``f1_hz``, its law."""
    partials = tuple(
        Partial(k, k * f1_hz * 2.0 ** (off / 1200.0), 0.05, -20.0, decay_s / k, off)
        for k, off in enumerate(off_cents, start=1)
    )
    return a_reading(f1_hz, 0.0, u_cents=0.05, partials=partials)


#: An open string whose partials a body has shifted by cents.
_SHIFTED = [0.0, 1.5, -2.0, 4.0, 1.0, -3.0, 2.0, 0.5]


def test_partials_that_a_body_shifts_are_shifted_alike_when_the_string_is_touched() -> None:
    opens = [reading(110.0, _SHIFTED)]
    even = [_SHIFTED[2 * k - 1] for k in (1, 2, 3, 4)]
    alike = touched_harmonic([reading(220.0, even, 1.0)] * 4, opens)
    by_the_law = touched_harmonic([reading(220.0, [1.5, 1.5, 1.5, 1.5], 1.0)] * 2, opens)
    assert alike is not None
    assert by_the_law is not None
    assert alike.probability > TOUCHED
    assert by_the_law.probability < 0.01


def test_the_nearer_a_string_obeys_its_law_the_less_agreement_says() -> None:
    """On another length single partials lie off as they do on the whole string: where that is not
    at all, a note that is fretted right agrees with the open string's partials as well."""

    def probability(law: float) -> float:
        opens = [reading(110.0, [law * off for off in _SHIFTED])]
        take = reading(220.0, [law * off for off in _SHIFTED[1::2]], 1.0)
        found = touched_harmonic([take] * 2, opens)
        assert found is not None
        return found.probability

    perfect, real = probability(0.0), probability(1.0)
    assert perfect < 0.9
    assert real > TOUCHED


def test_decays_of_another_length_speak_against_it() -> None:
    opens = [reading(110.0, [0.0] * 8)]
    same = touched_harmonic([reading(220.0, [0.3] * 4, 1.0)], opens)
    shorter = touched_harmonic([reading(220.0, [0.3] * 4, 0.4)], opens)
    assert same is not None
    assert shorter is not None
    assert shorter.probability < same.probability


def test_equal_temperament_is_two_cents_off_the_just_twelfth() -> None:
    """Three times the open string lies 1.955 cents above the note of the 19th fret."""
    opens = [reading(110.0, [*_SHIFTED, 1.0])]
    third = [-2.0, -3.0, 1.0]
    just = touched_harmonic([reading(330.0, third, 2.0 / 3.0)] * 5, opens, number=3)
    lower = [off - 1.955 for off in third]
    equal = touched_harmonic([reading(330.0, lower, 2.0 / 3.0)] * 3, opens, number=3)
    assert just is not None
    assert equal is not None
    assert just.probability > TOUCHED
    assert equal.probability < 0.01


def five_takes(rng: np.random.Generator, *, scatter: float, touched: bool) -> list[float]:
    """The probabilities after one to five takes of one string, 1 where a take is refused.

    Its partials lie off the law by half a cent, each length its own way, and its saddle is set
    exactly: the hardest case for telling the two apart.
    """

    def take(f1_hz: float, off: float, shifts: Array, decay_s: float) -> Reading:
        partials = tuple(
            Partial(k, k * f1_hz * 2.0 ** ((off + shift) / 1200.0), 0.05, -20.0, decay_s / k, shift)
            for k, shift in enumerate(shifts + rng.normal(0.0, 0.05, shifts.size), start=1)
        )
        return a_reading(f1_hz, u_cents=0.05, partials=partials)

    open_shifts = rng.normal(0.0, 0.5, 8)
    shifts = open_shifts[1::2] if touched else rng.normal(0.0, 0.5, 4)
    opens = [take(110.0, rng.normal(0.0, 0.1), open_shifts, 2.0) for _ in range(2)]
    takes = [
        take(220.0, rng.normal(0.0, 0.1 if touched else scatter), shifts, 1.0 if touched else 0.8)
        for _ in range(5)
    ]
    found = [touched_takes(takes[:n], opens, fret=12) for n in range(1, 6)]
    return [1.0 if each.which else min(each.probability, 0.998) for each in found]


@pytest.mark.parametrize("scatter", [0.3, 1.0])
def test_who_frets_a_string_that_is_set_perfectly_is_hardly_ever_asked(scatter: float) -> None:
    rng = np.random.default_rng(5)
    most = [max(five_takes(rng, scatter=scatter, touched=False)) for _ in range(60)]
    assert sum(p >= IN_DOUBT for p in most) <= 1
    assert max(most) < TOUCHED


def test_who_touches_is_told_or_asked_by_pitch_alone() -> None:
    rng = np.random.default_rng(5)
    most = [max(five_takes(rng, scatter=0.0, touched=True)) for _ in range(60)]
    assert sum(p >= TOUCHED for p in most) > 50
    assert min(most) >= IN_DOUBT


@pytest.mark.sampler
@pytest.mark.parametrize("name", ["steel guitar", "clean guitar", "finger bass"])
def test_sampled_strings_set_perfectly_are_not_refused(name: str) -> None:
    """The note an octave up, tuned to twice the open one: a saddle that is exactly right."""
    require_sampler()
    program, lowest = GUITARS[name]

    def sampled(number: int, cents: float = 0.0, velocity: int = 80) -> Reading:
        sound, rate_hz = render_note(program, number, cents=cents, seconds=2.5, velocity=velocity)
        listener = Listener(rate_hz)
        events = [*listener.feed(Block(sound, 0, rate_hz)), *listener.finish()]
        (found,) = [e.reading for e in events if isinstance(e, ReadingReady)]
        assert isinstance(found, Reading)
        return found

    opens = [sampled(lowest + 5, velocity=v) for v in (70, 95)]
    off = cents_between(sampled(lowest + 17).pitch_hz, 2.0 * opens[0].pitch_hz)
    takes = [sampled(lowest + 17, d - off, v) for d, v in ((0.2, 70), (-0.3, 80), (0.1, 90))]
    assert not any(take.undertones for take in takes)
    assert not touched_takes(takes, opens, fret=12).which


def test_nothing_to_compare() -> None:
    assert touched_harmonic([reading(220.0, [0.0])], [reading(110.0, [0.0])]) is None
    assert touched_harmonic([], [reading(110.0, [0.0, 0.0])]) is None


def test_uncertain_readings_say_little() -> None:
    opens = [reading(110.0, [0.0] * 8)]
    vague = tuple(Partial(k, 220.0 * k, 3.0, -20.0, None, 0.0) for k in range(1, 5))
    take = a_reading(220.0, 0.0, u_cents=3.0, partials=vague)
    found = touched_harmonic([take, take], opens)
    assert found is not None
    assert found.probability < 0.5
    assert np.isfinite(found.off_cents)


def test_harmonics_lie_where_the_string_is_divided() -> None:
    """Two cents of the note that is fretted there, or a hundredth of the length from the node."""
    assert HARMONIC_AT_FRET.keys() == {12, 19, 24}
    for fret, number in HARMONIC_AT_FRET.items():
        assert 1200.0 * math.log2(number) == pytest.approx(100.0 * fret, abs=2.0)
    assert TOUCHED_AT_FRET.keys() == {2, 3, 4}
    for number, fret in TOUCHED_AT_FRET.items():
        assert 1.0 - 1.0 / fret_ratio(fret) == pytest.approx(1.0 / number, abs=0.01)


def written(f1_hz: float, cents: dict[int, float], u_cents: dict[int, float]) -> Reading:
    """A reading of these partials, off the multiples of ``f1_hz``, with no decay times."""
    partials = tuple(
        Partial(k, k * f1_hz * 2.0 ** (off / 1200.0), u_cents[k], -20.0, None, 0.0)
        for k, off in cents.items()
    )
    return a_reading(f1_hz, u_cents=0.05, partials=partials)


def log_odds(probability: float) -> float:
    return math.log(probability / (1.0 - probability))


@pytest.mark.parametrize(("number", "beforehand"), [(2, 0.1), (2, 0.002), (3, 0.1)])
def test_the_odds_are_those_of_two_gaussians(number: int, beforehand: float) -> None:
    """By SciPy's multivariate normal, with the figures of the module's comments written out: plucks
    differ by 0.15 cents and partials by 0.1; fretted, an offset of 1 or 5, refretting of 0.3 or 1
    and 0.5 for each partial besides; three quarters of the least variance of a take are shared.
    The third partial lies 1.955 cents above the note that would be fretted there."""
    k, u_open = number, {number: 0.1, 2 * number: 0.3}
    opens = [written(110.0, {k: c, 2 * k: d}, u_open) for c, d in ((0.0, 0.2), (0.2, 0.6))]
    takes = [written(110.0 * number, {1: 0.4, 2: 0.5}, {1: 0.1, 2: 0.2}),
             written(110.0 * number, {1: -0.1, 2: 0.9}, {1: 0.2, 2: 0.4})]  # fmt: skip
    off = np.array([0.3, 0.1, -0.2, 0.5])  # from the mean of the open ones, 0.1 and 0.4
    take, partial = np.array([0, 0, 1, 1]), np.array([1, 2, 1, 2])
    same_take, same_partial = (a[:, None] == a for a in (take, partial))
    shared = 0.75 * np.array([0.01, 0.01, 0.04, 0.04])
    of_open = np.array([0.01 + 0.15**2, 0.09 + 0.15**2] * 2) / 2.0
    own = np.array([0.01, 0.04, 0.04, 0.16]) - shared + of_open - of_open[0]
    touched = np.diag(own + 0.1**2) + of_open[0] + (0.15**2 + shared) * same_take
    fretted = np.mean([
        scipy.stats.multivariate_normal.pdf(
            off + {2: 0.0, 3: 1.955}[number],
            cov=touched + offset**2 + hand**2 * same_take + 0.5**2 * same_partial
        )
        for offset, hand in product((1.0, 5.0), (0.3, 1.0))
    ])  # fmt: skip
    # No faint partial of the open string: half of all touched notes, and 999 of 1000 fretted ones.
    by_hand = scipy.stats.multivariate_normal.pdf(off, cov=touched) / fretted * 0.5 / 0.999
    by_hand *= beforehand / (1.0 - beforehand)
    found = touched_harmonic(takes, opens, number=number, beforehand=beforehand)
    assert found is not None
    assert log_odds(found.probability) == pytest.approx(math.log(by_hand), abs=1e-3)
    weight = np.linalg.inv(touched).sum(axis=0)
    assert found.off_cents == pytest.approx(weight @ off / weight.sum())
    assert found.u_cents == pytest.approx(weight.sum() ** -0.5)
    assert found.pairs == 4


@pytest.mark.parametrize(
    ("ratio", "said"),
    # Two normal distributions of the logarithm, sd 0.2 and 0.5, and a factor of 5 at most.
    [(1.0, math.log(2.5)), (0.8, math.log(2.5) - 10.5 * math.log(0.8) ** 2), (0.5, -math.log(5.0))],
)
def test_what_decays_say_of_the_odds(ratio: float, said: float) -> None:
    opens = [reading(110.0, [0.0] * 8)]
    with_decays = touched_harmonic([reading(220.0, [0.6] * 4, ratio)], opens)
    silent = [
        replace(each, partials=tuple(replace(p, decay_s=None) for p in each.partials))
        for each in opens
    ]
    without = touched_harmonic([reading(220.0, [0.6] * 4, ratio)], silent)
    assert with_decays is not None
    assert without is not None
    assert log_odds(with_decays.probability) - log_odds(without.probability) == pytest.approx(said)


def test_what_is_left_of_the_open_string_says_much() -> None:
    """0.5 against 0.001 where it is heard, 0.5 against 0.999 where not; the mean of all takes."""
    opens, take = [reading(110.0, [0.0] * 8)], reading(220.0, [0.6] * 4, 0.8)
    left = replace(take, undertones=(2,))
    found = [touched_harmonic(takes, opens) for takes in ([take] * 2, [take, left], [left] * 2)]
    none, one, both = (log_odds(each.probability) for each in found if each is not None)
    assert both - none == pytest.approx(math.log(999.0))
    assert one - none == pytest.approx(math.log(999.0) / 2.0)
