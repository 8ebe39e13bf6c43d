"""Repeatability and reproducibility against published worked examples.

1. ISO 5725-2:1994, annex B, example 1: sulfur content of coal, 8 laboratories, 4 levels, results in
   per cent by mass. Data and results are from memory (the standard itself was not at hand); that
   all twelve printed results follow from these data speaks for both. No laboratory is left out.
2. NIST StRD, analysis of variance, data set SiRstv: resistivity of silicon wafers in ohm cm, 5
   instruments, 5 results each. Data and certified mean squares from memory, and confirmed by
   agreeing with each other to eleven digits.
"""

from __future__ import annotations

import math

import pytest

from pitchbench.intonation.repeatability import precision

COAL = (
    (
        (0.71, 0.71, 0.70, 0.71), (0.69, 0.67, 0.68), (0.66, 0.65, 0.69), (0.67, 0.65, 0.66),
        (0.70, 0.69, 0.66, 0.71, 0.69), (0.73, 0.74, 0.73), (0.71, 0.71, 0.69), (0.70, 0.65, 0.68),
    ),
    (
        (1.20, 1.18, 1.23, 1.21), (1.22, 1.21, 1.22), (1.28, 1.31, 1.30), (1.23, 1.18, 1.20),
        (1.31, 1.22, 1.22, 1.24), (1.39, 1.36, 1.37), (1.20, 1.26, 1.26), (1.24, 1.22, 1.30),
    ),
    (
        (1.68, 1.70, 1.68, 1.69), (1.64, 1.64, 1.65), (1.61, 1.61, 1.62), (1.68, 1.66, 1.66),
        (1.64, 1.67, 1.60, 1.66, 1.68), (1.70, 1.73, 1.73), (1.69, 1.70, 1.68), (1.67, 1.68, 1.67),
    ),
    (
        (3.26, 3.26, 3.20, 3.24), (3.20, 3.20, 3.20), (3.37, 3.36, 3.38), (3.16, 3.22, 3.23),
        (3.20, 3.19, 3.18, 3.27, 3.24), (3.27, 3.31, 3.29), (3.27, 3.24, 3.23), (3.25, 3.26, 3.26),
    ),
)  # fmt: skip
#: Laboratories, mean, s_r and s_R as printed.
COAL_RESULTS = (
    (8, 0.690, 0.015, 0.026),
    (8, 1.252, 0.029, 0.061),
    (8, 1.667, 0.017, 0.035),
    (8, 3.250, 0.026, 0.058),
)

SILICON = (
    (196.3052, 196.1240, 196.1890, 196.2569, 196.3403),
    (196.3042, 196.3825, 196.1669, 196.3257, 196.0422),
    (196.1303, 196.2005, 196.2889, 196.0343, 196.1811),
    (196.2795, 196.1748, 196.1494, 196.1485, 195.9885),
    (196.2119, 196.1051, 196.1850, 196.0052, 196.2090),
)
BETWEEN_MEAN_SQUARE = 1.27865654000000e-02
WITHIN_MEAN_SQUARE = 1.08318280000000e-02


@pytest.mark.parametrize(("level", "printed"), list(zip(COAL, COAL_RESULTS, strict=True)))
def test_sulfur_in_coal(level, printed):
    found = precision(level)
    laboratories, mean, repeatability, reproducibility = printed
    assert found.players == laboratories
    # Half of the last digit printed.
    assert found.mean == pytest.approx(mean, abs=0.0005)
    assert found.repeatability_sd == pytest.approx(repeatability, abs=0.0005)
    assert found.reproducibility_sd == pytest.approx(reproducibility, abs=0.0005)


def test_certified_mean_squares_of_silicon():
    found = precision(SILICON)
    assert found.repeatability_sd**2 == pytest.approx(WITHIN_MEAN_SQUARE, rel=1e-10)
    # Five takes each: s_L^2 = (between - within) / 5.
    expected = math.sqrt((BETWEEN_MEAN_SQUARE - WITHIN_MEAN_SQUARE) / 5)
    assert found.between_sd == pytest.approx(expected, rel=1e-9)
    assert found.dof == 20
