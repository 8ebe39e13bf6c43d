"""A string by its mechanics: how it moves from its release on, step by step.

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
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

CENTS_PER_NEPER = 1200.0 / math.log(2.0)

#: Modes above this are left out: they are gone within moments, and carry next to no slope.
HIGHEST_HZ = 7000.0
MOST_MODES = 60
#: The energy is noted once in so many steps.
ENERGY_STEPS = 256


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
