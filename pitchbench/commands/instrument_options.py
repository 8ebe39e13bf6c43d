"""The instrument that a command is told of: its options, and what is assumed of the rest."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from pitchbench import ranges
from pitchbench.commands import completion
from pitchbench.commands.common import (
    TOLERANCE,
    Length,
    Quantity,
    open_records,
    tell,
    together,
    whole_number,
    words_of,
)
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Bridge, BridgeKind, Instrument, Material, ScrewHeads
from pitchbench.intonation.tolerance import with_suggested_tolerance
from pitchbench.lengths import measures, span_words
from pitchbench.notes import Note
from pitchbench.presets import PRESETS, preset
from pitchbench.records.model import checked_text
from pitchbench.refit import (
    ACTION_RANGE_MM,
    RELIEF_RANGE_MM,
    SCALE_RANGE_MM,
    SCREW_PITCH_RANGE_MM,
    parse_capo,
    parse_gauges,
    parse_tuning,
    with_bridge,
    with_capo,
    with_each,
    with_gauges,
    with_scale,
    with_tolerance,
    with_tuning,
)

if TYPE_CHECKING:
    from pitchbench.records.repository import Repository

_Function = TypeVar("_Function", bound=Callable[..., Any])

SCREW_PITCH = Length("MM", *SCREW_PITCH_RANGE_MM, "the saddle's travel per turn of the screw in mm")
_SCALE: Final = Length("MM", *SCALE_RANGE_MM, "the scale in mm (or 25.5in)")
TRAVEL = Length("MM", 0.0, 50.0, "the travel left in mm")
ACTION = Length("MM", *ACTION_RANGE_MM, "the string's height over the 12th fret in mm")
RELIEF = Length("MM", *RELIEF_RANGE_MM, "the relief of the neck in mm")
TEMPERATURE = Quantity("C", -20.0, 60.0, "the temperature in degrees Celsius")
BRIDGES: Final = click.Choice([str(kind) for kind in BridgeKind])
HEADS: Final = click.Choice([str(side) for side in ScrewHeads])

#: What ``--tolerance`` is given for what a listener hears at each string's pitch.
SUGGESTED: Final = "suggested"

#: What is assumed where nobody says: the commonest scale, and that of a bass where the lowest
#: string lies below any guitar's.
_GUITAR_SCALE_MM: Final = 648.0
_BASS_SCALE_MM: Final = 864.0
_LOWEST_GUITAR_NOTE: Final = Note.parse("B1")

#: Of an instrument of which nothing is known.
_MOST_FRETS: Final = 24

#: Above it too few frets are left to compare with the octave.
_HIGHEST_NUT: Final = 12


class PerString(click.ParamType):  # type: ignore[type-arg]  # generic only in newer click
    """One quantity for all, or one for each string, string 1 first: "648 654 660 667".

    Parameters
    ----------
    each : what one of them is.
    nothing : the word that stands for none at all.
    """

    def __init__(self, each: Quantity, *, nothing: str | None = None) -> None:
        self.name = each.name
        self._each = each
        self._nothing = nothing

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...]:
        """Read ``value``; PitchbenchError if one of them makes no sense."""
        if isinstance(value, tuple):
            return value
        words = measures(str(value)) or [""]
        if words == [self._nothing]:
            return ()
        return tuple(self._each.convert(word, param, ctx) for word in words)


#: Tolerances of strings, or the word for those that are suggested, which is read as none.
TOLERANCES: Final = PerString(TOLERANCE, nothing=SUGGESTED)


#: No strings that are played are from before it; a year that was mistyped may be.
_FIRST_YEAR: Final = 1950


class NoDayError(PitchbenchError):
    """What was written is no day at all."""


def written_day(text: str) -> date:
    """The day that is written as 2026-03-14; NoDayError if it is none."""
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise NoDayError(
            f"{text!r} is not a day.", "Write year-month-day, such as 2026-03-14."
        ) from None


def past_day(text: str) -> date:
    """A day that has been, of 2026-03-14 or "today"; PitchbenchError if it is no day, still to
    come, or too long ago."""
    if text.strip().lower() == "today":
        return date.today()
    day = written_day(text)
    if day > date.today():
        raise PitchbenchError(
            f"{day} is still to come.", "Write the day on which they were fitted."
        )
    if day.year < _FIRST_YEAR:
        raise PitchbenchError(
            f"{day} is longer ago than strings last.",
            f"Write the day on which they were fitted, not before {_FIRST_YEAR}.",
        )
    return day


SCALE: Final = PerString(_SCALE)


def _flag(flag: str, words: str = "", **attributes: Any) -> tuple[str, dict[str, Any]]:
    return flag, {"help": words, **attributes}


#: Every option that says something about an instrument, by the name that it is handed on as; those
#: not given are None.
_OPTIONS: Final = {
    "preset_name": _flag(
        "--preset", "Built-in instrument.", metavar="NAME", shell_complete=completion.presets
    ),
    "name": _flag(
        "--instrument",
        "Instrument on record.",
        metavar="NAME",
        shell_complete=completion.instruments,
    ),
    "tuning": _flag("--tuning", 'Open notes, such as "E2 A2 D3 G3 B3 E4".', metavar="NOTES"),
    "gauges": _flag("--gauges", 'Strings, string 1 first: "10 13 17 26w 36w 46w".', metavar="SET"),
    "cores": _flag("--cores", 'Cores of string 1, 2, ..., "-" if none.', metavar="MM"),
    "materials": _flag(
        "--materials",
        f"Of all strings, or string 1, 2, ...: {', '.join(Material)}; commas between.",
        metavar="WORDS",
    ),
    "scale": _flag(
        "--scale", "Twice the distance from nut to 12th fret; slanted: string 1, 2, ...", type=SCALE
    ),
    "nut_frets": _flag(
        "--nut-frets", "Fret at which string 1, 2, ... begins: 5 if short.", metavar="N"
    ),
    "bridge": _flag(
        "--bridge", f"Kind of bridge: {', '.join(BridgeKind)}.", type=BRIDGES, metavar="KIND"
    ),
    "screw_pitch": _flag("--screw-pitch", "Saddle travel per turn.", type=SCREW_PITCH),
    "screw_heads": _flag(
        "--screw-heads", "Side of the screws' heads: decides which way to turn.", type=HEADS
    ),
    "travel": _flag(
        "--travel", "Saddle travel left: toward nut, away from it.", type=TRAVEL, nargs=2
    ),
    "pairs": _flag(
        "--pairs", 'Strings on one saddle: "1-2 3-4 5-6" or all; "" if none are.', metavar="PAIRS"
    ),
    "courses": _flag(
        "--courses", 'Strings played as one: "1-2 3-4 5-6"; "" if none are.', metavar="PAIRS"
    ),
    "locking_nut": _flag("--locking-nut/--no-locking-nut", "Clamped at the nut?", default=None),
    "setback": _flag("--setback", "Saddle setback of string 1, 2, ... in mm.", metavar="MM"),
    "capo": _flag(
        "--capo", "Capo: it is the nut, of all or some strings: 2, 2:1-5.", metavar="FRET[:STRINGS]"
    ),
    "frets": _flag("--frets", "How many frets.", type=click.IntRange(12, 36)),
    "left_handed": _flag(
        "--left-handed/--right-handed", "How it is held: pictures are mirrored.", default=None
    ),
    "fretless": _flag("--fretless/--fretted", default=None),
    "tolerance": _flag("--tolerance", "Offset that may be left alone [2].", type=TOLERANCES),
    "action": _flag("--action", "Mean string height over the 12th fret.", type=ACTION),
    "relief": _flag("--relief", "Relief of the neck.", type=RELIEF),
    "temperature": _flag("--temperature", "Where it is kept and set.", type=TEMPERATURE),
    "kind": _flag("--kind", "What sort of instrument, in words."),
    "owner_mark": _flag("--owner-mark", "Whose it is, in your own words or number."),
    "string_set": _flag("--string-set", "Label of the string set."),
    "strings_fitted": _flag(
        "--strings-fitted", "Day they were fitted; or today.", type=past_day, metavar="DAY"
    ),
    "notes": _flag("--notes", "Anything else."),
}
#: What there is to say of an instrument that is called something already.
DETAILS: Final = tuple(name for name in _OPTIONS if name not in ("preset_name", "name", "capo"))


class _Option(click.Option):
    """An option whose older name works for one release more, and is shown nowhere."""

    def get_help_record(self, ctx: click.Context) -> tuple[str, str] | None:
        """What ``--help`` says of it."""
        names, self.opts = self.opts, self.opts[:1]
        record = super().get_help_record(ctx)
        self.opts = names
        return record


def instrument_options(*names: str, **older: str) -> Callable[[_Function], _Function]:
    """The options of these names, each by its one spelling; ``older`` has what some were called."""

    def option(name: str) -> Callable[[_Function], _Function]:
        flag, attributes = _OPTIONS[name]
        flags = [flag, older[name]] if name in older else [flag]
        return click.option(*flags, name, cls=_Option, **attributes)

    return together(*map(option, names))


def known_options(*names: str) -> Callable[[_Function], _Function]:
    """What `Said` holds, ``--store`` apart, and further options of the instrument."""
    said = ("preset_name", "name", "scale", "bridge", "screw_pitch", "screw_heads")
    return instrument_options(*said, *names, screw_pitch="--pitch-per-turn")


@dataclass(frozen=True)
class Said:
    """What the options say of the instrument; None where they say nothing."""

    preset_name: str | None
    name: str | None
    store: str | None
    scale: tuple[float, ...] | None
    bridge: str | None
    screw_pitch: float | None
    screw_heads: str | None
    tuning: str | None = None
    tolerance: tuple[float, ...] | None = None
    capo: str | None = None

    def instrument(self, otherwise: Instrument | None = None) -> Instrument | None:
        """The instrument that is named, or has the tuning that is said, or else ``otherwise``, with
        the open notes that it is said to have, its capo on; None where there is none."""
        instrument = named_instrument(self.preset_name, self.name, self.store)
        if instrument is None and self.tuning is not None:
            instrument = _most_like(parse_tuning(self.tuning))
        instrument = instrument or otherwise
        if instrument is None:
            return None
        if self.tuning is not None:
            instrument = with_tuning(instrument, self.tuning)
        return instrument if self.capo is None else with_capo(instrument, *parse_capo(self.capo))

    def string(self, text: str) -> Note:
        """The open note of a string, given as that or, of a known instrument, as its number."""
        number = whole_number(text)
        if number is None:
            return Note.parse(text)
        instrument = self.instrument()
        if instrument is None:
            raise PitchbenchError(
                f"Which note string {number} has is not known.",
                "Give its open note, such as E2, or the instrument with --preset or --instrument.",
            )
        if not 1 <= number <= len(instrument.strings):
            raise PitchbenchError(
                f"{instrument.name} has no string {number}.",
                f"Give a number from 1 to {len(instrument.strings)}.",
            )
        return instrument.string(number).note


@dataclass(frozen=True)
class KnownInstrument:
    """An instrument, and in words what nobody said of it and was assumed.

    ``instrument.strings`` is empty where the strings are known from their files alone; ``filed_mm``
    is what sessions on record filed off its break points (`filed_on_record`).
    """

    instrument: Instrument
    assumed: tuple[str, ...] = ()
    filed_mm: tuple[float, ...] = ()


def named_instrument(
    preset_name: str | None, name: str | None, store: str | None
) -> Instrument | None:
    """The built-in instrument, or the one on record; None where neither is named."""
    if name is None:
        return None if preset_name is None else preset(preset_name)
    if preset_name is not None:
        raise PitchbenchError("--instrument and --preset were both given.", "Give one of them.")
    with open_records(store) as repository:
        return repository.instrument(name).instrument


def _most_like(notes: Sequence[Note]) -> Instrument:
    """The built-in instrument that is tuned most like this; a guitar where none has as many
    strings."""

    def away(instrument: Instrument) -> int:
        pairs = zip(instrument.strings, notes, strict=True)
        return sum(abs(spec.note.midi - note.midi) for spec, note in pairs)

    alike = [each for each in PRESETS.values() if len(each.strings) == len(notes)]
    return min(alike, key=away, default=preset("six-string"))


def known_instrument(
    instrument: Instrument | None, notes: Iterable[Note], said: Said
) -> KnownInstrument:
    """The instrument, whose open notes are known already, with what else the options say of it;
    ``notes`` are the strings heard."""
    assumed: list[str] = []
    capo = said.capo if instrument is None else None
    scale = said.scale
    if instrument is None:
        lowest = min(notes)
        if scale is None:
            scale = (_BASS_SCALE_MM if lowest < _LOWEST_GUITAR_NOTE else _GUITAR_SCALE_MM,)
            assumed.append(f"a scale of {span_words(scale)} (say it with --scale)")
        if said.bridge is None and said.screw_pitch is None and said.screw_heads is None:
            assumed.append("saddles on screws (say it with --bridge)")
        instrument = Instrument(
            "", "", max(scale), (), Bridge(BridgeKind.SCREW_SADDLES), frets=_MOST_FRETS
        )
    elif said.preset_name is None and said.name is None:
        assumed.append(
            f"scale and bridge of the built-in {instrument.name}, "
            f"{span_words(instrument.scales_mm)} (say them with --preset, --scale, --bridge)"
        )
    details = {**vars(said), "scale": scale, "tuning": None, "capo": capo}
    instrument = with_details(instrument, details)
    filed_mm: tuple[float, ...] = ()
    if said.name is not None:
        with open_records(said.store) as repository:
            filed_mm = filed_on_record(repository, instrument)
    return KnownInstrument(instrument, tuple(assumed), filed_mm)


def filed_on_record(repository: Repository, instrument: Instrument) -> tuple[float, ...]:
    """What earlier sessions filed off the break points of ``instrument``, string 1 first, of which
    a person is told as well; empty where nothing is filed."""
    # The session room is slow to load.
    from pitchbench.records.history import filed_before  # noqa: PLC0415
    from pitchbench.session.words import filed_words  # noqa: PLC0415

    filed_mm = filed_before(repository, instrument)
    if words := filed_words(filed_mm, instrument.bridge):
        tell(
            f"Filed before: {words}. Has it a new saddle? Say what travel that one has, with "
            "`pitchbench instrument edit`."
        )
    return filed_mm


def no_such_string(instrument: Instrument, note: Note) -> PitchbenchError:
    """What there is to say where no string is tuned to ``note``."""
    notes = ", ".join(str(spec.note) for spec in instrument.strings)
    return PitchbenchError(
        f"The instrument has no {note} string.",
        f"Its strings are {notes}; name another instrument, or say another --tuning.",
    )


def with_details(instrument: Instrument, details: dict[str, Any]) -> Instrument:
    """``instrument`` changed as the options say; a missing one or None leaves a thing as it is.

    Raises
    ------
    PitchbenchError
        If an option makes no sense; the message says which.
    """

    def given(option: str) -> Any:
        return details.get(option)

    instrument = _with_strings(instrument, given("tuning"), given("gauges"))
    if given("cores") is not None:
        instrument = _with_cores(instrument, given("cores"))
    if given("materials") is not None:
        instrument = _with_materials(instrument, given("materials"))
    if given("scale") is not None:
        instrument = with_scale(instrument, *given("scale"))
    if given("nut_frets") is not None:
        instrument = _with_nut_frets(instrument, given("nut_frets"))
    instrument = with_bridge(
        instrument,
        kind=BridgeKind(given("bridge")) if given("bridge") else None,
        screw_pitch_mm=given("screw_pitch"),
        screw_heads=ScrewHeads(given("screw_heads")) if given("screw_heads") else None,
    )
    if given("tolerance") is not None:
        instrument = _with_tolerance(instrument, given("tolerance"))
    bridge = instrument.bridge
    if given("travel") is not None:
        toward_mm, away_mm = given("travel")
        bridge = replace(bridge, travel_toward_nut_mm=toward_mm, travel_away_mm=away_mm)
    if given("pairs") is not None:
        bridge = replace(
            bridge, pairs=_groups(given("pairs"), len(instrument.strings), "share a saddle")
        )
    if given("courses") is not None:
        courses = _pairs(given("courses"), len(instrument.strings), "are played as one")
        instrument = replace(instrument, courses=courses)
    if given("locking_nut") is not None:
        bridge = replace(bridge, locking_nut=given("locking_nut"))
    if given("setback") is not None:
        setback_mm = _numbers(given("setback"), "setback", instrument, *ranges.SETBACK[:2])
        instrument = replace(instrument, setback_mm=setback_mm)
    plain = {
        "frets": "frets",
        "left_handed": "left_handed",
        "fretless": "fretless",
        "action": "action_mm",
        "relief": "relief_mm",
        "temperature": "temperature_c",
        "strings_fitted": "strings_fitted",
    }
    words = {option: option for option in ("kind", "owner_mark", "string_set", "notes")}
    changes = {field: given(option) for option, field in plain.items() if given(option) is not None}
    changes |= {
        field: checked_text(given(option), may_be_empty=True)
        for option, field in words.items()
        if given(option) is not None
    }
    confirmed = instrument.confirmed
    if confirmed is not None:
        said = {_CONFIRMS[option] for option in _CONFIRMS if given(option)}
        confirmed = tuple(sorted(said.union(confirmed)))
    instrument = replace(instrument, bridge=bridge, confirmed=confirmed, **changes)
    return (
        instrument if given("capo") is None else with_capo(instrument, *parse_capo(given("capo")))
    )


#: What an option says of an instrument, as `Instrument.confirmed` names it.
_CONFIRMS: Final = {
    "gauges": "strings",
    "cores": "strings",
    "materials": "strings",
    "string_set": "strings",
    "strings_fitted": "strings",
    "action": "action",
    "relief": "relief",
}


def _with_strings(instrument: Instrument, tuning: str | None, gauges: str | None) -> Instrument:
    """Tuning and gauges; both together may change the number of strings. Which of those share a
    saddle or are played as one is then anybody's guess, except on a bridge in one piece."""
    if tuning is not None and gauges is not None:
        notes, wires = parse_tuning(tuning), parse_gauges(gauges)
        if len(notes) == len(wires) != len(instrument.strings):
            blank = replace(instrument.strings[0], scale_mm=None, nut_fret=0, tolerance_cents=None)
            strings = tuple(replace(blank, note=note) for note in notes)
            one_piece = _groups("all", len(instrument.strings), "") == instrument.bridge.pairs
            pairs = _groups("all" if one_piece else "", len(notes), "")
            bridge = replace(instrument.bridge, pairs=pairs)
            instrument = replace(
                instrument, strings=strings, setback_mm=(), courses=(), bridge=bridge
            )
    if tuning is not None:
        instrument = with_tuning(instrument, tuning)
    if gauges is not None:
        instrument = with_gauges(instrument, gauges)
    return instrument


def _with_cores(instrument: Instrument, text: str) -> Instrument:
    words = _words(text, "cores", instrument)
    cores = []
    for number, (spec, word) in enumerate(zip(instrument.strings, words, strict=True), start=1):
        core_mm = None if word == "-" else _number(word, "cores", 0.1, 3.0)
        if core_mm is not None and (not spec.wound or core_mm >= spec.diameter_mm):
            raise PitchbenchError(
                f"String {number} cannot have a core of {core_mm:g} mm.",
                'Only a wound string has one, thinner than itself; write "-" for the others.',
            )
        cores.append(core_mm)
    return with_each(instrument, "core_mm", cores)


def _with_tolerance(instrument: Instrument, cents: tuple[float, ...]) -> Instrument:
    return with_tolerance(instrument, *cents) if cents else with_suggested_tolerance(instrument)


def _with_nut_frets(instrument: Instrument, text: str) -> Instrument:
    frets = [whole_number(word) for word in _words(text, "nut-frets", instrument)]
    for word, fret in zip(words_of(text), frets, strict=True):
        if fret is None or fret > _HIGHEST_NUT:
            raise PitchbenchError(
                f"{word!r} is no fret at which a string begins.",
                f"Write 0 for the nut, or a fret up to {_HIGHEST_NUT} for a short string: "
                '"0 0 0 0 5".',
            )
    return with_each(instrument, "nut_fret", frets)


def _with_materials(instrument: Instrument, text: str) -> Instrument:
    words = [word.strip() for word in text.split(",")]
    if len(words) == 1:
        words *= len(instrument.strings)
    _check_count(len(words), "materials", instrument)
    try:
        materials = [Material(word) for word in words]
    except ValueError:
        raise PitchbenchError(
            f"{text!r} names a material that is not known.",
            f"Choose from: {', '.join(Material)}.",
        ) from None
    return with_each(instrument, "material", materials)


def _pairs(text: str, strings: int, together: str) -> tuple[tuple[int, int], ...]:
    pairs = []
    for group in _groups(text, strings, together):
        if len(group) != 2:
            raise _no_group("-".join(map(str, group)), together)
        pairs.append((group[0], group[1]))
    return tuple(pairs)


def _groups(text: str, strings: int, together: str) -> tuple[tuple[int, ...], ...]:
    """ "1-2 3-4", "1-2-3": strings that belong together; "all" of them."""
    if text.strip() == "all":
        return (tuple(range(1, strings + 1)),)
    groups = []
    for word in text.split():
        numbers = [whole_number(part) or 0 for part in word.split("-")]
        rising = all(one < other for one, other in pairwise(numbers))
        if len(numbers) < 2 or not rising or not 1 <= numbers[0] <= numbers[-1] <= strings:
            raise _no_group(word, together)
        groups.append(tuple(numbers))
    named = [number for group in groups for number in group]
    if len(set(named)) != len(named):
        raise PitchbenchError(
            "A string is named twice.", f"Write each that {together} once: 1-2 3-4 5-6."
        )
    return tuple(groups)


def _no_group(word: str, together: str) -> PitchbenchError:
    return PitchbenchError(
        f"{word!r} does not say which strings {together}.",
        f'Write the strings that {together} as "1-2 3-4 5-6", or "" for none.',
    )


def _numbers(
    text: str, option: str, instrument: Instrument, low: float, high: float
) -> tuple[float, ...]:
    return tuple(_number(word, option, low, high) for word in _words(text, option, instrument))


def _number(word: str, option: str, low: float, high: float) -> float:
    return Length("MM", low, high, f"the {option} in mm").convert(word, None, None)


def _words(text: str, option: str, instrument: Instrument) -> list[str]:
    words = measures(text)
    _check_count(len(words), option, instrument)
    return words


def _check_count(given: int, option: str, instrument: Instrument) -> None:
    if given != len(instrument.strings):
        raise PitchbenchError(
            f"--{option} names {given}, but there are {len(instrument.strings)} strings.",
            "Give one for each string, string 1 first.",
        )
