"""The smooth course between moments, against a library that knows splines."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from pitchbench.pitch.spline import through


@pytest.mark.parametrize("count", [2, 3, 20, 31])
def test_the_course_is_the_natural_cubic_spline(count):
    """Source: scipy.interpolate.CubicSpline, bc_type="natural", between the nodes."""
    rng = np.random.default_rng(count)
    nodes = np.append(0.0, np.cumsum(rng.uniform(0.1, 0.3, count - 1)))
    at = np.linspace(0.0, nodes[-1], 200)
    theirs = CubicSpline(nodes, np.eye(count), bc_type="natural")(at).T
    np.testing.assert_allclose(through(nodes, at), theirs, atol=1e-8)


def test_beyond_the_outermost_it_goes_straight_on():
    nodes = np.array([0.0, 1.0, 2.5])
    shares = through(nodes, np.array([-2.0, -1.0, 0.0, 2.5, 3.5, 4.5]))
    for ends in (shares[:, :3], shares[:, 3:]):
        np.testing.assert_allclose(np.diff(ends, n=2, axis=1), 0.0, atol=1e-12)
    np.testing.assert_allclose(shares[:, 2], [1.0, 0.0, 0.0], atol=1e-12)


def test_two_nodes_at_one_place_are_refused():
    with pytest.raises(np.linalg.LinAlgError):
        through(np.array([1.0, 1.0]), np.array([0.0]))
