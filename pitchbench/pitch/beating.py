"""The second polarisation: a string swings in two planes, and their pitches differ by a little.

A partial is then A (1 + rho e(t)) with e(t) = exp((2 pi i delta - lambda) t): level and phase are
modulated together, a quarter period apart. A beat too slow to average out looks like a shift of
pitch in the phase alone; the level and the stiff-string law give it away. The split delta is taken
to be either one fraction of the frequency or one number of hertz for all partials, so that all of
them vote on it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.follow import slope_of
from pitchbench.pitch.partials import Array
from pitchbench.units import CENTS_PER_NEPER

#: Size of rho, 1 sigma of either of its parts.
RHO_SIGMA: Final = 0.2
#: Widest split looked for, as a part of the frequency in cents or alike for all partials in Hz, and
#: the most steps that the search takes to each side.
_WIDEST_CENTS: Final = 5.0
_WIDEST_HZ: Final = 3.0
_MOST_STEPS: Final = 40
#: How often the search goes on around the best.
_REFINEMENTS: Final = 3
#: How much faster the second polarisation may decay, in units of the main one's rate.
_EXTRA_DECAY: Final = (-0.35, 0.1, 0.8)

#: What a partial's beat is allowed to reach where it is taken about the rho found; from which share
#: of a beat on, and from which wholly, the partial itself tells its rho; how often it is repeated.
_SWING: Final = 0.7
_TELLS: Final = (0.5, 0.7)
_TURNS: Final = 3
#: From how many partials that tell on, and from how many wholly, they speak for the others.
_SPEAK: Final = (2.0, 3.0)
#: Prior probability that a string shows no second polarisation; the rest is for either law.
_NO_BEAT: Final = 0.5
#: The split found may be off by this many cycles per note, 1 sigma, the extra decay by as much.
_SPLIT_CYCLES: Final = 0.5
_DECAY_SIGMA: Final = 0.5
#: The extra decay of one partial beside that of the others, 1 sigma: a body takes from the two
#: planes of each as it likes.
_DECAY_APART: Final = 0.3

#: Where in what a beat is held against the level's own basis, the level, and what is seen in the
#: phase stand: the shared unknowns, then the phase itself. The phase's own basis comes first.
_LEVEL_OWN: Final = slice(1, 3)
_LEVEL: Final = 3
_SEEN: Final = slice(4, None)


@dataclass(frozen=True, eq=False)
class Leftover:
    """What a fit without beating leaves over, ready for the search.

    Parameters
    ----------
    time_s : shape (M,).
    phase, level : residuals of phase and log level, shape (K, M).
    weight : one over the variance of either, shape (K, M).
    columns : what shared unknowns do to the phase, shape (K, J, M): pitch, B, pieces of glide.
    precision : prior precision of the shared unknowns, shape (J,).
    deviation : variance of each partial's own deviation from the law, in units of the first
        shared unknown, shape (K,).
    frequency_hz, decay_rate : of each partial, shape (K,).
    """

    time_s: Array
    phase: Array
    level: Array
    weight: Array
    columns: Array
    precision: Array
    deviation: Array
    frequency_hz: Array
    decay_rate: Array


@dataclass(frozen=True, eq=False)
class Beat:
    """A second polarisation, or none, and what may still be changed in it, about what was found.

    What it does to log amplitude + i phase of each partial, in stretches of time:

    Parameters
    ----------
    own : for each of the partial's own factors rho, shape (K, 0 or 1, M).
    apart : for the extra decay of the partial beside that of the others, as much as one sigma of
        rho, shape (K, 0 or 1, M).
    both : for the split and the extra decay, which all partials share, shape (K, 0 or 2, M).
    beyond : what is known of it already, shape (K, M).
    fall : how much faster each partial dies than its level seems to, per second, shape (K,).
    log_prior : logarithm of the prior probability that such a split is there.
    turn : angular frequency of the partials, by which a phase becomes a shift in time, shape (K,).
    """

    own: NDArray[np.complex128]
    apart: NDArray[np.complex128]
    both: NDArray[np.complex128]
    beyond: NDArray[np.complex128]
    fall: Array
    log_prior: float
    turn: Array

    @classmethod
    def none(cls, turn: Array, stretches: int) -> Beat:
        """No second polarisation of partials seen in so many stretches of time."""
        nothing = np.zeros((len(turn), 0, stretches), dtype=np.complex128)
        beyond = np.zeros((len(turn), stretches), dtype=np.complex128)
        still = np.zeros(len(turn))
        return cls(nothing, nothing, nothing, beyond, still, float(np.log(_NO_BEAT)), turn)

    @property
    def unknowns(self) -> int:
        """How many real unknowns of its own each partial has: both parts of rho, and the decay."""
        return 2 * int(self.own.shape[1]) + int(self.apart.shape[1])

    @property
    def shared(self) -> int:
        """How many unknowns all partials share."""
        return int(self.both.shape[1])

    @property
    def shift_columns(self) -> Array:
        """What the partials' own unknowns do to the shift in time, shape (K, unknowns, M)."""
        columns = np.concatenate((self.own.imag, self.own.real, self.apart.imag), axis=1)
        shift: Array = columns / self.turn[:, None, None]
        return shift

    @property
    def level_columns(self) -> Array:
        """What the partials' own unknowns do to the level, shape (K, unknowns, M)."""
        columns: Array = np.concatenate((self.own.real, -self.own.imag, self.apart.real), axis=1)
        return columns

    @property
    def shared_shift_columns(self) -> Array:
        """What the shared unknowns, of standard deviation 1, do to the shift, (K, shared, M)."""
        columns: Array = self.both.imag / self.turn[:, None, None]
        return columns

    @property
    def shared_level_columns(self) -> Array:
        """What the shared unknowns, of standard deviation 1, do to the level, (K, shared, M)."""
        return self.both.real

    @property
    def shift(self) -> Array:
        """What is known of the beat already, as a shift in time, shape (K, M)."""
        shift: Array = self.beyond.imag / self.turn[:, None]
        return shift

    @property
    def level(self) -> Array:
        """What is known of the beat already, in the level, shape (K, M)."""
        return self.beyond.real


@dataclass(frozen=True, eq=False)
class Split:
    """The most probable split of one law: in Hz for each partial, shape (K,), and extra decay.

    ``law`` (K,) is how the partials' splits are to each other, ``widest_hz`` how far was looked.
    """

    law: Array
    split_hz: float
    extra: float
    widest_hz: float


def second_polarisation(leftover: Leftover) -> list[Split]:
    """Look for a second polarisation in what a fit leaves over: the best split of either law."""
    search = _Search(leftover)
    information = leftover.weight.sum(axis=1) * leftover.frequency_hz**2
    rms_hz = float(np.sqrt((information * leftover.frequency_hz**2).sum() / information.sum()))
    step_hz = 0.25 / float(np.ptp(leftover.time_s))
    # The split of every partial, where that of the partials at rms_hz is 1 Hz.
    laws = np.stack((leftover.frequency_hz / rms_hz, np.ones_like(leftover.frequency_hz)))
    widest_hz = np.array([_WIDEST_CENTS / CENTS_PER_NEPER * rms_hz, _WIDEST_HZ])
    count = int(np.clip(widest_hz.max() / step_hz, 12, _MOST_STEPS))
    widest_hz = np.minimum(widest_hz, count * step_hz)
    # Splits and extra decays tried, each with each, of both laws: shapes (2, S) and (2, E).
    split_hz = np.linspace(np.minimum(step_hz, widest_hz / 2.0), widest_hz, count, axis=1)
    extra = np.tile(_EXTRA_DECAY, (2, 1))
    gain = search.gain(laws[:, :, None] * split_hz[:, None], extra)
    # The best of either sign and law: sign by sign, shape (4,).
    laws, widest_hz = np.tile(laws, (2, 1)), np.tile(widest_hz, 2)
    best = _best_of(
        gain.reshape(4, *gain.shape[2:]),
        np.concatenate((split_hz, -split_hz)),
        np.tile(extra, (2, 1)),
    )
    width_hz, width_extra = step_hz, 0.35
    for _ in range(_REFINEMENTS):
        split_hz = best[1][:, None] + width_hz * np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
        extra = best[2][:, None] + width_extra * np.array([-1.0, 0.0, 1.0])
        (gain,) = search.gain(laws[:, :, None] * split_hz[:, None], extra, signs=(1.0,))
        found = _best_of(gain, split_hz, extra)
        best = np.where(found[0] > best[0], found, best)
        width_hz, width_extra = width_hz / 2.5, width_extra / 2.0
    # Of each law the sign that gains more.
    chosen = best[0].reshape(2, 2).argmax(axis=0) * 2 + (0, 1)
    return [Split(laws[j], *map(float, (best[1, j], best[2, j], widest_hz[j]))) for j in chosen]


def _best_of(gain: Array, split_hz: Array, extra: Array) -> Array:
    """The greatest ``gain`` (C, E, S) of each, with its split and its extra decay, shape (3, C)."""
    each = np.arange(len(gain))
    decay, top = np.divmod(gain.reshape(len(gain), -1).argmax(axis=1), gain.shape[-1])
    best: Array = np.stack((gain[each, decay, top], split_hz[each, top], extra[each, decay]))
    return best


def beat_of(leftover: Leftover, split: Split, mean: Callable[[Array], Array]) -> Beat:
    """The beat of a ``split``: log(1 + rho e) about the rho that each partial shows.

    ``mean`` averages what is known at every moment, (K, ..., times), over stretches of time.
    """
    t = leftover.time_s
    hz = split.law * split.split_hz
    e = np.exp((2j * np.pi * hz - leftover.decay_rate * split.extra)[:, None] * t)
    length_s = float(np.ptp(t))
    tells = np.clip((np.abs(hz) * length_s - _TELLS[0]) / np.ptp(_TELLS), 0.0, 1.0)
    speak = np.clip((tells.sum() - _SPEAK[0]) / np.ptp(_SPEAK), 0.0, 1.0)
    root = np.sqrt(leftover.weight)
    # Constant and slope are free, of the phase and of the level alike.
    free = np.linalg.qr(root[:, :, None] * np.stack((np.ones_like(t), t), axis=1))[0]
    seen = root * (leftover.level + 1j * leftover.phase)
    own, beyond = e, np.zeros_like(e)
    for _ in range(_TURNS):
        rho = _along(root * own, seen - root * beyond, free)
        # A pick lets both planes of all partials go at once, and alike.
        alike = speak * (tells @ rho) / max(tells.sum(), 1.0)
        about = tells * rho + (1.0 - tells) * alike
        swing = about[:, None] * e
        swing = swing * np.minimum(1.0, _SWING / np.maximum(np.abs(swing), 1e-12))
        own = e / (1.0 + swing)
        taken = np.log1p(swing)
        beyond = taken - swing / (1.0 + swing)
    sigma_hz = _SPLIT_CYCLES / length_s
    of_split = 2j * np.pi * split.law[:, None] * t * sigma_hz
    of_decay = -leftover.decay_rate[:, None] * t
    rho = about + (1.0 - tells) * (1.0 - speak) * rho
    swing = rho[:, None] * own
    both = swing[:, None] * np.stack((of_split, of_decay * _DECAY_SIGMA), axis=1)
    apart = swing * of_decay * (_DECAY_APART / RHO_SIGMA)

    def averaged(values: NDArray[np.complex128]) -> NDArray[np.complex128]:
        complex_mean: NDArray[np.complex128] = mean(values.real) + 1j * mean(values.imag)
        return complex_mean

    # The split was looked for far and wide and is known to lie near: that is worth so much less.
    near = np.sqrt(2.0 * np.pi) * sigma_hz / (2.0 * split.widest_hz)
    return Beat(
        averaged(own[:, None]),
        averaged(apart[:, None]),
        averaged(both),
        averaged(beyond),
        slope_of(t, taken.real, leftover.weight),
        float(np.log(0.5 * (1.0 - _NO_BEAT) * near)),
        2.0 * np.pi * leftover.frequency_hz,
    )


def _along(
    beat: NDArray[np.complex128], seen: NDArray[np.complex128], free: Array
) -> NDArray[np.complex128]:
    """The rho (K,) of each partial that makes ``seen`` of its ``beat``, both weighed, (K, M), with
    whatever lies along its basis ``free``, (K, M, P), left out."""
    beat = beat - (free @ (free.swapaxes(-1, -2) @ beat[..., None]))[..., 0]
    size = (np.square(beat.real) + np.square(beat.imag)).sum(axis=-1) + RHO_SIGMA**-2
    rho: NDArray[np.complex128] = (beat.conj() * seen).sum(axis=-1) / size
    return rho


class _Search:
    """Log probability gained by a second polarisation of given split and extra decay.

    Everything linear is integrated out: each partial's rho, constant phase, level and decay, its
    deviation from the law, and the shared unknowns.
    """

    def __init__(self, leftover: Leftover) -> None:
        self._of = leftover
        root = np.sqrt(leftover.weight)[:, :, None]
        t = leftover.time_s[:, None]
        # Orthonormal bases of what a partial may do alone: constant phase; level and decay.
        phase_own = np.linalg.qr(root * np.ones_like(t))[0]
        level_own = np.linalg.qr(root * np.concatenate((np.ones_like(t), t), axis=1))[0]
        seen = np.concatenate((leftover.columns, leftover.phase[:, None]), axis=1)
        seen = _without(root * seen.transpose(0, 2, 1), phase_own)
        level = _without(root * leftover.level[:, :, None], level_own)
        # What a beat is held against, weighed, (K, 4 + J + 1, M): see the slices above.
        against = np.concatenate((phase_own, level_own, level, seen), axis=2)
        self._against = np.ascontiguousarray((root * against).transpose(0, 2, 1))
        self._gram = seen.transpose(0, 2, 1) @ seen
        nothing = np.zeros((len(root), 1, seen.shape[2]))
        self._plain = float(self._shared(nothing, nothing)[0])

    def turns(self, split_hz: Array) -> NDArray[np.complex128]:
        """exp(2 pi i split t) of every partial for splits (..., K, S), shape (..., K, M, S)."""
        time_s = self._of.time_s
        rate = 2j * np.pi * split_hz
        step = float(time_s[1] - time_s[0])
        turned = np.empty((*rate.shape[:-1], len(time_s), rate.shape[-1]), dtype=np.complex128)
        turned[..., 0, :] = np.exp(rate * time_s[0])
        # Times are evenly spaced: what is there, turned on by as much, is the next part, and so on.
        there = 1
        while there < len(time_s):
            more = min(there, len(time_s) - there)
            turn = np.exp(rate * step * there)[..., None, :]
            np.multiply(turned[..., :more, :], turn, out=turned[..., there : there + more, :])
            there += more
        return turned

    def gain(
        self, split_hz: Array, extra: Array, *, signs: tuple[float, ...] = (1.0, -1.0)
    ) -> Array:
        """Gain of splits (..., K, S), each with every one of the extra decays (..., E), over no
        second polarisation, shape (signs, ..., E, S): with the splits as they are, and with their
        negatives."""
        of = self._of
        fall = np.exp(-extra[..., None, None] * of.decay_rate[:, None] * of.time_s)
        energy = (np.square(fall) * of.weight).sum(axis=-1) + RHO_SIGMA**-2
        energy = energy[..., None]
        against = self._against * fall[..., None, :]
        # Real and imaginary parts stand side by side, so that one product takes both.
        parts = against @ self.turns(split_hz)[..., None, :, :, :].view(np.float64)
        parts = np.moveaxis(parts.reshape(*parts.shape[:-1], -1, 2), -3, -2)
        real, imag = parts[..., 0], parts[..., 1]
        # Regressor of rho's real part: imag in the phase, real in the level; of its imaginary
        # part: real in the phase, -imag in the level.
        rr = energy - imag[..., 0] ** 2 - np.square(real[..., _LEVEL_OWN]).sum(axis=-1)
        ii = energy - real[..., 0] ** 2 - np.square(imag[..., _LEVEL_OWN]).sum(axis=-1)
        ri = (real * imag)[..., _LEVEL_OWN].sum(axis=-1) - real[..., 0] * imag[..., 0]
        lean = ri / rr
        ii = ii - lean * ri
        # The negative of a split has the conjugate beat.
        imag = np.stack([sign * imag for sign in signs])
        lean = np.stack([sign * lean for sign in signs])
        first = imag[..., _SEEN]
        first[..., -1] += real[..., _LEVEL]
        second = real[..., _SEEN] - lean[..., None] * first
        second[..., -1] -= imag[..., _LEVEL]
        alone = np.log(rr * ii * RHO_SIGMA**4).sum(axis=-2)
        first = first / np.sqrt(rr)[..., None]
        second = second / np.sqrt(ii)[..., None]
        gain: Array = self._shared(first, second) - 0.5 * alone - self._plain
        return gain

    def _shared(self, first: Array, second: Array) -> Array:
        """Log probability with the shared unknowns integrated out, shape (..., S).

        ``first`` and ``second``, (..., K, S, J + 1), are what each partial's rho takes away: the
        parts of what is seen that lie along its two regressors, made orthonormal.
        """
        variance = self._of.deviation[:, None]
        column = self._gram[:, None, 0] - first[..., :1] * first - second[..., :1] * second
        shrink = 1.0 + variance * column[..., 0]
        deviation = np.sqrt(variance / shrink)[..., None] * column
        taken = np.concatenate((first, second, deviation), axis=-3)
        taken = np.moveaxis(taken, -3, -2)
        rest = self._gram.sum(axis=0) - np.swapaxes(taken, -1, -2) @ taken
        total = rest[..., :-1, :-1] + np.diag(self._of.precision)
        right = rest[..., :-1, -1]
        solved = np.linalg.solve(total, right[..., None])[..., 0]
        log_p: Array = 0.5 * (
            (right * solved).sum(axis=-1)
            - rest[..., -1, -1]
            - np.linalg.slogdet(total)[1]
            - np.log(shrink).sum(axis=-2)
        )
        return log_p


def _without(data: Array, basis: Array) -> Array:
    """``data`` (K, M, N) with its part along the orthonormal ``basis`` (K, M, P) taken out."""
    rest: Array = data - basis @ (basis.transpose(0, 2, 1) @ data)
    return rest
