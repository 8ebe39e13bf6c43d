"""The keys and what they do, in a line that is never cut off and on a page of its own."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from rich.text import Text

from pitchbench.screen.text import fitted, side_by_side, title
from pitchbench.screen.theme import Theme
from pitchbench.session.job import Command

#: Key as written on the screen, its shortest name, its name, and what it does.
Key = tuple[str, str, str, str]

KEYS: Final[tuple[Key, ...]] = (
    ("a", "ok", "accept", "accept: go on to the next step"),
    ("r", "again", "again", "again: take this string's readings anew"),
    ("x", "strike", "strike out", "strike out the last take; 7 x strikes out take 7"),
    ("n", "next", "next", "next string"),
    ("p", "prev", "previous", "previous string; takes n back"),
    ("u", "undo", "take back", "take back the last take or key"),
    ("+-", "tol", "tolerance", "tolerance up, down"),
    (",.", "far", "less, more", "the saddle went less, more than told"),
    ("f", "freeze", "freeze", "freeze the picture, and let it go on"),
    ("l", "large", "large print", "large print, and back"),
    ("h", "help", "help", "this page, and back; so does Esc"),
    ("q", "quit", "quit", "quit; what was read is kept"),
)

#: What there is besides while a rehearsal is watched.
WATCHING: Final[tuple[Key, ...]] = (
    ("space", "pause", "pause", "player and screen stand still, and go on"),
    ("right", "step", "step", "go on to where there is something new to read"),
)

#: What a terminal sends for these.
WATCHING_COMMANDS: Final[dict[str, Command]] = {
    " ": Command.PAUSE, "\x1b[C": Command.STEP, "\x1bOC": Command.STEP,
}  # fmt: skip

COMMAND_OF_KEY: Final[dict[str, Command]] = {
    "a": Command.ACCEPT, "\r": Command.ACCEPT, "\n": Command.ACCEPT,
    "r": Command.AGAIN, "x": Command.STRIKE,
    "n": Command.NEXT, "p": Command.PREVIOUS,
    "+": Command.TOLERANCE_UP, "=": Command.TOLERANCE_UP,
    "-": Command.TOLERANCE_DOWN, "_": Command.TOLERANCE_DOWN,
    ",": Command.LESS, "<": Command.LESS, ".": Command.MORE, ">": Command.MORE,
    "u": Command.UNDO, "f": Command.FREEZE, "l": Command.LARGE_PRINT,
    "h": Command.HELP, "?": Command.HELP, "q": Command.QUIT,
    "\x1b": Command.LEAVE_HELP,
}  # fmt: skip


#: From this width on the keys have one line.
_ONE_LINE: Final = 80

_GIVEN_UP: Final = ("f",)

#: Keys that have a use at any time.
ALWAYS: Final = frozenset({Command.FREEZE, Command.LARGE_PRINT, Command.HELP, Command.QUIT})


def key_lines(theme: Theme, width: int, typed: str, keys: Sequence[Key]) -> list[Text]:
    """The keys in one line, in two where it is narrow; ``typed`` is a take number being entered.

    What does not fit has short names; then the keys of ``_GIVEN_UP`` are on the help page alone.
    """
    most = 1 if width >= _ONE_LINE else 2
    lines = _filled([(key, name) for key, _, name, _ in keys], theme, width)
    if len(lines) > 1:
        lines = _filled([(key, short) for key, short, _, _ in keys], theme, width)
    if len(lines) > most:
        kept = [(key, short) for key, short, _, _ in keys if key not in _GIVEN_UP]
        lines = _filled(kept, theme, width)
    if typed:
        lines[0] = fitted(
            Text.assemble((f"take {typed}", theme.caution), " then x strikes it out"), width
        )
    return lines


def _filled(items: list[tuple[str, str]], theme: Theme, width: int) -> list[Text]:
    lines = [Text()]
    for key, name in items:
        item = Text.assemble((key, theme.key), " ", (name, theme.quiet))
        gap = 2 if lines[-1].cell_len else 0
        if lines[-1].cell_len + gap + item.cell_len > width:
            lines.append(Text())
            gap = 0
        lines[-1].append(" " * gap)
        lines[-1].append_text(item)
    return lines


def help_lines(
    theme: Theme,
    width: int,
    height: int,
    keys: Sequence[Key],
    marks: Sequence[Text],
) -> list[Text]:
    """The help page: every key, and what the marks mean where there is room."""
    listed = [Text.assemble((f"{key:>3}", theme.key), f"  {does}") for key, _, _, does in keys]
    if max(line.cell_len for line in listed) > width or len(listed) + 2 > height:
        short = [Text.assemble((f"{k:>3}", theme.key), f"  {name}") for k, _, name, _ in keys]
        half = (len(short) + 1) // 2
        listed = side_by_side(short[:half], short[half:], width // 2, 1)
    lines = [title("keys", width, theme), *listed]
    if len(lines) + len(marks) + 2 <= height and max(m.cell_len for m in marks) <= width:
        lines += [Text(), title("marks", width, theme), *marks]
    hands = Text("It follows what it hears: use no key.", theme.quiet)
    if len(lines) + 2 <= height:
        lines += [Text(), fitted(hands, width)]
    return [fitted(line, width) for line in lines[:height]]


def session_marks(theme: Theme) -> list[Text]:
    """The marks on the screen of a session."""
    g = theme.glyphs
    return [
        Text.assemble((f"  {g.open}", theme.open), "  an open take, on the cents axis"),
        Text.assemble((f"  {g.fretted}", theme.fretted), "  a fretted take, an octave lower"),
        Text(f"  {g.mean}  the offset: fretted against open, with its 95 % interval"),
        Text(f"  {g.zero}  zero: the open string as played;  :  the tolerance"),
        Text(f"  {g.rejected}  a pluck that enters no average, with its reason"),
        Text(f"  {g.attack}  attack, left out;  then the stable tail"),
        Text(
            f"  {g.current}  string at work;  {g.done}  done;  {g.passed}  passed over;  "
            f"{g.todo}  to do"
        ),
    ]
