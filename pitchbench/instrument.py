"""Instruments: what is known of one before a note is heard, and presets for common kinds."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from pitchbench.notes import Note


class Material(StrEnum):
    """The stuff that vibrates: the plain wire, or the core and wrap of a wound string."""

    STEEL = "steel"
    NICKEL_WOUND = "nickel-wound steel"
    BRONZE_WOUND = "bronze-wound steel"
    NYLON = "nylon"
    SILVER_WOUND = "silver-wound nylon"


class BridgeKind(StrEnum):
    """Bridges in general terms (docs/definitions.md, section 3)."""

    SCREW_SADDLES = "screw-saddles"
    POST_BAR = "post-bar"
    PAIRED_SADDLES = "paired-saddles"
    CLAMPED_TREMOLO = "clamped-tremolo"
    BASS = "bass"
    SLIDING_WOOD = "sliding-wood"
    FIXED_SADDLE = "fixed-saddle"


class ScrewHeads(StrEnum):
    """On which side of the saddles the heads of the length screws sit."""

    TAIL = "tail"
    NECK = "neck"


@dataclass(frozen=True)
class Bridge:
    """A bridge and how its saddles are moved.

    Parameters
    ----------
    kind : sort of bridge.
    screw_pitch_mm : saddle travel per turn of the screw; None where there is no screw.
    screw_heads : side of the heads; None where there is no screw.
    travel_toward_nut_mm, travel_away_mm : travel left each way; None if not known.
    pairs : strings that share one saddle, as pairs of string numbers.
    """

    kind: BridgeKind
    screw_pitch_mm: float | None = None
    screw_heads: ScrewHeads | None = None
    travel_toward_nut_mm: float | None = None
    travel_away_mm: float | None = None
    pairs: tuple[tuple[int, int], ...] = ()

    def beside(self, string: int) -> int | None:
        """The string that shares the saddle of ``string``; None where each has its own."""
        return next((sum(pair) - string for pair in self.pairs if string in pair), None)


@dataclass(frozen=True)
class StringSpec:
    """One string: what it is tuned to and what it is made of.

    ``core_mm`` is the core's diameter of a wound string, None if not known or not wound.
    """

    note: Note
    diameter_mm: float
    wound: bool
    core_mm: float | None = None
    material: Material = Material.STEEL


@dataclass(frozen=True)
class Instrument:
    """One instrument. ``strings[0]`` is string 1, the highest, as the trade numbers them.

    ``action_mm`` is the clearance of the outer strings' mean over the 12th fret; ``setback_mm``
    the saddle setback already there per string, string 1 first, empty if not known.
    """

    name: str
    kind: str
    scale_mm: float
    strings: tuple[StringSpec, ...]
    bridge: Bridge
    frets: int = 22
    left_handed: bool = False
    fretless: bool = False
    tolerance_cents: float = 2.0
    action_mm: float | None = None
    relief_mm: float | None = None
    setback_mm: tuple[float, ...] = ()
    owner_mark: str = ""
    string_set: str = ""
    strings_fitted: date | None = None
    temperature_c: float | None = None
    notes: str = ""

    @property
    def tuning(self) -> str:
        """The open notes from low to high, as people say them: "E2 A2 D3 G3 B3 E4"."""
        return " ".join(str(spec.note) for spec in reversed(self.strings))

    def string(self, number: int) -> StringSpec:
        """The string numbered ``number`` (1 = highest).

        Raises
        ------
        IndexError
            If there is no such string.
        """
        if not 1 <= number <= len(self.strings):
            raise IndexError(f"no string {number}")
        return self.strings[number - 1]
