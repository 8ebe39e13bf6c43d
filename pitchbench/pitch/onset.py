"""Where plucks begin and end in a stream.

A pluck begins where the level, or its brightness, rises steeply over what went before; while
another rings, only if that rise brings energy which lasts. It ends where it is damped, sinks into
the noise, or the next one begins. Everything is counted in steps of five milliseconds from the
start of the stream, so that the answer does not depend on the blocks.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from pitchbench.pitch.energy import HEARD_S

STEP_S: Final = 0.005
#: Rumble and a constant offset are no sound of a string: twice, the mean of so much of what came
#: last is taken away. That leaves 24 dB less of 5 Hz, 12 dB less of 10 Hz, and from 20 Hz on all
#: within 4 dB. (A filter of scipy.signal would do as well, and take half a second to load.)
_RUMBLE_S: Final = 0.016
#: A rise is judged against the loudest step between these ages: old enough to lie before a soft
#: attack, long enough to span two periods of the lowest note.
_REFERENCE_STEPS: Final = (8, 26)
_RISE: Final = 4.0
#: A pluck over one that still rings shows in the bright part of the sound first.
_BRIGHT_RISE: Final = 6.0
#: The same while a pluck rings, when what rises is looked at more closely before it counts.
_RISE_IN_RING: Final = 2.5
_BRIGHT_RISE_IN_RING: Final = 3.0
#: What rises above the noise by less than this is no pluck.
_ABOVE_FLOOR: Final = 8.0
#: Rises this soon after an onset belong to the same attack.
_SAME_ATTACK_STEPS: Final = 20
#: The level is the loudest of the last so many steps, one period of B0.
_HOLD: Final = (0, 7)
#: Damped: 7 dB quieter than 60 ms ago, and soon twice that. A thump over a note, or two strings
#: that beat, may fall as fast, but not as far.
_HELD_BEFORE: Final = (12, 19)
_FALLS: Final = 10.0**-0.7
_FALLEN: Final = 10.0**-1.4
_LOUD: Final = 0.6
_FALLEN_STEPS: Final = 40
#: Many a string loses its first strength as fast, and then rings on: if so long after it has fallen
#: so far it loses less than 3 dB in the second half of that time, it was not damped. What a damped
#: string leaves, its neighbours and the room, is fainter than 24 dB or dies faster.
_RINGS_ON_STEPS: Final = 40
_RINGS_ON: Final = 0.5
_LEFT: Final = 10.0**-2.4
#: The attack may fall as fast.
_ATTACK_STEPS: Final = 40
#: Louder by this than the loudest of what rang before: 9 dB.
_DROWNS: Final = 8.0
_SUNK: Final = 1.6
_QUIETEST: Final = 1e-6
#: A note is analysed over at most this long.
LONGEST_S: Final = 12.0
_HISTORY: Final = 64
#: So many steps are measured at once: few enough that all of it stays in the processor's cache.
_PART: Final = 32
#: The floor is learnt from so many steps of quiet, anew after so many.
_QUIET_STEPS: Final = 100
_LEARN_STEPS: Final = 20
#: What the stream begins with is taken for its noise, if the first pluck is louder by 20 dB.
_FAR_BELOW: Final = 1e-2
#: How much of its level, or of its brightness, a pluck that opens the stream loses at once.
_DIES_DB: Final = 1.5
_DULLS_DB: Final = 2.0


Array = NDArray[np.float64]


@dataclass(frozen=True)
class Began:
    """A pluck begins at sample ``index``.

    ``rise_seen`` is False where the stream itself begins with sound: a pluck, or what rang before.
    """

    index: int
    rise_seen: bool


@dataclass(frozen=True)
class Ended:
    """The pluck ends at sample ``index``: ``replaced`` if the next one begins there, ``damped`` if
    a hand came down there, and ``drowned`` if the next one is so loud from the first that this one
    was hardly a pluck beside it."""

    index: int
    replaced: bool
    drowned: bool = False
    damped: bool = False


@dataclass(frozen=True)
class Rings:
    """The pluck still rings at sample ``index``, when the caller wanted to be woken."""

    index: int


Found = Began | Ended | Rings


def dies_away(samples: NDArray[np.float32]) -> bool:
    """Whether a sound that the stream begins with dies like a pluck, and does not just go on.

    A fresh pluck loses brightness at once; hum, and a string plucked long before, do not.
    """
    quarter = len(samples) // 4
    edge = np.diff(samples)
    ends = [
        10.0
        * np.log10(np.mean(np.square(x[:quarter])) / (np.mean(np.square(x[-quarter:])) + 1e-20))
        for x in (samples, edge)
    ]
    return bool(ends[0] > _DIES_DB or ends[1] > _DULLS_DB)


def _without_mean(x: Array, width: int) -> Array:
    """Each sample from the ``width``-th on, less the mean of the ``width`` samples up to it."""
    total = np.cumsum(x)
    rest: Array = x[width:] - (total[width:] - total[:-width]) / width
    return rest


@dataclass(frozen=True)
class _Fall:
    """A steep fall of the level: the step where it began, from what level, and when it was seen."""

    step: int
    level: float
    seen: int


@dataclass(frozen=True)
class _Halt:
    """Where to stop: the pluck ``ended`` at that step, or more must be waited for (None)."""

    at: int
    ended: int | None


class PluckFinder:
    """Finds plucks in consecutive samples, whatever pieces they come in.

    Parameters
    ----------
    rate_hz : sampling rate of the samples to come.
    plucked_again : whether the rise at this sample, while a pluck rings, is another pluck; asked
        once the samples up to `HEARD_S` after it have been fed, or the stream has ended.

    Attributes
    ----------
    wake : the sample from which on the caller wants to hear that the pluck still rings; None for
        never. Where the caller does not move it on, every step wakes.
    """

    def __init__(self, rate_hz: int, plucked_again: Callable[[int], bool]) -> None:
        self.step = max(1, round(STEP_S * rate_hz))
        self.wake: int | None = None
        self._plucked_again = plucked_again
        self._longest = -(-int(LONGEST_S * rate_hz) // self.step)
        self._heard = -(-round(HEARD_S * rate_hz) // self.step)
        self._rumble = round(_RUMBLE_S * rate_hz)
        self._floor = self._bright_floor = 0.0
        self._quiet: list[tuple[float, float]] = []
        self._unlearnt = 0
        self._restart(0)

    def _restart(self, index: int) -> None:
        """Steps are counted from sample ``index``; nothing is known of what went before."""
        self._origin = index
        self._before = np.empty(0)
        self._pending = np.empty(0, dtype=np.float32)
        self._level = self._bright = np.empty(0)
        #: The first step still kept, and the next to be judged.
        self._first = self._at = 0
        self._began: int | None = None
        self._deaf_until = 0
        self._peak = 0.0
        self._fall: _Fall | None = None
        self._no_fall_until = 0
        #: The step at which a hand had damped the pluck before: what rings next rises over what is
        #: left from there on, however loud that pluck was.
        self._damped_at = 0

    @property
    def index(self) -> int:
        """The sample up to which all is judged."""
        return self._index(self._at)

    def feed(self, samples: NDArray[np.float32]) -> Iterator[Found]:
        """Take the next samples; yield what they settle, in order.

        The caller may :meth:`abandon` a pluck between two of them.
        """
        pending = np.concatenate((self._pending, samples))
        steps = len(pending) // self.step
        self._pending = pending[steps * self.step :]
        if steps:
            parts = [
                self._measure(pending[first * self.step : min(first + _PART, steps) * self.step])
                for first in range(0, steps, _PART)
            ]
            gone = max(0, self._at - _HISTORY - self._first)
            self._first += gone
            self._level = np.concatenate((self._level[gone:], *(level for level, _ in parts)))
            self._bright = np.concatenate((self._bright[gone:], *(bright for _, bright in parts)))
            yield from self._judge(last=False)

    def finish(self) -> Iterator[Found]:
        """The stream ends, or samples were lost: so does a pluck that still rings."""
        yield from self._judge(last=True)
        if self._began is not None:
            yield Ended(self.index + len(self._pending), replaced=False)
            self._began = None

    def abandon(self) -> None:
        """What was taken for a pluck is none: go on listening, and take it for noise."""
        opened = self._opened
        self._began = None
        self._quiet.clear()
        self._floor = 0.0
        if opened:  # with the room, of which the first pluck may come at once
            self._learn(self._just_before(self._at))

    def resume(self, index: int) -> None:
        """After :meth:`finish`: the stream goes on at sample ``index``; nothing spans the seam."""
        self._restart(index)

    def _index(self, step: int) -> int:
        return self._origin + step * self.step

    def _measure(self, used: NDArray[np.float32]) -> tuple[Array, Array]:
        """Level and brightness of the steps that ``used`` is made of."""
        if not len(self._before):
            # As if the first sample had always been there: no step at the start of the stream.
            self._before = np.full(2 * self._rumble, float(used[0]))
        # In double precision from here on: sums of floats of another kind are several times slower.
        joined = np.concatenate((self._before, used), dtype=np.float64)
        self._before = joined[-2 * self._rumble :].copy()
        sound = _without_mean(_without_mean(joined, self._rumble), self._rumble)
        edge = np.diff(joined[2 * self._rumble - 1 :])
        return self._step_means(sound), self._step_means(edge)

    def _step_means(self, x: Array) -> Array:
        """Mean square of each step."""
        parts = x.reshape(-1, self.step)
        total: Array = np.einsum("ij,ij->i", parts, parts)
        return total / self.step

    def _judge(self, *, last: bool) -> Iterator[Found]:
        """Go through the steps measured; ``last`` if no more will come, so none is waited for."""
        end = self._first + len(self._level)
        while self._at < end:
            if self._began is None:
                yield from self._quiet_steps(end)
            elif not (yield from self._ringing_steps(self._began, end, last=last)):
                return

    # -- while all is quiet --------------------------------------------------------------------

    def _quiet_steps(self, end: int) -> Iterator[Found]:
        """Up to where a pluck begins, or the floor is learnt anew."""
        known = len(self._quiet) >= _LEARN_STEPS
        stop = min(end, self._at + (_LEARN_STEPS - self._unlearnt if known else 1))
        rise = self._rise(self._at, stop)
        last = stop if rise is None else rise
        self._learn(slice(self._at - self._first, last - self._first))
        self._at = last
        if rise is not None:
            yield self._begin(rise)

    def _learn(self, heard: slice) -> None:
        """The median step of the last half second of quiet is the floor."""
        self._quiet += zip(self._level[heard].tolist(), self._bright[heard].tolist(), strict=True)
        del self._quiet[:-_QUIET_STEPS]
        self._unlearnt += heard.stop - heard.start
        if self._quiet and (self._unlearnt >= _LEARN_STEPS or len(self._quiet) < _LEARN_STEPS):
            self._unlearnt = 0
            self._floor, self._bright_floor = np.median(self._quiet, axis=0).tolist()

    @property
    def _opened(self) -> bool:
        """Whether the stream itself began with what rings."""
        return self._began is not None and self._began < _REFERENCE_STEPS[0]

    def _just_before(self, step: int) -> slice:
        """Where the steps that came last before this one are kept."""
        return slice(max(0, step - _HISTORY - self._first), max(0, step - self._first))

    def _learn_opening(self, rise: int) -> None:
        """What the stream began with is the room, if it lies far enough below the first pluck."""
        heard = self._just_before(rise - _REFERENCE_STEPS[0])
        pluck = self._level[rise - self._first :].max()
        if self._level[heard].max(initial=0.0) < _FAR_BELOW * pluck:
            self._learn(heard)

    def _begin(self, step: int) -> Began:
        self._began, self._at, self._fall = step, step, None
        self._peak = float(self._level[step - self._first])
        self._deaf_until = step + _SAME_ATTACK_STEPS
        self._no_fall_until = step + _ATTACK_STEPS
        return Began(self._index(step), not self._opened)

    def _rise(self, first: int, stop: int) -> int | None:
        """The first step from ``first`` on, before ``stop``, that rises over what went before."""
        least = (
            (_RISE, _BRIGHT_RISE) if self._began is None else (_RISE_IN_RING, _BRIGHT_RISE_IN_RING)
        )
        past, bright_past = self._level, self._bright
        floors = self._floor, self._bright_floor
        damped = self._damped_at - self._first
        if self._began is None and 0 < damped < len(past):
            floors = max(floors[0], past[damped]), max(floors[1], bright_past[damped])
            past, bright_past = (
                np.where(np.arange(len(past)) < damped, -1.0, of) for of in (past, bright_past)
            )
        if not self._may_rise((past, bright_past), (first, stop), least):
            return None
        here = slice(first - self._first, stop - self._first)
        level, bright = past[here], bright_past[here]
        before = self._loudest(past, (first, stop), _REFERENCE_STEPS, floors[0])
        bright_before = self._loudest(bright_past, (first, stop), _REFERENCE_STEPS, floors[1])
        brighter = (bright > least[1] * bright_before) & (
            bright > _ABOVE_FLOOR * self._bright_floor
        )
        loud = level >= max(_ABOVE_FLOOR * self._floor, 1e-11)
        found = _first_of(loud & ((level > least[0] * before) | brighter))
        return None if found is None else first + found

    def _may_rise(
        self, past: tuple[Array, Array], steps: tuple[int, int], least: tuple[float, float]
    ) -> bool:
        """Whether any of ``steps`` (first, stop) can rise: in most stretches none is that loud
        beside those steps that all of them are judged against."""
        (first, stop), (near, far) = steps, _REFERENCE_STEPS
        here = slice(first - self._first, stop - self._first)
        common = slice(max(0, here.stop - far), max(0, here.start + 1 - near))
        return any(
            of[here].max(initial=0.0) > rise * of[common].max(initial=0.0)
            for of, rise in zip(past, least, strict=True)
        )

    def _loudest(
        self, of: Array, steps: tuple[int, int], ages: tuple[int, int], unknown: float = 0.0
    ) -> Array:
        """For each of ``steps`` (first, stop) the loudest step of ``of`` that is so many steps old.

        The first of ``ages`` counts, the last does not; where none is known it is ``unknown``.
        """
        (first, stop), (near, far) = steps, ages
        lowest, highest = first - far + 1 - self._first, stop - near - self._first
        known = of[max(0, lowest) : max(0, highest)]
        padded = np.concatenate((np.full(stop - first + far - near - 1 - len(known), -1.0), known))
        loudest: Array = sliding_window_view(padded, far - near).max(axis=1)
        return np.where(loudest < 0.0, unknown, loudest)

    # -- while a pluck rings -------------------------------------------------------------------

    def _ringing_steps(self, began: int, end: int, *, last: bool) -> Generator[Found, None, bool]:
        """Up to the next event; False where more steps must be waited for."""
        longest = began + self._longest
        wake = end if self.wake is None else max(self._at, self._step_ending_at(self.wake))
        stop = min(end, longest, wake + 1)
        rise = self._rise(max(self._at, self._deaf_until), stop)
        stop = stop if rise is None else rise
        halt = self._end(stop, end, last=last)
        if halt is not None:
            self._at = halt.at
            if halt.ended is None:
                return False
            self._at += 1
            self._began = None
            damped = halt.ended < halt.at
            if damped:
                self._damped_at = halt.at
            yield Ended(self._index(halt.ended), replaced=False, damped=damped)
        elif rise is not None:
            self._at = rise
            if rise + self._heard > end and not last:
                return False
            if self._plucked_again(self._index(rise)):
                drowned = bool(self._level[rise - self._first] > _DROWNS * self._peak)
                if drowned and self._opened:
                    self._learn_opening(rise)
                yield Ended(self._index(rise), replaced=True, drowned=drowned)
                yield self._begin(rise)
            else:
                self._pass_over(rise)
        else:
            self._at = stop
            if stop == longest:
                self._began = None
                yield Ended(self._index(stop), replaced=False)
            elif stop == wake + 1:
                yield Rings(self._index(stop))
        return True

    def _pass_over(self, rise: int) -> None:
        """A tick, or the like: its own fall ends nothing, but may have been the damping hand's."""
        seen = rise + _ATTACK_STEPS
        before = self._loudest(self._level, (rise, rise + 1), _REFERENCE_STEPS)
        self._deaf_until = rise + _SAME_ATTACK_STEPS
        self._no_fall_until = max(self._no_fall_until, seen)
        self._fall = _Fall(rise, float(before[0]), seen)

    def _step_ending_at(self, index: int) -> int:
        """The first step that does not end before sample ``index``."""
        return -(-(index - self._origin) // self.step) - 1

    def _end(self, stop: int, end: int, *, last: bool) -> _Halt | None:
        """Where the pluck that rings ends before ``stop``; None if it does not.

        Steps are known up to ``end``.
        """
        heard = self._level[self._at - self._first : stop - self._first]
        peak = np.maximum.accumulate(np.append(self._peak, heard))
        self._peak, held = float(peak[-1]), self._at
        at = first = max(held, self._no_fall_until)
        if at >= stop or (self._fall is None and self._rings_loud(at, stop)):
            return None
        now = self._loudest(self._level, (at, stop), _HOLD)
        then = self._loudest(self._level, (at, stop), _HELD_BEFORE)
        sunk = now < np.maximum(_SUNK * self._floor, _QUIETEST * peak[at - held + 1 :])
        falls = now < _FALLS * then
        while at < stop:
            if self._fall is None:
                found = _first_of((sunk | falls)[at - first :])
                if found is None:
                    break
                at += found
                if not falls[at - first]:
                    return _Halt(at, at)
                self._fall = self._fall_from(at, float(then[at - first]))
            fall = self._fall
            forgotten = min(stop, fall.seen + _FALLEN_STEPS + 1)
            there = slice(at - first, forgotten - first)
            found = _first_of(sunk[there] | (now[there] < _FALLEN * fall.level))
            if found is None:
                at = forgotten
                if at < stop:
                    self._fall = None
                continue
            at += found
            rings_on = not sunk[at - first] and self._rings_on(at, end, fall, last=last)
            if not rings_on:
                return _Halt(at, None if rings_on is None else fall.step)
            self._fall = None
            self._no_fall_until = at = at + _RINGS_ON_STEPS
        return None

    def _rings_loud(self, first: int, stop: int) -> bool:
        """Whether no step is so faint that the pluck could end there: so it is for most of it."""
        faintest = self._level[first - self._first : stop - self._first].min()
        oldest = max(0, first + 1 - _HELD_BEFORE[1] - self._first)
        then = self._level[oldest : stop - _HELD_BEFORE[0] - self._first].max(initial=0.0)
        return bool(faintest >= max(_FALLS * then, _SUNK * self._floor, _QUIETEST * self._peak))

    def _fall_from(self, step: int, level: float) -> _Fall:
        """The hand came down just after the last step that was still loud."""
        first = step + 1 - _HELD_BEFORE[1] - self._first
        recent = self._level[max(0, first) : step + 1 - self._first]
        loud = np.flatnonzero(recent > _LOUD * level)
        back = len(recent) - 1 - int(loud[-1]) if len(loud) else len(recent) - 1
        assert self._began is not None
        return _Fall(max(self._began, step - back), level, step)

    def _rings_on(self, step: int, end: int, fall: _Fall, *, last: bool) -> bool | None:
        """Whether a note that has fallen steeply rings on, fainter; None if that is still open."""
        stop = min(end, step + _RINGS_ON_STEPS + 1)
        now = self._loudest(self._level, (step, stop), _HOLD)
        if (now < max(_LEFT * fall.level, _ABOVE_FLOOR * self._floor)).any():
            return False
        rise = self._rise(step, stop)
        if rise is None and len(now) <= _RINGS_ON_STEPS and not last:
            return None
        steps = len(now) - 1 if rise is None else rise - 1 - step
        # What rises at once after the fall is for `_plucked_again` to tell.
        return steps < _RINGS_ON_STEPS // 4 or bool(
            now[steps] > now[steps // 2] * _RINGS_ON ** (steps / _RINGS_ON_STEPS)
        )


def _first_of(true: NDArray[np.bool_]) -> int | None:
    """Index of the first true element."""
    if not true.any():
        return None
    return int(np.argmax(true))
