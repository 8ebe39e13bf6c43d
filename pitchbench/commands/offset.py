"""``pitchbench offset``: open against fretted in recordings, and what to do about it."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any, Final

import click

from pitchbench.analysis.offset import ComparedPluck, LostPluck, OffsetResult, Role, compare, decide
from pitchbench.belief import half95
from pitchbench.commands.common import WholeQuantity, show_result
from pitchbench.commands.instrument_options import Said, known_instrument, known_options
from pitchbench.commands.listening import (
    ManyFiles,
    listen,
    listening_options,
    refuse_twice,
)
from pitchbench.intonation.verdict import explain
from pitchbench.notes import Note
from pitchbench.report.offset import (
    cautions,
    figures,
    noticed,
    offset_document,
    offset_lines,
    role_words,
    what_to_do,
)

EXAMPLES = """\
  pitchbench offset low-e.wav --string E2               plucks in any order, told apart by pitch
  pitchbench offset low-e.wav --scale 628 --screw-pitch 0.5 --screw-heads tail
  pitchbench offset --open open*.wav --fretted 12th*.wav     which is which, said outright
  pitchbench offset b.wav --string B0 --instrument "Blue bass"   scale and bridge on record
"""

FRET: Final = WholeQuantity("N", 1, 24, "the fret that was played")


_PATHS: Final = click.Path(path_type=Path)


@click.command(
    cls=ManyFiles,
    several={"--open": 0, "--fretted": 0},
    examples=EXAMPLES,
)
@click.argument("files", nargs=-1, type=_PATHS, metavar="[FILE]...")
@click.option("--open", "opens", type=_PATHS, multiple=True, metavar="FILE...",
              help="Recordings of the open string alone.")  # fmt: skip
@click.option("--fretted", "fretteds", type=_PATHS, multiple=True, metavar="FILE...",
              help="Recordings of the fretted note alone.")  # fmt: skip
@click.option("--string", "string", metavar="NOTE", help="Open note, such as E2 [inferred].")
@click.option("--fret", type=FRET, default=12, show_default=True, help="Fret that was played.")
@known_options("tolerance")
@listening_options
def command(
    *,
    files: tuple[Path, ...],
    opens: tuple[Path, ...],
    fretteds: tuple[Path, ...],
    string: str | None,
    fret: int,
    tolerance: float | None,
    channel: int | None,
    jobs: int | None,
    a4: float,
    plain: bool,
    output_format: str,
    **details: Any,
) -> None:
    """How far the fretted note is off, how sure that is, and how to move the saddle.

    Each FILE may hold several plucks of one string, open and fretted, in any order. Files are
    taken to follow one another in the order given, so that a drift of the string shows.
    """
    said = Said(**details)
    instrument = said.instrument()
    paths = (*files, *opens, *fretteds)
    refuse_twice(paths)
    roles = [*[None] * len(files), *[Role.OPEN] * len(opens), *[Role.FRETTED] * len(fretteds)]
    comparison = compare(
        listen(paths, channel=channel, jobs=jobs, plain=plain),
        roles,
        string=None if string is None else Note.parse(string),
        fret=fret,
        a4_hz=a4,
    )
    known = known_instrument(instrument, [comparison.note], said)
    result = decide(comparison, known.instrument, tolerance_cents=tolerance, assumed=known.assumed)
    if output_format == "json":
        for words in result.assumed if result.move else ():
            click.echo(f"Assumed: {words}.", err=True)
    show_result(
        output_format,
        plain,
        document=partial(offset_document, result),
        lines=partial(offset_lines, result),
        page=partial(_print_page, result),
    )


def _print_page(result: OffsetResult) -> None:
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    page = Page()
    page.say(what_to_do(result), strong=True)
    page.say(explain(result.offset, result.verdict))
    for words in noticed(result):
        page.say(words)
    page.gap()
    for label, words in figures(result):
        page.say(f"{label}: {words}", hanging=2)
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
        for words in minded:
            page.say(f"- {words}", hanging=2)


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
