"""All strings at a glance: as found, now, done or not, moves made."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from rich.text import Text

from pitchbench.belief import half_figures
from pitchbench.intonation.offset import Offset
from pitchbench.intonation.verdict import percent
from pitchbench.screen.saddle import travel_words
from pitchbench.screen.text import (
    brief,
    cell,
    fitted,
    printable,
    side_by_side,
    signed,
    signed_length,
    title,
    wrapped,
)
from pitchbench.screen.theme import Theme
from pitchbench.session.log import Outcome, Step, StringState
from pitchbench.session.state import State
from pitchbench.session.words import BORDER_MEANS, BORDER_SHORT, left_words

_LABEL_WIDTH: Final = 11

#: Outcome in a word that fits a column.
_SHORT_OUTCOME: Final = {
    Outcome.LEAVE: "leave",
    Outcome.BORDER: "border",
    Outcome.COMPROMISE: "shared",
    Outcome.OUT_OF_TRAVEL: "no room",
    Outcome.DOES_NOT_SETTLE: "faulty?",
    Outcome.PASSED_OVER: "passed",
}


def strip_lines(state: State, theme: Theme, width: int, height: int) -> list[Text]:
    """The strip in at most ``height`` lines: a table of five lines, of three, or one line."""
    column = (width - _LABEL_WIDTH) // len(state.log.strings)
    if height >= 5 and column >= 8:
        return _table(state, theme, min(column, 13))
    if height >= 3 and column >= 8:
        return _short_table(state, theme, min(column, 13))
    return [_one_line(state, theme, width)]


def _in_work(state: State, string: StringState) -> bool:
    return string.number == state.log.current and state.log.step is not Step.FINISHED


def _mark(state: State, string: StringState, theme: Theme) -> str:
    """Shape of a string's place in the work: being done, passed over, done, to do; none if nobody
    asked."""
    if _in_work(state, string):
        return theme.glyphs.current
    if string.outcome is Outcome.PASSED_OVER:
        return theme.glyphs.passed
    if string.outcome is not None:
        return theme.glyphs.done
    return theme.glyphs.todo if string.number in state.setup.order else " "


def _cents(offset: Offset | None, theme: Theme, digits: int = 1) -> str:
    return "" if offset is None else signed(offset.offset_cents, digits=digits, theme=theme)


def _sure(offset: Offset | None, theme: Theme) -> str:
    """Half of the 95 % interval, with its sign."""
    if offset is None:
        return ""
    return f"{theme.glyphs.plus_minus}{half_figures(offset.belief.half())}"


def _status(state: State, string: StringState) -> str:
    if _in_work(state, string):
        return "at work"
    if string.outcome is not None:
        return _SHORT_OUTCOME[string.outcome]
    return "to do" if string.number in state.setup.order else ""


def _note(state: State, string: StringState) -> str:
    return str(state.setup.instrument.string(string.number).note)


def _row(
    state: State, theme: Theme, column: int, label: str, words: Callable[[StringState], str]
) -> Text:
    """One fact about every string."""
    line = Text()
    line.append(cell(label, _LABEL_WIDTH), theme.quiet)
    for string in state.log.strings:
        style = theme.number if _in_work(state, string) else theme.plain
        line.append(cell(words(string), column - 1) + " ", style)
    line.rstrip()
    return line


def _name(state: State, string: StringState, theme: Theme) -> str:
    return f"{_mark(state, string, theme)} {string.number} {_note(state, string)}"


def _table(state: State, theme: Theme, column: int) -> list[Text]:
    """One column a string, one row a fact."""
    facts: list[tuple[str, Callable[[StringState], str]]] = [
        ("string", lambda s: _name(state, s, theme)),
        ("found", lambda s: "  " + _cents(s.found, theme)),
        ("now", lambda s: "  " + _cents(s.now, theme)),
        ("moves", lambda s: "  " + (str(s.round) if s.round else "")),
        ("", lambda s: "  " + _status(state, s)),
    ]
    return [_row(state, theme, column, label, words) for label, words in facts]


def _short_table(state: State, theme: Theme, column: int) -> list[Text]:
    """The same in three lines: the moves stand beside the offset now."""

    def now(string: StringState) -> str:
        moves = f"{string.round}x" if string.round else ""  # a bare figure would pass for cents
        return f"  {_cents(string.now, theme):<5} {moves}"

    return [
        _row(state, theme, column, "string", lambda s: _name(state, s, theme)),
        _row(state, theme, column, "found", lambda s: "  " + _cents(s.found, theme)),
        _row(state, theme, column, "now, moves", now),
    ]


def _one_line(state: State, theme: Theme, width: int) -> Text:
    """As much of every string as fits: the offset now with a decimal, without, or the mark alone.

    What was found at first is left out: with no label it would pass for what the last move made.
    """
    for digits in (1, 0, None):
        line = Text()
        for string in state.log.strings:
            style = theme.number if _in_work(state, string) else theme.plain
            value = "" if digits is None else _cents(string.now, theme, digits)
            line.append(f"{string.number}{_mark(state, string, theme)}{value}", style)
            line.append(" ")
        line.rstrip()
        if line.cell_len <= width:
            return line
    return fitted(line, width)


def result_lines(state: State, theme: Theme, width: int, height: int) -> list[Text]:
    """Every string's result, one to a line: what was found, what was left, where the saddle is.

    Strings that the session is not about are left out. Where ``height`` lines are too few, two to a
    line, found and left alone.
    """
    shown = [string for string in state.log.strings if string.number in state.log.order]
    if len(shown) > height:
        short = [_pair(state, string, theme) for string in reversed(shown)]
        half = (len(short) + 1) // 2
        return side_by_side(short[:half], short[half:], 19, 1)
    lines = []
    for string in reversed(shown):
        line = _result(state, string, theme)
        travel = "" if not string.moves else _travel(string, theme)
        if travel and line.cell_len + 2 + len(travel) <= width:
            line.append("  " + travel, theme.quiet)
        lines.append(line if line.cell_len <= width else _short_result(state, string, theme, width))
    if len(lines) < height and any(string.outcome is Outcome.BORDER for string in shown):
        means = BORDER_MEANS if len(BORDER_MEANS) <= width else f"border: {BORDER_SHORT}"
        lines.append(Text(printable(means, theme), theme.quiet))
    return lines


def _result(state: State, string: StringState, theme: Theme) -> Text:
    """A string's result in columns that are the same for all."""
    # Of a string that is not done, the saddle may have been moved since it was heard last.
    left = "left" if string.outcome else "last"
    cells = [
        f"{word} {_cents(offset, theme):>6} {_sure(offset, theme):<5}" if offset else ""
        for word, offset in (("found", string.found), (left, string.now))
    ]
    if string.found is None:
        cells[0] = "not measured"
    sure = ""
    if string.now is not None and string.verdict is not None:
        sure = brief(percent(string.verdict.p_within))
    outcome = left_words(state.log, string)
    return Text.assemble(
        (f"string {string.number:>2} {_note(state, string):<4}", theme.number),
        f"{cells[0]:<18}  {cells[1]:<17} {sure:>5}",
        (f"  {outcome:<15}", theme.number),
    )


def _pair(state: State, string: StringState, theme: Theme) -> Text:
    found, left = _cents(string.found, theme) or "?", _cents(string.now, theme) or "?"
    return Text(f"{string.number:>2} {_note(state, string):<3}{found:>6} {left:>6}")


def _travel(string: StringState, theme: Theme) -> str:
    moves = f"{string.round} move{'s' if string.round > 1 else ''}"
    return f"{moves}, saddle {signed_length(string.travel_mm, theme)}"


def _short_result(state: State, string: StringState, theme: Theme, width: int) -> Text:
    found, left = _cents(string.found, theme) or "?", _cents(string.now, theme) or "?"
    outcome = _SHORT_OUTCOME[string.outcome] if string.outcome else "not done"
    sure = _sure(string.now, theme)
    words = (
        f"{string.number:>2} {_note(state, string):<3} {found:>6} to {left:>6} {sure:<5} {outcome}"
    )
    return fitted(Text(words), width)


def receipt(state: State, theme: Theme, width: int) -> list[Text]:
    """What stays in the scrollback after the screen is left; nothing if nothing was heard."""
    if not state.entries:
        return []
    name = printable(state.setup.instrument.name, theme)
    fret = state.setup.fret
    heading = f"{name}: cents at fret {fret} against the open string"
    lines = [
        title(heading if len(heading) + 4 <= width else name, width, theme),
        *result_lines(state, theme, width, len(state.log.strings) + 1),
    ]
    for string in reversed(state.log.strings):
        if string.moves:
            head = f"string {string.number:>2}: "
            words = head + travel_words(string, 2 * width, so_far=not state.finished)
            lines += wrapped(words, width, indent="  ")
    return lines
