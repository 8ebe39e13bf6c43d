"""How strongly the partials of a string wander, as far as each of them shows it by itself."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.beating import RHO_SIGMA, Beat
from pitchbench.pitch.glide import TAU_S
from pitchbench.pitch.partials import Array
from pitchbench.pitch.seen import Seen
from pitchbench.pitch.spline import through
from pitchbench.units import CENTS_PER_NEPER

#: Strengths tried of a partial's wander, of each of its processes; of the wander after the pluck,
#: in units of the lasting one; of the level's wander (nepers a second).
_WANDER: Final = np.geomspace(1e-3, 16.0, 14) / CENTS_PER_NEPER
_EARLY: Final = np.array([0.5, 12.0])
_FINER: Final = 3
_LEVEL: Final = np.geomspace(1e-3, 100.0, 21)
#: Partials of one string wander alike: natural logarithm of their strengths, 1 sigma.
_ALIKE: Final = 1.0
#: The plainest glides, with which strengths are first looked for: 5 cents, 1 sigma.
_PLAIN_GLIDE: Final = 5.0 / CENTS_PER_NEPER
#: Strengths of wander less probable than the best by this (natural logarithm) are left out.
_FORGET: Final = 5.0
_HOPELESS: Final = 50.0
#: More than any information, so that a factorisation goes through; and what keeps unknowns that
#: cannot be told apart from being divided by nothing.
_BEYOND: Final = 1e300
JITTER: Final = 1e-13
#: Triangular matrices up to this size are inverted like any other.
_SMALL: Final = 8
#: Matrices of no more rows than this are factorised all together.
_FEW: Final = 10


@dataclass(frozen=True, eq=False)
class Strengths:
    """How strongly the partials wander, for each strength (m,) that the string may have.

    ``own`` and ``early`` (m, K) are the logarithms of each partial's, ``late`` that of the root of
    its mean square: what the partial may do when it is no longer heard goes by how strong it may
    be. ``log_p`` (m,) is what is added to the evidence for having summed over them; ``level`` (K,)
    the logarithm of the level's. ``log_alone`` is the log evidence of all partials, each by itself.
    """

    own: Array
    early: Array
    late: Array
    log_p: Array
    level: Array
    log_alone: float


def strengths_of(seen: Seen, beats: list[Beat], *, coarse: bool = False) -> list[Strengths]:
    """Let every partial show its wander by itself, then all together what is usual among them.

    One for each of ``beats``; ``coarse`` where it need only come near and there is no beat.
    """
    lasting, early = (_WANDER[1::2], _EARLY[:1]) if coarse else (_WANDER, _EARLY)
    plain = [len(TAU_S) + 1, 4]
    own_columns = np.concatenate((seen.heard[:, None], seen.columns[:, [0, *plain]]), axis=1)
    precision = np.array([0.0, 0.0, *[_PLAIN_GLIDE**-2] * len(plain)])
    shifts = [(beat.shift_columns, (seen.shift - beat.shift)[:, None]) for beat in beats]
    wander = seen.wander
    process = wander.slow + early[:, None, None, None] ** 2 * wander.early
    of_shift = _alone(
        _Spread(wander.anyhow + _diagonal(seen.shift_variance), process, lasting),
        own_columns,
        precision,
        shifts,
    )
    usual = np.log(lasting)
    finer, smoothly = _finer(tuple(usual))
    of_shift = [
        (smoothly @ np.maximum(log_p, log_p.max(axis=1, keepdims=True) - _HOPELESS)).reshape(
            -1, log_p.shape[-1]
        )
        for log_p in of_shift
    ]
    own, log_early = (grid.ravel() for grid in np.meshgrid(finer, np.log(early)))

    of_level = [np.zeros((len(_LEVEL), len(seen.number)))]
    if not coarse:  # where there is no beat to be told the level says nothing
        level = np.broadcast_to(seen.time_s, seen.shift.shape) * seen.heard
        levels = [(beat.level_columns, (seen.level - beat.level)[:, None]) for beat in beats]
        spread = _Spread(_diagonal(seen.level_variance), wander.slow, _LEVEL)
        of_level = _alone(spread, np.stack((seen.heard, level), axis=1), np.zeros(2), levels)

    log_prior = -0.5 * ((usual[:, None] - own) / _ALIKE) ** 2
    log_prior -= np.logaddexp.reduce(log_prior, axis=1, keepdims=True)
    return [
        _strengths(own, log_early, log_prior, *log_p)
        for log_p in zip(of_shift, of_level, strict=True)
    ]


@cache
def _finer(tried: tuple[float, ...]) -> tuple[Array, Array]:
    """Strengths between those ``tried``, (f,), and what leads there, (f, tried), smoothly, so that
    a reading does not leap from one strength to the next."""
    finer = np.linspace(tried[0], tried[-1], _FINER * (len(tried) - 1) + 1)
    return finer, through(np.array(tried), finer).T


def _strengths(
    own: Array, early: Array, log_prior: Array, of_shift: Array, of_level: Array
) -> Strengths:
    """What the log evidence of each partial, (strengths, K), says of its strengths."""
    log_p = log_prior[:, :, None] + of_shift
    best = log_p.max(axis=1)
    p = np.exp(log_p - best[:, None])
    usual = p.sum(axis=1)
    together = (best + np.log(usual)).sum(axis=1)
    kept = together > together.max() - _FORGET
    p = p[kept] / usual[kept, None]
    level_p = np.exp(of_level - of_level.max(axis=0))
    means = np.stack((own, early, np.exp(2.0 * own))) @ p
    return Strengths(
        means[:, 0],
        means[:, 1],
        0.5 * np.log(means[:, 2]),
        # The joint fit takes each partial's strength at its mean; the entropy is what that forgets.
        together[kept] - np.einsum("mgk,gk->m", p, of_shift),
        np.log(_LEVEL) @ level_p / level_p.sum(axis=0),
        float(np.logaddexp.reduce(together) + np.logaddexp.reduce(of_level, axis=0).sum()),
    )


def own_covariance(seen: Seen, own: Array, early: Array) -> Array:
    """Covariance of each partial's shift, shape (..., K, M, M), for log strengths (..., K or 1)."""
    wander = seen.wander
    of_early = np.exp(2.0 * early)[..., None, None] * wander.early
    covariance: Array = np.exp(2.0 * own)[..., None, None] * (wander.slow + of_early)
    covariance += wander.anyhow + _diagonal(seen.shift_variance)
    return covariance


def level_covariance(seen: Seen, strength: Array) -> Array:
    """Covariance of each partial's level, shape (..., K, M, M)."""
    covariance: Array = np.exp(2.0 * strength)[..., None, None] * seen.wander.slow
    covariance += _diagonal(seen.level_variance)
    return covariance


def _diagonal(variance: Array) -> Array:
    """Covariances (K, M, M) of what is independent in every stretch, of ``variance`` (K, M)."""
    covariance: Array = variance[:, :, None] * np.eye(variance.shape[1])
    return covariance


def whitened_gram(covariance: Array, columns: Array) -> tuple[Array, Array]:
    """columns C^-1 columns^T, shape (..., K, P, P), and -log |C| / 2, shape (..., K).

    A factorisation of C with few columns beneath it brings both at once; with many the inverse of
    the factor does it faster. Of small ones LAPACK spends most of the time on being called: there
    all are factorised together, column by column.
    """
    blocks, count = covariance.shape[-1], columns.shape[-2]
    if blocks <= _FEW:
        return _together(covariance, columns)
    if 2 * count > blocks:
        factor = np.linalg.cholesky(covariance)
        white = columns @ np.swapaxes(lower_inverse(factor), -1, -2)
    else:
        bordered = np.zeros((*covariance.shape[:-2], blocks + count, blocks + count))
        bordered[..., :blocks, :blocks] = covariance
        bordered[..., blocks:, :blocks] = columns
        last = np.arange(blocks, blocks + count)
        bordered[..., last, last] = _BEYOND
        factor = np.linalg.cholesky(bordered)[..., :blocks]
        white = factor[..., blocks:, :]
    size = np.log(np.diagonal(factor[..., :blocks, :], axis1=-2, axis2=-1)).sum(axis=-1)
    return white @ np.swapaxes(white, -1, -2), -size


def _together(covariance: Array, columns: Array) -> tuple[Array, Array]:
    """:func:`whitened_gram` of many small matrices."""
    count = covariance.shape[-1]
    # Transposed, so that what is done to one element of all is done in one stretch of memory.
    left = np.concatenate((covariance, columns), axis=-2).T.copy()
    size = np.ones(left.shape[2:])
    for j in range(count):
        size *= left[j, j]
        left[j, j:] /= np.sqrt(left[j, j])
        left[j + 1 :, j + 1 :] -= left[j, j + 1 : count, None] * left[j, j + 1 :]
    white = left[:, count:].T
    return white @ np.swapaxes(white, -1, -2), -0.5 * np.log(size.T)


def lower_inverse(lower: NDArray[np.floating[Any]]) -> Array:
    """Inverse of lower triangular matrices, shape (..., M, M), by halves: what stands above the
    diagonal need not be worked out."""
    size = lower.shape[-1]
    if size <= _SMALL:
        inverse: Array = np.linalg.inv(lower)
        return inverse
    half = size // 2
    first, last = lower_inverse(lower[..., :half, :half]), lower_inverse(lower[..., half:, half:])
    inverse = np.zeros(lower.shape)
    inverse[..., :half, :half], inverse[..., half:, half:] = first, last
    inverse[..., half:, :half] = -last @ (lower[..., half:, :half] @ first)
    return inverse


@dataclass(frozen=True, eq=False)
class _Spread:
    """What partials do by themselves, for each of S strengths of it.

    Parameters
    ----------
    noise : covariance of what is there in any case, shape (K, M, M).
    process : of what strength 1 adds, shape (..., K, M, M).
    strength : shape (S,).
    """

    noise: Array
    process: Array
    strength: Array

    def gram(self, columns: Array) -> tuple[Array, Array]:
        """columns C^-1 columns^T, shape (..., S, K, P, P), and -log |C| / 2, (..., S, K).

        In axes along which noise and process are both independent one factorisation serves all
        strengths.
        """
        factor = np.linalg.cholesky(self.noise)
        inverse = lower_inverse(factor)
        turned = np.swapaxes(inverse, -1, -2)
        value, axes = np.linalg.eigh(inverse @ self.process @ turned)
        white = ((columns @ turned) @ axes)[..., None, :, :, :]
        value = np.maximum(value, 0.0)[..., None, :, :]
        grows = 1.0 + np.square(self.strength)[:, None, None] * value
        size = 0.5 * np.log(grows).sum(axis=-1)
        size = size + np.log(np.diagonal(factor, axis1=-2, axis2=-1)).sum(axis=-1)
        return (white / grows[..., None, :]) @ np.swapaxes(white, -1, -2), -size


def _alone(
    spread: _Spread, columns: Array, precision: Array, cases: list[tuple[Array, Array]]
) -> list[Array]:
    """Log evidence of each partial by itself, shape (..., K), for each of the ``cases``.

    A case is columns of its own, whose unknowns are rho, and what is to be explained, by them and
    by ``columns``, whose prior precisions are given (0: nothing known).
    """
    every = np.concatenate((columns, *(part for case in cases for part in case)), axis=1)
    gram, log_p = spread.gram(every)
    first, found = columns.shape[1], []
    for rho, _ in cases:
        own = np.arange(first, first + rho.shape[1] + 1)
        first += len(own)
        use = np.concatenate((np.arange(columns.shape[1]), own))
        known = np.concatenate((precision, np.full(rho.shape[1], RHO_SIGMA**-2)))
        found.append(log_p + _explained(gram[..., use[:, None], use], known))
    return found


def _explained(gram: Array, precision: Array) -> Array:
    """Log evidence (...,) of the last column with all others integrated out."""
    information = gram[..., :-1, :-1] + np.eye(len(precision)) * precision
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(information, axis1=-2, axis2=-1), 1e-300))
    # The jitter decides where two columns cannot be told apart.
    even = information * scale[..., :, None] * scale[..., None, :]
    even = even + JITTER * np.eye(len(precision))
    right = gram[..., :-1, -1] * scale
    explained, size = whitened_gram(even, right[..., None, :])
    size = size + np.log(scale).sum(axis=-1) + 0.5 * np.log(precision[precision > 0]).sum()
    log_p: Array = 0.5 * (explained[..., 0, 0] - gram[..., -1, -1]) + size
    return log_p
