"""A synthesised chord: its partials lie where the law puts them, and it beats as it should."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import find_peaks

from pitchbench.strings.chord_sound import ChordTone, chord_sound

RATE_HZ = 16_000


def test_partials_follow_the_law_of_a_stiff_string() -> None:
    """At B = 3e-4 the 10th partial of 110 Hz lies 16 Hz above ten times the first."""
    b, ring_s = 3e-4, 8.0
    sound = chord_sound([ChordTone(110.0, b)], ring_s=ring_s, rate_hz=RATE_HZ)
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), 4 * len(sound)))
    hz = np.fft.rfftfreq(4 * len(sound), 1 / RATE_HZ)
    for k in (1, 2, 5, 9, 10):
        expected = k * 110.0 * math.sqrt((1 + b * k * k) / (1 + b))
        near = np.abs(hz - expected) < 8.0
        assert hz[near][np.argmax(spectrum[near])] == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("beats_hz", [0.8, 2.0])
def test_two_notes_beat_at_the_difference_of_their_partials(beats_hz: float) -> None:
    """A unison, heard through its first partial alone."""
    sound = chord_sound(
        [ChordTone(220.0), ChordTone(220.0 + beats_hz)], ring_s=6.0, rate_hz=RATE_HZ
    )
    time_s = np.arange(len(sound)) / RATE_HZ
    window = np.hanning(RATE_HZ // 10)
    carried = sound * np.exp(-2j * np.pi * 220.0 * time_s)
    envelope = np.abs(np.convolve(carried, window, "same"))[1600:-6400]
    level = -np.log(envelope) - 0.95 * time_s[1600:-6400]  # the decay of the partial taken off
    minima, _ = find_peaks(level, prominence=1.0)
    assert len(minima) >= 3
    assert np.mean(np.diff(minima)) / RATE_HZ == pytest.approx(1.0 / beats_hz, rel=0.01)


def test_length_peak_and_end() -> None:
    sound = chord_sound([ChordTone(82.4), ChordTone(5000.0)], ring_s=1.0)
    assert sound.dtype == np.float32
    assert len(sound) == 48_000
    assert np.max(np.abs(sound)) == pytest.approx(0.5, abs=1e-6)
    assert abs(sound[0]) < 1e-3
    assert abs(sound[-1]) < 1e-3
