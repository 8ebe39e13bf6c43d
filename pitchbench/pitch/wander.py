"""What a partial does by itself: the slow random course that real strings add to law and glide.

Magnets pull, bodies and bridges answer, windings age, planes of swinging trade energy: every
partial of a real string wanders about its own frequency by hundredths of a cent to tens of cents,
slowly rather than fast. Its relative frequency is taken to be a sum of first-order random processes
(Ornstein-Uhlenbeck) with time constants from a twentieth of a second to some seconds, a spectrum
between 1/f and 1/f^2; how strong it is, the note itself shows. Where a partial's level dips below
what it comes back to, something else is heard with it, and its wander grows as it sinks. However
still it stands later, after the pluck each partial glides a little by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.partials import Array
from pitchbench.units import CENTS_PER_NEPER

#: Time constants of the wander, seconds, and the exponent with which their variances rise: what
#: made twenty real notes the most probable among -0.3 to 1 (flat, 0, is 1/f).
_TAU_S: Final = np.array([0.05, 0.2, 0.8, 3.2])
_REDNESS: Final = 0.4
_PIVOT_S: Final = 0.45
#: After the pluck other things ring along, body and bridge among them; they are soon gone.
_EARLY_S: Final = 0.25
_EARLY_TAU_S: Final = np.array([0.1, 0.3])
#: The glide that a partial may have by itself however little it wanders, 1 sigma, and its time
#: constants: the smoothest of what made the same notes more probable, whole and cut short.
_OWN_GLIDE: Final = 1.0 / CENTS_PER_NEPER
_OWN_GLIDE_TAU_S: Final = np.array([0.1, 0.3])
#: A dip counts for at most this much.
_DEEPEST: Final = 20.0
_SILENT: Final = -100.0
#: Half the span from here to the end, but at least to ``_HEARD_S``, is when a pitch is compared.
_HEARD_S: Final = 4.0
_LATE_POINTS: Final = 9
#: No partial of a string leaves the others by this much, but for what drowns it, and only what
#: stands out of the noise by so many sigma says that it does.
_LOST_CENTS: Final = 10.0
_SEEN_SIGMA: Final = 3.0
_WELL_SEEN_CENTS: Final = 5.0
_SWEEPS: Final = 2


@dataclass(frozen=True, eq=False)
class Wander:
    """Covariances of the phase, as a shift in time (s^2), of wander of strength 1.

    Parameters
    ----------
    slow, early : of a partial's own lasting wander and of that after the pluck, shape (K, M, M).
    anyhow : of what is there however weak the wander, the partial's own glide and the moments in
        which something else drowns it, shape (K, M, M).
    late_slow, late_early : covariance with the mean wander late in the note, shape (K, M).
    late_variance : variance of that mean, shape (2, K): lasting, early.
    common : what all partials may do together, shape (S, M), each with a standard deviation of 1.
    common_late : the share of the first of these in the mean late in the note; others have none.
    """

    slow: Array
    early: Array
    anyhow: Array
    late_slow: Array
    late_early: Array
    late_variance: Array
    common: Array
    common_late: float


def wander_of(
    time_s: Array,
    course: Array,
    shift_s: Array,
    variance: Array,
    *,
    heard: NDArray[np.bool_],
    level: Array,
) -> Wander:
    """The covariances for partials seen at ``time_s`` (M,).

    Parameters
    ----------
    course : what each partial sees of a course given at those times, shape (K, M, M).
    shift_s, variance : phase as a shift in time and the variance of its noise, shape (K, M).
    heard : where the partial stands out of the noise, shape (K, M).
    level : natural logarithm of its amplitude, shape (K, M).
    """
    blocks = len(time_s)
    of = _moments(tuple(time_s.tolist()))
    # A partial can only come back to what it never lost: what it sinks below that is a dip.
    comes_back = np.maximum.accumulate(np.where(heard, level, _SILENT)[:, ::-1], axis=1)[:, ::-1]
    dip = np.exp(np.minimum(np.where(heard, comes_back - level, 0.0), np.log(_DEEPEST)))
    dip = np.concatenate((dip, np.ones((len(dip), _LATE_POINTS))), axis=1)
    both = heard[:, :, None] & heard[:, None]

    own_sums = course @ of.sum_up
    steps = _lost(time_s, shift_s, variance, heard, level)
    jumps = course @ np.tril(np.repeat(steps[:, None], blocks, axis=1))
    anyhow = np.concatenate((jumps, course @ of.own_glide), axis=-1)
    slow, late_slow, slow_mean = _summed(of.lasting, dip, own_sums)
    first, late_early, early_mean = _summed(of.early, dip, own_sums)
    return Wander(
        slow=slow * both,
        early=first * both,
        anyhow=anyhow @ np.swapaxes(anyhow, -1, -2) * both,
        late_slow=late_slow * heard,
        late_early=late_early * heard,
        late_variance=np.stack((slow_mean, early_mean)),
        common=of.common,
        common_late=of.common_late,
    )


@dataclass(frozen=True, eq=False)
class _Moments:
    """What the moments alone make of the processes, those at which partials are seen, (M,), and
    some late ones, (L,).

    Parameters
    ----------
    lasting, early : covariances of the processes of strength 1, shape (M + L, M + L).
    sum_up : what leads from the frequency at the moments seen to the shift, shape (M, M).
    own_glide : the shifts of the glides that a partial has by itself, shape (M, 2).
    common, common_late : see :class:`Wander`.
    """

    lasting: Array
    early: Array
    sum_up: Array
    own_glide: Array
    common: Array
    common_late: float


@lru_cache(maxsize=4)  # the rounds of one pluck
def _moments(seen_s: tuple[float, ...]) -> _Moments:
    time_s, blocks = np.array(seen_s), len(seen_s)
    end_s = max(_HEARD_S, seen_s[-1])
    times = np.concatenate((time_s, np.linspace(0.5 * end_s, end_s, _LATE_POINTS)))
    apart = np.abs(times[:, None] - times)
    lasting = _processes(apart, _TAU_S, (_TAU_S / _PIVOT_S) ** _REDNESS)
    fading = np.exp(-times / _EARLY_S)
    sum_up = np.tril(np.ones((blocks, blocks))) * np.diff(time_s, prepend=0.0)
    together, late, mean = (
        each[0] for each in _summed(lasting, np.ones((1, len(times))), sum_up[None])
    )
    value, vector = np.linalg.eigh(together - np.outer(late, late) / mean)
    shapes = vector * np.sqrt(np.maximum(value, 0.0))
    own_glide = -_OWN_GLIDE_TAU_S * np.expm1(-time_s[:, None] / _OWN_GLIDE_TAU_S)
    return _Moments(
        lasting=lasting,
        early=_processes(apart, _EARLY_TAU_S, np.ones(2)) * fading * fading[:, None],
        sum_up=sum_up,
        own_glide=_OWN_GLIDE * own_glide,
        common=np.concatenate(((late / np.sqrt(mean))[None], shapes.T)),
        common_late=float(np.sqrt(mean)),
    )


def _summed(process: Array, size: Array, sums: Array) -> tuple[Array, Array, Array]:
    """Of a ``process`` of ``size`` (K, M + L) at each moment: the covariance of the shifts that
    ``sums`` (K, M, M) make of it, that with its mean over the late moments, and that mean's
    variance; shapes (K, M, M), (K, M) and (K,)."""
    blocks = sums.shape[-1]
    each = process * size[:, :, None] * size[:, None]
    late = sums @ each[:, :blocks, blocks:].mean(axis=2)[..., None]
    mean = each[:, blocks:, blocks:].mean(axis=(1, 2))
    return sums @ each[:, :blocks, :blocks] @ np.swapaxes(sums, -1, -2), late[..., 0], mean


def _processes(apart: Array, tau_s: Array, variance: Array) -> Array:
    """Covariance of a sum of first-order processes, shape of ``apart``."""
    covariance: Array = np.exp(-apart[..., None] / tau_s) @ variance
    return covariance


def _lost(
    time_s: Array, shift_s: Array, variance: Array, heard: NDArray[np.bool_], level: Array
) -> Array:
    """Steps, 1 sigma, (K, M), that open where a partial's frequency is not the string's.

    What it is to be is judged by amplitude, not by time: once a partial has sunk, what drowns it
    may be heard for longer than it was itself.
    """
    step_s = np.diff(time_s)
    seen = heard[:, 1:] & heard[:, :-1]
    frequency = np.diff(shift_s, axis=1) / step_s
    noise = np.sqrt(variance[:, 1:] + variance[:, :-1]) / step_s
    amplitude = np.where(seen, np.exp(0.5 * (level[:, 1:] + level[:, :-1])), 0.0)
    clear = (seen & (noise < _WELL_SEEN_CENTS / CENTS_PER_NEPER)).astype(np.float64)
    apart = frequency
    # Each partial's own place and the course of all, in turn: what dies early has not heard it all.
    for _ in range(_SWEEPS):
        apart = apart - _median(apart, amplitude)[:, None]
        apart = apart - _median(apart.T, clear.T)
    apart = np.where(seen, np.abs(apart), 0.0)
    apart = np.where(apart > _SEEN_SIGMA * noise, apart, 0.0)
    far = np.minimum(1.0, (CENTS_PER_NEPER / _LOST_CENTS * apart) ** 4)
    return np.concatenate((np.zeros((len(far), 1)), far * apart * step_s), axis=1)


def _median(values: Array, weight: Array) -> Array:
    """Weighted median of each row; 0 where nothing weighs."""
    row = np.arange(len(values))
    order = np.argsort(np.where(weight > 0, values, np.inf), axis=1)
    ordered, upto = values[row[:, None], order], np.cumsum(weight[row[:, None], order], axis=1)
    half = 0.5 * upto[:, -1:]
    # Half way between the last value that has not more than half beneath it and its follower.
    first = ordered[row, np.argmax(upto >= half * (1.0 - 1e-9), axis=1)]
    second = ordered[row, np.argmax(upto > half * (1.0 + 1e-9), axis=1)]
    median: Array = np.where(upto[:, -1] > 0, 0.5 * (first + second), 0.0)
    return median
