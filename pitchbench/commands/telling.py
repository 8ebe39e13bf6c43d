"""What a guided command tells to the ear: options, voice, loudspeaker."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from pitchbench.errors import PitchbenchError
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


def speak_option(function: _Function) -> _Function:
    """``--speak``, handed on as ``speak``: off unless asked for, or set once for all."""
    return click.option(
        "--speak/--no-speak",
        default=False,
        help="Speak the request, each result and the move, in English.",
    )(function)


def cue_option(function: _Function) -> _Function:
    """``--cue``, handed on as ``cue``: off unless asked for."""
    return click.option(
        "--cue",
        is_flag=True,
        help="Tones: one for a take accepted, two low ones rejected, three for a string done.",
    )(function)


def telling_options(function: _Function) -> _Function:
    """``--speak``, ``--cue`` and ``--headphones``, handed on by these names."""
    for option in (
        click.option(
            "--headphones",
            is_flag=True,
            help="You alone hear it: it listens on while it speaks.",
        ),
        cue_option,
        speak_option,
    ):
        function = option(function)
    return function


@contextlib.contextmanager
def telling(
    picture: Picture[_J],
    *,
    speak: bool,
    cue: bool,
    headphones: bool = False,
) -> Iterator[Teller[_J] | None]:
    """What tells a job to the ear, None if that was not asked for.

    Raises
    ------
    PitchbenchError
        If there is no output, or no voice though it is to speak.
    """
    if not (speak or cue):
        if headphones:
            raise PitchbenchError(
                "--headphones says nothing by itself.", "Give --speak or --cue with it."
            )
        yield None
        return
    from pitchbench.session.teller import Teller  # noqa: PLC0415  # sound out only if asked for
    from pitchbench.session.voice import Voice  # noqa: PLC0415
    from pitchbench.sound.loudspeaker import Loudspeaker  # noqa: PLC0415

    loudspeaker = Loudspeaker(headphones=headphones)
    with contextlib.ExitStack() as stack:
        voice = stack.enter_context(Voice(loudspeaker.rate_hz)) if speak else None
        yield Teller(loudspeaker, voice=voice, spoken=picture.spoken(), cue=cue)
