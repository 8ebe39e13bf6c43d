"""The neck as a picture in the terminal: cents per string and fret, with a scale of marks.

Seen as in tablature: string 1 on top, the nut on the left. Sign and number say what is there; the
marks below each string say it again by shape, one for each tolerance that the note is off by.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from rich.cells import cell_len
from rich.text import Text

from pitchbench.intonation.neck import FretOffset, StringNeck
from pitchbench.screen.text import signed, wrapped
from pitchbench.screen.theme import Theme

#: Cells per fret: the most, with one decimal, with a fret wire, and the least.
_WIDEST: Final = 10
_WITH_DECIMAL: Final = 8
_WITH_WIRE: Final = 6
_NARROWEST: Final = 4

#: No more marks than this: what is farther off than that is far off.
_MOST_MARKS: Final = 3


def neck_picture(
    strings: Sequence[tuple[str, StringNeck]],
    *,
    tolerance_cents: float,
    width: int,
    theme: Theme,
) -> list[Text]:
    """Lines of at most ``width`` cells; a neck too long for it is continued below.

    Parameters
    ----------
    strings : label and survey of each, from the highest string to the lowest.
    tolerance_cents : what one mark stands for.
    """
    frets = sorted({fret.fret for _, neck in strings for fret in neck.frets})
    margin = max(cell_len(label) for label, _ in strings) + 2
    per_line = max(1, (width - margin) // _NARROWEST)
    rows = -(-len(frets) // per_line)
    per_line = -(-len(frets) // rows)  # rows of like length
    cells = min(_WIDEST, (width - margin) // per_line)
    lines: list[Text] = []
    for first in range(0, len(frets), per_line):
        part = frets[first : first + per_line]
        lines.append(Text("fret".ljust(margin) + "".join(_heading(n, cells) for n in part)))
        for label, neck in strings:
            measured = {fret.fret: fret for fret in neck.frets}
            row = [measured.get(n) for n in part]
            lines.append(_string_line(label.ljust(margin - 1), row, cells, theme))
            lines.append(_mark_line(margin, row, cells, tolerance_cents, theme))
    return [*lines, *_scale(tolerance_cents, width, theme)]


def _heading(fret: int, cells: int) -> str:
    """The fret's number above the last digit of its cents."""
    return f"{fret} ".rjust(cells) if cells >= _WITH_WIRE else str(fret).rjust(cells)


def _string_line(label: str, row: Sequence[FretOffset | None], cells: int, theme: Theme) -> Text:
    line = Text(label)
    line.append(theme.glyphs.nut, theme.quiet)
    wire = theme.glyphs.fret if cells >= _WITH_WIRE else ""
    for fret in row:
        number = ""
        if fret is not None:
            digits = 1 if cells >= _WITH_DECIMAL else 0
            number = " " + signed(fret.offset_cents, digits=digits, theme=theme)
            number += "*" if fret.isolated else ""
        line.append(theme.glyphs.rule * (cells - len(wire) - len(number)), theme.quiet)
        line.append(number, theme.number)
        line.append(wire, theme.quiet)
    return line


def _mark_line(
    margin: int,
    row: Sequence[FretOffset | None],
    cells: int,
    tolerance_cents: float,
    theme: Theme,
) -> Text:
    sharp, flat = _marks(theme)
    line = " " * margin
    for fret in row:
        marks = ""
        if fret is not None:
            count = min(_MOST_MARKS, int(abs(fret.offset_cents) / tolerance_cents))
            marks = (sharp if fret.offset_cents > 0 else flat) * count
        line += f"{marks} ".rjust(cells) if cells >= _WITH_WIRE else marks.rjust(cells)
    return Text(line.rstrip())


def _marks(theme: Theme) -> tuple[str, str]:
    return ("▲", "▼") if theme.glyphs.unicode else ("^", "v")


def _scale(tolerance_cents: float, width: int, theme: Theme) -> list[Text]:
    sharp, flat = _marks(theme)
    words = (
        f"cents; {sharp} sharp, {flat} flat, one for each {tolerance_cents:g} cents, "
        f"{_MOST_MARKS} at most; * stands out from the other frets; blank: not heard"
    )
    return wrapped(words, width, style=theme.quiet)
