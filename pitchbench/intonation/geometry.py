"""Moves of a saddle or a nut and the change of the offset that they make, from lengths alone.

The string is taken as straight and its tension as restored by retuning the open note, so that
only lengths count (docs/definitions.md, section 3). With nominal scale s and the setback c that
the saddle already has, the open length is L = s + c and the length at fret n F = s / gamma(n) + c.
"""

from __future__ import annotations

import math
from typing import Final

from pitchbench.units import CENTS_PER_NEPER, MM_PER_INCH, fret_ratio

#: Travel per turn in mm of the screws found in bridges. Metric coarse pitches: ISO 261 (the
#: figures are from memory). Inch screws: 25.4 / threads per inch, ASME B1.1 (40 threads per inch
#: for number 4, 32 for numbers 6 and 8; from memory).
SCREW_PITCH_MM: Final[dict[str, float]] = {
    "M2": 0.40,
    "M2.5": 0.45,
    "M3": 0.50,
    "M3.5": 0.60,
    "M4": 0.70,
    "4-40": MM_PER_INCH / 40,
    "6-32": MM_PER_INCH / 32,
    "8-32": MM_PER_INCH / 32,
}


def saddle_change_cents(
    move_mm: float, *, fret: float, scale_mm: float, setback_mm: float = 0.0
) -> float:
    """Change of the offset at ``fret`` when the saddle goes ``move_mm`` away from the nut.

    Exact: 1200 [log2((L + x) / L) - log2((F + x) / F)], the open string retuned. Negative (the
    fretted note goes flatter) for a positive move.

    Raises
    ------
    ValueError
        If the move would leave no string (from the logarithm).
    """
    open_mm, fretted_mm = lengths_mm(fret=fret, scale_mm=scale_mm, setback_mm=setback_mm)
    return CENTS_PER_NEPER * (
        math.log((open_mm + move_mm) / open_mm) - math.log((fretted_mm + move_mm) / fretted_mm)
    )


def saddle_move_mm(
    offset_cents: float, *, fret: float, scale_mm: float, setback_mm: float = 0.0
) -> float:
    """The move, positive away from the nut, that cancels ``offset_cents`` at ``fret``.

    The exact inverse of `saddle_change_cents`: with q = 2^(-e / 1200) and r = q L / F,
    x = L (1 - q) / (r - 1).

    Raises
    ------
    ValueError
        If no move can do it: the note is flatter than the length behind the fret allows for, or
        sharper than any move could cure.
    """
    open_mm, fretted_mm = lengths_mm(fret=fret, scale_mm=scale_mm, setback_mm=setback_mm)
    q = math.exp(-offset_cents / CENTS_PER_NEPER)
    r = q * open_mm / fretted_mm
    if r <= 1.0:
        raise ValueError(f"no saddle position cancels {offset_cents:g} cents at fret {fret:g}")
    return open_mm * (1.0 - q) / (r - 1.0)


def nut_change_cents(move_mm: float, *, scale_mm: float, setback_mm: float = 0.0) -> float:
    """Change of the offset, the same at every fret, when the nut goes toward the bridge.

    1200 log2((L - v) / L), the open string retuned: fretted notes go flatter for a positive move.
    """
    open_mm = scale_mm + setback_mm
    return CENTS_PER_NEPER * math.log((open_mm - move_mm) / open_mm)


def lengths_mm(*, fret: float, scale_mm: float, setback_mm: float = 0.0) -> tuple[float, float]:
    """Open length L = s + c and fretted length F = s / gamma + c."""
    return scale_mm + setback_mm, scale_mm / fret_ratio(fret) + setback_mm


def turns(move_mm: float, *, screw_pitch_mm: float) -> float:
    """Turns of a screw that travels ``screw_pitch_mm`` per turn; the sign is the move's."""
    return move_mm / screw_pitch_mm
