"""How the stretching of strings is shown: its screen, and the same in plain lines.

From top to bottom: string and pulls; the one thing to do, and what to mind; the large number; what
was made of the last pluck; every string with what its last pull cost; the keys.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from rich.text import Text

from pitchbench.screen.frame import Keys, ask_lines, framed, header
from pitchbench.screen.input import input_told
from pitchbench.screen.keyhelp import Key
from pitchbench.screen.letters import Large, figure_scale, number_lines, word_rows
from pitchbench.screen.number import figure_of, unheard_large
from pitchbench.screen.text import padded, printable, signed, wrapped
from pitchbench.screen.theme import Theme
from pitchbench.session.log import NoteEntry, TakeEntry, TakeFate, UndoEntry
from pitchbench.session.stretch import BRIEF_CAUTION, CAUTION, Stretch, result_of, settled, story_of
from pitchbench.session.words import input_request
from pitchbench.units import cents_between

KEYS: Final[tuple[Key, ...]] = (
    ("n", "next", "next string", "next string"),
    ("p", "prev", "previous", "previous string"),
    ("u", "undo", "take back", "take back the last take or key"),
    ("h", "help", "help", "this page, and back; so does Esc"),
    ("q", "quit", "quit", "the result so far; what was read is kept"),
    ("r", "again", "again", "again: begin this string anew"),
    ("f", "hold", "freeze", "freeze the picture, and let it go on"),
    ("l", "large", "large print", "large print, and back"),
)

#: So many keys stand at the foot of a narrow window; the others are on the help page.
_KEYS_WHEN_NARROW: Final = 5

#: Below this width what is said is as short as can be.
_NARROW: Final = 60

#: From this width on characters are so small that what is asked for takes five lines.
_WIDE: Final = 100


def render(stretch: Stretch, width: int, height: int, theme: Theme, typed: str = "") -> list[Text]:
    """The screen as exactly ``height`` lines of at most ``width`` cells; see `frame.framed`."""

    def body(room: int) -> list[Text]:
        return _body(stretch, theme, width, room)

    several, heard = len(stretch.setup.order) > 1, bool(story_of(stretch, stretch.current).plucks)
    uses = {"n": several, "p": several, "u": bool(stretch.marks), "r": heard}
    now = [key for key in KEYS if uses.get(key[0], True)]
    glyphs = theme.glyphs
    words = f"{glyphs.current}  at work;  {glyphs.done}  done;  {glyphs.todo}  to do"
    marks = [Text(f"  {words}")]
    keys = Keys(now, now, _KEYS_WHEN_NARROW, marks)
    return framed(stretch, keys, body, width=width, height=height, theme=theme, typed=typed)


def _body(stretch: Stretch, theme: Theme, width: int, room: int) -> list[Text]:
    lines = [_header(stretch, theme, width), *_asked_lines(stretch, theme, width)]
    says = wrapped(printable(stretch.says, theme), width)
    strings = [] if stretch.display.large_print else _strings(stretch, theme, width)
    # The string at work is always there.
    own = [line for number, line in strings if number == stretch.current]
    number = number_lines(_large(stretch, theme), theme, width, figure_scale(width, room))
    for pane in (_word_rows(stretch, theme, width) + number, number):
        if len(lines) + len(says) + len(own) + len(pane) <= room:
            lines += pane
            break
    lines += says[: max(1, room - len(lines) - len(own))]
    left = room - len(lines)
    shown = [line for _, line in strings] if len(strings) <= left else own
    gap = [Text()] * (len(shown) < left)
    return [padded(line, width) for line in [*lines, *gap, *shown]]


def _header(stretch: Stretch, theme: Theme, width: int) -> Text:
    dot, story = theme.glyphs.dot, story_of(stretch, stretch.current)
    pulls = f"{story.pulls} pull{'s' * (story.pulls != 1)}"
    left = Text.assemble(
        f"string {stretch.current} {dot} {stretch.spec.note} {dot} ", (pulls, theme.number)
    )
    order = stretch.setup.order
    done = sum(settled(stretch, string) for string in order)
    right = Text(f"{done} of {len(order)} strings", theme.quiet)
    return header(left, right, stretch, theme, width)


def _asked_lines(stretch: Stretch, theme: Theme, width: int) -> list[Text]:
    """The one thing to do now, and what to mind where that is a pull."""
    asks = f"{stretch.asks} Key q: the result." if stretch.finished else stretch.asks
    lines = ask_lines(asks, theme, width)
    if not _pull_is_asked(stretch):
        return lines
    caution = BRIEF_CAUTION if width < _NARROW else CAUTION
    return [*lines, *wrapped(printable(caution, theme), width, style=theme.caution)]


def _pull_is_asked(stretch: Stretch) -> bool:
    asked = story_of(stretch, stretch.current).pull_asked
    idle = not stretch.ringing and not stretch.over and input_request(stretch) is None
    return asked and idle


def _word_rows(stretch: Stretch, theme: Theme, width: int) -> list[Text]:
    """What is asked for in block letters, to be read with the hands on the strings; none where the
    sound input has to be seen to first."""
    if stretch.over or stretch.ringing or input_request(stretch) is not None:
        return []
    height = 3 if theme.glyphs.unicode and width < _WIDE else 5
    do = "pull" if _pull_is_asked(stretch) else "pluck"
    rows = word_rows(f"{do} string {stretch.current}", theme, width, height)
    return [Text(row, theme.ask) for row in rows or ()] + [Text()]


def _large(stretch: Stretch, theme: Theme) -> Large:
    """What is said large: the note that rings, else what the last pull cost."""
    if (unheard := unheard_large(stretch)) is not None:
        return unheard
    if stretch.finished:
        return Large("", "all heard", "", "what it comes to follows")
    return _ringing(stretch, theme) if stretch.ringing else _lost(stretch, theme)


def _ringing(stretch: Stretch, theme: Theme) -> Large:
    """A note that still rings: whole cents while it moves, for a decimal would only flicker."""
    heard = stretch.offered or stretch.live
    if heard is None:
        return Large(" ", "wait", "", "settling")
    cents = cents_between(heard.pitch_hz, stretch.setup.open_hz(stretch.current))
    digits, word = (1, "settled") if stretch.offered else (0, "wait")
    about = f"from {stretch.spec.note}"
    return Large(signed(cents, digits=digits, theme=theme), word, "", about)


def _lost(stretch: Stretch, theme: Theme) -> Large:
    """What the last pull cost; before one, where the string stands."""
    result = result_of(stretch, stretch.current)
    if result is not None:
        sure = f"{theme.glyphs.plus_minus}{result.per_pull.half():.1f}"
        figure = figure_of(-result.per_pull.centre, theme)
        return Large(figure, "a pull", sure, f"string {stretch.current}")
    story = story_of(stretch, stretch.current)
    if story.plucks:
        cents = story.plucks[-1].cents
        word = "sharp" if cents > 0 else "flat"
        return Large(
            figure_of(cents, theme), word, "", f"string {stretch.current}, from {stretch.spec.note}"
        )
    return Large("", "ready", "", f"string {stretch.current}: open")


def _strings(stretch: Stretch, theme: Theme, width: int) -> list[tuple[int, Text]]:
    """A line for each string: pulls, and what the last one cost."""
    return [(string, _string(stretch, string, theme, width)) for string in stretch.setup.order]


def _string(stretch: Stretch, string: int, theme: Theme, width: int) -> Text:
    glyphs, result = theme.glyphs, result_of(stretch, string)
    done = settled(stretch, string)
    mark = glyphs.done if done else glyphs.todo
    if string == stretch.current and not stretch.finished:
        mark = glyphs.current
    words = f"{mark} {string} {stretch.setup.instrument.string(string).note!s:<4}"
    if result is not None:
        plus_minus = glyphs.plus_minus
        words += f"pull {result.pulls:>2}: "
        cost = signed(-result.per_pull.centre, theme=theme)
        words += f"{cost} {plus_minus}{result.per_pull.half():.1f}"
        words += " cents" * (width >= _NARROW)
        if width >= _WIDE:
            minute = signed(-result.per_minute.centre, theme=theme)
            words += f", {minute} {plus_minus}{result.per_minute.half():.1f} per minute"
        if done:
            words += ", stretched" if result.stretched else ", still gives"
    return Text(words, theme.number if mark == glyphs.current else "")


class StretchLines:
    """The same in plain lines: one per event, the label before the value.

    Parameters
    ----------
    write : called with each line, without its end.
    """

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write
        self._opened = False
        self._asked = ""

    def __call__(self, old: Stretch, new: Stretch) -> None:
        """Write what is new in ``new``."""
        if not self._opened:
            self._opened = True
            self._write(f"instrument: {new.setup.instrument.name}")
            self._write(f"caution: {CAUTION}")
        input_told(self._write, old, new)
        fresh = new.entries[len(old.entries) :]
        for entry in fresh:
            match entry:
                case TakeEntry(take=take):
                    heard = new.says if take.fate is TakeFate.ACCEPTED else take.why
                    self._write(f"take {take.number}: {take.fate}, {heard}")
                case NoteEntry(text=text):
                    self._write(f"note: {text}")
                case UndoEntry():
                    self._write(f"note: {new.says}")
        if fresh:
            self._asked = ""  # after a pluck it is said again, even where it is the same
        if not new.ringing and new.asks != self._asked:
            self._asked = new.asks
            self._write(f"do: {new.asks}")
