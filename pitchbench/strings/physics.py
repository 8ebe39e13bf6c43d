"""The physics of an open and a fretted string: tension, stretch, stiffness, offset.

The fretted string follows Anderson & Beausoleil, "Classical guitar intonation and compensation: the
well-tempered guitar", J. Acoust. Soc. Am. 156(1) 683 (2024): the offset is the sum of what the
lengths, the stretch of fretting and the bending stiffness do. Stiffness: Fletcher, J. Acoust. Soc.
Am. 36, 203 (1964). Lengths are in mm, the rest in SI units; functions of numbers take arrays too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.instrument import Instrument, Material
from pitchbench.strings.materials import STEEL_EXPANSION, StringProperties
from pitchbench.units import CENTS_PER_NEPER

#: Anything that numpy takes for a number or an array of numbers.
Numbers = float | NDArray[np.float64]

#: Height of the nut's slots over the plane of the frets where nothing better is known, mm:
#: common practice, no source; the nylon one is that of the measured guitar in the paper.
_NUT_HEIGHT_MM: Final = 0.5
_NUT_HEIGHT_NYLON_MM: Final = 1.4
_ACTION_MM: Final = 1.8

#: Where the finger presses, behind the fret, mm: common practice, no source.
_FINGER_MM: Final = 8.0


@dataclass(frozen=True)
class Neck:
    """The neck that the string runs over, in mm.

    Parameters
    ----------
    scale_mm : nominal scale X0.
    nut_height_mm : height b0 of the nut over the plane of the frets.
    saddle_rise_mm : height h of the saddle above the nut.
    finger_mm : distance d of the finger behind the fret.
    """

    scale_mm: float
    nut_height_mm: float
    saddle_rise_mm: float
    finger_mm: float = 0.0


@dataclass(frozen=True)
class FrettedLengths:
    """Lengths in mm: the open string, the sounding part, and the whole string pressed down."""

    open_mm: Numbers
    fretted_mm: Numbers
    pressed_mm: Numbers

    @property
    def stretch(self) -> Numbers:
        """Q, by how much of its own length fretting lengthens the string."""
        return (self.pressed_mm - self.open_mm) / self.open_mm


def neck_of(instrument: Instrument, number: int) -> Neck:
    """The neck under a string, common values standing in for what is not known.

    The clearance over the 12th fret (the action) is halfway between nut and saddle height.
    """
    nylon = instrument.strings[0].material is Material.NYLON
    nut_height_mm = _NUT_HEIGHT_NYLON_MM if nylon else _NUT_HEIGHT_MM
    action_mm = _ACTION_MM if instrument.action_mm is None else instrument.action_mm
    rise_mm = 2.0 * (action_mm - nut_height_mm)
    if instrument.under_capo(number):
        # It presses the strings on the fret, down from where the nut held them.
        nut_height_mm, rise_mm = 0.0, rise_mm + nut_height_mm
    return Neck(instrument.scale_of(number), nut_height_mm, rise_mm, _FINGER_MM)


def tension_n(mu_kg_per_m: Numbers, f_hz: Numbers, length_mm: Numbers) -> Numbers:
    """T = 4 L^2 f^2 mu in newtons."""
    return 4.0 * (length_mm * 1e-3) ** 2 * f_hz**2 * mu_kg_per_m


def frequency_hz(mu_kg_per_m: Numbers, tension: Numbers, length_mm: Numbers) -> Numbers:
    """The inverse of `tension_n`."""
    frequency: Numbers = np.sqrt(tension / mu_kg_per_m) / (2.0 * length_mm * 1e-3)
    return frequency


def stretch_stiffness(string: StringProperties, tension: Numbers) -> Numbers:
    """kappa = E A / T: by how many times its strain a stretch raises the tension."""
    return string.axial_n / tension


def kappa_of_stretch_test(r: Numbers) -> Numbers:
    """kappa = 2 R + 1 from the R = d ln f / d ln L of a stretch test over a fixed span."""
    return 2.0 * r + 1.0


def bending_parameter(string: StringProperties, tension: Numbers, length_mm: Numbers) -> Numbers:
    """b = sqrt(E I / (T L^2))."""
    parameter: Numbers = np.sqrt(string.bending_nm2 / tension) / (length_mm * 1e-3)
    return parameter


def inharmonicity(b: Numbers) -> Numbers:
    """B = pi^2 b^2 of the partials f_k = k f0 sqrt(1 + B k^2)."""
    return math.pi**2 * b**2


def stiffening(b: Numbers) -> Numbers:
    """S(b) = 1 + b + (1 + pi^2/2) b^2: how stiffness raises the first partial."""
    return 1.0 + b + (1.0 + math.pi**2 / 2.0) * b**2


def cents_per_kelvin(kappa: Numbers, *, expansion: float = STEEL_EXPANSION) -> Numbers:
    """How many cents a string alone falls per kelvin of warming: (1200 / ln 2) kappa alpha / 2.

    The span is taken as fixed and the string's own expansion as what slackens it.
    """
    return CENTS_PER_NEPER * kappa * expansion / 2.0


def fretted_lengths(
    neck: Neck, fret: Numbers, *, saddle_setback_mm: Numbers = 0.0, nut_setback_mm: Numbers = 0.0
) -> FrettedLengths:
    """Lengths of the string open and stopped at ``fret``; the finger behind the fret included."""
    x0, b0, h, d = neck.scale_mm, neck.nut_height_mm, neck.saddle_rise_mm, neck.finger_mm
    xn = x0 / 2.0 ** (np.asarray(fret) / 12.0)
    sounding = xn + saddle_setback_mm
    dip = b0 + (b0 + h) * d / sounding
    open_mm = np.hypot(x0 + saddle_setback_mm + nut_setback_mm, h)
    fretted_mm = np.hypot(sounding, b0 + h)
    behind_mm = fretted_mm * d / sounding + np.hypot(x0 - xn + nut_setback_mm - d, dip)
    return FrettedLengths(open_mm, fretted_mm, fretted_mm + behind_mm)


def fretted_bending_parameter(lengths: FrettedLengths, kappa: Numbers, b: Numbers) -> Numbers:
    """b_n = b (L0/Ln) / sqrt(1 + kappa Q) of the sounding part; ``b`` is the open string's."""
    parameter: Numbers = (
        b * (lengths.open_mm / lengths.fretted_mm) / np.sqrt(1.0 + kappa * lengths.stretch)
    )
    return parameter


def offset_cents(
    neck: Neck,
    fret: Numbers,
    *,
    kappa: Numbers,
    b: Numbers,
    saddle_setback_mm: Numbers = 0.0,
    nut_setback_mm: Numbers = 0.0,
) -> Any:
    """Offset of the first partial at ``fret`` in cents, exact within the model.

    1200 log2(L0/(gamma Ln)) + 600 log2(1 + Q) + 600 log2(1 + kappa Q) + 1200 log2(S(b_n)/S(b)):
    lengths, mass per length, tension and stiffness.

    Returns
    -------
    float or array of the shape that the arguments broadcast to.
    """
    lengths = fretted_lengths(
        neck, fret, saddle_setback_mm=saddle_setback_mm, nut_setback_mm=nut_setback_mm
    )
    q = lengths.stretch
    b_n = fretted_bending_parameter(lengths, kappa, b)
    gamma = 2.0 ** (np.asarray(fret) / 12.0)
    nepers = (
        np.log(lengths.open_mm / (gamma * lengths.fretted_mm))
        + np.log1p(q) / 2.0
        + np.log1p(kappa * q) / 2.0
        + np.log(stiffening(b_n) / stiffening(b))
    )
    return CENTS_PER_NEPER * nepers


def glide_cents(
    kappa: Numbers, amplitude_mm: Numbers, length_mm: Numbers, *, plucked_at: Numbers = 0.125
) -> Numbers:
    """How sharp a pluck starts, in cents above the settled pitch.

    A string pulled ``amplitude_mm`` aside at the fraction ``plucked_at`` of its length p is longer
    by a^2 / (2 p (1-p) L^2); half of that remains on average while it swings, the other half being
    in motion. So C kappa a^2 / (8 p (1-p) L^2).
    """
    p = plucked_at
    strain = (amplitude_mm / length_mm) ** 2 / (4.0 * p * (1.0 - p))
    return CENTS_PER_NEPER * kappa * strain / 2.0
