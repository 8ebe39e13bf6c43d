"""Recordings whose truth is known, played on the virtual instrument, and runs of the program."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from documents import parsed
from numpy.typing import NDArray

from pitchbench.commands import main
from pitchbench.presets import preset
from pitchbench.session.log import Setup, Step
from pitchbench.session.rehearsal import rehearse
from pitchbench.strings.virtual import TOUCHED_DB, VirtualInstrument
from pitchbench.units import shifted_hz

RATE_HZ = 48_000
_BEFORE_S = 0.6
_PAUSE_S = 0.5


@dataclass(frozen=True)
class Note:
    """One note to be played: ``detune_cents`` is what the finger adds to the true pitch,
    ``touched`` the harmonic that it touches instead of pressing the string down, ``left_db`` what
    the touch leaves of the open string's other partials."""

    string: int
    fret: int = 0
    detune_cents: float = 0.0
    ring_s: float = 2.0
    touched: int = 1
    left_db: float = TOUCHED_DB


def play(virtual: VirtualInstrument, notes: Sequence[Note]) -> NDArray[np.float32]:
    """The sound of the notes in a quiet room, half a second between them."""
    pause = np.zeros(round(_PAUSE_S * virtual.rate_hz), np.float32)
    pieces = [np.zeros(round(_BEFORE_S * virtual.rate_hz), np.float32)]
    for note in notes:
        pluck = virtual.pluck(
            note.string,
            note.fret,
            ring_s=note.ring_s,
            detune_cents=note.detune_cents,
            touched=note.touched,
            left_db=note.left_db,
        )
        pieces += [pluck, pause]
    sound = np.concatenate(pieces)
    return np.clip(sound + virtual.room(len(sound)), -1.0, 1.0)


def record(path: Path, virtual: VirtualInstrument, notes: Sequence[Note]) -> list[float]:
    """Write the sound of the notes to ``path``; return the true pitch of each in Hz."""
    soundfile.write(path, play(virtual, notes), virtual.rate_hz, subtype="PCM_24")
    return [shifted_hz(virtual.true_hz(n.string, n.fret), n.detune_cents) for n in notes]


class Ran:
    """One run of the program within this process: exit code, stdout, stderr.

    Anything but an orderly exit fails the test, so that no traceback can hide.
    """

    def __init__(self, capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> None:
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main([str(argument) for argument in arguments])
        self.code = ended.value.code
        self.out, self.err = capsys.readouterr()

    @property
    def document(self) -> dict[str, Any]:
        """What stdout holds, which must be one JSON document of the form that its schema says."""
        return parsed(self.out)


def set_string_6(path: Path) -> Path:
    """A recording at ``path``: string 6 of a six-string, set from beginning to end."""
    setup = Setup(preset("six-string"), strings=(6,), tolerance_cents=5.0)
    assert rehearse(setup, seed=4, record=path).state.log.step is Step.FINISHED
    return path
