"""A recorder's file replays to exactly what was handed on, whatever happened meanwhile."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.sound.gaps import gaps_path
from pitchbench.sound.microphone import InputLostError
from pitchbench.sound.recorder import Recorder, encoded
from pitchbench.sound.recording import Recording
from pitchbench.sound.source import Block

RATE_HZ = 48_000


class Blocks:
    """A source that yields given blocks; an exception among them is raised."""

    name = "given blocks"
    rate_hz = RATE_HZ

    def __init__(self, *blocks: Block | Exception) -> None:
        self._blocks = iter(blocks)

    def blocks(self) -> Iterator[Block]:
        for block in self._blocks:
            if isinstance(block, Exception):
                raise block
            yield block


def block(start: int, length: int = 480, *, gap: bool = False) -> Block:
    samples = np.random.default_rng(start).uniform(-1.0, 1.0, length).astype(np.float32)
    return Block(samples, start, RATE_HZ, gap)


def same(one: list[Block], other: list[Block]) -> None:
    """The same samples and seams on the same time line; block boundaries apart."""
    np.testing.assert_array_equal(
        np.concatenate([b.samples for b in one]), np.concatenate([b.samples for b in other])
    )
    assert [b.start for b in one if b.gap] == [b.start for b in other if b.gap]
    assert one[-1].start + len(one[-1].samples) == other[-1].start + len(other[-1].samples)


@pytest.mark.parametrize("name", ["a.flac", "a.wav", "A.WAV"])
def test_replays_what_was_handed_on(tmp_path: Path, name: str) -> None:
    heard = list(Recorder(Blocks(block(0), block(480), block(960, 17)), tmp_path / name).blocks())
    same(heard, list(Recording(tmp_path / name).blocks()))
    assert not gaps_path(tmp_path / name).exists()


@settings(max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    samples=arrays(
        np.float32, st.integers(1, 200), elements=st.floats(-2.0, 2.0, width=32, allow_nan=False)
    )
)
def test_every_float_survives(tmp_path: Path, samples: np.ndarray) -> None:
    given_block = Block(samples, 0, RATE_HZ)
    for name in ("a.flac", "a.wav"):
        (tmp_path / name).unlink(missing_ok=True)
        (heard,) = Recorder(Blocks(given_block), tmp_path / name).blocks()
        (replayed,) = Recording(tmp_path / name).blocks()
        np.testing.assert_array_equal(heard.samples, replayed.samples)
        # A float file changes nothing; 24 bits round by half a step and stop at full scale.
        limited = np.clip(samples, -1.0, 1.0 - 2**-23)
        expected, tolerance = (samples, 0.0) if name == "a.wav" else (limited, 2**-24)
        np.testing.assert_allclose(heard.samples, expected, rtol=0.0, atol=tolerance)


@pytest.mark.parametrize("name", ["a.flac", "a.wav"])
def test_gaps_keep_their_time_and_are_known_again(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    # The first block opens the file; then 520 samples and later an unknown number are lost.
    source = Blocks(
        block(1_000, gap=True), block(2_000, gap=True), block(2_480, gap=True), block(2_960)
    )
    heard = list(Recorder(source, path).blocks())
    replayed = list(Recording(path).blocks())
    # The file begins with the first block, so a replay counts from there.
    assert [(b.start, b.gap) for b in replayed] == [(0, False), (1_000, True), (1_480, True)]
    np.testing.assert_array_equal(
        np.concatenate([b.samples for b in replayed]), np.concatenate([b.samples for b in heard])
    )
    samples, _ = soundfile.read(path, dtype="float32")
    assert len(samples) == 2_440
    assert not samples[480:1_000].any()


def test_a_lost_input_goes_on_in_the_same_file(tmp_path: Path) -> None:
    source = Blocks(block(0), InputLostError("it", "unplugged"), block(48_000, gap=True))
    path = tmp_path / "a.flac"
    with Recorder(source, path) as recorder:
        heard = []
        with pytest.raises(InputLostError):
            heard.extend(recorder.blocks())
        heard.extend(recorder.blocks())
    replayed = list(Recording(path).blocks())
    assert [(b.start, b.gap) for b in replayed] == [(0, False), (48_000, True)]


def stops_early(recorder: Recorder) -> None:
    blocks = recorder.blocks()
    next(blocks)
    blocks.close()  # type: ignore[attr-defined]


def breaks(recorder: Recorder) -> None:
    with pytest.raises(RuntimeError):
        list(recorder.blocks())


def loses_its_input(recorder: Recorder) -> None:
    with pytest.raises(InputLostError), recorder:
        list(recorder.blocks())


@pytest.mark.parametrize(
    ("way_out", "second"),
    [
        (stops_early, block(480)),
        (breaks, RuntimeError("broken")),
        (loses_its_input, InputLostError("it", "unplugged")),
    ],
)
def test_the_file_is_whole_on_every_way_out(
    tmp_path: Path, way_out: Callable[[Recorder], None], second: Block | Exception
) -> None:
    path = tmp_path / "a.flac"
    recorder = Recorder(Blocks(block(0), second), path)
    way_out(recorder)
    samples, rate_hz = soundfile.read(path)
    assert (len(samples), rate_hz) == (480, RATE_HZ)
    assert soundfile.info(path).subtype == "PCM_24"
    with pytest.raises(PitchbenchError, match="is finished"):
        list(Recorder.blocks(_again(recorder)))


def _again(recorder: Recorder) -> Recorder:
    recorder.source = Blocks(block(0))
    return recorder


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    path.write_text("dear to somebody")
    with pytest.raises(PitchbenchError, match="exists already"):
        Recorder(Blocks(block(0)), path)
    assert path.read_text() == "dear to somebody"


@pytest.mark.parametrize("name", ["a.mp3", "a.ogg", "a.aiff", "a"])
def test_a_name_that_promises_another_kind_of_sound_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(PitchbenchError) as error:
        Recorder(Blocks(block(0)), tmp_path / name)
    assert f"{str(tmp_path / name)!r} ends in nothing" in error.value.what
    assert ".flac or .wav" in error.value.remedy
    assert not (tmp_path / name).exists()


def test_an_old_list_of_gaps_does_not_spoil_a_new_recording(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    list(Recorder(Blocks(block(0), block(960, gap=True)), path).blocks())
    assert gaps_path(path).read_text() == "480,480\n"
    path.unlink()
    list(Recorder(Blocks(block(0), block(480)), path).blocks())
    assert [b.gap for b in Recording(path).blocks()] == [False]


@pytest.mark.parametrize("where", ["missing/a.flac", "a.flac/a.flac"])
def test_a_place_that_cannot_be_written(tmp_path: Path, where: str) -> None:
    (tmp_path / "a.flac").touch()
    with pytest.raises(PitchbenchError) as error:
        Recorder(Blocks(block(0)), tmp_path / where)
    assert error.value.exit_code == ExitCode.RECORDS


@pytest.mark.parametrize("name", ["a.flac", "a.wav"])
def test_what_is_written_at_once_is_what_a_recorder_writes(tmp_path: Path, name: str) -> None:
    list(Recorder(Blocks(block(0)), tmp_path / name).blocks())
    at_once = tmp_path / f"at-once-{name}"
    at_once.write_bytes(encoded(block(0).samples, RATE_HZ, at_once))
    same(list(Recording(tmp_path / name).blocks()), list(Recording(at_once).blocks()))
    assert soundfile.info(at_once).subtype == soundfile.info(tmp_path / name).subtype
