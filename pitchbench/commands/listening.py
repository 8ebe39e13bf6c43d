"""From recordings to readings, block by block: shared by the commands that read files."""

from __future__ import annotations

import contextlib
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from pitchbench.commands.common import (
    ExamplesFirst,
    a4_option,
    format_option,
    is_plain,
    open_records,
    plain_option,
    printable,
    store_option,
)
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.pitch.listener import Listener, ReadingReady
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.presets import preset
from pitchbench.sound.recording import Recording

_Function = TypeVar("_Function", bound=Callable[..., Any])

#: Recordings longer than this take a moment, so it is said how far they have been heard.
_LONG_S: Final = 30.0
#: Nobody waits for a block of a file; large ones cost less each.
_BLOCK_SIZE: Final = 1 << 16


@dataclass(frozen=True, eq=False)
class Listened:
    """A recording that was listened to from its beginning to its end.

    Parameters
    ----------
    path : the file, as it was named.
    rate_hz, channel : its sampling rate, and the channel that was heard, counted from 1.
    length_s : how much of it was heard.
    damaged_after_s : where damage ended it; None if it is whole.
    readings : every pluck, in order.
    """

    path: Path
    rate_hz: int
    channel: int
    length_s: float
    damaged_after_s: float | None
    readings: tuple[Reading | Rejected, ...]


class ManyFiles(ExamplesFirst):
    """Lets the options named in ``several`` be followed by several files, as a shell's * gives
    them: ``@click.command(cls=ManyFiles, several={"--open"}, examples=...)``."""

    def __init__(self, *args: Any, several: set[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.several = several

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Repeat the option before each of its files, which is the form that click knows."""
        spread: list[str] = []
        option = None
        fresh = False
        for word in args:
            if word.startswith("-"):
                option = word if word in self.several else None
                fresh = True
            elif option is not None and not fresh:
                spread.append(option)
            else:
                fresh = False
            spread.append(word)
        return super().parse_args(ctx, spread)


def refuse_twice(paths: Sequence[Path]) -> None:
    """Refuse no file at all, and a file given twice: its takes would look surer than they are."""
    if not paths:
        raise PitchbenchError("No recording was named.", "Give one or more sound files.")
    for path, count in Counter(path.absolute() for path in paths).items():
        if count > 1:
            raise PitchbenchError(f"{str(path)!r} was given twice.", "Give each file once.")


def named_instrument(
    preset_name: str | None, name: str | None, store: str | None
) -> Instrument | None:
    """The built-in instrument, or the one on record; None where neither is named."""
    if name is None:
        return None if preset_name is None else preset(preset_name)
    if preset_name is not None:
        raise PitchbenchError("--instrument and --preset were both given.", "Give one of them.")
    with open_records(store) as repository:
        return repository.instrument(name).instrument


def channel_option(function: _Function) -> _Function:
    """``--channel N``, handed on as ``channel``."""
    return click.option(
        "--channel",
        type=click.INT,
        metavar="N",
        help="Channel to listen to, from 1 [the one in which most happens].",
    )(function)


def listening_options(function: _Function) -> _Function:
    """``--channel``, ``--a4``, ``--store``, ``--plain`` and ``--format``."""
    for option in (format_option, plain_option, store_option, a4_option, channel_option):
        function = option(function)
    return function


def listen_to(
    paths: Iterable[Path], *, channel: int | None, plain: bool = False
) -> Iterator[Listened]:
    """Listen to one recording after another; what takes long or is damaged is told on stderr.

    Every file is opened before the first is listened to, so that a wrong name is told at once.

    Raises
    ------
    PitchbenchError
        If a file cannot be read, or lacks the channel.
    """
    for recording in [Recording(path, channel=channel, block_size=_BLOCK_SIZE) for path in paths]:
        yield _listened(recording, plain)


def _listened(recording: Recording, plain: bool) -> Listened:
    listener = Listener(recording.rate_hz)
    readings: list[Reading | Rejected] = []
    end = 0
    with _progress(recording, plain) as advance:
        for block in recording.blocks():
            readings += _finished(listener.feed(block))
            advance(block.start + len(block.samples) - end)
            end = block.start + len(block.samples)
    readings += _finished(listener.finish())
    if recording.damaged_after_s is not None:
        click.echo(
            f"{printable(str(recording.path))} is damaged: only its first "
            f"{recording.damaged_after_s:.1f} s could be read.",
            err=True,
        )
    return Listened(
        path=recording.path,
        rate_hz=recording.rate_hz,
        channel=recording.channel,
        length_s=end / recording.rate_hz,
        damaged_after_s=recording.damaged_after_s,
        readings=tuple(readings),
    )


def _finished(heard: Iterable[object]) -> list[Reading | Rejected]:
    return [each.reading for each in heard if isinstance(each, ReadingReady) and each.final]


@contextlib.contextmanager
def _progress(recording: Recording, plain: bool) -> Iterator[Callable[[int], None]]:
    """Call what it yields with the number of frames that were heard since the last call."""
    seconds = recording.frames / recording.rate_hz
    label = f"Listening to {printable(recording.name)}"
    if seconds <= _LONG_S:
        yield lambda _: None
    elif is_plain(plain) or not sys.stderr.isatty():
        click.echo(f"{label}, {seconds:.0f} s", err=True)
        yield lambda _: None
    else:
        with click.progressbar(
            length=recording.frames, label=label, file=sys.stderr, width=0
        ) as bar:
            yield bar.update
