"""Fits by each other and by sums worked by hand; published data are in tests/reference."""

from __future__ import annotations

import numpy as np
import pytest

from pitchbench.intonation.fit import fit_linear, fit_nonlinear, pool

X = np.array([0.0, 1.0, 2.0, 3.0])
Y = np.array([1.0, 2.0, 2.0, 5.0])
LINE = np.column_stack([np.ones(4), X])


def test_a_straight_line_worked_by_hand() -> None:
    """Slope 6 / 5, since sum (x - 1.5)(y - 2.5) = 6 and sum (x - 1.5)^2 = 5; 0.7 at 0. The
    residuals are 0.3, 0.1, -1.1 and 0.7: squares of 1.8 at 2 degrees of freedom."""
    fit = fit_linear(LINE, Y)
    assert fit.values == pytest.approx([0.7, 1.2])
    assert fit.residuals == pytest.approx([0.3, 0.1, -1.1, 0.7])
    assert (fit.chi2, fit.dof) == (pytest.approx(1.8), 2)
    assert fit.u == pytest.approx([np.sqrt(0.9 * (1 / 4 + 2.25 / 5)), np.sqrt(0.9 / 5)])


def test_where_the_uncertainties_are_given_the_residuals_do_not_change_them() -> None:
    fit = fit_linear(LINE, Y, 0.5)
    assert fit.values == pytest.approx([0.7, 1.2])
    assert fit.chi2 == pytest.approx(1.8 / 0.25)
    assert fit.u == pytest.approx([0.5 * np.sqrt(1 / 4 + 2.25 / 5), 0.5 / np.sqrt(5)])


@pytest.mark.parametrize("u", [None, [0.5, 1.0, 2.0, 0.7]])
def test_a_search_finds_the_line_that_is_worked_out_at_once(u: list[float] | None) -> None:
    line, found = fit_linear(LINE, Y, u), fit_nonlinear(lambda v: LINE @ v, Y, [0.0, 0.0], u)
    assert found.values == pytest.approx(line.values, abs=1e-8)
    assert found.covariance == pytest.approx(line.covariance, rel=1e-6)
    assert (found.chi2, found.dof) == (pytest.approx(line.chi2), line.dof)


def test_as_many_points_as_parameters_leave_nothing_to_judge_by() -> None:
    fit = fit_linear(LINE[:2], Y[:2])
    assert fit.values == pytest.approx([1.0, 1.0])
    assert (fit.chi2, fit.dof) == (pytest.approx(0.0, abs=1e-20), 0)
    assert np.isnan(fit.u).all()


@pytest.mark.parametrize("points", [LINE[:1], LINE[[1, 1, 1]]], ids=["one", "one and the same"])
def test_points_that_determine_nothing_are_refused(points: np.ndarray) -> None:
    with pytest.raises(ValueError, match="do not determine"):
        fit_linear(points, np.ones(len(points)))
    with pytest.raises(ValueError, match="did not come to a minimum"):
        fit_nonlinear(lambda v: np.full(3, v[0] + v[1]), np.ones(3), [0.0, 0.0])


def test_pooled_worked_by_hand() -> None:
    """0 and 4, each to 1: Q = 8, tau^2 = (8 - 1) / (2 - 2 / 2) = 7, and each weighs 1 / 8."""
    pooled = pool([0.0, 4.0], [1.0, 1.0])
    assert (pooled.mean, pooled.u) == (pytest.approx(2.0), pytest.approx(2.0))
    assert (pooled.between_variance, pooled.q) == (pytest.approx(7.0), pytest.approx(8.0))
    alike = pool([1.0, 1.2], [0.1, 0.2])
    assert alike.between_variance == 0.0
    assert alike.mean == pytest.approx((100 * 1.0 + 25 * 1.2) / 125)
    assert (pool([3.0], [0.5]).mean, pool([3.0], [0.5]).u) == (3.0, 0.5)
