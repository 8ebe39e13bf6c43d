"""``pitchbench offset``: open against fretted in recordings, and what to do about it."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any, Final

import click

from pitchbench.analysis.offset import ComparedPluck, OffsetResult, Role, compare, decide
from pitchbench.commands.bench import Said, bench_for, bench_options
from pitchbench.commands.common import TOLERANCE, WholeQuantity, show_result
from pitchbench.commands.listening import (
    ManyFiles,
    listen,
    listening_options,
    named_instrument,
    refuse_twice,
)
from pitchbench.intonation.bridge import Move
from pitchbench.intonation.offset import Group
from pitchbench.intonation.verdict import Decision, MoreTakes
from pitchbench.notes import Note, ordinal
from pitchbench.report.readings import (
    COVERAGE_95,
    move_document,
    quality_words,
    reading_document,
    value,
)
from pitchbench.session.words import move_words, offset_words

EXAMPLES = """\
  pitchbench offset low-e.wav --string E2               plucks in any order, told apart by pitch
  pitchbench offset low-e.wav --scale 628 --pitch-per-turn 0.5 --screw-heads tail
  pitchbench offset --open open*.wav --fretted 12th*.wav     which is which, said outright
  pitchbench offset b.wav --string B0 --instrument "Blue bass"   scale and bridge on record
"""

_SCHEMA: Final = "pitchbench.offset/1"

FRET: Final = WholeQuantity("N", 1, 24, "the fret that was played")

#: So near the nut the saddle has a quarter of its leverage at the 12th fret at most.
_NEAR_THE_NUT: Final = 4


_PATHS: Final = click.Path(path_type=Path)


@click.command(cls=ManyFiles, several={"--open", "--fretted"}, examples=EXAMPLES)
@click.argument("files", nargs=-1, type=_PATHS, metavar="[FILE]...")
@click.option("--open", "opens", type=_PATHS, multiple=True, metavar="FILE...",
              help="Recordings of the open string alone.")  # fmt: skip
@click.option("--fretted", "fretteds", type=_PATHS, multiple=True, metavar="FILE...",
              help="Recordings of the fretted note alone.")  # fmt: skip
@click.option("--string", "string", metavar="NOTE", help="Open note, such as E2 [inferred].")
@click.option("--fret", type=FRET, default=12, show_default=True, help="Fret that was played.")
@bench_options
@click.option("--tolerance", type=TOLERANCE, help="Offset that may be left alone [2].")
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
    instrument = named_instrument(said.preset_name, said.name, said.store)
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
    bench = bench_for(instrument, [comparison.note], said)
    result = decide(comparison, bench.instrument, tolerance_cents=tolerance, assumed=bench.assumed)
    if output_format == "json":
        for words in result.assumed if result.move else ():
            click.echo(f"Assumed: {words}.", err=True)
    show_result(
        output_format,
        plain,
        document=partial(_document, result),
        lines=partial(_lines, result),
        page=partial(_print_page, result),
    )


# -- document ----------------------------------------------------------------------------------


def _document(result: OffsetResult) -> dict[str, Any]:
    offset, verdict = result.offset, result.verdict
    return {
        "schema": _SCHEMA,
        "a4_hz": result.a4_hz,
        "string": result.note.name,
        "fret": offset.fret,
        "open": _group_document(offset.open),
        "fretted": _group_document(offset.fretted),
        "offset_cents": offset.offset_cents,
        "u_cents": offset.u_cents,
        "interval95_cents": list(offset.interval95_cents),
        "drift_cents_per_min": offset.drift_cents_per_min,
        "tolerance_cents": verdict.tolerance_cents,
        "verdict": str(verdict.decision),
        "p_within": verdict.p_within,
        "border": verdict.border,
        "explanation": verdict.explanation,
        "more_takes": _more_document(verdict.more_takes),
        "move": None if result.move is None else move_document(result.move),
        "scale_mm": result.instrument.scale_mm,
        "bridge": str(result.instrument.bridge.kind),
        "assumed": list(result.assumed),
        "readings": [
            {
                **reading_document(each.source, each.reading, a4_hz=result.a4_hz),
                "role": None if each.role is None else str(each.role),
                "stray": result.stray(each),
            }
            for each in result.plucks
        ],
    }


def _group_document(group: Group) -> dict[str, Any]:
    return {"n": group.n, "mean_hz": group.mean_hz, "spread_cents": group.spread_cents}


def _more_document(more: MoreTakes | None) -> dict[str, int] | None:
    return None if more is None else {"open": more.open, "fretted": more.fretted}


# -- words -------------------------------------------------------------------------------------


def _what_to_do(result: OffsetResult) -> str:
    """The one sentence that the whole command is for."""
    if result.move is not None:
        seen = ", seen from the screw head" if result.move.rotation else ""
        return f"Move the saddle {move_words(result.move)}{seen}."
    if result.verdict.decision is Decision.LEAVE:
        return "Leave the saddle where it is."
    if result.verdict.border:
        return "On the border: more takes would hardly decide it."
    return "Take more before you touch the saddle."


def _lines(result: OffsetResult) -> list[tuple[str, str]]:
    """Label and words of every line, the sentence that says what to do first."""
    lines = [("do", _what_to_do(result)), ("why", result.verdict.explanation)]
    lines += _figures(result)
    lines += [
        (f"take {number}", _take_words(each, result))
        for number, each in enumerate(result.plucks, start=1)
    ]
    return lines + [("mind", words) for words in _cautions(result)]


def _figures(result: OffsetResult) -> list[tuple[str, str]]:
    offset, move = result.offset, result.move
    low, high = offset.interval95_cents
    lines = [
        (
            f"offset at the {ordinal(offset.fret)} fret",
            f"{offset_words(offset)}, 95 % between {low:+.1f} and {high:+.1f}",
        )
    ]
    if move is not None:
        lines.append(("move", f"{move_words(move)}, 95 % between {_interval_words(move)}"))
    lines += [
        (f"open {result.note}", _group_words(offset.open)),
        (f"{ordinal(offset.fret)} fret", _group_words(offset.fretted)),
    ]
    if offset.drift_cents_per_min:
        drift = f"{offset.drift_cents_per_min:+.2f} cents per minute, taken off"
        lines.append(("drift of the string", drift))
    if move is not None and result.assumed:
        lines.append(("assumed", "; ".join(result.assumed)))
    return lines


def _interval_words(move: Move) -> str:
    low, high = move.interval95_mm
    return f"{low:.1f} and {high:.1f} mm"


def _group_words(group: Group) -> str:
    takes = f"{group.n} take{'s' * (group.n != 1)}, {group.mean_hz:.3f} Hz"
    if group.spread_cents is None:
        return f"{takes}, spread not known: a usual one is assumed"
    return f"{takes}, spread {group.spread_cents:.1f} cents"


def _take_words(each: ComparedPluck, result: OffsetResult) -> str:
    reading = each.reading
    words = [_role_words(each, result), each.where]
    if reading.settled:
        cents, half = result.off_cents(each), COVERAGE_95 * (reading.u_cents or 0.0)
        words += [f"{value(reading.pitch_hz, 3)} Hz", f"{cents:+.2f} ± {half:.2f} cents"]
    return ", ".join(words)


def _role_words(each: ComparedPluck, result: OffsetResult) -> str:
    if each.role is None:
        return f"rejected, {quality_words(each.reading)}"
    if each.role is Role.OTHER:
        return "not counted, another note or string"
    words = "open" if each.role is Role.OPEN else f"{ordinal(result.offset.fret)} fret"
    return f"{words}, stands out from the others" if result.stray(each) else words


def _cautions(result: OffsetResult) -> tuple[str, ...]:
    if result.move is None:
        return ()
    cautions = result.move.cautions
    if result.offset.fret <= _NEAR_THE_NUT:
        return (
            "So near the nut a saddle does little: compare at the 12th fret first, and if that "
            "one is good, it is the nut.",
            *cautions,
        )
    return cautions


def _print_page(result: OffsetResult) -> None:
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    page = Page()
    page.say(_what_to_do(result), strong=True)
    page.say(result.verdict.explanation)
    page.gap()
    for label, words in _figures(result):
        page.say(f"{label}: {words}", hanging=2)
    page.gap()
    page.table(
        [
            Column("at s"),
            Column("Hz"),
            Column("cents"),
            Column("±", from_width=50),
            Column("", right=False),
        ],
        [_row(each, result) for each in result.plucks],
    )
    page.say(
        "fretted in cents from the open mean and the fret, others from the note; ± holds 95 %",
    )
    if cautions := _cautions(result):
        page.gap()
        for words in cautions:
            page.say(f"- {words}", hanging=2)


def _row(each: ComparedPluck, result: OffsetResult) -> list[str]:
    reading = each.reading
    cents = result.off_cents(each) if reading.settled else None
    half = COVERAGE_95 * (reading.u_cents or 0.0) if reading.settled else None
    return [
        value(each.at_s, 2),
        value(reading.pitch_hz if reading.settled else None, 3),
        value(cents, 2, sign=True),
        value(half, 2),
        _role_words(each, result),
    ]
