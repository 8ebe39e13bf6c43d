"""The verdict's probability against a worked example of two one-sided tests.

Source: the example in the documentation of ``pingouin.tost`` (a general statistics library; the
attribution is from memory, the numbers are those of docs/definitions.md, section 7):
[4,7,8,6,3,2] and [6,8,7,10,11,9], bound 1, pooled variance: dof 10, p 0.965097. With a flat prior
the Bayesian probability of lying beyond one bound is the p-value of that one-sided test.
"""

import math

import numpy as np
import pytest
from scipy import stats

from pitchbench.belief import Belief

A, B = np.array([4, 7, 8, 6, 3, 2.0]), np.array([6, 8, 7, 10, 11, 9.0])


def test_p_value():
    difference = A.mean() - B.mean()
    scale = math.sqrt((A.var(ddof=1) + B.var(ddof=1)) / 2 * (1 / 6 + 1 / 6))
    beyond_the_other_bound = stats.t.sf((1.0 - difference) / scale, 10)
    p = 1.0 - Belief(difference, scale, 10).within(-1.0, 1.0) - beyond_the_other_bound
    assert p == pytest.approx(0.965097, abs=0.5e-6)


def test_within_at_95_per_cent_implies_the_90_per_cent_interval_inside():
    for centre in np.linspace(0.0, 2.0, 41):
        for scale in np.linspace(0.05, 2.0, 40):
            if Belief(centre, scale, 6).within(-2.0, 2.0) >= 0.95:
                half = scale * stats.t.ppf(0.95, 6)
                assert centre + half <= 2.0 + 1e-12
                assert centre - half >= -2.0 - 1e-12
