"""The instrument as a command's options tell it, and as is assumed where they are silent."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Final, TypeVar

import click

from pitchbench.commands.common import Quantity
from pitchbench.instrument import Bridge, BridgeKind, Instrument, ScrewHeads
from pitchbench.notes import Note
from pitchbench.presets import SCALE_RANGE_MM, with_bridge, with_scale

_Function = TypeVar("_Function", bound=Callable[..., Any])

SCALE: Final = Quantity("MM", *SCALE_RANGE_MM, "twice the distance from nut to 12th fret in mm")
PITCH_PER_TURN: Final = Quantity("MM", 0.2, 2.0, "the saddle's travel per turn of its screw in mm")

#: What is assumed where nobody says: the commonest scale, and that of a bass where the lowest
#: string lies below any guitar's.
_GUITAR_SCALE_MM: Final = 648.0
_BASS_SCALE_MM: Final = 864.0
_LOWEST_GUITAR_NOTE: Final = Note.parse("B1")

#: Of an instrument of which nothing is known.
_MOST_FRETS: Final = 24


@dataclass(frozen=True)
class Said:
    """The instrument's details as options give them; None where they say nothing."""

    preset_name: str | None
    name: str | None
    scale: float | None
    bridge: str | None
    pitch_per_turn: float | None
    screw_heads: str | None
    store: str | None
    tuning: str | None = None


@dataclass(frozen=True)
class Bench:
    """The instrument, and in words what nobody said of it and was assumed.

    ``instrument.strings`` is empty where the strings are known from their files alone.
    """

    instrument: Instrument
    assumed: tuple[str, ...] = ()


def named_options(function: _Function) -> _Function:
    """``--preset`` and ``--instrument``, handed on as ``preset_name`` and ``name``."""
    function = click.option("--instrument", "name", metavar="NAME", help="Instrument on record.")(
        function
    )
    return click.option("--preset", "preset_name", metavar="NAME", help="Built-in instrument.")(
        function
    )


def bench_options(function: _Function) -> _Function:
    """The options that `Said` holds, ``--store`` and ``--tuning`` apart."""
    for option in reversed(
        [
            named_options,
            click.option(
                "--scale", type=SCALE, help="Twice the distance from nut to 12th fret [648]."
            ),
            click.option(
                "--pitch-per-turn",
                type=PITCH_PER_TURN,
                help="Saddle travel per turn of its screw.",
            ),
            click.option(
                "--screw-heads",
                type=click.Choice([str(side) for side in ScrewHeads]),
                help="Side of the screws' heads: decides which way to turn.",
            ),
            click.option(
                "--bridge",
                type=click.Choice([str(kind) for kind in BridgeKind]),
                help="Sort of bridge: decides what to mind [screw-saddles].",
            ),
        ]
    ):
        function = option(function)
    return function


def bench_for(instrument: Instrument | None, notes: Iterable[Note], said: Said) -> Bench:
    """The instrument with what the options say of it; ``notes`` are the strings heard."""
    assumed: list[str] = []
    scale = said.scale
    if instrument is None:
        lowest = min(notes)
        if scale is None:
            scale = _BASS_SCALE_MM if lowest < _LOWEST_GUITAR_NOTE else _GUITAR_SCALE_MM
            assumed.append(f"a scale of {scale:g} mm (say it with --scale)")
        if said.bridge is None and said.pitch_per_turn is None and said.screw_heads is None:
            assumed.append("saddles on screws (say it with --bridge)")
        instrument = Instrument(
            "", "", scale, (), Bridge(BridgeKind.SCREW_SADDLES), frets=_MOST_FRETS
        )
    elif said.preset_name is None and said.name is None:
        assumed.append(
            f"scale and bridge of the built-in {instrument.name}, {instrument.scale_mm:g} mm "
            "(say them with --preset, --scale, --bridge)"
        )
    if scale is not None:
        instrument = with_scale(instrument, scale)
    instrument = with_bridge(
        instrument,
        kind=BridgeKind(said.bridge) if said.bridge else None,
        screw_pitch_mm=said.pitch_per_turn,
        screw_heads=ScrewHeads(said.screw_heads) if said.screw_heads else None,
    )
    return Bench(instrument, tuple(assumed))
