"""Instruments: what is known of one before a note is heard, and presets for common kinds."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum

from pitchbench.errors import another_wanted
from pitchbench.notes import Note, ordinal
from pitchbench.units import fret_ratio


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


#: How far a break point can be filed either way where nothing is said of it: half the top of a
#: saddle 2 to 3 mm thick (common practice, no source).
_MOST_FILED_MM = 1.0


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
    travel_toward_nut_mm, travel_away_mm : travel left each way as it is on record; None if it is
        not (see `travel_mm`).
    pairs : strings that share one saddle, as string numbers: mostly two and two; all of them where
        the bridge is one piece.
    locking_nut : whether clamps hold the strings at the nut, fine tuners then tuning them.
    """

    kind: BridgeKind
    screw_pitch_mm: float | None = None
    screw_heads: ScrewHeads | None = None
    travel_toward_nut_mm: float | None = None
    travel_away_mm: float | None = None
    pairs: tuple[tuple[int, ...], ...] = ()
    locking_nut: bool = False

    @property
    def has_screws(self) -> bool:
        """Whether screws move its saddles; else they are slid or filed by so many millimetres."""
        return self.kind not in {
            BridgeKind.CLAMPED_TREMOLO,
            BridgeKind.SLIDING_WOOD,
            BridgeKind.FIXED_SADDLE,
        }

    @property
    def is_filed(self) -> bool:
        """Whether its break points are filed: what is filed away cannot be put back."""
        return self.kind is BridgeKind.FIXED_SADDLE

    def travel_mm(self, *, away: bool) -> float | None:
        """How far a saddle can go away from the nut, or toward it; None if not known."""
        known_mm = self.travel_away_mm if away else self.travel_toward_nut_mm
        return _MOST_FILED_MM if known_mm is None and self.is_filed else known_mm

    def beside(self, string: int) -> tuple[int, ...]:
        """The strings that share the saddle of ``string``; none where each has its own."""
        group = next((group for group in self.pairs if string in group), ())
        return tuple(number for number in group if number != string)


@dataclass(frozen=True)
class StringSpec:
    """One string: what it is tuned to, what it is made of, and where it differs from the others.

    Parameters
    ----------
    note : the open note.
    core_mm : the core's diameter of a wound string, None if not known or not wound.
    scale_mm : its own scale on a neck whose frets are slanted; None for the instrument's.
    nut_fret : the fret at which its nut sits: 5 for the short string of a banjo, N under a capo.
    tolerance_cents : how far off it may be left; None for the instrument's tolerance.
    """

    note: Note
    diameter_mm: float
    wound: bool
    core_mm: float | None = None
    material: Material = Material.STEEL
    scale_mm: float | None = None
    nut_fret: int = 0
    tolerance_cents: float | None = None


@dataclass(frozen=True)
class Instrument:
    """One instrument. ``strings[0]`` is string 1, as the trade numbers them: the highest, save in
    tunings that do not fall from string to string.

    ``scale_mm`` is the longest of the strings' scales; ``action_mm`` the clearance of the outer
    strings' mean over the 12th fret; ``setback_mm`` the saddle setback already there per string,
    string 1 first, empty if not known. ``confirmed`` names what somebody said of it and not a
    preset alone ("strings", "action", "relief"); None in records that do not tell. ``courses`` are
    pairs of strings that lie side by side and are played as one. ``capo`` is the fret at which a
    capo is the nut of the strings under it, whose notes and nuts are those that it makes; 0 where
    there is none. ``capo_strings`` are those that it covers, empty where it covers all.

    A fret is counted from the nut of its string everywhere in the program, so that 12 is the
    octave; `neck_fret` says where that is on the neck.
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
    confirmed: tuple[str, ...] | None = None
    courses: tuple[tuple[int, int], ...] = ()
    capo: int = 0
    capo_strings: tuple[int, ...] = ()

    def partner(self, string: int) -> int | None:
        """The other string of the course of ``string``; None where it is in none."""
        return next((sum(pair) - string for pair in self.courses if string in pair), None)

    def under_capo(self, number: int) -> bool:
        """Whether a capo is the nut of string ``number``."""
        return self.capo > 0 and (not self.capo_strings or number in self.capo_strings)

    @property
    def tuning(self) -> str:
        """The open notes as people say them, string 1 last: "E2 A2 D3 G3 B3 E4"."""
        return " ".join(str(spec.note) for spec in reversed(self.strings))

    @property
    def in_one_piece(self) -> bool:
        """Whether its bridge is moved as a whole, every string on it."""
        return len(self.strings) > 1 and len(self.bridge.beside(1)) == len(self.strings) - 1

    @property
    def scales_mm(self) -> tuple[float, ...]:
        """The scale of each string, string 1 first, whatever holds its nut."""
        return tuple(spec.scale_mm or self.scale_mm for spec in self.strings)

    @property
    def strung(self) -> tuple[StringSpec, ...]:
        """The strings as they sound: what is asked of them left out."""
        return tuple(replace(spec, tolerance_cents=None) for spec in self.strings)

    @property
    def tolerances_cents(self) -> tuple[float, ...]:
        """How far off each string may be left, string 1 first."""
        return tuple(map(self.tolerance_of, range(1, len(self.strings) + 1)))

    def tolerance_of(self, number: int) -> float:
        """How far off string ``number`` may be left; the instrument's tolerance where the strings
        are not known."""
        own = self.string(number).tolerance_cents if self.strings and number else None
        return self.tolerance_cents if own is None else own

    def nut_fret_of(self, number: int) -> int:
        """The fret at which the nut of string ``number`` sits; where the string is not known that
        is the capo, if it covers all."""
        if not self.strings or number == 0:
            return 0 if self.capo_strings else self.capo
        return self.string(number).nut_fret

    def scale_of(self, number: int) -> float:
        """Nominal length in mm of string ``number`` from its own nut to the saddle; by the
        instrument's scale where the strings are not known."""
        own_mm = self.string(number).scale_mm if self.strings and number else None
        return (own_mm or self.scale_mm) / fret_ratio(self.nut_fret_of(number))

    def neck_fret(self, number: int, fret: int) -> int:
        """The fret of the neck that is ``fret`` frets from the nut of string ``number``; 0 is the
        open string."""
        return fret + self.nut_fret_of(number) if fret else 0

    def place(self, number: int, fret: int) -> str:
        """Where string ``number`` is stopped ``fret`` frets from its nut: "the 12th fret", or the
        mark where there is no fret."""
        what = "fret mark" if self.fretless else "fret"
        return f"the {ordinal(self.neck_fret(number, fret))} {what}"

    def places(self, numbers: Iterable[int], fret: int) -> str:
        """The same for all of these strings."""
        found = {self.place(number, fret) for number in numbers}
        return found.pop() if len(found) == 1 else f"fret {fret}, from each string's own nut"

    @property
    def first_fret(self) -> int:
        """The first fret of the neck that a string can be stopped at."""
        numbers = range(1, len(self.strings) + 1) or (0,)
        return min(self.neck_fret(number, 1) for number in numbers)

    def highest_fret(self, number: int) -> int:
        """The last fret of string ``number``, counted from its nut."""
        return self.frets - self.nut_fret_of(number)

    def is_said(self, what: str) -> bool:
        """Whether somebody said so: what only a preset says is no fact of this instrument."""
        return self.confirmed is None or what in self.confirmed

    def number_of(self, note: Note) -> int:
        """The first string that is tuned to ``note``; 0 where there is none."""
        return next((n for n, s in enumerate(self.strings, start=1) if s.note == note), 0)

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


def check_instrument(*given: object) -> None:
    """Refuse what is no instrument, as the name of one.

    Raises
    ------
    PitchbenchError
        For the first that is none.
    """
    for each in given:
        if not isinstance(each, Instrument):
            raise another_wanted("An instrument is", each, "Give what `pitchbench.preset` returns.")
