"""A job that keeps a log, in plain lines: one per entry, the label before the value."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable
from typing import Generic, TypeVar

from pitchbench.screen.input import input_told
from pitchbench.session.job import LoggedJob
from pitchbench.session.log import Entry

_L = TypeVar("_L", bound=LoggedJob)


class LoggedLines(ABC, Generic[_L]):
    """Writes lines; hand it to the engine as a view.

    Parameters
    ----------
    write : called with each line, without its end.
    """

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write
        self._opened = False
        self._asked = ""

    @abstractmethod
    def opening(self, job: _L) -> Iterable[str]:
        """What is said once, before anything is heard."""

    @abstractmethod
    def line(self, job: _L, entry: Entry) -> str:
        """What is said of an entry; empty for nothing."""

    def __call__(self, old: _L, new: _L) -> None:
        """Write what is new in ``new``."""
        if not self._opened:
            self._opened = True
            for line in self.opening(new):
                self._write(line)
        input_told(self._write, old, new)
        fresh = new.entries[len(old.entries) :]
        for entry in fresh:
            if line := self.line(new, entry):
                self._write(line)
        if fresh:
            self._asked = ""  # after a pluck it is said again, even where it is the same
        if not new.ringing and new.asks != self._asked:
            self._asked = new.asks
            self._write(f"do: {new.asks}")
