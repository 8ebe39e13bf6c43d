"""How a number and its words are drawn: in block letters where they fit, else as text."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from rich.text import Text

from pitchbench.screen.digits import block_rows, half_block_rows, pixel_width
from pitchbench.screen.text import fitted, printable, side_by_side, wrapped
from pitchbench.screen.theme import Theme

#: The widest figure that is usual, and the columns of the longest word in half blocks.
USUAL_PIXELS: Final = pixel_width("+00.0")
_LONGEST_WORD: Final = pixel_width("more takes")


@dataclass(frozen=True)
class Large:
    """The part that is shown large. ``figure`` is empty where there is no number, a space where one
    is about to come; ``sure`` is the half-width of the 95 % interval in words, ``caption`` what the
    number is of, ``about`` what else there is to say; a figure is in ``unit``."""

    figure: str
    word: str
    sure: str
    about: str
    unit: str = "cents"
    caption: str = ""

    @property
    def whole_caption(self) -> str:
        """Caption and what else there is to say."""
        return ": ".join(part for part in (self.caption, self.about) if part)

    @property
    def unit_words(self) -> str:
        """The unit with its ±; nothing where there is no figure yet."""
        return f"{self.unit} {self.sure}".rstrip() if self.figure.strip() else ""

    @property
    def single_words(self) -> list[str]:
        """What stands beside the figure where there is room for single words only."""
        return [*self.word.split(), *self.unit_words.split()]


@dataclass(frozen=True)
class Scale:
    """Cells per pixel of a letter."""

    columns: int
    rows: int


def figure_scale(width: int, height: int) -> Scale:
    """Square pixels, larger where the window has so many characters that they are small."""
    if width >= 160 and height >= 54:
        return Scale(6, 3)
    return Scale(4, 2) if width >= 100 and height >= 38 else Scale(2, 1)


def figure_lines(figure: str, theme: Theme, width: int, scale: Scale | None) -> list[Text]:
    """The figure in at most ``width`` cells, narrower than ``scale`` asks where it must be; in half
    blocks without a scale, where there are any."""
    if scale is None and theme.glyphs.unicode:
        return [fitted(Text(row, theme.number), width) for row in half_block_rows(figure)]
    scale = scale or Scale(2, 1)
    for narrower in (Scale(2, 1), Scale(1, 1)):
        if pixel_width(figure) * scale.columns > width:
            scale = narrower
    ink = theme.glyphs.ink
    rows = block_rows(figure, ink=ink, columns=scale.columns, rows=scale.rows)
    return [Text(row, theme.number) for row in rows]


def word_rows(word: str, theme: Theme, width: int, height: int) -> tuple[str, ...] | None:
    """``word`` in the largest block letters that fit, None if none do."""
    pixels = pixel_width(word)
    if height >= 10 and pixels * 4 <= width:
        return block_rows(word, ink=theme.glyphs.ink, columns=4, rows=2)
    if height >= 5 and pixels * 2 <= width:
        return block_rows(word, ink=theme.glyphs.ink)
    if theme.glyphs.unicode and height >= 3 and pixels <= width:
        return half_block_rows(word)
    return None  # a letter of single characters is too thin to be read


def word_lines(word: str, theme: Theme, width: int, height: int = 3) -> list[Text]:
    """The same, in capitals as text if no block letters fit; nothing for no word."""
    if not word:
        return []
    rows = word_rows(word, theme, width, height) or (printable(word, theme).upper(),)
    return [Text(row, theme.number) for row in rows]


def unit_line(large: Large, theme: Theme, *, before: str = "") -> Text:
    """The unit and its ±, after the word ``before``, in one line."""
    words = ", ".join(part for part in (before, large.unit_words) if part)
    sure = " (95 %)" if large.sure else ""
    return Text.assemble((printable(words, theme), theme.number), (sure, theme.quiet))


def singles(large: Large, theme: Theme, width: int) -> list[Text]:
    """Word, unit and ± below each other, beside a figure."""
    words = [Text(printable(word, theme), theme.number) for word in large.single_words]
    return [fitted(word, width) for word in words]


def number_lines(large: Large, theme: Theme, width: int, scale: Scale) -> list[Text]:
    """The large number: figure on the left, word, unit, uncertainty and subject beside it.

    Always equally many lines for a window, so that what stands below does not jump.
    """
    # Without half blocks a word is five lines high, so the text below it needs two more.
    height = 5 * scale.rows + (2 if width >= 60 and not theme.glyphs.unicode else 0)
    if not large.figure:
        lines = _beside(large, theme, width, height)
    else:
        gap = 1 if width < 60 else 3
        longest = max((len(printable(word, theme)) for word in large.single_words), default=0)
        figure = figure_lines(large.figure, theme, width - gap - longest, scale)
        field = figure[0].cell_len
        usual = USUAL_PIXELS * scale.columns
        if usual + gap + _LONGEST_WORD <= width:
            # The word stands in the same place whatever the figure, so that the eye finds it.
            field = max(field, usual)
        beside = _beside(large, theme, width - field - gap, height)
        lines = side_by_side(figure, beside, field, gap)
    return lines + [Text()] * (height - len(lines))


def _beside(large: Large, theme: Theme, width: int, height: int) -> list[Text]:
    """What stands to the right of the figure, in exactly ``height`` lines at most."""
    if width < 24 and large.figure:
        # Beside the figure of a small window there is room for single words only.
        return singles(large, theme, width)[:height]
    unit = large.unit_words
    text = [unit_line(large, theme)] if unit else []
    text += wrapped(printable(large.whole_caption, theme), width, style=theme.quiet)
    if unit and height >= 10:
        # The window is large, so its characters are small: the unit in block letters too.
        rows = word_rows(unit, theme, width, 3)
        text[:1] = [Text(row, theme.number) for row in rows] if rows is not None else text[:1]
    room = height - min(len(text), 4)
    if word_rows(large.word, theme, width, room) is None:
        if word_rows(large.word, theme, width, height) is not None:
            # A sentence would be cut short, the unit is not.
            text = text[: bool(unit)]
        room = height
    head = word_lines(large.word, theme, width, room) or [Text()]
    return [fitted(line, width) for line in (head + text)[:height]]
