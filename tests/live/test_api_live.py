"""``pb.listen`` through the real PortAudio, on a virtual device."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from virtual_mic import VirtualMic

from pitchbench.units import cents_between

pytestmark = pytest.mark.live

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "samples"
SHARP = "a2-open-and-12th-sharp.flac"
#: The block of the page that listens.
PROGRAM = re.findall(
    r"^```python\n(.*?)^```", (ROOT / "docs" / "python.md").read_text(encoding="utf-8"), re.M | re.S
)[-1]
#: Said once the microphone is closed; the process lives on, so that it is the iterator that let go.
AFTERWARDS = "print('closed', flush=True)\ninput()\n"


def true_pitches_hz() -> set[float]:
    truth = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))
    (sharp,) = (each for each in truth["recordings"] if each["file"] == SHARP)
    return {pluck["pitch_hz"] for pluck in sharp["plucks"]}


def listeners(vmic: VirtualMic) -> str:
    """Who listens to the microphone, as its server says."""
    words = ["pactl", "list", "short", "source-outputs"]
    return subprocess.run(words, env=vmic.env, capture_output=True, text=True, check=True).stdout


def test_live_readings_come_one_by_one_and_the_device_is_let_go(vmic: VirtualMic) -> None:
    program = subprocess.Popen(
        [sys.executable, "-c", PROGRAM + AFTERWARDS],
        env=vmic.env, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True,
    )  # fmt: skip
    with program:
        try:
            while not listeners(vmic):
                assert program.poll() is None, program.stderr.read()
            vmic.play(SAMPLES / SHARP)
            lines = [program.stdout.readline() for _ in range(4)]
            assert lines[-1] == "closed\n", lines
            assert program.poll() is None
            assert listeners(vmic) == ""
            program.communicate("\n", timeout=30)
            assert program.returncode == 0
        finally:
            program.kill()
    # Read from the file these plucks are within 0.03 cents; the stretch of the second partial
    # against the first is 0.17 cents.
    for line in lines[:3]:
        pitch_hz, u_cents = map(float, re.findall(r"\d+\.\d+", line))
        assert min(abs(cents_between(pitch_hz, true)) for true in true_pitches_hz()) < 0.15
        assert u_cents < 0.2


def test_no_such_input_is_told_when_it_is_opened(vmic: VirtualMic) -> None:
    code = """
import pitchbench as pb
readings = pb.listen("no such input")
try:
    next(readings)
except pb.DeviceError as error:
    print(error.what)
"""
    done = subprocess.run(
        [sys.executable, "-c", code], env=vmic.env, capture_output=True, text=True, check=True
    )
    assert done.stdout == "No input fits 'no such input'.\n"
