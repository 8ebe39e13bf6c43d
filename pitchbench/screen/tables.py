"""Results that are printed and scroll by: paragraphs and quiet tables, as wide as the terminal."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

from rich.cells import cell_len
from rich.console import Console
from rich.markdown import Markdown
from rich.table import Table
from rich.text import Text
from rich.theme import Theme as Styles

from pitchbench.screen.text import printable, wrapped
from pitchbench.screen.theme import choose_theme

#: Text of a document is in the terminal's own colour, which every background suits.
_DOCUMENT: Final = Styles(
    {
        "markdown.h2": "bold underline",
        "markdown.code": "bold",
        "markdown.code_block": "bold",
        "markdown.block_quote": "italic",
        "markdown.item.number": "bold",
        "markdown.table.border": "dim",
        "markdown.table.header": "bold",
        "markdown.link": "none",
    }
)

#: What the layout of a document draws with, for terminals without it.
_IN_ASCII: Final = str.maketrans({"▌": "|", "•": "*", "─": "-", "…": "..."})


#: Cells between two columns.
_GAP: Final = 2

#: Words in a column narrower than this read as a list of words, not as a sentence.
_READABLE: Final = 10


@dataclass(frozen=True)
class Column:
    """A column of a table.

    Parameters
    ----------
    heading : what it holds, with its unit.
    right : whether it is aligned to the right, as numbers are; sentences are broken into lines.
    from_width : the narrowest terminal in which it is shown.
    """

    heading: str
    right: bool = True
    from_width: int = 0


class Page:
    """Prints on the terminal at stdout, in the theme that suits it."""

    def __init__(self) -> None:
        self._theme = choose_theme(os.environ, sys.stdout.encoding)
        self._console = Console(highlight=False, markup=False, emoji=False)

    @property
    def width(self) -> int:
        """Cells in a line."""
        return self._console.width

    def say(self, words: str, *, strong: bool = False, hanging: int = 0) -> None:
        """A paragraph, broken at spaces; lines after its first are set in by ``hanging``."""
        style = self._theme.ask if strong else ""
        lines = wrapped(
            printable(words, self._theme), self._console.width, style=style, indent=" " * hanging
        )
        for line in lines:
            self._console.print(line)

    def gap(self) -> None:
        """An empty line."""
        self._console.print()

    def draw(self, picture: Callable[..., Iterable[Text]]) -> None:
        """The lines that ``picture(width=..., theme=...)`` makes for this terminal."""
        for line in picture(width=self._console.width, theme=self._theme):
            self._console.print(line)

    def document(self, markdown: str) -> None:
        """A text of our own in Markdown: headings, paragraphs, items, quotations, tables."""
        with self._console.use_theme(_DOCUMENT), self._console.capture() as laid_out:
            self._console.print(Markdown(markdown, hyperlinks=False))
        text = laid_out.get()
        if not self._theme.glyphs.unicode:
            text = text.translate(_IN_ASCII)
        self._console.file.write(text)

    def facts(self, pairs: Iterable[tuple[str, str]]) -> None:
        """Labels and values side by side; where that is too narrow, each pair as a sentence."""
        rows = list(pairs)
        if not self._table([Column("", right=False), Column("", right=False)], rows):
            self.labelled(rows)

    def labelled(self, pairs: Iterable[tuple[str, str]]) -> None:
        """Labels and values, each pair as a sentence."""
        for label, value in pairs:
            self.say(f"{label}: {value}", hanging=2)

    def items(self, sentences: Iterable[str]) -> None:
        """A list, a dash before each item."""
        for words in sentences:
            self.say(f"- {words}", hanging=2)

    def table(self, columns: Sequence[Column], rows: Iterable[Sequence[str]]) -> None:
        """Rows of as many cells as there are columns.

        Where the terminal is so narrow that words or numbers would have to be broken, each row is a
        sentence instead: what a cell is, and what stands in it.
        """
        shown = [i for i, c in enumerate(columns) if c.from_width <= self._console.width]
        columns = [columns[i] for i in shown]
        cells = [[row[i] for i in shown] for row in rows]
        if self._table(columns, cells):
            return
        for row in cells:
            named = zip((column.heading for column in columns), row, strict=True)
            said = (f"{heading} {cell}".strip() for heading, cell in named if cell not in ("", "-"))
            self.say("; ".join(said), hanging=2)

    def _table(self, columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> bool:
        """Draw it if it fits; False, and nothing drawn, if not."""
        headings = [printable(column.heading, self._theme) for column in columns]
        cells = [[printable(cell, self._theme) for cell in row] for row in rows]
        wanted = [_Width.of(c, words) for c, *words in zip(columns, headings, *cells, strict=True)]
        widths = _shared_out(wanted, self._console.width - _GAP * (len(columns) - 1))
        if widths is None:
            return False
        table = Table(
            box=None,
            padding=(0, _GAP, 0, 0),
            pad_edge=False,
            header_style=self._theme.title,
            show_header=any(headings),
        )
        for column, heading, width in zip(columns, headings, widths, strict=True):
            justify: Literal["right", "left"] = "right" if column.right else "left"
            table.add_column(heading, justify=justify, width=width)
        for row in cells:
            table.add_row(*map(Text, row))
        self._console.print(table)
        return True


class _Width(NamedTuple):
    """Cells that a column needs so that nothing in it is broken, and those that it would fill."""

    least: int
    most: int

    @classmethod
    def of(cls, column: Column, cells: Iterable[str]) -> _Width:
        cells = list(cells)
        most = max(map(cell_len, cells))
        if column.right:
            return cls(most, most)
        longest = max((cell_len(word) for cell in cells for word in cell.split()), default=0)
        return cls(max(longest, min(most, _READABLE)), most)


def _shared_out(wanted: Sequence[_Width], room: int) -> list[int] | None:
    """How wide each column is, the widest giving way first; None if the room is too small."""
    if sum(width.least for width in wanted) > room:
        return None
    widths = [width.most for width in wanted]
    while sum(widths) > room:
        can = (i for i, width in enumerate(wanted) if widths[i] > width.least)
        widths[max(can, key=widths.__getitem__)] -= 1
    return widths
