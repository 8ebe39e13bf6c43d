"""Beliefs: intervals against tables of Student's t and of the normal distribution."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitchbench.belief import Belief, half95

SCALES = st.floats(0.01, 50.0)
DOFS = st.one_of(st.floats(1.0, 300.0), st.just(math.inf))
CENTRES = st.floats(-100.0, 100.0)


@pytest.mark.parametrize(
    # Student's t, 97.5 % points, as printed in any handbook.
    ("dof", "t"),
    [(1, 12.706), (2, 4.303), (5, 2.571), (9, 2.262), (30, 2.042), (math.inf, 1.960)],
)
def test_half_of_the_interval_is_students_t_times_the_scale(dof, t):
    assert Belief(3.0, 2.0, dof).half() == pytest.approx(2.0 * t, abs=1.1e-3)


def test_the_standard_uncertainty_of_what_is_normal_is_its_standard_deviation():
    assert Belief.normal(1.0, 0.7).u == pytest.approx(0.7, rel=1e-12)
    assert half95(0.7) == Belief.normal(5.0, 0.7).half()


@given(CENTRES, SCALES, DOFS, st.floats(0.5, 0.999))
def test_an_interval_holds_what_it_says(centre, scale, dof, p):
    belief = Belief(centre, scale, dof)
    # Below the accuracy of the quantile itself, far below any probability that is ever told.
    assert belief.within(*belief.interval(p)) == pytest.approx(p, abs=1e-6)


def test_takes_that_agree_to_the_last_digit_leave_no_doubt():
    assert Belief(1.0, 0.0, 4.0).within(-2.0, 2.0) == 1.0
    assert Belief(3.0, 0.0, 4.0).within(-2.0, 2.0) < 1e-40
