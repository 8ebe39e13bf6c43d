"""``pitchbench guide``: the steps and cautions for one kind of bridge, because one forgets."""

from __future__ import annotations

import click

from pitchbench.commands.common import ExamplesFirst, echo_json, format_option
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import BridgeKind
from pitchbench.intonation import guide

EXAMPLES = """\
  pitchbench guide                  the kinds of bridge there are
  pitchbench guide screw-saddles    what to do, and what to mind
"""


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@click.argument("kind", required=False, metavar="[BRIDGE]")
@format_option
def command(kind: str | None, output_format: str) -> None:
    """The steps and cautions for a kind of bridge, in a page of plain text."""
    if kind is None:
        _list_kinds(output_format)
        return
    bridge = _parse(kind)
    if output_format == "json":
        echo_json(
            {
                "schema": "pitchbench.guide/1",
                "bridge": bridge.value,
                "title": guide.TITLES[bridge],
                "sections": [
                    {"heading": heading, "items": list(items)}
                    for heading, items in guide.sections(bridge)
                ],
            }
        )
        return
    click.echo(guide.page(bridge), nl=False)


def _list_kinds(output_format: str) -> None:
    if output_format == "json":
        kinds = [{"bridge": kind.value, "title": guide.TITLES[kind]} for kind in BridgeKind]
        echo_json({"schema": "pitchbench.guides/1", "bridges": kinds})
        return
    width = max(len(kind.value) for kind in BridgeKind)
    for kind in BridgeKind:
        click.echo(f"{kind.value:{width}}  {guide.TITLES[kind]}")


def _parse(text: str) -> BridgeKind:
    try:
        return BridgeKind(text.strip().lower())
    except ValueError:
        raise PitchbenchError(
            f"{text!r} is not a kind of bridge.",
            f"Choose one of: {', '.join(kind.value for kind in BridgeKind)}.",
        ) from None
