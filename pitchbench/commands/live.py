"""The microphone's part of commands that can listen to it: which input, and what is kept."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

import click

from pitchbench.sound.microphone import Microphone
from pitchbench.sound.recorder import Recorder
from pitchbench.sound.source import Source

_Function = TypeVar("_Function", bound=Callable[..., Any])


def input_options(function: _Function) -> _Function:
    """``--device``, ``--rate`` and ``--record``, handed on by these names."""
    for option in reversed(
        [
            click.option(
                "--device", metavar="DEVICE", help="Input, by number or part of its name."
            ),
            click.option(
                "--rate", type=click.IntRange(8_000, 192_000), default=48_000, show_default=True
            ),
            click.option(
                "--record", type=click.Path(path_type=Path), help="Keep the sound in this file."
            ),
        ]
    ):
        function = option(function)
    return function


@contextlib.contextmanager
def microphone(
    device: str | None, *, rate: int, channel: int | None, record: Path | None
) -> Iterator[Source]:
    """The input that the options name, kept in a file where that was asked for."""
    source = Microphone(device, rate_hz=rate, channel=channel or 1)
    if record is None:
        yield source
    else:
        with Recorder(source, record) as recorder:
            yield recorder
