"""The manual pages, made from the commands.

    .venv/bin/python tests/install/man_pages.py

Writes ``docs/man``, a page for each command, which the wheel puts where ``man`` looks. Run it after
a change of what a command says of itself; a test tells when it was forgotten. The date of a page
is the day on which it was last another one.
"""

from __future__ import annotations

import re
import sys
import textwrap
from collections.abc import Iterator
from datetime import UTC, datetime
from inspect import cleandoc
from pathlib import Path
from typing import Final

import click

from pitchbench import __version__
from pitchbench.commands import REGISTRY, cli
from pitchbench.commands.help_page import ExamplesFirst, options_of

PAGES: Final = Path(__file__).parents[2] / "docs" / "man"

#: What roff would take for something else (groff_char(7)).
_ESCAPES: Final = {
    "\\": r"\(rs", "-": r"\-", "'": r"\(aq", "`": r"\(ga", "^": r"\(ha", "~": r"\(ti", '"': r"\(dq",
}  # fmt: skip

_DATE: Final = re.compile(r'^(\.TH \S+ 1 )"([0-9-]+)"')


def main() -> None:
    PAGES.mkdir(exist_ok=True)
    made = pages()
    for forgotten in {path.name for path in PAGES.iterdir()} - made.keys():
        (PAGES / forgotten).unlink()
    for name, text in made.items():
        path = PAGES / name
        if not same(path.read_text(encoding="ascii") if path.exists() else None, text):
            path.write_text(text, encoding="ascii")
            sys.stdout.write(f"Written: {path.name}\n")


def same(one: str | None, other: str | None) -> bool:
    """Whether both are there and differ in their dates at most."""
    if one is None or other is None:
        return False
    return _DATE.sub(r"\1", one) == _DATE.sub(r"\1", other)


def pages() -> dict[str, str]:
    """Every page by the name of its file."""
    return {
        f"{context.command_path.replace(' ', '-')}.1": "\n".join([*_page(context), ""])
        for context in _contexts(click.Context(cli, info_name="pitchbench", **cli.context_settings))
    }


def _contexts(context: click.Context) -> Iterator[click.Context]:
    """One for the command itself, then for each below it."""
    yield context
    for name, command in _below(context):
        yield from _contexts(click.Context(command, info_name=name, parent=context))


def _below(context: click.Context) -> Iterator[tuple[str, click.Command]]:
    group = context.command
    if isinstance(group, click.Group):
        for name in group.list_commands(context):
            command = group.get_command(context, name)
            assert command is not None
            yield name, command


def _page(context: click.Context) -> Iterator[str]:
    command, path = context.command, context.command_path
    name = path.replace(" ", "-")
    usage = " ".join(command.collect_usage_pieces(context))
    yield (
        f'.TH {_roff(name.upper())} 1 "{datetime.now(UTC):%Y-%m-%d}" "pitchbench {__version__}" '
        '"pitchbench manual"'
    )
    # Neither justified nor hyphenated: options and file names are to be read as they are typed.
    yield from (".nh", ".ad l")
    yield from (".SH NAME", _text(f"{name} - {_in_short(path, command)}"))
    yield from (".SH SYNOPSIS", _text(f"`{path}` {usage}"))
    yield from (".SH DESCRIPTION", *_paragraphs(command.help or ""))
    if isinstance(command, ExamplesFirst):
        yield from (".SH EXAMPLES", *_examples(command.examples))
    if below := list(_below(context)):
        yield ".SH COMMANDS"
        for each, its in below:
            yield from (".TP", f".BR {_roff(name)}\\-{_roff(each)} (1)")
            yield _text(_in_short(f"{path} {each}", its))
    yield ".SH OPTIONS"
    sections = options_of(command, context)
    for heading, options in sections.items():
        if len(sections) > 1:
            yield f".SS {_roff(heading)}"
        for flags, purpose in options:
            yield from (".TP", rf"\fB{_roff(flags)}\fP", _text(purpose))
    if context.parent is not None:
        above = _roff(context.parent.command_path.replace(" ", "-"))
        yield from (".SH SEE ALSO", f".BR {above} (1)")


def _in_short(path: str, command: click.Command) -> str:
    """What it is for: in the words of the list of commands, else its first sentence."""
    words = path.split()
    if len(words) == 2:
        return REGISTRY[words[1]]
    first = re.split(r"(?<=\w)[.;]\s", f"{' '.join((command.help or '').split())} ")[0]
    return first[:1].lower() + first[1:]


def _paragraphs(words: str) -> Iterator[str]:
    for place, paragraph in enumerate(re.split(r"\n\n+", cleandoc(words))):
        if place:
            yield ".PP"
        yield _text(paragraph)


def _examples(lines: str) -> Iterator[str]:
    for line in lines.splitlines():
        example, *purpose = re.split(" {2,}", line.strip(), maxsplit=1)
        yield from (".TP", rf"\fB{_roff(example)}\fP")
        yield _text(purpose[0]) if purpose else r"\&"


def _text(words: str) -> str:
    """A paragraph; what stands in it as typed is bold."""
    parts = re.split(r"`([^`]+)`", " ".join(words.split()))
    written = "".join(
        rf"\fB{_roff(part)}\fP" if place % 2 else _roff(part) for place, part in enumerate(parts)
    )
    lines = textwrap.wrap(written, 79, break_long_words=False, break_on_hyphens=False)
    # A full stop at the beginning of a line would be a request.
    return "\n".join(rf"\&{line}" if line.startswith(".") else line for line in lines)


def _roff(words: str) -> str:
    """``words`` in ASCII, none of it a request within a line."""
    return "".join(map(_written, words))


def _written(character: str) -> str:
    if character in _ESCAPES:
        return _ESCAPES[character]
    return character if character.isascii() else rf"\[u{ord(character):04X}]"


if __name__ == "__main__":
    main()
