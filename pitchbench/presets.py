"""Built-in instruments in plain words, and instruments built from a few options.

Gauges, scales and bridges are common practice and have no source, except the nylon set, whose
diameters are those measured by Anderson & Beausoleil (2024; see ``strings/materials.py``). Cores of
wound strings are left out, because a packet of strings seldom names them; the physics estimates
them.
"""

from __future__ import annotations

import re
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
from pitchbench.units import MM_PER_INCH

#: Scales beyond these are taken for a slip of the keyboard (mandolin to long-scale bass).
SCALE_RANGE_MM: Final = (300.0, 1100.0)

_DIAMETER_RANGE_MM: Final = (0.15, 5.0)
_GAUGE: Final = re.compile(r"(\d*\.?\d+)\s*(mm)?(w?)", re.IGNORECASE)


def parse_tuning(text: str) -> tuple[Note, ...]:
    """Notes of the open strings, string 1 (the highest) first.

    Parameters
    ----------
    text : notes parted by spaces or commas, low to high or high to low: "E2 A2 D3 G3 B3 E4".

    Raises
    ------
    PitchbenchError
        If there is no note, or one that cannot be read.
    """
    notes = tuple(Note.parse(word) for word in re.split(r"[\s,]+", text.strip()) if word)
    if not notes:
        raise PitchbenchError(
            "The tuning names no note.", 'Write one note per string, such as "E2 A2 D3 G3 B3 E4".'
        )
    return notes if notes[0] >= notes[-1] else notes[::-1]


def parse_gauge(text: str) -> tuple[float, bool]:
    """Diameter in mm of one string, and whether it is wound.

    "10" and ".010" are inches (thousandths where there is no point before the figures), "0.25mm" is
    millimetres, and a "w" at the end says that the string is wound: "46w", "1.17mmw".

    Raises
    ------
    PitchbenchError
        If ``text`` is no gauge, or no string is that thick.
    """
    match = _GAUGE.fullmatch(text.strip())
    diameter_mm = 0.0
    wound = False
    if match:
        value = float(match[1])
        wound = bool(match[3])
        if match[2]:
            diameter_mm = value
        else:
            inches = value if value < 1.0 else value / 1000.0
            diameter_mm = round(MM_PER_INCH * inches, 4)
    if not _DIAMETER_RANGE_MM[0] <= diameter_mm <= _DIAMETER_RANGE_MM[1]:
        raise PitchbenchError(
            f"{text!r} is not a string gauge.",
            "Write thousandths of an inch or millimetres, with a w if it is wound: "
            "10, 46w, 0.25mm or 1.17mmw.",
        )
    return diameter_mm, wound


def parse_gauges(text: str) -> tuple[tuple[float, bool], ...]:
    """Gauges of a set, string 1 first: "10 13 17 26w 36w 46w"; thick to thin reads as well."""
    gauges = tuple(parse_gauge(word) for word in re.split(r"[\s,]+", text.strip()) if word)
    if not gauges:
        raise PitchbenchError(
            "The string set names no gauge.",
            'Write one per string, such as "10 13 17 26w 36w 46w".',
        )
    return gauges if gauges[0] <= gauges[-1] else gauges[::-1]


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


def _screws(heads: ScrewHeads = ScrewHeads.TAIL) -> Bridge:
    return Bridge(BridgeKind.SCREW_SADDLES, 0.5, heads, 6.0, 6.0)


_STANDARD: Final = "E4 B3 G3 D3 A2 E2"
_REGULAR: Final = "10 13 17 26w 36w 46w"

_SIX_STRING: Final = Instrument(
    name="six-string",
    kind="electric guitar",
    scale_mm=648.0,
    strings=_strings(_STANDARD, _REGULAR),
    bridge=_screws(),
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
        name="seven-string",
        strings=_strings(f"{_STANDARD} B1", f"{_REGULAR} 62w"),
        frets=24,
        string_set="010-062 nickel-wound",
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
        bridge=Bridge(
            BridgeKind.PAIRED_SADDLES, 0.5, ScrewHeads.TAIL, 6.0, 6.0, ((1, 2), (3, 4), (5, 6))
        ),
    ),
    replace(
        _SIX_STRING,
        name="clamped-tremolo",
        frets=24,
        strings=_strings(_STANDARD, "9 11 16 24w 32w 42w"),
        bridge=Bridge(BridgeKind.CLAMPED_TREMOLO, None, None, 6.0, 6.0),
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
        name="bass-four",
        kind="bass guitar",
        scale_mm=864.0,
        strings=_strings("G2 D2 A1 E1", "45w 65w 85w 105w"),
        bridge=Bridge(BridgeKind.BASS, 0.7, ScrewHeads.TAIL, 10.0, 10.0),
        action_mm=2.3,
        relief_mm=0.3,
        string_set="045-105 nickel-wound",
    ),
    Instrument(
        name="bass-five",
        kind="bass guitar",
        scale_mm=864.0,
        strings=_strings("G2 D2 A1 E1 B0", "45w 65w 85w 105w 130w"),
        bridge=Bridge(BridgeKind.BASS, 0.7, ScrewHeads.TAIL, 10.0, 10.0),
        action_mm=2.3,
        relief_mm=0.3,
        string_set="045-130 nickel-wound",
    ),
)

#: The built-in instruments by name.
PRESETS: Final[dict[str, Instrument]] = {instrument.name: instrument for instrument in _ALL}


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


def with_tuning(instrument: Instrument, tuning: str) -> Instrument:
    """``instrument`` with its strings tuned as ``tuning`` says (see ``parse_tuning``).

    Raises
    ------
    PitchbenchError
        If the tuning cannot be read or has another number of notes than there are strings.

    Examples
    --------
    >>> with_tuning(preset("six-string"), "D2 A2 D3 G3 B3 E4").strings[5].note.name
    'D2'
    """
    notes = parse_tuning(tuning)
    _check_count(len(notes), instrument, "tuning", "note")
    strings = tuple(
        replace(spec, note=note) for spec, note in zip(instrument.strings, notes, strict=True)
    )
    return replace(instrument, strings=strings)


def with_gauges(instrument: Instrument, gauges: str) -> Instrument:
    """``instrument`` with strings of these gauges (see ``parse_gauges``), of the kinds it had.

    A wound string takes the wrap that the instrument's other wound strings have.

    Raises
    ------
    PitchbenchError
        If the gauges cannot be read or are not as many as the strings.

    Examples
    --------
    >>> with_gauges(preset("six-string"), "9 11 16 24w 32w 42w").strings[0].diameter_mm
    0.2286
    """
    wanted = parse_gauges(gauges)
    _check_count(len(wanted), instrument, "string set", "gauge")
    wrap = next((s.material for s in instrument.strings if s.wound), Material.NICKEL_WOUND)
    plain = next((s.material for s in instrument.strings if not s.wound), Material.STEEL)
    strings = tuple(
        StringSpec(spec.note, diameter_mm, wound, material=wrap if wound else plain)
        for spec, (diameter_mm, wound) in zip(instrument.strings, wanted, strict=True)
    )
    return replace(instrument, strings=strings, string_set=gauges, strings_fitted=None)


def with_scale(instrument: Instrument, scale_mm: float) -> Instrument:
    """``instrument`` with another nominal scale.

    Raises
    ------
    PitchbenchError
        If no instrument has such a scale.
    """
    low, high = SCALE_RANGE_MM
    if not low <= scale_mm <= high:
        raise PitchbenchError(
            f"A scale of {scale_mm:g} mm is out of the question.",
            f"Give twice the distance from nut to 12th fret, {low:g} to {high:g} mm.",
        )
    return replace(instrument, scale_mm=scale_mm)


def with_bridge(
    instrument: Instrument,
    *,
    kind: BridgeKind | None = None,
    screw_pitch_mm: float | None = None,
    screw_heads: ScrewHeads | None = None,
) -> Instrument:
    """``instrument`` with its bridge changed in what is given; another kind forgets the rest.

    Raises
    ------
    PitchbenchError
        If the screw's pitch is not between 0.2 and 2 mm per turn.
    """
    if screw_pitch_mm is not None and not 0.2 <= screw_pitch_mm <= 2.0:
        raise PitchbenchError(
            f"A screw of {screw_pitch_mm:g} mm per turn is out of the question.",
            "Give the travel per turn, such as 0.5 for an M3 screw.",
        )
    bridge = instrument.bridge
    if kind is not None and kind is not bridge.kind:
        bridge = Bridge(
            kind, pairs=_neighbours(instrument) if kind is BridgeKind.PAIRED_SADDLES else ()
        )
    return replace(
        instrument,
        bridge=replace(
            bridge,
            screw_pitch_mm=bridge.screw_pitch_mm if screw_pitch_mm is None else screw_pitch_mm,
            screw_heads=bridge.screw_heads if screw_heads is None else screw_heads,
        ),
    )


def _neighbours(instrument: Instrument) -> tuple[tuple[int, int], ...]:
    """Strings 1 and 2, 3 and 4, ...: those that share a saddle on a bridge of paired saddles."""
    return tuple((n, n + 1) for n in range(1, len(instrument.strings), 2))


def instrument_from_options(
    preset_name: str = "six-string",
    *,
    tuning: str | None = None,
    gauges: str | None = None,
    scale_mm: float | None = None,
    bridge: BridgeKind | None = None,
    screw_pitch_mm: float | None = None,
    screw_heads: ScrewHeads | None = None,
    left_handed: bool = False,
) -> Instrument:
    """A preset changed as the command line's options say; None leaves a thing as it is.

    Raises
    ------
    PitchbenchError
        If an option makes no sense; the message says which.
    """
    instrument = preset(preset_name)
    if tuning is not None:
        instrument = with_tuning(instrument, tuning)
    if gauges is not None:
        instrument = with_gauges(instrument, gauges)
    if scale_mm is not None:
        instrument = with_scale(instrument, scale_mm)
    instrument = with_bridge(
        instrument, kind=bridge, screw_pitch_mm=screw_pitch_mm, screw_heads=screw_heads
    )
    return replace(instrument, left_handed=left_handed)


def _check_count(given: int, instrument: Instrument, what: str, item: str) -> None:
    strings = len(instrument.strings)
    if given != strings:
        raise PitchbenchError(
            f"The {what} has {given} {item}{'s' * (given != 1)}, but {instrument.name} has "
            f"{strings} strings.",
            f"Give {strings}, or choose another instrument.",
        )
