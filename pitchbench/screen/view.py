"""The bench screen: a pure function of the session's state and the size of the terminal.

From top to bottom: string and step; the one thing to do; the large number; what was made of the
last thing heard; the note as a trace; the takes on one cents axis; the move; all strings; the keys.
Header, request and keys are always there. The rest is given up, as the window gets smaller, in the
order that ``_PRIORITY`` states for each step, from the end of the list.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from typing import Final

from rich.text import Text

from pitchbench.notes import ordinal
from pitchbench.screen.digits import pixel_width
from pitchbench.screen.frame import Keys, ask_lines, framed, header, why_lines
from pitchbench.screen.keyhelp import (
    ALWAYS,
    COMMAND_OF_KEY,
    KEYS,
    WATCHING,
    Key,
    session_marks,
)
from pitchbench.screen.letters import Scale, figure_scale, number_lines
from pitchbench.screen.number import large_of, move_in_brief, move_large
from pitchbench.screen.request import (
    is_small,
    largest_rows,
    request_lines,
    request_scale,
    request_word,
    small_lines,
    spelled_lines,
)
from pitchbench.screen.saddle import caution_lines, move_lines, shown_move
from pitchbench.screen.strip import result_lines, strip_lines
from pitchbench.screen.takes import takes_lines
from pitchbench.screen.text import (
    fitted,
    padded,
    printable,
    side_by_side,
    title,
    wrapped,
)
from pitchbench.screen.theme import Theme
from pitchbench.screen.trace import trace_lines, trace_title
from pitchbench.session.job import Command
from pitchbench.session.keys import useful
from pitchbench.session.log import Step
from pitchbench.session.state import State
from pitchbench.session.words import HOW_TO_PLAY, before_work

#: From this width on, trace and takes stand beside each other.
_WIDE: Final = 110

#: From this many lines below the request on, takes have a line each and the strip is a full table.
#: The heights follow the window, not what is shown, so that nothing jumps from note to note.
_TALL: Final = 28

#: From this width on headings are spelled out.
_SPELLED: Final = 60

#: What is kept longest comes first; "move" stands for the side view.
_PRIORITY: Final[dict[Step, tuple[str, ...]]] = {
    Step.BEFORE: ("number", "checks", "says"),
    Step.TUNE: ("number", "says", "strip", "trace"),
    Step.OPEN: ("number", "strip", "says", "takes", "trace"),
    Step.FRETTED: ("number", "strip", "says", "takes", "trace"),
    Step.MOVE: ("number", "says", "move", "strip", "takes"),
    # A string is retuned after its saddle was moved, or slackened with the move still to be made.
    Step.RETUNE: ("number", "says", "move", "strip", "trace"),
    Step.BORDER: ("number", "says", "move", "strip", "takes", "trace"),
    Step.LAST_ROUND: ("number", "strip", "says", "takes", "trace"),
    Step.FINISHED: ("results", "number", "says"),
}

_ON_SCREEN: Final = (
    "number", "says", "checks", "results", "trace", "takes", "move", "strip"
)  # fmt: skip


#: Steps at which a string is slack, or about to be.
_AT_SADDLE: Final = (Step.MOVE, Step.RETUNE, Step.BORDER)


@dataclass(frozen=True)
class _Pane:
    """A part of the screen: the heights that suit it, rising, and how it is drawn in one."""

    name: str
    heights: Sequence[int]
    draw: Callable[[int], list[Text]]


@dataclass(frozen=True)
class _Scales:
    """How large figure and request are drawn; the request in half blocks where it has no scale.
    They follow the window, which may be small, and not what is shown."""

    figure: Scale
    request: Scale | None
    small: bool

    @property
    def letters(self) -> int:
        """The height of the request."""
        return 3 if self.request is None else 5 * self.request.rows


def render(state: State, width: int, height: int, theme: Theme, typed: str = "") -> list[Text]:
    """The screen as exactly ``height`` lines of at most ``width`` cells.

    Parameters
    ----------
    state : the session.
    width, height : size of the terminal in cells, from 40 by 12; below that a sentence says so.
    theme : characters and colours.
    typed : figures of a take number that have been typed so far.
    """
    scales = _Scales(
        figure_scale(width, height), request_scale(width, height, theme), is_small(width, height)
    )

    def body(room: int) -> list[Text]:
        if state.display.large_print:
            return _large_print(state, theme, width, room)
        return _bench(state, theme, width, room, scales)

    every = (*_watching(state), *_useful_keys(state))
    keys = Keys(every, keys_of(state), None, session_marks(theme))
    return framed(state, keys, body, width=width, height=height, theme=theme, typed=typed)


def keys_of(state: State) -> list[Key]:
    """The keys at the foot: how far a saddle went in the tolerance's place. Who watches a rehearsal
    needs few; the others are on the help page."""
    keys = _useful_keys(state)
    if state.setting:
        return [*_watching(state), *(key for key in keys if key[0] in "flhq")]
    return [key for key in keys if key[0] != "+-"] if Command.MORE in useful(state) else keys


def _watching(state: State) -> tuple[Key, ...]:
    """The keys of whoever watches a rehearsal; at its end nothing goes on."""
    return WATCHING if state.setting and not state.finished else ()


def _useful_keys(state: State) -> list[Key]:
    """The keys that have a use now."""
    now = useful(state) | ALWAYS
    return [key for key in KEYS if {COMMAND_OF_KEY[each] for each in key[0]} & now]


def _header(state: State, theme: Theme, width: int) -> Text:
    """Which string and which step, in words; on the right how it is judged."""
    g = theme.glyphs
    string = state.setup.instrument.string(state.log.current)
    step = (step_words(state), theme.number)
    if state.log.step in (Step.BEFORE, Step.FINISHED):
        name = printable(state.setup.instrument.name, theme)
        forms = [Text.assemble(step, f"  {name}"), Text.assemble(step)]
    else:
        order = state.setup.order
        of = ""
        if width >= 60 and state.log.current in order:
            of = f" ({order.index(state.log.current) + 1} of {len(order)})"
        which = f"{state.log.current}{of} {g.dot} {string.note} {g.dot} "
        forms = [Text.assemble((f"string {which}", theme.plain), step), Text.assemble(which, step)]
    # In a narrow window that this is a rehearsal goes before what can be guessed.
    kind = state.setting.partition(", ")[0]
    left = next((form for form in forms if form.cell_len + len(kind) < width), forms[0])
    tolerance = f"{g.plus_minus}{state.log.string.tolerance_cents:g}"
    right = Text(tolerance if width < 60 else f"tolerance {tolerance} cents", theme.quiet)
    if state.setting:
        right = _setting(state.setting, tolerance, width - left.cell_len - 1, theme)
    return header(left, right, state, theme, width)


def _setting(setting: str, tolerance: str, room: int, theme: Theme) -> Text:
    """That it is a rehearsal; what it is judged by beside that where there is room for both, with
    its unit, which goes before who plays."""
    kind, judged = setting.partition(", ")[0], f" {theme.glyphs.dot} {tolerance} cents"
    forms = [(setting, judged), (kind, judged), (setting, "")]
    said, by = next((form for form in forms if len("".join(form)) <= room), (kind, ""))
    return Text.assemble((said, theme.number), (by, theme.quiet))


def step_words(state: State) -> str:
    """The step in words; "wait" while a note that is wanted settles."""
    waiting = state.log.step in (Step.BEFORE, Step.OPEN, Step.FRETTED, Step.LAST_ROUND)
    if waiting and state.ringing and state.offered is None:
        return "wait (settling)"
    if state.log.step is Step.FRETTED:
        fret = state.setup.instrument.neck_fret(state.log.current, state.setup.fret)
        return f"fret the {ordinal(fret)}"
    return str(state.log.step)


def _bench(state: State, theme: Theme, width: int, room: int, scales: _Scales) -> list[Text]:
    """The screen above the keys."""
    top = [_header(state, theme, width), *ask_lines(state.asks, theme, width)]
    why = why_lines(state.why, theme, width)
    # Letters and number come before the reason, and so does what the number is of, or the danger.
    if len(top) + len(why) + 4 <= room:
        top += why
    if len(top) > room:
        return top[:room]
    number = _number(state, theme, width, scales, room - len(top))
    panes = _panes(state, theme, width, room - len(top), number)
    heights = _allot(panes, _PRIORITY[state.log.step], room - len(top))
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


def _number(state: State, theme: Theme, width: int, scales: _Scales, room: int) -> list[Text]:
    """What to do in block letters with the number beside it, in so many lines; at the end the
    number alone."""
    word, large = request_word(state), large_of(state, theme)
    move = shown_move(state) if word and scales.small else None
    if move is not None and state.log.step is Step.MOVE:
        # There is no room for the move's own picture, and cents beside MOVE pass for turns.
        large = move_in_brief(move)
    elif move is not None and state.log.step is Step.RETUNE:
        large = replace(large, about=move.brief_caution)
    if not word:
        return _cut(number_lines(large, theme, width, scales.figure), room, state, scales)
    minds = [] if move is None or state.log.step is not Step.BORDER else [Text(move.brief_caution)]
    # Without half blocks the number is a line below the letters; while a string is brought up to
    # its pitch it is what the hands follow.
    below = state.log.step is Step.RETUNE and bool(large.figure) and not theme.glyphs.unicode
    if move is not None and room <= scales.letters + below + len(minds):
        # What to mind where the hands go to a saddle comes before letters of any size.
        return [*spelled_lines(word, large, theme, width), *minds]
    lines = [*request_lines(word, large, theme, width, scales.request), *minds]
    return _cut(lines, room, state, scales)


def _cut(number: list[Text], room: int, state: State, scales: _Scales) -> list[Text]:
    """The letters of the request are the last to go: what stands below them goes before them; of
    that, what to mind at a saddle stays, since how far and which way is in the sentence."""
    if scales.letters < room < len(number) and state.log.step in _AT_SADDLE:
        return [*number[: room - 1], number[-1]]
    return number[: max(room, 3)]


def _allot(panes: dict[str, _Pane], priority: tuple[str, ...], room: int) -> dict[str, int]:
    """Lines of each pane: the least for as many as fit, in order of priority; then each in turn is
    given its next height while there is room."""
    allotted: dict[str, int] = {}
    for name in priority:
        if name in panes and panes[name].heights[0] <= room:
            allotted[name] = panes[name].heights[0]
            room -= allotted[name]
    grown = True
    while grown:
        grown = False
        for name, height in allotted.items():
            following = next((h for h in panes[name].heights if h > height), None)
            if following is not None and following - height <= room:
                room -= following - height
                allotted[name] = following
                grown = True
    return allotted


def _panes(
    state: State, theme: Theme, width: int, room: int, number: list[Text]
) -> dict[str, _Pane]:
    """Every pane that has something to say in this state, in ``room`` lines for all."""
    says = wrapped(printable(state.says, theme), width)
    tall = room >= _TALL
    count = len(state.log.strings)
    move = ("the move", lambda w, h: move_lines(state, theme, w, h))
    # The move is what the hands do next: it comes as complete as it fits, before all the rest.
    free = max(4, room - len(number) - len(says))
    move_height = 1 + len(move_lines(state, theme, width, free - 1))
    panes = [
        _Pane("number", (len(number),), lambda _: number),
        _Pane(
            "strip", (1, 3, 5) if tall else (1, 3), lambda h: strip_lines(state, theme, width, h)
        ),
        _Pane("checks", range(1, 8), lambda h: _check_lines(state, theme, width, h)),
        _Pane(
            "results",
            (min(count, room), min(count + 1, room)),
            lambda h: result_lines(state, theme, width, h),
        ),
    ]
    if state.log.string.advice is not None:
        panes.append(_Pane("move", (move_height,), _titled(move, theme, width)))
    if says:
        panes.append(_Pane("says", (len(says),), lambda _: says))
    takes = (_takes_title(state, width), lambda w, h: takes_lines(state, theme, w, h))
    if width >= _WIDE and "takes" in _PRIORITY[state.log.step]:
        trace = _trace(state, theme, _half(width))
        draw = _beside(trace, takes, theme, width)
        panes.append(_Pane("takes", range(6, 21), draw))
    else:
        trace = _trace(state, theme, width)
        panes.append(_Pane("trace", range(5, 15), _titled(trace, theme, width)))
        panes.append(_Pane("takes", (6, 18) if tall else (6,), _titled(takes, theme, width)))
    return {pane.name: pane for pane in panes}


#: A heading, and what draws the lines below it from width and height.
_Part = tuple[str, Callable[[int, int], list[Text]]]


def _trace(state: State, theme: Theme, width: int) -> _Part:
    return trace_title(state, theme, width), lambda w, h: trace_lines(state, theme, w, h)


def _titled(part: _Part, theme: Theme, width: int) -> Callable[[int], list[Text]]:
    """How a part is drawn under its heading."""
    words, body = part
    return lambda height: [title(words, width, theme), *body(width, height - 1)]


def _half(width: int) -> int:
    return (width - 2) // 2


def _beside(left: _Part, right: _Part, theme: Theme, width: int) -> Callable[[int], list[Text]]:
    """How two parts are drawn side by side."""
    half = _half(width)
    draw_left, draw_right = (_titled(part, theme, half) for part in (left, right))
    return lambda height: side_by_side(draw_left(height), draw_right(height), half, 2)


def _takes_title(state: State, width: int) -> str:
    """Which takes, and what they are held against, which no take's own sentence says."""
    since = f" since move {state.log.string.round}" if state.log.string.round else ""
    return f"takes{since}{' against the open note' if width >= _SPELLED else ''}"


def _check_lines(state: State, theme: Theme, width: int, height: int) -> list[Text]:
    """What has to be right first, and how to play; how much of it there is no room for is said."""
    mark = theme.glyphs.todo
    checks = [
        wrapped(printable(f"{mark} {check}", theme), width, indent="  ")
        for check in (*before_work(state.setup.instrument), *HOW_TO_PLAY)
    ]
    if sum(map(len, checks)) <= height:
        return list(chain(*checks))
    lines: list[Text] = []
    shown = 0
    while len(lines) + len(checks[shown]) < height:
        lines += checks[shown]
        shown += 1
    left = f"{len(checks) - shown} more" if shown else f"{len(checks)} checks"
    more = f"{theme.glyphs.todo} {left}: make the window taller"
    return [*lines, fitted(Text(more, theme.quiet), width)][:height]


def _large_print(state: State, theme: Theme, width: int, room: int) -> list[Text]:
    """Request and number alone, as large as the window allows; the sentence in plain text."""
    lines = [_header(state, theme, width), *ask_lines(state.asks, theme, width)]
    lines += why_lines(state.why, theme, width)
    word = request_word(state)
    move = shown_move(state) if word and state.log.step is Step.MOVE else None
    large = large_of(state, theme) if move is None else move_large(move)
    word = word or large.word
    minds = _minds(state, theme, width, (room - len(lines)) // 3)
    room -= len(minds)
    head = list(lines)
    rows = largest_rows(word, theme, width, (room - len(lines)) * 3 // 5)
    lines += [Text(row, theme.ask) for row in rows]
    free = room - len(lines) - 1
    scale = next(
        (s for s in (Scale(6, 3), Scale(4, 2)) if _fits(large.figure, s, width, free)), Scale(2, 1)
    )
    number = number_lines(large, theme, width, scale)
    small = small_lines(large, theme, width)
    if len(number) <= free:
        lines += [Text(), *number]
    elif len(small) <= free or not (request_word(state) and theme.glyphs.unicode):
        lines += [Text(), *small][: max(free, 0)]
    else:
        # A number cut in two would be none: beside the word there is room for it, and for the
        # danger where the hands go to a saddle.
        if state.log.step in _AT_SADDLE:
            room, minds = room + len(minds), []
        scales = _Scales(Scale(2, 1), None, small=True)
        lines = [*head, *_number(state, theme, width, scales, room - len(head))]
    lines = [*lines[:room], *[Text()] * (room - len(lines)), *minds]
    return [padded(line, width) for line in lines]


def _minds(state: State, theme: Theme, width: int, height: int) -> list[Text]:
    """What to mind where the hands go to a saddle, in at most so many lines."""
    move = shown_move(state)
    moving = state.log.step in (Step.MOVE, Step.BORDER, Step.RETUNE)
    return [] if move is None or not moving else caution_lines(move, theme, width, height)


def _fits(figure: str, scale: Scale, width: int, free: int) -> bool:
    return pixel_width(figure) * scale.columns + 24 <= width and 5 * scale.rows + 1 <= free
