"""Notes of known pitch, and how answers are judged: the benchmark's own footing."""

from __future__ import annotations

import math

import numpy as np
import pytest

pytest.importorskip("numba")

import stability
from answers import Answer, cents, coverage, interval_score, nearest, read
from known_notes import GENERATORS

pytestmark = pytest.mark.peers


def answer(pitch_hz: float, onset_s: float = 1.0, reason: str = "") -> Answer:
    nan = math.nan
    return Answer(onset_s, 2.0, reason, pitch_hz, 0.1, nan, nan, nan)


@pytest.mark.parametrize("name", GENERATORS)
def test_each_generator_gives_notes_that_are_what_they_say(name):
    for note in GENERATORS[name](3, 8):
        at_s = note.onset / note.rate_hz
        before = np.std(note.samples[: note.onset][-2400:])
        assert np.std(note.samples[note.onset : note.onset + 4800]) > 2.0 * before
        assert note.ring_s < note.samples.size / note.rate_hz - at_s
        if "ticks" in note.tags:  # one as loud as the note may hide where it begins
            continue
        heard = nearest(read(note.samples, note.rate_hz), at_s)
        assert heard is not None
        # A wrong string, fret or octave is a hundred cents off or more.
        assert abs(cents(heard.pitch_hz, note.f1_hz)) < 20.0


@pytest.mark.parametrize("name", GENERATORS)
def test_the_same_seed_gives_the_same_notes(name):
    first, again = (next(GENERATORS[name](1, 5)) for _ in range(2))
    np.testing.assert_array_equal(first.samples, again.samples)
    assert first.f1_hz == again.f1_hz


def test_the_first_second_of_a_note_is_that():
    note = next(GENERATORS["virtual"](1, 2))
    first = note.first(1.0)
    assert first.samples.size == note.onset + note.rate_hz
    assert first.ring_s == 1.0
    np.testing.assert_array_equal(first.samples, note.samples[: first.samples.size])


def test_an_interval_is_punished_for_its_width_and_forty_times_for_what_it_misses():
    # Worked by hand: 1.96 either side of 0 holds 1; of 3, a further 1.04 is missed.
    assert interval_score(np.array([1.0]), np.array([1.0])) == pytest.approx(3.92)
    assert interval_score(np.array([-3.0]), np.array([1.0])) == pytest.approx(3.92 + 40.0 * 1.04)
    # Who states the true spread scores better than who states half or twice of it.
    error = np.random.default_rng(0).normal(0.0, 1.0, 20_000)
    honest, bold, timid = (interval_score(error, np.full(20_000, u)) for u in (1.0, 0.5, 2.0))
    assert honest < min(bold, timid)
    assert coverage(error, np.full(20_000, 1.0)) == pytest.approx(0.95, abs=0.006)


def test_readings_that_lie_apart_are_seen_to():
    alike = [answer(100.0), answer(100.0)]
    assert stability._apart_cents(alike) == 0.0
    moved = [answer(100.0), answer(100.0 * 2.0 ** (0.3 / 1200.0)), answer(100.0)]
    assert stability._apart_cents(moved) == pytest.approx(0.3)
    assert stability._apart_cents([answer(100.0), answer(100.0, reason="gap")]) == math.inf
    assert stability._apart_cents([answer(100.0), None]) == math.inf
    spreads = [stability.Spread("", 1.2, apart, 1.0, {}) for apart in (0.1, 0.49, 0.5, math.inf)]
    assert stability.broken(spreads) == 0.5


def test_a_note_that_is_altered_by_nothing_is_still_that_note():
    note = next(GENERATORS["virtual"](1, 2)).first(1.6)
    for how, sound, cut in stability.altered(note.samples, 1):
        rest = note.samples[cut:]
        # To two digits, the least bit not counted.
        scale = round(float(np.max(sound) / np.max(rest)), 2)
        assert np.max(np.abs(sound - np.float32(scale) * rest)) <= 1.01 / 32768, how
