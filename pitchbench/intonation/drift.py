"""How a note moves from attack to tail, and what in that points to a fault."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.belief import Belief, student_difference
from pitchbench.intonation.neck import uneven_string
from pitchbench.intonation.offset import mean_belief
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.units import CENTS_PER_NEPER, cents_between

#: dB by which a level falls while an amplitude falls by e.
_DB_PER_NEPER: Final = 20.0 / math.log(10.0)

#: The last moments of a note hold its damping.
_DAMPING_S: Final = 0.15
#: A level must lie so far above the noise to be believed.
_ABOVE_NOISE_DB: Final = 10.0
#: Beats: at least so many of them in the note, no faster than this, swinging the level by so much
#: to each side, and explaining this share of what a smooth fall leaves over. Our choice: a sound
#: string on the virtual instrument stays below.
_FEWEST_BEATS: Final = 2.0
_FASTEST_BEAT_HZ: Final = 8.0
_LEAST_BEAT_DB: Final = 1.0
_LEAST_BEAT_SHARE: Final = 0.6
_FEWEST_LEVELS: Final = 12

#: Spread of open plucks where one alone cannot tell (as in `offset`), and the least change of
#: pitch, cents, that is worth lowering a pickup for.
_TYPICAL_CENTS: Final = 0.7
_LEAST_PULL_CENTS: Final = 0.5

#: Settled pitches this near each other are one note, and its plucks differ in strength if their
#: levels do by so much. Our choice.
SAME_NOTE_CENTS: Final = 50.0
_LEAST_RANGE_DB: Final = 4.0


@dataclass(frozen=True)
class Beat:
    """A level that swings: how often, and by how much to each side of a smooth fall."""

    rate_hz: float
    depth_db: float


@dataclass(frozen=True, eq=False)
class Drift:
    """One settled pluck as it moves.

    Parameters
    ----------
    reading : the pluck.
    time_s, cents : its course, seconds after the onset and cents above the settled pitch, (n,).
    decay_s : time in which the amplitude falls by e in the stable tail; None if it does not fall.
    beat : beating in its level, None where there is none to speak of.
    uneven : what is wrong with the string by its partials, in a sentence; empty if nothing is.
    """

    reading: Reading
    time_s: NDArray[np.float64]
    cents: NDArray[np.float64]
    decay_s: float | None
    beat: Beat | None
    uneven: str


class Strength(StrEnum):
    """How hard a pluck was, among others of the same note."""

    SOFT = "soft"
    MEDIUM = "medium"
    HARD = "hard"


@dataclass(frozen=True)
class MagnetPull:
    """The same note with the pickup near and far.

    Parameters
    ----------
    change : settled pitch with the pickup near, above that with it far, in cents.
    decay_ratio : decay time near over that far; None where either is not known.
    pulls : whether the pitch surely changes, by half a cent or more.
    """

    change: Belief
    decay_ratio: float | None
    pulls: bool


def drift_of(reading: Reading | Rejected) -> Drift | None:
    """What one pluck does; None where it was rejected."""
    if isinstance(reading, Rejected):
        return None
    trace = reading.trace
    cents = CENTS_PER_NEPER * np.log(trace.pitch_hz / reading.pitch_hz)
    heard = _heard(reading)
    tail = heard & (trace.time_s >= reading.settle_s)
    return Drift(
        reading=reading,
        time_s=trace.time_s,
        cents=cents,
        decay_s=_decay_s(trace.time_s[tail], trace.level_db[tail]),
        beat=find_beat(trace.time_s[heard], trace.level_db[heard]),
        uneven=uneven_string(reading.partials),
    )


def tell_strengths(drifts: Sequence[Drift]) -> list[Strength | None]:
    """Soft, medium or hard, by the highest level of each pluck among those of its note: the thirds
    of their range in dB. None where they are all alike, or one is alone."""
    told: list[Strength | None] = []
    for drift in drifts:
        pitch_hz = drift.reading.pitch_hz
        levels_db = [
            _loudest_db(other)
            for other in drifts
            if abs(cents_between(other.reading.pitch_hz, pitch_hz)) < SAME_NOTE_CENTS
        ]
        low_db, range_db = min(levels_db), max(levels_db) - min(levels_db)
        if range_db < _LEAST_RANGE_DB:
            told.append(None)
            continue
        third = min(2, int(3.0 * (_loudest_db(drift) - low_db) / range_db))
        told.append((Strength.SOFT, Strength.MEDIUM, Strength.HARD)[third])
    return told


def _loudest_db(drift: Drift) -> float:
    return float(drift.reading.trace.level_db.max())


def find_beat(time_s: NDArray[np.float64], level_db: NDArray[np.float64]) -> Beat | None:
    """A regular swing in a falling level; None where there is none.

    Beside a cubic in time, which follows any smooth fall, one sinusoid is fitted by least squares
    for every frequency on a grid; the best counts if it is deep enough and explains enough.

    Parameters
    ----------
    time_s, level_db : evenly spaced, shape (n,).
    """
    if len(time_s) < _FEWEST_LEVELS:
        return None
    length_s = float(np.ptp(time_s))
    highest_hz = min(_FASTEST_BEAT_HZ, 0.4 * (len(time_s) - 1) / length_s)
    slowest_hz = _FEWEST_BEATS / length_s
    if highest_hz <= slowest_hz:
        return None
    smooth = np.linalg.qr(np.vander(time_s - time_s.mean(), 4))[0]
    rest = level_db - smooth @ (smooth.T @ level_db)
    total = float(rest @ rest)
    best, best_share = None, _LEAST_BEAT_SHARE
    for rate_hz in np.arange(slowest_hz, highest_hz, 0.1 / length_s):
        turns = 2.0 * math.pi * rate_hz * time_s
        wave = np.stack((np.cos(turns), np.sin(turns)), axis=1)
        free = wave - smooth @ (smooth.T @ wave)
        weights = np.linalg.lstsq(free, rest, rcond=None)[0]
        share = float(rest @ (free @ weights)) / total if total > 0.0 else 0.0
        depth_db = float(np.hypot(*weights))
        if share > best_share and depth_db >= _LEAST_BEAT_DB:
            best, best_share = Beat(float(rate_hz), depth_db), share
    return best


def magnet_pull(near: Sequence[Drift], far: Sequence[Drift]) -> MagnetPull:
    """What bringing the pickup near does to the settled pitch and the decay of the same note.

    Raises
    ------
    ValueError
        If either is empty.
    """
    if not near or not far:
        raise ValueError("plucks with the pickup near and far are needed")
    origin_hz = far[0].reading.pitch_hz
    means: list[float] = []
    beliefs: list[tuple[Any, float]] = []
    for group in (near, far):
        cents = np.array([cents_between(d.reading.pitch_hz, origin_hz) for d in group])
        own = float(np.mean([d.reading.u_cents**2 for d in group]))
        squares = float(np.sum(np.square(cents - cents.mean())))
        means.append(float(cents.mean()))
        beliefs.append(
            mean_belief(
                len(group), squares, typical_cents=_TYPICAL_CENTS, prior_dof=0.0, own_variance=own
            )
        )
    scale, dof = map(float, student_difference(*beliefs[0], *beliefs[1]))
    change = Belief(means[0] - means[1], scale, dof)
    near_s, far_s = _median_decay_s(near), _median_decay_s(far)
    return MagnetPull(
        change=change,
        decay_ratio=None if near_s is None or far_s is None else near_s / far_s,
        pulls=abs(change.centre) > max(change.half(), _LEAST_PULL_CENTS),
    )


def _heard(reading: Reading) -> NDArray[np.bool_]:
    """Where the level is the note's own: not the damping at its end, and well above the noise."""
    trace = reading.trace
    heard = trace.time_s < reading.ring_s - _DAMPING_S
    if reading.snr_db is not None:
        tail = trace.time_s >= reading.settle_s
        if tail.any():
            noise_db = float(np.mean(trace.level_db[tail])) - reading.snr_db
            heard &= trace.level_db > noise_db + _ABOVE_NOISE_DB
    return heard


def _decay_s(time_s: NDArray[np.float64], level_db: NDArray[np.float64]) -> float | None:
    if len(time_s) < 4:
        return None
    slope = float(np.polyfit(time_s, level_db, 1)[0])
    return -_DB_PER_NEPER / slope if slope < 0.0 else None


def _median_decay_s(group: Sequence[Drift]) -> float | None:
    known = [drift.decay_s for drift in group if drift.decay_s is not None]
    return float(np.median(known)) if known else None
