"""Figures as inline SVG with a title and a description; the only room that knows matplotlib."""

from __future__ import annotations

import html
import io
import re
from collections.abc import Sequence
from typing import Any, Final

import matplotlib as mpl
from matplotlib.figure import Figure

from pitchbench.records.results import StringResult
from pitchbench.report.takes import RoundTakes, rounds_of

#: Text stays text (selectable, in the page's font), and the same data give the same bytes.
_STYLE: Final[dict[Any, Any]] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "pitchbench",
    "font.family": "sans-serif",
    "font.size": 8.0,
}

#: None of the file's own metadata: it would name outside addresses.
_NO_METADATA: Final = {"Date": None, "Creator": None, "Format": None, "Type": None}

_INK: Final = "#1a1a1a"
_FOUND: Final = "#8a4b08"
_LEFT: Final = "#0b4a8f"


def takes_figure(results: Sequence[StringResult], *, tolerance_cents: float, title: str) -> str:
    """Every fretted take that counted, as found (open circles) and as left (filled squares), with
    the offset that was judged and its 95 % interval beside them.

    Returns
    -------
    An ``<svg>`` element with ``<title>`` and ``<desc>``; the table beside it is the caller's.
    """
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(7.2, 2.2), layout="constrained")
        axes = figure.subplots()
        axes.axhspan(
            -tolerance_cents,
            tolerance_cents,
            facecolor="#ececec",
            edgecolor="#8c8c8c",
            linewidth=0.6,
            label=f"tolerance ±{tolerance_cents:g} cents",
        )
        axes.axhline(0.0, color=_INK, linewidth=0.6)
        for place, result in enumerate(results):
            found, left = rounds_of(result)
            _draw(axes, place - 0.2, found, marker="o", colour=_FOUND, filled=False)
            _draw(axes, place + 0.2, left, marker="s", colour=_LEFT, filled=True)
        _legend(axes)
        axes.set_xticks(range(len(results)), [f"{r.number}: {r.note}" for r in results])
        axes.set_xlim(-0.6, len(results) - 0.4)
        axes.set_xlabel("string")
        axes.set_ylabel("offset in cents, sharp upward")
        axes.spines[["top", "right"]].set_visible(False)
        text = io.StringIO()
        figure.savefig(text, format="svg", metadata=_NO_METADATA, transparent=True)
    description = (
        f"Offset of every fretted take per string, before the first move and after the last, with "
        f"the judged offset, its 95 % interval and the tolerance of {tolerance_cents:g} cents. "
        "The table below holds the same numbers."
    )
    return _inline(text.getvalue(), title, description)


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


def _inline(svg: str, title: str, description: str) -> str:
    """Drop what only a file of its own needs, and name the picture for who cannot see it."""
    svg = svg[svg.index("<svg") :].strip()
    head = (
        f'<title id="takes-title">{html.escape(title)}</title>'
        f'<desc id="takes-desc">{html.escape(description)}</desc>'
    )
    opening = re.sub(
        r'width="[^"]*" height="[^"]*"',
        'role="img" aria-labelledby="takes-title takes-desc"',
        svg[: svg.index(">") + 1],
        count=1,
    )
    return opening + head + svg[svg.index(">") + 1 :]
