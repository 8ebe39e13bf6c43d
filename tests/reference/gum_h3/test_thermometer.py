"""The straight line of the GUM, JCGM 100:2008, H.3 (calibration of a thermometer).

Data: table H.6 there. Results: y1 = -0.1712(29), y2 = 0.00218(67), r = -0.930 (H.3.3), to the
digits printed.
"""

import numpy as np
import pytest

from pitchbench.intonation.fit import fit_linear

READING_C = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503,
                      26.010, 26.511])  # fmt: skip
CORRECTION_C = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161,
                          0.160])  # fmt: skip


def test_line_uncertainties_and_correlation():
    design = np.column_stack([np.ones(11), READING_C - 20.0])
    fit = fit_linear(design, CORRECTION_C)
    assert fit.values == pytest.approx([-0.1712, 0.00218], abs=0.5e-4)
    assert fit.values[1] == pytest.approx(0.00218, abs=0.5e-5)
    assert fit.u == pytest.approx([0.0029, 0.00067], abs=0.5e-4)
    assert fit.u[1] == pytest.approx(0.00067, abs=0.5e-5)
    assert fit.covariance[0, 1] / fit.u.prod() == pytest.approx(-0.930, abs=0.5e-3)
    assert np.sqrt(fit.chi2 / fit.dof) == pytest.approx(0.0035, abs=0.5e-4)
