"""``pitchbench drift``: how a note moves from attack to tail, for teaching and finding faults."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click

from pitchbench.commands.common import (
    WholeQuantity,
    a4_option,
    echo_json,
    format_option,
    is_plain,
    plain_option,
    printable,
    store_option,
)
from pitchbench.commands.listening import (
    ManyFiles,
    channel_option,
    listen_to,
    named_instrument,
)
from pitchbench.commands.pictures import check_picture, picture_options, write_picture
from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.intonation.drift import Drift, MagnetPull, drift_of, magnet_pull
from pitchbench.pitch.reading import Reading
from pitchbench.report.readings import note_name, quality_words, reading_document, value
from pitchbench.strings.pluck import SoundingString, sounding_string
from pitchbench.units import cents_between

EXAMPLES = """\
  pitchbench drift e2-soft-medium-hard.flac                      plucks laid over each other
  pitchbench drift low-e.wav --preset six-string --string 6      held against the string's physics
  pitchbench drift low-e.wav high-e.wav --out drift.png          a figure for the class
  pitchbench drift --near close.wav --far lowered.wav            does the pickup's magnet pull?
"""

_SCHEMA: Final = "pitchbench.drift/1"

STRING: Final = WholeQuantity("N", 1, 12, "the number of the string, 1 being the highest")
FRET: Final = WholeQuantity("N", 0, 24, "the fret that was played, 0 for the open string")

#: A pick does not pull a string farther aside than this, mm. Common practice, no source.
_FARTHEST_PLUCK_MM: Final = 6.0
#: Real strings differ from the theory of their gauge; beyond this factor it is another string, or
#: a faulty one. Our choice.
_STIFFNESS_FACTOR: Final = 1.6
#: Settled pitches of the same note this near each other agree, in cents.
_AGREE_CENTS: Final = 1.0
_SAME_NOTE_CENTS: Final = 50.0
#: An attack within this of the settled pitch is no drift to speak of, in cents.
_HARDLY_CENTS: Final = 0.5
#: A pitch that wanders by more, rms in cents, well above the noise, does so by itself. Our choice:
#: sound strings on the virtual instrument stay below a tenth.
_WANDER_CENTS: Final = 0.3
_CLEAR_SNR_DB: Final = 30.0

_BEATING: Final = "beating"
_MAGNET: Final = "magnet_pull"
_WANDERING: Final = "wandering"
_UNEVEN: Final = "uneven_string"
_TOO_SHARP: Final = "sharper_than_a_pluck_explains"
_STIFF: Final = "stiffness_off_theory"


@dataclass(frozen=True, eq=False)
class _Pluck:
    """One pluck; ``drift`` is None where it was rejected."""

    path: Path
    reading: Reading
    drift: Drift | None


@dataclass(frozen=True, eq=False)
class _Result:
    """All that is shown."""

    a4_hz: float
    plucks: tuple[_Pluck, ...]
    string: SoundingString | None
    magnet: MagnetPull | None
    partials: bool

    @property
    def drifts(self) -> list[Drift]:
        """The plucks that settled."""
        return [pluck.drift for pluck in self.plucks if pluck.drift is not None]


_PATHS: Final = click.Path(path_type=Path)


@click.command(cls=ManyFiles, several={"--near", "--far"}, examples=EXAMPLES)
@click.argument("files", nargs=-1, type=_PATHS, metavar="[FILE]...")
@click.option("--near", "nears", type=_PATHS, multiple=True, metavar="FILE...",
              help="Recordings of one note with the pickup near the string.")  # fmt: skip
@click.option("--far", "fars", type=_PATHS, multiple=True, metavar="FILE...",
              help="The same note with the pickup lowered.")  # fmt: skip
@click.option("--preset", "preset_name", metavar="NAME", help="Built-in instrument.")
@click.option("--instrument", "name", metavar="NAME", help="Instrument on record.")
@click.option("--string", "number", type=STRING, help="String that was played, 1 = highest.")
@click.option("--fret", type=FRET, default=0, show_default=True, help="Fret; 0 = open.")
@click.option("--partials", is_flag=True, help="Partial by partial, too.")
@picture_options
@channel_option
@a4_option
@store_option
@plain_option
@format_option
def command(
    *,
    files: tuple[Path, ...],
    nears: tuple[Path, ...],
    fars: tuple[Path, ...],
    preset_name: str | None,
    name: str | None,
    number: int | None,
    fret: int,
    partials: bool,
    out: Path | None,
    force: bool,
    channel: int | None,
    a4: float,
    store: str | None,
    plain: bool,
    output_format: str,
) -> None:
    """How a note moves from attack to tail: sharpness, settling, wander, decay, and faults.

    Several plucks are laid over each other: soft, medium and hard; low strings beside high ones.
    """
    check_picture(out, force=force)
    paths = (*files, *nears, *fars)
    if not paths:
        raise PitchbenchError("No recording was named.", "Give one or more sound files.")
    if bool(nears) != bool(fars):
        raise PitchbenchError(
            "--near and --far belong together.", "Give the same note with both pickup heights."
        )
    string = _string(preset_name, name, store, number=number, fret=fret, a4_hz=a4)
    by_path = [
        [_Pluck(sound.path, reading, drift_of(reading)) for reading in sound.readings]
        for sound in listen_to(paths, channel=channel, plain=plain)
    ]
    plucks = tuple(pluck for group in by_path for pluck in group)
    magnet = _magnet(by_path[len(files) :], len(nears)) if nears else None
    result = _Result(a4, plucks, string, magnet, partials)
    if output_format == "json":
        echo_json(_document(result))
    elif is_plain(plain):
        for label, words in _lines(result):
            click.echo(printable(f"{label}: {words}"))
    else:
        _print_page(result)
    if not result.drifts:
        raise PitchbenchError(
            "There is no usable reading in what was heard." if plucks else "No pluck was heard.",
            "Record single notes that ring for two seconds or more, in a quiet room.",
            ExitCode.NO_READING,
        )
    if out is not None:
        _draw(result, out, force=force)


def _string(
    preset_name: str | None,
    name: str | None,
    store: str | None,
    *,
    number: int | None,
    fret: int,
    a4_hz: float,
) -> SoundingString | None:
    instrument = named_instrument(preset_name, name, store)
    if instrument is None:
        if number is not None:
            raise PitchbenchError(
                "--string says nothing without an instrument.",
                "Give --preset or --instrument with it.",
            )
        return None
    if number is None:
        raise PitchbenchError(
            "It is not said which string was played.", "Give its number with --string, 1 = highest."
        )
    if number > len(instrument.strings):
        raise PitchbenchError(
            f"{instrument.name} has no string {number}.",
            f"Give a number from 1 to {len(instrument.strings)}.",
        )
    return sounding_string(instrument, number, fret, a4_hz=a4_hz)


def _magnet(by_path: Sequence[Sequence[_Pluck]], nears: int) -> MagnetPull:
    near, far = (
        [pluck.drift for group in groups for pluck in group if pluck.drift is not None]
        for groups in (by_path[:nears], by_path[nears:])
    )
    if not near or not far:
        raise PitchbenchError(
            "There is no usable reading with the pickup near, or none with it far.",
            "Record the same open note three times with each height, two seconds each.",
            ExitCode.NO_READING,
        )
    first_hz = near[0].reading.pitch_hz or 1.0
    for drift in (*near, *far):
        if abs(cents_between(drift.reading.pitch_hz or 1.0, first_hz)) > _SAME_NOTE_CENTS:
            raise PitchbenchError(
                "--near and --far do not hold the same note.",
                "Record one open string, and do not retune it in between.",
            )
    return magnet_pull(near, far)


# -- what is seen ------------------------------------------------------------------------------


def _flags(pluck: _Pluck, string: SoundingString | None) -> list[str]:
    drift = pluck.drift
    if drift is None:
        return []
    flags = [_BEATING] if drift.beat is not None else []
    flags += [_UNEVEN] if drift.uneven else []
    wander, snr_db = pluck.reading.wander_cents, pluck.reading.snr_db
    if wander is not None and snr_db is not None and snr_db > _CLEAR_SNR_DB:
        flags += [_WANDERING] if wander > _WANDER_CENTS else []
    pluck_mm = _pluck_mm(pluck, string)
    if pluck_mm is not None and pluck_mm > _FARTHEST_PLUCK_MM:
        flags.append(_TOO_SHARP)
    ratio = _stiffness_ratio(pluck, string)
    if ratio is not None and not 1.0 / _STIFFNESS_FACTOR < ratio < _STIFFNESS_FACTOR:
        flags.append(_STIFF)
    return flags


def _pluck_mm(pluck: _Pluck, string: SoundingString | None) -> float | None:
    attack = pluck.reading.attack_cents
    return None if string is None or attack is None else string.pluck_mm(attack)


def _stiffness_ratio(pluck: _Pluck, string: SoundingString | None) -> float | None:
    measured = pluck.reading.stiffness_b
    return None if string is None or measured is None else measured / string.stiffness_b


def _sentences(result: _Result) -> list[str]:
    """What is seen: what was asked of a magnet, each note, then what points to a fault."""
    sentences = [] if result.magnet is None else [_magnet_sentence(result.magnet)]
    sentences += [
        _note_sentence(note, group) for note, group in _by_note(result.drifts, result.a4_hz).items()
    ]
    flags = {flag for pluck in result.plucks for flag in _flags(pluck, result.string)}
    beats = [drift.beat for drift in result.drifts if drift.beat is not None]
    if beats:
        deepest = max(beats, key=lambda beat: beat.depth_db)
        sentences.append(
            f"The level swings {deepest.rate_hz:.1f} times a second: the string swings in two "
            "directions of slightly different pitch, or another string rings along."
        )
    elif _WANDERING in flags:
        sentences.append(
            "The pitch wanders in the tail: a beat too slow to be counted, the pull of a magnet, "
            "or a poor string."
        )
    sentences += list(dict.fromkeys(drift.uneven for drift in result.drifts if drift.uneven))
    if _TOO_SHARP in flags:
        sentences.append(
            f"An attack is sharper than a pluck of {_FARTHEST_PLUCK_MM:g} mm makes it: the string "
            "slips or is not the one named."
        )
    if _STIFF in flags:
        sentences.append(
            "The stiffness is not what theory gives this string: another gauge, or a faulty string."
        )
    return sentences


def _by_note(drifts: Sequence[Drift], a4_hz: float) -> dict[str, list[Drift]]:
    groups: dict[str, list[Drift]] = {}
    for drift in drifts:
        groups.setdefault(note_name(drift.reading, a4_hz), []).append(drift)
    return groups


def _note_sentence(note: str, group: Sequence[Drift]) -> str:
    attacks = sorted(drift.reading.attack_cents or 0.0 for drift in group)
    settle_s = max(drift.reading.settle_s or 0.0 for drift in group)
    if len(group) == 1:
        if abs(attacks[0]) < _HARDLY_CENTS:
            return f"{note} starts within {_HARDLY_CENTS:g} cents of its settled pitch: no drift."
        way = "sharp" if attacks[0] > 0.0 else "flat"
        return (
            f"{note} starts {abs(attacks[0]):.1f} cents {way} and has settled after "
            f"{settle_s:.1f} s: read it from then on."
        )
    pitches = [drift.reading.pitch_hz or 1.0 for drift in group]
    apart = cents_between(max(pitches), min(pitches))
    starts = f"{note} starts {attacks[0]:+.1f} to {attacks[-1]:+.1f} cents from its settled pitch"
    if apart <= _AGREE_CENTS:
        return (
            f"{starts}, yet all {len(group)} plucks settle within {apart:.1f} cents of each other: "
            f"trust the tail, from {settle_s:.1f} s on, not the attack."
        )
    return (
        f"{starts}, and the {len(group)} plucks settle {apart:.1f} cents apart: more than the "
        "strength of the pluck moves this note."
    )


def _magnet_sentence(magnet: MagnetPull) -> str:
    low, high = magnet.interval95_cents
    decay = (
        ""
        if magnet.decay_ratio is None
        else f" and it dies away in {100.0 * magnet.decay_ratio:.0f} % of the time"
    )
    changes = (
        f"With the pickup near the note is {magnet.change_cents:+.1f} cents from where it is with "
        f"the pickup far, 95 % between {low:+.1f} and {high:+.1f},{decay or ' decay not known'}: "
    )
    if magnet.pulls:
        return f"{changes}the magnet pulls the string. Lower the pickup before setting anything."
    return f"{changes}no pull of the magnet is proved."


# -- document ----------------------------------------------------------------------------------


def _document(result: _Result) -> dict[str, Any]:
    string, magnet = result.string, result.magnet
    flags = {flag for pluck in result.plucks for flag in _flags(pluck, string)}
    if magnet is not None and magnet.pulls:
        flags.add(_MAGNET)
    return {
        "schema": _SCHEMA,
        "a4_hz": result.a4_hz,
        "explanation": _sentences(result),
        "flags": sorted(flags),
        "string": None
        if string is None
        else {
            "length_mm": string.length_mm,
            "kappa": string.kappa,
            "stiffness_b": string.stiffness_b,
        },
        "magnet": None
        if magnet is None
        else {
            "change_cents": magnet.change_cents,
            "interval95_cents": list(magnet.interval95_cents),
            "decay_ratio": magnet.decay_ratio,
            "pulls": magnet.pulls,
        },
        "plucks": [_pluck_document(pluck, result) for pluck in result.plucks],
    }


def _pluck_document(pluck: _Pluck, result: _Result) -> dict[str, Any]:
    drift = pluck.drift
    beat = None if drift is None else drift.beat
    document = {
        **reading_document(str(pluck.path), pluck.reading, a4_hz=result.a4_hz),
        "decay_s": None if drift is None else drift.decay_s,
        "beat_hz": None if beat is None else beat.rate_hz,
        "beat_depth_db": None if beat is None else beat.depth_db,
        "pluck_mm": _pluck_mm(pluck, result.string),
        "stiffness_to_theory": _stiffness_ratio(pluck, result.string),
        "flags": _flags(pluck, result.string),
        "course_s": [] if drift is None else drift.time_s.tolist(),
        "course_cents": [] if drift is None else drift.cents.tolist(),
    }
    if result.partials:
        document["partials"] = [
            {
                "number": partial.number,
                "frequency_hz": partial.frequency_hz,
                "u_cents": partial.u_cents,
                "level_db": partial.level_db,
                "decay_s": partial.decay_s,
                "law_cents": partial.law_cents,
            }
            for partial in pluck.reading.partials
        ]
    return document


# -- words -------------------------------------------------------------------------------------


def _lines(result: _Result) -> list[tuple[str, str]]:
    lines = [("seen", words) for words in _sentences(result)]
    for number, pluck in enumerate(result.plucks, start=1):
        lines.append((f"pluck {number}", ", ".join(_words(pluck, result))))
        if result.partials:
            lines += [
                (f"pluck {number} partial {p.number}", _partial_words(p))
                for p in pluck.reading.partials
            ]
    return lines


def _words(pluck: _Pluck, result: _Result) -> list[str]:
    reading, drift = pluck.reading, pluck.drift
    words = [f"at {reading.onset_s:.2f} s of {pluck.path.name}", note_name(reading, result.a4_hz)]
    if drift is None:
        return [*words, f"rejected: {quality_words(reading)}"]
    words += [
        f"{value(reading.pitch_hz, 3)} Hz",
        f"attack {value(reading.attack_cents, 1, sign=True)} cents",
        f"settled after {value(reading.settle_s, 2)} s",
        f"wander {value(reading.wander_cents, 2)} cents",
    ]
    if drift.decay_s is not None:
        words.append(f"decay {drift.decay_s:.2f} s")
    pluck_mm = _pluck_mm(pluck, result.string)
    if pluck_mm is not None:
        words.append(f"as a pluck of {pluck_mm:.1f} mm")
    ratio = _stiffness_ratio(pluck, result.string)
    if ratio is not None:
        words.append(f"stiffness {ratio:.2f} of theory")
    return words + [flag.replace("_", " ") for flag in _flags(pluck, result.string)]


def _partial_words(partial: Any) -> str:
    return (
        f"{partial.frequency_hz:.2f} Hz, {partial.law_cents:+.2f} cents off the stiff-string law, "
        f"level {partial.level_db:.0f} dB, decay {value(partial.decay_s, 2)} s"
    )


def _print_page(result: _Result) -> None:
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    page = Page()
    for words in _sentences(result):
        page.say(words, strong=True)
    page.gap()
    physics = result.string is not None
    columns = [
        Column("pluck"),
        Column("note"),
        Column("Hz", from_width=50),
        Column("attack"),
        Column("settled"),
        Column("wander", from_width=60),
        Column("decay s", from_width=60),
        *([Column("mm"), Column("B/theory", from_width=50)] if physics else []),
        Column("", right=False),
    ]
    rows = [_row(n, pluck, result) for n, pluck in enumerate(result.plucks, start=1)]
    page.table(columns, rows)
    page.say(
        "attack in cents above the settled pitch, settled after so many s; decay: time in which "
        "the amplitude falls to 37 %"
        + ("; mm: pluck that makes such an attack; B: stiffness" if physics else "")
    )
    if result.partials:
        for number, pluck in enumerate(result.plucks, start=1):
            _print_partials(page, number, pluck)


def _row(number: int, pluck: _Pluck, result: _Result) -> list[str]:
    reading, drift = pluck.reading, pluck.drift
    settled = drift is not None
    physics = [
        value(_pluck_mm(pluck, result.string), 1),
        value(_stiffness_ratio(pluck, result.string), 2),
    ]
    return [
        str(number),
        note_name(reading, result.a4_hz),
        value(reading.pitch_hz if settled else None, 3),
        value(reading.attack_cents if settled else None, 1, sign=True),
        value(reading.settle_s if settled else None, 2),
        value(reading.wander_cents if settled else None, 2),
        value(None if drift is None else drift.decay_s, 2),
        *(physics if result.string is not None else []),
        ", ".join(flag.replace("_", " ") for flag in _flags(pluck, result.string))
        if settled
        else quality_words(reading),
    ]


def _print_partials(page: Any, number: int, pluck: _Pluck) -> None:
    from pitchbench.screen.tables import Column  # noqa: PLC0415  # for terminals alone

    page.gap()
    page.say(f"pluck {number}, partial by partial")
    page.table(
        [Column("partial"), Column("Hz"), Column("off law"), Column("dB"), Column("decay s")],
        [
            [
                str(p.number),
                value(p.frequency_hz, 2),
                value(p.law_cents, 2, sign=True),
                value(p.level_db, 0),
                value(p.decay_s, 2),
            ]
            for p in pluck.reading.partials
        ],
    )


def _draw(result: _Result, out: Path, *, force: bool) -> None:
    from pitchbench.report.figures import Course, drift_figure  # noqa: PLC0415  # slow to load

    courses = [
        Course(
            f"{note_name(pluck.reading, result.a4_hz)}, pluck {number}",
            pluck.drift.time_s,
            pluck.drift.cents,
            pluck.reading.settle_s,
        )
        for number, pluck in enumerate(result.plucks, start=1)
        if pluck.drift is not None
    ]
    figure = drift_figure(courses, title="From attack to tail")
    write_picture(out, figure, force=force)
