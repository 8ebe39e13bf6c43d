"""The microphone's part of commands that can listen to it: which input, and what is kept."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from pitchbench.commands import completion
from pitchbench.commands.telling import DEAF
from pitchbench.errors import PitchbenchError
from pitchbench.sound.elsewhere import listen_elsewhere
from pitchbench.sound.hearing import Hearing
from pitchbench.sound.microphone import Microphone
from pitchbench.sound.recorder import Recorder
from pitchbench.sound.recording import Recording
from pitchbench.sound.source import Source

if TYPE_CHECKING:
    from pitchbench.session.teller import Teller

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


def guided_options(function: _Function) -> _Function:
    """Those of :func:`input_options`, ``--channel``, ``--recording`` and ``--resume`` as
    ``resumed``: of a command that guides through work that can be gone on with."""
    for option in reversed(
        [
            input_options,
            click.option("--channel", type=click.IntRange(min=1), help="Channel of the input [1]."),
            click.option(
                "--recording",
                type=click.Path(path_type=Path),
                help="Listen to this file instead.",
            ),
            click.option(
                "--resume",
                "resumed",
                metavar="SESSION",
                is_flag=False,
                flag_value="last",
                help="Go on with a session that was broken off: the last one, or this one.",
                shell_complete=completion.sessions,
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
    teller: Teller[Any] | None = None,
) -> Iterator[tuple[Source, Hearing | None]]:
    """The input that the options name, kept in a file where that was asked for, and what says how
    it stands; ``recording`` is listened to instead.

    While ``teller`` sounds from a loudspeaker nothing is heard.

    Raises
    ------
    PitchbenchError
        If a recording is to be listened to and something told: it goes by faster than it is told.
    """
    source: Source
    if recording is not None:
        if teller is not None:
            raise PitchbenchError(
                "A recording goes by faster than anything can be told of it.",
                "Leave out --speak and --cue, or --recording.",
            )
        source, hearing = Recording(recording, channel=channel), None
    else:
        loudspeaker = None
        if teller is not None:
            loudspeaker = teller.loudspeaker
            if not loudspeaker.headphones:
                click.echo(DEAF, err=True)
        microphone = Microphone(device, rate_hz=rate, channel=channel or 1, loudspeaker=loudspeaker)
        source, hearing = microphone, _hearing_of(microphone)
    if record is None:
        yield source, hearing
    else:
        with Recorder(source, record) as recorder:
            yield recorder, hearing


def _hearing_of(microphone: Microphone) -> Hearing:
    return Hearing(microphone.name, microphone.rate_hz, lambda: listen_elsewhere(microphone.device))
