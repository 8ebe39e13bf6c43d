"""From recordings to readings, block by block: shared by the commands that read files."""

from __future__ import annotations

import contextlib
import glob
import os
import re
import shutil
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from functools import partial
from itertools import chain, islice
from pathlib import Path
from typing import Any, Final

import click

from pitchbench.analysis.heard import Listened
from pitchbench.analysis.listening import MOST_JOBS, Advance, listen_to
from pitchbench.commands.common import (
    ExamplesFirst,
    a4_option,
    echo_json,
    format_option,
    is_plain,
    plain_option,
    printable,
    store_option,
    together,
)
from pitchbench.ending import heed
from pitchbench.errors import NoReadingError, PitchbenchError
from pitchbench.report.readings import heard_document
from pitchbench.sound.recording import Recording

#: Recordings longer than this take a moment, so it is said how far they have been heard.
_LONG_S: Final = 30.0
#: What a bar needs beside its label: the bar itself, the share, the time that is left.
_BAR_COLUMNS: Final = 28


class ManyFiles(ExamplesFirst):
    """Lets options be followed by several files, as a shell's * gives them: ``@click.command(
    cls=ManyFiles, several={"--player": 1}, examples=...)``.

    ``several`` has how many words stand between each such option and its files. A file is handed on
    with the option and those words before it, the form that click knows; with the option that
    ``given_as`` has for it where the option may stand without any file.
    """

    def __init__(
        self,
        *args: Any,
        several: dict[str, int],
        given_as: dict[str, str] | None = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.several = several
        self.given_as = given_as or {}

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Write the option before each of its files."""
        spread: list[str] = []
        before: list[str] = []
        rest = iter(args)
        for word in rest:
            if not word.startswith("-"):
                spread += [*before, word]
                continue
            words = list(islice(rest, self.several.get(word, 0)))
            before = [self.given_as.get(word, word), *words] if word in self.several else []
            if word not in self.several or word in self.given_as:
                spread += [word, *words]
            elif (first := next(rest, "-")).startswith("-"):
                name = "a name and " * bool(self.several[word])
                raise PitchbenchError(
                    f"{word} is followed by {name}at least one file.",
                    f"Write {word}{' NAME' * bool(name)} FILE, then what comes next.",
                )
            else:
                spread += [*before, first]
        return super().parse_args(ctx, spread)


#: What a folder of recordings is searched for.
_ENDINGS: Final = frozenset(
    [
        ".3g2",
        ".3gp",
        ".aac",
        ".aif",
        ".aifc",
        ".aiff",
        ".amr",
        ".au",
        ".avi",
        ".caf",
        ".flac",
        ".m4a",
        ".m4v",
        ".mka",
        ".mkv",
        ".mov",
        ".mp3",
        ".mp4",
        ".oga",
        ".ogg",
        ".opus",
        ".w64",
        ".wav",
        ".webm",
        ".wma",
        ".wmv",
    ]
)


def recordings_meant(
    ctx: click.Context,
    param: click.Parameter,  # noqa: ARG001
    named: tuple[Path, ...],
) -> tuple[Path, ...]:
    """The files that are meant, as a callback of what names them.

    Of a folder it is the recordings in it, and of a pattern with * or ? that no shell has replaced
    (in quotes, or on Windows) whatever fits it; in the order of their names, take 2 before take 10.

    Raises
    ------
    PitchbenchError
        If there are none in a folder, or nothing fits a pattern.
    """
    return named if ctx.resilient_parsing else tuple(chain.from_iterable(map(_meant, named)))


def _meant(path: Path) -> list[Path]:
    try:
        if not path.is_dir():
            return _fitting(path)
        held = [each for each in path.iterdir() if each.suffix.lower() in _ENDINGS]
    except PermissionError as error:
        raise PitchbenchError(
            f"{str(path)!r} cannot be opened: {error.strerror}.", "Check who may read it."
        ) from error
    except OSError:  # no name that the system knows: whoever opens it says so
        return [path]
    held = [each for each in held if each.is_file() and not each.name.startswith(".")]
    if not held:
        raise PitchbenchError(
            f"There is no recording in {str(path)!r}.",
            "Give a folder that holds sound files, or the files themselves.",
        )
    return sorted(held, key=_by_number)


def _fitting(path: Path) -> list[Path]:
    """What fits a pattern; a file of that very name, and what is no pattern, is meant itself."""
    if path.exists() or not glob.has_magic(str(path)):
        return [path]
    if not (held := [Path(each) for each in glob.glob(str(path))]):
        raise PitchbenchError(f"Nothing fits {str(path)!r}.", "Check the name and the folder.")
    return sorted(held, key=_by_number)


def _by_number(path: Path) -> list[tuple[int, int, str]]:
    """What to sort by: figures by their value, all else by its letters."""
    parts = re.split(r"(\d+)", str(path), flags=re.ASCII)
    return [(1, int(p), "") if k % 2 else (0, 0, p.casefold()) for k, p in enumerate(parts)]


def refuse_twice(paths: Sequence[Path]) -> None:
    """Refuse no file at all, and a file given twice, under another name too: its takes would look
    surer than they are."""
    if not paths:
        raise PitchbenchError("No recording was named.", "Give one or more sound files.")
    for path, count in Counter(map(os.path.realpath, paths)).items():
        if count > 1:
            raise PitchbenchError(f"{path!r} was given twice.", "Give each file once.")


listening_options: Final = together(
    click.option(
        "--channel",
        type=click.INT,
        metavar="N",
        help="Channel to listen to, from 1 [the one in which most happens].",
    ),
    click.option(
        "--jobs",
        type=click.IntRange(1, MOST_JOBS),
        metavar="N",
        help="Plucks that are read at the same time [1; up to one a core for minutes of sound].",
    ),
    a4_option,
    store_option,
    plain_option,
    format_option,
)


def tell_damage(name: str, damaged_after_s: float | None) -> None:
    """Say on stderr that damage ended a recording; nothing of one that has none."""
    if damaged_after_s is not None:
        first = f"only its first {damaged_after_s:.1f} s could be read"
        click.echo(f"{printable(name)} is damaged: {first}.", err=True)


def listen(
    paths: Sequence[Path], *, channel: int | None, jobs: int | None, plain: bool = False
) -> Iterator[Listened]:
    """Listen to recordings as `listen_to` does; what takes long, is damaged or holds nothing beside
    others is told on stderr."""
    for listened in listen_to(
        paths, channel=channel, jobs=jobs, follow=partial(_progress, plain=plain)
    ):
        tell_damage(listened.source, listened.damaged_after_s)
        if not listened.readings and len(paths) > 1:
            click.echo(f"{printable(listened.source)} holds no pluck.", err=True)
        yield listened


@contextlib.contextmanager
def shown_all_the_same(
    sounds: Iterable[Listened], output_format: str, *, a4_hz: float
) -> Iterator[None]:
    """Where nothing comes of what was heard, a program that asked for JSON gets that: the plucks,
    with the reasons why they were rejected."""
    try:
        yield
    except NoReadingError as error:
        if output_format == "json":
            echo_json(heard_document(sounds, a4_hz=a4_hz, lacks=error.what))
        raise


@contextlib.contextmanager
def _progress(recording: Recording, *, plain: bool) -> Iterator[Advance]:
    """Call what it yields with the number of frames that were heard since the last call."""
    seconds = recording.frames / recording.rate_hz
    label = f"Listening to {printable(recording.name)}"
    if seconds <= _LONG_S:
        yield lambda _: heed()
    elif is_plain(plain) or not sys.stderr.isatty():
        click.echo(f"{label}, {seconds:.0f} s", err=True)
        yield lambda _: heed()
    else:
        # A line that is wider than the terminal would not be written over, but scroll by.
        room = shutil.get_terminal_size().columns - _BAR_COLUMNS
        label = label if len(label) <= room else "Listening"
        with click.progressbar(
            length=recording.frames, label=label, file=sys.stderr, width=0
        ) as bar:

            def advance(frames: int) -> None:
                heed()
                bar.update(frames)

            yield advance
