"""Cents and hertz, newtons and pounds: the conversions that every room shares."""

from __future__ import annotations

import math
from collections.abc import Iterable
from statistics import geometric_mean
from typing import Final

#: Cents per unit of ln f: 1200 / ln 2 = 1731.234. By the definition of the cent.
CENTS_PER_NEPER: Final = 1200.0 / math.log(2.0)

#: One pound-force in newtons, exactly 4.4482216152605 (international avoirdupois pound times
#: standard gravity).
NEWTONS_PER_LBF: Final = 4.4482216152605

MM_PER_INCH: Final = 25.4


def cents_between(f_hz: float, reference_hz: float) -> float:
    """Interval from ``reference_hz`` up to ``f_hz`` in cents; both must be positive.

    Raises
    ------
    ValueError
        If either frequency is not positive (from the logarithm).
    """
    return CENTS_PER_NEPER * math.log(f_hz / reference_hz)


def shifted_hz(f_hz: float, cents: float) -> float:
    """The frequency ``cents`` above ``f_hz``."""
    return float(f_hz * 2.0 ** (cents / 1200.0))


def mean_hz(pitches_hz: Iterable[float]) -> float:
    """The mean of pitches: the geometric one, which lies in the middle of them in cents.

    Raises
    ------
    ValueError
        If there is none.
    """
    return geometric_mean(pitches_hz)


def fret_ratio(fret: float) -> float:
    """gamma(n) = 2^(n/12): how many times higher the note at fret ``n`` is than the open one."""
    return float(2.0 ** (fret / 12.0))


def in_cents(cents: float) -> str:
    """ "2.5 cents", "1 cent"."""
    return f"{cents:g} cent{'s' * (cents != 1.0)}"
