"""Figures as inline SVG with a title and a description; the only room that knows matplotlib."""

from __future__ import annotations

import html
import io
import logging
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.errors import printable
from pitchbench.instrument import Instrument
from pitchbench.intonation.neck import StringNeck
from pitchbench.intonation.tolerance import tolerance_words
from pitchbench.notes import ordinal
from pitchbench.report.takes import RoundTakes, rounds_of
from pitchbench.session.log import Log
from pitchbench.units import fret_ratio, in_cents

# Where there is no home, matplotlib says at length where it keeps its own things instead.
logging.getLogger("matplotlib").setLevel(logging.ERROR)

import matplotlib as mpl  # noqa: E402
from matplotlib.figure import Figure  # noqa: E402

#: Text stays text (selectable, in the page's font), and the same data give the same bytes.
_STYLE: Final[dict[Any, Any]] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "pitchbench",
    "font.family": "sans-serif",
    "font.size": 8.0,
    # A name with dollar signs in it is a name, not a formula.
    "text.parse_math": False,
}

#: None of the file's own metadata: it would name outside addresses.
_NO_METADATA: Final = {"Date": None, "Creator": None, "Format": None, "Type": None}

_INK: Final = "#1a1a1a"
_FOUND: Final = "#8a4b08"
_LEFT: Final = "#0b4a8f"


def takes_figure(log: Log, *, title: str) -> str:
    """Every fretted take that counted, as found (open circles) and as left (filled squares), with
    the offset that was judged and its 95 % interval beside them.

    Returns
    -------
    An ``<svg>`` element with ``<title>`` and ``<desc>``; the table beside it is the caller's.
    """
    strings = log.strings
    tolerances = [string.tolerance_cents for string in strings]
    tolerance = tolerance_words(tolerances)
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(7.2, 2.2), layout="constrained")
        axes = figure.subplots()
        between = [place - 0.5 for place in range(1, len(strings))]
        axes.stairs(
            tolerances,
            [-0.6, *between, len(strings) - 0.4],
            baseline=[-cents for cents in tolerances],
            fill=True,
            facecolor="#ececec",
            edgecolor="#8c8c8c",
            linewidth=0.6,
            label=f"tolerance ±{tolerance}",
        )
        axes.axhline(0.0, color=_INK, linewidth=0.6)
        for place, string in enumerate(strings):
            found, left = rounds_of(string)
            _draw(axes, place - 0.2, found, marker="o", colour=_FOUND, filled=False)
            _draw(axes, place + 0.2, left, marker="s", colour=_LEFT, filled=True)
        _legend(axes)
        notes = [spec.note for spec in log.setup.instrument.strings]
        labels = [f"{string.number}: {note}" for string, note in zip(strings, notes, strict=True)]
        axes.set_xticks(range(len(strings)), labels)
        axes.set_xlim(-0.6, len(strings) - 0.4)
        axes.set_xlabel("string")
        axes.set_ylabel("offset in cents, sharp upward")
        axes.spines[["top", "right"]].set_visible(False)
    description = (
        f"Offset of every fretted take per string, before the first move and after the last, with "
        f"the judged offset, its 95 % interval and the tolerance of {tolerance}. "
        "The table below holds the same numbers."
    )
    return _inline(figure, _STYLE, "takes", title, description)


def _draw(
    axes: Any, x: float, takes: RoundTakes | None, *, marker: str, colour: str, filled: bool
) -> None:
    """One string's takes at ``x`` and, beside them, what they came to."""
    if takes is None:
        return
    count = len(takes.offsets_cents)
    spread = [x + 0.1 * ((i + 0.5) / count - 0.5) - 0.06 for i in range(count)]
    face = colour if filled else "none"
    axes.plot(
        spread, takes.offsets_cents, marker, ms=3.2, mec=colour, mfc=face, mew=0.8, linestyle="none"
    )
    if takes.offset is not None:
        low, high = takes.offset.interval95_cents
        value = takes.offset.offset_cents
        axes.errorbar(
            [x + 0.1], [value], [[value - low], [high - value]], color=colour, lw=1.1, capsize=2.5
        )
        axes.plot([x + 0.1], [value], "_", color=colour, ms=7, mew=1.6)


def _legend(axes: Any) -> None:
    axes.plot([], [], "o", ms=3.2, mec=_FOUND, mfc="none", mew=0.8, label="takes as found")
    axes.plot([], [], "s", ms=3.2, mec=_LEFT, mfc=_LEFT, label="takes as left")
    axes.errorbar([], [], [], color=_INK, lw=1.1, capsize=2.5, label="offset, 95 % interval")
    axes.legend(
        loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=4, frameon=False, borderpad=0.1
    )


def _inline(figure: Figure, style: dict[Any, Any], name: str, title: str, description: str) -> str:
    """``figure`` without what only a file of its own needs, and named for who cannot see it;
    ``name`` tells it from others on the page."""
    text = io.StringIO()
    with mpl.rc_context(style):
        figure.savefig(text, format="svg", metadata=_NO_METADATA, transparent=True)
    svg = text.getvalue()
    svg = re.sub(r'( id="|url\(#|href="#)', rf"\g<1>{name}-", svg[svg.index("<svg") :].strip())
    head = (
        f'<title id="{name}-title">{html.escape(title)}</title>'
        f'<desc id="{name}-desc">{html.escape(description)}</desc>'
    )
    opening = re.sub(
        r'width="[^"]*" height="[^"]*"',
        f'role="img" aria-labelledby="{name}-title {name}-desc"',
        svg[: svg.index(">") + 1],
        count=1,
    )
    return opening + head + svg[svg.index(">") + 1 :]


# -- figures for teaching ----------------------------------------------------------------------

#: Legible from the back of a class: large type, thick lines, words instead of a legend.
_CLASSROOM: Final[dict[Any, Any]] = {
    **_STYLE,
    "svg.fonttype": "path",
    "font.size": 20.0,
    "axes.linewidth": 1.5,
    "lines.linewidth": 3.5,
    "xtick.major.width": 1.5,
    "ytick.major.width": 1.5,
}

#: Colours that stay apart for colour-blind eyes and in grey (Okabe & Ito's, without the green);
#: dashes and marks tell the same without any colour.
_APART: Final = ("#0072b2", "#d55e00", "#1a1a1a", "#cc79a7", "#56b4e9", "#8a6d00")
_DASHES: Final = ("-", (0, (6, 2)), (0, (1.5, 1.5)), (0, (7, 2, 1.5, 2)), (0, (3, 1)), (0, (9, 3)))
_MARKS: Final = ("o", "s", "^", "D", "v", "P")


@dataclass(frozen=True, eq=False)
class Course:
    """One line of a drift figure: seconds after the pluck and cents above the settled pitch, both
    (n,); what it is called, and when it has settled (None if it never does)."""

    name: str
    time_s: NDArray[np.float64]
    cents: NDArray[np.float64]
    settle_s: float | None


@dataclass(frozen=True)
class Cell:
    """One player's takes of one note in a spread figure, in cents from the note's mean."""

    player: str
    note: str
    cents: tuple[float, ...]


def drift_figure(courses: Sequence[Course], *, title: str) -> Figure:
    """Plucks laid over each other: how far above its settled pitch each is, from attack to tail.

    A ring marks the moment from which a pluck has settled. More than six share the six styles.
    """
    with mpl.rc_context(_CLASSROOM):
        figure = Figure(figsize=(13.0, 7.3), layout="constrained")
        axes = figure.subplots()
        _draw_courses(axes, courses, ring_points=13.0)
        # Many plucks get small words rather than words on top of their lines.
        axes.legend(frameon=False, handlelength=3.2, fontsize=20.0 if len(courses) <= 8 else 11.0)
        axes.set_title(title)
    return figure


def drift_inline(courses: Sequence[Course], *, title: str) -> str:
    """The same as an ``<svg>`` element with ``<title>`` and ``<desc>`` for a page; what the lines
    are called stands beside them."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(7.2, 1.9), layout="constrained")
        axes = figure.subplots()
        _draw_courses(axes, courses, ring_points=5.0)
        axes.set_ylabel("cents above the\nsettled pitch")
        figure.legend(loc="outside right upper", frameon=False, handlelength=3.2)
    description = (
        "How far above its settled pitch each note is, from attack to tail; a ring marks where it "
        "has settled. The table below says the same in numbers."
    )
    return _inline(figure, _STYLE, "drift", title, description)


def _draw_courses(axes: Any, courses: Sequence[Course], *, ring_points: float) -> None:
    """Each with a ring where it has settled."""
    ring: dict[str, Any] = {
        "marker": "o",
        "ms": ring_points,
        "mfc": "white",
        "mew": 0.22 * ring_points,
        "linestyle": "none",
    }
    axes.axhline(0.0, color=_INK, linewidth=1.2)
    for number, course in enumerate(courses):
        colour, dashes = _APART[number % 6], _DASHES[number % 6]
        axes.plot(
            course.time_s, course.cents, color=colour, linestyle=dashes, label=_label(course.name)
        )
        if course.settle_s is not None:
            at = float(np.interp(course.settle_s, course.time_s, course.cents))
            axes.plot([course.settle_s], [at], mec=colour, **ring)
    axes.plot([], [], mec=_INK, label="settled", **ring)
    axes.set_xlim(left=0.0)
    axes.set_xlabel("seconds after the pluck")
    axes.set_ylabel("cents above the settled pitch")
    axes.spines[["top", "right"]].set_visible(False)


def spread_figure(cells: Sequence[Cell], *, title: str) -> Figure:
    """Every take of every player, note by note, with each player's own mean as a bar."""
    notes = list(dict.fromkeys(cell.note for cell in cells))
    players = list(dict.fromkeys(cell.player for cell in cells))
    with mpl.rc_context(_CLASSROOM):
        figure = Figure(figsize=(13.0, 7.3), layout="constrained")
        axes = figure.subplots()
        axes.axhline(0.0, color=_INK, linewidth=1.2)
        step = 0.8 / len(players)
        for number, player in enumerate(players):
            colour, mark = _APART[number % 6], _MARKS[number % 6]
            axes.plot(
                [], [], mark, ms=12, mfc="none", mec=colour, mew=2.5, ls="", label=_label(player)
            )
            for cell in (cell for cell in cells if cell.player == player):
                middle = notes.index(cell.note) + step * (number - (len(players) - 1) / 2.0)
                places = middle + step * 0.6 * _even(len(cell.cents))
                axes.plot(places, cell.cents, mark, ms=12, mfc="none", mec=colour, mew=2.5, ls="")
                ends = [middle - 0.4 * step, middle + 0.4 * step]
                axes.plot(ends, [float(np.mean(cell.cents))] * 2, color=colour)
        axes.set_xticks(range(len(notes)), notes)
        axes.set_xlim(-0.6, len(notes) - 0.4)
        axes.set_ylabel("cents from the mean of the note")
        axes.set_title(title)
        figure.legend(loc="outside lower center", ncols=min(4, len(players)), frameon=False)
        axes.spines[["top", "right"]].set_visible(False)
    return figure


def drawn(figure: Figure, form: str) -> bytes:
    """``figure`` as "svg", "png" or "pdf"; the same figure gives the same bytes."""
    data = io.BytesIO()
    metadata: dict[str, Any] = {
        "svg": _NO_METADATA,
        "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
        "png": {"Software": None},
    }[form]
    with mpl.rc_context(_CLASSROOM), warnings.catch_warnings():
        # What the font has not is drawn as a box, for all to see.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(data, format=form, metadata=metadata, dpi=100)
    return _titled(data.getvalue(), figure) if form == "svg" else data.getvalue()


def _titled(svg: bytes, figure: Figure) -> bytes:
    """Name the picture for who cannot see it."""
    title = html.escape(figure.axes[0].get_title()).encode()
    opening = svg.index(b">", svg.index(b"<svg")) + 1
    return svg[:opening] + b"<title>" + title + b"</title>" + svg[opening:]


def _label(name: str) -> str:
    """``name`` as a legend shows it: one that begins with an underscore would be left out."""
    shown = printable(name)
    return f" {shown}" if shown.startswith("_") else shown


def _even(count: int) -> NDArray[np.float64]:
    """``count`` places from -1/2 to 1/2, the middle for one."""
    return np.linspace(-0.5, 0.5, count) if count > 1 else np.zeros(1)


# -- the neck ----------------------------------------------------------------------------------

_NECK: Final[dict[Any, Any]] = {**_CLASSROOM, "font.size": 13.0, "lines.linewidth": 1.5}

#: Room above and below a string, in cents, if no offset asks for more.
_LEAST_ROOM_CENTS: Final = 8.0

#: Where the last fret is followed by the scale, as a share of the string's length.
_BEYOND: Final = 0.03


def neck_figure(
    strings: Sequence[tuple[str, StringNeck]],
    instrument: Instrument,
    *,
    tolerance_cents: float,
    title: str,
    string_in: float = 1.5,
) -> Figure:
    """The neck from above: the frets in their places, and at each the offset as a stem from its
    string, sharp upward, with its 95 % interval; on one scale for all strings.

    Parameters
    ----------
    strings : label and survey of each, from the highest string, which is drawn on top.
    instrument : where their frets are on the neck, and the capo that some begin at.
    string_in : height of the figure for each string, in inches of its 13 of width.
    """
    at = instrument.neck_fret
    frets = sorted({at(neck.string, fret.fret) for _, neck in strings for fret in neck.frets})
    farthest = max(
        abs(fret.offset_cents) + fret.belief.half() for _, n in strings for fret in n.frets
    )
    room = max(_LEAST_ROOM_CENTS, 1.6 * farthest)  # for the numbers too
    heights = [-2.0 * room * place for place in range(len(strings))]
    end = _along_neck(frets[-1]) + _BEYOND
    with mpl.rc_context(_NECK):
        figure = Figure(figsize=(13.0, 2.2 + string_in * len(strings)), layout="constrained")
        axes = figure.subplots()
        axes.axvline(0.0, color=_INK, linewidth=6.0)
        for fret in frets:
            axes.axvline(_along_neck(fret), color="#b5b5b5", linewidth=2.0, zorder=0)
        for height, (_, neck) in zip(heights, strings, strict=True):
            low, high = height - tolerance_cents, height + tolerance_cents
            begins = _along_neck(instrument.nut_fret_of(neck.string))
            axes.fill_between([begins, end], low, high, color="#e6e6e6", zorder=0)
            axes.plot([begins, end], [height, height], color=_INK)
            if begins:
                axes.plot(
                    [begins, begins], [height - room, height + room], color=_INK, linewidth=6.0
                )
            _draw_offsets(axes, height, neck, instrument)
        _draw_scale(axes, end + 0.01)
        axes.set_yticks(heights, [label for label, _ in strings])
        axes.set_xticks([_along_neck(fret) for fret in frets], [str(fret) for fret in frets])
        axes.set_xlim(0.0, end + 0.06)
        axes.set_ylim(heights[-1] - room, room)
        capo = f", capo on the {ordinal(instrument.capo)}" if instrument.capo else ""
        axes.set_xlabel(
            f"fret of the neck{capo} (grey band: ±{in_cents(tolerance_cents)}; * stands out from "
            "the other frets)"
        )
        axes.set_title(
            f"{printable(title)}: offsets in cents, sharp upward, with 95 % intervals", loc="left"
        )
        axes.tick_params(length=0)
        axes.spines[:].set_visible(False)
    return figure


def neck_inline(
    strings: Sequence[tuple[str, StringNeck]],
    instrument: Instrument,
    *,
    tolerance_cents: float,
    title: str,
) -> str:
    """`neck_figure` as an ``<svg>`` element with ``<title>`` and ``<desc>`` for a page."""
    figure = neck_figure(
        strings, instrument, tolerance_cents=tolerance_cents, title="", string_in=1.1
    )
    figure.axes[0].set_title("", loc="left")  # the page's heading says it
    style = {**_NECK, "svg.fonttype": "none", "svg.hashsalt": "pitchbench neck"}
    description = (
        "Offset at every fret that was heard on each string, sharp upward, with its 95 % interval "
        f"and the tolerance of {in_cents(tolerance_cents)}. The list below holds the same numbers."
    )
    return _inline(figure, style, "neck", title, description)


def _along_neck(fret: int) -> float:
    """Where a fret lies between nut (0) and saddle (1)."""
    return 1.0 - 1.0 / fret_ratio(fret)


def _draw_offsets(axes: Any, height: float, neck: StringNeck, instrument: Instrument) -> None:
    """The offsets of one string, each just behind its fret as the finger is."""
    for fret in neck.frets:
        x = _along_neck(instrument.neck_fret(neck.string, fret.fret)) - 0.008
        y = height + fret.offset_cents
        colour, face, star = (_FOUND, "white", "*") if fret.isolated else (_LEFT, _LEFT, "")
        half = fret.belief.half()
        axes.plot([x, x], [y - half, y + half], color="#8c8c8c")
        axes.plot([x, x], [height, y], color=colour, linewidth=4.0, solid_capstyle="butt")
        axes.plot([x], [y], "s" if star else "o", ms=8, mec=colour, mfc=face, mew=2)
        sharp = fret.offset_cents >= 0
        # Beyond the end of the interval, which it would cover, and beyond the mark.
        axes.annotate(
            f"{fret.offset_cents:+z.1f}{star}",
            (x, y + half if sharp else y - half),
            xytext=(5, 7 if sharp else -7),
            textcoords="offset points",
            ha="right",
            va="bottom" if sharp else "top",
            fontweight="bold" if star else "normal",
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5},
        )


def _draw_scale(axes: Any, x: float) -> None:
    """A bar of five cents beside the first string."""
    axes.errorbar([x], [0.0], [[2.5], [2.5]], color=_INK, lw=2.0, capsize=5, capthick=2.0)
    axes.annotate(
        "5 cents", (x, 0.0), xytext=(9, 0), textcoords="offset points", va="center", fontsize=11
    )
