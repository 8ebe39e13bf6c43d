"""A pluck by the physics of its string: how far it was pulled aside, how stiff it is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from pitchbench.instrument import Instrument
from pitchbench.strings.materials import string_properties
from pitchbench.strings.physics import (
    bending_parameter,
    fretted_bending_parameter,
    fretted_lengths,
    glide_cents,
    inharmonicity,
    neck_of,
    stretch_stiffness,
    tension_n,
)

#: A pick stays where it is, about an eighth of the open length from the saddle, wherever the string
#: is stopped: common practice, no source.
_PLUCKED_AT: Final = 0.125


@dataclass(frozen=True)
class SoundingString:
    """A string as it sounds when plucked at a fret.

    Parameters
    ----------
    length_mm : sounding length.
    kappa : by how many times its strain a stretch raises the tension.
    stiffness_b : inharmonicity B that theory gives it.
    plucked_at : where it is plucked, as a fraction of the sounding length.
    note_hz : what it sounds in tune.
    """

    length_mm: float
    kappa: float
    stiffness_b: float
    plucked_at: float
    note_hz: float

    def pluck_mm(self, attack_cents: float) -> float | None:
        """How far a pick must pull the string aside for that sharp an attack; None if it is flat.

        The inverse of `glide_cents`.
        """
        if attack_cents < 0.0:
            return None
        per_mm2 = float(glide_cents(self.kappa, 1.0, self.length_mm, plucked_at=self.plucked_at))
        return math.sqrt(attack_cents / per_mm2)


def sounding_string(
    instrument: Instrument, string: int, fret: int, *, a4_hz: float
) -> SoundingString:
    """The string numbered ``string`` (1 = highest), in tune, stopped at ``fret`` (0 = open).

    Raises
    ------
    IndexError
        If there is no such string.
    """
    spec = instrument.string(string)
    properties = string_properties(spec)
    lengths = fretted_lengths(neck_of(instrument, string), max(fret, 1))
    open_mm = float(lengths.open_mm)
    open_hz = spec.note.hz(a4_hz)
    tension = tension_n(properties.mu_kg_per_m, open_hz, open_mm)
    kappa = float(stretch_stiffness(properties, tension))
    b = float(bending_parameter(properties, tension, open_mm))
    if fret == 0:
        return SoundingString(open_mm, kappa, float(inharmonicity(b)), _PLUCKED_AT, open_hz)
    fretted_mm = float(lengths.fretted_mm)
    return SoundingString(
        length_mm=fretted_mm,
        kappa=kappa / (1.0 + kappa * float(lengths.stretch)),
        stiffness_b=float(inharmonicity(fretted_bending_parameter(lengths, kappa, b))),
        plucked_at=min(0.5, _PLUCKED_AT * open_mm / fretted_mm),
        note_hz=spec.note.up(fret).hz(a4_hz),
    )
