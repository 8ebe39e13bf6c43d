"""The note just played: pitch over time, attack apart from tail."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from rich.text import Text

from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.screen.reference import (
    cents_off,
    fret_words,
    nearest_fret,
    reference_hz,
    shown_reading,
)
from pitchbench.screen.text import fitted, row_of, signed, time_axis
from pitchbench.screen.theme import Theme
from pitchbench.session.state import State
from pitchbench.units import CENTS_PER_NEPER

#: The least that the plot spans above and below its centre, cents: less would magnify noise.
_LEAST_HALF_CENTS: Final = 2.0
#: The tolerance band is brought into the picture if the note is no farther from it than this.
_BAND_REACH_CENTS: Final = 12.0
_LABEL_WIDTH: Final = 7
#: From this height on the last line is the axis of time.
_LEAST_WITH_AXIS: Final = 4
#: Bit of each dot of a braille character, by row and column (Unicode chart U+2800).
_BRAILLE: Final = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))


@dataclass(frozen=True, eq=False)
class _Course:
    """The drawn course: times and cents, shape (n,); where the tail starts, None if not known."""

    time_s: NDArray[np.float64]
    cents: NDArray[np.float64]
    fret: int
    tail_from_s: float | None
    settled_cents: float | None


def _course(state: State) -> _Course | None:
    """The note to draw, as a reading's trace or, until there is one, as it was heard live."""
    shown = shown_reading(state)
    if shown is not None and shown[0].trace.time_s.size:
        reading, fret = shown
        trace = reading.trace
        settled_hz = reading.pitch_hz if isinstance(reading, Reading) else None
        return _held(state, trace.time_s, trace.pitch_hz, fret, (reading.settle_s, settled_hz))
    if state.ringing and state.live_trace:
        time_s = np.array([live.at_s - live.onset_s for live in state.live_trace])
        pitch_hz = np.array([live.pitch_hz for live in state.live_trace])
        return _held(state, time_s, pitch_hz, None, (None, None))
    return None


def _held(
    state: State,
    time_s: NDArray[np.float64],
    pitch_hz: NDArray[np.float64],
    fret: int | None,
    settled: tuple[float | None, float | None],
) -> _Course | None:
    """The course in cents; ``settled`` is when the tail starts and the settled pitch in Hz."""
    known = np.isfinite(pitch_hz) & (pitch_hz > 0.0)
    if not known.any():
        return None
    time_s, pitch_hz = time_s[known], pitch_hz[known]
    if fret is None:
        fret = nearest_fret(state, float(pitch_hz[-1]))
    cents = CENTS_PER_NEPER * np.log(pitch_hz / reference_hz(state, fret))
    tail_from_s, settled_hz = settled
    settled_cents = None if settled_hz is None else cents_off(state, settled_hz, fret)
    return _Course(time_s, cents, fret, tail_from_s, settled_cents)


class _Canvas:
    """Character cells addressed by time and cents."""

    def __init__(
        self, size: tuple[int, int], span_s: float, ends: tuple[float, float], theme: Theme
    ) -> None:
        self.width, self.height = size
        self.low, self.high = ends
        self.theme = theme
        self._span_s = span_s
        self._cells = [[(" ", "")] * self.width for _ in range(self.height)]
        self._dots: dict[tuple[int, int], int] = {}

    def row(self, cents: float) -> int | None:
        """The row of ``cents``; None outside the plot."""
        if not self.low <= cents <= self.high:
            return None
        return min(self.height - 1, int(self._rows_down(cents)))

    def _rows_down(self, cents: float) -> float:
        return (self.high - cents) / (self.high - self.low) * self.height

    def column(self, time_s: float) -> int:
        return min(self.width - 1, max(0, int(time_s / self._span_s * self.width)))

    def level(self, cents: float, character: str, style: str) -> None:
        """A line across the plot."""
        row = self.row(cents)
        if row is not None:
            self._cells[row] = [(character, style)] * self.width

    def post(self, time_s: float, character: str, style: str) -> None:
        """A line down the plot."""
        for cells in self._cells:
            cells[self.column(time_s)] = (character, style)

    def mark(self, time_s: float, cents: float, character: str, style: str) -> None:
        """One character; what lies above the plot is marked at its upper edge."""
        row = self.row(cents)
        if row is None and cents > self.high:
            row, character = 0, self.theme.glyphs.beyond
        if row is not None:
            self._cells[row][self.column(time_s)] = (character, style)

    def dot(self, time_s: float, cents: float, style: str) -> None:
        """A braille dot, an eighth of a cell; a character where there is no braille."""
        if not self.theme.glyphs.unicode:
            self.mark(time_s, cents, self.theme.glyphs.tail, style)
            return
        row = self.row(cents)
        if row is None:
            return
        column = self.column(time_s)
        fine_x = min(1, int(time_s / self._span_s * self.width * 2) - 2 * column)
        fine_y = int(4 * self._rows_down(cents)) - 4 * row
        bits = self._dots.get((row, column), 0) | _BRAILLE[min(3, max(0, fine_y))][max(0, fine_x)]
        self._dots[row, column] = bits
        self._cells[row][column] = (chr(0x2800 + bits), style)

    def lines(self) -> list[Text]:
        return [row_of(cells) for cells in self._cells]


def trace_title(state: State, theme: Theme, width: int) -> str:
    """The heading, with what the plot says in words, so that nothing rests on seeing it."""
    course = _course(state)
    if course is None:
        return "this note"
    words = _words(state, course, theme)
    while len(", ".join(words)) > width - 6:
        words.pop()
    return ", ".join(words)


def trace_lines(state: State, theme: Theme, width: int, height: int) -> list[Text]:
    """The plot of the note in exactly ``height`` lines."""
    course = _course(state)
    if course is None:
        shown = shown_reading(state)
        words = "the next note is drawn here"
        if shown is not None and isinstance(shown[0], Rejected):
            words = f"nothing to draw: {shown[0].reason.replace('_', ' ')}"
        return [fitted(Text(words, theme.quiet), width)] + [Text()] * (height - 1)
    plot_width = width - _LABEL_WIDTH
    rows = height - 1 if height >= _LEAST_WITH_AXIS else height
    ends = _range(course, state.log.string.tolerance_cents)
    span_s = max(3.0, math.ceil(float(course.time_s[-1])))
    canvas = _Canvas((plot_width, rows), span_s, ends, theme)
    _draw(canvas, course, state.log.string.tolerance_cents, theme)
    labels = _labels(canvas, course, state.log.string.tolerance_cents, theme)
    lines = [Text.assemble(*pair) for pair in zip(labels, canvas.lines(), strict=True)]
    axis = Text(time_axis(span_s, plot_width, _LABEL_WIDTH), theme.quiet)
    return [*lines, axis][:height]


def _range(course: _Course, tolerance_cents: float) -> tuple[float, float]:
    """The cents shown: about the settled value, with the tolerance band if it is near."""
    in_tail = course.cents[-max(1, len(course.cents) // 2) :]
    if course.tail_from_s is not None and (course.time_s >= course.tail_from_s).any():
        in_tail = course.cents[course.time_s >= course.tail_from_s]
    centre = course.settled_cents if course.settled_cents is not None else float(in_tail[-1])
    wander = float(np.percentile(np.abs(in_tail - centre), 98))
    half = max(_LEAST_HALF_CENTS, 1.5 * wander)
    low, high = centre - half, centre + half
    if abs(centre) <= _BAND_REACH_CENTS + tolerance_cents:
        low = min(low, -tolerance_cents - 0.5)
        high = max(high, tolerance_cents + 0.5)
    # Room for the attack, but never so much that the tail becomes a line.
    attack = float(course.cents.max())
    return low, max(high, min(attack, high + 0.3 * (high - low)))


def _draw(canvas: _Canvas, course: _Course, tolerance_cents: float, theme: Theme) -> None:
    glyphs = theme.glyphs
    note_style = theme.open if course.fret == 0 else theme.fretted
    for edge in (-tolerance_cents, tolerance_cents):
        canvas.level(edge, glyphs.band, theme.quiet)
    if course.settled_cents is not None:
        canvas.level(course.settled_cents, glyphs.settled, theme.plain)
    if course.tail_from_s is not None:
        canvas.post(course.tail_from_s, glyphs.zero, theme.quiet)
    for time_s, cents in zip(course.time_s, course.cents, strict=True):
        if course.tail_from_s is None or time_s < course.tail_from_s:
            canvas.mark(time_s, cents, glyphs.attack, theme.quiet)
        else:
            canvas.dot(time_s, cents, note_style)


def _labels(canvas: _Canvas, course: _Course, tolerance: float, theme: Theme) -> list[str]:
    """What stands left of each row: the band's edges and the settled value, or the range."""
    labels = [" " * _LABEL_WIDTH] * canvas.height

    def put(cents: float) -> None:
        row = canvas.row(cents)
        if row is not None:
            labels[row] = f"{signed(cents, theme=theme):>{_LABEL_WIDTH - 1}} "

    if canvas.row(tolerance) is None and canvas.row(-tolerance) is None:
        put(canvas.high)
        put(canvas.low)
    put(-tolerance)
    put(tolerance)
    if course.settled_cents is not None:
        put(course.settled_cents)
    return labels


def _words(state: State, course: _Course, theme: Theme) -> list[str]:
    """What there is to say about the note, most important first."""
    shown = shown_reading(state)
    name = fret_words(state, course.fret).removeprefix("the ")
    if shown is None:
        return [name, "live", "not settled yet"]
    reading = shown[0]
    if isinstance(reading, Rejected):
        return [name, f"rejected: {reading.reason.replace('_', ' ')}"]
    return [
        name,
        f"attack {signed(reading.attack_cents, theme=theme)} cents",
        f"glide to {reading.settle_s:.1f} s",
        f"stable tail {reading.tail_s:.1f} s",
        f"wander {reading.wander_cents:.2f} cents",
    ]
