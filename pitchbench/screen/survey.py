"""The screen of a survey: a pure function of its state and the size of the terminal.

From top to bottom: string and fret; the one thing to do; the large number; what was made of the
last thing heard; the neck as it fills in; the keys. Request, neck and keys are always there; the
large letters are given up first as the window gets smaller.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

from rich.text import Text

from pitchbench.notes import ordinal
from pitchbench.pitch.reading import Reading
from pitchbench.screen.frame import Keys, ask_lines, framed, header
from pitchbench.screen.keyhelp import Key
from pitchbench.screen.letters import Large, Scale, figure_scale, number_lines, word_rows
from pitchbench.screen.neck import NeckRow, neck_lines, scale_lines
from pitchbench.screen.number import figure_of, unheard_large
from pitchbench.screen.text import padded, printable, signed, wrapped
from pitchbench.screen.theme import Theme
from pitchbench.session.log import SessionTake, TakeFate
from pitchbench.session.survey import (
    Survey,
    counted,
    fret_of,
    heard_times,
    offsets_cents,
    open_hz,
    string_done,
    take_cents,
    wanted,
)
from pitchbench.session.words import input_request
from pitchbench.units import cents_between

KEYS: Final[tuple[Key, ...]] = (
    ("n", "next", "next string", "next string"),
    ("p", "prev", "previous", "previous string"),
    ("x", "strike", "strike out", "strike out the last take; 7 x strikes out take 7"),
    ("h", "help", "help", "this page, and back; so does Esc"),
    ("q", "quit", "quit", "the result so far; what was read is kept"),
    ("u", "undo", "take back", "take back the last take or key"),
    ("r", "again", "again", "again: take this string's notes anew"),
    ("f", "freeze", "freeze", "freeze the picture, and let it go on"),
    ("l", "large", "large print", "large print, and back"),
)

#: So many keys stand at the foot of a narrow window; the others are on the help page.
KEYS_WHEN_NARROW: Final = 5

#: Below this width the labels of the strings are as short as can be.
_NARROW: Final = 60

#: From this width on characters are so small that what is asked for takes five lines.
_WIDE: Final = 100


def render(survey: Survey, width: int, height: int, theme: Theme, typed: str = "") -> list[Text]:
    """The screen as exactly ``height`` lines of at most ``width`` cells; see `frame.framed`."""

    def body(room: int) -> list[Text]:
        if survey.display.large_print:
            return _large_print(survey, theme, width, room)
        return _body(survey, theme, width, room)

    now = _useful_keys(survey)
    keys = Keys(now, now, KEYS_WHEN_NARROW, _marks(theme))
    return framed(survey, keys, body, width=width, height=height, theme=theme, typed=typed)


def _useful_keys(survey: Survey) -> list[Key]:
    """The keys that have a use now."""
    several, heard = len(survey.setup.order) > 1, bool(counted(survey, survey.current))
    struck = any(take.fate is TakeFate.ACCEPTED for take in survey.takes)
    uses = {"n": several, "p": several, "x": struck, "u": bool(survey.marks), "r": heard}
    return [key for key in KEYS if uses.get(key[0], True)]


def _marks(theme: Theme) -> list[Text]:
    glyphs = theme.glyphs
    return [
        Text(f"  {glyphs.current}  what is asked for;  {glyphs.open}  the open note is heard"),
        Text("  ?  heard, but the open note is not yet"),
        Text(f"  {glyphs.done}  string done;  {glyphs.todo}  to do"),
    ]


def _body(survey: Survey, theme: Theme, width: int, room: int) -> list[Text]:
    lines = _top(survey, theme, width)
    says = wrapped(printable(survey.says, theme), width)
    necks = _necks(survey, theme, width)
    least = len(necks[-1])
    number = number_lines(_large(survey, theme), theme, width, figure_scale(width, room))
    for pane in (_asked_rows(survey, theme, width) + number, number):
        if len(lines) + len(says) + least + len(pane) <= room:
            lines += pane
            break
    lines += says[: max(1, room - len(lines) - least)]
    left = room - len(lines)
    neck = next((neck for neck in necks if len(neck) <= left), None)
    neck = _neck_about(survey, theme, width, left) if neck is None else neck
    return [*lines, *[Text()] * (len(neck) < left), *neck]


def _top(survey: Survey, theme: Theme, width: int) -> list[Text]:
    """Where the work stands, and the one thing to do now, never cut short."""
    asks = f"{survey.asks} Key q: the result." if survey.finished else survey.asks
    return [_header(survey, theme, width), *ask_lines(asks, theme, width)]


def _header(survey: Survey, theme: Theme, width: int) -> Text:
    dot = theme.glyphs.dot
    left = Text.assemble(
        f"string {survey.current} {dot} {survey.spec.note} {dot} ",
        (_asked_words(survey), theme.number),
    )
    heard, all_notes = _progress(survey)
    right = Text(f"{heard} of {all_notes} notes", theme.quiet)
    return header(left, right, survey, theme, width)


def _asked_words(survey: Survey) -> str:
    fret = wanted(survey, survey.current)
    if survey.finished:
        return "all heard"
    if fret is None:
        return "done"
    return "open" if fret == 0 else f"{ordinal(_on_neck(survey, fret))} fret"


def _on_neck(survey: Survey, fret: int) -> int:
    return survey.setup.instrument.neck_fret(survey.current, fret)


def _asked_rows(survey: Survey, theme: Theme, width: int) -> list[Text]:
    """What is asked for in block letters, to be read with the hands on the strings; none where the
    sound input has to be seen to first."""
    fret = wanted(survey, survey.current)
    if survey.over or fret is None or input_request(survey) is not None:
        return []
    height = 3 if theme.glyphs.unicode and width < _WIDE else 5
    place = "open" if fret == 0 else f"fret {_on_neck(survey, fret)}"
    rows = word_rows(f"string {survey.current} {place}", theme, width, height)
    return [Text(row, theme.ask) for row in rows or ()] + [Text()]


def _progress(survey: Survey) -> tuple[int, int]:
    """How many of the notes asked for have been heard, each as often as it is asked for."""
    plan = survey.plan
    notes = [(string, fret) for string in plan.setup.order for fret in plan.notes_of(string)]
    heard = sum(min(plan.takes, heard_times(survey, *note)) for note in notes)
    return heard, plan.takes * len(notes)


# ------------------------------------------------------------------------------ the number


def _large(survey: Survey, theme: Theme) -> Large:
    """What is said large: the note that rings, else the last one, else what is to be played."""
    if (unheard := unheard_large(survey)) is not None:
        return unheard
    if survey.finished:
        return Large("", "all heard", "", "what it comes to follows")
    if survey.ringing:
        return _ringing(survey, theme)
    take = survey.log.last_take
    if take is not None and isinstance(take.reading, Reading) and take.fret is not None:
        return _of_take(survey, take, theme)
    word = "rejected" if take is not None and take.fate is TakeFate.REJECTED else "ready"
    return Large("", word, "", f"string {survey.current}: {_asked_words(survey)}")


def _ringing(survey: Survey, theme: Theme) -> Large:
    reading = survey.offered
    if reading is not None:
        return _of_pitch(survey, reading.pitch_hz, "settled", theme, digits=1)
    if survey.live is None:
        return Large(" ", "settling", "", "")
    return _of_pitch(survey, survey.live.pitch_hz, "settling", theme, digits=0)


def _of_pitch(survey: Survey, pitch_hz: float, word: str, theme: Theme, *, digits: int) -> Large:
    """A note that still rings: whole cents while it moves, for a decimal would only flicker."""
    fret = fret_of(survey, pitch_hz)
    if fret:
        off_cents = cents_between(pitch_hz, open_hz(survey)) - 100.0 * fret
        about = f"{ordinal(_on_neck(survey, fret))} fret"
    else:
        off_cents = cents_between(pitch_hz, survey.setup.open_hz(survey.current))
        note = survey.spec.note
        digits, about = (digits, f"open, from {note}") if fret == 0 else (0, f"from open {note}")
    return Large(signed(off_cents, digits=digits, theme=theme), word, "", about)


def _of_take(survey: Survey, take: SessionTake, theme: Theme) -> Large:
    if take.fate is TakeFate.STRUCK:
        return Large("", "struck out", "", f"take {take.number}")
    off_cents = take_cents(survey, take)
    fret = take.fret or 0
    place = f"string {take.string} open"
    if fret:
        place = f"string {take.string}, fret {survey.setup.instrument.neck_fret(take.string, fret)}"
    if off_cents is None:
        return Large("", "heard", "", f"{place}; the open string is still to come")
    word = "sharp" if off_cents > 0 else "flat"
    if take.fate is not TakeFate.ACCEPTED:
        word = "tune it"
    return Large(figure_of(off_cents, theme), word, "", place)


# ------------------------------------------------------------------------------ the neck


def _necks(survey: Survey, theme: Theme, width: int) -> list[list[Text]]:
    """The whole neck, from its tallest form to its lowest: with marks and their scale, with marks,
    with numbers alone."""
    tolerance_cents = survey.plan.setup.tolerance_cents
    more = f"{theme.glyphs.current} asked for; ? waits for the open note"
    marked, plain = (
        _neck(survey, survey.plan.setup.order, theme, width, marks=marks) for marks in (True, False)
    )
    return [[*marked, *scale_lines(tolerance_cents, more, width, theme)], marked, plain]


def _neck_about(survey: Survey, theme: Theme, width: int, room: int) -> list[Text]:
    """As many strings as ``room`` lines hold about the current one."""
    shown = sorted(survey.plan.setup.order)
    lines = _neck(survey, shown, theme, width, marks=False)
    while len(lines) > room and len(shown) > 1:
        # From the end that is farther away from where the hands are.
        place = shown.index(survey.current)
        shown.pop(0 if place > len(shown) - 1 - place else -1)
        lines = _neck(survey, shown, theme, width, marks=False)
    return lines


def _neck(
    survey: Survey, strings: Collection[int], theme: Theme, width: int, *, marks: bool
) -> list[Text]:
    return neck_lines(
        [_row(survey, string, theme, narrow=width < _NARROW) for string in sorted(strings)],
        tolerance_cents=survey.plan.setup.tolerance_cents,
        width=width,
        theme=theme,
        frets=survey.plan.frets,
        marks=marks,
    )


def _row(survey: Survey, string: int, theme: Theme, *, narrow: bool) -> NeckRow:
    glyphs = theme.glyphs
    mark = glyphs.done if string_done(survey, string) else glyphs.todo
    current = string == survey.current and not survey.finished
    fret = wanted(survey, string) if current else None
    heard_open = glyphs.open if counted(survey, string, 0) else " "
    mark = glyphs.current if current else mark
    heard_open = glyphs.current if fret == 0 else heard_open
    note = str(survey.plan.setup.instrument.string(string).note)
    label = (
        f"{mark}{string} {note.rstrip('0123456789-')}{heard_open}"
        if narrow
        else f"{mark} {string} {note} {heard_open}"
    )
    at = survey.setup.instrument.neck_fret
    cents = {at(string, n): off for n, off in offsets_cents(survey, string).items()}
    return NeckRow(label, cents, asked=at(string, fret) if fret else None)


def _large_print(survey: Survey, theme: Theme, width: int, room: int) -> list[Text]:
    """The number alone, as large as the window allows; the request in plain text."""
    lines = _top(survey, theme, width)
    free = room - len(lines) - 1
    large = _large(survey, theme)
    scale = next((s for s in (Scale(6, 3), Scale(4, 2)) if 5 * s.rows <= free), Scale(2, 1))
    number = number_lines(large, theme, width, scale)
    return [padded(line, width) for line in [*lines, Text(), *number][:room]]
