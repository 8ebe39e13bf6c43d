"""``pitchbench neck``: several frets per string in recordings, and what ails the neck."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any, Final

import click
import numpy as np
from numpy.typing import NDArray

from pitchbench.commands.common import (
    TOLERANCE,
    ExamplesFirst,
    Quantity,
    a4_option,
    echo_json,
    format_option,
    is_plain,
    plain_option,
    printable,
    store_option,
)
from pitchbench.commands.listening import (
    Listened,
    channel_option,
    listen_to,
    named_instrument,
    refuse_twice,
)
from pitchbench.commands.offset import PITCH_PER_TURN, SCALE
from pitchbench.commands.pictures import check_picture, picture_options, write_picture
from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.instrument import Bridge, BridgeKind, Instrument, ScrewHeads
from pitchbench.intonation.chords import ChordNote, parse_shape, sound_chord
from pitchbench.intonation.classify import NEAR_CENTS
from pitchbench.intonation.frets import tell_frets
from pitchbench.intonation.neck import (
    NeckAdvice,
    after_move_cents,
    best_saddle,
    findings,
    judge_saddle,
    nut_as_a_whole,
    survey,
    uneven_string,
)
from pitchbench.intonation.offset import DEFAULT_PRIOR, ScatterPrior, Take
from pitchbench.notes import Note, nearest_note
from pitchbench.pitch.reading import Reading
from pitchbench.presets import PRESETS, preset, with_bridge, with_scale, with_tuning
from pitchbench.report.neck import (
    SCHEMA,
    HeardChord,
    SurveyedString,
    advice_words,
    cautions,
    chord_document,
    fret_words,
    interval_words,
    note_words,
    string_document,
    term_words,
)
from pitchbench.report.readings import COVERAGE_95, reading_document
from pitchbench.sound.source import Block
from pitchbench.strings.chord_sound import ChordTone, chord_sound
from pitchbench.units import cents_between, fret_ratio

if TYPE_CHECKING:
    from matplotlib.figure import Figure

EXAMPLES = """\
  pitchbench neck g.wav --string G3                       one string: nut, saddle or a fret?
  pitchbench neck --string E2 e*.wav --string A2 a*.wav   each string with its files
  pitchbench neck *.flac --tuning "E2 A2 D3 G3 B3 E4"     each file's lowest note names its string
  pitchbench neck *.flac --preset six-string --frets 1,2,3,5 --chord x32010 --chord 022100
  pitchbench neck *.flac --instrument "Blue bass" --weights 1:1,3:2,12:1 --out neck.svg
"""

#: What is assumed where nobody says: the commonest scale, and that of a bass where the lowest
#: string lies below any guitar's.
_GUITAR_SCALE_MM: Final = 648.0
_BASS_SCALE_MM: Final = 864.0
_LOWEST_GUITAR_NOTE: Final = Note.parse("B1")

_MOST_FRETS: Final = 24

_SOUNDS: Final = (".wav", ".flac")
_HEARD_RATE_HZ: Final = 48_000
_BETWEEN_CHORDS_S: Final = 0.5

SPREAD: Final = Quantity("CENTS", 0.1, 20.0, "how far your frettings of one note spread in cents")


@dataclass(frozen=True, eq=False)
class _Heard:
    """One pluck: where it was recorded, when on the clock of its string's files, and the fret that
    it was told to be; None where it was rejected or belongs to no fret of its string."""

    path: Path
    reading: Reading
    at_s: float
    fret: int | None = None

    def take(self) -> Take:
        """As the statistics see it."""
        assert self.fret is not None
        assert self.reading.pitch_hz is not None
        assert self.reading.u_cents is not None
        return Take(self.fret, self.reading.pitch_hz, self.reading.u_cents, self.at_s)


@dataclass(frozen=True, eq=False)
class _HeardString:
    """One string's plucks. ``number`` is None where the instrument is not known."""

    note: Note
    number: int | None
    heard: tuple[_Heard, ...]

    @property
    def enough(self) -> bool:
        """Whether nut and saddle can be told apart: an open note and two frets."""
        frets = {each.fret for each in self.heard if each.fret is not None}
        return 0 in frets and len(frets) > 2


@dataclass(frozen=True)
class _Bench:
    """The instrument, and in words what nobody said of it and was assumed.

    ``instrument.strings`` is empty where the strings are known from their files alone.
    """

    instrument: Instrument
    assumed: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Result:
    """All that is shown, in words or as a document."""

    a4_hz: float
    tolerance_cents: float
    bench: _Bench
    heard: tuple[_HeardString, ...]
    strings: tuple[SurveyedString, ...]
    chords: tuple[HeardChord, ...]


class _StringsWithFiles(ExamplesFirst):
    """Lets ``--string NOTE`` be followed by the files of that string."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Put ``--of NOTE`` before each file that follows a ``--string NOTE``."""
        spread: list[str] = []
        note = None
        words = iter(args)
        for word in words:
            if word == "--string":
                note = next(words, None)
                spread += ["--string"] if note is None else ["--string", note]
            elif word.startswith("-") or note is None:
                note = None
                spread.append(word)
            else:
                spread += ["--of", note, word]
        return super().parse_args(ctx, spread)


_PATH: Final = click.Path(path_type=Path)


@click.command(cls=_StringsWithFiles, examples=EXAMPLES)
@click.argument("files", nargs=-1, type=_PATH, metavar="[FILE]...")
@click.option("--string", "strings", multiple=True, metavar="NOTE [FILE]...",
              help="Open note of a string, such as E2, and its recordings.")  # fmt: skip
@click.option("--of", "of_string", nargs=2, type=(str, _PATH), multiple=True, hidden=True)
@click.option("--tuning", metavar="NOTES", help='Open notes, such as "E2 A2 D3 G3 B3 E4".')
@click.option("--preset", "preset_name", metavar="NAME", help="Built-in instrument.")
@click.option("--instrument", "name", metavar="NAME", help="Instrument on record.")
@click.option("--frets", metavar="N,N,...", help="Frets that you use [all that were heard].")
@click.option("--weights", metavar="N:W,...", help="Frets that you use, and how much each.")
@click.option("--chord", "shapes", multiple=True, metavar="SHAPE",
              help="Shape to judge, low string first: x32010 or x-10-12-12-10-x.")  # fmt: skip
@click.option("--hear", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="The chords as they sound, before and after: .wav or .flac.")  # fmt: skip
@click.option("--spread", type=SPREAD, help="Spread of your frettings, if known [2, or as heard].")
@click.option("--scale", type=SCALE, help="Twice the distance from nut to 12th fret [648].")
@click.option("--pitch-per-turn", type=PITCH_PER_TURN, help="Saddle travel per turn of its screw.")
@click.option("--screw-heads", type=click.Choice([str(side) for side in ScrewHeads]),
              help="Side of the screws' heads: decides which way to turn.")  # fmt: skip
@click.option("--bridge", type=click.Choice([str(kind) for kind in BridgeKind]),
              help="Sort of bridge: decides what to mind [screw-saddles].")  # fmt: skip
@click.option("--tolerance", type=TOLERANCE, help="Offset that may be left alone [2].")
@picture_options
@channel_option
@a4_option
@store_option
@plain_option
@format_option
def command(
    *,
    files: tuple[Path, ...],
    strings: tuple[str, ...],
    of_string: tuple[tuple[str, Path], ...],
    frets: str | None,
    weights: str | None,
    shapes: tuple[str, ...],
    hear: Path | None,
    spread: float | None,
    tolerance: float | None,
    out: Path | None,
    force: bool,
    channel: int | None,
    a4: float,
    plain: bool,
    output_format: str,
    **details: Any,
) -> None:
    """Tell nut, saddle and single frets apart, and find the saddle that is best over the neck.

    Each FILE holds plucks of one string: open and at several frets, such as 1, 3, 5, 7, 9, 12, 15
    and 17, in any order, told apart by pitch.
    """
    used = _weights(frets, weights)
    check_picture(out, force=force)
    _check_hear(hear, shapes, force)
    named = tuple(dict.fromkeys(Note.parse(text) for text in strings))
    said = [(path, Note.parse(text)) for text, path in of_string]
    paths = [*((path, None) for path in files), *said]
    refuse_twice([path for path, _ in paths])
    instrument = _instrument(**details)
    if shapes and instrument is None:
        raise PitchbenchError(
            "A chord needs to know all strings.",
            'Say them with --tuning "E2 A2 D3 G3 B3 E4", --preset or --instrument.',
        )
    for shape in shapes:
        parse_shape(shape, len(instrument.strings) if instrument else 0)
    sounds = list(listen_to([path for path, _ in paths], channel=channel, plain=plain))
    told = zip(sounds, [note for _, note in paths], strict=True)
    grouped = _by_string(told, named, instrument, a4)
    bench = _bench(instrument, grouped, **details)
    heard = tuple(_fretted(note, sounds, bench.instrument, a4) for note, sounds in grouped.items())
    prior = DEFAULT_PRIOR if spread is None else replace(DEFAULT_PRIOR, fretted_cents=spread)
    within = bench.instrument.tolerance_cents if tolerance is None else tolerance
    surveyed = tuple(
        _surveyed(string, bench.instrument, used, prior, within)
        for string in heard
        if string.enough
    )
    if not surveyed:
        raise _too_little(heard)
    chords = tuple(_chord(shape, bench.instrument, surveyed, a4) for shape in shapes)
    result = _Result(a4, within, bench, heard, surveyed, chords)
    if out is not None:
        write_picture(out, _figure(result), force=force)
    if hear is not None:
        _write_sound(hear, result, force)
    if output_format == "json":
        for words in bench.assumed:
            click.echo(f"Assumed: {words}.", err=True)
        echo_json(_document(result))
    elif is_plain(plain):
        for label, words in _lines(result):
            click.echo(printable(f"{label}: {words}"))
    else:
        _print_page(result)


# -- what was asked for ------------------------------------------------------------------------


def _weights(frets: str | None, weights: str | None) -> dict[int, float] | None:
    """How much each fret is used; None where nothing was said."""
    if frets is not None and weights is not None:
        raise PitchbenchError("--frets and --weights were both given.", "Give one of them.")
    if frets is not None:
        return {_fret(word, "--frets"): 1.0 for word in frets.split(",")}
    if weights is None:
        return None
    pairs = [word.replace("=", ":").partition(":") for word in weights.split(",")]
    return {_fret(fret, "--weights"): _weight(weight) for fret, _, weight in pairs}


def _fret(word: str, option: str) -> int:
    if not (word.strip().isdecimal() and 1 <= int(word) <= _MOST_FRETS):
        raise PitchbenchError(
            f"{option}: {word!r} is no fret.",
            f"Write frets from 1 to {_MOST_FRETS}, such as "
            f"{'1,3,12' if option == '--frets' else '1:1,3:2,12:1'}.",
        )
    return int(word)


def _weight(word: str) -> float:
    try:
        weight = float(word)
    except ValueError:
        weight = -1.0
    if not 0.0 <= weight <= 1000.0:
        raise PitchbenchError(
            f"--weights: {word!r} is no weight.",
            "Write each fret with a number from 0 to 1000, such as 1:1,3:2,12:1.",
        )
    return weight


def _check_hear(hear: Path | None, shapes: Sequence[str], force: bool) -> None:
    """Before the work, not after it."""
    if hear is None:
        return
    if not shapes:
        raise PitchbenchError("There is no chord to hear.", "Name one with --chord, as x32010.")
    if hear.suffix.lower() not in _SOUNDS:
        raise PitchbenchError(
            f"{str(hear)!r} ends in nothing that can be written as sound.",
            "Let the name end in .wav or .flac.",
        )
    if hear.exists() and not force:
        raise PitchbenchError(
            f"{str(hear)!r} exists already.", "Give another name, or --force to replace it."
        )


def _instrument(
    *, tuning: str | None, preset_name: str | None, name: str | None, store: str | None, **_: object
) -> Instrument | None:
    """The instrument that the options name; None where they name none."""
    instrument = named_instrument(preset_name, name, store)
    if instrument is None and tuning is not None:
        instrument = preset(_preset_for(tuning))
    return instrument if instrument is None or tuning is None else with_tuning(instrument, tuning)


def _preset_for(tuning: str) -> str:
    """The first built-in instrument with as many strings."""
    count = len(tuning.replace(",", " ").split())
    return next(
        (each.name for each in PRESETS.values() if len(each.strings) == count), "six-string"
    )


def _bench(
    instrument: Instrument | None,
    notes: Iterable[Note],
    *,
    scale: float | None,
    bridge: str | None,
    pitch_per_turn: float | None,
    screw_heads: str | None,
    preset_name: str | None,
    name: str | None,
    **_: object,
) -> _Bench:
    """The instrument with what the options say of it."""
    assumed: list[str] = []
    if instrument is None:
        lowest = min(notes)
        if scale is None:
            scale = _BASS_SCALE_MM if lowest < _LOWEST_GUITAR_NOTE else _GUITAR_SCALE_MM
            assumed.append(f"a scale of {scale:g} mm (say it with --scale)")
        if bridge is None and pitch_per_turn is None and screw_heads is None:
            assumed.append("saddles on screws (say it with --bridge)")
        instrument = Instrument(
            "", "", scale, (), Bridge(BridgeKind.SCREW_SADDLES), frets=_MOST_FRETS
        )
    elif preset_name is None and name is None:
        assumed.append(
            f"scale and bridge of the built-in {instrument.name}, {instrument.scale_mm:g} mm "
            "(say them with --preset, --scale, --bridge)"
        )
    if scale is not None:
        instrument = with_scale(instrument, scale)
    instrument = with_bridge(
        instrument,
        kind=BridgeKind(bridge) if bridge else None,
        screw_pitch_mm=pitch_per_turn,
        screw_heads=ScrewHeads(screw_heads) if screw_heads else None,
    )
    return _Bench(instrument, tuple(assumed))


# -- from files to strings ---------------------------------------------------------------------


def _by_string(
    told: Iterable[tuple[Listened, Note | None]],
    named: Sequence[Note],
    instrument: Instrument | None,
    a4_hz: float,
) -> dict[Note, list[Listened]]:
    """The files of each string, highest string first; one file is one string.

    A file that was not put to a string belongs to the only string named, or to the one that its
    lowest note is nearest to.
    """
    tuned = [] if instrument is None else [spec.note for spec in instrument.strings]
    for note in named:
        if tuned and note not in tuned:
            raise PitchbenchError(
                f"The instrument has no {note} string.",
                f"Its strings are {', '.join(map(str, tuned))}; or say another --tuning.",
            )
    grouped: dict[Note, list[Listened]] = {}
    only = named[0] if len(named) == 1 else None
    for sound, said in told:
        told_note = said or only or _lowest_names(sound, named or tuned, a4_hz)
        if told_note is not None:
            grouped.setdefault(told_note, []).append(sound)
    if not grouped:
        raise PitchbenchError(
            "There is no usable reading in what was heard.",
            "Record single notes that ring for two seconds or more, in a quiet room and not too "
            "loud for the input.",
            ExitCode.NO_READING,
        )
    return dict(sorted(grouped.items(), reverse=True))


def _lowest_names(sound: Listened, notes: Sequence[Note], a4_hz: float) -> Note | None:
    """The string that a file's lowest note names; None where nothing settled in it."""
    pitches = [r.pitch_hz for r in sound.readings if r.settled and r.pitch_hz is not None]
    if not pitches:
        return None
    lowest = min(pitches)
    if not notes:
        return nearest_note(lowest, a4_hz)[0]
    nearest = min(notes, key=lambda note: abs(cents_between(lowest, note.hz(a4_hz))))
    # Not farther: a fretted note of the string below must not pass for a flat open string.
    if abs(cents_between(lowest, nearest.hz(a4_hz))) > NEAR_CENTS:
        raise PitchbenchError(
            f"The lowest note in {printable(str(sound.path))!r} is "
            f"{nearest_note(lowest, a4_hz)[0]}, no open string of these: "
            f"{', '.join(map(str, notes))}.",
            "Play the open string in each file, or say the string before its files: "
            "--string E2 FILE.",
            ExitCode.NO_READING,
        )
    return nearest


def _fretted(
    note: Note, sounds: Sequence[Listened], instrument: Instrument, a4_hz: float
) -> _HeardString:
    """Every pluck of a string with its fret."""
    heard: list[_Heard] = []
    began_s = 0.0
    for sound in sounds:
        heard += [_Heard(sound.path, r, began_s + r.onset_s) for r in sound.readings]
        began_s += sound.length_s
    settled = [each for each in heard if each.reading.settled]
    frets = tell_frets(
        [each.reading.pitch_hz or 0.0 for each in settled],
        open_hz=note.hz(a4_hz),
        highest=instrument.frets,
    )
    fret_of = dict(zip(map(id, settled), frets, strict=True))
    numbers = (n for n, spec in enumerate(instrument.strings, start=1) if spec.note == note)
    return _HeardString(
        note,
        next(numbers, None),
        tuple(replace(each, fret=fret_of.get(id(each))) for each in heard),
    )


def _surveyed(
    string: _HeardString,
    instrument: Instrument,
    weights: Mapping[int, float] | None,
    prior: ScatterPrior,
    tolerance_cents: float,
) -> SurveyedString:
    counted = [each for each in string.heard if each.fret is not None]
    opens = [each.reading for each in counted if each.fret == 0]
    takes = tuple(each.take() for each in counted)
    if string.number is None:  # the setback on record is then of some other string
        instrument = replace(instrument, setback_mm=())
    neck = survey(string.number or 0, takes, prior=prior)
    choice = best_saddle(neck, instrument, weights)
    verdict = judge_saddle(neck, choice, instrument, tolerance_cents=tolerance_cents)
    move_mm = 0.0 if verdict.move is None else verdict.move.signed_mm
    stiffness = [reading.stiffness_b for reading in opens if reading.stiffness_b is not None]
    uneven = [words for reading in opens if (words := uneven_string(reading.partials))]
    return SurveyedString(
        number=string.number,
        note=string.note,
        files=tuple(dict.fromkeys(str(each.path) for each in string.heard)),
        takes=takes,
        neck=neck,
        choice=choice,
        verdict=verdict,
        after_cents={
            fret.fret: after_move_cents(neck, fret.fret, instrument, move_mm=move_mm)
            for fret in neck.frets
        },
        findings=(
            *findings(neck, tolerance_cents=tolerance_cents, saddle_too=False),
            *(uneven[:1] if 2 * len(uneven) > len(opens) else ()),
        ),
        stiffness_b=median(stiffness) if stiffness else None,
    )


def _too_little(heard: Sequence[_HeardString]) -> PitchbenchError:
    """What is missing on the strings that were heard."""
    return PitchbenchError(
        f"There is too little to tell the nut from the saddle: {'; '.join(map(_had, heard))}.",
        "Record each string open and at two frets or more, such as the 1st and the 12th, two "
        "seconds each; say a string that is far out of tune with --string, or tune it first.",
        ExitCode.NO_READING,
    )


def _had(string: _HeardString) -> str:
    """ "G3: open 2 times, fret 12 once, 1 rejected"."""
    counts = Counter(each.fret for each in string.heard if each.fret is not None)
    rejected = sum(not each.reading.settled for each in string.heard)
    other = len(string.heard) - rejected - counts.total()
    had = [
        f"{'open' if fret == 0 else f'fret {fret}'} {count} time{'s' * (count != 1)}"
        for fret, count in sorted(counts.items())
    ]
    had += [f"{other} on no fret of it"] * bool(other) + [f"{rejected} rejected"] * bool(rejected)
    return f"{string.note}: {', '.join(had) or 'no pluck at all'}"


def _chord(
    shape: str, instrument: Instrument, strings: Sequence[SurveyedString], a4_hz: float
) -> HeardChord:
    """The chord on the strings that were surveyed; the others are left out of it."""
    known = {string.number: string for string in strings}
    count = len(instrument.strings)
    frets = dict(zip(range(count, 0, -1), parse_shape(shape, count), strict=True))
    sounding = "-".join(
        "x" if fret is None or number not in known else str(fret) for number, fret in frets.items()
    )
    b_of = [known[n].stiffness_b or 0.0 if n in known else 0.0 for n in range(1, count + 1)]

    def move_mm(string: SurveyedString) -> float:
        return 0.0 if string.verdict.move is None else string.verdict.move.signed_mm

    def now(number: int, fret: int) -> float:
        return known[number].neck.expected_cents(fret)

    def then(number: int, fret: int) -> float:
        string = known[number]
        return after_move_cents(string.neck, fret, instrument, move_mm=move_mm(string))

    return HeardChord(
        shape,
        sound_chord(sounding, instrument, now, stiffness_b=b_of, a4_hz=a4_hz),
        sound_chord(sounding, instrument, then, stiffness_b=b_of, a4_hz=a4_hz),
        tuple(
            str(instrument.string(n).note)
            for n, fret in frets.items()
            if fret is not None and n not in known
        ),
    )


# -- document and figure ----------------------------------------------------------------------


def _document(result: _Result) -> dict[str, Any]:
    instrument = result.bench.instrument
    nut = nut_as_a_whole(
        [string.neck for string in result.strings], tolerance_cents=result.tolerance_cents
    )
    return {
        "schema": SCHEMA,
        "a4_hz": result.a4_hz,
        "instrument": instrument.name or None,
        "scale_mm": instrument.scale_mm,
        "bridge": str(instrument.bridge.kind),
        "tolerance_cents": result.tolerance_cents,
        "assumed": list(result.bench.assumed),
        "strings": [string_document(string) for string in result.strings],
        "too_little": [_had(string) for string in result.heard if not string.enough],
        "nut_as_a_whole_cents": None if nut is None else nut.mean,
        "nut_as_a_whole_u_cents": None if nut is None else nut.u,
        "chords": [chord_document(chord) for chord in result.chords],
        "readings": [
            {
                **reading_document(str(each.path), each.reading, a4_hz=result.a4_hz),
                "string": string.note.name,
                "fret": each.fret,
            }
            for string in result.heard
            for each in string.heard
        ],
    }


def _figure(result: _Result) -> Figure:
    from pitchbench.report.figures import neck_figure  # noqa: PLC0415  # matplotlib is slow

    return neck_figure(
        [(string.label, string.neck) for string in result.strings],
        tolerance_cents=result.tolerance_cents,
        title=result.bench.instrument.name or "Neck",
    )


# -- chords to hear ----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Sound:
    """Samples as a source, so that a recorder writes them."""

    name: str
    samples: NDArray[np.float32]
    rate_hz: int = _HEARD_RATE_HZ

    def blocks(self) -> Iterator[Block]:
        yield Block(self.samples, 0, self.rate_hz)


def _write_sound(hear: Path, result: _Result, force: bool) -> None:
    """Each chord as it is and as it would be, one after the other."""
    from pitchbench.sound.recorder import Recorder  # noqa: PLC0415  # only where sound is written

    pause = np.zeros(round(_BETWEEN_CHORDS_S * _HEARD_RATE_HZ), np.float32)
    pieces: list[NDArray[np.float32]] = []
    for chord in result.chords:
        for each in (chord.before, chord.after):
            if each.notes:
                tones = [_tone(note, result.strings) for note in each.notes]
                pieces += [chord_sound(tones, rate_hz=_HEARD_RATE_HZ), pause]
    if not pieces:
        raise PitchbenchError(
            "There is no chord to hear: none of its strings could be judged.",
            "Record the strings of the chord, each open and at two frets or more.",
            ExitCode.NO_READING,
        )
    sound = _Sound(str(hear), np.concatenate(pieces))
    for _ in Recorder(sound, hear, overwrite=force).blocks():
        pass
    click.echo(f"Chords, each before and after: {printable(str(hear))}", err=True)


def _tone(note: ChordNote, strings: Sequence[SurveyedString]) -> ChordTone:
    """A chord's note with the stiffness of its string, which grows by gamma^2 up the neck."""
    open_b = next(string.stiffness_b for string in strings if string.number == note.string)
    return ChordTone(note.pitch_hz, (open_b or 0.0) * fret_ratio(note.fret) ** 2)


# -- words -------------------------------------------------------------------------------------


def _remarks(result: _Result) -> list[tuple[str, str]]:
    """What stands beside the strings: strings left out, what is assumed, what to mind."""
    lines = [
        ("left out", f"{_had(string)}: too little to tell the nut from the saddle")
        for string in result.heard
        if not string.enough
    ]
    if len(result.heard) > 1:
        lines.append(("one file is one string", "; ".join(map(_files_words, result.heard))))
    lines += [("not counted", words) for string in result.heard for words in _uncounted(string)]
    nut = nut_as_a_whole(
        [string.neck for string in result.strings], tolerance_cents=result.tolerance_cents
    )
    if nut is not None:
        size = f"{nut.mean:+.1f} ± {COVERAGE_95 * nut.u:.1f} cents on the mean"
        lines.append(("nut", f"{size}, much the same on all strings: the nut, not its slots"))
    if result.bench.assumed and any(string.verdict.move for string in result.strings):
        lines.append(("assumed", "; ".join(result.bench.assumed)))
    if any(string.verdict.advice is NeckAdvice.TAKE_MORE for string in result.strings):
        lines.append(
            (
                "more takes",
                "play each note two or three times; frettings of one note are taken to spread by "
                "2 cents until repeats show better (or say it with --spread)",
            )
        )
    return lines


def _files_words(string: _HeardString) -> str:
    """ "E2 e-low.wav, e-high.wav"."""
    return f"{string.note} {', '.join(dict.fromkeys(each.path.name for each in string.heard))}"


def _uncounted(string: _HeardString) -> list[str]:
    """Plucks of a string that lie on none of its frets."""
    return [
        f"at {each.reading.onset_s:.2f} s of {each.path.name}, on no fret of {string.note}: "
        "another string, or between two frets"
        for each in string.heard
        if each.reading.settled and each.fret is None
    ]


def _lines(result: _Result) -> list[tuple[str, str]]:
    """Label and words of every line, what to do first."""
    lines = [("do", advice_words(string, result.tolerance_cents)) for string in result.strings]
    for string in result.strings:
        lines += [("found", f"{string.name}: {words}") for words in string.findings]
    for string in result.strings:
        lines.append((string.name, term_words(string)))
        lines += fret_words(string)
    for chord in result.chords:
        lines += [(f"chord {chord.shape}", words) for words in _chord_words(chord)]
    lines += _remarks(result)
    return lines + [("mind", words) for words in cautions(result.strings)]


def _chord_words(chord: HeardChord) -> list[str]:
    words = note_words(chord.before, chord.after)
    words += [
        interval_words(before, after)
        for before, after in zip(chord.before.intervals, chord.after.intervals, strict=True)
    ]
    if chord.left_out:
        words.append(f"without {', '.join(chord.left_out)}, not recorded")
    return words


def _print_page(result: _Result) -> None:
    from pitchbench.screen.neck import neck_picture  # noqa: PLC0415  # for terminals alone
    from pitchbench.screen.tables import Page  # noqa: PLC0415

    page = Page()
    for string in result.strings:
        page.say(advice_words(string, result.tolerance_cents), strong=True)
        for words in string.findings:
            page.say(f"- {words}", hanging=2)
    page.gap()

    labelled = [(string.label, string.neck) for string in result.strings]
    page.draw(partial(neck_picture, labelled, tolerance_cents=result.tolerance_cents))
    page.gap()
    for string in result.strings:
        page.say(f"{string.name}: {term_words(string)}", hanging=2)
    for chord in result.chords:
        page.gap()
        page.say(f"chord {chord.shape}: {', '.join(note_words(chord.before, chord.after))}")
        for words in _chord_words(chord)[len(chord.before.notes) :]:
            page.say(f"- {words}", hanging=2)
    remarks = _remarks(result)
    if remarks:
        page.gap()
    for label, words in remarks:
        page.say(f"{label}: {words}", hanging=2)
    if minded := cautions(result.strings):
        page.gap()
        for words in minded:
            page.say(f"- {words}", hanging=2)
