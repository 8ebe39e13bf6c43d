"""The partials of a pluck as the model of the string sees them: averaged over stretches of time."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.follow import Followed
from pitchbench.pitch.glide import Glides
from pitchbench.pitch.partials import Array, Bands, stiff_ratio
from pitchbench.pitch.spline import through
from pitchbench.pitch.wander import Wander, wander_of

#: Partials are averaged over so many stretches of time, which are no longer than this unless the
#: most are still too few.
_STRETCHES: Final = (20, 30)
_STRETCH_S: Final = 0.2
#: Variance given to what is not heard, s^2 of phase as a time: a full second says nothing.
_UNHEARD: Final = 1.0


@dataclass(frozen=True, eq=False)
class Seen:
    """The partials of a pluck, averaged over stretches of time, about what was assumed.

    Parameters
    ----------
    number, frequency_hz : of the partials, and what was assumed for them, shape (K,).
    stiffness_b : assumed.
    time_s : shape (M,), of the stretches.
    heard : shape (K, M), 1.0 or 0.0.
    shift, shift_variance : phase as a shift in time, seconds, shape (K, M).
    level, level_variance : natural logarithm of the amplitude about its decay, shape (K, M).
    columns : what a relative change of pitch and every column of the glides do to the shift, shape
        (K, 1 + columns, M).
    course : what each stretch of a partial says of a course given at ``time_s``, smooth between
        them and nothing at the beginning, shape (K, M, M). Within a stretch a partial is heard as
        its strength lies, so that two partials see one course at different times.
    """

    number: NDArray[np.int64]
    frequency_hz: Array
    stiffness_b: float
    time_s: Array
    heard: Array
    shift: Array
    shift_variance: Array
    level: Array
    level_variance: Array
    columns: Array
    course: Array
    glides: Glides
    wander: Wander

    def gliding(self, glides: Glides, bands: Bands, followed: Followed) -> Seen:
        """The same with other shapes for the glide."""
        columns = _of_glides(glides, bands, self.stiffness_b)
        columns = np.concatenate((self.columns[:, :1], Stretches(followed).mean(columns)), axis=1)
        return replace(self, glides=glides, columns=columns)


def _of_glides(glides: Glides, bands: Bands, stiffness_b: float) -> Array:
    """What every column of the glides does to the shift, shape (K, columns, times)."""
    share = held_back(bands.number, stiffness_b)[:, None, None]
    columns: Array = share * glides.integral_of(bands.number, bands.time_s)
    return columns


def held_back(number: NDArray[np.int64], stiffness_b: float) -> Array:
    """Share of the glide that each partial takes, shape of ``number``: bending does not relax."""
    share: Array = (1.0 + stiffness_b) / (1.0 + stiffness_b * number.astype(np.float64) ** 2)
    return share


class Stretches:
    """Averages over stretches of time with the weights of the partials, while any is heard."""

    def __init__(self, followed: Followed) -> None:
        heard = np.flatnonzero(followed.weight.any(axis=0))
        self._first, self._end = int(heard[0]), int(heard[-1]) + 1
        self._weight = followed.weight[:, self._first : self._end]
        length_s = float(np.ptp(followed.time_s[self._first : self._end]))
        steps = self._end - self._first
        count = min(steps, int(np.clip(round(length_s / _STRETCH_S), *_STRETCHES)))
        self._starts = np.flatnonzero(np.diff(np.arange(steps) * count // steps, prepend=-1))
        self.total = self._sum(self._weight)

    def _sum(self, values: Array) -> Array:
        total: Array = np.add.reduceat(values, self._starts, axis=-1)
        return total

    def times(self, time_s: Array) -> Array:
        """The middle of each stretch."""
        heard_s = time_s[self._first : self._end]
        return self._sum(heard_s) / self._sum(np.ones_like(heard_s))

    def mean(self, values: Array) -> Array:
        """Mean of ``values`` (K, ..., steps) in each stretch; 0 where nothing is heard."""
        shape = (len(values), *(1,) * (values.ndim - 2), -1)
        total = np.where(self.total > 0, self.total, np.inf).reshape(shape)
        heard = values[..., self._first : self._end]
        return self._sum(heard * self._weight.reshape(shape)) / total


def seen_of(
    bands: Bands, followed: Followed, glides: Glides, *, f1_hz: float, stiffness_b: float
) -> Seen:
    """Average the partials, about the law of ``f1_hz`` and ``stiffness_b``."""
    t = bands.time_s
    frequency_hz = f1_hz * stiff_ratio(bands.number, stiffness_b)
    turn = 2.0 * np.pi * frequency_hz[:, None]
    shift = followed.phase / turn - (1.0 - (bands.centre_hz / frequency_hz)[:, None]) * t
    columns = _of_glides(glides, bands, stiffness_b)
    pitch = np.broadcast_to(t, (len(turn), 1, len(t)))
    mean = Stretches(followed)
    heard = mean.total > 0
    of_level = np.where(heard, 1.0 / np.where(heard, mean.total, 1.0), _UNHEARD)
    of_shift = np.where(heard, of_level / turn**2, _UNHEARD)
    time_s, level, shift = mean.times(t), mean.mean(followed.level), mean.mean(shift)
    between = _between(tuple(time_s.tolist()), tuple(t.tolist()))
    course = np.swapaxes(mean.mean(np.broadcast_to(between, (len(turn), *between.shape))), -1, -2)
    falling = level - followed.decay_rate[:, None] * time_s
    return Seen(
        number=bands.number,
        frequency_hz=frequency_hz,
        stiffness_b=stiffness_b,
        time_s=time_s,
        heard=heard.astype(np.float64),
        shift=shift,
        shift_variance=of_shift,
        level=level,
        level_variance=of_level,
        columns=mean.mean(np.concatenate((pitch, columns), axis=1)),
        course=course,
        glides=glides,
        wander=wander_of(time_s, course, shift, of_shift, heard=heard, level=falling),
    )


@lru_cache(maxsize=4)  # the rounds of one pluck
def _between(node_s: tuple[float, ...], time_s: tuple[float, ...]) -> Array:
    """Share of the value at each node in what lies at each of ``time_s``, shape (nodes, times): on
    a natural cubic spline from 0 at the beginning through all nodes, and straight on."""
    nodes = np.array(node_s if node_s[0] == 0 else (0.0, *node_s))
    return through(nodes, np.array(time_s))[-len(node_s) :]
