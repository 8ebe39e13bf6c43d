"""What a command says of itself: examples first, then its options by what they are about; and what
the program says when it is not told what to do."""

from __future__ import annotations

import re
import shlex
import shutil
import textwrap
from collections.abc import Callable, Sequence
from typing import Any, Final

import click

from pitchbench.errors import printable
from pitchbench.records.glance import glance

#: What options are about, in reading order, and every option by its flag. A command may have one
#: more word of its own for nothing else: one flag, one meaning.
SECTIONS: Final[dict[str, str]] = {
    "Instrument": (
        "--instrument --preset --tuning --gauges --cores --materials --scale --nut-frets --bridge "
        "--screw-pitch --screw-heads --travel --pairs --courses --locking-nut --capo --setback "
        "--frets --left-handed --fretless "
        "--tolerance --action --relief --temperature --kind --owner-mark --string-set "
        "--strings-fitted --notes --like --presets --rename --forget --undo --earlier"
    ),
    "What to do": (
        "--string --strings --fret --of --weights --takes --chord --play --spread --a4 --player "
        "--within --measured --seed --speed --explain --fault --open --fretted --near --far "
        "--plucks --last --rehearsals"
    ),
    "Sound": "--device --channel --rate --record --recording --again --jobs --check --seconds "
    "--pluck",
    "Records": "--resume --checks --session --keep --store --with-sessions --for-good --save",
    "Output": "--hear --out --force --remarks --recommend --next-check --partials "
    "--second-opinion --lbf --units --speak --cue --headphones --large --plain "
    "--pager --format --help",
}
_SECTION_OF: Final = {flag: name for name, flags in SECTIONS.items() for flag in flags.split()}

#: A command with no more options than this needs no headings among them.
_FEW: Final = 8


#: How alike two words are, of 1, of which one is the other mistyped: "scal" and "scale" are by 0.9,
#: "courses" and "cue", which are not, by 0.6. Click takes 0.6, and counts the dashes of options.
_MISTYPED: Final = 0.65


class ExamplesFirst(click.Command):
    """A command whose ``--help`` opens with examples: ``@click.command(cls=ExamplesFirst,
    examples=...)``, one line each, a command and, after two blanks or more, what it is for."""

    def __init__(self, *args: Any, examples: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.examples = examples

    def format_help(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the examples, then what click writes."""
        formatter.write(f"Examples:\n{_in_columns(self.examples, formatter.width)}\n")
        super().format_help(ctx, formatter)

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the options, under headings where there are many."""
        for name, among in options_of(self, ctx).items():
            with formatter.section(name):
                formatter.write_dl(among)


def _in_columns(examples: str, width: int) -> str:
    """Command and purpose side by side; where that is too wide, one below the other."""
    pairs = [re.split(" {2,}", line.strip(), maxsplit=1) for line in examples.splitlines()]
    column = max(len(pair[0]) for pair in pairs) + 2
    wide = max(len(purpose) for _, *purposes in pairs for purpose in (*purposes, ""))
    if 2 + column + wide > width:
        lines = ["\n      ".join(pair) for pair in pairs]
    else:
        lines = ["".join([pair[0].ljust(column), *pair[1:]]).rstrip() for pair in pairs]
    return "".join(f"  {line}\n" for line in lines)


def options_of(command: click.Command, ctx: click.Context) -> dict[str, list[tuple[str, str]]]:
    """Every option and what it is for, under headings; under one where there are few."""
    records = [
        (param, record)
        for param in command.get_params(ctx)
        if isinstance(param, click.Option) and (record := param.get_help_record(ctx))
    ]
    if len(records) <= _FEW:
        return {"Options": [record for _, record in records]}
    among = {name: [r for param, r in records if section_of(param) == name] for name in SECTIONS}
    return {name: found for name, found in among.items() if found}


def section_of(option: click.Parameter) -> str:
    """What ``option`` is about; KeyError for one that `SECTIONS` does not have yet."""
    return next(_SECTION_OF[flag] for flag in option.opts if flag.startswith("--"))


class GroupWithExamples(ExamplesFirst, click.Group):
    """A group whose ``--help`` opens with examples, and which guesses what was meant."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command that ``args`` name; where there is none, the error knows the nearest."""
        try:
            return super().resolve_command(ctx, args)
        except click.NoSuchCommand as error:
            known = self.list_commands(ctx)
            raise click.NoSuchCommand(error.command_name, possibilities=known, ctx=ctx) from None

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write options and commands."""
        click.Group.format_options(self, ctx, formatter)


def meant(error: click.ClickException) -> tuple[str, str | None]:
    """What is wrong, in a sentence, and the option or command that is nearest to what was typed."""
    if isinstance(error, click.NoSuchOption | click.NoSuchCommand):
        # Only what needs it loads it.
        from difflib import SequenceMatcher  # noqa: PLC0415

        typed = error.option_name if isinstance(error, click.NoSuchOption) else error.command_name
        # The nearest comes first; more would be guesses.
        nearest = next(iter(error.possibilities or ()), "")
        alike = SequenceMatcher(None, nearest.strip("-"), typed.strip("-")).ratio()
        return error.message, nearest if alike >= _MISTYPED else None
    return error.format_message(), None


def start_page(
    what: str, commands: Sequence[tuple[str, str]], found: Callable[[], list[str]]
) -> None:
    """Print what this is, where to begin, and what is on record."""
    # As wide as click would have it, but for its 50 columns at least.
    width = min(shutil.get_terminal_size().columns, 80) - 2
    formatter = click.HelpFormatter(width=width)
    formatter.write_text(what)
    with formatter.section("To begin with"):
        formatter.write_dl(commands, col_max=width // 2)
    # A command stays in one piece, to be copied.
    lines = map(printable, found())
    folded = (line if line.startswith(" ") else textwrap.fill(line, width) for line in lines)
    click.echo("\n".join([formatter.getvalue(), *folded]))


def on_record() -> list[str]:
    """The latest session on record and how to go on with it, as lines."""
    found = glance()
    last = found.last
    if not found.seen:
        return ["What is on record: pitchbench today"]
    if last is None:
        return ["Nothing is on record yet."]
    if not last.broken_off:
        shown = {
            "neck": f"neck --session {last.short_id}",
            "stretch": f"history {shlex.quote(last.instrument)}",
        }.get(last.kind, f"sheet {last.short_id}")
        return [f"Last: {last.instrument}, {last.day}. See it:", f"  pitchbench {shown}"]
    command = "session" if last.kind == "setup" else last.kind
    return [
        f"Last: {last.instrument}, {last.day}, broken off. Go on with it:",
        f"  pitchbench {command} --resume {last.short_id}",
    ]


def instruments_on_record() -> list[str]:
    """The names of the instruments on record, in a line."""
    found = glance()
    if not found.seen:
        return ["On record: pitchbench instrument list"]
    names = found.instruments
    return [f"On record: {', '.join(names)}." if names else "None is on record yet."]
