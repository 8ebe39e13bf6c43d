"""Weighted least squares with covariance: the one place where intonation fits anything."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, eq=False)
class Fit:
    """The outcome of a least-squares fit.

    Parameters
    ----------
    values : parameters, shape (p,).
    covariance : their covariance, shape (p, p): from the weights alone where each point's own
        standard uncertainty was given, scaled by the residuals where it was not.
    residuals : observed minus fitted, shape (n,), not weighted.
    chi2 : sum of squared weighted residuals; the residual sum of squares if unweighted.
    dof : n - p.
    """

    values: NDArray[np.float64]
    covariance: NDArray[np.float64]
    residuals: NDArray[np.float64]
    chi2: float
    dof: int

    @property
    def u(self) -> NDArray[np.float64]:
        """Standard uncertainties of the parameters, shape (p,)."""
        return np.sqrt(np.diag(self.covariance))


def fit_linear(design: ArrayLike, y: ArrayLike, u: ArrayLike | None = None) -> Fit:
    """Solve y = design @ values by weighted least squares.

    Parameters
    ----------
    design : shape (n, p), full column rank.
    y : shape (n,).
    u : standard uncertainty of each y, shape (n,) or one number. None: all alike and unknown, to
        be judged from the residuals (then n > p is needed for a covariance).

    Raises
    ------
    ValueError
        If the points do not determine the parameters.
    """
    matrix, observed = np.asarray(design, dtype=float), np.asarray(y, dtype=float)
    weight = np.ones_like(observed) if u is None else 1.0 / np.broadcast_to(u, observed.shape)
    q, r = np.linalg.qr(matrix * weight[:, None])
    if matrix.shape[0] < matrix.shape[1] or np.linalg.matrix_rank(r) < matrix.shape[1]:
        raise ValueError("the points do not determine the parameters")
    r_inverse = np.linalg.inv(r)
    values = r_inverse @ (q.T @ (observed * weight))
    return _fit(values, r_inverse @ r_inverse.T, observed - matrix @ values, weight, u is None)


def fit_nonlinear(
    model: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    y: ArrayLike,
    start: ArrayLike,
    u: ArrayLike | None = None,
) -> Fit:
    """Minimise the weighted squares of y - model(values), from ``start`` (trust region).

    ``model`` takes the parameters, shape (p,), and returns shape (n,); ``u`` as in `fit_linear`.

    Raises
    ------
    ValueError
        If the search does not come to a minimum, or the points do not determine the parameters.
    """
    from scipy.optimize import least_squares  # noqa: PLC0415  (a slow import, seldom needed)

    observed = np.asarray(y, dtype=float)
    weight = np.ones_like(observed) if u is None else 1.0 / np.broadcast_to(u, observed.shape)
    # A trial step may leave the range of an exponential; the search then steps back.
    with np.errstate(over="ignore", invalid="ignore"):
        found = least_squares(
            lambda values: (observed - model(values)) * weight,
            np.asarray(start, dtype=float),
            jac="3-point",
            x_scale="jac",
            xtol=1e-12,
            ftol=1e-15,
            gtol=1e-15,
            max_nfev=5000,
        )
    _, singular, v = np.linalg.svd(found.jac, full_matrices=False)
    if not found.success or singular[-1] <= np.finfo(float).eps * singular[0]:
        raise ValueError("the fit did not come to a minimum")
    covariance = (v.T / singular**2) @ v
    return _fit(found.x, covariance, observed - model(found.x), weight, u is None)


def _fit(
    values: NDArray[np.float64],
    covariance: NDArray[np.float64],
    residuals: NDArray[np.float64],
    weight: NDArray[np.float64],
    scale: bool,
) -> Fit:
    chi2 = float(np.sum((residuals * weight) ** 2))
    dof = residuals.size - values.size
    if scale:
        covariance = covariance * (chi2 / dof if dof > 0 else np.nan)
    return Fit(values, covariance, residuals, chi2, dof)


@dataclass(frozen=True)
class Pooled:
    """Estimates of like things pooled into one: mean, its standard uncertainty, the variance
    between the things (tau squared) and Cochran's Q."""

    mean: float
    u: float
    between_variance: float
    q: float


def pool(values: ArrayLike, u: ArrayLike) -> Pooled:
    """Random-effects mean of ``values`` with standard uncertainties ``u``, both shape (n,), n > 0.

    The moment estimator of DerSimonian and Laird (Controlled Clinical Trials 7, 1986, 177):
    tau^2 = max(0, (Q - (n - 1)) / (sum w - sum w^2 / sum w)), w = 1 / u^2.
    """
    y, w = np.asarray(values, dtype=float), np.asarray(u, dtype=float) ** -2.0
    q = float(np.sum(w * (y - np.average(y, weights=w)) ** 2))
    room = float(w.sum() - (w**2).sum() / w.sum())
    between = max(0.0, (q - (y.size - 1)) / room) if y.size > 1 else 0.0
    total = 1.0 / (1.0 / w + between)
    return Pooled(float(np.average(y, weights=total)), float(total.sum() ** -0.5), between, q)
