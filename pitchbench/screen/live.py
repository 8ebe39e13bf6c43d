"""The screen on a real terminal: drawn only where it changed, and put back on every way out."""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from itertools import groupby
from operator import itemgetter
from types import FrameType
from typing import IO, Any, Final, Generic, TextIO, TypeVar

from rich.cells import cell_len
from rich.color import ColorSystem
from rich.console import Console
from rich.style import Style
from rich.text import Text

from pitchbench.ending import interrupt
from pitchbench.screen.keys import KeyReader
from pitchbench.screen.pictures import Picture
from pitchbench.screen.text import printable, wrapped
from pitchbench.screen.theme import Palette, Theme, choose_theme
from pitchbench.session.job import Job, KeyPressed

#: At most this often is the screen drawn.
FRAMES_PER_S: Final = 15.0

#: Alternate screen, cursor hidden, no wrapping at the right edge; and all that undone (xterm's
#: control sequences, which tmux, ssh sessions and the consoles of the day all know).
_ENTER: Final = "\x1b[?1049h\x1b[?25l\x1b[?7l"
_LEAVE: Final = "\x1b[0m\x1b[?7h\x1b[?25h\x1b[?1049l"

#: At most so many lines at the foot of the screen are covered by a notice.
_NOTICE_LINES: Final = 2


#: A character and how it looks.
_Cell = tuple[str, Style | None]


_J = TypeVar("_J", bound=Job)


class LiveScreen(Generic[_J]):
    """Shows a running job on a terminal and reads its keys.

    Used as a context manager around the engine's ``run``: the instance itself is the view,
    ``keys`` what the engine asks for keys. ``keys`` also draws what is due and follows a change of
    the window's size, so it must be called several times a second, as the engine does.

    Parameters
    ----------
    theme : characters and colours; chosen from the environment if None.
    picture : how the job is shown.
    stream : the terminal to draw on, standard output if None.
    clock : seconds on a monotonic clock.
    """

    def __init__(
        self,
        theme: Theme | None = None,
        *,
        picture: Picture[_J],
        stream: TextIO | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._picture = picture
        self._stream = stream or sys.stdout
        self._theme = theme or choose_theme(os.environ, self._stream.encoding)
        self._descriptor = self._stream.fileno()
        self._clock = clock
        self._keys = KeyReader(own=picture.keys)
        self._console = Console(width=200, file=self._stream)
        self._colours = _colour_system(self._theme)
        self._job: _J | None = None
        self._held: _J | None = None
        self._rows: list[list[_Cell]] = []
        self._drawn_for: tuple[int, int, str] | None = None
        self._drawn_at = -1.0
        self._due = False
        self._notice = ""
        self._up = False
        self._signals_before: dict[int, Any] = {}
        self._errors: IO[bytes] | None = None
        self._stderr_copy: int | None = None

    # -------------------------------------------------------------------------- coming, going

    def __enter__(self) -> LiveScreen[_J]:
        self._signals(on=True)
        self._raise()
        return self

    def __exit__(self, *_: object) -> None:
        with _signals_wait():
            self._lower()
            self._signals(on=False)
        if self._job is not None:
            self._print_receipt(self._job)

    def _raise(self) -> None:
        """Take the terminal over."""
        self._up = True
        self._catch_errors()
        self._keys.start()
        self._write(_ENTER)
        self._drawn_for = None
        self._due = True

    def _lower(self) -> None:
        """Give the terminal back; harmless if that was done."""
        if not self._up:
            return
        self._up = False
        self._write(_LEAVE)
        self._keys.stop()
        self._release_errors()

    def _catch_errors(self) -> None:
        """What libraries write to file descriptor 2 would spoil the screen: keep it for later."""
        if not (sys.stderr and os.isatty(2)):
            return
        self._errors = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the screen
        self._stderr_copy = os.dup(2)
        os.dup2(self._errors.fileno(), 2)

    def _release_errors(self) -> None:
        if self._errors is None or self._stderr_copy is None:
            return
        sys.stderr.flush()
        os.dup2(self._stderr_copy, 2)
        os.close(self._stderr_copy)
        self._errors.seek(0)
        text = self._errors.read()
        self._errors.close()
        self._errors = self._stderr_copy = None
        if text:
            with suppress(OSError):  # the terminal is gone
                _write_all(2, text)

    def _signals(self, *, on: bool) -> None:
        """An end that is asked for becomes KeyboardInterrupt; a stop gives the terminal back."""
        if not on:
            for number, handler in self._signals_before.items():
                signal.signal(number, handler)
            self._signals_before = {}
            return
        handlers: dict[str, Callable[[int, FrameType | None], None]] = {
            "SIGTERM": interrupt,
            "SIGHUP": interrupt,
            "SIGQUIT": interrupt,
            "SIGTSTP": self._suspend,
        }
        for name, take in handlers.items():
            if hasattr(signal, name):  # Windows lacks most of them
                number = getattr(signal, name)
                self._signals_before[number] = signal.signal(number, take)

    def _suspend(self, number: int, _frame: FrameType | None) -> None:
        """Ctrl-Z: hand the terminal to the shell, stop, and take it over again when continued."""
        self._lower()
        signal.signal(number, signal.SIG_DFL)
        os.kill(os.getpid(), number)
        signal.signal(number, self._suspend)
        self._raise()
        self._draw_if_due()

    # -------------------------------------------------------------------------- engine's side

    def __call__(self, old: _J, new: _J) -> None:
        """Show ``new``; as a view, this is what the engine calls after every event."""
        if new.display.frozen and not old.display.frozen:
            self._held = old
        elif not new.display.frozen:
            self._held = None
        # A note's first pitch follows its start at once, and must not wait for the next frame.
        first = new.live is not None and (self._job is None or self._job.live is None)
        self._job = new
        self._due = True
        self._draw_if_due(at_once=first)

    def keys(self) -> list[KeyPressed]:
        """Keys pressed since the last call; draws what is due meanwhile."""
        pressed = self._keys.poll()
        self._draw_if_due()
        return pressed

    def show_notice(self, text: str) -> None:
        """Let ``text`` stand at the foot of the screen from now on; an empty one takes it away."""
        self._notice = text
        self._due = True
        self._draw_if_due()

    # -------------------------------------------------------------------------- drawing

    def _draw_if_due(self, *, at_once: bool = False) -> None:
        if self._job is None or not self._up:
            return
        now = self._clock()
        size = self._size()
        drawn_for = (*size, self._keys.typed)
        if drawn_for == self._drawn_for:
            if not self._due or not (at_once or now - self._drawn_at >= 1.0 / FRAMES_PER_S):
                return
        elif self._drawn_for is None or self._drawn_for[:2] != size:
            self._rows = []
        self._drawn_for, self._drawn_at, self._due = drawn_for, now, False
        self._draw(*size)

    def _draw(self, width: int, height: int) -> None:
        """Write the lines that differ from what stands on the terminal."""
        assert self._job is not None
        shown = self._job
        if self._held is not None:
            shown = replace(self._held, display=shown.display)
        lines = self._picture.draw(shown, width, height, self._theme, self._keys.typed)
        notice = wrapped(printable(self._notice, self._theme), width, style=self._theme.caution)
        notice = notice[: min(_NOTICE_LINES, height - 1)]
        lines[len(lines) - len(notice) :] = notice
        rows = [self._cells(line) for line in lines]
        changes = "" if self._rows else "\x1b[2J"
        before = self._rows or [[]] * len(rows)
        for number, (old, new) in enumerate(zip(before, rows, strict=True), start=1):
            if new != old:
                changes += self._change(number, old, new)
        self._rows = rows
        if changes:
            self._write(changes)

    def _cells(self, line: Text) -> list[_Cell]:
        """The characters of ``line`` with their styles."""
        return [
            (character, segment.style)
            for segment in line.render(self._console)
            for character in segment.text
        ]

    def _change(self, row: int, old: list[_Cell], new: list[_Cell]) -> str:
        """What turns row ``row`` from ``old`` into ``new``: from the first cell that differs to the
        last."""
        same = [before == after for before, after in zip(old, new, strict=False)]
        start = same.index(False) if False in same else len(same)
        end = len(new)
        if len(old) == len(new):
            end -= same[::-1].index(False)
        column = 1 + cell_len("".join(character for character, _ in new[:start]))
        clear = "\x1b[K" if len(new) < len(old) else ""
        return f"\x1b[{row};{column}H{self._encoded(new[start:end])}{clear}"

    def _encoded(self, cells: list[_Cell]) -> str:
        """``cells`` with the escape sequences of their styles."""
        text = ""
        for style, run in groupby(cells, key=itemgetter(1)):
            characters = "".join(character for character, _ in run)
            text += style.render(characters, color_system=self._colours) if style else characters
        return text

    def _size(self) -> tuple[int, int]:
        try:
            size = os.get_terminal_size(self._descriptor)
        except OSError:
            return 80, 24
        return size.columns or 80, size.lines or 24

    def _write(self, text: str) -> None:
        try:
            self._stream.flush()
            _write_all(self._descriptor, text.encode(self._stream.encoding, "replace"))
        except OSError:
            # The terminal is gone; the hang-up signal that goes with it ends the session.
            return

    # -------------------------------------------------------------------------- receipt

    def _print_receipt(self, job: _J) -> None:
        width = min(self._size()[0], 100)
        lines = self._picture.receipt(job, self._theme, width)
        self._write("".join(self._encoded(self._cells(line)) + "\r\n" for line in lines))


def _colour_system(theme: Theme) -> ColorSystem:
    if theme.palette is Palette.COLOUR:
        truecolour = os.environ.get("COLORTERM") in ("truecolor", "24bit")
        return ColorSystem.TRUECOLOR if truecolour else ColorSystem.EIGHT_BIT
    return ColorSystem.STANDARD


def _write_all(descriptor: int, data: bytes) -> None:
    while data:
        data = data[os.write(descriptor, data) :]


@contextmanager
def _signals_wait() -> Iterator[None]:
    """No signal comes in between while the terminal is put back; what came is delivered after."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    waiting = {signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT, signal.SIGTSTP}
    before = signal.pthread_sigmask(signal.SIG_BLOCK, waiting)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
