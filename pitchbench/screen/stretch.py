"""How the stretching of strings is shown: its screen, and the same in plain lines.

From top to bottom: string and pulls; the one thing to do, and what to mind; the large number; what
was made of the last pluck; every string with what its last pull cost; the keys.
"""

from __future__ import annotations

from typing import Final

from rich.text import Text

from pitchbench.belief import half95
from pitchbench.screen import survey
from pitchbench.screen.frame import Keys, ask_lines, framed, header
from pitchbench.screen.letters import Large, figure_scale, number_lines, word_rows
from pitchbench.screen.logged_lines import LoggedLines
from pitchbench.screen.number import figure_of, plus_minus, unheard_large
from pitchbench.screen.text import padded, printable, signed, wrapped
from pitchbench.screen.theme import Theme
from pitchbench.session.log import Entry, NoteEntry, TakeEntry, TakeFate, UndoEntry
from pitchbench.session.stretch import BRIEF_CAUTION, CAUTION, Stretch, result_of, settled, story_of
from pitchbench.session.words import input_request
from pitchbench.units import cents_between

#: Those of a survey; a take is taken back, not struck out.
KEYS: Final = tuple(key for key in survey.KEYS if key[0] != "x")

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
    keys = Keys(now, now, survey.KEYS_WHEN_NARROW, marks)
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
    about = f"from {stretch.spec.note}"
    if (reading := stretch.offered) is not None:
        cents = cents_between(reading.pitch_hz, stretch.setup.open_hz(stretch.current))
        sure = plus_minus(half95(reading.u_cents), theme)
        return Large(signed(cents, digits=1, theme=theme), "settled", sure, about)
    if stretch.live is None:
        return Large(" ", "settling", "", "")
    cents = cents_between(stretch.live.pitch_hz, stretch.setup.open_hz(stretch.current))
    return Large(signed(cents, digits=0, theme=theme), "settling", "", about)


def _lost(stretch: Stretch, theme: Theme) -> Large:
    """What the last pull cost; before one, where the string stands."""
    result = result_of(stretch, stretch.current)
    if result is not None:
        sure = plus_minus(result.per_pull.half(), theme)
        figure = figure_of(-result.per_pull.centre, theme)
        return Large(figure, "a pull", sure, f"string {stretch.current}")
    story = story_of(stretch, stretch.current)
    if story.plucks:
        last = story.plucks[-1]
        word = "sharp" if last.cents > 0 else "flat"
        sure = plus_minus(half95(last.u_cents), theme)
        about = f"string {stretch.current}, from {stretch.spec.note}"
        return Large(figure_of(last.cents, theme), word, sure, about)
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
        words += f"pull {result.pulls:>2}: "
        cost = signed(-result.per_pull.centre, theme=theme)
        words += f"{cost} {plus_minus(result.per_pull.half(), theme)}"
        words += " cents" * (width >= _NARROW)
        if width >= _WIDE:
            minute = signed(-result.per_minute.centre, theme=theme)
            words += f", {minute} {plus_minus(result.per_minute.half(), theme)} per minute"
        if done:
            words += ", stretched" if result.stretched else ", still gives"
    return Text(words, theme.number if mark == glyphs.current else "")


class StretchLines(LoggedLines[Stretch]):
    """The same in plain lines; hand it to the engine as a view."""

    def opening(self, job: Stretch) -> tuple[str, ...]:
        """Whose strings they are, and what to mind."""
        return f"instrument: {job.setup.instrument.name}", f"caution: {CAUTION}"

    def line(self, job: Stretch, entry: Entry) -> str:
        """An entry, the label before the value."""
        match entry:
            case TakeEntry(take=take):
                heard = job.says if take.fate is TakeFate.ACCEPTED else take.why
                return f"take {take.number}: {take.fate}, {heard}"
            case NoteEntry(text=text):
                return f"note: {text}"
            case UndoEntry():
                return f"note: {job.says}"
        return ""
