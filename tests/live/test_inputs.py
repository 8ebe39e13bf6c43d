"""``pitchbench inputs`` on a virtual device whose noise and hum are known."""

from __future__ import annotations

import math
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from documents import parsed
from guided_bench import PITCHBENCH, Session, room_noise
from virtual_mic import VirtualMic, virtual_mic

from pitchbench.presets import preset
from pitchbench.strings.virtual import VirtualInstrument
from pitchbench.units import cents_between

pytestmark = pytest.mark.live

RATE_HZ = 48_000


def pitchbench(env: dict[str, str], *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", "from pitchbench.commands import main; main()", *arguments],
        env=env,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def test_lists_the_inputs(vmic: VirtualMic) -> None:
    done = pitchbench(vmic.env, "inputs", "--format", "json")
    assert (done.returncode, done.stderr) == (0, "")
    document = parsed(done.stdout)
    assert document["schema"] == "pitchbench.inputs/1"
    assert document["check"] is None
    assert [device["name"] for device in document["inputs"] if device["default"]] == ["default"]
    text = pitchbench(vmic.env, "inputs").stdout
    assert len(text.splitlines()) == len(document["inputs"])


def test_check_finds_the_hum_and_the_floor_that_are_there(vmic: VirtualMic, tmp_path: Path) -> None:
    generator = np.random.default_rng(50)
    t = np.arange(40 * RATE_HZ) / RATE_HZ
    floor = 1e-3
    samples = floor * generator.standard_normal(len(t)) + 0.004 * np.sin(2 * np.pi * 60 * t)
    path = tmp_path / "hum.wav"
    soundfile.write(path, samples.astype(np.float32), RATE_HZ, subtype="FLOAT")
    playing = vmic.start_playing(path)
    try:
        done = pitchbench(vmic.env, "inputs", "--check", "--no-pluck", "--format", "json")
    finally:
        playing.terminate()
        playing.wait()
    assert done.returncode == 0, done.stderr
    check = parsed(done.stdout)["check"]
    assert check["pluck"] is None
    assert (check["condition"], check["mains_hz"], check["rate_hz"]) == ("hum", 60.0, RATE_HZ)
    # White noise of sd 1e-3 over 24 kHz, of which 20 to 5000 Hz count. 4 s of it, some 20000
    # independent values, scatter by 0.04 dB.
    expected_db = 20 * math.log10(floor) + 10 * math.log10(4980 / 24000)
    assert check["floor_dbfs"] == pytest.approx(expected_db, abs=0.2)
    assert check["hum_dbfs"] == pytest.approx(20 * math.log10(0.004 / math.sqrt(2)), abs=0.2)
    assert [line["frequency_hz"] for line in check["hum"]] == [60.0]
    # The bound scales with the noise: for ten times as much it is 1.745728e-2 cents
    # (docs/definitions.md, section 1).
    # The density near one note is known to 12 % from 4 s (60 bins of 1 Hz, 7 spectra).
    best = {entry["note"]: entry["u_cents"] for entry in check["best_precision"]}
    assert best["E2"] == pytest.approx(1.745728e-3, rel=0.15)


def test_one_pluck_is_asked_for_and_read(vmic: VirtualMic, tmp_path: Path) -> None:
    instrument = VirtualInstrument(preset("six-string"), seed=3)
    instrument.tune(6, 12.0)
    note = instrument.pluck(6, 0, ring_s=3.0)
    peak_dbfs = 20 * math.log10(np.abs(note).max())
    sound = instrument.room(90 * RATE_HZ)
    path = tmp_path / "room.wav"
    soundfile.write(path, sound, RATE_HZ, subtype="FLOAT")
    noise = vmic.start_playing(path)
    soundfile.write(tmp_path / "note.wav", note, RATE_HZ, subtype="FLOAT")
    checking = Session([*PITCHBENCH, "inputs", "--check", "--seconds", "2"], vmic.env)
    try:
        checking.wait_for("^Now pluck one string")
        vmic.play(tmp_path / "note.wav")
        heard = checking.wait_for("^pluck: E2, ")
        pitch = checking.wait_for("^pitch of the pluck: ")
        expected = checking.wait_for("^± to expect")
        assert checking.process.wait(20) == 0
    finally:
        checking.close()
        noise.kill()
        noise.wait()
    told = re.findall(r"[−-]?[\d.]+(?= Hz| dBFS| dB above)", heard)
    hz, dbfs, above_db = (float(number.replace("−", "-")) for number in told)
    off_cents = cents_between(hz, instrument.true_hz(6, 0))
    half_width = float(re.search(r"[\d.]+ cents", expected)[0].split()[0])  # type: ignore[index]
    # Hz are given to 0.01, which is 0.2 cents of an E2.
    assert abs(off_cents) < half_width + 0.15
    assert 0.0 < half_width < 1.0
    told = re.search(r"([\d.]+) ± [\d.]+ cents sharp of E2", pitch)
    assert told is not None, pitch
    assert float(told[1]) == pytest.approx(12.0, abs=half_width + 0.05)
    assert dbfs == pytest.approx(peak_dbfs, abs=0.5)
    assert above_db > 25.0


def test_without_a_pluck_it_says_so(vmic: VirtualMic, tmp_path: Path) -> None:
    path = tmp_path / "room.wav"
    soundfile.write(path, room_noise(60), RATE_HZ, subtype="FLOAT")
    noise = vmic.start_playing(path)
    try:
        done = pitchbench(vmic.env, "inputs", "--check", "--seconds", "2")
    finally:
        noise.kill()
        noise.wait()
    assert done.returncode == 0
    assert done.stdout.splitlines()[-1] == "pluck: none was heard"


@pytest.mark.parametrize("sounding", [True, False])
def test_a_pluck_that_was_not_asked_for_is_not_missed(
    vmic: VirtualMic, tmp_path: Path, sounding: bool
) -> None:
    path = tmp_path / "room.wav"
    soundfile.write(path, room_noise(60), RATE_HZ, subtype="FLOAT")
    noise = vmic.start_playing(path) if sounding else None
    try:
        # Without a sound none is asked for either.
        arguments = ["--no-pluck"] if sounding else []
        done = pitchbench(vmic.env, "inputs", "--check", "--seconds", "2", *arguments)
    finally:
        if noise is not None:
            noise.kill()
            noise.wait()
    assert done.returncode == (0 if sounding else 3)
    assert "result: " in done.stdout
    assert "pluck: " not in done.stdout


def test_silence_is_told_from_a_quiet_room(vmic: VirtualMic) -> None:
    done = pitchbench(vmic.env, "inputs", "--check", "--seconds", "2")
    assert done.returncode == 3
    assert "result: nothing is heard" in done.stdout
    assert "muted" in done.stdout


@pytest.mark.parametrize("sounding", [1, 2])
def test_the_channel_that_is_named_is_checked(tmp_path: Path, sounding: int) -> None:
    path = tmp_path / "stereo.wav"
    sound = np.zeros((60 * RATE_HZ, 2), np.float32)
    sound[:, sounding - 1] = room_noise(60)
    soundfile.write(path, sound, RATE_HZ, subtype="FLOAT")
    with virtual_mic(channels=2) as mic:
        playing = mic.start_playing(path)
        asked = ["--check", "--no-pluck", "--seconds", "2", "--channel", "2"]
        done = pitchbench(mic.env, "inputs", *asked)
        playing.kill()
        playing.wait()
    assert done.returncode == (0 if sounding == 2 else 3), done.stderr
    assert ("result: nothing is heard" in done.stdout) == (sounding == 1)


@pytest.mark.parametrize("wanted", ["no such thing", "99", "u"])
def test_an_unclear_device_is_answered_with_those_there_are(vmic: VirtualMic, wanted: str) -> None:
    done = pitchbench(vmic.env, "inputs", "--check", "--device", wanted)
    assert (done.returncode, done.stdout) == (4, "")
    what, remedy = done.stderr.splitlines()
    assert repr(wanted) in what
    assert "0 'pulse, ALSA'" in remedy
    assert "1 'default, ALSA'" in remedy


def test_without_any_input() -> None:
    env = {**os.environ, "PULSE_SERVER": "unix:/nowhere"}
    done = pitchbench(env, "inputs", "--check")
    assert (done.returncode, done.stdout) == (4, "")
    assert len(done.stderr.splitlines()) == 2
