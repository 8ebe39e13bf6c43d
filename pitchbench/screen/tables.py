"""Results that are printed and scroll by: paragraphs and quiet tables, as wide as the terminal."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

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


@dataclass(frozen=True)
class Column:
    """A column of a table.

    Parameters
    ----------
    heading : what it holds, with its unit.
    right : whether it is aligned to the right, as numbers are; words are broken into lines.
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

    def table(self, columns: Sequence[Column], rows: Iterable[Sequence[str]]) -> None:
        """Rows of as many cells as there are columns."""
        shown = [i for i, c in enumerate(columns) if c.from_width <= self._console.width]
        table = Table(box=None, pad_edge=False, header_style=self._theme.title)
        for column in (columns[i] for i in shown):
            table.add_column(
                printable(column.heading, self._theme),
                justify="right" if column.right else "left",
                no_wrap=column.right,
            )
        for row in rows:
            table.add_row(*(Text(printable(row[i], self._theme)) for i in shown))
        self._console.print(table)
