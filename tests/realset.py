"""Recordings of real instruments, CC0, for tests that should not rest on synthetic strings alone.

They are no part of this repository. `PITCHBENCH_REALSET` names their folder, or it lies as
``shared/realset`` beside the repository; a test that asks for them is skipped where it is missing.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest

_BESIDE: Final = Path(__file__).parents[2] / "shared" / "realset"


@dataclass(frozen=True)
class RealNote:
    """One plucked note, after a moment of quiet.

    ``late_f1_hz`` is the first partial over the late half of its ring and ``late_f1_u_cents`` its
    scatter there, both measured without pitchbench; ``note_hz`` is the note that was meant, so good
    for octaves and gross errors only. ``same_pluck`` is the pluck through the other channel.
    """

    path: Path
    group: str
    velocity: str | None
    onset_s: float
    note_hz: float
    late_f1_hz: float | None
    late_f1_u_cents: float | None
    same_pluck: str | None


def folder() -> Path | None:
    """Where the set is; None where it is not."""
    place = Path(os.environ.get("PITCHBENCH_REALSET", _BESIDE))
    return place if (place / "index.json").is_file() else None


def notes() -> list[RealNote]:
    """Every note of the set; skips the test that asks where there is none."""
    place = folder()
    if place is None:
        pytest.skip("no recordings of real instruments (PITCHBENCH_REALSET)")
    keys = RealNote.__dataclass_fields__.keys() - {"path"}
    return [
        RealNote(path=place / one["file"], **{key: one[key] for key in keys})
        for one in json.loads((place / "index.json").read_text())["notes"]
    ]
