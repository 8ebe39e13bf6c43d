"""The tracker: right period, right octave, clarity that tells a note from noise."""

from __future__ import annotations

import numpy as np
import pytest

from pitchbench.pitch.yin import track


def tone(f_hz, rate_hz, seconds=0.6):
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    partials = range(1, max(2, min(9, int(0.4 * rate_hz / f_hz))))
    return sum(0.2 / k * np.cos(2 * np.pi * k * f_hz * t + k * k) for k in partials)


@pytest.mark.parametrize("rate_hz", [8000, 22050, 44100, 48000, 96000])
@pytest.mark.parametrize("f_hz", [30.8677, 82.4069, 329.6276, 1318.5])
def test_a_steady_note(f_hz, rate_hz):
    tracked = track(tone(f_hz, rate_hz), rate_hz)
    off_cents = 1200.0 * np.log2(tracked.f0_hz / f_hz)
    # A parabola through a dip of few samples leans: 4 cents at E6, where a period is 18 samples of
    # the working rate. The reading looks for f1 within 24 cents; a slipped octave would be 1200.
    assert np.max(np.abs(off_cents)) < (0.15 if f_hz < 400 and rate_hz >= 22050 else 5.0)
    assert np.min(tracked.clarity) > 0.95


def test_noise_is_not_clear():
    noise = np.random.default_rng(1).normal(size=48000)
    assert np.median(track(noise, 48000).clarity) < 0.4


def test_too_little_sound_gives_no_frame():
    assert len(track(np.zeros(500), 48000).f0_hz) == 0


def test_silence_has_no_clarity():
    assert np.max(track(np.zeros(24000), 48000).clarity) == pytest.approx(0.0)


def test_frames_are_a_hop_apart():
    tracked = track(tone(110.0, 48000), 48000, hop=480)
    assert np.diff(tracked.time_s) == pytest.approx(0.01, abs=1e-4)
