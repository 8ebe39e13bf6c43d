"""What is to be done now, in block letters, with the number and the word of judgement beside it."""

from __future__ import annotations

import re
from typing import Final

from rich.cells import cell_len
from rich.text import Text

from pitchbench.notes import ordinal
from pitchbench.screen.digits import block_rows, half_block_rows, pixel_width
from pitchbench.screen.letters import (
    USUAL_PIXELS,
    Large,
    Scale,
    figure_lines,
    singles,
    unit_line,
    word_lines,
)
from pitchbench.screen.text import brief, fitted, printable, side_by_side, wrapped
from pitchbench.screen.theme import Theme
from pitchbench.session.log import Step, StepEntry, TakeEntry
from pitchbench.session.state import State
from pitchbench.session.words import input_request

#: The widest of the words.
_WIDEST: Final = pixel_width("MOVE")

#: From which width and height on letters are how large; smaller ones are of half blocks.
_SCALES: Final = ((160, 54, Scale(6, 3)), (76, 38, Scale(4, 2)), (40, 18, Scale(2, 1)))

_GAP: Final = 2

#: Beside a figure there is room for single words from this width on.
_SINGLE: Final = 8

#: Where a sentence may end early.
_CLAUSE_ENDS: Final = re.compile(r"[;:.] ")

_WORDS: Final = {
    Step.BEFORE: "OPEN",
    Step.TUNE: "TUNE",
    Step.OPEN: "OPEN",
    Step.MOVE: "MOVE",
    Step.RETUNE: "TUNE",
    Step.BORDER: "NEXT",
}


def request_word(state: State) -> str:
    """What the hands do now, in one word; DONE once a string is set, until the next pluck. Nothing
    where nothing is to be done, or the sound input has to be seen to first."""
    if input_request(state) is not None or state.finished:
        return ""
    if state.measuring:
        return "RING" if state.offered is None else "DAMP"
    if state.just_done is not None:
        return "DONE"
    return _word_of_step(state)


def _word_of_step(state: State) -> str:
    log = state.log
    if log.step is Step.TUNE and _has_just_turned_to(state):
        return "NEXT"
    if log.step is Step.LAST_ROUND and not log.tuned:
        return "TUNE"
    if log.step in _WORDS or not log.wanted_fret:
        return _WORDS.get(log.step, "OPEN")
    return ordinal(state.setup.instrument.neck_fret(log.current, log.wanted_fret)).upper()


def _has_just_turned_to(state: State) -> bool:
    """Whether another string is at work than the one heard last, and nothing is heard of it yet."""
    if state.ringing:
        return False
    for entry in reversed(state.log.standing):
        if isinstance(entry, TakeEntry):
            return entry.take.string != state.log.current
        if isinstance(entry, StepEntry) and entry.string != state.log.current:
            return True
    return False


def is_small(width: int, height: int) -> bool:
    """Whether a window has no room for letters of whole blocks and what belongs to them."""
    return not any(width >= least and height >= lowest for least, lowest, _ in _SCALES)


def request_scale(width: int, height: int, theme: Theme) -> Scale | None:
    """The size of the letters in a window; None for half blocks."""
    for least_width, least_height, scale in _SCALES:
        if width >= least_width and height >= least_height:
            return scale
    return None if theme.glyphs.unicode else Scale(2, 1)


def request_lines(
    word: str, large: Large, theme: Theme, width: int, scale: Scale | None
) -> list[Text]:
    """The request in block letters; beside it, or below where it is too wide, number and judgement;
    below both what the number is of. Always equally many lines for a window."""
    rows = (
        half_block_rows(word)
        if scale is None
        else block_rows(word, ink=theme.glyphs.ink, columns=scale.columns, rows=scale.rows)
    )
    columns = 1 if scale is None else scale.columns
    height = 3 if scale is None else 5 * scale.rows
    field = _WIDEST * columns
    block = [Text(row, theme.ask) for row in rows]
    left = width - field - _GAP
    if height >= 10 and left >= USUAL_PIXELS * 2:
        return side_by_side(block, _column(large, theme, left, height), field, _GAP)
    whole = printable(large.whole_caption, theme)
    caption = _first_line(whole if len(whole) <= width else large.about, theme, width)
    if scale is None:
        beside = figure_lines(large.figure, theme, left, None) if large.figure else []
        unit = f" {large.unit or large.word.partition(' ')[0]}"
        if large.figure.strip() and beside[-1].cell_len + len(unit) <= left:
            beside[-1] = Text.assemble(beside[-1], (unit, theme.number))
        lines = side_by_side(block, beside, field, _GAP)
        about = _first_line(large.about, theme, width)
        return [*lines, _captioned(large, theme, width), about]
    longest = max(map(len, large.single_words), default=0)
    if left >= USUAL_PIXELS * 2 + 1 + max(longest, _SINGLE):
        return [*side_by_side(block, _row(large, theme, left), field, _GAP), caption]
    if height >= 10:
        return [*block, Text(), *_pad(_row(large, theme, width), 5), caption]
    if theme.glyphs.unicode:
        return [*block, *_pad(_small_row(large, theme, width), 3), caption]
    return [*_pad(block, height), fitted(_spelled(large, theme), width), caption]


def spelled_lines(word: str, large: Large, theme: Theme, width: int) -> list[Text]:
    """Request, number and judgement as text, with what else there is to say, where block letters
    would leave no room for that."""
    line = Text.assemble((f"{word}  ", theme.ask), _spelled(large, theme))
    return [fitted(line, width), _first_line(large.about, theme, width)]


def _spelled(large: Large, theme: Theme) -> Text:
    """The number with its word in one line of text."""
    figure = f"{large.figure.strip()} ".lstrip()
    return Text.assemble((figure, theme.number), unit_line(large, theme, before=large.word))


def largest_rows(word: str, theme: Theme, width: int, height: int) -> tuple[str, ...]:
    """``word`` in the largest block letters that so many cells hold; nothing if none do."""
    pixels = pixel_width(word)
    sizes = ((columns, rows) for rows in (6, 5, 4, 3, 2, 1) for columns in (2 * rows, rows))
    for columns, rows in sizes:
        fits = pixels * columns <= width and 5 * rows <= height
        if fits and (columns > 1 or theme.glyphs.unicode):
            return block_rows(word, ink=theme.glyphs.ink, columns=columns, rows=rows)
    if theme.glyphs.unicode and pixels <= width and height >= 3:
        return half_block_rows(word)
    return ()


def small_lines(large: Large, theme: Theme, width: int) -> list[Text]:
    """The number with its word in half blocks where there are any, and what it is of."""
    about = wrapped(printable(large.whole_caption, theme), width, style=theme.quiet)
    if theme.glyphs.unicode:
        return [*_pad(_small_row(large, theme, width), 3), *about]
    return [fitted(_spelled(large, theme), width), *about]


def _pad(lines: list[Text], height: int) -> list[Text]:
    return [*lines, *[Text()] * height][:height]


def _first_line(words: str, theme: Theme, width: int) -> Text:
    """``words`` in brief where one line is too short for them, and then as many of their clauses
    as it holds: half a clause says something else."""
    words = printable(words, theme)
    short = brief(words)
    ends = [each.start() for each in _CLAUSE_ENDS.finditer(short)]
    forms = (words, short, *(short[:end] for end in reversed(ends)))
    shown = next((form for form in forms if cell_len(form) <= width), words)
    return [*wrapped(shown, width, style=theme.quiet), Text()][0]


def _captioned(large: Large, theme: Theme, width: int) -> Text:
    """What the number is of, its ± and the word in one line of a small window; with the unit where
    there is room for it."""
    for sure in (f"{large.sure} {large.unit}" if large.sure else "", large.sure):
        what = f"{large.caption} {sure}".strip()
        words = printable(", ".join(part for part in (what, large.word) if part), theme)
        if len(words) <= width:
            break
    return fitted(Text(words, theme.number), width)


def _row(large: Large, theme: Theme, width: int) -> list[Text]:
    """The figure with single words beside it; without a figure the word alone."""
    if not large.figure:
        return word_lines(large.word, theme, width)
    field = USUAL_PIXELS * 2
    figure = figure_lines(large.figure, theme, field, Scale(2, 1))
    return side_by_side(figure, singles(large, theme, width - field - 1), field, 1)


def _small_row(large: Large, theme: Theme, width: int) -> list[Text]:
    """The same in half blocks, three lines high."""
    if not large.figure:
        return word_lines(large.word, theme, width)
    figure = figure_lines(large.figure, theme, USUAL_PIXELS, None)
    beside = [Text(printable(w, theme), theme.number) for w in (large.word, large.unit_words)]
    return side_by_side(figure, beside, USUAL_PIXELS, _GAP)


def _column(large: Large, theme: Theme, width: int, height: int) -> list[Text]:
    """The figure, below it the word, the unit and what the number is of."""
    about = wrapped(printable(large.whole_caption, theme), width, style=theme.quiet)
    lines: list[Text] = []
    if large.figure:
        scale = Scale(4, 2) if width >= USUAL_PIXELS * 4 and height >= 15 else Scale(2, 1)
        lines += _pad(figure_lines(large.figure, theme, width, scale), 5 * scale.rows)
    word, unit = word_lines(large.word, theme, width), unit_line(large, theme)
    if len(lines) + len(word) + bool(unit.plain) + len(about) > height:
        return _pad([*lines, unit_line(large, theme, before=large.word), *about], height)
    return _pad([*lines, *word, *([unit] if unit.plain else []), *about], height)
