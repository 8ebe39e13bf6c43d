"""The second polarisation: a string swings in two planes, and their pitches differ by a little.

A partial is then A (1 + rho e(t)) with e(t) = exp((2 pi i delta - lambda) t): level and phase are
modulated together, a quarter period apart. A beat too slow to average out looks like a shift of
pitch in the phase alone; the level and the stiff-string law give it away. The split delta is taken
to be either one fraction of the frequency or one number of hertz for all partials, so that all of
them vote on it.
"""

from __future__ import annotations

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
_WIDEST_CENTS: Final = 2.5
_WIDEST_HZ: Final = 1.5
_MOST_STEPS: Final = 30
#: How often the search goes on around the best.
_REFINEMENTS: Final = 4
#: How much faster the second polarisation may decay, in units of the main one's rate.
_EXTRA_DECAY: Final = (-0.35, 0.1, 0.8)


#: No second polarisation, when more probable than this, is taken as it is.
_AS_GOOD_AS_CERTAIN: Final = 0.7

#: Where in what a beat is held against the level's own basis, the level, and what is seen in the
#: phase stand: the shared unknowns, then the phase itself. The phase's own basis comes first.
_LEVEL_OWN: Final = slice(1, 3)
_LEVEL: Final = 3
_SEEN: Final = slice(4, None)


@dataclass(frozen=True, eq=False)
class Leftover:
    """The rest that a fit without beating leaves, ready for the search.

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
class Beating:
    """Beating as the search found it.

    Parameters
    ----------
    beat : e(t) of each partial for the most probable split, shape (K, 1, M); (K, 0, M) where no
        second polarisation is the more probable.
    shift, sigma : how far the first shared unknown, the pitch, lies on average above its value for
        that split, and its standard deviation, over all splits with their probabilities.
    """

    beat: NDArray[np.complex128]
    shift: float
    sigma: float


def second_polarisation(leftover: Leftover) -> Beating:
    """Look for a second polarisation in what a fit leaves over."""
    search = _Search(leftover)
    information = leftover.weight.sum(axis=1) * leftover.frequency_hz**2
    rms_hz = float(np.sqrt((information * leftover.frequency_hz**2).sum() / information.sum()))
    step_hz = 0.25 / float(np.ptp(leftover.time_s))
    # The split of every partial, where that of the partials at rms_hz is 1 Hz.
    laws = (leftover.frequency_hz / rms_hz, np.ones_like(leftover.frequency_hz))
    widest_hz = (_WIDEST_CENTS / CENTS_PER_NEPER * rms_hz, _WIDEST_HZ)
    tried = []
    for law, widest in zip(laws, widest_hz, strict=True):
        steps = int(np.clip(widest / step_hz, 12, _MOST_STEPS))
        ladder = np.linspace(step_hz, min(widest, steps * step_hz), steps)
        split_hz, extra = (each.ravel() for each in np.meshgrid(ladder, _EXTRA_DECAY))
        gain, pitch = search.gain(law[:, None] * split_hz, extra)
        split_hz, extra = np.concatenate((split_hz, -split_hz)), np.tile(extra, 2)
        tried.append((law, split_hz, extra, gain.ravel(), pitch.ravel()))
    law, split_hz, extra, of_law, pitch_of_law = max(tried, key=lambda one: float(one[3].max()))
    top = int(np.argmax(of_law))
    found_hz, found_extra = float(split_hz[top]), float(extra[top])
    best = (float(of_law[top]), float(pitch_of_law[top]))
    width_hz, width_extra = step_hz, 0.35
    for _ in range(_REFINEMENTS):
        split_hz, extra = _around(found_hz, width_hz, found_extra, width_extra)
        (nearby, _), (their_pitch, _) = search.gain(law[:, None] * split_hz, extra)
        top = int(np.argmax(nearby))
        found_hz, found_extra = float(split_hz[top]), float(extra[top])
        best = max(best, (float(nearby[top]), float(their_pitch[top])))
        width_hz, width_extra = width_hz / 2.5, width_extra / 2.0
    gain = np.concatenate([one[3] for one in tried])
    pitch = np.concatenate([one[4] for one in tried])
    # All that was tried, and no second polarisation at all, with their probabilities.
    log_p = np.concatenate((gain - np.log(len(gain)), [best[0] - np.log(len(gain)), 0.0]))
    pitch = np.concatenate((pitch, [best[1], search.plain_pitch]))
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    there = p[-1] < 0.5
    chosen = best[1] if there else search.plain_pitch
    shift = float(p @ pitch) - chosen if p[-1] < _AS_GOOD_AS_CERTAIN else 0.0
    sigma = float(np.sqrt(p @ np.square(pitch - chosen - shift)))
    kept = law[:, None] * np.array([found_hz] if there else [])
    return Beating(search.beat(kept, np.full(kept.shape[1], found_extra)), shift, sigma)


def _around(split: float, width: float, extra: float, decay_width: float) -> tuple[Array, Array]:
    """A cross of splits and extra decays about the best so far, and its corners."""
    steps = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    here, there = np.meshgrid(split + steps * width, extra + steps[::2] * decay_width)
    return here.ravel(), there.ravel()


class _Search:
    """Log probability gained by a second polarisation of given split and extra decay.

    Everything linear is integrated out: each partial's rho, constant phase, level and decay, its
    deviation from the law, and the shared unknowns.
    """

    def __init__(self, leftover: Leftover) -> None:
        self._of = leftover
        self._root = np.sqrt(leftover.weight)
        root = self._root[:, :, None]
        t = leftover.time_s[:, None]
        # Orthonormal bases of what a partial may do alone: constant phase; level and decay.
        phase_own = np.linalg.qr(root * np.ones_like(t))[0]
        level_own = np.linalg.qr(root * np.concatenate((np.ones_like(t), t), axis=1))[0]
        seen = np.concatenate((leftover.columns, leftover.phase[:, None]), axis=1)
        seen = _without(root * seen.transpose(0, 2, 1), phase_own)
        level = _without(root * leftover.level[:, :, None], level_own)
        # What a beat is held against, (K, M, 4 + J + 1): see the slices below.
        self._against = np.concatenate((phase_own, level_own, level, seen), axis=2)
        self._gram = seen.transpose(0, 2, 1) @ seen
        nothing = np.zeros((len(root), 1, seen.shape[2]))
        plain, pitch = self._shared(nothing, nothing)
        self._plain, self.plain_pitch = float(plain[0]), float(pitch[0])

    def beat(self, split_hz: Array, extra: Array) -> NDArray[np.complex128]:
        """e(t) of every partial for splits (K, S) and extra decays (S,), shape (K, S, M)."""
        of = self._of
        rate = 2j * np.pi * split_hz - of.decay_rate[:, None] * extra
        step = float(of.time_s[1] - of.time_s[0])
        beat = np.empty((*rate.shape, len(of.time_s)), dtype=np.complex128)
        beat[:, :, 0] = np.exp(rate * of.time_s[0])
        # Times are evenly spaced: what is there, turned on by as much, is the next part, and so on.
        there = 1
        while there < beat.shape[2]:
            more = min(there, beat.shape[2] - there)
            turn = np.exp(rate * step * there)[:, :, None]
            np.multiply(beat[:, :, :more], turn, out=beat[:, :, there : there + more])
            there += more
        return beat

    def gain(self, split_hz: Array, extra: Array) -> tuple[Array, Array]:
        """Gain of splits (K, S) and extra decays (S,) over no second polarisation, and the pitch
        that each implies, both (2, S): with the splits as they are, and with their negatives."""
        e = self.beat(split_hz, extra) * self._root[:, None, :]
        real, imag = np.ascontiguousarray(e.real), np.ascontiguousarray(e.imag)
        energy = (real * real + imag * imag).sum(axis=2) + RHO_SIGMA**-2
        real, imag = real @ self._against, imag @ self._against
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
        log_p, pitch = self._shared(first, second)
        return log_p - 0.5 * alone - self._plain, pitch

    def _shared(self, first: Array, second: Array) -> tuple[Array, Array]:
        """Log probability with the shared unknowns integrated out, and the pitch, both (..., S).

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
        return log_p, solved[..., 0]


def _without(data: Array, basis: Array) -> Array:
    """``data`` (K, M, N) with its part along the orthonormal ``basis`` (K, M, P) taken out."""
    rest: Array = data - basis @ (basis.transpose(0, 2, 1) @ data)
    return rest
