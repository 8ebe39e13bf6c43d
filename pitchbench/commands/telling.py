"""What a guided command tells to the ear: options, voice, loudspeaker."""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, TypeVar, cast

import click

from pitchbench.commands.common import refuse_idle, refuse_microphone, together
from pitchbench.screen.pictures import Picture
from pitchbench.session.job import Job

if TYPE_CHECKING:
    from pitchbench.session.teller import Teller

_Function = TypeVar("_Function", bound=Callable[..., Any])
_J = TypeVar("_J", bound=Job)

#: What a person is told before it begins to speak, since it then listens less.
DEAF: Final = (
    "While it sounds it does not listen, nor for half a second after: pluck when it has finished. "
    "With --headphones it listens on."
)


speak_option = click.option(
    "--speak/--no-speak",
    default=False,
    help="Speak the request, each result and the move, in English.",
)
cue_option = click.option(
    "--cue/--no-cue",
    default=False,
    help="Tones: one for a take accepted, two low ones rejected, three for a string done.",
)


@dataclass(frozen=True)
class Told:
    """What is to be told to the ear, and whether only the person hears it, with headphones."""

    speak: bool
    cue: bool
    headphones: bool


def _as_told(function: _Function) -> _Function:
    """What `Told` holds, handed on as ``told``."""

    @functools.wraps(function)
    def handed_on(*, speak: bool, cue: bool, headphones: bool, **rest: Any) -> Any:
        return function(told=_told(speak=speak, cue=cue, headphones=headphones), **rest)

    return cast("_Function", handed_on)


telling_options: Final = together(
    speak_option,
    cue_option,
    click.option(
        "--headphones/--no-headphones",
        default=False,
        help="You alone hear it: it listens on while it speaks.",
    ),
    _as_told,
)


def _told(**asked: bool) -> Told:
    """What was asked for; what is but set once for all gives way where it has no use.

    Raises
    ------
    PitchbenchError
        If headphones are asked for, and nothing that is to be heard with them; or something that is
        to be told of a recording.
    """
    if click.get_current_context().params.get("recording") is not None:
        # It goes by faster than anything can be told of it.
        refuse_microphone(why="of a recording")
        return Told(speak=False, cue=False, headphones=False)
    told = Told(**asked)
    if not (told.speak or told.cue):
        refuse_idle(["headphones"], "by itself", "Give --speak or --cue with it.")
    return told


@contextlib.contextmanager
def telling(picture: Picture[_J], told: Told) -> Iterator[Teller[_J] | None]:
    """What tells a job to the ear, None if that was not asked for.

    Raises
    ------
    PitchbenchError
        If there is no output, or no voice though it is to speak.
    """
    if not (told.speak or told.cue):
        yield None
        return
    from pitchbench.session.teller import Teller  # noqa: PLC0415  # sound out only if asked for
    from pitchbench.session.voice import Voice  # noqa: PLC0415
    from pitchbench.sound.loudspeaker import Loudspeaker  # noqa: PLC0415

    loudspeaker = Loudspeaker(headphones=told.headphones)
    with contextlib.ExitStack() as stack:
        voice = stack.enter_context(Voice(loudspeaker.rate_hz)) if told.speak else None
        yield Teller(loudspeaker, voice=voice, spoken=picture.spoken(), cue=told.cue)
