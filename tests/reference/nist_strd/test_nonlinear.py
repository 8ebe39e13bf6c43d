"""The fitting code against certified nonlinear regressions.

Source: NIST Statistical Reference Datasets, nonlinear regression (www.itl.nist.gov/div898/strd):
Misra1a (lower difficulty), BoxBOD and MGH17 (higher). Data from memory and confirmed by the
certified residual sums of squares; certified values as in docs/definitions.md. Both of
NIST's starting points are tried. Six digits are asked for of every parameter (NIST certifies 11)
and four of each standard deviation, since the derivatives are taken by finite differences.
"""

import numpy as np
import pytest

from pitchbench.intonation.fit import fit_nonlinear

MISRA1A_X = np.array([77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8,
                      593.1, 689.1, 760.0])  # fmt: skip
MISRA1A_Y = np.array([10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01,
                      66.40, 75.47, 81.78])  # fmt: skip
BOXBOD_X = np.array([1, 2, 3, 5, 7, 10.0])
BOXBOD_Y = np.array([109, 149, 149, 191, 213, 224.0])
MGH17_X = np.arange(33) * 10.0
MGH17_Y = np.array([0.844, 0.908, 0.932, 0.936, 0.925, 0.908, 0.881, 0.850, 0.818, 0.784, 0.751,
                    0.718, 0.685, 0.658, 0.628, 0.603, 0.580, 0.558, 0.538, 0.522, 0.506, 0.490,
                    0.478, 0.467, 0.457, 0.448, 0.438, 0.431, 0.424, 0.420, 0.414, 0.411,
                    0.406])  # fmt: skip


def saturation(x):
    return lambda b: b[0] * (1.0 - np.exp(-b[1] * x))


def two_exponentials(b):
    return b[0] + b[1] * np.exp(-MGH17_X * b[3]) + b[2] * np.exp(-MGH17_X * b[4])


@pytest.mark.parametrize("start", [(500, 0.0001), (250, 0.0005)])
def test_misra1a(start):
    fit = fit_nonlinear(saturation(MISRA1A_X), MISRA1A_Y, start)
    assert fit.values == pytest.approx([238.94212918, 5.5015643181e-4], rel=1e-6)
    assert fit.u == pytest.approx([2.7070075241, 7.2668688436e-6], rel=5e-5)
    assert fit.chi2 == pytest.approx(0.12455138894, rel=1e-9)


@pytest.mark.parametrize("start", [(1, 1), (100, 0.75)])
def test_boxbod(start):
    fit = fit_nonlinear(saturation(BOXBOD_X), BOXBOD_Y, start)
    assert fit.values == pytest.approx([213.80940889, 0.54723748542], rel=1e-6)
    assert fit.u == pytest.approx([12.354515176, 0.10455993237], rel=5e-5)
    assert fit.chi2 == pytest.approx(1168.0088766, rel=1e-9)


@pytest.mark.parametrize("start", [(50, 150, -100, 1, 2), (0.5, 1.5, -1, 0.01, 0.02)])
def test_mgh17(start):
    fit = fit_nonlinear(two_exponentials, MGH17_Y, start)
    assert fit.values == pytest.approx(
        [0.37541005211, 1.9358469127, -1.4646871366, 0.012867534640, 0.022122699662], rel=1e-6
    )
