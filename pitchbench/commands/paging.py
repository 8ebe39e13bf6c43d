"""Long output goes to a pager on a terminal, so that its beginning is not lost."""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import sys
from collections.abc import Iterator
from typing import Final

import click

from pitchbench.ending import left_to_pager

#: Commands that print and neither ask nor draw; what takes long tells so on stderr meanwhile.
PAGED: Final = {
    "forecast", "guide", "history", "offset", "read", "repeatability", "schema", "settings",
    "sheet", "today", "trouble",
}  # fmt: skip


class _Held(io.StringIO):
    """What is to be shown on the terminal, until it is known how long it is."""

    def __init__(self, terminal: str | None) -> None:
        super().__init__()
        self._terminal = terminal

    @property
    def encoding(self) -> str | None:  # type: ignore[override]
        """That of the terminal."""
        return self._terminal

    def isatty(self) -> bool:
        """It will be shown on one."""
        return True


@contextlib.contextmanager
def paged() -> Iterator[None]:
    """While it lasts, hold back what is printed; then show it, through ``PAGER`` (else less or
    more) where it is longer than the terminal.

    Does nothing where there is no terminal, where it is dumb, or with an empty ``PAGER``.
    """
    terminal = sys.stdout
    dumb = os.environ.get("TERM", "dumb") == "dumb" and os.name != "nt"
    if dumb or not (terminal.isatty() and sys.stdin.isatty()) or os.environ.get("PAGER") == "":
        yield
        return
    held = _Held(terminal.encoding)
    sys.stdout = held
    try:
        yield
    finally:  # what was printed before an error is shown too
        sys.stdout = terminal
        text = held.getvalue()
        if text.count("\n") >= shutil.get_terminal_size().lines:
            with left_to_pager():
                click.echo_via_pager(text)
        else:
            click.echo(text, nl=False)
