"""The one error type that people see: what is wrong, what to do, and the exit code."""

from __future__ import annotations

from enum import IntEnum


class ExitCode(IntEnum):
    """Exit codes of every command (docs/commands.md)."""

    DONE = 0
    USAGE = 2
    NO_READING = 3
    AUDIO_DEVICE = 4
    RECORDS = 5
    UNFINISHED = 6
    INTERRUPTED = 130


class PitchbenchError(Exception):
    """Something a person can act upon; shown as two sentences, never as a traceback.

    Parameters
    ----------
    what : one sentence saying what is wrong, with a full stop.
    remedy : one sentence saying what to do about it, with a full stop.
    exit_code : what the process ends with.
    """

    def __init__(self, what: str, remedy: str, exit_code: ExitCode = ExitCode.USAGE) -> None:
        super().__init__(what, remedy, exit_code)  # the arguments that it is pickled by
        self.what = what
        self.remedy = remedy
        self.exit_code = exit_code

    def __str__(self) -> str:
        return f"{self.what} {self.remedy}"


def printable(text: str) -> str:
    """``text`` with control characters written out, so that a name cannot steer the terminal.

    Written out is all that is not printable in Unicode's sense: escape sequences, line ends, the
    marks that turn the direction of writing, halves of characters.
    """
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)
