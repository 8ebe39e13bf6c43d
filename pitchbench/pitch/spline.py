"""A smooth course through what is known at some moments."""

from __future__ import annotations

import numpy as np

from pitchbench.pitch.partials import Array


def through(nodes: Array, at: Array) -> Array:
    """Share of the value at each of ``nodes`` (N,) in what lies ``at`` (M,), shape (N, M), on a
    natural cubic spline: the least bent course through all of them, straight beyond the outermost.

    The spline is a sum of |t - node|^3 and a straight line (Green and Silverman, Nonparametric
    Regression and Generalized Linear Models, 1994, section 2.3; from memory). scipy.interpolate
    gives the same, which the tests check, but loading it takes longer than reading a pluck.

    Raises
    ------
    numpy.linalg.LinAlgError
        For fewer than two nodes, or two that are the same.

    Examples
    --------
    >>> import numpy as np
    >>> through(np.array([0.0, 1.0]), np.array([0.5, 2.0])).round(3).tolist()
    [[0.5, -1.0], [0.5, 2.0]]
    """
    of_node, of_place = (
        np.concatenate((np.abs(np.subtract.outer(t, nodes)) ** 3, np.vander(t, 2)), axis=1)
        for t in (nodes, at)
    )
    count = len(nodes)
    straight = np.pad(of_node[:, count:].T, ((0, 0), (0, 2)))
    equations = np.concatenate((of_node, straight))
    shares: Array = of_place @ np.linalg.solve(equations, np.eye(count + 2, count))
    return shares.T
