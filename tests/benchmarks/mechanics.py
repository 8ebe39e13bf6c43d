"""Plucks with a known truth, made by the mechanics of a string and what is heard around it.

A third generator: its string is integrated (:mod:`kirchhoff`), not written down as partials. It
shares neither code nor constants with :mod:`plucks` nor with the program's virtual instrument, so
that one mistake cannot hide in all of them. The sizes are our own invention, of the order of those
on guitars and basses.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from kirchhoff import Array, Modes, Motion, String, glide_cents, modes_of, vibrate
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt, sosfilt_zi

#: The plucks drawn when nothing else is asked for.
SEED = 1883
#: Plucks of which the second plane comes this near the first have two pitches: no single truth.
CLOSEST_RIVAL_DB = -5.0


@dataclass(frozen=True)
class Pluck:
    """A string, and all that is heard besides. Levels are relative to the note's first 0.3 s.

    ``ticks`` are times after the onset with levels in dB; ``neighbour`` another string, with its
    level, that already rang or starts with the pluck. ``bass`` says what the instrument is.
    """

    seed: int
    rate_hz: int
    string: String
    bass: bool
    ring_s: float
    damping_s: float
    noise_db: float
    pink: float
    ticks: tuple[tuple[float, float], ...]
    neighbour: String | None
    neighbour_db: float
    neighbour_rang: bool
    peak: float
    preroll_s: float = 0.8
    postroll_s: float = 0.4

    @property
    def tags(self) -> frozenset[str]:
        """The kinds of difficulty this pluck has."""
        string = self.string
        one_rate = string.losses == (0.0, 0.0) and string.loss_scatter == 0.0
        kinds = {
            "low": string.f1_hz < 84.0,
            "short": self.ring_s < 2.0,
            "noisy": self.noise_db > -35.0,
            "beating": string.cross_db > -15.0 and abs(string.split_cents) > 0.3,
            "body-shifted": string.shift_cents > 0.0,
            "exponential glide": one_rate,
            "energy glide": not one_rate,
            "magnet": string.magnet_cents > 0.0,
            "buzz": string.buzz is not None,
            "ticks": bool(self.ticks),
            "neighbour": self.neighbour is not None,
        }
        return frozenset(name for name, holds in kinds.items() if holds)


@dataclass(frozen=True, eq=False)
class Truth:
    """What a reading of the pluck ought to say.

    The settled pitch ``f1_hz`` is that of the small first partial of the main plane, the one which
    the pickup hears louder: as long as it is the louder, a pair of partials turns, beat by beat, as
    often as it alone would. ``rival_db`` is the nearest that the other comes to it.

    ``glide_cents`` is how sharp the first partial starts by the theory of small perturbations;
    ``onset`` the sample at which the string is let go; ``clear_s`` how long it stands 10 dB above
    the noise.
    """

    f1_hz: float
    stiffness_b: float
    glide_cents: float
    rival_db: float
    onset: int
    ring_s: float
    clear_s: float


# What is heard ------------------------------------------------------------------------------------


def render(pluck: Pluck) -> tuple[NDArray[np.float32], Truth]:
    """The pluck with the noise before and after it, and its truth."""
    rate = pluck.rate_hz
    onset = round(pluck.preroll_s * rate)
    rng = np.random.default_rng([pluck.seed, 0])
    modes = modes_of(pluck.string, rng)
    spans = ((pluck.ring_s, math.inf), (pluck.postroll_s, pluck.damping_s))
    motion = vibrate(pluck.string, modes, rate, spans)
    note = _through_pickup(motion.pickup, rate, velocity=pluck.string.velocity)
    note /= np.sqrt(np.mean(note[: round(0.3 * rate)] ** 2))
    noise = 10.0 ** (pluck.noise_db / 20.0) * _noise(note.size + onset, rate, pluck.pink, rng)
    clear_s = _clear_s(note, float(np.std(noise)), rate, pluck.ring_s)
    sound = noise
    sound[onset:] += note
    for time_s, level_db in pluck.ticks:
        _add_tick(sound, onset + round(time_s * rate), level_db, rate, rng)
    if pluck.neighbour is not None:
        start = 0 if pluck.neighbour_rang else onset
        other = vibrate(
            pluck.neighbour,
            modes_of(pluck.neighbour, rng),
            rate,
            (((sound.size - start) / rate, math.inf),),
        )
        ringing = _through_pickup(other.pickup, rate, velocity=pluck.string.velocity)
        ringing /= np.sqrt(np.mean(ringing[: round(0.3 * rate)] ** 2))
        sound[start:] += 10.0 ** (pluck.neighbour_db / 20.0) * ringing
    sound *= pluck.peak / np.max(np.abs(sound))
    truth = Truth(
        f1_hz=pluck.string.f1_hz,
        stiffness_b=pluck.string.stiffness_b,
        glide_cents=glide_cents(pluck.string, modes),
        rival_db=_rival_db(motion, modes, rate, pluck.ring_s),
        onset=onset,
        ring_s=pluck.ring_s,
        clear_s=clear_s,
    )
    return sound.astype(np.float32), truth


def _through_pickup(displacement: Array, rate_hz: int, *, velocity: bool) -> Array:
    """What an amplifier passes on. Held aside before the onset, the string made no sound."""
    sound = np.gradient(displacement) * rate_hz if velocity else displacement
    low = butter(2, 25.0, "highpass", fs=rate_hz, output="sos")
    high = butter(1, 5000.0, fs=rate_hz, output="sos")
    chain = np.concatenate([low, high])
    return sosfilt(chain, sound, zi=sosfilt_zi(chain) * (0.0 if velocity else sound[0]))[0]


def _noise(n: int, rate_hz: int, pink: float, rng: np.random.Generator) -> Array:
    """Noise of rms 1, the share ``pink`` of its power falling as 1/f above 15 Hz."""
    white = rng.normal(size=n)
    f_hz = np.fft.rfftfreq(n, 1.0 / rate_hz)
    shape = np.fft.rfft(rng.normal(size=n)) / np.sqrt(np.maximum(f_hz, 15.0))
    soft = np.fft.irfft(shape, n)
    return math.sqrt(1.0 - pink) * white + math.sqrt(pink) * soft / np.std(soft)


def _add_tick(
    sound: Array, at: int, level_db: float, rate_hz: int, rng: np.random.Generator
) -> None:
    """A nail or a ring against the string: two milliseconds of bright noise."""
    n = min(round(0.01 * rate_hz), sound.size - at)
    if n > 0:
        tick = np.diff(rng.normal(size=n + 1)) * np.exp(-np.arange(n) / (0.002 * rate_hz))
        tick /= np.sqrt(np.mean(tick[: round(0.004 * rate_hz)] ** 2))
        sound[at : at + n] += 10.0 ** (level_db / 20.0) * tick


def _clear_s(note: Array, noise: float, rate_hz: int, ring_s: float) -> float:
    """Until when the note stands 10 dB above the noise, in steps of 50 ms."""
    step = round(0.05 * rate_hz)
    power = np.mean(note[: note.size // step * step].reshape(-1, step) ** 2, axis=1)
    clear = np.flatnonzero(power > 10.0 * noise**2)
    return min(ring_s, 0.05 * (int(clear[-1]) + 1)) if clear.size else 0.0


def _rival_db(motion: Motion, modes: Modes, rate_hz: int, ring_s: float) -> float:
    """The loudest that the first partial of the second plane is heard beside the main one's.

    By the power of each over 50 ms and a whole number of the main one's periods.
    """
    periods = math.ceil(0.05 * modes.f_hz[0])
    step = round(periods * rate_hz / modes.f_hz[0])
    heard = motion.first * modes.heard[[0, modes.n], None]
    n = int(ring_s * rate_hz) // step
    power = np.mean(heard[:, : n * step].reshape(2, n, step) ** 2, axis=2)
    return 10.0 * math.log10(float(np.max(power[1] / power[0])) + 1e-12)


# The draw -----------------------------------------------------------------------------------------

#: Open strings in Hz; the scale in mm; kappa by order of magnitude (E A / T of steel, wound
#: strings and plain ones together).
_BASS = ((30.87, 41.2, 55.0, 73.42, 98.0), 864.0, (250.0, 700.0))
_GUITAR = ((61.74, 82.41, 110.0, 146.83, 196.0, 246.94, 329.63), 648.0, (120.0, 450.0))


def notes(n: int, seed: int = SEED) -> Iterator[tuple[Pluck, NDArray[np.float32], Truth]]:
    """The first ``n`` plucks of a seed that have one truth, with their sound."""
    rng = np.random.default_rng(seed)
    found = number = 0
    while found < n:
        pluck = draw(rng, 10_000 * seed + number)
        number += 1
        sound, truth = render(pluck)
        if truth.rival_db < CLOSEST_RIVAL_DB:
            found += 1
            yield pluck, sound, truth


def draw(rng: np.random.Generator, seed: int) -> Pluck:
    """One pluck over the whole range."""
    bass = bool(rng.random() < 0.35)
    string = _draw_string(rng, bass)
    ring_s = rng.uniform(1.1, 2.0) if rng.random() < 0.2 else rng.uniform(4.0, 4.6)
    ticks = ()
    if rng.random() < 0.12:
        ticks = tuple(
            (float(rng.uniform(0.3, ring_s)), float(rng.uniform(-20.0, 3.0)))
            for _ in range(rng.integers(1, 4))
        )
    neighbour = None
    if rng.random() < 0.2:
        semitones = float(rng.choice((-12, -5, -4, 4, 5, 7))) + rng.normal(0.0, 0.08)
        neighbour = replace(
            _draw_string(rng, bass), f1_hz=string.f1_hz * 2.0 ** (semitones / 12.0), buzz=None
        )
    return Pluck(
        seed=seed,
        rate_hz=int(rng.choice((44100, 48000))),
        string=string,
        bass=bass,
        ring_s=float(ring_s),
        damping_s=float(rng.uniform(0.01, 0.05)),
        noise_db=float(rng.uniform(-65.0, -25.0)),
        pink=float(rng.random()),
        ticks=ticks,
        neighbour=neighbour,
        neighbour_db=float(rng.uniform(-45.0, -25.0)),
        neighbour_rang=bool(rng.random() < 0.5),
        peak=_spread(rng, 0.05, 0.8),
    )


def _spread(rng: np.random.Generator, low: float, high: float) -> float:
    """A number whose logarithm is as likely here as there."""
    return low * (high / low) ** rng.random()


def _draw_string(rng: np.random.Generator, bass: bool) -> String:
    """A string whose glide is one of 0.2 to 22 cents."""
    while True:
        string = _any_string(rng, bass)
        glide = glide_cents(string, modes_of(string, np.random.default_rng(0)))
        if 0.2 <= glide <= 22.0:
            break
    if rng.random() < 0.15:
        string = replace(string, magnet_cents=glide * rng.uniform(0.05, 0.4))
    if rng.random() < 0.1:
        string = replace(string, buzz=rng.uniform(0.75, 0.95), fret_at=rng.uniform(0.1, 0.4))
    return string


def _any_string(rng: np.random.Generator, bass: bool) -> String:
    opens_hz, scale_mm, kappas = _BASS if bass else _GUITAR
    fret = int(rng.choice((0, 0, 0, 12, 12, 2, 5, 9)))
    f1_hz = float(rng.choice(opens_hz)) * 2.0 ** (fret / 12.0 + rng.uniform(-30.0, 30.0) / 1200.0)
    decay_s = _spread(rng, 0.9, 6.0) * (60.0 / f1_hz) ** 0.5
    one_rate = bool(rng.random() < 0.15)
    cross_db = rng.uniform(-30.0, -8.0)
    pickup_angle = math.atan(_spread(rng, 0.2, 1.0))
    pluck_angle = math.atan(10.0 ** (cross_db / 20.0) / math.tan(pickup_angle))
    second_decay = 1.0 if one_rate else _spread(rng, 0.4, 1.6)
    # What the second plane gains on the first in four seconds must leave it the weaker.
    gains_db = 8.686 * 4.0 / decay_s * (1.0 - 1.0 / second_decay)
    if cross_db + gains_db > -6.0:
        second_decay = 1.0
    return String(
        f1_hz=f1_hz,
        stiffness_b=_spread(rng, 2e-5, 3e-4) * 2.0 ** (fret / 6.0),
        length_mm=scale_mm * 2.0 ** (-fret / 12.0),
        kappa=_spread(rng, *kappas),
        decay_s=decay_s,
        losses=(0.0, 0.0) if one_rate else (_spread(rng, 0.03, 0.3), _spread(rng, 3e-4, 5e-3)),
        loss_scatter=0.0 if one_rate else 0.25,
        shift_cents=2.0 if rng.random() < 0.35 else 0.0,
        split_cents=float(np.clip(rng.normal(0.0, rng.choice((1.0, 3.0))), -6.0, 6.0)),
        second_decay=second_decay,
        amplitude_mm=_spread(rng, 0.4, 5.0),
        pluck_at=rng.uniform(0.06, 0.35),
        pluck_width=_spread(rng, 0.005, 0.03),
        pluck_angle=pluck_angle * float(rng.choice((-1.0, 1.0))),
        pickup_at=rng.uniform(0.04, 0.25),
        pickup_angle=pickup_angle,
        velocity=bool(rng.random() < 0.7),
    )
