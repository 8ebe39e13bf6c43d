"""Where plucks begin and end in a stream.

A pluck begins where the level, or its brightness, rises steeply over what went before; it ends
where it is damped, sinks into the noise, or the next one begins. Everything is counted in steps of
five milliseconds from the start of the stream, so that the answer does not depend on the blocks.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

STEP_S: Final = 0.005
#: Rumble and a constant offset are no sound of a string: twice, the mean of so much of what came
#: last is taken away. That leaves 24 dB less of 5 Hz, 12 dB less of 10 Hz, and from 20 Hz on all
#: within 4 dB. (A filter of scipy.signal would do as well, and take half a second to load.)
_RUMBLE_S: Final = 0.016
#: A rise is judged against the loudest step between these ages: old enough to lie before a soft
#: attack, long enough to span two periods of the lowest note.
_REFERENCE_STEPS: Final = (8, 26)
_RISE: Final = 4.0
#: A re-pluck of a string that still rings shows in the bright part of the sound first.
_BRIGHT_RISE: Final = 6.0
_BRIGHT_LEVEL_RISE: Final = 1.2
#: What rises above the noise by less than this is no pluck.
_ABOVE_FLOOR: Final = 8.0
#: Rises this soon after an onset belong to the same attack.
_SAME_ATTACK_STEPS: Final = 20
#: Damped: 7 dB quieter than 60 ms ago, and soon twice that. A thump over a note, or two strings
#: that beat, may fall as fast, but not as far.
_FALLS: Final = 10.0**-0.7
_FALL_STEPS: Final = 12
_FALLEN: Final = 10.0**-1.4
_LOUD: Final = 0.6
_FALLEN_STEPS: Final = 40
#: The attack may fall as fast.
_ATTACK_STEPS: Final = 40
#: Louder by this than the loudest of what rang before: 9 dB.
_DROWNS: Final = 8.0
_SUNK: Final = 1.6
_QUIETEST: Final = 1e-6
#: Window over which the level is the loudest step, one period of B0.
_HOLD_STEPS: Final = 7
#: A note is analysed over at most this long.
LONGEST_S: Final = 12.0
_HISTORY: Final = 64
#: The floor is learnt from so many steps of quiet, anew after so many.
_QUIET_STEPS: Final = 100
_LEARN_STEPS: Final = 20
#: How much of its level, or of its brightness, a pluck that opens the stream loses at once.
_DIES_DB: Final = 1.5
_DULLS_DB: Final = 2.0


@dataclass(frozen=True)
class Began:
    """A pluck begins at sample ``index``.

    ``rise_seen`` is False where the stream itself begins with sound: a pluck, or what rang before.
    """

    index: int
    rise_seen: bool


@dataclass(frozen=True)
class Ended:
    """The pluck ends at sample ``index``; ``replaced`` if the next one begins there, and
    ``drowned`` if that one is so loud from the first that this one was hardly a pluck beside it."""

    index: int
    replaced: bool
    drowned: bool = False


@dataclass(frozen=True)
class Rings:
    """The pluck still rings at sample ``index``."""

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


def _without_mean(x: NDArray[np.floating[Any]], width: int) -> NDArray[np.float64]:
    """Each sample from the ``width``-th on, less the mean of the ``width`` samples up to it."""
    total = np.cumsum(x, dtype=np.float64)
    rest: NDArray[np.float64] = x[width:] - (total[width:] - total[:-width]) / width
    return rest


@dataclass(frozen=True)
class _Fall:
    """A steep fall of the level: where it began, from what level, and how many steps in."""

    index: int
    level: float
    since: int


class PluckFinder:
    """Finds plucks in consecutive samples, whatever pieces they come in.

    Parameters
    ----------
    rate_hz : sampling rate of the samples to come.
    """

    def __init__(self, rate_hz: int) -> None:
        self.step = max(1, round(STEP_S * rate_hz))
        self._longest = int(LONGEST_S * rate_hz)
        self._rumble = round(_RUMBLE_S * rate_hz)
        self._before = np.empty(0, dtype=np.float32)
        self._pending = np.empty(0, dtype=np.float32)
        self.index = 0
        self._level: list[float] = []
        self._bright: list[float] = []
        self._floor = 0.0
        self._bright_floor = 0.0
        self._quiet: list[tuple[float, float]] = []
        self._unlearnt = 0
        self._began: int | None = None
        self._peak = 0.0
        self._fall: _Fall | None = None
        self._since = 0

    def feed(self, samples: NDArray[np.float32]) -> Iterator[Found]:
        """Take the next samples; yield what they settle, step by step, in order.

        The caller may :meth:`abandon` a pluck between two of them.
        """
        pending = np.concatenate((self._pending, samples))
        steps = len(pending) // self.step
        used = pending[: steps * self.step]
        self._pending = pending[steps * self.step :]
        if not steps:
            return
        if not len(self._before):
            # As if the first sample had always been there: no step at the start of the stream.
            self._before = np.full(2 * self._rumble, used[0])
        joined = np.concatenate((self._before, used))
        self._before = joined[-2 * self._rumble :].copy()
        sound = _without_mean(_without_mean(joined, self._rumble), self._rumble)
        edge = np.diff(joined[2 * self._rumble - 1 :])
        level = np.mean(np.square(sound).reshape(steps, -1), axis=1)
        bright = np.mean(np.square(edge, dtype=np.float64).reshape(steps, -1), axis=1)
        for one_level, one_bright in zip(level.tolist(), bright.tolist(), strict=True):
            yield from self._advance(one_level, one_bright)
            self.index += self.step
            if self._began is not None:
                yield Rings(self.index)

    def finish(self) -> Iterator[Ended]:
        """The stream ends: so does a pluck that still rings."""
        if self._began is not None:
            yield Ended(self.index + len(self._pending), replaced=False)
            self._began = None

    def abandon(self) -> None:
        """What was taken for a pluck is none: go on listening, and take it for noise."""
        self._began = None
        self._quiet.clear()
        self._floor = 0.0

    def interrupt(self, index: int) -> Iterator[Ended]:
        """Samples were lost before ``index``: what rings ends there, and nothing spans the seam."""
        if self._began is not None:
            yield Ended(index, replaced=False)
        self._began = None
        self._level.clear()
        self._bright.clear()
        self._pending = np.empty(0, dtype=np.float32)
        self._before = np.empty(0, dtype=np.float32)
        self.index = index

    def _advance(self, level: float, bright: float) -> Iterator[Found]:
        self._level.append(level)
        self._bright.append(bright)
        if len(self._level) > _HISTORY:
            del self._level[0], self._bright[0]
        self._since += 1
        if self._rises(level, bright):
            if self._began is not None:
                yield Ended(self.index, replaced=True, drowned=level > _DROWNS * self._peak)
            self._began, self._since, self._peak, self._fall = self.index, 0, level, None
            yield Began(self.index, len(self._level) > _REFERENCE_STEPS[0])
        elif self._began is not None:
            self._peak = max(self._peak, level)
            end = self._end()
            if end is not None:
                yield Ended(end, replaced=False)
                self._began = None
        else:
            self._listen_to_the_quiet(level, bright)

    def _rises(self, level: float, bright: float) -> bool:
        if self._began is not None and self._since < _SAME_ATTACK_STEPS:
            return False
        if level < max(_ABOVE_FLOOR * self._floor, 1e-11):
            return False
        near, far = _REFERENCE_STEPS
        before = self._level[-far:-near] or [self._floor]
        if level > _RISE * max(before):
            return True
        bright_before = max(self._bright[-far:-near] or [self._bright_floor])
        return (
            bright > _BRIGHT_RISE * bright_before
            and bright > _ABOVE_FLOOR * self._bright_floor
            and level > _BRIGHT_LEVEL_RISE * max(before)
        )

    def _end(self) -> int | None:
        """Where the pluck that rings has ended, if it has."""
        assert self._began is not None
        if self.index - self._began >= self._longest:
            return self.index
        if self._since < _ATTACK_STEPS:
            return None
        now = max(self._level[-_HOLD_STEPS:])
        if now < max(_SUNK * self._floor, _QUIETEST * self._peak):
            return self._fall.index if self._fall else self.index
        then = max(self._level[-_FALL_STEPS - _HOLD_STEPS : -_FALL_STEPS])
        if self._fall is None and now < _FALLS * then:
            # The hand came down just after the last step that was still loud.
            recent = self._level[-_FALL_STEPS - _HOLD_STEPS :]
            loud = max((i for i, one in enumerate(recent) if one > _LOUD * then), default=0)
            index = self.index - (len(recent) - 1 - loud) * self.step
            self._fall = _Fall(max(self._began, index), then, self._since)
        elif self._fall is not None and self._since - self._fall.since > _FALLEN_STEPS:
            self._fall = None
        if self._fall is not None and now < _FALLEN * self._fall.level:
            return self._fall.index
        return None

    def _listen_to_the_quiet(self, level: float, bright: float) -> None:
        """The median step of the last half second of quiet is the floor."""
        self._quiet.append((level, bright))
        if len(self._quiet) > _QUIET_STEPS:
            del self._quiet[0]
        self._unlearnt += 1
        if self._unlearnt >= _LEARN_STEPS or len(self._quiet) < _LEARN_STEPS:
            self._unlearnt = 0
            self._floor, self._bright_floor = np.median(self._quiet, axis=0).tolist()
