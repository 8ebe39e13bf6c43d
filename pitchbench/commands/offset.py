"""``pitchbench offset``: open against fretted in recordings, and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any, Final

import click

from pitchbench import ranges
from pitchbench.analysis.heard import Listened
from pitchbench.analysis.offset import ComparedPluck, LostPluck, OffsetResult, Role, compare, decide
from pitchbench.analysis.whole import NOT_HEARD, WholeInstrument, decide_strings, strings_in
from pitchbench.belief import half95
from pitchbench.commands.common import WholeQuantity, show_result
from pitchbench.commands.instrument_options import (
    Said,
    known_instrument,
    known_options,
    no_such_string,
)
from pitchbench.commands.listening import (
    ManyFiles,
    listen,
    listening_options,
    recordings_meant,
    refuse_twice,
    shown_all_the_same,
)
from pitchbench.errors import NoReadingError
from pitchbench.instrument import Instrument
from pitchbench.notes import Note, strings_words
from pitchbench.report.offset import (
    cautions,
    figures,
    noticed,
    offset_document,
    offset_lines,
    role_words,
    what_to_do,
    why_words,
)
from pitchbench.report.whole import (
    COLUMNS,
    in_short,
    lines,
    offsets_document,
    remarks,
    row,
    tuned_otherwise_words,
)

EXAMPLES = """\
  pitchbench offset low-e.wav --string E2               plucks in any order, told apart by pitch
  pitchbench offset low-e.wav --scale 628 --screw-pitch 0.5 --screw-heads tail
  pitchbench offset --open open*.wav --fretted 12th*.wav     which is which, said outright
  pitchbench offset b.wav --string B0 --instrument "Blue bass"   scale and bridge on record
  pitchbench offset all.m4a --instrument "Blue bass"    every string of it, one after the other
"""

FRET: Final = WholeQuantity("N", *ranges.FRET)


_PATHS: Final = click.Path(path_type=Path)


@click.command(
    cls=ManyFiles,
    several={"--open": 0, "--fretted": 0},
    examples=EXAMPLES,
)
@click.argument("files", nargs=-1, type=_PATHS, metavar="[FILE]...", callback=recordings_meant)
@click.option("--open", "opens", type=_PATHS, multiple=True, metavar="FILE...",
              callback=recordings_meant,
              help="Recordings of the open string alone.")  # fmt: skip
@click.option("--fretted", "fretteds", type=_PATHS, multiple=True, metavar="FILE...",
              callback=recordings_meant,
              help="Recordings of the fretted note alone.")  # fmt: skip
@click.option("--string", "string", metavar="NOTE",
              help="Open note, such as E2, or number of the string [inferred].")  # fmt: skip
@click.option("--fret", type=FRET, default=12, show_default=True, help="Fret that was played.")
@known_options("tolerance", "tuning", "capo")
@listening_options
def command(
    *,
    files: tuple[Path, ...],
    opens: tuple[Path, ...],
    fretteds: tuple[Path, ...],
    string: str | None,
    fret: int,
    channel: int | None,
    jobs: int | None,
    a4: float,
    plain: bool,
    output_format: str,
    **details: Any,
) -> None:
    """How far the fretted note is off, how sure that is, and how to move the saddle.

    Each FILE may hold several plucks of one string, open and fretted, in any order. Files are
    taken to follow one another in the order given, so that a drift of the string shows. A folder
    stands for the recordings in it.

    With an instrument or its tuning and no --string the plucks may be of all its strings: each is
    judged by itself.
    """
    said = Said(**details)
    instrument = said.instrument()
    paths = (*files, *opens, *fretteds)
    refuse_twice(paths)
    roles = [*[None] * len(files), *[Role.OPEN] * len(opens), *[Role.FRETTED] * len(fretteds)]
    sounds: list[Listened] = []
    with shown_all_the_same(sounds, output_format, a4_hz=a4):
        sounds += listen(paths, channel=channel, jobs=jobs, plain=plain)
        whole = None
        if string is None:
            whole = _whole(sounds, roles, instrument, said, fret=fret, a4_hz=a4)
        if whole is not None:
            show_result(
                output_format,
                plain,
                document=partial(offsets_document, whole, sounds),
                lines=partial(lines, whole),
                page=partial(_print_whole, whole),
            )
            return
        note = None if string is None else said.string(string)
        comparison = compare(sounds, roles, string=note, fret=fret, a4_hz=a4)
    known = known_instrument(instrument, [comparison.note], said)
    assumed = (*known.assumed, *_on(known.instrument, comparison.note, named=note is not None))
    if note is None and comparison.other_notes:
        meant = f"{comparison.note} is the string, of all notes that were heard"
        assumed = (f"{meant} (say it with --string, or --preset for all)", *assumed)
    result = decide(comparison, known.instrument, assumed=assumed, filed_mm=known.filed_mm)
    if output_format == "json":
        for words in result.assumed if result.move else ():
            click.echo(f"Assumed: {words}.", err=True)
    show_result(
        output_format,
        plain,
        document=partial(offset_document, result, sounds),
        lines=partial(offset_lines, result),
        page=partial(_print_page, result),
    )


#: Whose string is farther out of tune than this is asked which one it is.
_OUT_OF_TUNE_SEMITONES: Final = 1


def _on(instrument: Instrument, note: Note, *, named: bool) -> tuple[str, ...]:
    """What is assumed where the instrument has no string that is tuned to ``note``.

    Raises
    ------
    PitchbenchError
        If the note was not named and is near none of its strings either, or where a capo covers
        some strings alone: whether it is the nut of this one is not known, nor then its length.
    """
    if not instrument.strings or instrument.number_of(note):
        return ()
    off_semitones = [abs(note.midi - spec.note.midi) for spec in instrument.strings]
    strange = not named and min(off_semitones) > _OUT_OF_TUNE_SEMITONES
    if strange or instrument.capo_strings:
        raise no_such_string(instrument, note)
    return (f"the scale and bridge of an instrument that has no {note} string",)


def _whole(
    sounds: Sequence[Listened],
    roles: Sequence[Role | None],
    instrument: Instrument | None,
    said: Said,
    *,
    fret: int,
    a4_hz: float,
) -> WholeInstrument | None:
    """The strings of a known instrument; None where not more than one of them was heard."""
    if instrument is None:
        return None
    heard = strings_in(sounds, roles, instrument, fret=fret, a4_hz=a4_hz)
    if len(heard.keys() - {None}) < 2:
        return None
    known = known_instrument(instrument, [], said)
    whole = decide_strings(
        heard,
        known.instrument,
        fret=fret,
        a4_hz=a4_hz,
        assumed=known.assumed,
        filed_mm=known.filed_mm,
    )
    if not any(each.result for each in whole.strings):
        silent = [each.string for each in whole.strings if each.lacks_short == NOT_HEARD]
        told = [each for each in whole.strings if each.string not in silent]
        told.sort(key=lambda each: not each.plucks)
        why = [f"string {each.string}: {(each.lacks or '').rstrip('.')}" for each in told]
        if silent:
            why.append(f"{strings_words(silent)}: {NOT_HEARD}")
        lacks = "; ".join(why)
        otherwise = whole.semitones_off and tuned_otherwise_words(whole.semitones_off)
        raise NoReadingError(
            f"No string can be judged: {lacks}.",
            otherwise
            or "Record every string open and fretted, two seconds each, three times in turn.",
        )
    return whole


def _print_whole(whole: WholeInstrument) -> None:
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    page = Page()
    page.say(in_short(whole), strong=True)
    page.gap()
    columns = [Column(heading, right, width) for heading, right, width in COLUMNS]
    page.table(columns, [row(each, in_one_piece=whole.line is not None) for each in whole.strings])
    where = whole.instrument.places((each.string for each in whole.strings), whole.fret)
    page.say(f"cents at {where}, + is sharp; ± holds 95 %")
    if said := remarks(whole):
        page.gap()
        page.labelled(said)


def _print_page(result: OffsetResult) -> None:
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    page = Page()
    page.say(what_to_do(result), strong=True)
    page.say(why_words(result))
    for words in noticed(result):
        page.say(words)
    page.gap()
    page.labelled(figures(result))
    page.gap()
    page.table(
        [
            Column("at s"),
            Column("Hz", from_width=50),
            Column("cents"),
            Column("±"),
            Column("", right=False),
        ],
        [_row(each, result) for each in result.plucks],
    )
    page.say(
        "fretted in cents from the open mean and the fret, others from the note; ± holds 95 %",
    )
    if minded := cautions(result):
        page.gap()
        page.items(minded)


def _row(each: ComparedPluck | LostPluck, result: OffsetResult) -> list[str]:
    if isinstance(each, LostPluck):
        return [f"{each.at_s:.2f}", "-", "-", "-", role_words(each, result)]
    return [
        f"{each.at_s:.2f}",
        f"{each.reading.pitch_hz:.3f}",
        f"{result.off_cents(each):+.2f}",
        f"{half95(each.reading.u_cents):.2f}",
        role_words(each, result),
    ]
