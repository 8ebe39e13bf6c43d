"""Recorded instruments with exact micro-tuning: FluidSynth and two free General MIDI sound fonts.

FluidSynth floors pitch commands to whole cents and its bend wheel is about 0.8 % short. So the
note is rendered at the sampling rate 48000 / 2^(cents/1200), which may be any float, and the file
is then taken to be one of 48000 Hz: every frequency comes out ``cents`` higher, exactly.

The fonts are no truth for absolute pitch, but differences between two renderings are exact.
"""

from __future__ import annotations

import shutil
import struct
import subprocess
import tempfile
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

RATE_HZ = 48000
LEAD_IN_S = 0.5

#: General MIDI programs, 0-based, with the lowest MIDI note that the instrument has.
GUITARS = {
    "nylon guitar": (24, 40),
    "steel guitar": (25, 40),
    "jazz guitar": (26, 40),
    "clean guitar": (27, 40),
    "muted guitar": (28, 40),
    "acoustic bass": (32, 28),
    "finger bass": (33, 28),
    "pick bass": (34, 28),
}

Font = Literal["FluidR3_GM", "TimGM6mb"]
#: From the Debian packages fluid-soundfont-gm (MIT) and timgm6mb-soundfont (GPL-2).
FONT_FOLDER = Path("/usr/share/sounds/sf2")
FONTS: tuple[Font, ...] = ("FluidR3_GM", "TimGM6mb")


def require_sampler() -> None:
    """Skip the test where there is no sampler (tests/conftest.py: in CI that is a failure)."""
    missing = [str(p) for font in FONTS if not (p := FONT_FOLDER / f"{font}.sf2").exists()]
    if shutil.which("fluidsynth") is None:
        missing.append("fluidsynth")
    if missing:
        pytest.skip(f"the sampler lacks {', '.join(missing)}")


def render_note(
    program: int,
    note: int,
    *,
    cents: float = 0.0,
    seconds: float = 4.0,
    velocity: int = 80,
    font: Font = "FluidR3_GM",
) -> tuple[NDArray[np.float32], int]:
    """One note of a General MIDI program, raised by ``cents``, after a short silence.

    Parameters
    ----------
    program : 0 to 127.
    note : MIDI number.
    cents : any float; the sound is raised by exactly this much.
    seconds : from the start of the note to its end; a little of the release follows.
    velocity : 1 to 127.

    Returns
    -------
    The mono samples and their rate, 48000.
    """
    rate = RATE_HZ / 2.0 ** (cents / 1200.0)
    with tempfile.TemporaryDirectory() as folder:
        score, sound = Path(folder, "note.mid"), Path(folder, "note.wav")
        score.write_bytes(_midi_file(program, note, seconds, velocity))
        options = ["-ni", "-R", "0", "-C", "0", "-g", "0.6", "-o", f"synth.sample-rate={rate!r}"]
        options += ["-O", "s24", "-T", "wav", "-F", str(sound)]
        command = ["fluidsynth", *options, str(FONT_FOLDER / f"{font}.sf2"), str(score)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode or not sound.exists():
            raise RuntimeError(f"{' '.join(command)}:\n{done.stdout}{done.stderr}")
        samples, _ = soundfile.read(sound, dtype="float32", always_2d=True)
    return samples[: round((LEAD_IN_S + seconds + 0.4) * rate)].mean(axis=1), RATE_HZ


def _midi_file(program: int, note: int, seconds: float, velocity: int) -> bytes:
    """A standard MIDI file, format 0, 480 ticks to a quarter of 0.5 s: one program, one note."""
    ticks_per_s = 960
    track = b"".join(
        (
            _delta(0) + bytes((0xC0, program)),
            _delta(round(LEAD_IN_S * ticks_per_s)) + bytes((0x90, note, velocity)),
            _delta(round(seconds * ticks_per_s)) + bytes((0x80, note, 0)),
            _delta(0) + b"\xff\x2f\x00",
        )
    )
    header = b"MThd" + struct.pack(">IHHH", 6, 0, 1, 480)
    return header + b"MTrk" + struct.pack(">I", len(track)) + track


def _delta(ticks: int) -> bytes:
    """A time step as MIDI's variable-length number, seven bits to a byte."""
    digits = [ticks & 0x7F]
    while ticks := ticks >> 7:
        digits.append(0x80 | (ticks & 0x7F))
    return bytes(reversed(digits))
