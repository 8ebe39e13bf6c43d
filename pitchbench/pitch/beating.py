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
_REFINEMENTS: Final = 4
#: How much faster the second polarisation may decay, in units of the main one's rate.
_EXTRA_DECAY: Final = (-0.35, 0.1, 0.8)

#: What a partial's beat is allowed to reach where it is taken about the rho found; share of a beat
#: that the partial must go through for that to pin it down; how often it is repeated.
_SWING: Final = 0.7
_PINNED: Final = 0.6
_TURNS: Final = 3
#: Prior probability that a string shows no second polarisation; the rest is for either law.
_NO_BEAT: Final = 0.5
#: The split found may be off by this many cycles per note, 1 sigma, the extra decay by as much.
_SPLIT_CYCLES: Final = 0.5
_DECAY_SIGMA: Final = 0.5

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
    both : for the split and the extra decay, which all partials share, shape (K, 0 or 2, M).
    beyond : what is known of it already, shape (K, M).
    log_prior : logarithm of the prior probability that such a split is there.
    turn : angular frequency of the partials, by which a phase becomes a shift in time, shape (K,).
    """

    own: NDArray[np.complex128]
    both: NDArray[np.complex128]
    beyond: NDArray[np.complex128]
    log_prior: float
    turn: Array

    @classmethod
    def none(cls, turn: Array, stretches: int) -> Beat:
        """No second polarisation of partials seen in so many stretches of time."""
        nothing = np.zeros((len(turn), 0, stretches), dtype=np.complex128)
        beyond = np.zeros((len(turn), stretches), dtype=np.complex128)
        return cls(nothing, nothing, beyond, float(np.log(_NO_BEAT)), turn)

    @property
    def unknowns(self) -> int:
        """How many real unknowns of its own each partial has: the two parts of rho."""
        return 2 * int(self.own.shape[1])

    @property
    def shared(self) -> int:
        """How many unknowns all partials share."""
        return int(self.both.shape[1])

    @property
    def shift_columns(self) -> Array:
        """What the partials' own unknowns do to the shift in time, shape (K, unknowns, M)."""
        columns = np.concatenate((self.own.imag, self.own.real), axis=1)
        shift: Array = columns / self.turn[:, None, None]
        return shift

    @property
    def level_columns(self) -> Array:
        """What the partials' own unknowns do to the level, shape (K, unknowns, M)."""
        columns: Array = np.concatenate((self.own.real, -self.own.imag), axis=1)
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
    laws = (leftover.frequency_hz / rms_hz, np.ones_like(leftover.frequency_hz))
    widest_hz = (_WIDEST_CENTS / CENTS_PER_NEPER * rms_hz, _WIDEST_HZ)
    steps = [int(np.clip(widest / step_hz, 12, _MOST_STEPS)) for widest in widest_hz]
    ladders = [
        np.linspace(step_hz, min(widest, count * step_hz), count)
        for widest, count in zip(widest_hz, steps, strict=True)
    ]
    tried = [(ladder, np.array(_EXTRA_DECAY)) for ladder in ladders]
    best = [(-np.inf, 0.0, 0.0)] * len(laws)
    width_hz, width_extra = step_hz, 0.35
    for turn in range(1 + _REFINEMENTS):
        best = _best(search, laws, tried, best, negative=turn == 0)
        tried = [_around(hz, width_hz, extra, width_extra) for _, hz, extra in best]
        width_hz, width_extra = width_hz / 2.5, width_extra / 2.0
    return [
        Split(law, hz, extra, float(ladder[-1]))
        for law, ladder, (_, hz, extra) in zip(laws, ladders, best, strict=True)
    ]


def _best(
    search: _Search,
    laws: tuple[Array, ...],
    tried: list[tuple[Array, Array]],
    before: list[tuple[float, float, float]],
    *,
    negative: bool,
) -> list[tuple[float, float, float]]:
    """For each law the largest gain so far, with its split in Hz and extra decay.

    ``tried`` are splits and extra decays, each with each, with the negatives of the splits too
    where ``negative``.
    """
    grids = [np.stack(np.meshgrid(*each)).reshape(2, -1) for each in tried]
    split_hz = np.concatenate(
        [law[:, None] * grid[0] for law, grid in zip(laws, grids, strict=True)], axis=1
    )
    gains = search.gain(split_hz, np.concatenate([grid[1] for grid in grids]))
    last = np.cumsum([grid.shape[1] for grid in grids])
    best = []
    for (hz, extra), gain, known in zip(
        grids, np.split(gains[: 1 + negative], last[:-1], axis=1), before, strict=True
    ):
        sign, top = np.unravel_index(np.argmax(gain), gain.shape)
        found = (float(gain[sign, top]), float((1 - 2 * sign) * hz[top]), float(extra[top]))
        best.append(max(known, found))
    return best


def beat_of(leftover: Leftover, split: Split, mean: Callable[[Array], Array]) -> Beat:
    """The beat of a ``split``: log(1 + rho e) about the rho that each partial shows.

    ``mean`` averages what is known at every moment, (K, ..., times), over stretches of time.
    """
    t = leftover.time_s
    hz = split.law * split.split_hz
    e = np.exp((2j * np.pi * hz - leftover.decay_rate * split.extra)[:, None] * t)
    length_s = float(np.ptp(t))
    pinned = np.abs(hz) * length_s > _PINNED
    own, beyond = e, np.zeros_like(e)
    for _ in range(_TURNS):
        rho = _rho(leftover, own, beyond)[:, None]
        swing = np.where(pinned[:, None], rho, 0.0) * e
        swing = swing * np.minimum(1.0, _SWING / np.maximum(np.abs(swing), 1e-12))
        own = e / (1.0 + swing)
        beyond = np.log1p(swing) - swing / (1.0 + swing)
    sigma_hz = _SPLIT_CYCLES / length_s
    of_split = 2j * np.pi * split.law[:, None] * t * sigma_hz
    of_decay = -leftover.decay_rate[:, None] * t * _DECAY_SIGMA
    both = rho[:, None] * own[:, None] * np.stack((of_split, of_decay), axis=1)

    def averaged(values: NDArray[np.complex128]) -> NDArray[np.complex128]:
        complex_mean: NDArray[np.complex128] = mean(values.real) + 1j * mean(values.imag)
        return complex_mean

    # The split was looked for far and wide and is known to lie near: that is worth so much less.
    near = np.sqrt(2.0 * np.pi) * sigma_hz / (2.0 * split.widest_hz)
    return Beat(
        averaged(own[:, None]),
        averaged(both),
        averaged(beyond),
        float(np.log(0.5 * (1.0 - _NO_BEAT) * near)),
        2.0 * np.pi * leftover.frequency_hz,
    )


def _rho(
    leftover: Leftover, own: NDArray[np.complex128], beyond: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    """Each partial's rho from its phase and level, constant and slope of either free, (K,)."""
    root = np.sqrt(leftover.weight)
    flat, slope, nothing = (
        np.ones_like(root),
        np.broadcast_to(leftover.time_s, root.shape),
        0.0 * root,
    )
    of_phase = np.stack((flat, slope, nothing, nothing, own.imag, own.real), axis=1)
    of_level = np.stack((nothing, nothing, flat, slope, own.real, -own.imag), axis=1)
    columns = np.concatenate((of_phase, of_level), axis=2) * np.tile(root, 2)[:, None]
    seen = np.concatenate((leftover.phase - beyond.imag, leftover.level - beyond.real), axis=1)
    prior = np.array([0.0, 0.0, 0.0, 0.0, RHO_SIGMA**-2, RHO_SIGMA**-2])
    information = columns @ columns.transpose(0, 2, 1) + np.diag(prior)
    right = columns @ (seen * np.tile(root, 2))[:, :, None]
    value = np.linalg.solve(information, right)[:, :, 0]
    rho: NDArray[np.complex128] = value[:, 4] + 1j * value[:, 5]
    return rho


def _around(split: float, width: float, extra: float, decay_width: float) -> tuple[Array, Array]:
    """Splits and extra decays about the best so far."""
    steps = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    return split + steps * width, extra + steps[::2] * decay_width


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

    def beat(self, split_hz: Array, extra: Array) -> NDArray[np.complex128]:
        """e(t) of every partial for splits (K, S) and extra decays (S,), shape (K, M, S)."""
        of = self._of
        rate = 2j * np.pi * split_hz - of.decay_rate[:, None] * extra
        step = float(of.time_s[1] - of.time_s[0])
        beat = np.empty((len(rate), len(of.time_s), len(extra)), dtype=np.complex128)
        beat[:, 0] = np.exp(rate * of.time_s[0])
        # Times are evenly spaced: what is there, turned on by as much, is the next part, and so on.
        there = 1
        while there < beat.shape[1]:
            more = min(there, beat.shape[1] - there)
            turn = np.exp(rate * step * there)[:, None]
            np.multiply(beat[:, :more], turn, out=beat[:, there : there + more])
            there += more
        return beat

    def _energy(self, extra: Array) -> Array:
        """Weighted sum of |e|^2 for extra decays (S,), which the split does not change, (K, S)."""
        each, which = np.unique(extra, return_inverse=True)
        rate = self._of.decay_rate[:, None] * each
        size = np.exp(-2.0 * rate[..., None] * self._of.time_s)
        energy: Array = (size @ self._of.weight[..., None])[..., 0][:, which]
        return energy

    def gain(self, split_hz: Array, extra: Array) -> Array:
        """Gain of splits (K, S) and extra decays (S,) over no second polarisation, shape (2, S):
        with the splits as they are, and with their negatives."""
        energy = self._energy(extra) + RHO_SIGMA**-2
        # Real and imaginary parts stand side by side, so that one product takes both.
        parts = self._against @ self.beat(split_hz, extra).view(np.float64)
        parts = parts.reshape(*parts.shape[:2], -1, 2).transpose(0, 2, 1, 3)
        real, imag = parts[..., 0], parts[..., 1]
        # Regressor of rho's real part: imag in the phase, real in the level; of its imaginary
        # part: real in the phase, -imag in the level.
        rr = energy - imag[..., 0] ** 2 - np.square(real[..., _LEVEL_OWN]).sum(axis=2)
        ii = energy - real[..., 0] ** 2 - np.square(imag[..., _LEVEL_OWN]).sum(axis=2)
        ri = (real * imag)[..., _LEVEL_OWN].sum(axis=2) - real[..., 0] * imag[..., 0]
        lean = ri / rr
        ii = ii - lean * ri
        # The negative of a split has the conjugate beat.
        imag = np.stack((imag, -imag))
        lean = np.stack((lean, -lean))
        first = imag[..., _SEEN]
        first[..., -1] += real[..., _LEVEL]
        second = real[..., _SEEN] - lean[..., None] * first
        second[..., -1] -= imag[..., _LEVEL]
        alone = np.log(rr * ii * RHO_SIGMA**4).sum(axis=0)
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
