"""Readings on harmonic notes against Praat's autocorrelation (Boersma 1993) and librosa's yin."""

from __future__ import annotations

import pytest
from benchmarks import plucks
from reference.steady_strings import settled_reading, steady_string

from pitchbench.units import cents_between

pytest.importorskip("parselmouth")
pytest.importorskip("librosa")
from benchmarks import peers

pytestmark = pytest.mark.peers


# Praat reads these notes to a thousandth of a cent; librosa's parabola is 0.03 to 0.2 cent sharp.
@pytest.mark.parametrize(
    ("tracker", "tolerance_cents"),
    [(peers.praat_autocorrelation, 0.01), (peers.librosa_yin, 0.3)],
    ids=["praat", "librosa"],
)
@pytest.mark.parametrize("f1_hz", [61.7354, 82.4069, 164.8138, 329.6276])
def test_agrees_on_harmonic_notes(tracker, tolerance_cents, f1_hz):
    spec = steady_string(f1_hz, stiffness_b=0.0)
    samples, truth = plucks.render(spec)
    tail = peers.Tail(
        samples,
        spec.rate_hz,
        start=truth.onset + spec.rate_hz // 2,
        stop=truth.onset + 3 * spec.rate_hz,
        fmin_hz=0.6 * f1_hz,
        fmax_hz=1.7 * f1_hz,
        near_hz=f1_hz,
    )
    ours = settled_reading(samples, spec.rate_hz)
    assert cents_between(ours.pitch_hz, tracker(tail)) == pytest.approx(0.0, abs=tolerance_cents)
