"""Options of the commands that draw: ``--out FILE`` with its ending, and ``--force``."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from pitchbench.commands.common import together
from pitchbench.errors import PitchbenchError, printable

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: What a figure can be written as.
ENDINGS: Final = (".svg", ".png", ".pdf")


picture_options: Final = together(
    click.option(
        "--out",
        type=click.Path(path_type=Path, dir_okay=False),
        metavar="FILE",
        help="Draw the figure too: .svg, .png or .pdf.",
    ),
    click.option("--force", is_flag=True, help="Replace the file if it exists."),
)


def check_picture(out: Path | None, *, force: bool) -> None:
    """Say before any listening what would fail after it.

    Raises
    ------
    PitchbenchError
        If the ending is none that can be drawn, or the file exists and ``force`` was not given.
    """
    if out is None:
        return
    if out.suffix.lower() not in ENDINGS:
        raise PitchbenchError(
            f"{str(out)!r} ends in nothing that can be drawn.",
            "Let the name end in .svg, .png or .pdf.",
        )
    if os.path.lexists(out) and not force:
        raise PitchbenchError(
            f"{str(out)!r} exists already.", "Give another name, or --force to replace it."
        )


def write_picture(out: Path, figure: Figure, *, force: bool) -> None:
    """Draw ``figure`` to ``out``, whole or not at all, and say so on stderr."""
    from pitchbench.report.export import write_file  # noqa: PLC0415  # only where a file is written
    from pitchbench.report.figures import drawn  # noqa: PLC0415  # matplotlib is slow to load

    write_file(out, [drawn(figure, out.suffix.lower().removeprefix("."))], force=force)
    click.echo(f"Figure: {printable(str(out))}", err=True)
