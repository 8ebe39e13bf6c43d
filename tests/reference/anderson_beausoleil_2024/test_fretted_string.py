"""B. Anderson and R. Beausoleil, "Classical guitar intonation and compensation: the well-tempered
guitar", J. Acoust. Soc. Am. 156(1) 683 (2024): their measured nylon set, what they measured on
their guitar, and their prototype string. The paper was read; the values below are its own, except
where a line says that they were calculated from its formulas.
"""

from __future__ import annotations

import numpy as np
import pytest

from pitchbench.presets import preset
from pitchbench.strings.materials import string_properties
from pitchbench.strings.physics import (
    Neck,
    bending_parameter,
    fretted_lengths,
    kappa_of_stretch_test,
    offset_cents,
    stretch_stiffness,
    tension_n,
)
from pitchbench.units import CENTS_PER_NEPER

#: Per string, 1 to 6: T in N, R, kappa, b of the table; their guitar without compensation.
TABLE = [
    (68.6, 23.6, 48.2, 0.00190),
    (52.0, 23.8, 48.7, 0.00220),
    (54.2, 28.8, 58.6, 0.00301),
    (70.0, 22.5, 46.0, 0.00192),
    (67.3, 23.9, 48.7, 0.00239),
    (62.8, 28.6, 58.2, 0.00321),
]
GUITAR = Neck(scale_mm=652.0, nut_height_mm=1.4, saddle_rise_mm=5.5, finger_mm=10.0)
SETBACK_MM = -3.5

PROTOTYPE = Neck(scale_mm=650.0, nut_height_mm=1.0, saddle_rise_mm=4.0, finger_mm=0.0)


def offset_linear_cents(
    neck: Neck,
    fret: float | np.ndarray,
    *,
    kappa: float | np.ndarray,
    b: float | np.ndarray,
    saddle_setback_mm: float | np.ndarray = 0.0,
    nut_setback_mm: float | np.ndarray = 0.0,
) -> np.ndarray:
    """First-order form of `offset_cents`: C [(gamma-1)(b - dS/X0) + dN/X0 + kappa Q/2]."""
    q = fretted_lengths(
        neck, fret, saddle_setback_mm=saddle_setback_mm, nut_setback_mm=nut_setback_mm
    ).stretch
    gamma = 2.0 ** (np.asarray(fret) / 12.0)
    x0 = neck.scale_mm
    return CENTS_PER_NEPER * (
        (gamma - 1.0) * (b - saddle_setback_mm / x0) + nut_setback_mm / x0 + kappa * q / 2.0
    )


@pytest.mark.parametrize("string", range(1, 7))
def test_the_nylon_preset_has_the_tension_stretch_and_stiffness_of_the_table(string: int) -> None:
    spec = preset("nylon").string(string)
    tension, r, kappa, b = TABLE[string - 1]
    properties = string_properties(spec)
    ours = tension_n(properties.mu_kg_per_m, spec.note.hz(), 650.0)
    # Three figures are printed of each quantity that goes in and of each that comes out.
    assert ours == pytest.approx(tension, rel=0.005)
    assert stretch_stiffness(properties, tension) == pytest.approx(kappa, rel=0.005)
    assert bending_parameter(properties, tension, 650.0) == pytest.approx(b, rel=0.005)
    assert kappa_of_stretch_test(r) == pytest.approx(kappa, abs=0.11)  # R has one decimal: 2 x 0.05


def test_the_offsets_measured_on_their_guitar_are_predicted() -> None:
    kappa, b = np.array([row[2] for row in TABLE]), np.array([row[3] for row in TABLE])
    first = offset_cents(GUITAR, 1, kappa=kappa, b=b, saddle_setback_mm=SETBACK_MM)
    twelfth = offset_cents(GUITAR, 12, kappa=kappa, b=b, saddle_setback_mm=SETBACK_MM)
    # Measured: 4.5 to 5.75 at fret 1, and they read their instrument to a quarter of a cent.
    assert np.all((first > 4.5 - 0.25) & (first < 5.75 + 0.25))
    thick = np.array([False, False, True, False, False, True])
    assert np.all((twelfth[thick] > 18.5) & (twelfth[thick] < 19.5))
    assert np.all((twelfth[~thick] > 15.75) & (twelfth[~thick] < 17.5))


def test_the_offsets_calculated_by_their_formulas() -> None:
    kappa, b = np.array([row[2] for row in TABLE]), np.array([row[3] for row in TABLE])
    got = offset_cents(
        GUITAR, np.array([[1], [12]]), kappa=kappa, b=b, saddle_setback_mm=SETBACK_MM
    )
    want = [
        [4.58, 4.65, 5.51, 4.41, 4.67, 5.50],
        [16.18, 16.76, 19.05, 16.05, 17.12, 19.39],
    ]
    # Half a unit of the last figure printed, and as much for the rounded kappa and b.
    assert got == pytest.approx(np.array(want), abs=0.012)


def test_the_prototype_string_fret_by_fret() -> None:
    frets = np.array([1, 2, 3, 5, 7, 9, 12])
    got = offset_cents(PROTOTYPE, frets, kappa=51.0, b=0.00236)
    want = [1.727, 1.609, 1.817, 2.483, 3.316, 4.280, 5.975]
    assert got == pytest.approx(np.array(want), abs=0.0006)


def test_the_linear_form_agrees_with_the_exact_one_for_small_offsets() -> None:
    frets = np.arange(1, 13)
    exact = offset_cents(PROTOTYPE, frets, kappa=51.0, b=0.00236)
    linear = offset_linear_cents(PROTOTYPE, frets, kappa=51.0, b=0.00236)
    # What is left out is of second order: b^2 and (kappa Q)^2, some 1e-5, which is 0.02 cent.
    assert linear == pytest.approx(exact, abs=0.02)
    assert np.any(linear != exact)


@pytest.mark.parametrize(("fret", "relative"), [(1, -0.0594), (12, -1.0)])
def test_a_millimetre_at_the_saddle_and_at_the_nut(fret: int, relative: float) -> None:
    """Saddle: -C (gamma - 1)/X0 per mm; nut: +C/X0 per mm at every fret (their linear form)."""
    per_mm = 1731.234 / 650.0
    string = {"kappa": 51.0, "b": 0.00236}
    plain = offset_cents(PROTOTYPE, fret, **string)
    saddle = offset_cents(PROTOTYPE, fret, saddle_setback_mm=0.1, **string) - plain
    nut = offset_cents(PROTOTYPE, fret, nut_setback_mm=0.1, **string) - plain
    # The linear form leaves out that the stretch changes too: kappa dQ is 2.4 % of it at fret 1.
    assert saddle == pytest.approx(0.1 * per_mm * relative, rel=0.03)
    assert nut == pytest.approx(0.1 * per_mm, rel=0.02)
