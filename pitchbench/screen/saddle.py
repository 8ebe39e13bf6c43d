"""The saddle move as a side view of the string, and what to mind."""

from __future__ import annotations

from itertools import chain
from typing import Final

from rich.text import Text

from pitchbench.instrument import ScrewHeads
from pitchbench.intonation.bridge import (
    DIRECTION_WORDS,
    Direction,
    Move,
    move_interval_words,
    short_words,
    way_words,
)
from pitchbench.lengths import length_words
from pitchbench.notes import ordinal
from pitchbench.screen.letters import word_rows
from pitchbench.screen.text import fitted, printable, side_by_side, signed, wrapped
from pitchbench.screen.theme import Theme
from pitchbench.session.log import StringState
from pitchbench.session.state import State
from pitchbench.units import fret_ratio

_ARROW: Final = 8

#: What is left of the travel is nothing where it would be shown as nothing.
_LEAST_SHOWN_MM: Final = 0.005


def move_lines(state: State, theme: Theme, width: int, height: int) -> list[Text]:
    """The move in at most ``height`` lines.

    Given up in this order as lines get scarce: the total travel, the cautions from the last one on
    but for the one that names the danger, the side view, the block letters.
    """
    move = shown_move(state)
    if move is None:
        return [Text("no move advised", theme.quiet)]
    travel = travel_line(state.log.string, theme, width)
    view = side_view(state, move.direction, theme, width)
    amount = _amount(state, move, theme, width)
    plain = _amount_words(state, move, theme, width)
    for lines in ([*view, *amount], amount, plain):
        minds = caution_lines(move, theme, width, height - len(lines))
        if minds:
            spare = height - len(lines) - len(minds)
            return [*lines, *minds, *([travel] if spare > 0 and lines[0] is view[0] else [])]
    brief = _caution_lines(move.brief_caution, theme, width)
    return [*plain[: height - len(brief)], *brief] if height > len(brief) else plain[:height]


def shown_move(state: State) -> Move | None:
    """The move as advised, or as the person said it was made; None where none is advised."""
    move, said_mm = state.log.string.advice, state.log.string.said_mm
    return move if move is None or said_mm is None else move.made(said_mm)


def _to_the_end(move: Move) -> bool:
    """Whether the saddle goes to the end of its travel."""
    limit_mm = move.bridge.travel_mm(away=move.mm > 0.0)
    return limit_mm is not None and abs(move.mm + move.moved_mm) > limit_mm - _LEAST_SHOWN_MM


def side_view(state: State, direction: Direction, theme: Theme, width: int) -> list[Text]:
    """Nut, fret and saddle along the string, and which way the saddle goes: three lines.

    Drawn as the player sees it: nut on the left; on the right for a left-handed instrument.
    """
    glyphs = theme.glyphs
    mirrored = state.setup.instrument.left_handed
    fret = state.setup.fret
    label = f"{ordinal(state.setup.instrument.neck_fret(state.log.current, fret))} fret"
    nut, saddle = 2, width - _ARROW - 8
    fret_at = nut + round((saddle - nut) * (1 - 1 / fret_ratio(fret)))
    labels = [" "] * width
    string = [" "] * width
    arrow = [" "] * width
    for word, at in (("nut", nut), (label, fret_at), ("saddle", saddle)):
        start = max(0, at - len(word) // 2)
        labels[_placed(start, len(word), width, mirrored)] = word
    string[nut:saddle] = glyphs.string * (saddle - nut)
    string[nut], string[fret_at], string[saddle] = glyphs.nut, glyphs.fret, glyphs.saddle
    away = direction is Direction.AWAY_FROM_NUT
    head = glyphs.to_right if away != mirrored else glyphs.to_left
    start = saddle if away else saddle - _ARROW
    arrow[start : start + _ARROW + 1] = [glyphs.shaft] * (_ARROW + 1)
    arrow[start + _ARROW if away else start] = head
    if mirrored:
        string, arrow = string[::-1], arrow[::-1]
    return [
        fitted(Text(_label_text(labels), theme.quiet), width),
        Text("".join(string).rstrip()),
        Text("".join(arrow).rstrip(), theme.number),
    ]


def _placed(start: int, length: int, width: int, mirrored: bool) -> int:
    return width - start - length if mirrored else start


def _label_text(labels: list[str]) -> str:
    """Words standing at their first cell, as one string."""
    line = ""
    for at, word in enumerate(labels):
        if word != " ":
            line = line.ljust(at) + word
    return line


def _amount(state: State, move: Move, theme: Theme, width: int) -> list[Text]:
    """How far: turns (or millimetres where there is no screw) large, the rest beside it."""
    large = f"{move.turns:.1f} turns" if move.turns is not None else length_words(move.size_mm)
    rows = word_rows(large, theme, width - 30, 5 if not theme.glyphs.unicode else 3)
    if rows is None:
        return _amount_words(state, move, theme, width)
    block = [Text(row, theme.number) for row in rows]
    beside = _amount_words(state, move, theme, width - len(rows[0]) - 3, turns_said=True)
    return side_by_side(block, beside, len(rows[0]), 3)


def _amount_words(
    state: State, move: Move, theme: Theme, width: int, *, turns_said: bool = False
) -> list[Text]:
    """Turns (unless said), rotation, millimetres, direction, what a turn does, and interval."""
    words = []
    if move.turns is not None:
        turns = "" if turns_said else f"{move.turns:.1f} turns "
        words.append((turns + _rotation_words(state, move), theme.number))
    size = f"{length_words(move.size_mm, 2)} {DIRECTION_WORDS[move.direction]}"
    if (pitch_mm := state.setup.instrument.bridge.screw_pitch_mm) is not None:
        # What the turns were counted with, so that another screw is noticed.
        each = f"{size}, {length_words(pitch_mm, 2)} a turn"
        size = each if len(each) <= width else size
    words.append((size, theme.number))
    if short := short_words(move):
        words.append((short, theme.number))
    if _to_the_end(move):
        words.append(("to the end of its travel; called for:", theme.quiet))
    words.append((f"(95 %: {move_interval_words(move, 2)})", theme.quiet))
    if move.ends95_cents is not None:
        low, high = move.ends95_cents
        ends = f"{signed(low, theme=theme)} to {signed(high, theme=theme)}"
        words.append((f"if moved, {ends} cents", theme.quiet))
    return [line for text, style in words for line in wrapped(text, width, style=style)]


def _rotation_words(state: State, move: Move) -> str:
    heads = state.setup.instrument.bridge.screw_heads
    where = {ScrewHeads.TAIL: ", heads at the tail", ScrewHeads.NECK: ", heads on the neck side"}
    return f"{move.rotation}{where[heads] if heads else ''}"


def caution_lines(move: Move, theme: Theme, width: int, height: int) -> list[Text]:
    """What to mind at a move, in at most ``height`` lines; where not all of it fits, the danger in
    brief and what else does. Nothing where not even that does."""
    every = [_caution_lines(caution, theme, width) for caution in move.cautions]
    lines = list(chain(*every))
    if len(lines) <= height:
        return lines
    lines = _caution_lines(move.brief_caution, theme, width)
    for more in every:
        if len(lines) + len(more) > height:
            break
        lines += more
    return lines if len(lines) <= height else []


def _caution_lines(caution: str, theme: Theme, width: int) -> list[Text]:
    mark = Text(f" {theme.glyphs.warning} ", theme.caution)
    lines = wrapped(printable(caution, theme), width - 4)
    return [Text.assemble(mark if n == 0 else "   ", " ", line) for n, line in enumerate(lines)]


def travel_words(string: StringState, width: int, *, so_far: bool = True) -> str:
    """Where the saddle stands against where it was found, shorter where that would not fit."""
    moves = f"{string.round} move{'s' if string.round != 1 else ''}"
    travel_mm = round(string.travel_mm, 2)
    saddle = "saddle so far" if so_far else "saddle"
    if travel_mm == 0:
        short = f"{saddle}: where it was found"
        forms = [f"{short}, after {moves}" if string.moves else short, short]
    else:
        amount = way_words(travel_mm, 2)
        whole = f"{saddle}: moved {amount} in all, {moves}"
        forms = [whole, f"saddle: {amount}, {moves}", f"saddle: {amount}"]
    if round(string.filed_mm, 2):
        before = f"; filed before: {way_words(string.filed_mm, 2)}"
        in_all = f"filed in all: {way_words(string.moved_mm, 2)}"
        forms = [*(words + before for words in forms), in_all]
    return next((words for words in forms if len(words) <= width), forms[-1])


def travel_line(string: StringState, theme: Theme, width: int) -> Text:
    """The same as a line, so that the saddle can be put back."""
    return fitted(Text(travel_words(string, width), theme.quiet), width)
