"""The microphone through the real PortAudio, on a virtual device."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from virtual_mic import VirtualMic

from pitchbench.sound.level import LevelMeter
from pitchbench.sound.recording import Recording

pytestmark = pytest.mark.live

RATE_HZ = 48_000
CHILD = Path(__file__).with_name("listening_child.py")


class Child:
    """A running listener; ``wait_for`` reads its lines, ``result`` what it heard."""

    def __init__(self, process: subprocess.Popen[str], out: Path) -> None:
        self.process = process
        self.out = out
        self.lines: list[str] = []

    def wait_for(self, line: str) -> None:
        assert self.process.stdout is not None
        for text in self.process.stdout:
            self.lines.append(text.strip())
            if self.lines[-1] == line:
                return
        pytest.fail(f"{line!r} never came: {self.lines}, {self.stderr()}")

    def stderr(self) -> str:
        assert self.process.stderr is not None
        return self.process.stderr.read()

    def result(self) -> dict[str, NDArray[Any]]:
        assert self.process.wait(60) == 0, self.stderr()
        with np.load(self.out) as heard:
            return dict(heard)


@contextlib.contextmanager
def listening(env: dict[str, str], folder: Path, *options: str) -> Iterator[Child]:
    out = folder / "heard.npz"
    process = subprocess.Popen(
        [sys.executable, str(CHILD), str(out), *options],
        env=env,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield Child(process, out)
    finally:
        process.kill()
        process.wait()
        for stream in (process.stdout, process.stderr):
            if stream:
                stream.close()


@pytest.fixture
def noise(tmp_path: Path) -> tuple[Path, NDArray[np.float32]]:
    """Two seconds of noise, no sample of it zero, as a float file."""
    generator = np.random.default_rng(20)
    samples = generator.uniform(0.01, 0.5, 2 * RATE_HZ) * generator.choice([-1, 1], 2 * RATE_HZ)
    path = tmp_path / "noise.wav"
    soundfile.write(path, samples.astype(np.float32), RATE_HZ, subtype="FLOAT")
    return path, samples.astype(np.float32)


def on_time_line(heard: dict[str, NDArray[Any]]) -> NDArray[np.float32]:
    """The samples laid out by their index, NaN where some were lost."""
    end = int(heard["starts"][-1] + heard["sizes"][-1])
    line = np.full(end, np.nan, np.float32)
    position = 0
    for start, size in zip(heard["starts"], heard["sizes"], strict=True):
        line[start : start + size] = heard["samples"][position : position + size]
        position += size
    return line


def first_sound(line: NDArray[np.float32]) -> int:
    return int(np.flatnonzero(np.nan_to_num(line))[0])


@pytest.mark.parametrize("block_size", [64, 512, 4096])
def test_what_is_played_arrives_bit_for_bit(
    vmic: VirtualMic, tmp_path: Path, noise: tuple[Path, NDArray[np.float32]], block_size: int
) -> None:
    path, played = noise
    with listening(vmic.env, tmp_path, "--until-s=4", f"--block-size={block_size}") as child:
        child.wait_for("ready")
        vmic.play(path)
        heard = child.result()
    line = on_time_line(heard)
    begin = first_sound(line)
    assert not np.isnan(line).any()
    np.testing.assert_array_equal(line[begin : begin + len(played)], played)
    assert set(heard["sizes"]) == {block_size}


def test_a_lost_input_is_noticed_and_comes_back(
    vmic: VirtualMic, tmp_path: Path, noise: tuple[Path, NDArray[np.float32]]
) -> None:
    path, played = noise
    with listening(vmic.env, tmp_path, "--until-s=9") as child:
        child.wait_for("ready")
        vmic.remove_device()
        removed = time.monotonic()
        child.wait_for("lost")
        noticed_s = time.monotonic() - removed
        vmic.restore_device()
        child.wait_for("back")
        away_s = time.monotonic() - removed
        vmic.play(path)
        heard = child.result()
        errors = child.stderr()
    # The promise is a second; the stream goes inactive at once and is polled ten times a second.
    assert noticed_s < 1.0
    seam = int(np.flatnonzero(heard["gaps"])[-1])
    lost = heard["starts"][seam] - heard["starts"][seam - 1] - heard["sizes"][seam - 1]
    # The clock around the outage, read from outside, agrees: within the poll and two bursts.
    assert lost / RATE_HZ == pytest.approx(away_s, abs=0.5)
    line = on_time_line(heard)
    begin = first_sound(line)
    np.testing.assert_array_equal(line[begin : begin + len(played)], played)
    # What C code wrote to descriptor 2 went nowhere; what we said went through.
    assert errors.splitlines() == [
        "words to stderr while listening",
        "words to stderr while listening",
        "words to stderr afterwards",
    ]


def test_a_lost_input_is_found_under_its_new_number(vmic: VirtualMic, tmp_path: Path) -> None:
    """Something else was plugged in meanwhile, so PortAudio counts its inputs anew."""
    configuration = Path(vmic.env["HOME"], ".asoundrc")
    ours, other = "pcm.bench {{ type pulse }}\n", "pcm.another {{ type null }}\n"
    configuration.write_text(ours.format())
    with listening(vmic.env, tmp_path, "--until-s=4", "--device=bench, ALSA") as child:
        child.wait_for("ready")
        before = numbers(vmic.env)["bench"]
        vmic.remove_device()
        child.wait_for("lost")
        configuration.write_text(other.format() + ours.format())
        vmic.restore_device()
        child.wait_for("back")
        child.result()
    after = numbers(vmic.env)["bench"]
    assert after != before
    assert child.lines[-2] == f"number {after}"


def numbers(env: dict[str, str]) -> dict[str, int]:
    """What PortAudio calls each input, asked anew."""
    code = """
from pitchbench.sound.portaudio import list_inputs
for device in list_inputs():
    print(device.name, device.number)
"""
    done = subprocess.run(
        [sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True
    )
    return {name: int(number) for name, number in map(str.rsplit, done.stdout.splitlines())}


def test_a_slow_listener_loses_samples_but_not_the_time(
    vmic: VirtualMic, tmp_path: Path, noise: tuple[Path, NDArray[np.float32]]
) -> None:
    path, played = noise
    options = ("--until-s=4", "--queue-s=0.2", "--stall-at-s=1", "--stall-s=0.8")
    with listening(vmic.env, tmp_path, *options) as child:
        child.wait_for("ready")
        vmic.play(path)
        heard = child.result()
    line = on_time_line(heard)
    lost = np.isnan(line)
    assert lost.sum() > 0.3 * RATE_HZ  # 0.8 s stalled, 0.2 s of it kept
    holes = np.flatnonzero(np.diff(lost.astype(int)) == -1) + 1
    assert [heard["gaps"][list(heard["starts"]).index(start)] for start in holes] == [True] * len(
        holes
    )
    # Behind the hole every sample is still where it belongs.
    begin = first_sound(line)
    seen = line[begin : begin + len(played)]
    kept = ~np.isnan(seen)
    assert not kept.all()
    np.testing.assert_array_equal(seen[kept], played[kept])


def test_an_overflow_that_portaudio_reports_is_a_gap(jack: dict[str, str], tmp_path: Path) -> None:
    """The callback is kept waiting for longer than the server buffers, at 1 s."""
    options = ("--device=jack, ALSA", "--rate=32000", "--until-s=2.5")
    with listening(jack, tmp_path, *options, "--stall-at-s=1", "--stall-s=0.6", "--hold") as child:
        heard = child.result()
    # On a busy machine there may be others before it.
    seams_s = heard["starts"][heard["gaps"]] / 32_000
    assert any(0.9 < seam_s < 1.6 for seam_s in seams_s)


def test_a_refused_rate_falls_back(vmic: VirtualMic, tmp_path: Path) -> None:
    with listening(vmic.env, tmp_path, "--until-s=0.1", "--rate=5000000") as child:
        child.wait_for("rate 48000")
        child.result()


def test_seldom_blocks_are_no_lost_input(vmic: VirtualMic, tmp_path: Path) -> None:
    options = ("--until-s=4", "--rate=8000", "--block-size=8192")  # one block a second
    with listening(vmic.env, tmp_path, *options) as child:
        child.wait_for("rate 8000")
        heard = child.result()
        assert child.process.stdout is not None
        assert child.process.stdout.read().split() == ["ready"]
    assert not heard["gaps"].any()


def test_a_muted_input_is_known_by_its_zeros(
    vmic: VirtualMic, tmp_path: Path, noise: tuple[Path, NDArray[np.float32]]
) -> None:
    vmic.mute()
    with listening(vmic.env, tmp_path, "--until-s=3") as child:
        child.wait_for("ready")
        vmic.play(noise[0])
        heard = child.result()
    meter = LevelMeter(RATE_HZ)
    meter.feed(heard["samples"])
    assert meter.dead


def test_the_sound_server_is_restarted(
    vmic: VirtualMic, tmp_path: Path, noise: tuple[Path, NDArray[np.float32]]
) -> None:
    path, played = noise
    with listening(vmic.env, tmp_path, "--until-s=9") as child:
        child.wait_for("ready")
        vmic.stop_server()
        stopped = time.monotonic()
        child.wait_for("lost")
        assert time.monotonic() - stopped < 1.0
        vmic.start_server()
        child.wait_for("back")
        vmic.play(path)
        heard = child.result()
    line = on_time_line(heard)
    begin = first_sound(line)
    np.testing.assert_array_equal(line[begin : begin + len(played)], played)


@pytest.mark.parametrize("name", ["session.flac", "session.wav"])
def test_a_recorded_session_replays_exactly_gap_and_all(
    vmic: VirtualMic, tmp_path: Path, noise: tuple[Path, NDArray[np.float32]], name: str
) -> None:
    record = tmp_path / name
    with listening(vmic.env, tmp_path, "--until-s=8", f"--record={record}") as child:
        child.wait_for("ready")
        vmic.play(noise[0])
        vmic.remove_device()
        child.wait_for("lost")
        vmic.restore_device()
        child.wait_for("back")
        vmic.play(noise[0])
        heard = child.result()
    replayed = list(Recording(record).blocks())
    line = on_time_line(heard)
    assert np.isnan(line).any()
    for block in replayed:
        np.testing.assert_array_equal(
            block.samples, line[block.start : block.start + len(block.samples)]
        )
    assert sum(len(block.samples) for block in replayed) == len(heard["samples"])
    gaps_heard = heard["starts"][heard["gaps"]]
    assert [block.start for block in replayed if block.gap] == [
        start for start in gaps_heard if start > 0
    ]
