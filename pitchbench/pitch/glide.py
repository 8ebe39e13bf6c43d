"""The shapes that a glide may have.

A string's tension, and with it its pitch, relaxes as its energy does: a sum of exponentials, one
for each partial, each dying twice as fast as the partial's amplitude. What is known of the decays
and shares becomes columns that are linear in what is sought: free exponentials on a ladder of time
constants, and the glide that the measured decays predict with the ways in which it may differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.follow import Followed
from pitchbench.pitch.partials import Array, Bands

#: Time constants of a glide of one exponential, seconds: from what is over before the partials can
#: be told apart to what outlasts most notes.
TAU_S: Final = np.geomspace(0.04, 4.0, 12)
#: Those of the small exponentials by which a real glide may differ from any of the shapes.
UNFORESEEN: Final = (1, 4, 7, 10)
_ENERGY_PARTIALS: Final = 12
#: The lowest partials may each have more or less than their share, the rest as one.
_SINGLE_SHARES: Final = 4
#: Standard deviation of a partial's share of the energy (relative: bodies and pickups change what
#: is heard of it by a factor of two) and of the pace of the whole (natural logarithm).
_SHARE_SIGMA: Final = 0.7
_PACE_SIGMA: Final = 0.2
#: How much more a partial takes of its own part of the glide than all others do: a half where it
#: swings in a plane, for its own stretch comes and goes in step with it; nothing where it whirls
#: (K. Legge and N. Fletcher, J. Acoust. Soc. Am. 76(1) 5 (1984); the numbers from memory). Half way
#: between, with the standard deviation that this and the shares leave it; the two lowest each, the
#: rest as one.
_OWN_MORE: Final = 0.25
_OWN_SIGMA: Final = 0.3
_SINGLE_OWN: Final = 2
#: The step over which the change with the pace is taken.
_PACE_STEP: Final = 0.1
#: How far the time constant of a single exponential may lie from the energy's pace (natural
#: logarithm, 1 sigma), and what is left for any other.
_TAU_SIGMA: Final = 0.5
_TAU_FLOOR: Final = 0.02
#: No string that is heard at all decays more slowly than this, per second.
_SLOWEST_DECAY: Final = 1.0 / 12.0


@dataclass(frozen=True, eq=False)
class Glides:
    """Shapes that the glide may have: every column is a mixture of exponentials.

    Parameters
    ----------
    tau_s : all time constants, shape (n,).
    mix : each column's mixture of them, shape (columns, n): first one for each of ``TAU_S``, then
        the glide predicted; the same with what each partial takes of its own; what each group of
        shares adds, what a slower pace does, and how much more or less partials take of their own.
    own_tau_s : of the part that each of the lowest partials adds to the glide, shape (P,).
    own : how much of that part the partial itself takes beyond ``mix``, shape (columns, P).
    unit : of the predicted glide and its changes, the standard deviations for a glide of size 1,
        shape (columns - len(TAU_S),); ``of_own`` is true for what partials take of their own.
    predicted : the columns of a glide that is the same for all, and of one that is not.
    likely : prior probability of each of ``TAU_S`` for a glide of one exponential, sum 1.
    """

    tau_s: Array
    mix: Array
    own_tau_s: Array
    own: Array
    unit: Array
    of_own: NDArray[np.bool_]
    predicted: tuple[NDArray[np.intp], NDArray[np.intp]]
    likely: Array

    def integral(self, t: Array) -> Array:
        """Integral of every column from 0 to ``t``, shape (columns, M)."""
        integral: Array = self.mix @ (self.tau_s[:, None] * -np.expm1(-t / self.tau_s[:, None]))
        return integral

    def integral_of(self, number: NDArray[np.int64], t: Array) -> Array:
        """The same for partials (K,), with what each takes of its own; shape (K, columns, M)."""
        integral = np.repeat(self.integral(t)[None], len(number), axis=0)
        low = number <= len(self.own_tau_s)
        tau = self.own_tau_s[number[low] - 1, None]
        part = tau * -np.expm1(-t / tau)
        integral[low] += self.own.T[number[low] - 1][:, :, None] * part[:, None]
        return integral


def glides_of(bands: Bands, followed: Followed) -> Glides:
    """The shapes to be expected of partials that decay as ``followed``."""
    decay_s, share = _energy_of(bands, followed)
    n, partials = len(TAU_S), len(decay_s)
    groups = np.minimum(np.arange(partials), _SINGLE_SHARES)
    paces = np.exp((0.0, -_PACE_STEP, _PACE_STEP))
    tau_s = np.concatenate((TAU_S, np.outer(paces, decay_s / 2.0).ravel()))
    own, slower, faster = (n + partials * j + np.arange(partials) for j in range(3))
    shares = n + 2 + np.arange(groups[-1] + 1)
    pace_column = shares[-1] + 1
    of_own = pace_column + 1 + np.minimum(np.arange(partials), _SINGLE_OWN)
    mix = np.zeros((of_own[-1] + 1, len(tau_s)))
    own_more = np.zeros((len(mix), partials))
    mix[:n, :n] = np.eye(n)
    mix[n, own] = mix[n + 1, own] = mix[shares[groups], own] = share
    mix[pace_column, slower] = -share / (2.0 * _PACE_STEP)
    mix[pace_column, faster] = share / (2.0 * _PACE_STEP)
    own_more[n + 1], own_more[of_own, np.arange(partials)] = _OWN_MORE * share, share
    unit = np.full(len(mix) - n, _SHARE_SIGMA)
    unit[:2], unit[pace_column - n], unit[of_own - n] = 1.0, _PACE_SIGMA, _OWN_SIGMA
    alike = np.concatenate(([n], shares, [pace_column]))
    unlike = np.arange(n + 1, len(mix))
    # The slowest part of a glide keeps about the pace of the energy, whatever its exact shape.
    pace = float(np.exp(share @ np.log(decay_s / 2.0)))
    likely = np.exp(-0.5 * (np.log(TAU_S / pace) / _TAU_SIGMA) ** 2) + _TAU_FLOOR
    likely /= likely.sum()
    is_own = np.arange(n, len(mix)) > pace_column
    return Glides(tau_s, mix, decay_s / 2.0, own_more, unit, is_own, (alike, unlike), likely)


def _energy_of(bands: Bands, followed: Followed) -> tuple[Array, Array]:
    """Decay time and share of the string's energy of the lowest partials, both (P,), seconds and 1.

    The energy, and with it the glide, is the sum over partials of (k a_k)^2: each part dies twice
    as fast as its partial. An ideal pluck gives a_k ~ 1/k^2 and parts ~ 1/k^2; a pickup that hears
    velocity gives parts ~ its own powers. The share is taken half way between the two. A partial
    that is missing decays like the one below it.
    """
    rates = np.maximum(followed.decay_rate, _SLOWEST_DECAY)
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
    # All alike where none of them is heard.
    share = np.maximum(share, 1e-3 * share.max() or 1.0)
    return decay_s, share / share.sum()
