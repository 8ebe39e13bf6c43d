"""Common options of the commands, and the one way JSON reaches stdout."""

from __future__ import annotations

import contextlib
import math
import os
import shlex
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator
from functools import partial, reduce
from typing import TYPE_CHECKING, Any, Final, NoReturn, TypeVar

import click
from click.core import ParameterSource

from pitchbench import ranges
from pitchbench.commands.help_page import ExamplesFirst as ExamplesFirst  # noqa: PLC0414
from pitchbench.errors import PitchbenchError, RecordsError, typeset
from pitchbench.errors import printable as printable  # noqa: PLC0414  # commands find it here
from pitchbench.lengths import decimal, parse_length
from pitchbench.notes import A4_HZ
from pitchbench.ranges import Range
from pitchbench.records.places import is_there, is_url

if TYPE_CHECKING:
    from pitchbench.records.model import SessionMeta
    from pitchbench.records.repository import Repository

_Function = TypeVar("_Function", bound=Callable[..., Any])
_Answer = TypeVar("_Answer")

_MOST_FIGURES: Final = 9


class Quantity(click.ParamType):  # type: ignore[type-arg]  # generic only in newer click
    """A number with a unit and a range that makes sense; anything else is one clear error.

    Parameters
    ----------
    unit : what stands in the help after the option, such as "HZ" or "MM".
    low, high : the range that is accepted, both ends included.
    meaning : what is asked for, in words that complete "Give ...": "the pitch of A4 in Hz".
    """

    def __init__(self, unit: str, low: float, high: float, meaning: str) -> None:
        self.name = unit
        self.range = Range(low, high, meaning)

    def convert(
        self,
        value: Any,
        param: click.Parameter | None,
        ctx: click.Context | None,  # noqa: ARG002
    ) -> float:
        """Read ``value``.

        Raises
        ------
        PitchbenchError
            If it is no number, not finite or out of range.
        """
        try:
            number = float(decimal(value) if isinstance(value, str) else value)
        except ValueError:
            number = math.nan
        if not self.fits(number):
            option = param.opts[0] if param is not None else "The value"
            raise self.range.nonsense(option, value)
        return number

    def fits(self, number: float) -> bool:
        """Whether ``number`` is within the range; not-a-number never is."""
        return self.range.fits(number)


class Length(Quantity):
    """A length, in millimetres unless it says inches: 648, 25.5in."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read ``value`` into mm; PitchbenchError if it is no length or out of range."""
        if isinstance(value, str):
            with contextlib.suppress(PitchbenchError):
                length_mm = parse_length(value)
                if self.fits(length_mm):
                    return length_mm
        # What makes no sense is said as it was typed.
        return super().convert(value, param, ctx)


class WholeQuantity(Quantity):
    """A quantity that is counted, such as the number of a fret."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Read ``value``; PitchbenchError if it is no whole number or out of range."""
        return int(super().convert(value, param, ctx))

    def fits(self, number: float) -> bool:
        """Whether ``number`` is whole and within the range."""
        return self.range.fits(number, whole=True)


def words_of(text: str) -> list[str]:
    """A list as people write it, with blanks or commas between."""
    return text.replace(",", " ").split()


def counted(count: int, one: str) -> str:
    """So many of something: "1 entry", "2 entries"."""
    more = f"{one[:-1]}ies" if one.endswith("y") else f"{one}s"
    return f"{count} {one if count == 1 else more}"


def whole_number(text: str) -> int | None:
    """The whole number that ``text`` is; None if it is none, or longer than any that makes sense
    (and so longer than Python reads)."""
    text = text.strip()
    return int(text) if text.isascii() and text.isdecimal() and len(text) <= _MOST_FIGURES else None


A4 = Quantity("HZ", *ranges.A4)
TOLERANCE = Quantity("CENTS", *ranges.TOLERANCE)


format_option = click.option(
    "--format",
    "output_format",
    type=click.Choice(["text", "json"]),
    default="text",
    show_default=True,
    help="What is written to stdout.",
)
#: Ask ``is_plain(plain)``, which knows the other signs.
plain_option = click.option(
    "--plain",
    is_flag=True,
    help="One line per event, label before value: no boxes, no colour, no redrawing.",
)
a4_option = click.option(
    "--a4", type=A4, default=A4_HZ, show_default=True, help="Pitch of A4 (ISO 16: 440 Hz)."
)
seed_option = click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    metavar="N",
    help="Where chance enters, the same seed gives the same run.",
)
#: What ``Repository.open`` takes.
store_option = click.option(
    "--store",
    metavar="PLACE",
    help="Where the records are: a file, or the URL of a PostgreSQL database "
    "(else PITCHBENCH_STORE, else a file in your data folder).",
)


def together(*options: Callable[[_Function], _Function]) -> Callable[[_Function], _Function]:
    """Several options as one decorator, in the order in which they are written."""
    return lambda function: reduce(lambda made, add: add(made), reversed(options), function)


def typed(names: Iterable[str]) -> Iterator[tuple[str, str, Any]]:
    """The options of these names that were typed here, and not set once for all: name, flag and
    value of each."""
    context = click.get_current_context(silent=True)
    if context is None:  # a program calls
        return
    options = {param.name: param for param in context.command.params}
    for name in names:
        if context.get_parameter_source(name) is ParameterSource.COMMANDLINE:
            option, value = options[name], context.params[name]
            flags = option.secondary_opts if value is False else option.opts
            yield name, flags[0], value


def refuse_idle(names: Iterable[str], why: str, remedy: str) -> None:
    """Refuse options that were typed and do nothing, ``why`` in words. What is set once for all
    gives way; to deny what there is not is no fault."""
    flags = [flag for _, flag, value in typed(names) if value is not False]
    if flags:
        raise PitchbenchError(
            f"{' and '.join(flags)} say{'s' * (len(flags) == 1)} nothing {why}.", remedy
        )


#: What to do with an option of those who read recordings, where there are none.
FOR_RECORDINGS: Final = "Leave out what is for recordings."


def refuse_microphone(*more: str, why: str) -> None:
    """Refuse what was typed for a microphone, which nobody listens to: devices, what tells a job to
    the ear, and the options that are named."""
    refuse_idle(
        ("device", "rate", "speak", "cue", "headphones", *more),
        why,
        "Leave out what is for listening with a microphone.",
    )


def fail_at_the_end(error: PitchbenchError) -> None:
    """Let the command fail with ``error``, of what is kept, once it has shown what there is to
    show: it was heard all the same."""
    context = click.get_current_context()
    failures: list[PitchbenchError] = context.meta.setdefault(__name__, [])
    failures.append(error)
    if len(failures) == 1:
        context.call_on_close(partial(_fail_with, failures))


def _fail_with(failures: Iterable[PitchbenchError]) -> NoReturn:
    raise RecordsError(
        " ".join(each.what for each in failures), " ".join(each.remedy for each in failures)
    )


def echo_json(document: object) -> None:
    """Write ``document`` to stdout, the only thing that a command in JSON format writes there.

    Characters outside ASCII are escaped, so that neither the terminal's encoding nor a control
    sequence in a name can spoil it.

    Raises
    ------
    ValueError
        If it holds NaN or infinity: an absent quantity is None.
    """
    from pitchbench.report.document import to_json  # noqa: PLC0415  # what prints text needs none

    click.echo(to_json(document))


def show_result(
    output_format: str,
    plain: bool,
    *,
    document: Callable[[], object],
    lines: Callable[[], Iterable[str | tuple[str, str]]],
    page: Callable[[], None],
) -> None:
    """Write a result to stdout in the form that was asked for: its document, its lines, each as it
    is or as label and words, or, on a terminal, its page."""
    if output_format == "json":
        echo_json(document())
    elif is_plain(plain):
        for line in lines():
            write_line(line if isinstance(line, str) else ": ".join(line))
    else:
        page()


def write_line(line: str, *, err: bool = False) -> None:
    """Write a plain line as a screen would show it: a name in it cannot steer the terminal, numbers
    have the same minus, and a terminal that knows no "±" gets plainer characters."""
    stream = sys.stderr if err else sys.stdout
    click.echo(typeset(printable(line), stream.encoding or "ascii"), err=err)


def tell(words: str) -> None:
    """Write a remark to stderr, a name in it unable to steer the terminal; on a terminal it is
    broken at spaces, which the terminal itself would not heed."""
    words = printable(words)
    if sys.stderr.isatty():
        width = shutil.get_terminal_size().columns
        words = textwrap.fill(
            words,
            width,
            subsequent_indent=" " * (len(words) - len(words.lstrip())),
            break_long_words=False,
            break_on_hyphens=False,
        )
    click.echo(words, err=True)


def ask(question: str, read: Callable[[str], _Answer], default: str | None = None) -> _Answer:
    """Ask until ``read`` takes the answer. Questions go to stderr, stdout is for data."""
    while True:
        answer = click.prompt(
            question, default=default, err=True, show_default=bool(default), prompt_suffix=" "
        )
        try:
            return read(answer)
        except (PitchbenchError, click.UsageError) as error:
            tell(str(error))


def is_plain(plain: bool = False) -> bool:
    """Whether to write plain lines: asked for, no terminal, or a terminal or person that needs it.

    ``TERM=dumb`` and ``ACCESSIBLE=1`` count as asking.
    """
    return (
        plain
        or not sys.stdout.isatty()
        or os.environ.get("TERM") == "dumb"
        or os.environ.get("ACCESSIBLE", "") not in {"", "0"}
    )


def going_on(meta: SessionMeta, store: str | None) -> str:
    """The command that goes on with a session; a URL may hold a password, so it is not shown."""
    words = f"pitchbench {meta.kind.command} --resume {meta.short_id}"
    if store is None:
        return words
    return f"{words} --store {'URL' if is_url(store) else shlex.quote(store)}"


def open_records(store: str | None, *, begin: bool = False) -> Repository:
    """The records at ``store``, or where they are by default; a context manager.

    ``begin`` where this may be the first thing to be put there; else a file that is named has to be
    there, since a name mistyped would show records that seem lost. An empty file is none: it would
    become a database, whatever it was meant for.
    """
    # The database loads here, because the first screen must not wait for it.
    from pitchbench.records.repository import Repository  # noqa: PLC0415

    if store is not None and not (begin or is_url(store) or is_there(store)):
        raise RecordsError(
            f"There are no records at {printable(store)!r}.",
            "Check the name. What puts something on record (`pitchbench session`, `pitchbench "
            "instrument add`) would begin them there.",
        )
    return Repository.open(store)
