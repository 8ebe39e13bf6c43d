"""What a telephone does to a note leaves its pitch alone: lossy codecs, automatic gain.

On recordings of real strings where they are at hand (realset.py), else on rendered ones. The truth
is the reading of the untouched recording; what was done to it may widen the ±, never belie it.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import realset
import soundfile
from numpy.typing import NDArray

from pitchbench.analysis.listening import listen_to
from pitchbench.pitch.reading import Reading
from pitchbench.presets import preset
from pitchbench.strings.virtual import VirtualInstrument
from pitchbench.units import cents_between

pytest.importorskip("av")

import phone_files
from phone_files import AAC, AAC_16K, OPUS, Form

Sound = NDArray[np.float32]

#: A note that is only just read, its u near the five cents from which none is, may be lost.
_HARDLY_READ_CENTS = 4.0

#: Standard uncertainties: what stands after ± is 1.96 of them.
_WITHIN = 1.96


class Plucked(NamedTuple):
    name: str
    sound: Sound
    rate_hz: int
    reading: Reading


def read(path: Path) -> list[Reading]:
    (heard,) = listen_to([path])
    return [reading for reading in heard.readings if isinstance(reading, Reading)]


@pytest.fixture(scope="module")
def plucks(tmp_path_factory: pytest.TempPathFactory) -> list[Plucked]:
    """Those that settle when nothing was done to them."""
    path = tmp_path_factory.mktemp("untouched") / "a.wav"
    found = []
    for name, sound, rate_hz in _sounds():
        soundfile.write(path, sound, rate_hz, subtype="FLOAT")
        found += [Plucked(name, sound, rate_hz, one) for one in read(path)]
    assert len(found) >= 6
    return found


def _sounds() -> list[tuple[str, Sound, int]]:
    if realset.folder() is None:
        guitar = VirtualInstrument(preset("six-string"), seed=9)
        quiet = np.zeros(24_000, np.float32)
        plucked = [(f"string {n}", guitar.pluck(n, 0, ring_s=2.5)) for n in range(1, 7)]
        return [(name, np.concatenate((quiet, p, quiet)), 48_000) for name, p in plucked]
    sounds = []
    for note in realset.notes():
        sound, rate_hz = soundfile.read(note.path, dtype="float32")
        quiet = np.zeros(rate_hz // 2, np.float32)
        sounds.append((note.path.name, np.append(sound, quiet), rate_hz))
    return sounds


@pytest.mark.parametrize("form", [AAC, AAC_16K, OPUS], ids=str)
def test_lossy_codecs(tmp_path: Path, plucks: list[Plucked], form: Form) -> None:
    for one in plucks:
        here = read(phone_files.write(tmp_path / "a", one.sound, one.rate_hz, form))
        if not here and one.reading.u_cents > _HARDLY_READ_CENTS:
            continue
        assert len(here) == 1, one.name
        apart = cents_between(here[0].pitch_hz, one.reading.pitch_hz)
        # A codec makes another draw of the noise: both readings err.
        assert abs(apart) < _WITHIN * math.hypot(here[0].u_cents, one.reading.u_cents), one.name


def ridden(sound: Sound, rate_hz: int) -> Sound:
    """As an automatic gain of 2:1 with a noise gate before it leaves it.

    At most 12 dB louder, turned down within 10 ms and up again within 300; shut 50 dB below full
    scale. The figures are usual ones, from memory.
    """
    open_ = _envelope(sound, rate_hz, 0.001, 0.1) > 10 ** (-50 / 20)
    width = round(0.01 * rate_hz)
    gated = sound * np.convolve(open_, np.ones(width) / width, "same")
    envelope = _envelope(gated, rate_hz, 0.01, 0.3)
    gain = np.clip(np.sqrt(0.15 / np.maximum(envelope, 1e-5)), 0.2, 4.0)
    return np.clip(gated * gain, -1.0, 1.0).astype(np.float32)


def compressed(sound: Sound, rate_hz: int) -> Sound:
    """As a compressor of 8:1 from 35 dB below full scale on leaves it, quick to turn down (5 ms)
    and slow to let go (200 ms), as one stands in the way of many a bass (figures from memory)."""
    sound = sound * 0.7 / np.abs(sound).max()
    over_db = 20.0 * np.log10(_envelope(sound, rate_hz, 0.005, 0.2) + 1e-9) + 35.0
    return (sound * 10.0 ** (-np.maximum(over_db, 0.0) * (1.0 - 1.0 / 8.0) / 20.0)).astype(
        "float32"
    )


def _envelope(sound: Sound, rate_hz: int, up_s: float, down_s: float) -> NDArray[np.float64]:
    """The level, which rises and falls by e in these times."""
    keep = {True: np.exp(-1.0 / (up_s * rate_hz)), False: np.exp(-1.0 / (down_s * rate_hz))}
    envelope, held = np.empty(len(sound)), 0.0
    for k, now in enumerate(np.abs(sound).tolist()):
        held = now + (held - now) * keep[now > held]
        envelope[k] = held
    return envelope


def test_automatic_gain_and_a_noise_gate(tmp_path: Path, plucks: list[Plucked]) -> None:
    """A note that is held too level is passed over, as a beep is, or rejected; of those that are
    read, the ± holds as many as it says, and beyond it lies what chance brings."""
    apart_u = []
    for one in plucks:
        path = phone_files.write(tmp_path / "a", ridden(one.sound, one.rate_hz), one.rate_hz, AAC)
        for reading in read(path):
            cents = cents_between(reading.pitch_hz, one.reading.pitch_hz)
            apart_u.append(abs(cents) / reading.u_cents)
    assert len(apart_u) >= 0.7 * len(plucks)
    assert np.mean(np.array(apart_u) < _WITHIN) >= 0.9
    assert max(apart_u) < 3.0


def test_a_compressor_makes_no_beep_of_a_string(tmp_path: Path, plucks: list[Plucked]) -> None:
    """The high partials still die before the low ones."""
    path, apart_u = tmp_path / "a.wav", []
    for one in plucks:
        soundfile.write(path, compressed(one.sound, one.rate_hz), one.rate_hz, subtype="FLOAT")
        for reading in read(path)[:1]:
            cents = cents_between(reading.pitch_hz, one.reading.pitch_hz)
            apart_u.append(abs(cents) / math.hypot(reading.u_cents, one.reading.u_cents))
    assert len(apart_u) >= 0.6 * len(plucks)  # 0.26 by their level alone
    assert max(apart_u) < _WITHIN
