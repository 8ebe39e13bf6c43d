"""The input in one line: how loud it is, whether it is heard, and its name."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from rich.text import Text

from pitchbench.screen.text import fitted, printable
from pitchbench.screen.theme import Theme
from pitchbench.session.job import Job
from pitchbench.session.words import input_words
from pitchbench.sound.hearing import InputHeard

#: A window of fewer lines shows the input only if something is wrong with it.
_LEAST_HEIGHT: Final = 16

#: The bar has so many cells from this level up to full scale.
_CELLS: Final = 10
_LOWEST_DBFS: Final = -60.0


def input_line(job: Job, theme: Theme, width: int, height: int) -> Text | None:
    """How the input of ``job`` stands; None where it has none, or there is no room to say so."""
    heard, speaking = job.input, job.speaking
    if heard is None or not (heard.fault or speaking or height >= _LEAST_HEIGHT):
        return None
    line = Text.assemble(("input ", theme.quiet))
    if speaking is not None:
        words = "speaking" if speaking.listening else "speaking, not listening"
        line.append(words, theme.caution)
        return fitted(line, width)
    if not job.display.frozen and heard.level_dbfs is not None:
        line.append(_bar(heard.level_dbfs, theme) + " ")
    style = theme.quiet if heard.fault is None else theme.caution
    line.append(printable(input_words(heard), theme), style)
    line.append(f" {theme.glyphs.dot} {printable(heard.name, theme)}", theme.quiet)
    return fitted(line, width)


def _bar(level_dbfs: float, theme: Theme) -> str:
    share = 1.0 - level_dbfs / _LOWEST_DBFS
    full = max(0, min(_CELLS, round(_CELLS * share)))
    return theme.glyphs.ink * full + theme.glyphs.bar * (_CELLS - full)


def input_told(write: Callable[[str], None], old: Job, new: Job) -> None:
    """Write a line where the input stands otherwise than before, its level apart, and one for what
    is spoken."""
    if new.speaking is not None and new.speaking is not old.speaking:
        write(f"spoken: {new.speaking.text}")
    if new.input is not None and _stands(old.input) != _stands(new.input):
        write(f"input: {_stands(new.input)}")


def _stands(heard: InputHeard | None) -> str:
    return "" if heard is None else f"{heard.name}, {input_words(heard)}"
