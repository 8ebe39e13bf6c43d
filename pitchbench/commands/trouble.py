"""``pitchbench trouble``: what may be wrong, from what a person sees to what to do about it."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import click

import pitchbench
from pitchbench.commands.common import (
    ExamplesFirst,
    echo_json,
    format_option,
    is_plain,
    plain_option,
)
from pitchbench.errors import PitchbenchError
from pitchbench.report.document import fill

EXAMPLES = """\
  pitchbench trouble                what may be wrong, by what you see
  pitchbench trouble hum            the part on hum
  pitchbench trouble phone          the parts that speak of it
"""

#: In an installed package the page lies inside; in a copy of the folder, among the documents.
_PLACES: Final = (
    Path(pitchbench.__file__).with_name("troubleshooting.md"),
    Path(pitchbench.__file__).parents[1] / "docs" / "troubleshooting.md",
)


#: What a line of the page begins with that goes on no paragraph: an item, a quotation, a row, an
#: example.
_OWN_LINE: Final = r"(?:\d+\. |[-*] |> |\||    )"

#: Further words that people look for.
_ALSO: Final = re.compile(r"^\*Also: (.+)\*$", re.M)


@dataclass(frozen=True)
class Part:
    """One thing that a person may see: its heading, and the text below it."""

    heading: str
    text: str


@dataclass(frozen=True)
class TroubleDocument:
    """What `pitchbench trouble --format json` prints."""

    schema: Literal["pitchbench.trouble/1"]
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class Section:
    """A part of the page as it is written, in Markdown; ``called`` is its heading and whatever else
    people call it."""

    heading: str
    markdown: str
    called: str

    @property
    def part(self) -> Part:
        """It without any marks."""
        return Part(self.heading, _plain(self.markdown))


def sections() -> list[Section]:
    """docs/troubleshooting.md: its opening first, under the title, then part by part."""
    page = next(place for place in _PLACES if place.exists()).read_text(encoding="utf-8")
    found = re.findall(r"^#+ ([^\n]+)\n\n(.*?)(?=^#|\Z)", page, re.M | re.S)
    return [
        Section(heading, text.strip(), f"{heading} {' '.join(_ALSO.findall(text))}")
        for heading, text in found
    ]


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@click.argument("words", nargs=-1)
@plain_option
@format_option
def command(words: tuple[str, ...], plain: bool, output_format: str) -> None:
    """What may be wrong, and what to do. Without WORDS it lists what you may see; with some, it
    shows the part whose heading has them, else every part that speaks of them."""
    opening, *rest = sections()
    # Whoever looks for a danger by its word is shown the caution of the opening.
    chosen = _about(" ".join(words), [opening, *rest]) if words else rest
    if output_format == "json":
        echo_json(fill(TroubleDocument, parts=[section.part for section in chosen]))
    elif is_plain(plain):
        shown = [section.part for section in chosen]
        if words:
            click.echo("\n\n".join(f"{part.heading}\n\n{part.text}" for part in shown))
        else:
            headings = "\n".join(part.heading for part in shown)
            click.echo(f"{opening.part.text}\n\n{headings}")
    else:
        # Only a page needs the library that lays it out.
        from pitchbench.screen.tables import Page  # noqa: PLC0415

        if words:
            text = "\n\n".join(f"## {each.heading}\n\n{each.markdown}" for each in chosen)
            # Sayings one below the other, each in a line.
            text = re.sub(r"^(> .+)\n\n(?=> )", r"\1  \n", text, flags=re.M)
        else:
            text = "\n".join([f"{opening.markdown}\n", *(f"- {each.heading}" for each in chosen)])
        Page().document(text)


# -- finding ---------------------------------------------------------------------------------


def _about(asked: str, known: list[Section]) -> list[Section]:
    """The parts that ``asked`` is about: by heading, by what else they are called, by their text;
    for several words that stand nowhere together, those with the most of them."""
    phrase = " ".join(asked.casefold().split())
    wanted = _words(phrase)

    def in_all(words_of: Callable[[Section], str]) -> Callable[[Section], bool]:
        return lambda section: bool(wanted) and _found(wanted, words_of(section)) == len(wanted)

    def most(section: Section) -> bool:
        share = _found(wanted, section.called)
        return share > 0 and share == max(_found(wanted, each.called) for each in known)

    ways: list[Callable[[Section], bool]] = [
        lambda section: bool(phrase) and phrase in section.heading.casefold(),
        in_all(lambda section: section.called),
        lambda section: bool(phrase) and phrase in section.part.text.casefold(),
        in_all(lambda section: f"{section.called} {section.part.text}"),
        most,
    ]
    found = next(filter(None, ([*filter(way, known)] for way in ways)), [])
    if not found:
        raise PitchbenchError(
            f"Nothing is written about {asked!r}.",
            "See `pitchbench trouble` for what there is, and give a word of it.",
        )
    return found


def _words(text: str) -> set[str]:
    """The words of ``text``, one or many of a thing being the same word."""
    words = re.findall(r"\w+", text.casefold())
    return {word.removesuffix("s") if len(word) > 3 else word for word in words}


def _found(wanted: set[str], text: str) -> int:
    """How many of the words begin a word of ``text``."""
    there = _words(text)
    return sum(any(word.startswith(each) for word in there) for each in wanted)


# -- without marks ---------------------------------------------------------------------------


def _plain(markdown: str) -> str:
    """Markdown as plain text, a paragraph in a line: a quotation is what "it says", and a row of a
    table names its columns."""
    joined = re.sub(rf"(?<=\S)\n(?=\S)(?!{_OWN_LINE})", " ", markdown)
    joined = re.sub(r"\n {2,3}(?=\S)", " ", joined)  # an item that goes on
    lines: list[str] = []
    columns: list[str] = []
    for line in re.sub(r"\[([^]]*)\]\([^)]*\)|\*\*|`", r"\1", joined).splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")] if line[:1] == "|" else []
        if not cells:
            columns = []
            lines.append(_ALSO.sub(r"Also: \1", re.sub("^> ", "it says: ", line)))
        elif not columns:
            columns = cells
        elif set(line) - set("|-: "):
            lines.append("; ".join(map(": ".join, zip(columns, cells, strict=True))))
    return "\n".join(lines)
