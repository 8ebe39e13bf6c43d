"""The neck as a picture in the terminal: cents per string and fret, with a scale of marks.

Seen as in tablature: string 1 on top, the nut on the left. Sign and number say what is there; the
marks below each string say it again by shape, one for each tolerance that the note is off by.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from rich.cells import cell_len
from rich.text import Text

from pitchbench.instrument import Instrument
from pitchbench.intonation.neck import StringNeck
from pitchbench.screen.text import signed, wrapped
from pitchbench.screen.theme import Theme
from pitchbench.units import in_cents

#: Cells per fret: the most, with one decimal, with a fret wire, and the least.
_WIDEST: Final = 10
_WITH_DECIMAL: Final = 8
_WITH_WIRE: Final = 6
_NARROWEST: Final = 4

#: No more marks than this: what is farther off than that is far off.
_MOST_MARKS: Final = 3


@dataclass(frozen=True)
class NeckRow:
    """One string of the picture.

    Parameters
    ----------
    cents : offset by fret of the neck; None where the note was heard and its offset is not known
        yet.
    stands_out : frets that the others do not explain.
    asked : the fret to be played next, None for none.
    """

    label: str
    cents: Mapping[int, float | None]
    stands_out: Collection[int] = ()
    asked: int | None = None


def neck_picture(
    strings: Sequence[tuple[str, StringNeck]],
    instrument: Instrument,
    *,
    tolerance_cents: float,
    width: int,
    theme: Theme,
) -> list[Text]:
    """Lines of at most ``width`` cells with their scale; a neck too long for it goes on below.

    Parameters
    ----------
    strings : label and survey of each, from the highest string to the lowest.
    instrument : where their frets are on the neck.
    tolerance_cents : what one mark stands for.
    """
    at = instrument.neck_fret
    rows = [
        NeckRow(
            label,
            {at(neck.string, fret.fret): fret.offset_cents for fret in neck.frets},
            [at(neck.string, fret.fret) for fret in neck.frets if fret.isolated],
        )
        for label, neck in strings
    ]
    return [
        *neck_lines(rows, tolerance_cents=tolerance_cents, width=width, theme=theme),
        *scale_lines(tolerance_cents, "* stands out from the other frets", width, theme),
    ]


def neck_lines(
    rows: Sequence[NeckRow],
    *,
    tolerance_cents: float,
    width: int,
    theme: Theme,
    frets: Collection[int] = (),
    marks: bool = True,
) -> list[Text]:
    """The picture without its scale.

    Parameters
    ----------
    frets : those that have a place even where nothing was heard.
    marks : whether the marks stand below each string.
    """
    shown = sorted({*frets, *(fret for row in rows for fret in row.cents)})
    margin = max(cell_len(row.label) for row in rows) + 2
    per_line = max(1, (width - margin) // _NARROWEST)
    parts = -(-len(shown) // per_line)
    per_line = -(-len(shown) // parts)  # of like length
    cells = min(_WIDEST, (width - margin) // per_line)
    lines: list[Text] = []
    for first in range(0, len(shown), per_line):
        grid = _Grid(shown[first : first + per_line], margin, cells)
        lines.append(Text("fret".ljust(margin) + "".join(_heading(n, cells) for n in grid.frets)))
        for row in rows:
            lines.append(_string_line(row, grid, theme))
            if marks:
                lines.append(_mark_line(row, grid, tolerance_cents, theme))
    return lines


def _heading(fret: int, cells: int) -> str:
    """The fret's number above the last digit of its cents."""
    return f"{fret} ".rjust(cells) if cells >= _WITH_WIRE else str(fret).rjust(cells)


@dataclass(frozen=True)
class _Grid:
    """Where the frets of one part of the picture stand: cells left of them, and cells for each."""

    frets: Sequence[int]
    margin: int
    cells: int


def _string_line(row: NeckRow, grid: _Grid, theme: Theme) -> Text:
    line = Text(row.label.ljust(grid.margin - 1))
    line.append(theme.glyphs.nut, theme.quiet)
    wire = theme.glyphs.fret if grid.cells >= _WITH_WIRE else ""
    for fret in grid.frets:
        number = _number(row, fret, grid.cells, theme)
        line.append(theme.glyphs.rule * (grid.cells - len(wire) - cell_len(number)), theme.quiet)
        line.append(number, theme.number)
        line.append(wire, theme.quiet)
    return line


def _number(row: NeckRow, fret: int, cells: int, theme: Theme) -> str:
    """What stands at a fret: cents, or a mark where it is asked for or waits for the open note."""
    if fret == row.asked:
        return f" {theme.glyphs.current}"
    if fret not in row.cents:
        return ""
    cents = row.cents[fret]
    if cents is None:
        return " ?"
    digits = 1 if cells >= _WITH_DECIMAL else 0
    return f" {signed(cents, digits=digits, theme=theme)}" + "*" * (fret in row.stands_out)


def _mark_line(row: NeckRow, grid: _Grid, tolerance_cents: float, theme: Theme) -> Text:
    sharp, flat = _marks(theme)
    line = " " * grid.margin
    cells = grid.cells
    for fret in grid.frets:
        marks = ""
        cents = row.cents.get(fret)
        if cents is not None:
            count = min(_MOST_MARKS, int(abs(cents) / tolerance_cents))
            marks = (sharp if cents > 0 else flat) * count
        line += f"{marks} ".rjust(cells) if cells >= _WITH_WIRE else marks.rjust(cells)
    return Text(line.rstrip())


def _marks(theme: Theme) -> tuple[str, str]:
    return ("▲", "▼") if theme.glyphs.unicode else ("^", "v")


def scale_lines(tolerance_cents: float, more: str, width: int, theme: Theme) -> list[Text]:
    """What the marks of the picture mean, and ``more`` of them."""
    sharp, flat = _marks(theme)
    words = (
        f"cents; {sharp} sharp, {flat} flat, one for each {in_cents(tolerance_cents)}, "
        f"{_MOST_MARKS} at most; {more}; blank: not heard"
    )
    return wrapped(words, width, style=theme.quiet)
