"""Plucks with a known truth, integrated from the mechanics of a string: nothing is drawn by hand.

A third generator. It shares neither code nor constants with :mod:`plucks`, which writes partials
down, nor with the program's virtual instrument, so that one mistake cannot hide in all of them.

The string (Kirchhoff 1876, Carrier 1945: the tension is the same all along it and follows the mean
square of its slope) moves in two planes, z_k being the displacement of mode k in either, in mm:

    z_k'' + 2 sigma_k z_k' + (w_k^2 + k^2 w_0^2 e S) z_k = 0,    S = sum of j^2 z_j^2,
    e = kappa pi^2 / (4 L^2),    kappa = E A / T,

S over both planes, so that the planes drive each other, as on a real string. What follows is not
put in: the glide, the modes' own shares in it, the slow turning of the plane of the motion. Besides
there may be the pull of a magnet, which weakens the string as the square of its motion over the
pickup, and a fret that the string strikes while it swings widely.

Each mode keeps its own frequency to the last digit, whatever the step. In the nonlinear terms one
factor is a mean of the next and the last displacement; so a discrete energy exists that only the
losses can change (the manner of S. Bilbao, Numerical Sound Synthesis, 2009; from memory), and each
step costs one or two linear equations. The step is one sample. Compiled by numba, a note of 4.5 s
took 0.22 s on one core; a simpler step in numpy, many notes side by side, took 0.4 s a note.

The sizes below are our own invention, of the order of those on guitars and basses.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt, sosfilt_zi

Array = NDArray[np.float64]

#: The plucks drawn when nothing else is asked for.
SEED = 1883
CENTS_PER_NEPER = 1200.0 / math.log(2.0)

#: Modes above this are left out: they are gone within moments, and carry next to no slope.
HIGHEST_HZ = 7000.0
MOST_MODES = 60
#: The energy is noted once in so many steps.
ENERGY_STEPS = 256
#: Plucks of which the second plane comes this near the first have two pitches: no single truth.
CLOSEST_RIVAL_DB = -5.0


@dataclass(frozen=True)
class String:
    """One string, as long as it sounds, and how it is let go and listened to.

    Parameters
    ----------
    f1_hz : small first partial of the main plane, which is the truth.
    stiffness_b : B of f_k = k f0 sqrt(1 + B k^2).
    length_mm : sounding length.
    kappa : by how many times its strain a stretch raises the tension.
    decay_s : time in which a small first partial falls by e.
    losses : (a, b): the rates of decay rise as 1 + a (k - 1) + b (k^2 - 1).
    loss_scatter : spread of the logarithm of the rates, from the body.
    shift_cents : spread of the partials about the law, from the body.
    split_cents, second_decay : of the second plane: pitch above the main one, decay time over it.
    amplitude_mm : how far the pick pulls the string aside.
    pluck_at, pluck_width : place of the pick and its width, as fractions of the length.
    pluck_angle : between the direction of the pick and the main plane, radians.
    pickup_at, pickup_angle : place of the pickup, and its direction's angle to the main plane.
    velocity : whether the pickup hears velocity; otherwise displacement.
    magnet_cents : how far the magnet's pull takes the first partial down at the onset, were the
        partials not nearly harmonic: while they keep in step it is up to a half more.
    buzz : share of its first swing that a fret leaves to the string; None for no fret in reach.
    fret_at : where that fret stands.
    """

    f1_hz: float
    stiffness_b: float
    length_mm: float
    kappa: float
    decay_s: float
    losses: tuple[float, float]
    loss_scatter: float
    shift_cents: float
    split_cents: float
    second_decay: float
    amplitude_mm: float
    pluck_at: float
    pluck_width: float
    pluck_angle: float
    pickup_at: float
    pickup_angle: float
    velocity: bool
    magnet_cents: float = 0.0
    buzz: float | None = None
    fret_at: float = 0.3

    @property
    def cross_db(self) -> float:
        """How loud the second plane is at first, over the main one, at the pickup."""
        return 20.0 * math.log10(
            abs(math.tan(self.pluck_angle) * math.tan(self.pickup_angle)) + 1e-9
        )


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
class Modes:
    """The modes of a string: both planes one after the other, arrays of shape (2 n,).

    ``number`` of the mode; ``f_hz`` of its small free motion, losses included; ``rate`` of decay
    per second; ``start_mm``; ``heard`` and ``fret``, the shape at the pickup and at a fret.
    """

    number: Array
    f_hz: Array
    rate: Array
    start_mm: Array
    heard: Array
    fret: Array

    @property
    def n(self) -> int:
        """Number of modes in one plane."""
        return self.number.size // 2


@dataclass(frozen=True, eq=False)
class Motion:
    """How a string moved: samples at the pickup, of both first modes in mm, and its energy."""

    pickup: Array
    first: Array
    energy: Array


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


# The string ---------------------------------------------------------------------------------------


def modes_of(string: String, rng: np.random.Generator) -> Modes:
    """The modes of ``string``; what its body does to them comes from ``rng``."""
    number = np.arange(1.0, MOST_MODES + 1.0)
    law_hz = number * np.sqrt((1.0 + string.stiffness_b * number**2) / (1.0 + string.stiffness_b))
    law_hz *= string.f1_hz
    number = number[law_hz < HIGHEST_HZ]
    n = number.size
    shift = rng.normal(0.0, 1.0, (2, MOST_MODES))[:, :n] * string.shift_cents
    shift -= shift[0, 0]
    # A top gives way across itself more than along; the split of the first partial is given.
    shift[1] *= 0.3
    shift[1, 0] = 0.0
    shift[1] += string.split_cents
    f_hz = law_hz[:n] * 2.0 ** (shift / 1200.0)
    rise = 1.0 + string.losses[0] * (number - 1.0) + string.losses[1] * (number**2 - 1.0)
    scatter = np.exp(string.loss_scatter * rng.normal(0.0, 1.0, (2, MOST_MODES))[:, :n])
    scatter[:, 0] = 1.0
    rate = rise * scatter / string.decay_s
    rate[1] /= string.second_decay
    return Modes(
        number=np.tile(number, 2),
        f_hz=f_hz.ravel(),
        rate=rate.ravel(),
        start_mm=_two_planes(plucked_mm(string, number), string.pluck_angle),
        heard=_two_planes(np.sin(np.pi * number * string.pickup_at), string.pickup_angle),
        fret=_two_planes(np.sin(np.pi * number * string.fret_at), string.pickup_angle),
    )


def plucked_mm(string: String, number: Array) -> Array:
    """Modes of a string pulled aside by a pick of some width: a corner, rounded off."""
    at, width = string.pluck_at, string.pluck_width
    corner = 2.0 * string.amplitude_mm * np.sin(np.pi * number * at)
    corner /= (np.pi * number) ** 2 * at * (1.0 - at)
    return corner * np.sinc(0.5 * number * width) ** 2


def _two_planes(shape: Array, angle: float) -> Array:
    return np.concatenate([math.cos(angle) * shape, math.sin(angle) * shape])


def stretch_per_mm2(string: String) -> float:
    """e: the relative rise of the tension per unit of the sum of (k z_k)^2."""
    return string.kappa * (math.pi / (2.0 * string.length_mm)) ** 2


def glide_cents(string: String, modes: Modes, time_s: float = 0.0) -> float:
    """How sharp the first mode of the main plane is, to first order, magnet left out.

    A mode feels the mean of the tension, to which each gives half of its peak stretch, and half as
    much again of its own, which swings in step with it (Legge & Fletcher 1984; from memory, and
    derived from the equation above by averaging over a period).
    """
    stretch = (modes.number * modes.start_mm * np.exp(-modes.rate * time_s)) ** 2
    rise = stretch_per_mm2(string) * (0.5 * stretch.sum() + 0.25 * stretch[0])
    return 0.5 * CENTS_PER_NEPER * float(rise) / (1.0 + string.stiffness_b)


def vibrate(
    string: String, modes: Modes, rate_hz: float, spans_s: tuple[tuple[float, float], ...]
) -> Motion:
    """Integrate the string through spans of time.

    Parameters
    ----------
    spans_s : pairs of a length and the time in which a damping hand takes the amplitude down by e
        during it, infinite for none.
    """
    h = 1.0 / rate_hz
    f0_hz = string.f1_hz / math.sqrt(1.0 + string.stiffness_b)
    tension = (2.0 * math.pi * f0_hz) ** 2 * stretch_per_mm2(string)
    magnet = _magnet(string, modes)
    angle = 2.0 * np.pi * modes.f_hz * h
    natural = (2.0 * np.pi * modes.f_hz) ** 2 + modes.rate**2
    # A mean over the step makes a mode's stretch too small by cos(w h), and a force shifts its
    # frequency too much by w h / sin(w h): taken back here, so that the glide is exact as well.
    weight = modes.number**2 / np.cos(angle)
    mass = angle / (np.sin(angle) * np.cos(angle))

    z = modes.start_mm.copy()
    stretch = float(np.sum((modes.number * z) ** 2))
    fall = modes.rate * h
    before = z * np.exp(fall) * (np.cos(angle) - fall / angle * np.sin(angle))
    before -= 0.5 * h**2 * tension * stretch * modes.number**2 * z
    gap = math.inf
    if string.buzz is not None:
        gap = string.buzz * _swing_mm(string, modes)
    # The fret is hard: it throws the string back within a quarter of a millisecond.
    fret = (2.0 * math.pi * 2000.0) ** 2
    taps = np.zeros((3, z.size))
    taps[0], taps[1, 0], taps[2, modes.n] = modes.heard, 1.0, 1.0
    heard, energies = [], []
    for length_s, hand_s in spans_s:
        rate = modes.rate + 1.0 / hand_s
        damped = h * np.sqrt(natural - rate**2)
        cosine, loss = np.cos(damped) / np.cosh(rate * h), np.tanh(rate * h)
        spring = 2.0 * (1.0 - cosine) / h**2
        out, energy = _integrate(
            *(z, before, spring, loss, mass, weight, tension),
            *(modes.heard, magnet, modes.fret, fret, gap, taps),
            *(h, round(length_s * rate_hz)),
        )
        heard.append(out)
        energies.append(energy)
    out = np.concatenate(heard, axis=1)
    return Motion(out[0], out[1:], np.concatenate(energies))


def _magnet(string: String, modes: Modes) -> float:
    """Strength of a pull +y^3 at the pickup that takes the first mode down as much as is asked.

    To first order, averaged over a period as for the tension: three quarters of the square of the
    mode's own motion there, and three halves of each other's.
    """
    if not string.magnet_cents:
        return 0.0
    share = (modes.heard * modes.start_mm) ** 2
    mean = 1.5 * (share.sum() - 0.5 * share[0])
    shift = 2.0 * string.magnet_cents / CENTS_PER_NEPER * (2.0 * math.pi * string.f1_hz) ** 2
    return shift / float(modes.heard[0] ** 2 * mean)


def _swing_mm(string: String, modes: Modes) -> float:
    """How far the string would swing to the other side at the fret: half a period after release
    the shape is upside down and the wrong way round."""
    return float(np.sum((-1.0) ** (modes.number + 1.0) * modes.fret * modes.start_mm))


@numba.njit(cache=True, fastmath=True)
def _integrate(
    z, before, spring, loss, mass, weight, tension, heard, magnet, fret, hardness, gap, taps, h, n
):  # pragma: no cover - compiled
    """``n`` steps, with ``z`` and ``before`` left as they are then; all taps, and the energy.

    In each step the displacements to come are linear in the mean stretch, the mean pull of the
    magnet and the push of the fret: those are found first, from sums over the modes.
    """
    size = z.size
    mobility = h * h / (mass * (1.0 + loss))
    onward = (2.0 - h * h * spring) / (1.0 + loss)
    back = (1.0 - loss) / (1.0 + loss)
    ahead = np.empty(size)
    out = np.zeros((taps.shape[0], n))
    energy = np.zeros((n + ENERGY_STEPS - 1) // ENERGY_STEPS)
    mm = (mobility * heard * heard).sum()
    mf = (mobility * heard * fret).sum()
    ff = (mobility * fret * fret).sum()
    for step in range(n):
        g0 = v0 = y = tt = tm = tf = over = last = 0.0
        for k in range(size):
            a = onward[k] * z[k] - back[k] * before[k]
            ahead[k] = a
            pull = weight[k] * z[k]
            move = mobility[k] * pull
            mean = 0.5 * (a + before[k])
            g0 += pull * mean
            v0 += heard[k] * mean
            y += heard[k] * z[k]
            tt += move * pull
            tm += move * heard[k]
            tf += move * fret[k]
            over += fret[k] * a
            last += fret[k] * before[k]
        for t in range(taps.shape[0]):
            sum_ = 0.0
            for k in range(size):
                sum_ += taps[t, k] * z[k]
            out[t, step] = sum_
        if step % ENERGY_STEPS == 0:
            energy[step // ENERGY_STEPS] = _energy(
                z, before, spring, mass, weight, tension, heard, magnet, fret, hardness, gap, h
            )
        pull_m = magnet * y * y
        a11, a12 = 1.0 + 0.5 * tension * tt, -0.5 * pull_m * tm
        a21, a22 = 0.5 * tension * tm, 1.0 - 0.5 * pull_m * mm
        det = a11 * a22 - a12 * a21
        stretch = (a22 * g0 - a12 * v0) / det
        mean_y = (a11 * v0 - a21 * g0) / det
        push = 0.0
        if gap < np.inf:
            by_push = 0.5 * (a22 * tf - a12 * mf) / det, 0.5 * (a11 * mf - a21 * tf) / det
            free = over - tension * tf * stretch + pull_m * mf * mean_y
            give = ff - tension * tf * by_push[0] + pull_m * mf * by_push[1]
            push = _push(free, give, last, hardness, gap)
            stretch += by_push[0] * push
            mean_y += by_push[1] * push
        for k in range(size):
            force = (
                pull_m * mean_y * heard[k] - tension * stretch * weight[k] * z[k] + push * fret[k]
            )
            a = ahead[k] + mobility[k] * force
            before[k] = z[k]
            z[k] = a
    return out, energy


@numba.njit(cache=True)
def _push(free, give, last, hardness, gap):  # pragma: no cover - compiled
    """The push of the fret that takes as much energy from the string as it stores.

    Without it the string would come to ``free``, with it to free + give push; it came from
    ``last``. The fret stores half its hardness times its depth squared. Solved by halving: the push
    that is called for falls as the push rises.
    """
    deep = max(0.0, -(last + gap))
    if free + gap >= 0.0 and deep == 0.0:
        return 0.0
    low, high = 0.0, hardness * (deep + max(0.0, -(free + gap)))
    for _ in range(60):
        push = 0.5 * (low + high)
        then = max(0.0, -(free + give * push + gap))
        way = last - (free + give * push)
        asked = hardness * then
        if abs(way) > 1e-12:
            asked = 0.5 * hardness * (then * then - deep * deep) / way
        if asked > push:
            low = push
        else:
            high = push
    return 0.5 * (low + high)


@numba.njit(cache=True)
def _energy(
    z, before, spring, mass, weight, tension, heard, magnet, fret, hardness, gap, h
):  # pragma: no cover - compiled
    """The energy that the scheme conserves but for the losses, per unit of a mode's mass."""
    kinetic = 0.5 * np.sum(mass * ((z - before) / h) ** 2)
    potential = 0.5 * np.sum(mass * spring * z * before)
    stretched = 0.25 * tension * np.sum(weight * z * before) ** 2
    y, y_before = np.sum(heard * z), np.sum(heard * before)
    pulled = 0.25 * magnet * (y * y_before) ** 2
    pressed = 0.0
    if gap < np.inf:
        deep = max(0.0, -(np.sum(fret * z) + gap))
        deep_before = max(0.0, -(np.sum(fret * before) + gap))
        pressed = 0.25 * hardness * (deep**2 + deep_before**2)
    return kinetic + potential + stretched - pulled + pressed


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
