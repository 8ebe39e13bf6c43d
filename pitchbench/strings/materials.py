"""Materials of strings: mass, stretch and bending stiffness of one string.

Steel is calculated from handbook values. Nylon and silver-wound nylon are taken from the measured
set of Anderson & Beausoleil, "Classical guitar intonation and compensation: the well-tempered
guitar", J. Acoust. Soc. Am. 156(1) 683 (2024), because neither their density nor their modulus is
that of the raw material once they are drawn, wound and stretched.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pitchbench.instrument import Material, StringSpec
from pitchbench.units import MM_PER_INCH

#: Music wire, ASTM A228: density in kg/m3 and Young's modulus in Pa (handbook data).
STEEL_DENSITY: Final = 7800.0
STEEL_MODULUS: Final = 190e9

#: Thermal expansion of music wire per kelvin (handbook data).
STEEL_EXPANSION: Final = 12e-6

#: Least tensile strength of music wire by diameter, thousandths of an inch and thousands of pounds
#: per square inch: ASTM A228 as a wire maker publishes it (interwiregroup.com, music wire).
_TENSILE_KSI: Final = {
    7: 407,
    8: 399,
    10: 387,
    13: 373,
    16: 362,
    20: 350,
    26: 337,
    32: 327,
    42: 313,
    55: 300,
}
_PA_PER_KSI: Final = 6.894757e6

#: Density of the wrap in kg/m3 (from memory): nickel-plated steel, and bronze of 80 to 92 % copper.
_WRAP_DENSITY: Final = {
    Material.STEEL: STEEL_DENSITY,
    Material.NICKEL_WOUND: 7900.0,
    Material.BRONZE_WOUND: 8700.0,
}


@dataclass(frozen=True)
class StringProperties:
    """One string as mechanics sees it, whatever it is tuned to.

    Parameters
    ----------
    mu_kg_per_m : mass per length.
    axial_n : E A, the force per unit of strain.
    bending_nm2 : E I, the bending stiffness.
    """

    mu_kg_per_m: float
    axial_n: float
    bending_nm2: float


@dataclass(frozen=True)
class MeasuredString:
    """One row of the measured set; ``modulus_pa`` is that of a solid string of this radius."""

    note: str
    material: Material
    radius_mm: float
    mu_g_per_m: float
    modulus_pa: float


#: The nylon set, string 1 first (Anderson & Beausoleil 2024, the columns needed here).
MEASURED_NYLON: Final = (
    MeasuredString("E4", Material.NYLON, 0.356, 0.374, 8.33e9),
    MeasuredString("B3", Material.NYLON, 0.409, 0.505, 4.82e9),
    MeasuredString("G3", Material.NYLON, 0.512, 0.836, 3.87e9),
    MeasuredString("D3", Material.SILVER_WOUND, 0.368, 1.920, 7.56e9),
    MeasuredString("A2", Material.SILVER_WOUND, 0.445, 3.289, 5.28e9),
    MeasuredString("E2", Material.SILVER_WOUND, 0.546, 5.470, 3.90e9),
)


def solid_mu(density: float, diameter_mm: float) -> float:
    """Mass per length in kg/m of a round wire: rho pi d^2 / 4."""
    return density * math.pi * (diameter_mm * 1e-3) ** 2 / 4.0


def wound_mu(core_density: float, core_mm: float, wrap_density: float, diameter_mm: float) -> float:
    """Mass per length in kg/m of a round core with one round wrap.

    rho_c pi d^2/4 + rho_w (pi w^2/4) pi (d + w)/w, with the wrap w = (diameter - core) / 2: each
    turn is pi (d + w) long and takes up w of the string.
    """
    core = core_mm * 1e-3
    wrap = (diameter_mm - core_mm) * 0.5e-3
    return solid_mu(core_density, core_mm) + wrap_density * math.pi**2 * wrap * (core + wrap) / 4.0


def typical_core_mm(diameter_mm: float) -> float:
    """Core of a wound steel string whose packet does not name it: 0.26 mm + 0.155 d.

    A rule of thumb of ours through common sizes (0.36 mm in a 0.66 mm string, 0.44 in 1.17, 0.77 in
    3.3); common practice, no source. Real cores lie within some 10 % of it.
    """
    return 0.26 + 0.155 * diameter_mm


def load_bearing_mm(spec: StringSpec) -> float:
    """Diameter of what pulls: the wire, or the core of a wound string, estimated if not known."""
    if not spec.wound:
        return spec.diameter_mm
    return typical_core_mm(spec.diameter_mm) if spec.core_mm is None else spec.core_mm


def breaking_tension_n(spec: StringSpec) -> float | None:
    """Least tension at which a steel string's wire or core may break; None for nylon.

    The least tensile strength of that size of music wire times its section; a nut slot, a saddle's
    edge or a kink lowers it.
    """
    if spec.material in (Material.NYLON, Material.SILVER_WOUND):
        return None
    diameter = load_bearing_mm(spec)
    sizes = np.log(np.array(list(_TENSILE_KSI)))
    strength = np.array(list(_TENSILE_KSI.values()), float) * _PA_PER_KSI
    tensile = float(np.interp(math.log(1000.0 * diameter / MM_PER_INCH), sizes, strength))
    return tensile * math.pi * (diameter * 1e-3) ** 2 / 4.0


def steel_properties(
    diameter_mm: float,
    core_mm: float | None = None,
    *,
    wrap_density: float = _WRAP_DENSITY[Material.NICKEL_WOUND],
    density: float = STEEL_DENSITY,
    modulus_pa: float = STEEL_MODULUS,
) -> StringProperties:
    """A steel string, plain if ``core_mm`` is None: only the core pulls and bends."""
    core = diameter_mm if core_mm is None else core_mm
    mu = (
        solid_mu(density, diameter_mm)
        if core_mm is None
        else wound_mu(density, core_mm, wrap_density, diameter_mm)
    )
    return StringProperties(mu, *_round_stiffness(modulus_pa, core))


def string_properties(spec: StringSpec) -> StringProperties:
    """What is known or estimated of the string that ``spec`` describes."""
    if spec.material in (Material.NYLON, Material.SILVER_WOUND):
        return _nylon_properties(spec)
    if not spec.wound:
        return steel_properties(spec.diameter_mm)
    return steel_properties(
        spec.diameter_mm,
        load_bearing_mm(spec),
        wrap_density=_WRAP_DENSITY[spec.material],
    )


def _nylon_properties(spec: StringSpec) -> StringProperties:
    """The measured string of the nearest diameter and the same make, scaled to this diameter."""
    radius_mm = spec.diameter_mm / 2.0
    measured = min(
        (row for row in MEASURED_NYLON if row.material is spec.material),
        key=lambda row: abs(row.radius_mm - radius_mm),
    )
    mu = 1e-3 * measured.mu_g_per_m * (radius_mm / measured.radius_mm) ** 2
    return StringProperties(mu, *_round_stiffness(measured.modulus_pa, spec.diameter_mm))


def _round_stiffness(modulus_pa: float, diameter_mm: float) -> tuple[float, float]:
    """E A in newtons and E I in N m2 of a round wire."""
    radius = diameter_mm * 0.5e-3
    area = math.pi * radius**2
    return modulus_pa * area, modulus_pa * area * radius**2 / 4.0
