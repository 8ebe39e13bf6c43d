"""``pitchbench trouble``: what may be wrong, from what a person sees to what to do about it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import click

import pitchbench
from pitchbench.commands.common import ExamplesFirst, echo_json, format_option
from pitchbench.errors import PitchbenchError
from pitchbench.report.document import fill

EXAMPLES = """\
  pitchbench trouble                what may be wrong, by what you see
  pitchbench trouble hum            the part on hum
  pitchbench trouble too short      the parts that speak of it
"""

#: In an installed package the page lies inside; in a copy of the folder, among the documents.
_PLACES: Final = (
    Path(pitchbench.__file__).with_name("troubleshooting.md"),
    Path(pitchbench.__file__).parents[1] / "docs" / "troubleshooting.md",
)


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


def parts() -> list[Part]:
    """docs/troubleshooting.md: its opening first, under the title, then part by part."""
    page = next(place for place in _PLACES if place.exists()).read_text(encoding="utf-8")
    found = re.findall(r"^#+ ([^\n]+)\n\n(.*?)(?=^#|\Z)", page, re.M | re.S)
    return [Part(heading, _without_marks(text).strip()) for heading, text in found]


def _without_marks(text: str) -> str:
    """Markdown as plain text: bold words and links are just words."""
    return re.sub(r"\[([^]]*)\]\([^)]*\)", r"\1", text.replace("**", ""))


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@click.argument("words", nargs=-1)
@format_option
def command(words: tuple[str, ...], output_format: str) -> None:
    """What may be wrong, and what to do. Without WORDS it lists what you may see; with some, it
    shows the part whose heading has them, else every part that speaks of them."""
    opening, *rest = parts()
    chosen = _about(" ".join(words), rest) if words else rest
    if output_format == "json":
        echo_json(fill(TroubleDocument, parts=chosen))
    elif words:
        click.echo("\n\n".join(f"{part.heading}\n\n{part.text}" for part in chosen))
    else:
        click.echo(f"{opening.text}\n")
        click.echo("\n".join(part.heading for part in chosen))


def _about(words: str, known: list[Part]) -> list[Part]:
    wanted = words.strip().casefold()
    by_heading = [part for part in known if wanted in part.heading.casefold()]
    found = by_heading or [part for part in known if wanted in part.text.casefold()]
    if not wanted or not found:
        raise PitchbenchError(
            f"Nothing is written about {words!r}.",
            "See `pitchbench trouble` for what there is, and give a word of it.",
        )
    return found
