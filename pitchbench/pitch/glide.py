"""The shapes that a glide may have, and an average over them.

A string's tension, and with it its pitch, relaxes as its energy does: a sum of exponentials, one
for each partial. What is known of their time constants and shares becomes a family of candidates,
each linear in what is sought; all are solved at once and averaged with their posterior
probabilities.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
import scipy  # its parts load when first used, so that the first screen need not wait for them
from numpy.typing import NDArray

from pitchbench.pitch.follow import Followed
from pitchbench.pitch.partials import Array, Bands
from pitchbench.units import CENTS_PER_NEPER

#: Time constants of the glide that are tried, seconds.
TAU_S: Final = np.geomspace(0.03, 5.0, 18)
#: Size of a glide component, 1 sigma, as a fraction: 10 cents.
EPS_SIGMA: Final = 10.0 / CENTS_PER_NEPER
#: The glide that the decay of the partials predicts: how far its pace may be off, and by how much
#: each partial's share of the string's energy may differ from that of an ideal pluck.
PACES: Final = np.geomspace(0.6, 1.6, 9)
_PACE_SIGMA: Final = 0.2
_ENERGY_PARTIALS: Final = 12
#: The lowest partials may each have more or less than their share, the rest as one.
_SINGLE_SHARES: Final = 4
_SHARE_SIGMA: Final = 0.7
#: How far the time constant of a glide of another shape may lie from that of the energy (natural
#: logarithm, 1 sigma), and what is left for any other.
_TAU_SIGMA: Final = 0.4
_TAU_FLOOR: Final = 0.01
#: Prior probability of no glide, of the predicted one, of one and of two exponentials.
_PRIOR: Final = {"none": 0.6, "predicted": 0.24, "one": 0.08, "two": 0.08}
#: No glide, when more probable than this, is taken as it is.
_AS_GOOD_AS_CERTAIN: Final = 0.7


@dataclass(frozen=True, eq=False)
class Glides:
    """Shapes that the glide may have: every shape is a mixture of exponentials.

    Parameters
    ----------
    tau_s : all time constants, shape (n,).
    mix : each column's mixture of them, shape (columns, n).
    sets : candidates, grouped by size: (columns (C, J), log prior (C,), prior sigma (C, J)).
    """

    tau_s: Array
    mix: Array
    sets: tuple[tuple[NDArray[np.intp], Array, Array], ...]

    def integral(self, t: Array) -> Array:
        """Integral of every column from 0 to ``t``, shape (columns, M)."""
        integral: Array = self.mix @ (self.tau_s[:, None] * -np.expm1(-t / self.tau_s[:, None]))
        return integral


def glides_of(decay_s: Array, share: Array, *, thorough: bool) -> Glides:
    """The candidates, given the decay and the share of the energy of the lowest partials, (P,).

    Two free exponentials are left out where ``thorough`` is False: the first rounds only need to
    come near.
    """
    n, paces, partials = len(TAU_S), len(PACES), len(decay_s)
    groups = np.minimum(np.arange(partials), _SINGLE_SHARES)
    tau_s = np.concatenate((TAU_S, np.outer(PACES, decay_s / 2.0).ravel()))
    mix = np.zeros((n + paces + groups[-1] + 1, len(tau_s)))
    mix[:n, :n] = np.eye(n)
    for j in range(paces):
        mix[n + j, n + j * partials : n + (j + 1) * partials] = share
    own = n + (paces // 2) * partials
    mix[n + paces + groups, own + np.arange(partials)] = share

    # The slowest part of a glide keeps about the pace of the energy, whatever its exact shape.
    pace = float(np.exp(share @ np.log(decay_s / 2.0)))
    likely = np.exp(-0.5 * (np.log(TAU_S / pace) / _TAU_SIGMA) ** 2) + _TAU_FLOOR
    pairs = np.array(list(combinations(range(n), 2))) if thorough else np.array([[0, n - 1]])
    pair_prior = likely[pairs[:, 1]]
    pace_prior = np.exp(-0.5 * (np.log(PACES) / _PACE_SIGMA) ** 2)
    predicted = np.arange(n, n + paces)[:, None]
    deviating = np.concatenate(([n + paces // 2], np.arange(n + paces, len(mix))))
    half = 0.5 * _PRIOR["predicted"]

    def group(
        columns: NDArray[np.intp], prior: Array, scale: Array | float = 1.0
    ) -> tuple[NDArray[np.intp], Array, Array]:
        sigma = np.broadcast_to(EPS_SIGMA * np.asarray(scale), columns.shape)
        return columns, np.log(prior), sigma

    return Glides(
        tau_s,
        mix,
        (
            group(np.empty((1, 0), dtype=np.intp), np.array([_PRIOR["none"]])),
            group(
                np.concatenate((np.arange(n)[:, None], predicted)),
                np.concatenate(
                    (_PRIOR["one"] * likely / likely.sum(), half * pace_prior / pace_prior.sum())
                ),
            ),
            group(pairs, _PRIOR["two"] * pair_prior / pair_prior.sum()),
            group(
                deviating[None, :],
                np.array([half]),
                np.concatenate(([1.0], np.full(len(mix) - n - paces, _SHARE_SIGMA))),
            ),
        ),
    )


def energy_of(bands: Bands, followed: Followed) -> tuple[Array, Array]:
    """Decay time and share of the string's energy of the lowest partials, both (P,), seconds and 1.

    The energy, and with it the glide, is the sum over partials of (k a_k)^2: each part dies twice
    as fast as its partial. An ideal pluck gives a_k ~ 1/k^2 and parts ~ 1/k^2; a pickup that hears
    velocity gives parts ~ its own powers. The share is taken half way between the two. A partial
    that is missing decays like the one below it.
    """
    rates = np.maximum(followed.decay_rate, 1.0 / 12.0)
    power = (np.abs(bands.z) ** 2 * (followed.weight > 0)).max(axis=1)
    known = {int(k): j for j, k in enumerate(bands.number)}
    last = min(known.values())
    decay_s = np.empty(_ENERGY_PARTIALS)
    share = np.zeros(_ENERGY_PARTIALS)
    for k in range(1, _ENERGY_PARTIALS + 1):
        if k in known:
            last = known[k]
            share[k - 1] = np.sqrt(power[last]) / k
        decay_s[k - 1] = 1.0 / rates[last]
    share = np.maximum(share, 1e-3 * share.max())
    return decay_s, share / share.sum()


@dataclass(frozen=True, eq=False)
class Evidence:
    """Each partial's phases boiled down: information on (slope, eps of every tau).

    ``gram`` (K, 1 + n, 1 + n) and ``moment`` (K, 1 + n) of the regressors t and g_j after all that
    belongs to the partial alone (constant phase, level, decay, beating) has been eliminated.
    """

    gram: Array
    moment: Array


@dataclass(frozen=True, eq=False)
class Solution:
    """Averaged over the candidate glides: relative correction of f1, its u, B's; mean glide.

    ``eps`` has one entry per column of the glides.
    """

    x: float
    u: float
    delta_b: float
    eps: Array


def average_over(
    glides: Glides,
    evidence: Evidence,
    *,
    number: NDArray[np.int64],
    gradient: Array,
    excess: Array,
    law_sigma: float,
) -> Solution:
    """Solve all candidates and average over them with their posterior probabilities.

    A partial's slope is the law's plus its own deviation, variance ``law_sigma``^2, none for the
    first: f1 *is* the first partial. The deviation is integrated out of each partial's information.
    """
    gram = evidence.gram / excess[:, None, None]
    moment = evidence.moment / excess[:, None]
    variance = np.where(number == 1, 0.0, law_sigma**2)
    shrink = variance / (1.0 + variance * gram[:, 0, 0])
    column = gram[:, :, 0]
    moment = moment - shrink[:, None] * column * moment[:, :1]
    gram = gram - shrink[:, None, None] * column[:, :, None] * column[:, None, :]

    # Unknowns: x (shared relative slope), B, eps of each column; assembled once for all.
    size = gram.shape[1] + 1
    info = np.zeros((size, size))
    right = np.zeros(size)
    info[0, 0] = gram[:, 0, 0].sum()
    info[0, 1] = info[1, 0] = (gradient * gram[:, 0, 0]).sum()
    # A wide prior keeps B finite where a single partial says nothing about it.
    info[1, 1] = (gradient**2 * gram[:, 0, 0]).sum() + 1.0 / (1e-3) ** 2
    info[0, 2:] = info[2:, 0] = gram[:, 0, 1:].sum(axis=0)
    info[1, 2:] = info[2:, 1] = (gradient[:, None] * gram[:, 0, 1:]).sum(axis=0)
    info[2:, 2:] = gram[:, 1:, 1:].sum(axis=0)
    right[0] = moment[:, 0].sum()
    right[1] = (gradient * moment[:, 0]).sum()
    right[2:] = moment[:, 1:].sum(axis=0)

    reduced = _without_pitch(info, right)
    solved = [_solve(reduced, *candidates) for candidates in glides.sets]
    log_p = np.concatenate([part[0] for part in solved])
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    x, variances, stiff = (np.concatenate([part[i] for part in solved]) for i in (1, 2, 3))
    # A steady tone is not to be charged for glides that are merely not impossible.
    mean = float(x[0] if p[0] > _AS_GOOD_AS_CERTAIN else p @ x)
    spread = float(p @ (variances + (x - mean) ** 2))
    eps = np.zeros(size - 2)
    first = 0
    for (columns, _, _), part in zip(glides.sets, solved, strict=True):
        share = p[first : first + len(columns), None] * part[4]
        np.add.at(eps, columns.ravel(), share.ravel())
        first += len(columns)
    return Solution(mean, float(np.sqrt(spread)), float(p @ stiff), eps)


@dataclass(frozen=True, eq=False)
class _Reduced:
    """Knowledge of the glides' eps once x and B, which every candidate has, are eliminated.

    ``info`` (n, n) and ``right`` (n,) of eps; ``alone`` (2,), x and B without a glide, ``variance``
    of that x, and ``pull`` (2, n), how far each eps draws them down.
    """

    info: Array
    right: Array
    alone: Array
    variance: float
    pull: Array


def _without_pitch(info: Array, right: Array) -> _Reduced:
    # Scaled to a unit diagonal: the information of x and of B differ by many orders.
    scale = 1.0 / np.sqrt(np.diag(info)[:2])
    inverse = np.linalg.inv(info[:2, :2] * np.outer(scale, scale)) * np.outer(scale, scale)
    pull = inverse @ info[:2, 2:]
    return _Reduced(
        info[2:, 2:] - info[2:, :2] @ pull,
        right[2:] - right[:2] @ pull,
        inverse @ right[:2],
        float(inverse[0, 0]),
        pull,
    )


def _solve(
    reduced: _Reduced, columns: NDArray[np.intp], log_prior: Array, sigma: Array
) -> tuple[Array, Array, Array, Array, Array]:
    """Log evidence, x, var x, B's correction and eps of each candidate, all of one size J."""
    components = columns.shape[1]
    a = reduced.info[columns[:, :, None], columns[:, None, :]]
    diagonal = np.arange(components)
    a[:, diagonal, diagonal] += sigma**-2
    covariance = np.linalg.inv(a)
    right = reduced.right[columns]
    eps = (covariance @ right[:, :, None])[:, :, 0]
    pull = reduced.pull[:, columns]
    x, b = reduced.alone[:, None] - (pull * eps).sum(axis=2)
    variance = reduced.variance + np.einsum("ci,cij,cj->c", pull[0], covariance, pull[0])
    log_evidence = (
        log_prior
        + 0.5 * (eps * right).sum(axis=1)
        - 0.5 * np.linalg.slogdet(a)[1]
        - np.log(sigma).sum(axis=1)
    )
    if components in (1, 2):
        # A string only relaxes: the prior of a component is half a normal distribution.
        spread = np.sqrt(covariance[:, diagonal, diagonal])
        log_evidence += (scipy.special.log_ndtr(eps / spread) + np.log(2.0)).sum(axis=1)
    return log_evidence, x, variance, b, eps
