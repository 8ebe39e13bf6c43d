"""Stiffness of strings.

- H. Fletcher, "Normal vibration frequencies of a stiff piano string", J. Acoust. Soc. Am. 36, 203
  (1964): f_k = k f0 sqrt(1 + B k^2), B = pi^3 E d^4 / (64 T L^2).
- J. A. Kemp, "On inharmonicity in bass guitar strings with application to tapered and lumped
  constructions", SN Applied Sciences 2:636 (2020), of which only the abstract was seen: a bass's
  low B stopped at the 12th fret is about 100 cents sharp at its 10th partial, at the 21st about 100
  at its 6th.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from pitchbench.presets import preset
from pitchbench.strings.materials import steel_properties, string_properties
from pitchbench.strings.physics import (
    bending_parameter,
    fretted_bending_parameter,
    fretted_lengths,
    inharmonicity,
    neck_of,
    stretch_stiffness,
    tension_n,
)


def kemp_b(partial: int, cents: float) -> float:
    """B from how sharp a partial is against its harmonic."""
    return (2 ** (2 * cents / 1200) - 1) / partial**2


def test_b_is_fletchers_formula() -> None:
    string = steel_properties(0.432)
    tension, length_mm = 73.7, 648.0
    b = inharmonicity(bending_parameter(string, tension, length_mm))
    want = math.pi**3 * 190e9 * 0.432e-3**4 / (64 * tension * 0.648**2)
    assert b == pytest.approx(want, rel=1e-9)


def test_a_bass_string_stiffens_up_the_neck_as_kemp_found() -> None:
    bass = preset("bass-five")
    neck, spec = neck_of(bass, 5), bass.string(5)
    string = string_properties(spec)
    tension = tension_n(string.mu_kg_per_m, spec.note.hz(), bass.scale_mm)
    kappa = stretch_stiffness(string, tension)
    b_open = bending_parameter(string, tension, bass.scale_mm)
    lengths = fretted_lengths(neck, np.array([12, 21]))
    b12, b21 = inharmonicity(fretted_bending_parameter(lengths, kappa, b_open))
    # "About 100 cents" is 95 to 105 at the best: 5 % in B on either side.
    assert b21 / b12 == pytest.approx(kemp_b(6, 100) / kemp_b(10, 100), rel=0.1)
    # Another maker's string on another scale: of the same size, no more can be asked.
    assert b12 == pytest.approx(kemp_b(10, 100), rel=0.3)
    assert b21 == pytest.approx(kemp_b(6, 100), rel=0.3)
