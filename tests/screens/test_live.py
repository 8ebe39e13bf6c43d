"""How often the screen is drawn, what rings, and what keys mean, without a real clock."""

from __future__ import annotations

import os
import pty
from collections.abc import Iterator
from dataclasses import replace

import pytest
from states import STATES

from pitchbench.errors import PitchbenchError
from pitchbench.screen.keys import KeyParser
from pitchbench.screen.live import LiveScreen
from pitchbench.screen.pictures import SESSION
from pitchbench.screen.theme import Palette, choose_theme, make_theme
from pitchbench.session.job import Command, Display, KeyPressed
from pitchbench.session.state import State


class Clock:
    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


class Pty:
    """A terminal of which one sees what was written."""

    def __init__(self) -> None:
        self.master, slave = pty.openpty()
        os.set_blocking(self.master, False)
        self.stream = os.fdopen(slave, "w", encoding="utf-8")

    def written(self) -> bytes:
        came = b""
        while True:
            try:
                came += os.read(self.master, 65536)
            except BlockingIOError:
                return came


@pytest.fixture
def terminal() -> Iterator[Pty]:
    terminal = Pty()
    yield terminal
    terminal.stream.close()
    os.close(terminal.master)


def make(terminal: Pty, clock: Clock) -> LiveScreen[State]:
    theme = make_theme(Palette.MONOCHROME)
    return LiveScreen(theme, picture=SESSION, stream=terminal.stream, clock=clock)


def test_at_most_fifteen_frames_a_second_and_the_last_one_always(terminal: Pty) -> None:
    clock = Clock()
    before, ringing = STATES["fretted"], STATES["settling"]
    live = ringing.live
    assert live is not None
    frames = 0
    with make(terminal, clock) as screen:
        screen(before, before)
        terminal.written()
        for n in range(1000):
            # A second in a thousand steps, a new pitch in each.
            clock.now_s += 0.001
            pitch_hz = live.pitch_hz * (1 + 3e-5 * n)
            screen(ringing, replace(ringing, live=replace(live, pitch_hz=pitch_hz)))
            frames += bool(terminal.written())
        assert 13 <= frames <= 16
        # What came too soon after the last frame is drawn as soon as a frame is due.
        screen(ringing, STATES["move"])
        assert terminal.written() == b""
        clock.now_s += 0.1
        assert screen.keys() == []
        assert b"move the saddle" in terminal.written()
        clock.now_s += 10
        screen.keys()
        assert terminal.written() == b""


def test_the_first_pitch_of_a_note_does_not_wait_for_the_next_frame(terminal: Pty) -> None:
    clock = Clock()
    before, ringing, first = (STATES[name] for name in ("fretted", "settling-begins", "settling"))
    live = first.live
    assert live is not None
    with make(terminal, clock) as screen:
        screen(before, before)
        clock.now_s += 10.0
        screen(before, ringing)
        terminal.written()
        # The clock stands still.
        screen(ringing, first)
        assert terminal.written()
        screen(first, replace(first, live=replace(live, pitch_hz=1.01 * live.pitch_hz)))
        assert terminal.written() == b""


def test_a_frozen_screen_stands_still(terminal: Pty) -> None:
    clock = Clock()
    first, later = STATES["open-first"], STATES["fretted"]
    with make(terminal, clock) as screen:
        screen(first, first)
        clock.now_s += 1
        screen(first, replace(first, display=Display(frozen=True)))
        assert b"frozen" in terminal.written()
        clock.now_s += 1
        screen(first, replace(later, display=Display(frozen=True)))
        assert terminal.written() == b""
        clock.now_s += 1
        screen(replace(later, display=Display(frozen=True)), later)
        assert b"fret the 12th" in terminal.written()


def test_a_notice_stands_at_the_foot_until_it_is_taken_away(terminal: Pty) -> None:
    clock = Clock()
    before = STATES["open"]
    with make(terminal, clock) as screen:
        screen(before, before)
        foot = terminal.written().rpartition(b"\x1b[24;1H")[2]
        clock.now_s += 1
        screen.show_notice("Not on record yet: the disk is full.\x1b[2J")
        shown = terminal.written()
        # Only its own line is drawn, and a control sequence in it is not obeyed.
        assert shown.startswith(b"\x1b[24;1H")
        assert b"the disk is full.?[2J" in shown
        clock.now_s += 1
        screen.show_notice("")
        assert foot.split(b"\x1b")[1] in terminal.written()


def test_the_receipt_stays_after_leaving(terminal: Pty) -> None:
    end = STATES["finished"]
    with make(terminal, Clock()) as screen:
        screen(end, end)
    screen_text, _, after = terminal.written().decode().rpartition("\x1b[?1049l")
    assert "finished" in screen_text
    for words in (
        "found   +5.9 ±3.0   left   −0.2 ±1.6",
        "out of travel",
        "saddle: moved 1.23 mm away from the nut in all, 1 move",
    ):
        assert words in after


def test_keys_become_commands() -> None:
    parser = KeyParser()
    assert [k.command for k in parser.feed("arnp+-flhq")] == [
        Command.ACCEPT, Command.AGAIN, Command.NEXT, Command.PREVIOUS, Command.TOLERANCE_UP,
        Command.TOLERANCE_DOWN, Command.FREEZE, Command.LARGE_PRINT, Command.HELP, Command.QUIT,
    ]  # fmt: skip
    assert parser.feed("\r?") == [KeyPressed(Command.ACCEPT), KeyPressed(Command.HELP)]
    assert parser.feed("x") == [KeyPressed(Command.STRIKE)]
    assert parser.feed("ö€zZ~") == []


def test_a_take_is_chosen_by_its_number() -> None:
    parser = KeyParser()
    assert parser.feed("12") == []
    assert parser.typed == "12"
    assert parser.feed("x") == [KeyPressed(Command.STRIKE, 12)]
    assert parser.typed == ""
    assert parser.feed("13\x7fx") == [KeyPressed(Command.STRIKE, 1)]
    # Another key forgets the number, so that a slip strikes nothing out.
    assert parser.feed("1fx") == [KeyPressed(Command.FREEZE), KeyPressed(Command.STRIKE)]


@pytest.mark.parametrize("cut", range(5))
def test_a_cursor_key_may_come_in_pieces(cut: int) -> None:
    parser = KeyParser()
    sent = "\x1b[Cq"
    pressed = parser.feed(sent[:cut]) + parser.feed(sent[cut:])
    assert [k.command for k in pressed] == [Command.NEXT, Command.QUIT]


def test_other_sequences_are_no_keys() -> None:
    # A function key and a mouse report hold letters that are commands.
    assert KeyParser().feed("\x1b[15~\x1b[<0;1;1M\x1bOP") == []


def test_escape_never_swallows_the_next_key() -> None:
    leave = KeyPressed(Command.LEAVE_HELP)
    parser = KeyParser()
    assert parser.feed("\x1bn") == [leave, KeyPressed(Command.NEXT)]
    assert parser.feed("\x1b\x1b[C") == [leave, KeyPressed(Command.NEXT)]
    # By itself it waits for the rest of a cursor key, which may still come.
    assert parser.feed("\x1b") == []
    assert parser.waits
    assert parser.settle() == [leave]
    assert not parser.waits
    assert parser.feed("q") == [KeyPressed(Command.QUIT)]


@pytest.mark.parametrize(
    ("environ", "encoding", "palette", "is_ascii"),
    [
        ({"TERM": "xterm-256color"}, "utf-8", Palette.COLOUR, False),
        ({"TERM": "xterm"}, "utf-8", Palette.SIXTEEN, False),
        ({"TERM": "linux", "COLORTERM": "truecolor"}, "UTF-8", Palette.COLOUR, False),
        ({"TERM": "xterm-256color", "NO_COLOR": "1"}, "utf-8", Palette.MONOCHROME, False),
        ({"TERM": "xterm-256color", "NO_COLOR": ""}, "utf-8", Palette.COLOUR, False),
        ({"TERM": "xterm-256color"}, "iso8859-1", Palette.COLOUR, True),
        ({"TERM": "xterm", "PITCHBENCH_THEME": "sixteen-ascii"}, "utf-8", Palette.SIXTEEN, True),
        ({"PITCHBENCH_THEME": "monochrome"}, "utf-8", Palette.MONOCHROME, False),
    ],
)
def test_the_theme_follows_the_terminal(
    environ: dict[str, str], encoding: str, palette: Palette, is_ascii: bool
) -> None:
    theme = choose_theme(environ, encoding)
    assert theme.palette is palette
    assert theme.glyphs.unicode is not is_ascii


def test_a_theme_that_there_is_not_is_said() -> None:
    for wrong in ("bogus", "bogus-ascii", "colour-asci"):
        with pytest.raises(PitchbenchError, match=r"PITCHBENCH_THEME is .*no theme"):
            choose_theme({"PITCHBENCH_THEME": wrong}, "utf-8")
    assert not choose_theme({"PITCHBENCH_THEME": "ascii"}, "utf-8").glyphs.unicode


def test_monochrome_uses_no_colour() -> None:
    theme = make_theme(Palette.MONOCHROME)
    styles = [getattr(theme, name) for name in ("ask", "number", "open", "fretted", "caution")]
    assert set(" ".join(styles).split()) <= {"bold", "dim", "reverse"}
