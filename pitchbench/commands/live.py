"""The microphone's part of commands that can listen to it: which input, and what is kept."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

import click

from pitchbench.commands import completion
from pitchbench.sound.elsewhere import listen_elsewhere
from pitchbench.sound.hearing import Hearing
from pitchbench.sound.microphone import Microphone
from pitchbench.sound.recorder import Recorder
from pitchbench.sound.recording import Recording
from pitchbench.sound.source import Source

_Function = TypeVar("_Function", bound=Callable[..., Any])


def input_options(function: _Function) -> _Function:
    """``--device``, ``--rate`` and ``--record``, handed on by these names."""
    for option in reversed(
        [
            click.option(
                "--device",
                metavar="DEVICE",
                help="Input, by number or part of its name.",
                shell_complete=completion.inputs,
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
def listening_to(
    device: str | None,
    *,
    rate: int,
    channel: int | None,
    record: Path | None,
    recording: Path | None = None,
) -> Iterator[tuple[Source, Hearing | None]]:
    """The input that the options name, kept in a file where that was asked for, and what says how
    it stands; ``recording`` is listened to instead."""
    source: Source
    if recording is not None:
        source, hearing = Recording(recording, channel=channel), None
    else:
        microphone = Microphone(device, rate_hz=rate, channel=channel or 1)
        source, hearing = microphone, _hearing_of(microphone)
    if record is None:
        yield source, hearing
    else:
        with Recorder(source, record) as recorder:
            yield recorder, hearing


def _hearing_of(microphone: Microphone) -> Hearing:
    return Hearing(microphone.name, microphone.rate_hz, lambda: listen_elsewhere(microphone.device))
