"""The microphone's part of commands that can listen to it: which input, and what is kept."""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar, cast

import click

from pitchbench.commands import completion
from pitchbench.commands.common import fail_at_the_end, together
from pitchbench.commands.telling import DEAF
from pitchbench.sound.elsewhere import listen_elsewhere
from pitchbench.sound.hearing import Hearing
from pitchbench.sound.microphone import Microphone
from pitchbench.sound.recorder import Recorder
from pitchbench.sound.recording import Recording
from pitchbench.sound.source import Source

if TYPE_CHECKING:
    from pitchbench.session.teller import Teller

_Function = TypeVar("_Function", bound=Callable[..., Any])


#: Of whatever listens to an input alone.
input_channel_option: Final = click.option(
    "--channel", type=click.IntRange(min=1), help="Channel of the input [1]."
)

input_options: Final = together(
    click.option(
        "--device",
        metavar="DEVICE",
        help="Input, by number or part of its name.",
        shell_complete=completion.inputs,
    ),
    click.option("--rate", type=click.IntRange(8_000, 192_000), default=48_000, show_default=True),
    click.option(
        "--record",
        type=click.Path(path_type=Path),
        help="Keep the sound in this file: .flac or .wav.",
    ),
)


@dataclass(frozen=True)
class Sound:
    """What the options say of the sound to listen to: an input, or a recording instead; and the
    file to keep it in."""

    device: str | None
    rate: int
    channel: int | None
    record: Path | None
    recording: Path | None = None


def _as_sound(function: _Function) -> _Function:
    """What `Sound` holds, handed on as ``sound``."""

    @functools.wraps(function)
    def handed_on(**given: Any) -> Any:
        sound = Sound(**{name: given.pop(name) for name in Sound.__dataclass_fields__})
        return function(sound=sound, **given)

    return cast("_Function", handed_on)


#: Of a command that guides through work that can be gone on with.
guided_options: Final = together(
    input_options,
    input_channel_option,
    click.option(
        "--recording", type=click.Path(path_type=Path), help="Listen to this file instead."
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
    _as_sound,
)


@contextlib.contextmanager
def listening_to(
    sound: Sound, teller: Teller[Any] | None
) -> Iterator[tuple[Source, Hearing | None]]:
    """The input or the recording that the options name, kept in a file where that was asked for,
    and what says how the input stands.

    While ``teller`` sounds from a loudspeaker nothing is heard.
    """
    source: Source
    if sound.recording is not None:
        source, hearing = Recording(sound.recording, channel=sound.channel), None
    else:
        loudspeaker = None
        if teller is not None:
            loudspeaker = teller.loudspeaker
            if not loudspeaker.headphones:
                click.echo(DEAF, err=True)
        microphone = Microphone(
            sound.device,
            rate_hz=sound.rate,
            channel=sound.channel or 1,
            loudspeaker=loudspeaker,
        )
        source, hearing = microphone, _hearing_of(microphone)
    if sound.record is None:
        yield source, hearing
    else:
        recorder = Recorder(source, sound.record)
        try:
            with recorder:
                yield recorder, hearing
        finally:
            if recorder.trouble is not None:
                fail_at_the_end(recorder.trouble)


def _hearing_of(microphone: Microphone) -> Hearing:
    return Hearing(microphone.name, microphone.rate_hz, lambda: listen_elsewhere(microphone.device))
