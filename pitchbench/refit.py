"""An instrument changed: other notes, strings, scales or bridge, as people write them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any, Final

from pitchbench.errors import PitchbenchError
from pitchbench.instrument import (
    Bridge,
    BridgeKind,
    Instrument,
    Material,
    ScrewHeads,
)
from pitchbench.lengths import measures
from pitchbench.notes import Note
from pitchbench.units import MM_PER_INCH

#: Scales beyond these are taken for a slip of the keyboard (ukulele to long-scale bass).
SCALE_RANGE_MM: Final = (300.0, 1100.0)

#: Travel per turn of the screws of bridges, generously.
SCREW_PITCH_RANGE_MM: Final = (0.2, 2.0)

#: Heights between which those of real instruments lie, and farther.
ACTION_RANGE_MM: Final = (0.1, 15.0)
RELIEF_RANGE_MM: Final = (-2.0, 5.0)

_OCTAVE: Final = 12
#: Of slanted frets it is enough to know the scales of so many strings.
_OUTER_STRINGS: Final = 2

_DIAMETER_RANGE_MM: Final = (0.15, 5.0)

#: Thicker ones are wound, or too stiff to sound: 0.03 in (common practice, no source).
_THICKEST_PLAIN_STEEL_MM: Final = 0.03 * MM_PER_INCH

_CAPO_STRINGS: Final = re.compile(r"([1-9]\d?)(?:-([1-9]\d?))?")
_GAUGE: Final = re.compile(r"(\d*\.?\d+)\s*(mm|in|\"|″)?(w?)")


def parse_tuning(text: str) -> tuple[Note, ...]:
    """Notes of the open strings, string 1 first.

    Parameters
    ----------
    text : notes parted by spaces or commas, as people say them, string 1 last: "E2 A2 D3 G3 B3 E4",
        "G4 C4 E4 A4". Only notes that fall all the way are read with string 1 first, since no
        instrument rises so; whatever turns on the way is kept as it is given.

    Raises
    ------
    PitchbenchError
        If there is no note, or one that cannot be read.

    Examples
    --------
    >>> [note.name for note in parse_tuning("G4 C4 E4 A4")]
    ['A4', 'E4', 'C4', 'G4']
    """
    notes = tuple(Note.parse(word) for word in re.split(r"[\s,]+", text.strip()) if word)
    if not notes:
        raise PitchbenchError(
            "The tuning names no note.", 'Write one note per string, such as "E2 A2 D3 G3 B3 E4".'
        )
    return notes if _falls(notes) else notes[::-1]


def parse_gauge(text: str) -> tuple[float, bool]:
    """Diameter in mm of one string, and whether it is wound.

    "10", ".010" and "0.010in" are inches (thousandths where the number is above one and says no
    unit), "0.25mm" is millimetres, and a "w" at the end says that the string is wound: "46w",
    "1.17mmw".

    Raises
    ------
    PitchbenchError
        If ``text`` is no gauge, or no string is that thick.
    """
    match = _GAUGE.fullmatch(text.strip().lower())
    diameter_mm = 0.0
    wound = False
    if match:
        value = float(match[1])
        wound = bool(match[3])
        if match[2] == "mm":
            diameter_mm = value
        else:
            inches = value if match[2] or value < 1.0 else value / 1000.0
            diameter_mm = round(MM_PER_INCH * inches, 4)
    if not _DIAMETER_RANGE_MM[0] <= diameter_mm <= _DIAMETER_RANGE_MM[1]:
        raise PitchbenchError(
            f"{text!r} is not a string gauge.",
            "Write thousandths of an inch or millimetres, with a w if it is wound: "
            "10, 46w, 0.25mm or 1.17mmw.",
        )
    return diameter_mm, wound


def parse_gauges(text: str) -> tuple[tuple[float, bool], ...]:
    """Gauges of a set, string 1 first: "10 13 17 26w 36w 46w". A set that thins all the way is read
    from the other end; one that turns on the way, such as "10 14 9 12 18 27w", as it is given."""
    gauges = tuple(parse_gauge(word) for word in measures(text))
    if not gauges:
        raise PitchbenchError(
            "The string set names no gauge.",
            'Write one per string, such as "10 13 17 26w 36w 46w".',
        )
    return gauges[::-1] if _falls(gauges) else gauges


def _falls(values: Sequence[Any]) -> bool:
    """Whether no value is above the one before it, and the last is below the first."""
    return values[0] > values[-1] and all(one >= other for one, other in pairwise(values))


def with_each(instrument: Instrument, field: str, values: Sequence[object]) -> Instrument:
    """``instrument`` with a ``field`` of each string's own, string 1 first."""
    changed: list[dict[str, Any]] = [{field: value} for value in values]
    pairs = zip(instrument.strings, changed, strict=True)
    return replace(instrument, strings=tuple(replace(spec, **change) for spec, change in pairs))


def with_tuning(instrument: Instrument, tuning: str) -> Instrument:
    """``instrument`` with its strings tuned as ``tuning`` says (see ``parse_tuning``).

    Raises
    ------
    PitchbenchError
        If the tuning cannot be read or has another number of notes than there are strings.

    Examples
    --------
    >>> from pitchbench.presets import preset
    >>> with_tuning(preset("six-string"), "D2 A2 D3 G3 B3 E4").strings[5].note.name
    'D2'
    """
    notes = parse_tuning(tuning)
    _check_count(len(notes), instrument, "tuning", "note")
    return with_each(instrument, "note", notes)


def with_gauges(instrument: Instrument, gauges: str) -> Instrument:
    """``instrument`` with strings of these gauges (see ``parse_gauges``), of the kinds it had.

    A wound string takes the wrap that the instrument's other wound strings have. Steel that is
    thicker than plain wire ever is, as a bass's, is wound whether it is written so or not.

    Raises
    ------
    PitchbenchError
        If the gauges cannot be read or are not as many as the strings.

    Examples
    --------
    >>> from pitchbench.presets import preset
    >>> with_gauges(preset("six-string"), "9 11 16 24w 32w 42w").strings[0].diameter_mm
    0.2286
    >>> with_gauges(preset("bass-four"), "45 65 85 105").strings[3].wound
    True
    """
    wanted = parse_gauges(gauges)
    _check_count(len(wanted), instrument, "string set", "gauge")
    plain = next((s.material for s in instrument.strings if not s.wound), Material.STEEL)
    usual = Material.SILVER_WOUND if plain is Material.NYLON else Material.NICKEL_WOUND
    wrap = next((s.material for s in instrument.strings if s.wound), usual)
    if plain is Material.STEEL:
        wanted = tuple((mm, wound or mm > _THICKEST_PLAIN_STEEL_MM) for mm, wound in wanted)
    strings = tuple(
        replace(
            spec,
            diameter_mm=diameter_mm,
            wound=wound,
            core_mm=None,
            material=wrap if wound else plain,
        )
        for spec, (diameter_mm, wound) in zip(instrument.strings, wanted, strict=True)
    )
    return replace(instrument, strings=strings, string_set=gauges, strings_fitted=None)


def with_scale(instrument: Instrument, *scales_mm: float) -> Instrument:
    """``instrument`` with another nominal scale, or one for each string, string 1 first.

    Of two the longer is the lowest string's and the shorter the highest's; the others lie evenly
    between, as on a straight nut and bridge. The scale of a string that begins farther up the neck
    is that of the whole neck.

    Raises
    ------
    PitchbenchError
        If no instrument has such a scale, or there are not as many as strings.

    Examples
    --------
    >>> from pitchbench.presets import preset
    >>> with_scale(preset("bass-four"), 838, 846, 855, 864).scale_of(4)
    864.0
    >>> with_scale(preset("bass-four"), 838, 864).scale_of(3)
    855.3
    """
    low, high = SCALE_RANGE_MM
    for scale_mm in scales_mm:
        if not low <= scale_mm <= high:
            raise PitchbenchError(
                f"A scale of {scale_mm:g} mm is out of the question.",
                f"Give twice the distance from nut to 12th fret, {low:g} to {high:g} mm.",
            )
    many = len(instrument.strings)
    if len(scales_mm) == _OUTER_STRINGS < many:
        lower_first = instrument.strings[0].note.hz() < instrument.strings[-1].note.hz()
        first, last = sorted(scales_mm, reverse=lower_first)
        scales_mm = tuple(round(first + k * (last - first) / (many - 1), 1) for k in range(many))
    if len(scales_mm) == 1:
        own: Sequence[float | None] = [None] * len(instrument.strings)
    else:
        _check_count(len(scales_mm), instrument, "scale", "length")
        own = [float(scale_mm) for scale_mm in scales_mm]
    return replace(with_each(instrument, "scale_mm", own), scale_mm=float(max(scales_mm)))


def with_tolerance(instrument: Instrument, *cents: float) -> Instrument:
    """``instrument`` with another tolerance, or one for each string, string 1 first.

    Of several the least is the instrument's; strings that have another keep it as their own.

    Raises
    ------
    PitchbenchError
        If there are not as many as strings.
    """
    if len(cents) > 1:
        _check_count(len(cents), instrument, "tolerance", "number")
    least = min(cents)
    own = [None if each == least else each for each in cents]
    if len(cents) == 1:
        own *= len(instrument.strings)
    return replace(with_each(instrument, "tolerance_cents", own), tolerance_cents=least)


def parse_capo(text: str) -> tuple[int, tuple[int, ...]]:
    """The fret of a capo and the strings that it covers, none where it covers all: "2", "2:1-5",
    "2:3,4,5".

    Raises
    ------
    PitchbenchError
        If there is no fret from 1 to 12, or no string from 1 on.
    """
    fret, colon, covered = text.replace(" ", "").partition(":")
    parts = [_CAPO_STRINGS.fullmatch(part) for part in covered.split(",")] if colon else []
    strings = [
        number
        for part in parts
        if part is not None
        for number in range(int(part[1]), int(part[2] or part[1]) + 1)
    ]
    whole = fret.isascii() and fret.isdecimal() and len(fret) <= 2
    if not whole or not 1 <= int(fret) <= _OCTAVE or None in parts or bool(colon) != bool(strings):
        raise PitchbenchError(
            f"--capo {text!r} makes no sense here.",
            "Give its fret, 1 to 12, and the strings if it does not cover all: 2, 2:1-5, 2:3,4,5.",
        )
    return int(fret), tuple(sorted(set(strings)))


def with_capo(instrument: Instrument, fret: int, strings: Sequence[int] = ()) -> Instrument:
    """``instrument`` with a capo at ``fret``, which is then the nut of every string, or of
    ``strings`` alone.

    Raises
    ------
    PitchbenchError
        If that leaves no octave above it, or there is no such string.

    Examples
    --------
    >>> from pitchbench.presets import preset
    >>> with_capo(preset("six-string"), 2).tuning
    'F#2 B2 E3 A3 C#4 F#4'
    >>> with_capo(preset("six-string"), 2, (1, 2, 3, 4, 5)).tuning
    'E2 B2 E3 A3 C#4 F#4'
    """
    numbers = range(1, len(instrument.strings) + 1)
    if strings and not numbers:
        raise PitchbenchError(
            "A capo over some strings needs an instrument whose strings are known.",
            "Name it with --preset or --instrument.",
        )
    for number in strings:
        if number not in numbers:
            raise PitchbenchError(
                f"There is no string {number} for a capo to cover.",
                f"Give numbers from 1, the highest, to {len(numbers)}.",
            )
    covered = [] if set(strings) == set(numbers) else strings
    if any(instrument.highest_fret(n) - fret < _OCTAVE for n in covered or numbers):
        raise PitchbenchError(
            f"With a capo at fret {fret} the neck has no octave of every open string.",
            f"Put it lower: {instrument.name or 'the neck'} has {instrument.frets} frets.",
        )
    placed = replace(instrument, capo=instrument.capo + fret, capo_strings=tuple(covered))
    return _with_nuts_moved(placed, fret)


def without_capo(instrument: Instrument) -> Instrument:
    """``instrument`` with its capo taken off."""
    moved = _with_nuts_moved(instrument, -instrument.capo)
    return replace(moved, capo=0, capo_strings=())


def _with_nuts_moved(instrument: Instrument, frets: int) -> Instrument:
    """The strings under its capo so many frets shorter."""
    strings = tuple(
        replace(spec, note=spec.note.up(frets), nut_fret=spec.nut_fret + frets)
        if instrument.under_capo(number)
        else spec
        for number, spec in enumerate(instrument.strings, start=1)
    )
    return replace(instrument, strings=strings)


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
        If the screw's pitch is not between 0.2 and 2 mm per turn, or no screw moves such saddles.
    """
    low, high = SCREW_PITCH_RANGE_MM
    if screw_pitch_mm is not None and not low <= screw_pitch_mm <= high:
        raise PitchbenchError(
            f"A screw of {screw_pitch_mm:g} mm per turn is out of the question.",
            "Give the travel per turn, such as 0.5 for an M3 screw.",
        )
    bridge = instrument.bridge
    if kind is not None and kind is not bridge.kind:
        bridge = Bridge(
            kind,
            pairs=neighbours(len(instrument.strings)) if kind is BridgeKind.PAIRED_SADDLES else (),
            locking_nut=kind is BridgeKind.CLAMPED_TREMOLO,
        )
    if not bridge.has_screws and (screw_pitch_mm is not None or screw_heads is not None):
        raise PitchbenchError(
            f"No screw moves the saddles of a bridge of the kind {bridge.kind}.",
            "Leave out what was said of its screws, or say another kind of bridge.",
        )
    return replace(
        instrument,
        bridge=replace(
            bridge,
            screw_pitch_mm=bridge.screw_pitch_mm if screw_pitch_mm is None else screw_pitch_mm,
            screw_heads=bridge.screw_heads if screw_heads is None else screw_heads,
        ),
    )


def neighbours(strings: int) -> tuple[tuple[int, int], ...]:
    """Strings 1 and 2, 3 and 4, ...: those that share a saddle or are played as one."""
    return tuple((n, n + 1) for n in range(1, strings, 2))


def _check_count(given: int, instrument: Instrument, what: str, item: str) -> None:
    strings = len(instrument.strings)
    if not strings:
        raise PitchbenchError(
            f"The {what} has {given} {item}s, and the strings are not known.",
            "Say them with --preset, --instrument or --tuning, or give one alone.",
        )
    if given != strings:
        raise PitchbenchError(
            f"The {what} has {given} {item}{'s' * (given != 1)}, but {instrument.name} has "
            f"{strings} strings.",
            f"Give {strings}, or choose another instrument: `instrument add` makes one of another "
            "number of strings, of --tuning and --gauges together.",
        )
