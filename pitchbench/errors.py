"""The errors that people see: what is wrong, what to do, and the exit code."""

from __future__ import annotations

import re
from collections.abc import Callable
from enum import IntEnum
from typing import Any, ClassVar, Final

#: What to do where nothing that was heard could be read. A gain that holds a note up, as telephones
#: have, makes it a sound that does not die, and so no string's.
RECORD_SO: Final = (
    "Record single notes that ring for two seconds or more, in a quiet room and not too loud for "
    "the input, without automatic gain, noise gate or effects."
)


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

    Where none of the narrower ones below fits, what was asked for makes no sense.

    Parameters
    ----------
    what : one sentence saying what is wrong, with a full stop.
    remedy : one sentence saying what to do about it, with a full stop.

    Examples
    --------
    >>> error = NoReadingError("No pluck was heard.", "Play louder.")
    >>> error.what, int(error.exit_code)
    ('No pluck was heard.', 3)
    """

    #: What the process ends with.
    exit_code: ClassVar[ExitCode] = ExitCode.USAGE

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what, remedy)
        self.what = what
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.what} {self.remedy}"

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[Any, ...], dict[str, Any]]:
        # An error that a worker process raises comes back pickled; one below may take arguments of
        # its own, so it is not made by calling its class.
        return _as_it_was, (type(self), *self.args), self.__dict__


def another_wanted(what: str, given: object, remedy: str) -> PitchbenchError:
    """Something of another kind was given; ``what`` is wanted: "Readings are", "An offset is"."""
    return PitchbenchError(f"{what} wanted here, not {type(given).__name__}.", remedy)


def _as_it_was(kind: type[PitchbenchError], *args: Any) -> PitchbenchError:
    return kind.__new__(kind, *args)


class ReadError(PitchbenchError):
    """What was given to be read is no sound: no such file, no recording, samples of no shape."""


class NoReadingError(PitchbenchError):
    """Nothing usable was heard, or too little for what was asked."""

    exit_code = ExitCode.NO_READING


class DeviceError(PitchbenchError):
    """An audio input is missing, in use, or went away."""

    exit_code = ExitCode.AUDIO_DEVICE


class RecordsError(PitchbenchError):
    """What is kept cannot be read or written, or is not there."""

    exit_code = ExitCode.RECORDS


class UnfinishedError(PitchbenchError):
    """A rehearsal came to no end."""

    exit_code = ExitCode.UNFINISHED


#: The minus of a number in a sentence, unlike the hyphen of a word, a range or a file name.
_MINUS: Final = re.compile(r"(?<![\w./\\])-(?=\d+(?:\.\d+)?(?!\.?\w))")

#: What stands for a character where there is none.
_PLAINER: Final = (("±", "+-"), ("−", "-"), ("·", "|"), ("♯", "#"), ("♭", "b"))


def typeset(text: str, encoding: str) -> str:
    """``text`` with the minus that numbers have in print, and in plainer characters where an
    ``encoding`` has no others."""
    text = _MINUS.sub("−", text)
    for typographic, plain in _PLAINER:
        if typographic in text and not _can_write(encoding, typographic):
            text = text.replace(typographic, plain)
    return text


def _can_write(encoding: str, character: str) -> bool:
    try:
        character.encode(encoding)
    except (UnicodeError, LookupError):
        return False
    return True


def printable(text: str) -> str:
    """``text`` with control characters written out, so that a name cannot steer the terminal.

    Written out is all that is not printable in Unicode's sense: escape sequences, line ends, the
    marks that turn the direction of writing, halves of characters.
    """
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)
