"""``pitchbench guide``: the steps and cautions for one kind of bridge, because one forgets."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from typing import Literal

import click

from pitchbench.commands import completion
from pitchbench.commands.common import (
    ExamplesFirst,
    echo_json,
    format_option,
    is_plain,
    plain_option,
    show_result,
)
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import BridgeKind
from pitchbench.intonation import guide
from pitchbench.report.document import fill

EXAMPLES = """\
  pitchbench guide                  the kinds of bridge there are
  pitchbench guide screw-saddles    what to do, and what to mind
"""


@dataclass(frozen=True)
class Section:
    """A heading, and what stands below it."""

    heading: str
    items: tuple[str, ...]


@dataclass(frozen=True)
class GuideDocument:
    """What `pitchbench guide BRIDGE --format json` prints."""

    schema: Literal["pitchbench.guide/1"]
    bridge: BridgeKind
    title: str
    sections: tuple[Section, ...]


@dataclass(frozen=True)
class GuideTitle:
    """A kind of bridge."""

    bridge: BridgeKind
    title: str


@dataclass(frozen=True)
class GuidesDocument:
    """What `pitchbench guide --format json` prints."""

    schema: Literal["pitchbench.guides/1"]
    bridges: tuple[GuideTitle, ...]


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@click.argument("kind", required=False, metavar="[BRIDGE]", shell_complete=completion.bridges)
@format_option
@plain_option
def command(kind: str | None, output_format: str, plain: bool) -> None:
    """The steps and cautions for a kind of bridge, in a page of plain text."""
    if kind is None:
        _list_kinds(output_format, plain)
        return
    bridge = _parse(kind)
    if output_format == "json":
        sections = [Section(*section) for section in guide.sections(bridge)]
        title = guide.TITLES[bridge]
        echo_json(fill(GuideDocument, bridge=bridge, title=title, sections=sections))
        return
    widest = guide.WIDTH if is_plain(plain) else shutil.get_terminal_size().columns
    click.echo(guide.page(bridge, width=min(guide.WIDTH, widest)), nl=False)


def _list_kinds(output_format: str, plain: bool) -> None:
    from pitchbench.screen.tables import Page  # noqa: PLC0415  # for the list alone

    kinds = [GuideTitle(kind, guide.TITLES[kind]) for kind in BridgeKind]
    widest = max(map(len, BridgeKind))
    show_result(
        output_format,
        plain,
        document=lambda: fill(GuidesDocument, bridges=kinds),
        lines=lambda: [f"{each.bridge:{widest}}  {each.title}" for each in kinds],
        page=lambda: Page().facts((each.bridge, each.title) for each in kinds),
    )


def _parse(text: str) -> BridgeKind:
    try:
        return BridgeKind(text.strip().lower())
    except ValueError:
        raise PitchbenchError(
            f"{text!r} is not a kind of bridge.",
            f"Choose one of: {', '.join(kind.value for kind in BridgeKind)}.",
        ) from None
