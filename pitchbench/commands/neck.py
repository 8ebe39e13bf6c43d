"""``pitchbench neck``: several frets per string, by ear or from recordings: what ails the neck."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from pitchbench.analysis.heard import Listened
from pitchbench.analysis.neck import Judged, NeckResult, by_string, heard_string, judge_neck
from pitchbench.commands import completion
from pitchbench.commands.chords_heard import check_hear, write_chords
from pitchbench.commands.common import (
    FOR_RECORDINGS,
    Quantity,
    WholeQuantity,
    open_records,
    refuse_idle,
    refuse_microphone,
    show_result,
    tell,
)
from pitchbench.commands.guided import Start, keeping_of, shown, worked
from pitchbench.commands.instrument_options import (
    KnownInstrument,
    Said,
    known_instrument,
    known_options,
)
from pitchbench.commands.listening import (
    ManyFiles,
    listen,
    listening_options,
    recordings_meant,
    refuse_twice,
    shown_all_the_same,
)
from pitchbench.commands.live import Sound, input_options, listening_to
from pitchbench.commands.neck_live import gone_on_with, plan_for, to_be_heard
from pitchbench.commands.neck_options import read_weights, string_number
from pitchbench.commands.pictures import check_picture, picture_options, write_picture
from pitchbench.commands.resuming import refuse_otherwise
from pitchbench.commands.telling import Told, telling, telling_options
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.intonation.chords import parse_shape
from pitchbench.intonation.offset import DEFAULT_PRIOR, ScatterPrior
from pitchbench.intonation.played import read_played
from pitchbench.notes import Note
from pitchbench.presets import preset
from pitchbench.records.model import SessionKind
from pitchbench.report.neck_document import neck_document
from pitchbench.report.neck_words import (
    advice_words,
    cautions,
    chord_words,
    compromise_words,
    files_words,
    note_words,
    remarks,
    result_lines,
    term_words,
)
from pitchbench.report.on_record import heard_in_survey
from pitchbench.screen.pictures import SURVEY
from pitchbench.session.log import Setup
from pitchbench.session.survey import begin

if TYPE_CHECKING:
    from matplotlib.figure import Figure

EXAMPLES = """\
  pitchbench neck --instrument "Blue bass"                by ear: it asks for one note at a time
  pitchbench neck --preset six-string --frets 1,3,5,12 --string E2 --string A2
  pitchbench neck g.wav --string G3                       a recording: nut, saddle or a fret?
  pitchbench neck --string E2 e*.wav --string A2 a*.wav   each string with its files
  pitchbench neck *.flac --tuning "E2 A2 D3 G3 B3 E4"     each file's lowest note names its string
  pitchbench neck *.flac --preset six-string --chord x32010 --chord 022100
  pitchbench neck --session last --play "open chords"     saddles and open strings together
  pitchbench neck --session last --weights 1:1,3:2,12:1 --out neck.svg
"""

SPREAD: Final = Quantity("CENTS", 0.1, 20.0, "how far your frettings of one note spread in cents")
TAKES: Final = WholeQuantity("N", 1, 20, "how often each note is to be played")

_PATH: Final = click.Path(path_type=Path)


@click.command(
    cls=ManyFiles, several={"--string": 1}, given_as={"--string": "--of"}, examples=EXAMPLES
)
@click.argument("files", nargs=-1, type=_PATH, metavar="[FILE]...", callback=recordings_meant)
@click.option("--string", "strings", multiple=True, metavar="NOTE [FILE]...",
              help="Open note of a string, such as E2, or its number; its recordings.")  # fmt: skip
@click.option("--of", "of_string", nargs=2, type=(str, _PATH), multiple=True, hidden=True)
@known_options("tuning", "tolerance", "capo")
@click.option("--frets", metavar="N,N,...",
              help="Frets of the neck that you use; by ear they are asked for "
              "[1,3,5,7,9,12,15,17, above a capo; in recordings all that were heard].")  # fmt: skip
@click.option(
    "--weights", metavar="N:W,...", help="Frets of the neck that you use, and how much each."
)
@click.option("--takes", type=TAKES, default=1, show_default=True,
              help="By ear: how often each note is asked for.")  # fmt: skip
@input_options
@click.option("--keep/--no-keep", default=True, help="By ear: on record or not [yes].")
@click.option("--resume", "resumed", metavar="SESSION", is_flag=False, flag_value="last",
              shell_complete=completion.sessions,
              help="Go on with a survey that was broken off: the last, or this one.")  # fmt: skip
@click.option("--session", "session", metavar="SESSION", shell_complete=completion.sessions,
              help="Show a survey on record again: its id, or last.")  # fmt: skip
@click.option("--chord", "shapes", multiple=True, metavar="SHAPE",
              help="Shape to judge, low string first: x32010 or x-10-12-12-10-x.")  # fmt: skip
@click.option("--play", "played", multiple=True, metavar="WORDS",
              help='What you use: "open chords", "up to fret 5", "lead above 12" or a shape; finds '
              "the best compromise of saddles and open strings.")  # fmt: skip
@click.option("--hear", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="The chords as they sound, before and after: .wav or .flac.")  # fmt: skip
@click.option("--spread", type=SPREAD, help="Spread of your frettings, if known [2, or as heard].")
@picture_options
@telling_options
@listening_options
def command(
    *,
    files: tuple[Path, ...],
    strings: tuple[str, ...],
    of_string: tuple[tuple[str, Path], ...],
    frets: str | None,
    weights: str | None,
    session: str | None,
    resumed: str | None,
    shapes: tuple[str, ...],
    played: tuple[str, ...],
    hear: Path | None,
    spread: float | None,
    out: Path | None,
    force: bool,
    channel: int | None,
    jobs: int | None,
    a4: float,
    plain: bool,
    output_format: str,
    **rest: Any,
) -> None:
    """Tell nut, saddle and single frets apart, and find the saddle that is best over the neck.

    Without FILE it listens: it asks for each string open and at several frets, one note after the
    other. Each FILE holds plucks of one string, in any order, told apart by pitch.
    """
    check_picture(out, force=force)
    check_hear(hear, shapes, force)
    said = Said(**{name: rest.pop(name) for name in Said.__dataclass_fields__})
    asked = _Asked(
        weights=read_weights(frets, weights),
        prior=DEFAULT_PRIOR if spread is None else replace(DEFAULT_PRIOR, fretted_cents=spread),
        a4_hz=a4,
        strings=tuple(dict.fromkeys(map(said.string, strings))),
        shapes=shapes,
        played=played,
        channel=channel,
        jobs=jobs,
        plain=plain,
        output_format=output_format,
    )
    put = [(path, said.string(text)) for text, path in of_string]
    paths = [*((path, None) for path in files), *put]
    if sum(map(bool, (paths, session, resumed))) > 1:
        raise PitchbenchError(
            "More than one of recordings, --session and --resume was given.", "Give one of them."
        )
    sounds: list[Listened] = []
    on_record = "of a survey on record"
    if session or resumed:
        refuse_idle(["strings", "takes"], on_record, "It is as it was begun: leave that out.")
    if paths:
        refuse_microphone("record", "takes", "keep", why="of recordings")
        with shown_all_the_same(sounds, output_format, a4_hz=a4):
            result = _from_files(paths, said, asked, sounds)
    elif session is not None:
        refuse_microphone("record", "keep", why=on_record)
        refuse_idle(["channel", "jobs"], on_record, FOR_RECORDINGS)
        result = _from_record(session, said, asked)
    else:
        refuse_idle(["jobs"], "by ear", FOR_RECORDINGS)
        result = _by_ear(said, asked, resumed=resumed, **rest)
    _show(result, asked, sounds)  # first: where no file can be written, it is not lost
    if out is not None:
        write_picture(out, _figure(result), force=force)
    if hear is not None:
        write_chords(hear, result, force=force)


@dataclass(frozen=True)
class _Asked:
    """The question put to a neck, apart from the instrument."""

    weights: Mapping[int, float] | None
    prior: ScatterPrior
    a4_hz: float
    strings: tuple[Note, ...]
    shapes: tuple[str, ...]
    played: tuple[str, ...]
    channel: int | None
    jobs: int | None
    plain: bool
    output_format: str

    def check_shapes(self, instrument: Instrument | None) -> None:
        """Before the work, not after it."""
        if (self.shapes or self.played) and instrument is None:
            raise PitchbenchError(
                "To judge what is played, all strings must be known.",
                'Say them with --tuning "E2 A2 D3 G3 B3 E4", --preset or --instrument.',
            )
        for shape in self.shapes:
            parse_shape(shape, len(instrument.strings) if instrument else 0)
        if instrument is not None:
            read_played(self.played, instrument)

    def judged(self, known: KnownInstrument) -> Judged:
        """By what the neck of this instrument is judged."""
        return Judged(
            known.instrument,
            known.assumed,
            self.weights,
            self.prior,
            self.a4_hz,
            known.filed_mm,
        )


def _from_files(
    paths: Sequence[tuple[Path, Note | None]],
    said: Said,
    asked: _Asked,
    sounds: list[Listened],
) -> NeckResult:
    """Recordings, which are put to ``sounds``: one file is one string."""
    refuse_twice([path for path, _ in paths])
    instrument = said.instrument()
    asked.check_shapes(instrument)
    for note in asked.strings:
        string_number(note, instrument)
    sounds += listen(
        [path for path, _ in paths], channel=asked.channel, jobs=asked.jobs, plain=asked.plain
    )
    told = zip(sounds, [note for _, note in paths], strict=True)
    grouped = by_string(told, asked.strings, instrument, asked.a4_hz)
    known = known_instrument(instrument, grouped, said)
    heard = [
        heard_string(note, sounds, known.instrument, asked.a4_hz)
        for note, sounds in grouped.items()
    ]
    remarks = [("one file is one string", "; ".join(map(files_words, heard)))]
    return judge_neck(
        heard,
        asked.judged(known),
        shapes=asked.shapes,
        played=asked.played,
        remarks=remarks * (len(heard) > 1),
    )


def _from_record(words: str, said: Said, asked: _Asked) -> NeckResult:
    """A survey by ear that is on record."""
    with open_records(said.store) as repository:
        record = repository.session(repository.find_session(words, kind=SessionKind.NECK))
        # How it is judged may be another; what was heard is what it was.
        refuse_otherwise(repository, record, ("preset_name", "name", "a4", "tuning", "capo"))
    asked = replace(asked, a4_hz=record.setup.a4_hz)
    instrument = record.setup.judged
    # What was filed since, it was not heard with.
    of_then = replace(said, preset_name=instrument.name, name=None)
    known = replace(known_instrument(instrument, (), of_then), filed_mm=record.setup.filed_mm)
    asked.check_shapes(instrument)
    return judge_neck(
        heard_in_survey(record.log, record.meta.source),
        asked.judged(known),
        shapes=asked.shapes,
        played=asked.played,
        session=record.meta.id,
    )


def _by_ear(
    said: Said,
    asked: _Asked,
    *,
    takes: int,
    keep: bool,
    resumed: str | None,
    device: str | None,
    rate: int,
    record: Path | None,
    told: Told,
) -> NeckResult:
    """A survey with the microphone."""
    with contextlib.ExitStack() as stack:
        teller = stack.enter_context(telling(SURVEY, told))
        repository = None
        if keep or resumed:
            repository = stack.enter_context(open_records(said.store, begin=resumed is None))
        if resumed is not None:
            assert repository is not None
            start = gone_on_with(stack, repository, resumed)
            setup = start.job.setup
            known = KnownInstrument(setup.judged, filed_mm=setup.filed_mm)
            asked = replace(asked, a4_hz=setup.a4_hz)
            by = asked.judged(known)
        else:
            instrument = said.instrument(preset("six-string"))
            known = known_instrument(instrument, (), said)
            by = asked.judged(known)
            numbers = [string_number(note, instrument) or 1 for note in asked.strings]
            setup = Setup(
                known.instrument,
                prior=asked.prior,
                a4_hz=asked.a4_hz,
                tolerance_cents=known.instrument.tolerance_cents,
                strings=tuple(numbers),
                filed_mm=known.filed_mm,
            )
            start = Start(begin(plan_for(setup, asked.weights, takes)))
        asked.check_shapes(known.instrument)
        source, hearing = stack.enter_context(
            listening_to(Sound(device, rate, asked.channel, record), teller)
        )
        keeping = None
        if repository is not None:
            heard = to_be_heard(start.job.plan)
            keeping = keeping_of(
                stack, repository, start, source, heard, record=record, kind=SessionKind.NECK
            )
        screen = stack.enter_context(shown(SURVEY, asked.output_format, asked.plain, source))
        survey = worked(
            source,
            start.job,
            screen,
            keeping,
            store=said.store,
            hearing=hearing,
            teller=teller,
        )
    return judge_neck(
        heard_in_survey(survey.log, source.name),
        by,
        shapes=asked.shapes,
        played=asked.played,
        session=None if keeping is None else keeping.session_id,
    )


# -- what is shown -----------------------------------------------------------------------------


def _show(result: NeckResult, asked: _Asked, sounds: Sequence[Listened]) -> None:
    if asked.output_format == "json":
        for words in result.judged.assumed:
            tell(f"Assumed: {words}.")
    show_result(
        asked.output_format,
        asked.plain,
        document=partial(neck_document, result, sounds),
        lines=partial(result_lines, result),
        page=partial(_print_page, result),
    )


def _figure(result: NeckResult) -> Figure:
    from pitchbench.report.figures import neck_figure  # noqa: PLC0415  # matplotlib is slow

    instrument = result.judged.instrument
    return neck_figure(
        result.necks,
        instrument,
        tolerance_cents=result.judged.tolerance_cents,
        title=instrument.name or "Neck",
    )


def _print_page(result: NeckResult) -> None:
    from pitchbench.screen.neck import neck_picture  # noqa: PLC0415  # for terminals alone
    from pitchbench.screen.tables import Page  # noqa: PLC0415

    tolerance_cents = result.judged.tolerance_cents
    page = Page()
    for string in result.strings:
        page.say(advice_words(string), strong=True)
        page.items(string.findings)
    page.gap()

    draw = partial(neck_picture, result.necks, result.judged.instrument)
    page.draw(partial(draw, tolerance_cents=tolerance_cents))
    page.gap()
    page.labelled((string.name, term_words(string)) for string in result.strings)
    for chord in result.chords:
        page.gap()
        page.say(f"chord {chord.shape}: {', '.join(note_words(chord.before, chord.after))}")
        page.items(chord_words(chord)[len(chord.before.notes) :])
    if best := compromise_words(result):
        page.gap()
        page.say(best[0], strong=True)
        page.items(best[1:])
    if stated := remarks(result):
        page.gap()
        page.labelled(stated)
    if minded := cautions(result):
        page.gap()
        page.items(minded)
