"""Recordings as a source: every format the same samples, whatever the block size."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.sound.gaps import Gap, gaps_path, note_gap
from pitchbench.sound.recording import Recording


def noise(frames: int, channels: int = 1, seed: int = 1) -> NDArray[np.float32]:
    generator = np.random.default_rng(seed)
    return generator.uniform(-0.9, 0.9, (frames, channels)).astype(np.float32)


def all_samples(recording: Recording) -> NDArray[np.float32]:
    """End to end, checking that each block begins where the one before ended."""
    position, parts = 0, []
    for block in recording.blocks():
        assert block.start == position
        assert block.rate_hz == recording.rate_hz
        assert block.samples.dtype == np.float32
        assert not block.gap
        position += len(block.samples)
        parts.append(block.samples)
    return np.concatenate(parts)


# The tolerance is half a step of the format's own resolution.
@pytest.mark.parametrize(
    ("suffix", "subtype", "step"),
    [
        ("wav", "PCM_U8", 2**-7),
        ("wav", "PCM_16", 2**-15),
        ("wav", "PCM_24", 2**-23),
        ("wav", "PCM_32", 2**-23),  # what float32 can hold
        ("wav", "FLOAT", 0.0),
        ("wav", "DOUBLE", 0.0),
        ("flac", "PCM_16", 2**-15),
        ("flac", "PCM_24", 2**-23),
        ("aiff", "PCM_24", 2**-23),
        ("w64", "FLOAT", 0.0),
    ],
)
@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 192_000])
def test_reads_what_was_written(
    tmp_path: Path, suffix: str, subtype: str, step: float, rate_hz: int
) -> None:
    samples = noise(10_000)
    path = tmp_path / f"a.{suffix}"
    soundfile.write(path, samples, rate_hz, subtype=subtype)
    recording = Recording(path)
    assert (recording.rate_hz, recording.name) == (rate_hz, path.name)
    # libsndfile scales by full scale less one step when it writes, so up to a whole step more.
    np.testing.assert_allclose(all_samples(recording), samples[:, 0], rtol=0, atol=1.5 * step)


def test_reads_lossy_vorbis_at_its_full_length(tmp_path: Path) -> None:
    t = np.arange(48_000) / 48_000
    tone = (0.5 * np.sin(2 * np.pi * 110 * t)).astype(np.float32)
    path = tmp_path / "a.ogg"
    soundfile.write(path, tone, 48_000)
    read = all_samples(Recording(path))
    assert len(read) == len(tone)
    assert np.corrcoef(read, tone)[0, 1] > 0.999


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    frames=st.integers(1, 3000),
    channels=st.integers(1, 6),
    block_size=st.integers(1, 4000),
    suffix=st.sampled_from(["wav", "flac"]),
    cut=st.integers(0, 2999),
    lost=st.integers(0, 500),
)
def test_the_samples_do_not_depend_on_the_block_size(
    tmp_path: Path, frames: int, channels: int, block_size: int, suffix: str, cut: int, lost: int
) -> None:
    path = tmp_path / f"a.{suffix}"
    soundfile.write(path, noise(frames, channels), 48_000, subtype="PCM_24")
    np.testing.assert_array_equal(
        all_samples(Recording(path, block_size=block_size)),
        all_samples(Recording(path, block_size=frames)),
    )
    # Nor where a gap lies, which always starts a new block.
    gaps_path(path).unlink(missing_ok=True)
    note_gap(path, Gap(cut, lost))
    whole, _ = soundfile.read(path, dtype="float32", always_2d=True)
    recording = Recording(path, block_size=block_size, channel=1)
    blocks = list(recording.blocks())
    gaps_path(path).unlink()
    for block in blocks:
        assert not block.start < cut < block.start + len(block.samples)
        np.testing.assert_array_equal(
            block.samples, whole[block.start : block.start + len(block.samples), 0]
        )
    heard = sum(len(block.samples) for block in blocks)
    assert heard == min(cut, frames) + max(0, frames - cut - lost)
    assert [b.start for b in blocks if b.gap] == ([cut + lost] if cut + lost < frames else [])


@pytest.mark.parametrize("other", ["silent", "inverted and softer", "offset"])
def test_a_useless_channel_is_passed_over(tmp_path: Path, other: str) -> None:
    good = noise(20_000)[:, 0] * np.float32(0.3)
    bad = {
        "silent": np.zeros_like(good),
        "inverted and softer": -0.9 * good,
        # A large offset has much energy and says nothing.
        "offset": np.full_like(good, 0.8),
    }[other]
    path = tmp_path / "a.wav"
    soundfile.write(path, np.column_stack([bad, good]), 48_000, subtype="FLOAT")
    recording = Recording(path)
    np.testing.assert_array_equal(all_samples(recording), good)
    assert recording.channel == 2


def test_the_asked_channel_is_taken_even_if_silent(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.column_stack([np.zeros(100), np.ones(100) / 2]), 48_000)
    assert not all_samples(Recording(path, channel=1)).any()
    assert all_samples(Recording(path, channel=2)).all()


def test_memory_does_not_grow_with_the_length(tmp_path: Path) -> None:
    path = tmp_path / "long.wav"
    with soundfile.SoundFile(path, "w", 48_000, 2, "PCM_16") as file:
        for _ in range(120):
            file.write(np.zeros((48_000, 2), np.int16))
    tracemalloc.start()
    try:
        count = sum(len(block.samples) for block in Recording(path).blocks())
        _, peak_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert count == 120 * 48_000
    assert peak_bytes < 4e6  # the samples as float32 would be 46 MB


@pytest.mark.parametrize("text", ["1", "a,b", "5,-1", "10,5\n12,1", "1,2,3", "-4,1", "ü"], ids=repr)
def test_a_spoiled_list_of_gaps_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, noise(100), 48_000)
    gaps_path(path).write_text(text, encoding="utf-8")
    with pytest.raises(PitchbenchError, match="not a list of gaps") as error:
        Recording(path)
    assert error.value.exit_code == ExitCode.USAGE
