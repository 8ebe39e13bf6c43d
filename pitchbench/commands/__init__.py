"""The command line: one file per command, listed here and imported only when asked for."""

from __future__ import annotations

import contextlib
import errno
import importlib
import io
import os
import sys
from typing import Any, Final, NoReturn

import click

from pitchbench import __version__
from pitchbench.commands.common import tell
from pitchbench.commands.defaults import default_map, unknown_variables
from pitchbench.commands.help_page import GroupWithExamples, meant, on_record, start_page
from pitchbench.commands.paging import PAGED, paged
from pitchbench.ending import heeded, in_time, leave
from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.lengths import LengthUnit, show_lengths_in

#: What a write ends with where there is no room for it, or nothing to write to.
_NO_ROOM: Final = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_CLOSED: Final = errno.EBADF

#: Every command and what it is for, in the order of --help. The module is commands/NAME.py and
#: holds a click command called ``command``.
REGISTRY: dict[str, str] = {
    "rehearse": "a whole session on a virtual instrument, without a microphone",
    "session": "set an instrument with the microphone, hands on the strings",
    "read": "every pluck in recordings: settled pitch, how sure, quality",
    "offset": "recordings of open and fretted: offset, verdict, saddle move",
    "neck": "several frets: nut, saddle or a single fret; chords",
    "stretch": "are the strings stretched? pluck, pull, pluck again",
    "drift": "how a note moves from attack to tail; signs of faults",
    "repeatability": "how far takes spread, within a player and between players",
    "forecast": "what other strings, tuning or action will do to offsets",
    "inputs": "audio inputs; with --check: level, noise, hum, what to expect",
    "instrument": "the instruments on record: add, show, edit, remove, restore",
    "trouble": "what may be wrong, from what you see to what to do about it",
    "guide": "the steps and cautions for a kind of bridge, in a page",
    "today": "the list of the day: in hand, broken off, done, checks due",
    "history": "sessions of an instrument, what changed, is a check due?",
    "sheet": "the setup sheet of a session: text, HTML, PDF, CSV, JSON",
    "export": "instruments and sessions as JSON, to keep or to move",
    "schema": "the form of every JSON document, as JSON Schema",
    "settings": "what is set once for all, and which value comes from where",
    "records": "look after the records: check, backup, restore",
    "import": "take in an export: a new machine, two benches",
}

_PROGRAM = "pitchbench"

EXAMPLES = """\
  pitchbench rehearse                      the whole job, no hardware
  pitchbench session                       set an instrument
  pitchbench read low-e.wav                what was played in a recording
  pitchbench offset low-e.wav --string E2  is the 12th fret right?
"""

#: What a person does first, in this order.
_FIRST = [
    ("pitchbench rehearse", "watch a virtual guitar being set; no microphone"),
    ("pitchbench inputs --check", "is the sound that comes in good enough?"),
    ("pitchbench session", "set your own instrument, string by string"),
]


class LazyGroup(GroupWithExamples):
    """A group that imports a command's module only when that command is run."""

    def make_context(
        self,
        info_name: str | None,
        args: list[str],
        parent: click.Context | None = None,
        **extra: Any,
    ) -> click.Context:
        """With the settings as defaults; what completes a word asks for none."""
        if not extra.get("resilient_parsing"):
            for name, nearest in unknown_variables():
                tell(f"{_PROGRAM} knows no variable {name}: did you mean {nearest}?")
            extra["default_map"] = default_map(list(REGISTRY), args)
        return super().make_context(info_name, args, parent, **extra)

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return list(REGISTRY)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in REGISTRY:
            return None
        module = importlib.import_module(f"pitchbench.commands.{cmd_name}")
        command: click.Command = module.command
        return command

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; that the reader of its output has gone (`| head`) is no failure."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            # What is still in the buffer must go somewhere when the interpreter ends.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return ExitCode.DONE
        except KeyboardInterrupt:  # before click writes to a terminal that may have gone
            return _interrupted()

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl(list(REGISTRY.items()))


@click.group(
    cls=LazyGroup,
    examples=EXAMPLES,
    invoke_without_command=True,
    subcommand_metavar="[COMMAND] [ARGS]...",
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(__version__, prog_name=_PROGRAM)
@click.option(
    "--units",
    metavar="|".join(LengthUnit),
    default=str(LengthUnit.MM),
    envvar="PITCHBENCH_UNITS",
    help="Show lengths in millimetres or inches [mm, or PITCHBENCH_UNITS].",
)
@click.option(
    "--pager/--no-pager",
    default=True,
    help="Show what is longer than the terminal through PAGER, less or more [yes].",
)
@click.pass_context
def cli(ctx: click.Context, units: str, pager: bool) -> None:
    """Set the intonation of a guitar or bass with a microphone."""
    if units not in list(LengthUnit):
        raise PitchbenchError(
            f"{units!r} is no unit that lengths can be shown in.",
            "Write mm or in after --units, or in PITCHBENCH_UNITS.",
        )
    show_lengths_in(LengthUnit(units))
    if ctx.invoked_subcommand is not None:
        if pager and ctx.invoked_subcommand in PAGED:
            ctx.with_resource(paged())
        return
    start_page(
        "pitchbench helps to set the intonation of a guitar or bass. It listens to each string, "
        "open and at the 12th fret, says how far they disagree and how sure that is, and which "
        "way and how far to move the saddle.",
        _FIRST,
        on_record,
    )
    click.echo("\nAll it can do: pitchbench --help\nWhat may be wrong: pitchbench trouble")


def main(args: list[str] | None = None) -> NoReturn:
    """Entry point: every known failure becomes two sentences and an exit code."""
    _open_what_is_closed()
    _write_out_what_cannot_be_encoded()
    # Our matrices are small: more threads of the numeric library would only spin, for a tenth of a
    # second in every command and all through a session.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with heeded(), in_time(ExitCode.INTERRUPTED):
        code = _run(args)
    leave(code)


def _run(args: list[str] | None) -> int:
    """Run a command; its exit code."""
    try:
        code = cli.main(args=args, prog_name=_PROGRAM, standalone_mode=False)
    except PitchbenchError as error:
        return _fail(error.what, error.remedy, error.exit_code)
    except click.ClickException as error:
        asked = error.ctx.command_path if isinstance(error, click.UsageError) and error.ctx else ""
        words, nearest = meant(error)
        see = f"See `{asked or _PROGRAM} --help`."
        remedy = see if nearest is None else f"Did you mean `{nearest}`? {see}"
        return _fail(_sentence(words), remedy, ExitCode.USAGE)
    except (KeyboardInterrupt, click.Abort):
        return _interrupted()
    except OSError as error:
        # Files are named in what is said of them; this is the output itself.
        if error.filename is not None or error.errno not in (*_NO_ROOM, _CLOSED):
            raise
        why = "the output is closed" if error.errno == _CLOSED else os.strerror(error.errno)
        what = f"What there is to show cannot be written: {why}."
        return _fail(what, "Make room where the output goes, or send it elsewhere.", ExitCode.USAGE)
    return int(code) if isinstance(code, int) else 0


def _open_what_is_closed() -> None:
    """What starts a program without a stream, as some services do, would have the next file that is
    opened stand for it.

    A result that nobody gets is a failure: nothing can be written to what is open for reading.
    """
    for name, mode, flags in (
        ("stdin", "r", os.O_RDONLY),
        ("stdout", "w", os.O_RDONLY),
        ("stderr", "w", os.O_WRONLY),
    ):
        if getattr(sys, name) is None:
            stands_in = open(os.open(os.devnull, flags), mode, encoding="utf-8")  # noqa: SIM115
            setattr(sys, name, stands_in)


def _interrupted() -> ExitCode:
    with contextlib.suppress(OSError):  # the terminal may be what has gone
        click.echo("\npitchbench: interrupted.", err=True)
    return ExitCode.INTERRUPTED


def _fail(what: str, remedy: str, code: ExitCode) -> ExitCode:
    """Say what is wrong and what to do; a name in it cannot steer the terminal."""
    for words in (f"{_PROGRAM}: {what}", remedy):
        tell(words)
    return code


def _sentence(words: str) -> str:
    """What click says of the way the command was given, on one line and with a full stop."""
    words = " ".join(words.split("\n"))
    return words if words.endswith((".", "?")) else f"{words}."


def _write_out_what_cannot_be_encoded() -> None:
    """A terminal that knows no "−" shall see \\u2212 instead of a traceback."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
