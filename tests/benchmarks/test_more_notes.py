"""The yardstick of the notes that nobody chose is itself held to notes of known pitch."""

from __future__ import annotations

import numpy as np
import pytest
from more_notes import late_first_partial, note_hz


@pytest.mark.parametrize("f1_hz", [41.2, 110.3, 331.7])
def test_the_late_first_partial_is_that_of_a_stiff_string_in_noise(f1_hz: float) -> None:
    rate_hz, rng = 44_100, np.random.default_rng(5)
    time_s = np.arange(5 * rate_hz) / rate_hz - 0.7
    number = np.arange(1, 9)[:, None]
    partials = number * f1_hz * np.sqrt((1 + 1e-4 * number**2) / (1 + 1e-4))
    swing = np.exp(-0.5 * time_s) / number * np.sin(2 * np.pi * partials * time_s)
    sound = 0.2 * swing.sum(axis=0) * (time_s >= 0) + 1e-4 * rng.standard_normal(len(time_s))
    found = late_first_partial(sound, rate_hz, 0.7, 1.004 * f1_hz)
    assert found is not None
    assert 1200.0 * np.log2(found[0] / f1_hz) == pytest.approx(0.0, abs=0.01)
    assert found[1] < 0.05


def test_a_name_tells_the_note_or_nothing() -> None:
    assert note_hz("E1.wav") == pytest.approx(41.2034, abs=1e-3)  # ISO 16: A4 is 440 Hz
    assert note_hz("Cs3.mp3") == pytest.approx(138.5913, abs=1e-3)
    assert note_hz("README.wav") is None
