"""What every job's screen has: the window filled to its last line, a request, keys at the foot."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from rich.text import Text

from pitchbench.screen.input import input_line
from pitchbench.screen.keyhelp import Key, help_lines, key_lines
from pitchbench.screen.text import fitted, printable, spread, wrapped
from pitchbench.screen.theme import Theme
from pitchbench.session.job import Job

LEAST_WIDTH: Final = 40
LEAST_HEIGHT: Final = 12

#: Below this width a job may have only the first of its keys at the foot.
_NARROW: Final = 60


@dataclass(frozen=True)
class Keys:
    """The keys of a job.

    Parameters
    ----------
    every : all of them, for the help page.
    now : those at the foot, which have a use now.
    narrow : how many of these stand at the foot of a narrow window, None for all.
    marks : what the help page says of the marks.
    """

    every: Sequence[Key]
    now: Sequence[Key]
    narrow: int | None
    marks: list[Text]


def framed(
    job: Job,
    keys: Keys,
    body: Callable[[int], list[Text]],
    *,
    width: int,
    height: int,
    theme: Theme,
    typed: str,
) -> list[Text]:
    """The screen of ``job`` as exactly ``height`` lines of at most ``width`` cells.

    Parameters
    ----------
    body : what stands above the keys, given how many lines there are.
    width, height : size of the terminal in cells, from 40 by 12; below that a sentence says so.
    theme : characters and colours.
    typed : figures of a take number that have been typed so far.
    """
    if width < LEAST_WIDTH or height < LEAST_HEIGHT:
        words = wrapped(f"too small: needs {LEAST_WIDTH} x {LEAST_HEIGHT}", max(width, 1))
        return (words + [Text()] * height)[:height]
    shown = keys.now[: keys.narrow] if width < _NARROW else keys.now
    foot = key_lines(theme, width, typed, shown)
    if (heard := input_line(job, theme, width, height)) is not None:
        foot = [heard, *foot]
    room = height - len(foot)
    if job.display.help_open:
        lines = help_lines(theme, width, room, keys.every, keys.marks)
    else:
        lines = body(room)
    return [*lines[:room], *[Text()] * (room - len(lines)), *foot]


def header(left: Text, right: Text, job: Job, theme: Theme, width: int) -> Text:
    """The first line: ``left``, and ``right`` unless the picture is frozen or the sound lost."""
    paused = job.display.paused and not job.finished
    states = (("no sound", job.input_lost), ("frozen", job.display.frozen), ("paused", paused))
    apply = [word for word, applies in states if applies]
    if not apply:
        return spread(left, right, width)
    state = Text(f" {', '.join(apply)} ", theme.caution)
    # That nothing moves is told in every window, or it would pass for a fault.
    return spread(fitted(left, width - state.cell_len - 1), state, width)


def ask_lines(asks: str, theme: Theme, width: int) -> list[Text]:
    """The one thing to do now, never cut short."""
    mark = theme.glyphs.current
    lines = wrapped(printable(asks, theme), width - 2, style=theme.ask)
    return [Text.assemble((f"{mark if n == 0 else ' '} ", theme.ask), line)
            for n, line in enumerate(lines)]  # fmt: skip


def why_lines(why: str, theme: Theme, width: int) -> list[Text]:
    """Why it is to be done, below the request; none where nothing is said of it."""
    lines = wrapped(printable(why, theme), width - 2, style=theme.quiet)
    return [Text.assemble("  ", line) for line in lines]
