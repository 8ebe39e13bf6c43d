"""Block letters: figures and words that can be read from two metres.

Each glyph is drawn on a grid five pixels high. ``block_rows`` makes a pixel one or more character
cells; ``half_block_rows`` puts two pixels above each other in one cell, for words of three rows.
"""

from __future__ import annotations

from typing import Final

_GLYPH_ROWS: Final = 5
_GAP: Final = 1

_GLYPHS: Final[dict[str, tuple[str, str, str, str, str]]] = {
    "0": ("###", "#.#", "#.#", "#.#", "###"),
    "1": (".#.", "##.", ".#.", ".#.", "###"),
    "2": ("###", "..#", "###", "#..", "###"),
    "3": ("###", "..#", "###", "..#", "###"),
    "4": ("#.#", "#.#", "###", "..#", "..#"),
    "5": ("###", "#..", "###", "..#", "###"),
    "6": ("###", "#..", "###", "#.#", "###"),
    "7": ("###", "..#", "..#", ".#.", ".#."),
    "8": ("###", "#.#", "###", "#.#", "###"),
    "9": ("###", "#.#", "###", "..#", "###"),
    "+": ("...", ".#.", "###", ".#.", "..."),
    "-": ("...", "...", "###", "...", "..."),
    "±": (".#.", "###", ".#.", "...", "###"),
    ".": (".", ".", ".", ".", "#"),
    ":": (".", "#", ".", "#", "."),
    "?": ("###", "..#", ".##", "...", ".#."),
    "!": ("#", "#", "#", ".", "#"),
    "#": (".#.#.", "#####", ".#.#.", "#####", ".#.#."),
    " ": ("..", "..", "..", "..", ".."),
    "A": (".#.", "#.#", "###", "#.#", "#.#"),
    "B": ("##.", "#.#", "##.", "#.#", "##."),
    "C": ("###", "#..", "#..", "#..", "###"),
    "D": ("##.", "#.#", "#.#", "#.#", "##."),
    "E": ("###", "#..", "##.", "#..", "###"),
    "F": ("###", "#..", "##.", "#..", "#.."),
    "G": ("####", "#...", "#.##", "#..#", "####"),
    "H": ("#.#", "#.#", "###", "#.#", "#.#"),
    "I": ("#", "#", "#", "#", "#"),
    "J": ("..#", "..#", "..#", "#.#", "###"),
    "K": ("#..#", "#.#.", "##..", "#.#.", "#..#"),
    "L": ("#..", "#..", "#..", "#..", "###"),
    "M": ("#...#", "##.##", "#.#.#", "#...#", "#...#"),
    "N": ("#..#", "##.#", "#.##", "#..#", "#..#"),
    "O": ("###", "#.#", "#.#", "#.#", "###"),
    "P": ("###", "#.#", "###", "#..", "#.."),
    "Q": ("###", "#.#", "#.#", "###", "..#"),
    "R": ("##.", "#.#", "##.", "#.#", "#.#"),
    "S": (".##", "#..", ".#.", "..#", "##."),
    "T": ("###", ".#.", ".#.", ".#.", ".#."),
    "U": ("#.#", "#.#", "#.#", "#.#", "###"),
    "V": ("#.#", "#.#", "#.#", "#.#", ".#."),
    "W": ("#...#", "#...#", "#.#.#", "##.##", "#...#"),
    "X": ("#.#", "#.#", ".#.", "#.#", "#.#"),
    "Y": ("#.#", "#.#", ".#.", ".#.", ".#."),
    "Z": ("###", "..#", ".#.", "#..", "###"),
}

#: Characters that stand for another glyph.
_ALIASES: Final = {"−": "-", "♯": "#", "♭": "B"}


def _pixel_rows(text: str) -> tuple[str, ...]:
    """The five rows of ``text`` in '#' and '.'; a character without a glyph becomes a space."""
    glyphs = [_GLYPHS.get(_ALIASES.get(c, c.upper()), _GLYPHS[" "]) for c in text]
    return tuple(("." * _GAP).join(glyph[row] for glyph in glyphs) for row in range(_GLYPH_ROWS))


def pixel_width(text: str) -> int:
    """Width of ``text`` in pixels."""
    return len(_pixel_rows(text)[0])


def block_rows(text: str, *, ink: str, columns: int = 2, rows: int = 1) -> tuple[str, ...]:
    """``text`` in block letters, ``5 * rows`` lines of ``pixel_width(text) * columns`` cells.

    Parameters
    ----------
    text : figures, letters, signs.
    ink : the one character that fills a cell.
    columns, rows : cells per pixel. A cell is about twice as high as wide, so two by one is square.
    """
    lines = []
    for row in _pixel_rows(text):
        line = "".join((ink if pixel == "#" else " ") * columns for pixel in row)
        lines += [line] * rows
    return tuple(lines)


def half_block_rows(text: str) -> tuple[str, ...]:
    """``text`` in three lines of ``pixel_width(text)`` cells, two pixels to a cell."""
    pixels = (*_pixel_rows(text), "." * pixel_width(text))
    halves = {"..": " ", "#.": "▀", ".#": "▄", "##": "█"}
    return tuple(
        "".join(halves[upper + lower] for upper, lower in zip(*pair, strict=True))
        for pair in zip(pixels[0::2], pixels[1::2], strict=True)
    )
