"""The saddle table of docs/definitions.md, section 3, to every digit given there.

Source: calculated there from lengths alone (derived), s = 648 mm unless said. Half a unit of the
last digit is the tolerance, so a wrong formula (linear for exact, or a forgotten setback) fails.
Screw pitches: ISO 261 coarse series, and 25.4 mm / threads per inch of ASME B1.1 (from memory).
"""

import pytest

from pitchbench.intonation import geometry
from pitchbench.units import CENTS_PER_NEPER, fret_ratio

FRETS = (1, 3, 5, 12, 15, 19, 24)
LINEAR = (-0.1589, -0.5055, -0.8946, -2.6717, -3.6827, -5.3343, -8.0150)
EXACT = (-0.1586, -0.5046, -0.8930, -2.6655, -3.6731, -5.3179, -7.9842)


def _linear_cents(move_mm: float, *, fret: float, scale_mm: float) -> float:
    """The first-order form: -(1200 / ln 2) (gamma - 1) x / s."""
    return -CENTS_PER_NEPER * (fret_ratio(fret) - 1.0) * move_mm / scale_mm


@pytest.mark.parametrize(("fret", "cents"), list(zip(FRETS, LINEAR, strict=True)))
def test_linear(fret, cents):
    found = _linear_cents(1.0, fret=fret, scale_mm=648)
    assert found == pytest.approx(cents, abs=0.5e-4)


@pytest.mark.parametrize(("fret", "cents"), list(zip(FRETS, EXACT, strict=True)))
def test_exact(fret, cents):
    found = geometry.saddle_change_cents(1.0, fret=fret, scale_mm=648)
    assert found == pytest.approx(cents, abs=0.5e-4)


@pytest.mark.parametrize(
    ("move_mm", "cents"), [(-5, 13.515), (-1, 2.678), (2, -5.319), (5, -13.206), (10, -26.113)]
)
def test_larger_moves_at_the_12th(move_mm, cents):
    found = geometry.saddle_change_cents(move_mm, fret=12, scale_mm=648)
    assert found == pytest.approx(cents, abs=0.51e-3)


@pytest.mark.parametrize(
    ("cents", "setback_mm", "move_mm"),
    [(5, 0, 1.880), (5, 3, 1.906), (10, 0, 3.776), (10, 3, 3.829), (-10, 0, -3.711),
     (-10, 3, -3.762)],
)  # fmt: skip
def test_move_that_cancels(cents, setback_mm, move_mm):
    found = geometry.saddle_move_mm(cents, fret=12, scale_mm=648, setback_mm=setback_mm)
    assert found == pytest.approx(move_mm, abs=0.5e-3)


def test_bass():
    found = _linear_cents(1.0, fret=12, scale_mm=864)
    assert found == pytest.approx(-2.004, abs=0.5e-3)


@pytest.mark.parametrize(
    ("screw", "pitch_mm"),
    [("M2", 0.40), ("M2.5", 0.45), ("M3", 0.50), ("M3.5", 0.60), ("M4", 0.70), ("4-40", 0.635),
     ("6-32", 0.794), ("8-32", 0.794)],
)  # fmt: skip
def test_screw_pitches(screw, pitch_mm):
    assert geometry.SCREW_PITCH_MM[screw] == pytest.approx(pitch_mm, abs=0.5e-3)


@pytest.mark.parametrize(("screw", "cents"), [("M3", 1.34), ("M4", 1.87), ("4-40", 1.70),
                                              ("6-32", 2.12)])  # fmt: skip
def test_cents_per_turn(screw, cents):
    pitch_mm = geometry.SCREW_PITCH_MM[screw]
    found = -_linear_cents(pitch_mm, fret=12, scale_mm=648)
    assert found == pytest.approx(cents, abs=0.5e-2)
