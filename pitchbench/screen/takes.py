"""The takes so far on one cents axis: open, fretted, rejected, and what they add up to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from rich.text import Text

from pitchbench.belief import half95, half_figures
from pitchbench.pitch.reading import Reading
from pitchbench.screen.reference import cents_from_open, current_takes, fret_words
from pitchbench.screen.text import fitted, printable, row_of, signed, wrapped
from pitchbench.screen.theme import Theme
from pitchbench.session.log import SessionTake, TakeFate
from pitchbench.session.state import State
from pitchbench.session.words import cause_words, rests_words

_NAME_WIDTH: Final = 13
_VALUE_WIDTH: Final = 15
#: Distances between the marks of the axis, cents; the smallest that leaves room for the figures.
_TICKS: Final = (1, 2, 5, 10, 20, 50, 100, 200, 500)


@dataclass(frozen=True)
class _Point:
    """One accepted take on the axis."""

    take: SessionTake
    cents: float
    half95: float

    @property
    def ends(self) -> tuple[float, float]:
        """Its own 95 % interval."""
        return self.cents - self.half95, self.cents + self.half95


@dataclass(frozen=True)
class _Axis:
    """The cents axis: zero is the open string as played (an octave up for the fretted note)."""

    low: float
    high: float
    width: int

    def column(self, cents: float) -> int:
        share = (cents - self.low) / (self.high - self.low)
        return min(self.width - 1, max(0, round(share * (self.width - 1))))


def _points(state: State) -> list[_Point]:
    points = []
    for take in current_takes(state):
        if take.fate is TakeFate.ACCEPTED and isinstance(take.reading, Reading):
            half95_cents = half95(take.reading.u_cents)
            points.append(_Point(take, cents_from_open(state, take), half95_cents))
    return points


def takes_lines(state: State, theme: Theme, width: int, height: int) -> list[Text]:
    """The takes in exactly ``height`` lines.

    Given up in this order as lines get scarce: what the offset rests on, a line for each take (then
    all open takes share one and all fretted ones another), the list of the rejected (then only the
    last, with the count).
    """
    points = _points(state)
    apart = [t for t in current_takes(state) if t.fate is not TakeFate.ACCEPTED]
    axis = _axis(state, points, width - _NAME_WIDTH - _VALUE_WIDTH)
    mean = _mean_line(state, axis, theme)
    free = height - 1 - len(mean)
    if free < 2:
        mean, free = [], height - 1
    most_apart = max(min(1, free - 2), free - max(2, len(points)))
    apart_lines = _apart_lines(state, apart, theme, width, most_apart)
    free -= len(apart_lines)
    if 0 < len(points) <= free:
        rows = [_take_line(state, point, axis, theme) for point in points]
    else:
        rows = _group_lines(state, points, axis, theme)
    lines = [*rows[: max(free, 0)], *mean, _axis_line(axis, theme), *apart_lines]
    lines += _rests_line(state, theme, width)
    return [fitted(line, width) for line in lines[:height]] + [Text()] * (height - len(lines))


def _axis(state: State, points: list[_Point], width: int) -> _Axis:
    values = [-state.log.string.tolerance_cents, state.log.string.tolerance_cents]
    for point in points:
        values += point.ends
    if state.log.string.now is not None:
        values += state.log.string.now.interval95_cents
    margin = max(0.5, 0.06 * (max(values) - min(values)))
    return _Axis(min(values) - margin, max(values) + margin, max(width, 5))


def _empty_row(state: State, axis: _Axis, theme: Theme) -> list[tuple[str, str]]:
    """Cells of a row with the zero line and the edges of the tolerance band."""
    cells = [(" ", "")] * axis.width
    for edge in (-state.log.string.tolerance_cents, state.log.string.tolerance_cents):
        cells[axis.column(edge)] = (":", theme.quiet)
    cells[axis.column(0.0)] = (theme.glyphs.zero, theme.quiet)
    return cells


def _interval(
    cells: list[tuple[str, str]],
    axis: _Axis,
    ends: tuple[float, float],
    theme: Theme,
    style: str,
) -> None:
    """Draw an interval; one narrower than a cell leaves only its mark."""
    left, right = (axis.column(end) for end in ends)
    if right - left < 2:
        return
    for column in range(left, right + 1):
        cells[column] = (theme.glyphs.bar, style)
    cells[left] = (theme.glyphs.left_end, style)
    cells[right] = (theme.glyphs.right_end, style)


def _look(point: _Point, theme: Theme) -> tuple[str, str]:
    """Mark and style of a take: hollow for open, solid for fretted."""
    if point.take.fret == 0:
        return theme.glyphs.open, theme.open
    return theme.glyphs.fretted, theme.fretted


def _take_line(state: State, point: _Point, axis: _Axis, theme: Theme) -> Text:
    cells = _empty_row(state, axis, theme)
    mark, style = _look(point, theme)
    _interval(cells, axis, point.ends, theme, style)
    cells[axis.column(point.cents)] = (mark, style)
    kind = "open" if point.take.fret == 0 else "fretted"
    value = f" {signed(point.cents, digits=2, theme=theme)} {theme.glyphs.plus_minus}"
    value += f"{point.half95:.2f}"
    name = f"{point.take.number:>3} {mark} {kind}"
    return Text.assemble((f"{name:<{_NAME_WIDTH}}", style), row_of(cells), value)


def _group_lines(state: State, points: list[_Point], axis: _Axis, theme: Theme) -> list[Text]:
    """One line for all open takes and one for all fretted ones."""
    lines = []
    for kind, is_open in (("open", True), ("fretted", False)):
        group = [point for point in points if (point.take.fret == 0) is is_open]
        cells = _empty_row(state, axis, theme)
        mark = theme.glyphs.open if is_open else theme.glyphs.fretted
        style = theme.open if is_open else theme.fretted
        columns = [axis.column(point.cents) for point in group]
        for point in group:
            # An interval that would run over another take's mark is left out.
            left, right = (axis.column(end) for end in point.ends)
            if sum(left <= column <= right for column in columns) == 1:
                _interval(cells, axis, point.ends, theme, style)
        for point in group:
            cells[axis.column(point.cents)] = (mark, style)
        name = f"{mark} {len(group)} {kind}"
        far = _farthest(group, theme)
        lines.append(Text.assemble((f"{name:<{_NAME_WIDTH}}", style), row_of(cells), far))
    return lines


def _farthest(group: list[_Point], theme: Theme) -> str:
    """The take farthest from the mean of its group, by number, so that it can be struck out."""
    if len(group) < 2:
        return ""
    mean = sum(point.cents for point in group) / len(group)
    far = max(group, key=lambda point: abs(point.cents - mean))
    return f" take {far.take.number}: {signed(far.cents - mean, theme=theme)}"


def _mean_line(state: State, axis: _Axis, theme: Theme) -> list[Text]:
    """The offset and its interval, once there is one."""
    offset = state.log.string.now
    if offset is None:
        return []
    cells = _empty_row(state, axis, theme)
    _interval(cells, axis, offset.interval95_cents, theme, theme.number)
    cells[axis.column(offset.offset_cents)] = (theme.glyphs.mean, theme.number)
    value = f" {signed(offset.offset_cents, theme=theme)} {theme.glyphs.plus_minus}"
    value += half_figures(offset.belief.half())
    name = f"{theme.glyphs.mean} offset"
    return [
        Text.assemble(
            (f"{name:<{_NAME_WIDTH}}", theme.number), row_of(cells), (value, theme.number)
        )
    ]


def _rests_line(state: State, theme: Theme, width: int) -> list[Text]:
    """What the offset rests on, in a window that is wide enough to say so."""
    offset = state.log.string.now
    words = "" if offset is None else f"offset from {rests_words(offset)}"
    return [Text(words, theme.quiet)] if words and len(words) <= width else []


def _axis_line(axis: _Axis, theme: Theme) -> Text:
    """Figures under the axis."""
    span = axis.high - axis.low
    step = next((t for t in _TICKS if axis.width / span * t >= 8), _TICKS[-1])
    cells = [" "] * (axis.width + _VALUE_WIDTH)
    first = -(-int(axis.low) // step) * step
    for cents in range(first, int(axis.high) + 1, step):
        label = signed(cents, digits=0, theme=theme)
        start = axis.column(cents) - len(label) // 2
        if start >= 0 and start + len(label) <= axis.width:
            cells[start : start + len(label)] = label
    unit_at = axis.width + 1
    cells[unit_at : unit_at + 5] = "cents"
    return Text(" " * _NAME_WIDTH + "".join(cells).rstrip(), theme.quiet)


def _apart_lines(
    state: State, apart: list[SessionTake], theme: Theme, width: int, most: int
) -> list[Text]:
    """Plucks that enter no average, the latest last, each with its reason, in ``most`` lines."""
    lines: list[Text] = []
    for shown in range(1, len(apart) + 1):
        latest = apart[-shown:]
        before = len(apart) - shown
        words = [_apart_words(state, take, theme) for take in latest]
        if before:
            words[0] += f", {before} more before"
        wanted = [
            line
            for text in words
            for line in wrapped(printable(text, theme), width, style=theme.quiet, indent=" " * 6)
        ]
        if len(wanted) > most:
            break
        lines = wanted
    if apart and not lines and most > 0:
        numbers = f"{theme.glyphs.rejected} {len(apart)} apart, the last one {apart[-1].number}"
        lines = [Text(numbers, theme.quiet)]
    return lines


def _apart_words(state: State, take: SessionTake, theme: Theme) -> str:
    """ "7 × rejected, the 12th fret: too short"."""
    words = f"{take.number:>3} {theme.glyphs.rejected} {take.fate}"
    if take.fret is not None:
        words += f", {fret_words(state, take.fret)}"
    return f"{words}: {cause_words(take.why)}" if take.why else words
