"""Small helpers for lines of text that must fit a terminal."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from itertools import groupby
from operator import itemgetter

from rich.cells import cell_len, chop_cells, set_cell_size
from rich.text import Text

from pitchbench.errors import typeset
from pitchbench.lengths import length_words
from pitchbench.screen.theme import Theme


def printable(text: str, theme: Theme) -> str:
    """``text`` with control characters shown as "?" instead of obeyed, in ASCII if need be, and
    with the minus that all numbers of the screen have."""
    shown = "".join(c if c.isprintable() else "?" for c in text)
    if theme.glyphs.unicode:
        return typeset(shown, "utf-8")
    return typeset(shown, "ascii").encode("ascii", "replace").decode("ascii")


def brief(words: str) -> str:
    """``words`` with the signs that bounds of a percentage have where there is little room."""
    return re.sub(r"\bunder (?=\d+ %)", "<", re.sub(r"\bover (?=\d+ %)", ">", words))


def fitted(line: Text, width: int) -> Text:
    """``line`` in at most ``width`` cells; what is cut off is marked with "~"."""
    if line.cell_len <= width:
        return line
    short = line.copy()
    short.truncate(width - 1, overflow="crop")
    short.append("~")
    return short


def wrapped(text: str, width: int, *, style: str = "", indent: str = "") -> list[Text]:
    """``text`` broken at spaces into lines of at most ``width`` cells; what has no space in a whole
    line is broken where the line ends."""
    lines = [""]
    for word in re.findall(r" *[^ ]+", " ".join(text.splitlines())):
        if cell_len(lines[-1] + word) <= width:
            lines[-1] += word
            continue
        own = word.lstrip()
        # Rather not set in than broken.
        before = indent if len(indent) + cell_len(own) <= width else ""
        lines += [f"{before}{piece}" for piece in chop_cells(own, width)]
    return [Text(line, style) for line in lines if line]


def padded(line: Text, width: int) -> Text:
    """``line`` filled with spaces to ``width`` cells, for what stands to the right of it."""
    full = fitted(line, width).copy()
    full.append(" " * (width - full.cell_len))
    return full


def title(words: str, width: int, theme: Theme) -> Text:
    """The heading of a pane: its name in a thin rule."""
    name = f" {words} "
    rule = theme.glyphs.rule
    rest = max(0, width - 2 - cell_len(name))
    return fitted(Text(f"{rule * 2}{name}{rule * rest}", theme.title), width)


def spread(left: Text, right: Text, width: int) -> Text:
    """``left`` at the left edge, ``right`` at the right one; ``right`` goes if both do not fit."""
    gap = width - left.cell_len - right.cell_len
    if gap < 1:
        return fitted(left, width)
    return Text.assemble(left, " " * gap, right)


def side_by_side(left: list[Text], right: list[Text], left_width: int, gap: int) -> list[Text]:
    """Two blocks of lines beside each other, ``left`` padded to ``left_width``."""
    height = max(len(left), len(right))
    left = left + [Text()] * (height - len(left))
    right = right + [Text()] * (height - len(right))
    return [
        Text.assemble(padded(a, left_width), " " * gap, b) if b.cell_len else fitted(a, left_width)
        for a, b in zip(left, right, strict=True)
    ]


def time_axis(span_s: float, columns: int, left: int) -> str:
    """Whole seconds below a plot of ``columns`` cells that begins after ``left`` cells."""
    line = [" "] * (columns + left)
    step_s = max(1, math.ceil(span_s / max(1, columns // 8)))
    for second in range(0, math.floor(span_s) + 1, step_s):
        words = f"{second} s" if second else "0"
        at = left + min(columns - len(words), int(second / span_s * columns))
        line[at : at + len(words)] = words
    return "".join(line).rstrip()


def row_of(cells: Iterable[tuple[str, str]]) -> Text:
    """A line from cells of one character and its style each."""
    line = Text()
    for style, run in groupby(cells, key=itemgetter(1)):
        line.append("".join(character for character, _ in run), style or None)
    return line


def cell(text: str, width: int) -> str:
    """``text`` cropped or filled to exactly ``width`` cells."""
    return set_cell_size(text, width)


def signed(value: float, *, digits: int = 1, theme: Theme) -> str:
    """``value`` with its sign; zero has none."""
    rounded = round(value, digits)
    if rounded == 0:
        return f"{0:.{digits}f}"
    sign = "+" if rounded > 0 else theme.glyphs.minus
    return f"{sign}{abs(rounded):.{digits}f}"


def signed_length(mm: float, theme: Theme) -> str:
    """A travel with its sign and unit; zero has none."""
    words = length_words(abs(mm), 2)
    if not float(words.split()[0]):
        return words
    return f"{'+' if mm > 0 else theme.glyphs.minus}{words}"
