"""The pluck generator itself: is its truth true? Checked by long-window spectra of clean plucks."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import plucks
import pytest


def peak_hz(samples, rate_hz, near_hz):
    """The frequency at which a Hann-windowed spectrum peaks, by zooming in on the peak."""
    window = np.hanning(samples.size)
    time_s = np.arange(samples.size) / rate_hz
    step, best = 0.02 * near_hz, near_hz
    while step > 1e-7 * near_hz:
        grid = best + step * np.linspace(-1.0, 1.0, 9)
        heights = [abs(np.dot(samples * window, np.exp(-2j * np.pi * f * time_s))) for f in grid]
        best, step = float(grid[int(np.argmax(heights))]), step / 3.0
    return best


def cents(f_hz, reference_hz):
    return 1200.0 * math.log2(f_hz / reference_hz)


def clean(spec, **changes):
    """The pluck with nothing but its string: one polarisation, no noise to speak of."""
    quiet = {"noise_db": -120.0, "hum_db": -140.0, "cross_db": -140.0, "neighbour": None}
    return replace(spec, **{**quiet, "decay_s": 1.5, "ring_s": 4.0, "pick_db": -90.0, **changes})


SPECS = plucks.specs(4, seed=3)


@pytest.mark.parametrize("spec", SPECS)
def test_partials_follow_the_stiff_string_law(spec):
    still = clean(spec, glide_cents=1e-6)
    samples, truth = plucks.render(still)
    ringing = samples[truth.onset + 4800 : truth.onset + 3 * still.rate_hz].astype(float)
    f0 = truth.f1_hz / math.sqrt(1.0 + truth.stiffness_b)
    for k in (1, 2, 3):
        law = k * f0 * math.sqrt(1.0 + truth.stiffness_b * k**2)
        # Leakage of a decaying partial's neighbours through the Hann window: under 0.002 cent.
        assert abs(cents(peak_hz(ringing, still.rate_hz, law), law)) < 0.005


@pytest.mark.parametrize("spec", SPECS)
def test_the_glide_is_where_the_truth_says(spec):
    moving = clean(spec, glide_cents=15.0, stiffness_b=5e-5)
    samples, truth = plucks.render(moving)
    rate = moving.rate_hz
    width_s = max(0.3, 16.0 / truth.f1_hz)
    for centre_s in (0.3, 0.8, 2.0):
        middle = truth.onset + round(centre_s * rate)
        half = round(width_s / 2 * rate)
        if middle - half < truth.onset:
            continue
        piece = samples[middle - half : middle + half].astype(float)
        seen = cents(peak_hz(piece, rate, truth.f1_hz), truth.f1_hz)
        # Over the window the glide curves: its mean differs from its middle by a few per cent.
        assert seen == pytest.approx(truth.glide_cents(centre_s), rel=0.06, abs=0.03)


def test_levels_are_as_asked():
    spec = clean(SPECS[0], noise_db=-30.0, hum_db=-140.0)
    samples, truth = plucks.render(spec)
    before = samples[: truth.onset].std()
    note = samples[truth.onset : truth.onset + round(0.3 * spec.rate_hz)].std()
    assert 20.0 * math.log10(before / note) == pytest.approx(-30.0, abs=0.5)


def test_the_same_spec_gives_the_same_sound():
    first, _ = plucks.render(SPECS[1])
    again, _ = plucks.render(SPECS[1])
    np.testing.assert_array_equal(first, again)


def test_the_draw_covers_the_range():
    drawn = plucks.specs(400)
    pitches = [spec.f1_hz for spec in drawn]
    assert min(pitches) < 31.5
    assert max(pitches) > 640.0
    assert max(spec.stiffness_b for spec in drawn) > 9e-4
    for tag in ("low", "short", "noisy", "hum", "neighbour", "beating"):
        assert sum(tag in spec.tags for spec in drawn) >= 40, tag


def test_a_session_holds_each_pluck_where_it_says():
    samples, truths = plucks.render_session(SPECS[:3], every_s=4.0)
    assert samples.size == 3 * 4 * 48000
    for truth in truths:
        before = samples[truth.onset - 4800 : truth.onset].std()
        after = samples[truth.onset : truth.onset + 4800].std()
        assert after > 3.0 * before
