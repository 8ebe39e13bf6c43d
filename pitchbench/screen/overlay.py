"""The screen of plucks laid over each other: a pure function of state and terminal size.

The course of every pluck from attack to tail, each drawn with its own figure so that nothing rests
on colour; below it, in words, how sharp each began, when it had settled and how much it wanders.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from rich.text import Text

from pitchbench.intonation.drift import Strength, tell_strengths
from pitchbench.notes import nearest_note
from pitchbench.pitch.reading import Rejected
from pitchbench.screen.frame import Keys, ask_lines, framed, header
from pitchbench.screen.input import input_told
from pitchbench.screen.keyhelp import Key
from pitchbench.screen.text import fitted, printable, row_of, signed, time_axis, wrapped
from pitchbench.screen.theme import Theme
from pitchbench.session.overlay import LaidPluck, Overlay
from pitchbench.session.words import rejected_words
from pitchbench.units import CENTS_PER_NEPER

KEYS: Final[tuple[Key, ...]] = (
    ("r", "clear", "clear all", "clear: take all plucks off and begin anew"),
    ("x", "strike", "strike out last", "strike out the last pluck; 7 x strikes out pluck 7"),
    ("h", "help", "help", "this page, and back; so does Esc"),
    ("q", "quit", "quit", "quit: the report and the figure"),
    ("f", "freeze", "freeze", "freeze the picture, and let it go on"),
)

#: What these do needs a pluck.
_OF_PLUCKS: Final = ("r", "x")

#: So many keys stand at the foot of a narrow window; the others are on the help page.
_KEYS_WHEN_NARROW: Final = 4

#: The last moments of a note hold its damping.
_DAMPING_S: Final = 0.15

_LABEL_WIDTH: Final = 6

#: How high the picture is that stays after leaving.
_RECEIPT_LINES: Final = 14

#: The least that the plot spans, in seconds and in cents.
_LEAST_SPAN_S: Final = 3.0
_LEAST_TOP_CENTS: Final = 4.0
_LEAST_BOTTOM_CENTS: Final = -1.0


def render(overlay: Overlay, width: int, height: int, theme: Theme, typed: str = "") -> list[Text]:
    """The screen as exactly ``height`` lines of at most ``width`` cells; see `frame.framed`."""
    now = [key for key in KEYS if overlay.plucks or key[0] not in _OF_PLUCKS]
    keys = Keys(now, now, _KEYS_WHEN_NARROW, _marks(theme))
    return framed(
        overlay,
        keys,
        lambda room: _body(overlay, theme, width, room),
        width=width,
        height=height,
        theme=theme,
        typed=typed,
    )


def _marks(theme: Theme) -> list[Text]:
    return [
        Text("  1 2 3  a pluck, by the last figure of its number"),
        Text(f"  {theme.glyphs.tail}  the pluck that rings, against its present pitch"),
        Text(f"  {theme.glyphs.open}  from here on it has settled"),
        Text(f"  {theme.glyphs.rule * 3}  the settled pitch"),
    ]


def _body(overlay: Overlay, theme: Theme, width: int, room: int) -> list[Text]:
    heard = len(overlay.plucks)
    right = Text(f"{heard} pluck{'s' * (heard != 1)}", theme.quiet)
    title = "from attack to tail: cents above the settled pitch"
    left = Text(title if width >= 72 else "cents above settled")
    lines = [header(left, right, overlay, theme, width)]
    lines += ask_lines(overlay.asks, theme, width)
    said = wrapped(printable(overlay.says, theme), width)
    table = _table(overlay, theme, width)
    # The plot is what is looked at: it has at least half of the screen.
    listed = max(1, min(len(table), (room - len(lines) - len(said)) // 3))
    plot = max(4, room - len(lines) - len(said) - listed)
    return [*lines, *_plot(overlay, theme, width, plot), *said, *table[-listed:]]


# ------------------------------------------------------------------------------ the plot


@dataclass(frozen=True, eq=False)
class _Course:
    """The drawn course of one pluck: seconds and cents, shape (n,), its character and style,
    and when it had settled."""

    time_s: NDArray[np.float64]
    cents: NDArray[np.float64]
    character: str
    style: str
    settle_s: float | None = None


def _courses(overlay: Overlay, theme: Theme) -> list[_Course]:
    """The plucks, the latest on top, and the one that rings above them all."""
    courses = []
    drawn = [(pluck.number, pluck.drift) for pluck in overlay.plucks if pluck.drift is not None]
    for number, drift in drawn:
        last = number == drawn[-1][0]
        known = np.isfinite(drift.cents) & (drift.time_s <= drift.reading.ring_s - _DAMPING_S)
        courses.append(
            _Course(
                drift.time_s[known],
                drift.cents[known],
                str(number % 10),
                theme.number if last else theme.plain,
                drift.reading.settle_s,
            )
        )
    trace = overlay.live_trace
    if trace:
        time_s = np.array([live.at_s - live.onset_s for live in trace])
        cents = CENTS_PER_NEPER * np.log(
            np.array([live.pitch_hz for live in trace]) / trace[-1].pitch_hz
        )
        courses.append(_Course(time_s, cents, theme.glyphs.tail, theme.number))
    return courses


def _plot(overlay: Overlay, theme: Theme, width: int, height: int) -> list[Text]:
    """The courses over their axis of time, in exactly ``height`` lines."""
    courses = _courses(overlay, theme)
    rows, columns = height - 1, width - _LABEL_WIDTH
    span_s = max([_LEAST_SPAN_S, *(float(c.time_s[-1]) for c in courses if len(c.time_s))])
    top = max([_LEAST_TOP_CENTS, *(_highest(c) for c in courses)])
    bottom = min([_LEAST_BOTTOM_CENTS, *(_lowest(c) for c in courses)])

    def row(cents: float) -> int:
        return round((top - cents) / (top - bottom) * (rows - 1))

    cells = [[(" ", "")] * columns for _ in range(rows)]
    cells[row(0.0)] = [(theme.glyphs.rule, theme.quiet)] * columns
    column_s = (np.arange(columns) + 0.5) / columns * span_s
    for course in courses:
        if not len(course.time_s):
            continue
        at = np.flatnonzero((column_s >= course.time_s[0]) & (column_s <= course.time_s[-1]))
        settled = None
        if course.settle_s is not None and len(at):
            settled = at[np.argmin(np.abs(column_s[at] - course.settle_s))]
        for column in at:
            cents = float(np.interp(column_s[column], course.time_s, course.cents))
            character = theme.glyphs.open if column == settled else course.character
            character = theme.glyphs.beyond if cents > top else character
            cells[row(min(top, max(bottom, cents)))][column] = (character, course.style)
    labels = dict.fromkeys(range(rows), " " * _LABEL_WIDTH)
    for cents in (bottom, top, 0.0):
        labels[row(cents)] = f"{signed(cents, theme=theme):>{_LABEL_WIDTH - 1}} "
    lines = [Text.assemble(labels[n], row_of(line)) for n, line in enumerate(cells)]
    return [*lines, Text(time_axis(span_s, columns, _LABEL_WIDTH), theme.quiet)]


def _highest(course: _Course) -> float:
    """What the plot must reach up to: the whole of a pluck that has ended, so that its attack is
    not cut off; of one that rings, which may be mistaken at first, most."""
    if not len(course.cents):
        return 0.0
    ended = course.settle_s is not None
    return float(course.cents.max() if ended else np.percentile(course.cents, 97.0))


def _lowest(course: _Course) -> float:
    return float(np.percentile(course.cents, 2.0)) if len(course.cents) else 0.0


def receipt(overlay: Overlay, theme: Theme, width: int) -> list[Text]:
    """The picture, to stay in the scrollback: a teacher goes on talking about it."""
    if not overlay.settled:
        return []
    return [*_plot(overlay, theme, width, _RECEIPT_LINES), Text()]


# ------------------------------------------------------------------------------ the words


def _table(overlay: Overlay, theme: Theme, width: int) -> list[Text]:
    """One line for each pluck."""
    return [
        fitted(Text(printable(words, theme)), width)
        for words in pluck_words(overlay.plucks, overlay.a4_hz, short=width < 72)
    ]


def pluck_words(plucks: Sequence[LaidPluck], a4_hz: float, *, short: bool = False) -> list[str]:
    """ "3 E2 hard: attack +19.2 cents, settled after 2.5 s, wander 0.04 cents", one per pluck."""
    drifts = [pluck.drift for pluck in plucks if pluck.drift is not None]
    told = iter(tell_strengths(drifts))
    return [
        _pluck_words(pluck, None if pluck.drift is None else next(told), a4_hz, short=short)
        for pluck in plucks
    ]


def _pluck_words(pluck: LaidPluck, strength: Strength | None, a4_hz: float, *, short: bool) -> str:
    reading = pluck.reading
    note = "?" if reading.pitch_hz is None else nearest_note(reading.pitch_hz, a4_hz)[0].name
    name = f"{pluck.number} {note}" + ("" if strength is None else f" {strength}")
    if isinstance(reading, Rejected):
        why = reading.reason.replace("_", " ") if short else rejected_words(reading.reason)
        return f"{name}: rejected, {why}"
    attack, settle_s, wander = reading.attack_cents, reading.settle_s, reading.wander_cents
    if short:
        return f"{name}: {attack:+z.1f}, {settle_s:.1f} s, wander {wander:.2f}"
    return (
        f"{name}: attack {attack:+z.1f} cents, settled after {settle_s:.1f} s, "
        f"wander {wander:.2f} cents"
    )


class OverlayLines:
    """The same in plain lines; hand it to the engine as a view.

    Parameters
    ----------
    write : called with each line, without its end.
    """

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write
        self._asked = ""

    def __call__(self, old: Overlay, new: Overlay) -> None:
        """Write what is new in ``new``."""
        input_told(self._write, old, new)
        if len(new.plucks) > len(old.plucks):
            self._write(f"pluck {pluck_words(new.plucks, new.a4_hz)[-1]}")
        elif new.says and new.says != old.says:
            self._write(f"note: {new.says}")
        if not new.ringing and (new.asks != self._asked or len(new.plucks) != len(old.plucks)):
            self._asked = new.asks
            self._write(f"do: {new.asks}")
