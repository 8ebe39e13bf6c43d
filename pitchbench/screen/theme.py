"""Characters and colours that the screen is drawn with, chosen for the terminal at hand.

Meaning never rests on colour: sign, word and shape carry it, and the monochrome and ASCII themes
say all that the coloured ones do. The two hues are the blue and the vermilion of Okabe and Ito's
colour-blind-safe set ("Color Universal Design", 2008; values from memory): blue is always the open
string, vermilion always the fretted one, neither is good or bad, and both are dark enough for a
white and light enough for a black background. In sixteen colours bright blue and yellow take their
place, which lie on the axis that red-green blindness leaves intact.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from pitchbench.errors import PitchbenchError, printable


class Palette(StrEnum):
    """How many colours are used."""

    COLOUR = "colour"
    SIXTEEN = "sixteen"
    MONOCHROME = "monochrome"


@dataclass(frozen=True)
class Glyphs:
    """The characters of the drawing; each is one cell wide."""

    unicode: bool
    ink: str
    rule: str
    string: str
    nut: str
    fret: str
    saddle: str
    to_right: str
    to_left: str
    shaft: str
    attack: str
    tail: str
    settled: str
    band: str
    zero: str
    open: str
    fretted: str
    mean: str
    left_end: str
    right_end: str
    bar: str
    rejected: str
    current: str
    done: str
    passed: str
    todo: str
    warning: str
    dot: str
    minus: str
    plus_minus: str
    beyond: str


UNICODE = Glyphs(
    unicode=True, ink="█", rule="─", string="━", nut="▌", fret="┿", saddle="▲",
    to_right="▶", to_left="◀", shaft="━", attack="·", tail="•", settled="─", band="┄", zero="│",
    open="○", fretted="●", mean="◆", left_end="├", right_end="┤", bar="─", rejected="×",
    current="▸", done="■", passed="»", todo="□", warning="▲", dot="·", minus="−", plus_minus="±",
    beyond="↑",
)  # fmt: skip

ASCII = Glyphs(
    unicode=False, ink="#", rule="-", string="=", nut="|", fret="+", saddle="A",
    to_right=">", to_left="<", shaft="=", attack="+", tail="*", settled="-", band=".", zero="|",
    open="o", fretted="@", mean="M", left_end="[", right_end="]", bar="-", rejected="x",
    current=">", done="#", passed="/", todo="_", warning="!", dot="|", minus="-", plus_minus="+-",
    beyond="^",
)  # fmt: skip


@dataclass(frozen=True)
class Theme:
    """Glyphs and a rich style for each role."""

    glyphs: Glyphs
    palette: Palette
    plain: str = ""
    ask: str = "bold"
    number: str = "bold"
    title: str = "dim"
    quiet: str = "dim"
    caution: str = "bold reverse"
    key: str = "bold"
    open: str = "bold"
    fretted: str = "bold"


_HUES = {
    Palette.COLOUR: ("bold #0072b2", "bold #d55e00"),
    Palette.SIXTEEN: ("bright_blue", "yellow"),
    Palette.MONOCHROME: ("bold", "bold"),
}


def make_theme(palette: Palette, *, ascii_only: bool = False) -> Theme:
    """The theme of ``palette``, drawn in ASCII alone if asked."""
    hue_open, hue_fretted = _HUES[palette]
    return Theme(
        glyphs=ASCII if ascii_only else UNICODE,
        palette=palette,
        open=hue_open,
        fretted=hue_fretted,
    )


def choose_theme(environ: Mapping[str, str], encoding: str | None) -> Theme:
    """The theme for a terminal, from what its environment says.

    NO_COLOR (any value that is not empty) makes it monochrome, COLORTERM or a TERM with 256 colours
    gives full colour, anything else sixteen. PITCHBENCH_THEME names a palette outright, with
    "-ascii" after it for ASCII, such as ``monochrome-ascii``. An output that is not UTF-8 gets
    ASCII.
    """
    wanted = environ.get("PITCHBENCH_THEME", "").lower()
    ascii_only = wanted.endswith("ascii") or "utf" not in (encoding or "").lower()
    term = environ.get("TERM", "")
    name = wanted.removesuffix("ascii").removesuffix("-")
    if name and name not in set(Palette):
        raise PitchbenchError(
            f"PITCHBENCH_THEME is {printable(wanted)!r}, which is no theme.",
            "Give colour, sixteen or monochrome, with -ascii after it for ASCII.",
        )
    if name:
        palette = Palette(name)
    elif environ.get("NO_COLOR") or term in ("dumb", "vt100", "vt220"):
        palette = Palette.MONOCHROME
    elif environ.get("COLORTERM") in ("truecolor", "24bit") or "256color" in term:
        palette = Palette.COLOUR
    else:
        palette = Palette.SIXTEEN
    return make_theme(palette, ascii_only=ascii_only)
