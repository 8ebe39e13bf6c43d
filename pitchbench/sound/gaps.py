"""Where samples were lost in a recorded stream: kept beside the file, so that a replay knows it.

A recording fills a gap with silence, which keeps the time right but hides the seam. The seams are
therefore written to ``FILE.gaps``, one line each, as they happen: ``START,LOST`` in samples. A
recording without gaps has no such file.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pitchbench.errors import ReadError


@dataclass(frozen=True)
class Gap:
    """``lost`` samples are missing from sample ``start`` on; 0 where nobody knows how many."""

    start: int
    lost: int


def gaps_path(recording: Path) -> Path:
    """Where the gaps of ``recording`` are written."""
    return recording.with_name(recording.name + ".gaps")


def note_gap(recording: Path, gap: Gap) -> None:
    """Add ``gap`` to those of ``recording``."""
    with gaps_path(recording).open("a", encoding="ascii") as file:
        file.write(f"{gap.start},{gap.lost}\n")


def read_gaps(recording: Path) -> tuple[Gap, ...]:
    """The gaps of ``recording`` in order; none if there is no list.

    Raises
    ------
    ReadError
        If there is a list that is not one.
    """
    path = gaps_path(recording)
    if not path.is_file():
        return ()
    try:
        lines = path.read_text(encoding="ascii").splitlines()
        gaps = tuple(Gap(*map(int, line.split(","))) for line in lines)
    except (OSError, ValueError, TypeError) as error:
        raise _not_a_list(path) from error
    ends = [0, *(gap.start + gap.lost for gap in gaps)]
    starts = [gap.start for gap in gaps]
    if any(gap.lost < 0 for gap in gaps) or any(
        start < end for start, end in zip(starts, ends, strict=False)
    ):
        raise _not_a_list(path)
    return gaps


def _not_a_list(path: Path) -> ReadError:
    return ReadError(
        f"{str(path)!r} is not a list of gaps.",
        "Move it away to read the recording as if nothing had been lost.",
    )
