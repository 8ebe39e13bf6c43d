"""How an input stands while it is listened to: how loud it is, and what is wrong with it.

Everything follows from the samples: time is counted in them, so that a test needs no clock.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.sound.level import CLIPPED_FROM, DEAD_AFTER_S, decibels
from pitchbench.sound.source import Block

#: The level is that of so much sound: short enough to follow a pluck, long enough to be read.
PART_S: Final = 0.2

#: A level is told again when it has changed by so much: less moves no bar.
_STEP_DB: Final = 3.0

#: Less than this between the highest and the lowest sample is no sound but what a converter, or a
#: mute that dithers, leaves: two steps of 24 bits. The quietest converters have ten times as much
#: noise (from memory).
_DEAD_SPAN: Final = 2.0**-22

#: A sound that begins, and stays, below this peak lies 40 dB under a soft pluck at a usual gain:
#: -60 dB. Common practice, no source.
_FAINT_PEAK: Final = 10.0 ** (-60.0 / 20.0)

#: What is this far above the quietest of the last while is a sound and not the room: 12 dB; and it
#: lasts so long, unlike a step or a click.
_RISE: Final = 4.0
_FLOOR_S: Final = 10.0
_LASTS_S: Final = 0.6

#: So many samples at full scale in one part are no accident.
_CLIPPED_SAMPLES: Final = 3

#: A fault is said for so long after it was last heard.
_SAID_S: Final = 5.0

#: A room that is quieter than this, -80 dB, is none: a plug in an empty socket, perhaps.
_NO_ROOM: Final = 10.0 ** (-80.0 / 20.0)

#: How long that lasts before the other inputs are listened to, and how soon they are again.
_LONELY_S: Final = 2.5
_AGAIN_S: Final = 4.0

#: Another input has sound if it peaks above -50 dB, and 20 dB above this one meanwhile.
_ELSEWHERE_PEAK: Final = 10.0 ** (-50.0 / 20.0)
_ELSEWHERE_TIMES: Final = 10.0


class Fault(StrEnum):
    """What may be wrong with an input; the words are what people read."""

    SILENT = "silent"
    FAINT = "far too quiet"
    LOUD = "too loud"
    ELSEWHERE = "another input has sound"


@dataclass(frozen=True)
class OtherInput:
    """Another input as it was heard for a moment, and its highest sample, full scale 1."""

    number: int
    name: str
    peak: float


@dataclass(frozen=True)
class InputHeard:
    """How an input stands.

    Parameters
    ----------
    name : the input.
    level_dbfs : its peak level a moment ago; None where there was nothing at all.
    fault : what is wrong with it; None where nothing is.
    other : another input that has the sound that this one lacks.
    """

    name: str
    level_dbfs: float | None
    fault: Fault | None = None
    other: OtherInput | None = None


class Hearing:
    """Follows an input while it is listened to.

    Parameters
    ----------
    name, rate_hz : of the input.
    look_round : listens to the other inputs for a moment; asked only while this one has no sound.
    """

    def __init__(
        self, name: str, rate_hz: int, look_round: Callable[[], Sequence[OtherInput]] | None = None
    ) -> None:
        self._name = name
        self._part = round(PART_S * rate_hz)
        self._look_round = look_round
        self._told: InputHeard | None = None
        self._pending = np.empty(0, np.float32)
        self._now_s = self._dead_s = self._rise_s = self._rise_peak = 0.0
        self._levels: deque[float] = deque(maxlen=round(_FLOOR_S / PART_S))
        self._loud_until_s = self._faint_until_s = -1.0
        self._heard = False
        self._looked_at_s = -_AGAIN_S
        self._candidate: OtherInput | None = None
        self._other: OtherInput | None = None

    def feed(self, block: Block) -> Iterator[InputHeard]:
        """Take the next block; yield how the input stands where that has changed.

        After a gap it is told anew, for whoever was told may have forgotten. What was known stands:
        a gap is the program's own speech, as a rule, and says nothing of the input.
        """
        if block.gap:
            self._pending = np.empty(0, np.float32)
            self._candidate = self._told = None  # what came meanwhile cannot be compared
        self._pending = np.concatenate((self._pending, block.samples))
        while len(self._pending) >= self._part:
            part, self._pending = self._pending[: self._part], self._pending[self._part :]
            now = self._judged(part)
            if self._told is None or _differs(self._told, now):
                self._told = now
                yield now

    def _judged(self, part: NDArray[np.float32]) -> InputHeard:
        centred = part - part.mean(dtype=np.float64)
        peak = float(np.abs(centred).max())
        rms = float(np.sqrt(np.mean(np.square(centred, dtype=np.float64))))
        dead = float(part.max() - part.min()) <= _DEAD_SPAN
        self._now_s += PART_S
        self._dead_s = self._dead_s + PART_S if dead else 0.0
        if not dead:
            self._follow(peak, rms)
        if np.count_nonzero(np.abs(part) >= CLIPPED_FROM) >= _CLIPPED_SAMPLES:
            self._loud_until_s = self._now_s + _SAID_S
        self._compare(peak)
        level = None if dead else decibels(peak)
        return InputHeard(self._name, level, self._fault(), self._other)

    def _follow(self, peak: float, rms: float) -> None:
        """Whether a sound stands out of the room, and how loud it has been."""
        self._levels.append(rms)
        if rms < _RISE * min(self._levels):
            self._rise_s = self._rise_peak = 0.0
            return
        self._rise_s += PART_S
        self._rise_peak = max(self._rise_peak, peak)
        if self._rise_peak >= _FAINT_PEAK:
            self._heard, self._faint_until_s = True, -1.0
        elif self._rise_s >= _LASTS_S - 0.5 * PART_S:
            self._faint_until_s = self._now_s + _SAID_S

    def _fault(self) -> Fault | None:
        if self._dead_s >= DEAD_AFTER_S - 0.5 * PART_S:
            return Fault.SILENT
        if self._now_s <= self._loud_until_s:
            return Fault.LOUD
        if self._now_s <= self._faint_until_s:
            return Fault.FAINT
        return Fault.ELSEWHERE if self._other else None

    # -- other inputs ---------------------------------------------------------------------------

    def _compare(self, peak: float) -> None:
        """Look whether another input has the sound that this one lacks.

        What the others had is compared with what came here meanwhile, which is read only now.
        """
        if not self._lonely():
            self._candidate = self._other = None
            return
        if self._candidate is not None:
            if peak * _ELSEWHERE_TIMES > self._candidate.peak:
                self._candidate = None
            elif self._now_s - self._looked_at_s >= _LASTS_S:
                self._other, self._candidate = self._candidate, None
        elif self._look_round is not None and self._now_s - self._looked_at_s >= _AGAIN_S:
            self._looked_at_s = self._now_s
            heard = max(self._look_round(), key=lambda other: other.peak, default=None)
            self._candidate = heard if heard and heard.peak >= _ELSEWHERE_PEAK else None
            self._other = self._other if self._candidate else None

    def _lonely(self) -> bool:
        """Whether nothing that could be an instrument comes here."""
        if self._fault() in (Fault.SILENT, Fault.FAINT):
            return True
        quiet = bool(self._levels) and max(self._levels) < _NO_ROOM
        return quiet and not self._heard and self._now_s >= _LONELY_S


def _differs(before: InputHeard, now: InputHeard) -> bool:
    """Whether a person would see a difference."""
    if replace(before, level_dbfs=None) != replace(now, level_dbfs=None):
        return True
    if before.level_dbfs is None or now.level_dbfs is None:
        return before.level_dbfs is not now.level_dbfs
    return abs(before.level_dbfs - now.level_dbfs) >= _STEP_DB
