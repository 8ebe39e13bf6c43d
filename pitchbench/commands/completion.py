"""What the Tab key offers after an option or for an argument: what is built in, on record, plugged
in. Whatever goes wrong offers nothing: nobody is told of errors while typing."""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Callable, Iterable, Iterator

import click
from click.shell_completion import CompletionItem

from pitchbench.errors import PitchbenchError

#: A value and what it is, for shells that show that.
_Known = Iterable[tuple[str, str]]
_Offer = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]


def _offered(known: Callable[[click.Context], _Known]) -> _Offer:
    """What completes a word from what ``known`` finds, upper or lower case alike."""

    def offer(ctx: click.Context, _: click.Parameter, begun: str) -> list[CompletionItem]:
        with contextlib.suppress(PitchbenchError, OSError):
            return [
                CompletionItem(_as_typed(value), help=what)
                for value, what in known(ctx)
                if value.casefold().startswith(begun.casefold()) and value.isprintable()
            ]
        return []

    return offer


def _as_typed(value: str) -> str:
    """bash puts in what it is given as it is, after click's script for it has read it, which takes
    one backslash of two away; the other shells see to blanks themselves."""
    in_bash = os.environ.get("_PITCHBENCH_COMPLETE", "").startswith("bash")
    return re.sub(r"([^\w.,:/+=@%-])", r"\\\\\1", value) if in_bash else value


def _presets(_: click.Context) -> _Known:
    # While somebody types, every import is waited for.
    from pitchbench.presets import PRESETS  # noqa: PLC0415

    return [(name, instrument.kind) for name, instrument in PRESETS.items()]


def _bridges(_: click.Context) -> _Known:
    from pitchbench.instrument import BridgeKind  # noqa: PLC0415

    return [(str(kind), "bridge") for kind in BridgeKind]


def _instruments(ctx: click.Context) -> _Known:
    from pitchbench.records.glance import glance  # noqa: PLC0415

    return [(name, "on record") for name in glance(ctx.params.get("store")).instruments]


def _sessions(ctx: click.Context) -> _Known:
    from pitchbench.records.glance import glance  # noqa: PLC0415

    found = glance(ctx.params.get("store")).recent
    known = [("last", "the latest")] if found else []
    return known + [(each.short_id, f"{each.instrument}, {each.day}") for each in found]


def _inputs(_: click.Context) -> Iterator[tuple[str, str]]:
    from pitchbench.sound.portaudio import list_inputs  # noqa: PLC0415

    for device in list_inputs():
        yield device.name, f"number {device.number}"


def _documents(_: click.Context) -> _Known:
    from pitchbench.commands.schema import DOCUMENTS  # noqa: PLC0415

    return [(name, "document") for name in DOCUMENTS]


#: Each is what ``shell_complete`` of an option or argument takes.
presets = _offered(_presets)
bridges = _offered(_bridges)
instruments = _offered(_instruments)
sessions = _offered(_sessions)
inputs = _offered(_inputs)
documents = _offered(_documents)
