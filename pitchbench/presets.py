"""Built-in instruments in plain words.

Gauges, scales and bridges are common practice and have no source, those of the bouzouki being from
memory; except the nylon set of the guitar, whose diameters are those measured by Anderson &
Beausoleil (2024; see ``strings/materials.py``). Cores of wound strings are left out, because a
packet of strings seldom names them; the physics estimates them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from pitchbench.errors import PitchbenchError
from pitchbench.instrument import (
    Bridge,
    BridgeKind,
    Instrument,
    Material,
    ScrewHeads,
    StringSpec,
)
from pitchbench.notes import Note
from pitchbench.refit import neighbours, parse_gauge, with_scale


def _string(note: str, gauge: str, wrap: Material = Material.NICKEL_WOUND) -> StringSpec:
    diameter_mm, wound = parse_gauge(gauge)
    material = wrap if wound else Material.STEEL
    return StringSpec(Note.parse(note), diameter_mm, wound, material=material)


def _strings(
    tuning: str, gauges: str, wrap: Material = Material.NICKEL_WOUND
) -> tuple[StringSpec, ...]:
    """Strings of steel from a tuning and gauges, both written string 1 first."""
    pairs = zip(tuning.split(), gauges.split(), strict=True)
    return tuple(_string(note, gauge, wrap) for note, gauge in pairs)


_STANDARD: Final = "E4 B3 G3 D3 A2 E2"
_REGULAR: Final = "10 13 17 26w 36w 46w"

_SIX_STRING: Final = Instrument(
    name="six-string",
    kind="electric guitar",
    scale_mm=648.0,
    strings=_strings(_STANDARD, _REGULAR),
    bridge=Bridge(BridgeKind.SCREW_SADDLES, 0.5, ScrewHeads.TAIL, 6.0, 6.0),
    action_mm=1.8,
    relief_mm=0.25,
    string_set="010-046 nickel-wound",
)

#: Radius in mm per string of the measured nylon set (Anderson & Beausoleil 2024).
_NYLON_RADII_MM: Final = (0.356, 0.409, 0.512, 0.368, 0.445, 0.546)


def _nylon_strings() -> tuple[StringSpec, ...]:
    return tuple(
        StringSpec(
            Note.parse(note),
            2.0 * radius,
            wound,
            material=Material.SILVER_WOUND if wound else Material.NYLON,
        )
        for note, radius, wound in zip(
            _STANDARD.split(), _NYLON_RADII_MM, (False,) * 3 + (True,) * 3, strict=True
        )
    )


def _plain_nylon(tuning: str, gauges: str) -> tuple[StringSpec, ...]:
    return tuple(replace(spec, material=Material.NYLON) for spec in _strings(tuning, gauges))


_SEVEN_STRING: Final = replace(
    _SIX_STRING,
    name="seven-string",
    strings=_strings(f"{_STANDARD} B1", f"{_REGULAR} 62w"),
    frets=24,
    string_set="010-062 nickel-wound",
)

_BASS_FOUR: Final = Instrument(
    name="bass-four",
    kind="bass guitar",
    scale_mm=864.0,
    strings=_strings("G2 D2 A1 E1", "45w 65w 85w 105w"),
    bridge=Bridge(BridgeKind.BASS, 0.7, ScrewHeads.TAIL, 10.0, 10.0),
    action_mm=2.3,
    relief_mm=0.3,
    string_set="045-105 nickel-wound",
)

#: Two strings to a course, the octave string of the lower four on the bass side.
_TWELVE: Final = "E4 E4 B3 B3 G3 G4 D3 D4 A2 A3 E2 E3"

_ALL: Final = (
    _SIX_STRING,
    replace(
        _SIX_STRING,
        name="six-string-drop-c",
        strings=_strings("D4 A3 F3 C3 G2 C2", "11 14 19w 30w 42w 60w"),
        string_set="011-060 nickel-wound",
    ),
    replace(
        _SIX_STRING,
        name="six-string-major-third-down",
        strings=_strings("C4 G3 D#3 A#2 F2 C2", "12 16 24w 36w 48w 60w"),
        string_set="012-060 nickel-wound",
    ),
    replace(
        _SIX_STRING,
        name="baritone",
        kind="baritone guitar",
        scale_mm=686.0,
        strings=_strings("B3 F#3 D3 A2 E2 B1", "13 17 26w 36w 46w 62w"),
        string_set="013-062 nickel-wound",
    ),
    _SEVEN_STRING,
    with_scale(
        replace(_SEVEN_STRING, name="seven-string-slanted"), 648, 654, 660, 667, 673, 680, 686
    ),
    replace(
        _SIX_STRING,
        name="eight-string",
        scale_mm=686.0,
        strings=_strings(f"{_STANDARD} B1 F#1", "9 11 16 24w 32w 42w 54w 74w"),
        frets=24,
        string_set="009-074 nickel-wound",
    ),
    replace(
        _SIX_STRING,
        name="twelve-string",
        strings=_strings(_TWELVE, "10 10 13 13 17 8 26w 12 36w 18 46w 26w"),
        bridge=Bridge(
            BridgeKind.PAIRED_SADDLES, 0.5, ScrewHeads.TAIL, 6.0, 6.0, pairs=neighbours(12)
        ),
        string_set="010-046 nickel-wound, octaves from 008",
        courses=neighbours(12),
    ),
    replace(
        _SIX_STRING,
        name="post-bar",
        scale_mm=628.0,
        bridge=Bridge(BridgeKind.POST_BAR, 0.5, ScrewHeads.NECK, 3.5, 3.5),
    ),
    replace(
        _SIX_STRING,
        name="paired-saddles",
        bridge=Bridge(BridgeKind.PAIRED_SADDLES, 0.5, ScrewHeads.TAIL, 6.0, 6.0, neighbours(6)),
    ),
    replace(
        _SIX_STRING,
        name="clamped-tremolo",
        frets=24,
        strings=_strings(_STANDARD, "9 11 16 24w 32w 42w"),
        bridge=Bridge(BridgeKind.CLAMPED_TREMOLO, None, None, 6.0, 6.0, locking_nut=True),
        string_set="009-042 nickel-wound",
    ),
    replace(
        _SIX_STRING,
        name="steel-acoustic",
        kind="acoustic guitar",
        frets=20,
        strings=_strings(_STANDARD, "12 16 24w 32w 42w 53w", Material.BRONZE_WOUND),
        bridge=Bridge(BridgeKind.FIXED_SADDLE, None, None, 1.0, 1.0),
        action_mm=2.3,
        string_set="012-053 bronze-wound",
    ),
    Instrument(
        name="nylon",
        kind="classical guitar",
        scale_mm=652.0,
        strings=_nylon_strings(),
        bridge=Bridge(BridgeKind.FIXED_SADDLE, None, None, 1.0, 1.0),
        frets=19,
        action_mm=4.15,
        relief_mm=0.3,
        string_set="nylon, silver-wound basses",
    ),
    Instrument(
        name="ukulele",
        kind="ukulele",
        scale_mm=381.0,
        strings=_plain_nylon("A4 E4 C4 G4", "24 32 40 26"),
        bridge=Bridge(BridgeKind.FIXED_SADDLE, None, None, 1.0, 1.0),
        frets=18,
        action_mm=2.5,
        string_set="nylon, high G",
    ),
    Instrument(
        name="mandolin",
        kind="mandolin",
        scale_mm=353.0,
        strings=_strings(
            "E5 E5 A4 A4 D4 D4 G3 G3", "11 11 15 15 26w 26w 40w 40w", Material.BRONZE_WOUND
        ),
        bridge=Bridge(BridgeKind.SLIDING_WOOD, pairs=(tuple(range(1, 9)),)),
        frets=20,
        action_mm=1.6,
        string_set="011-040 bronze-wound",
        courses=neighbours(8),
    ),
    Instrument(
        name="bouzouki",
        kind="bouzouki",
        scale_mm=670.0,
        strings=_strings("D4 D4 A3 A3 F4 F3 C4 C3", "10 10 14 14 11 23w 14 32w"),
        bridge=Bridge(BridgeKind.SLIDING_WOOD, pairs=(tuple(range(1, 9)),)),
        frets=26,
        action_mm=2.0,
        string_set="010-032 nickel-wound",
        courses=neighbours(8),
    ),
    Instrument(
        name="banjo-five",
        kind="banjo",
        scale_mm=667.0,
        strings=(
            *_strings("D4 B3 G3 D3", "9.5 11 13 20w"),
            replace(_string("G4", "9.5"), nut_fret=5),
        ),
        bridge=Bridge(BridgeKind.SLIDING_WOOD, pairs=((1, 2, 3, 4, 5),)),
        action_mm=2.5,
        string_set="0095-020 nickel-wound",
    ),
    _BASS_FOUR,
    replace(
        _BASS_FOUR,
        name="bass-five",
        strings=_strings("G2 D2 A1 E1 B0", "45w 65w 85w 105w 130w"),
        string_set="045-130 nickel-wound",
    ),
    replace(_BASS_FOUR, name="bass-short", scale_mm=762.0),
    replace(
        _BASS_FOUR,
        name="bass-six",
        scale_mm=762.0,
        strings=_strings("E3 B2 G2 D2 A1 E1", "25w 35w 45w 55w 75w 95w"),
        bridge=Bridge(BridgeKind.BASS, 0.5, ScrewHeads.TAIL, 10.0, 10.0),
        frets=24,
        action_mm=2.0,
        string_set="025-095 nickel-wound",
    ),
)

#: The built-in instruments by name.
PRESETS: Final[dict[str, Instrument]] = {
    instrument.name: replace(instrument, confirmed=()) for instrument in _ALL
}


def preset(name: str) -> Instrument:
    """The built-in instrument called ``name``.

    Raises
    ------
    PitchbenchError
        If there is none of that name; the message lists those there are.

    Examples
    --------
    >>> preset("six-string").tuning
    'E2 A2 D3 G3 B3 E4'
    """
    try:
        return PRESETS[name]
    except KeyError:
        raise PitchbenchError(
            f"There is no built-in instrument called {name!r}.",
            f"Choose one of: {', '.join(PRESETS)}.",
        ) from None
