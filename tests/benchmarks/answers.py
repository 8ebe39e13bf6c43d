"""What the program said of a sound, and how good that was: one place for every benchmark."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.listener import Listener, ReadingReady
from pitchbench.sound.source import Block

Array = NDArray[np.float64]

#: The 95 % interval is the reading and this many u to either side.
INTERVAL_U = 1.96
GROSS_CENTS = 50.0


@dataclass(frozen=True)
class Answer:
    """What was said of one pluck. ``reason`` is empty when it settled; what is not said is NaN."""

    onset_s: float
    ring_s: float
    reason: str
    pitch_hz: float
    u_cents: float
    attack_cents: float
    wander_cents: float
    stiffness_b: float

    @property
    def settled(self) -> bool:
        """Whether it may enter an average."""
        return not self.reason


def read(samples: NDArray[np.float32], rate_hz: int, *, block: int = 2048) -> tuple[Answer, ...]:
    """Every final reading of ``samples``, fed to a listener block by block."""
    listener = Listener(rate_hz)
    heard = []
    for start in range(0, samples.size, block):
        heard.extend(listener.feed(Block(samples[start : start + block], start, rate_hz)))
    heard.extend(listener.finish())
    return tuple(_answer(h.reading) for h in heard if isinstance(h, ReadingReady) and h.final)


def _answer(reading: object) -> Answer:
    """Only this knows what the program's readings look like."""
    numbers = {}
    for name in ("pitch_hz", "u_cents", "attack_cents", "wander_cents", "stiffness_b"):
        value = getattr(reading, name, None)
        numbers[name] = math.nan if value is None else float(value)
    reason = getattr(reading, "reason", None)
    return Answer(
        onset_s=reading.onset_s,
        ring_s=reading.ring_s,
        reason="" if reason is None else reason.value,
        **numbers,
    )


def nearest(answers: Sequence[Answer], onset_s: float, within_s: float = 0.2) -> Answer | None:
    """The answer whose onset lies nearest ``onset_s``; None where all are further away."""
    near = [a for a in answers if abs(a.onset_s - onset_s) < within_s]
    return min(near, key=lambda a: abs(a.onset_s - onset_s), default=None)


def cents(f_hz: float, reference_hz: float) -> float:
    """Interval in cents; NaN where there is no pitch. Not the program's own, on purpose."""
    return 1200.0 * math.log2(f_hz / reference_hz) if f_hz > 0.0 else math.nan


def coverage(error_cents: Array, u_cents: Array) -> float:
    """The share of truths that lie in the 95 % interval."""
    return float(np.mean(np.abs(error_cents) <= INTERVAL_U * u_cents))


def interval_score(error_cents: Array, u_cents: Array) -> float:
    """The mean score of 95 % intervals, in cents, small is good: the width, and forty times what a
    truth lies outside (Gneiting & Raftery 2007, eq. 43; from memory). An interval is punished for
    being wide as for being wrong, and who states what he knows scores best."""
    half = INTERVAL_U * u_cents
    outside = np.maximum(0.0, np.abs(error_cents) - half)
    return float(np.mean(2.0 * half + 2.0 / 0.05 * outside))


def table(head: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """A Markdown table; the first column is words, the others are numbers."""
    lines = ["| " + " | ".join(head) + " |", "|---" + "|---:" * (len(head) - 1) + "|"]
    lines += ["| " + " | ".join(str(cell) for cell in row) + " |" for row in rows]
    return "\n".join(lines)
