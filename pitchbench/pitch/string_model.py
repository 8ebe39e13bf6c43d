"""One model of what a plucked string does, real or ideal, and what it leaves open.

The phase of partial k, written as a shift in time, is

    y_k(t) = a_k + (x + g_k b + d_k) t + s_k (G(t) + C(t)) + E_k(t) + W_k(t) + beat + noise

x and b correct the pitch and the stiffness of the law, d_k is how far the partial lies off it, G
the glide that all share (s_k = (1 + B) / (1 + B k^2): bending does not relax), C a slow wander of
the tension, E_k a small glide of the partial's own and W_k its own wander. All of it is linear and
Gaussian once the strengths of d, C and W and the kind of glide are given. Those are averaged over
with their posterior probabilities, so that what they leave open is in the uncertainty, and nothing
is chosen between.

What is read is the first partial without glide and wander, x + d_1. What C and W_1 do late in the
note is how far it may be off by then: that counts in the uncertainty, not in the value.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy  # its parts load when first used, so that the first screen need not wait for them
from numpy.typing import NDArray

from pitchbench.pitch.beating import RHO_SIGMA, Beat
from pitchbench.pitch.glide import TAU_S, UNFORESEEN, Glides
from pitchbench.pitch.partials import Array, law_gradient
from pitchbench.pitch.seen import Seen, held_back
from pitchbench.pitch.strengths import (
    JITTER,
    Strengths,
    level_covariance,
    lower_inverse,
    own_covariance,
    whitened_gram,
)
from pitchbench.units import CENTS_PER_NEPER

#: How far the partials may lie off the law, 1 sigma, and how far the first, which body and bridge
#: move most: twice as far, or by cents whatever the others do.
_OFF_LAW: Final = (
    np.array([[3e-3, 6e-3], [0.05, 0.1], [2.5, 5.0], [0.05, 4.0], [0.5, 4.0]]) / CENTS_PER_NEPER
)
#: How strong the common wander may be, 1 sigma.
_COMMON: Final = np.array([3e-3, 0.04, 0.2, 0.7, 2.5]) / CENTS_PER_NEPER
#: A wide prior keeps B finite where a single partial says nothing about it.
_B_SIGMA: Final = 1e-3
#: Prior probability of no glide, of one exponential and of the predicted one, as twenty real notes
#: have them; its size, 1 sigma of half a normal distribution each as likely as the others: from a
#: plain high string played softly to a slack bass string.
_PRIOR: Final = {"none": 0.2, "one": 0.4, "predicted": 0.4}
_GLIDE: Final = np.array([0.5, 1.5, 5.0, 15.0]) / CENTS_PER_NEPER
#: How far a glide may be from every shape foreseen: each of a few exponentials, in units of the
#: glide as it seems so far, and the least and most that this may seem.
_UNFORESEEN_SIGMA: Final = 0.02
_SEEMS: Final = (0.05 / CENTS_PER_NEPER, 40.0 / CENTS_PER_NEPER)
#: What is less probable than this adds nothing to the glide that is told.
_SHARE_OF_EPS: Final = 1e-7


@dataclass(frozen=True, eq=False)
class Solution:
    """What the partials together say.

    Parameters
    ----------
    log_p : logarithm of the evidence.
    pitch, variance : the first partial without its glide, relative to what was assumed, and how
        uncertain that is.
    delta_b : correction of the stiffness.
    eps : mean of every column of the glides.
    off, off_variance : every partial without the glide, relative to what was assumed, by itself,
        shape (K,), with what it may do late in the note.
    own_variance : what of that is each partial's alone, shape (K,); the rest, what the glide and
        what all do late leave open, it shares with the others.
    strength : of each partial's wander, shape (K,).
    """

    log_p: float
    pitch: float
    variance: float
    delta_b: float
    eps: Array
    off: Array
    off_variance: Array
    own_variance: Array
    strength: Array


def solve(
    seen: Seen, strengths: Strengths, beat: Beat, *, seems: float, coarse: bool = False
) -> Solution:
    """Fit all partials together, averaged over strengths and glides.

    ``seems`` is the size of the glide as it seems so far, relative; ``coarse`` where the answer
    need only come near.
    """
    said = _partials(seen, strengths, beat)
    off_law, common = (_OFF_LAW[1:3], _COMMON[1::2]) if coarse else (_OFF_LAW, _COMMON)
    sigma = _sigma_of(seen, beat, seems, off_law[:, 1], common)
    base = _base_of(seen, said, sigma, off_law[:, 0])
    p, pitch, variance, shared, eps, delta_b, log_all = _over_glides(seen.glides, base, seems)
    best = p.sum(axis=(1, 2))
    mean = np.einsum("m,mkp->kp", best, said.pitch)
    slope = 1.0 / np.maximum(mean[:, 0], 1e-300)
    glides = len(seen.glides.mix)
    off = (mean[:, -1] - mean[:, 1 : 1 + glides] @ eps) * slope
    # Of the first it is seen in the note itself, of the others it is only as likely as they wander.
    of_late = slope + best @ said.late_variance
    # The two courses may cancel late in the note: what is its own is never less than its noise.
    own_variance = np.where(seen.number == 1, np.maximum(variance - shared, slope), of_late)
    return Solution(
        log_p=log_all,
        pitch=pitch,
        variance=variance,
        delta_b=delta_b,
        eps=eps,
        off=off,
        off_variance=own_variance + shared,
        own_variance=own_variance,
        strength=np.exp(best @ strengths.own),
    )


@dataclass(frozen=True, eq=False)
class _Said:
    """What the partials say, for each of m strengths, their own unknowns integrated out.

    Columns: pitch, glides, common wander, unforeseen glides, late wander, the beat's split and
    decay, and what was seen.

    Parameters
    ----------
    pitch : what each partial says of its pitch together with every column, shape (m, K, P).
    total : what all of them say, shape (m, P, P).
    log_p : log evidence, shape (m,).
    late_variance : of what each does by itself late in the note, shape (m, K).
    late_sd : standard deviation of what the first does then, shape (m,).
    """

    pitch: Array
    total: Array
    log_p: Array
    late_variance: Array
    late_sd: Array


def _partials(seen: Seen, strengths: Strengths, beat: Beat) -> _Said:
    covariance = own_covariance(seen, strengths.own, strengths.early)
    late, late_variance = _late(seen, strengths)
    covariance -= np.swapaxes(late, -1, -2) * late
    before = np.concatenate((seen.heard[:, None], beat.shift_columns, seen.columns), axis=1)
    after = np.concatenate((beat.shared_shift_columns, (seen.shift - beat.shift)[:, None]), axis=1)
    many = len(late)
    columns = np.concatenate(
        (np.tile(before, (many, 1, 1, 1)), late, np.tile(after, (many, 1, 1, 1))), axis=2
    )
    factor = np.linalg.cholesky(covariance)
    log_p = -np.log(np.diagonal(factor, axis1=-2, axis2=-1)).sum(axis=-1)
    inverse = lower_inverse(factor)
    white = columns @ np.swapaxes(inverse, -1, -2)
    # Each moment of a common course is a column: what each stretch says of it.
    inverse = inverse @ (held_back(seen.number, seen.stiffness_b)[:, None, None] * seen.course)
    gram, of_course = white @ np.swapaxes(white, -1, -2), white @ inverse
    of_level, log_level = _levels(seen, strengths, beat)
    place = np.concatenate((np.arange(1, 1 + beat.unknowns), np.arange(-after.shape[1], 0)))
    gram[..., place[:, None], place] += of_level

    own = 1 + beat.unknowns
    known = np.array([0.0, *[RHO_SIGMA**-2] * beat.unknowns])
    by_itself = gram[..., :own, :own] + np.diag(known)
    log_p = log_p - 0.5 * (np.linalg.slogdet(by_itself)[1] - np.log(known[1:]).sum())
    gram, of_course, taken = (
        gram[..., own:, own:],
        of_course[..., own:, :],
        np.concatenate((gram[..., :own, own:], of_course[..., :own, :]), axis=-1),
    )
    solved = np.linalg.inv(by_itself) @ taken
    pitch = np.concatenate((gram[..., 0, :], of_course[..., 0, :]), axis=-1)
    pitch -= (taken[..., :1] * solved).sum(axis=-2)
    steps = len(seen.time_s)
    of_course = of_course.sum(axis=1)
    inverse = inverse.reshape(many, -1, steps)
    total = np.concatenate(
        (
            np.concatenate((gram.sum(axis=1), of_course), axis=-1),
            np.concatenate(
                (np.swapaxes(of_course, -1, -2), np.swapaxes(inverse, -1, -2) @ inverse), axis=-1
            ),
        ),
        axis=-2,
    )
    size = total.shape[-1]
    total -= np.swapaxes(taken.reshape(many, -1, size), -1, -2) @ solved.reshape(many, -1, size)
    pitch, total = _in_shapes(seen, pitch), np.swapaxes(_in_shapes(seen, total), -1, -2)
    log_p = strengths.log_p + (log_p + log_level).sum(axis=-1)
    first = seen.number == 1
    if first.any():
        late_sd = np.sqrt(late_variance[:, first][:, 0])
    else:
        lasting = np.exp(2.0 * strengths.late).mean(axis=1)
        late_sd = np.sqrt(lasting * seen.wander.late_variance[0, 0])
    return _Said(pitch, _in_shapes(seen, total), log_p, late_variance, late_sd)


def _late(seen: Seen, strengths: Strengths) -> tuple[Array, Array]:
    """How the shift goes with what the first partial does by itself late in the note, taken to have
    a standard deviation of 1, (m, K, 1, M); and the variance of what each does then, (m, K)."""
    wander = seen.wander
    own, early = np.exp(2.0 * strengths.own), np.exp(2.0 * strengths.early)
    variance = np.exp(2.0 * strengths.late) * wander.late_variance[0]
    variance += own * early * wander.late_variance[1]
    late = np.zeros((*strengths.own.shape, 1, len(seen.time_s)))
    first = seen.number == 1
    shared = wander.late_slow + early[..., None] * wander.late_early
    late[:, first, 0] = (own[..., None] * shared / np.sqrt(variance)[..., None])[:, first]
    return late, variance


def _levels(seen: Seen, strengths: Strengths, beat: Beat) -> tuple[Array, Array]:
    """What the level, which knows of the beat alone, says of the partial's own beat, the shared
    unknowns and what was seen, (K, P, P), and its log evidence (K,)."""
    level = np.stack((seen.heard, seen.time_s * seen.heard), axis=1)
    columns = np.concatenate(
        (
            level,
            beat.level_columns,
            beat.shared_level_columns,
            (seen.level - beat.level)[:, None],
        ),
        axis=1,
    )
    of_level, log_p = whitened_gram(level_covariance(seen, strengths.level), columns)
    of_level, free = _without_first(of_level, 2)
    return of_level, log_p + free


def _in_shapes(seen: Seen, columns: Array) -> Array:
    """The last axis from pitch, glides, late, beat, seen and every moment of a common course to
    what :class:`_Said` has."""
    steps, glides = len(seen.time_s), 1 + len(seen.glides.mix)
    unforeseen = columns[..., [1 + j for j in UNFORESEEN]]
    common = columns[..., -steps:] @ seen.wander.common.T
    shaped = (columns[..., :glides], common, unforeseen, columns[..., glides:-steps])
    return np.concatenate(shaped, axis=-1)


def _without_first(gram: Array, count: int) -> tuple[Array, Array]:
    """The first ``count`` columns, of which nothing is known, integrated out, and what that adds
    to the log evidence."""
    log_p = np.zeros(gram.shape[:-2])
    for _ in range(count):
        own = gram[..., 0, 0]
        log_p = log_p - 0.5 * np.log(own)
        row = gram[..., 1:, 0]
        gram = gram[..., 1:, 1:] - row[..., :, None] * row[..., None, :] / own[..., None, None]
    return gram, log_p


@dataclass(frozen=True, eq=False)
class _Base:
    """All but the glide solved, for each strength of own wander, off the law and common.

    Shapes are (m, D, S, ...). ``lead`` (..., 4) are the means of pitch, B, what the first partial
    does late and what of that all do, without a glide; ``pull`` (..., 4, n) how far each column of
    the glides draws them down; ``variance`` (..., 4) of the same; ``information`` and ``right`` of
    the glides.
    """

    log_p: Array
    lead: Array
    pull: Array
    variance: Array
    information: Array
    right: Array


def _sigma_of(seen: Seen, beat: Beat, seems: float, first: Array, common: Array) -> Array:
    """Prior standard deviations of all unknowns but the pitch and the glides: B, the first partial
    off the law, common wander, unforeseen glides, late wander, the beat's; shape (D, S, unknowns)
    for so many strengths off the law and in common."""
    shapes = 2 + len(seen.wander.common)
    sigma = np.ones((len(first), len(common), shapes + len(UNFORESEEN) + 1 + beat.shared))
    sigma[..., 0], sigma[..., 1] = _B_SIGMA, first[:, None]
    sigma[..., 2:shapes] = common[:, None]
    sigma[..., shapes : shapes + len(UNFORESEEN)] = _UNFORESEEN_SIGMA * np.clip(seems, *_SEEMS)
    return sigma


def _base_of(seen: Seen, said: _Said, sigma: Array, off_law: Array) -> _Base:
    number, glides = seen.number, len(seen.glides.mix)
    # How far a partial lies off the law is integrated out of each; the first has an unknown of its
    # own for it, since that belongs to what is read.
    variance = np.where(number == 1, 0.0, off_law[:, None] ** 2)
    own = said.pitch[:, None, :, 0]
    kept = 1.0 / (1.0 + variance * own)
    log_p = said.log_p[:, None] + 0.5 * np.log(kept).sum(axis=-1)
    gradient = law_gradient(number, seen.stiffness_b)
    law = np.stack((np.ones(len(number)), gradient, (number == 1).astype(np.float64)))
    rest = said.pitch[:, None, :, 1:]
    size = 3 + rest.shape[-1]
    whole = np.zeros((*kept.shape[:2], size, size))
    whole[..., :3, :3] = np.einsum("mdk,ak,bk->mdab", kept * own, law, law)
    whole[..., :3, 3:] = (kept[:, :, None] * law) @ rest
    whole[..., 3:, :3] = np.swapaxes(whole[..., :3, 3:], -1, -2)
    taken = (variance * kept)[..., None] * rest
    whole[..., 3:, 3:] = said.total[:, None, 1:, 1:] - np.swapaxes(taken, -1, -2) @ rest

    base = np.concatenate((np.arange(3), np.arange(3 + glides, size - 1)))
    information = whole[:, :, None][..., base[:, None], base]
    information = np.repeat(information, sigma.shape[1], axis=2)
    known = np.arange(1, len(base))
    information[..., known, known] += sigma**-2
    # What is read, B, what the first partial does late and what of that all do, in these unknowns.
    lead = np.zeros((len(said.late_sd), 1, 1, 4, len(base)))
    lead[..., 0, [0, 2]] = 1.0
    lead[..., 1, 1] = 1.0
    lead[..., 2:, 3] = seen.wander.common_late
    own_late = 3 + len(seen.wander.common) + len(UNFORESEEN)
    lead[..., 2, own_late] = said.late_sd[:, None, None]
    of_glide = np.arange(3, 3 + glides)
    seen_by = whole[:, :, None][..., np.append(of_glide, size - 1)[:, None], base]
    strengths = information.shape[:3]
    columns = np.concatenate(
        (
            np.broadcast_to(seen_by, (*strengths, *seen_by.shape[-2:])),
            np.broadcast_to(lead, (*strengths, *lead.shape[-2:])),
        ),
        axis=-2,
    )
    scale = 1.0 / np.sqrt(np.diagonal(information, axis1=-2, axis2=-1))
    even = information * scale[..., :, None] * scale[..., None, :] + JITTER * np.eye(len(base))
    solved, size_log = whitened_gram(even, columns * scale[..., None, :])
    at_lead = glides + 1 + np.arange(4)
    whole = whole[:, :, None]
    return _Base(
        log_p=log_p[..., None]
        + 0.5 * (solved[..., glides, glides] - whole[..., -1, -1])
        + size_log
        + np.log(scale).sum(axis=-1)
        - np.log(sigma).sum(axis=-1),
        lead=solved[..., at_lead, glides],
        pull=solved[..., at_lead, :glides],
        variance=solved[..., at_lead, at_lead],
        information=whole[..., of_glide[:, None], of_glide] - solved[..., :glides, :glides],
        right=whole[..., of_glide, -1] - solved[..., :glides, glides],
    )


def _over_glides(
    glides: Glides, base: _Base, seems: float
) -> tuple[Array, float, float, float, Array, float, float]:
    """Average over the kinds of glide: probabilities of the strengths (m, D, S); pitch and its
    variance with what the first partial does late; what of that all partials share; mean eps of
    each column; B's correction; and the log evidence."""
    none = np.zeros((*base.log_p.shape, 1, 1))
    kinds = [
        _Kind(base.log_p[..., None] + np.log(_PRIOR["none"]), none, none, lambda _: 0.0),
        _one_exponential(glides, base),
        *(_predicted(glides, base, columns, seems) for columns in glides.predicted),
    ]
    log_p = np.concatenate([kind.log_p for kind in kinds], axis=-1)
    p = np.exp(log_p - log_p.max())
    total = float(p.sum())
    p /= total
    pitches, variances, eps, delta_b, shared = [], [], np.zeros(len(glides.mix)), 0.0, 0.0
    first = 0
    for kind in kinds:
        share = p[..., first : first + kind.log_p.shape[-1]]
        first += share.shape[-1]
        moved = base.lead[..., None, :] - kind.drawn
        left = base.variance[..., None, :] + kind.variance
        pitches.append(moved[..., 0])
        # What the first partial does by itself at the end, that is as far as it may be off.
        late = left[..., 2] + moved[..., 2] ** 2
        variances.append(left[..., 0] + late)
        of_all = kind.variance[..., 0] + left[..., 3] + moved[..., 3] ** 2
        shared += float((share * of_all).sum())
        delta_b += float((share * moved[..., 1]).sum())
        eps += kind.eps(share)
    pitch = np.concatenate(pitches, axis=-1)
    mean_pitch = float((p * pitch).sum())
    between = float((p * (pitch - mean_pitch) ** 2).sum())
    # Which glide it is matters to all partials, how strongly each strays is its own.
    strength = p.sum(axis=-1)
    of_strength = (p * pitch).sum(axis=-1) / np.maximum(strength, 1e-300)
    shared += between - float((strength * (of_strength - mean_pitch) ** 2).sum())
    return (
        strength,
        mean_pitch,
        float((p * np.concatenate(variances, axis=-1)).sum()) + between,
        shared,
        eps,
        delta_b,
        float(log_p.max()) + float(np.log(total)),
    )


@dataclass(frozen=True, eq=False)
class _Kind:
    """What one kind of glide, in each of C forms, makes of every strength.

    Parameters
    ----------
    log_p : log evidence, shape (m, D, S, C).
    drawn : how far it draws each lead of :class:`_Base` down, shape (m, D, S, C, 4) or alike.
    variance : what it leaves open of each, likewise.
    eps : the mean of every column of the glides, given the share of each form, (m, D, S, C).
    """

    log_p: Array
    drawn: Array
    variance: Array
    eps: Callable[[Array], Array | float]


def _above_zero(z: Array) -> tuple[Array, Array, Array]:
    """What is left above zero of a normal distribution of mean ``z`` and variance 1: logarithm of
    its share, by how much its mean is larger, and by how much its variance is smaller."""
    above = scipy.special.log_ndtr(z)
    more = np.exp(-0.5 * z * z - 0.5 * np.log(2.0 * np.pi) - above)
    return above, more, np.clip(more * (more + z), 0.0, 1.0 - 1e-9)


def _one_exponential(glides: Glides, base: _Base) -> _Kind:
    """Single exponentials of every time constant and size. A string only relaxes: none is
    negative."""
    ladder = np.arange(len(TAU_S))
    known = np.diagonal(base.information, axis1=-2, axis2=-1)[..., ladder, None]
    precision = np.maximum(known, 0.0) + _GLIDE**-2
    sigma = precision**-0.5
    z = base.right[..., ladder, None] * sigma
    above, more, less = _above_zero(z)
    mean = sigma * np.maximum(z + more, 0.0)
    log_prior = np.log(2.0 * _PRIOR["one"] / len(_GLIDE) * glides.likely)[:, None]
    log_p = base.log_p[..., None, None] + log_prior + 0.5 * z * z + above
    log_p = log_p + np.log(sigma / _GLIDE)
    pull = np.swapaxes(base.pull[..., ladder], -1, -2)[..., None, :]
    variance = (sigma**2 * (1.0 - less))[..., None] * pull**2
    many = (*base.log_p.shape, -1)

    def eps(share: Array) -> Array:
        found = np.zeros(len(glides.mix))
        found[ladder] = (share.reshape(mean.shape) * mean).sum(axis=(0, 1, 2, 4))
        return found

    return _Kind(
        log_p.reshape(many),
        (mean[..., None] * pull).reshape(*many, 4),
        variance.reshape(*many, 4),
        eps,
    )


def _predicted(glides: Glides, base: _Base, columns: NDArray[np.intp], seems: float) -> _Kind:
    """The glide that the decays predict, with shares and pace somewhat free, of every size.

    What partials take of their own is no more than goes with the glide as it seems so far.
    """
    column = columns - len(TAU_S)
    own_size = np.minimum(_GLIDE, np.clip(seems, *_SEEMS))[:, None]
    size = np.where(glides.of_own[column], own_size, _GLIDE[:, None])
    sigma = size * glides.unit[column]
    # In units of what is expected of each column.
    information = base.information[..., None, columns[:, None], columns]
    information = np.eye(len(columns)) + information * (sigma[:, :, None] * sigma[:, None, :])
    right = base.right[..., None, columns]
    adds = np.broadcast_to(glides.mix[columns].sum(axis=1), right.shape)
    rows = np.concatenate(
        (right[..., None, :], adds[..., None, :], base.pull[..., None, :, columns]), axis=-2
    )
    many = (*information.shape[:-2], *rows.shape[-2:])
    gram, size_log = whitened_gram(information, np.broadcast_to(rows, many) * sigma[:, None, :])
    # How large the glide is at the beginning, to which the pace adds nothing: never negative.
    spread = np.sqrt(gram[..., 1, 1])
    above, more, less = _above_zero(gram[..., 0, 1] / spread)
    lean = gram[..., 2:, 1] / spread[..., None]
    log_prior = np.log(2.0 * _PRIOR["predicted"] / len(glides.predicted) / len(_GLIDE))
    log_p = base.log_p[..., None] + log_prior + 0.5 * gram[..., 0, 0] + size_log + above

    def eps(share: Array) -> Array:
        found = np.zeros(len(glides.mix))
        told = share > _SHARE_OF_EPS
        seen = (right + adds * (more / spread)[..., None]) * sigma
        mean = np.linalg.solve(information[told], seen[told][..., None])[..., 0]
        found[columns] = share[told] @ (mean * np.broadcast_to(sigma, seen.shape)[told])
        return found

    return _Kind(
        log_p,
        gram[..., 2:, 0] + lean * more[..., None],
        np.diagonal(gram[..., 2:, 2:], axis1=-2, axis2=-1) - less[..., None] * lean**2,
        eps,
    )
