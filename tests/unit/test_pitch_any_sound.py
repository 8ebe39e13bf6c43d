"""Whatever stretch of sound is given, the reading answers with finite numbers or says why not.

Pieces of samples/ (invented sound), cut, spoilt and handed over with a note to be expected that
need not be theirs: no tolerance is needed, since nothing is compared.
"""

from __future__ import annotations

import dataclasses
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
from string_sound import cents, note

from pitchbench.pitch.follow import follow
from pitchbench.pitch.glide import glides_of
from pitchbench.pitch.listener import Listener, ReadingReady
from pitchbench.pitch.note import find_partials
from pitchbench.pitch.partials import Demodulator
from pitchbench.pitch.reading import Pluck, Reading, Rejected, read_pluck
from pitchbench.sound.source import Block

RATE_HZ = 48_000
SAMPLES = sorted(Path("samples").glob("*.flac"))
NOTHING = np.empty(0, dtype=np.float32)


@cache
def sample(path):
    sound, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
    return sound[:, 0], rate_hz


def spoilt(sound, rng):
    """One thing that happens to sound, or nothing."""
    loudest = float(np.abs(sound).max()) + 1e-9
    match rng.integers(6):
        case 0:
            return sound + rng.normal(0.0, 0.1 * loudest, sound.size)
        case 1:
            other, _ = sample(SAMPLES[rng.integers(len(SAMPLES))])
            return sound + rng.uniform(0.01, 3.0) * np.resize(other, sound.size)
        case 2:
            return np.clip(sound, -0.3 * loudest, 0.3 * loudest)
        case 3:
            return np.where(np.arange(sound.size) < rng.integers(sound.size), sound, 0.0)
        case 4:
            steps = rng.integers(1, 40)
            return np.round(sound * steps) / steps
    return sound


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("seed", range(40))
def test_any_stretch_of_any_sound_is_answered(seed):
    rng = np.random.default_rng(seed)
    for _ in range(10):
        sound, rate_hz = sample(SAMPLES[rng.integers(len(SAMPLES))])
        length = round(rng.uniform(0.15, 5.0) * rate_hz)
        first = int(rng.integers(max(1, sound.size - length)))
        piece = spoilt(sound[first : first + length], rng).astype(np.float32)
        hint = None if rng.random() < 0.3 else float(np.exp(rng.uniform(np.log(25), np.log(1400))))
        before = sound[: rate_hz // 2] if rng.random() < 0.5 else NOTHING
        answer = read_pluck(Pluck(piece, rate_hz, 1.0, before, note_hz=hint))
        assert answer is None or isinstance(answer, Reading | Rejected)
        if isinstance(answer, Reading):
            numbers = [x for x in dataclasses.astuple(answer) if isinstance(x, float)]
            assert np.isfinite(numbers).all()


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("rings_s", [0.6, 0.9, 1.3])
def test_a_ring_cut_to_digital_silence_is_answered(rings_s):
    """As a noise gate does; the silence has no noise at all by which the phases could be judged."""
    sound = note(86.0, ring_s=4.5, noise=0.0)[round(0.7 * RATE_HZ) :]
    sound[round(rings_s * RATE_HZ) :] = 0.0
    for hint in (None, 86.0, 43.0):
        answer = read_pluck(Pluck(sound, RATE_HZ, 0.7, NOTHING, note_hz=hint))
        assert answer is None or isinstance(answer, Reading | Rejected)


@pytest.mark.parametrize("zero", [0.05, 0.3])
def test_an_input_that_is_off_zero_hears_the_same(zero):
    """As of a cheap interface whose capacitors are dry; the sound here is 0.1 at its loudest."""
    sound = 0.15 * note(110.0)
    heard = []
    for samples in (sound, sound + np.float32(zero)):
        listener = Listener(RATE_HZ)
        events = [*listener.feed(Block(samples, 0, RATE_HZ)), *listener.finish()]
        heard += [e.reading for e in events if isinstance(e, ReadingReady)]
    as_it_is, off_zero = heard
    assert isinstance(off_zero, Reading)
    assert abs(cents(off_zero.pitch_hz, as_it_is.pitch_hz)) < 0.02
    assert off_zero.snr_db == pytest.approx(as_it_is.snr_db, abs=0.5)


def test_the_glide_to_be_expected_of_high_partials_alone():
    """None of those is heard that hold the string's energy: then each may hold as much."""
    amplitudes = (*[0.0] * 12, 0.1)
    sound = note(44.0, amplitudes=amplitudes)[round(0.7 * RATE_HZ) :]
    demodulator = Demodulator(sound, RATE_HZ, 44.0)
    bands = demodulator.bands(np.array([13]), 44.0, 1e-4, 7.0)
    glides = glides_of(bands, follow(demodulator, bands, None))
    assert np.isfinite(glides.mix).all()
    t = np.linspace(0.0, 3.0, 50)
    assert np.isfinite(glides.integral(t)).all()


def test_three_lines_on_a_comb_of_fifteen_are_no_string():
    """Partials 2, 3 and 5 of an F#3, the tracker drawn down to 51 Hz by hum: with a stiffness that
    no bass has they are 7, 10 and 15 of a string of 50 Hz, of which nothing else is heard."""
    rate_hz = 44100
    t = np.arange(3 * rate_hz) / rate_hz
    lines = sum(np.exp(-t / 2.0) * np.sin(2.0 * np.pi * hz * t) for hz in (370.5, 555.4, 925.9))
    noise = np.random.default_rng(1).normal(0.0, 1e-3, t.size)
    sound = (0.1 * lines + noise).astype(np.float32)
    assert find_partials(sound, rate_hz, 51.44) is None
    found = find_partials(sound, rate_hz, 185.0)
    assert found is not None
    assert found.number.tolist() == [2, 3, 5]
