"""The bench screen: a pure function of the session's state and the size of the terminal.

From top to bottom: string and step; the one thing to do; the large number; what was made of the
last thing heard; the note as a trace; the takes on one cents axis; the move; all strings; the keys.
Header, request and keys are always there. The rest is given up, as the window gets smaller, in the
order that ``_PRIORITY`` states for each step, from the end of the list.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from rich.text import Text

from pitchbench.screen.digits import pixel_width
from pitchbench.screen.keyhelp import help_lines, key_lines
from pitchbench.screen.number import (
    Scale,
    figure_scale,
    large_of,
    move_large,
    number_lines,
    word_rows,
)
from pitchbench.screen.saddle import move_lines, travel_line
from pitchbench.screen.strip import result_lines, strip_lines
from pitchbench.screen.takes import takes_lines
from pitchbench.screen.text import (
    padded,
    printable,
    side_by_side,
    spread,
    title,
    wrapped,
)
from pitchbench.screen.theme import Theme
from pitchbench.screen.trace import trace_lines
from pitchbench.session.state import State, Step
from pitchbench.session.words import HOW_TO_PLAY, ORDER_OF_WORK, ordinal

LEAST_WIDTH: Final = 40
LEAST_HEIGHT: Final = 12

#: From this width on, trace and takes stand beside each other.
_WIDE: Final = 110

#: What is kept longest comes first; "move" stands for the side view, "travel" for one line.
_PRIORITY: Final[dict[Step, tuple[str, ...]]] = {
    Step.BEFORE: ("number", "checks"),
    Step.TUNE: ("number", "says", "strip", "trace"),
    Step.OPEN: ("number", "strip", "says", "takes", "trace"),
    Step.FRETTED: ("number", "strip", "says", "takes", "trace"),
    Step.MOVE: ("number", "move", "strip", "says", "takes"),
    Step.RETUNE: ("number", "says", "strip", "trace", "travel"),
    Step.BORDER: ("number", "strip", "says", "takes", "trace", "travel"),
    Step.LAST_ROUND: ("number", "strip", "says", "takes", "trace"),
    Step.FINISHED: ("results", "number", "says"),
}

_ON_SCREEN: Final = (
    "number", "says", "checks", "results", "trace", "takes", "move", "travel", "strip"
)  # fmt: skip


@dataclass(frozen=True)
class _Pane:
    """A part of the screen: the least and the most lines it can use, and how it is drawn."""

    name: str
    least: int
    most: int
    draw: Callable[[int], list[Text]]


def render(state: State, width: int, height: int, theme: Theme, typed: str = "") -> list[Text]:
    """The screen as exactly ``height`` lines of at most ``width`` cells.

    Parameters
    ----------
    state : the session.
    width, height : size of the terminal in cells, from 40 by 12; below that a sentence says so.
    theme : characters and colours.
    typed : figures of a take number that have been typed so far.
    """
    if width < LEAST_WIDTH or height < LEAST_HEIGHT:
        return _too_small(width, height)
    keys = key_lines(theme, width, typed)
    room = height - len(keys)
    if state.display.help_open:
        lines = help_lines(theme, width, room)
    elif state.display.large_print:
        lines = _large_print(state, theme, width, room)
    else:
        lines = _bench(state, theme, width, room)
    return [*lines, *[Text()] * (room - len(lines)), *keys]


def _too_small(width: int, height: int) -> list[Text]:
    words = wrapped(f"too small: needs {LEAST_WIDTH} x {LEAST_HEIGHT}", max(width, 1))
    return (words + [Text()] * height)[:height]


def header(state: State, theme: Theme, width: int) -> Text:
    """Which string and which step, in words; on the right how it is judged."""
    g = theme.glyphs
    string = state.setup.instrument.string(state.current)
    if state.step in (Step.BEFORE, Step.FINISHED):
        name = printable(state.setup.instrument.name, theme)
        left = Text.assemble((f"{step_words(state)}  ", theme.number), name)
    else:
        of = "" if width < 60 else f" of {len(state.strings)}"
        left = Text.assemble(
            (f"string {state.current}{of} {g.dot} {string.note} {g.dot} ", theme.plain),
            (step_words(state), theme.number),
        )
    tolerance = f"{g.plus_minus}{state.tolerance_cents:g}"
    right = Text(tolerance if width < 60 else f"tolerance {tolerance} cents", theme.quiet)
    for words, applies in (("frozen", state.display.frozen), ("no sound", state.input_lost)):
        if applies:
            right = Text(f" {words} ", theme.caution)
    return spread(left, right, width)


def step_words(state: State) -> str:
    """The step in words; "wait" while a note that is wanted settles."""
    waiting = state.step in (Step.OPEN, Step.FRETTED, Step.LAST_ROUND)
    if waiting and state.ringing and state.offered is None:
        return "wait (settling)"
    if state.step is Step.FRETTED:
        return f"fret the {ordinal(state.setup.fret)}"
    return str(state.step)


def _bench(state: State, theme: Theme, width: int, room: int) -> list[Text]:
    """The screen above the keys."""
    top = [header(state, theme, width), *_ask_lines(state, theme, width)]
    if len(top) > room:
        return top[:room]
    panes = _panes(state, theme, width, room)
    heights = _allot(panes, _PRIORITY[state.step], room - len(top))
    spare = room - len(top) - sum(heights.values())
    lines = list(top)
    for name in _ON_SCREEN:
        pane = panes.get(name)
        if pane is None or name not in heights:
            continue
        if spare > 0:
            lines.append(Text())
            spare -= 1
        lines += pane.draw(heights[name])[: heights[name]]
    return lines


def _ask_lines(state: State, theme: Theme, width: int) -> list[Text]:
    """The one thing to do now, never cut short."""
    mark = theme.glyphs.current
    lines = wrapped(printable(state.asks, theme), width - 2, style=theme.ask)
    return [Text.assemble((f"{mark if n == 0 else ' '} ", theme.ask), line)
            for n, line in enumerate(lines)]  # fmt: skip


def _allot(panes: dict[str, _Pane], priority: tuple[str, ...], room: int) -> dict[str, int]:
    """Lines of each pane: the least for as many as fit, in order; then up to the most."""
    heights: dict[str, int] = {}
    for name in priority:
        pane = panes.get(name)
        if pane is not None and pane.least <= room:
            heights[name] = pane.least
            room -= pane.least
    for name, least in heights.items():
        more = min(room, panes[name].most - least)
        heights[name] = least + more
        room -= more
    return heights


def _panes(state: State, theme: Theme, width: int, room: int) -> dict[str, _Pane]:
    """Every pane that has something to say in this state."""
    number = number_lines(large_of(state, theme), theme, width, figure_scale(width, room))
    says = wrapped(printable(state.says, theme), width)
    move = ("the move", lambda w, h: move_lines(state, theme, w, h))
    panes = [
        _Pane("number", len(number), len(number), lambda _: number),
        _Pane("strip", 1, 5 if room >= 28 else 3, lambda h: strip_lines(state, theme, width, h)),
        _Pane("travel", 1, 1, lambda _: [travel_line(state.string, theme, width)]),
        _Pane("move", 4, 11, _titled(move, theme, width)),
        _Pane("checks", 1, 8, lambda h: _check_lines(theme, width, h)),
        _Pane(
            "results", min(len(state.strings), room - 2), len(state.strings),
            lambda _: result_lines(state, theme, width),
        ),
    ]  # fmt: skip
    if says:
        panes.append(_Pane("says", len(says), len(says), lambda _: says))
    trace = ("this note", lambda w, h: trace_lines(state, theme, w, h))
    takes = (_takes_title(state), lambda w, h: takes_lines(state, theme, w, h))
    if width >= _WIDE and "takes" in _PRIORITY[state.step]:
        panes.append(_beside("takes", trace, takes, theme, width))
    else:
        panes.append(_Pane("trace", 5, 16, _titled(trace, theme, width)))
        least = 4 + (state.string.now is not None)
        panes.append(_Pane("takes", least, 18, _titled(takes, theme, width)))
    return {pane.name: pane for pane in panes}


Body = Callable[[int, int], list[Text]]


def _titled(part: tuple[str, Body], theme: Theme, width: int) -> Callable[[int], list[Text]]:
    """How a part is drawn under its heading."""
    words, body = part
    return lambda height: [title(words, width, theme), *body(width, height - 1)]


def _beside(
    name: str, left: tuple[str, Body], right: tuple[str, Body], theme: Theme, width: int
) -> _Pane:
    """Two titled panes side by side."""
    half = (width - 2) // 2

    def draw(height: int) -> list[Text]:
        columns = [
            [title(words, half, theme), *body(half, height - 1)] for words, body in (left, right)
        ]
        return side_by_side(columns[0], columns[1], half, 2)

    return _Pane(name, 5, 20, draw)


def _takes_title(state: State) -> str:
    if state.string.round == 0:
        return "takes"
    return f"takes since move {state.string.round}"


def _check_lines(theme: Theme, width: int, height: int) -> list[Text]:
    """What has to be right first, and how to play; the second is given up first."""
    mark = theme.glyphs.todo
    return [
        line
        for check in (*ORDER_OF_WORK, *HOW_TO_PLAY)
        for line in wrapped(printable(f"{mark} {check}", theme), width, indent="  ")
    ][:height]


def _large_print(state: State, theme: Theme, width: int, room: int) -> list[Text]:
    """Step, number and word alone, as large as the window allows; the request in plain text."""
    lines = [header(state, theme, width), *_ask_lines(state, theme, width)]
    move = state.string.advice if state.step is Step.MOVE else None
    large = large_of(state, theme) if move is None else move_large(move)
    free = room - len(lines)
    scale = next(
        (s for s in (Scale(6, 3), Scale(4, 2)) if _fits(large.figure, s, width, free)), Scale(2, 1)
    )
    number = number_lines(large, theme, width, scale)
    if len(lines) + len(number) <= room:
        lines += [Text()] * min(1, room - len(lines) - len(number)) + number
    step = word_rows(step_words(state), theme, width, room - len(lines) - 1)
    if step is not None:
        lines += [Text(), *(Text(row, theme.number) for row in step)]
    return [padded(line, width) for line in lines[:room]]


def _fits(figure: str, scale: Scale, width: int, free: int) -> bool:
    return pixel_width(figure) * scale.columns + 24 <= width and 5 * scale.rows + 1 <= free
