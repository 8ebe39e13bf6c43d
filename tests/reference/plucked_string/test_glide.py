"""How sharp a plucked string starts, from first principles.

The reference is the ideal plucked string itself, by d'Alembert's travelling waves on a grid: its
mean elongation over one period, times kappa/2, is the mean rise of its frequency. The sizes are
those of docs/definitions.md, section 1 (derived, rounded there).
"""

from __future__ import annotations

import numpy as np
import pytest

from pitchbench.strings.physics import glide_cents
from pitchbench.units import CENTS_PER_NEPER

GRID = 4096


def mean_strain(amplitude_mm: float, length_mm: float, plucked_at: float) -> float:
    """Mean over one period of the elongation of a string let go from a triangle."""
    x = (np.arange(GRID) + 0.5) / GRID
    slope = np.where(x < plucked_at, 1.0 / plucked_at, -1.0 / (1.0 - plucked_at))
    slope *= amplitude_mm / length_mm
    # The slope is even about the ends, so the two waves run round a ring of twice the length.
    ring = np.concatenate([slope, slope[::-1]])
    strains = []
    for step in range(0, ring.size, 16):
        moved = (np.roll(ring, step) + np.roll(ring, -step)) / 2.0
        strains.append(np.mean(moved[:GRID] ** 2) / 2.0)
    return float(np.mean(strains))


@pytest.mark.parametrize("plucked_at", [0.125, 0.25, 0.5])
def test_the_formula_is_the_mean_elongation_of_the_ideal_string(plucked_at: float) -> None:
    want = CENTS_PER_NEPER * 370.0 / 2.0 * mean_strain(2.0, 648.0, plucked_at)
    got = glide_cents(370.0, 2.0, 648.0, plucked_at=plucked_at)
    assert got == pytest.approx(want, rel=0.005)  # the corner falls between grid points


@pytest.mark.parametrize(
    ("kappa", "amplitude_mm", "cents", "within"),
    [(139.0, 2.0, 2.6, 0.05), (370.0, 2.0, 7.0, 0.5), (370.0, 4.0, 27.0, 1.0), (370, 5, 43.0, 1.0)],
)
def test_the_sizes_that_the_definitions_name(
    kappa: float, amplitude_mm: float, cents: float, within: float
) -> None:
    """A plain E4 and a low E on 648 mm, plucked an eighth from the saddle."""
    assert glide_cents(kappa, amplitude_mm, 648.0) == pytest.approx(cents, abs=within)
