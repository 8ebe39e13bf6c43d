"""The microphone's parts that need no device; tests/live has the whole on a virtual one."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.sound.microphone import InputLostError, _Inbox, _same_input
from pitchbench.sound.portaudio import InputDevice, choose_input


def device(number: int, name: str, host_api: str = "ALSA", default: bool = False) -> InputDevice:
    return InputDevice(number, name, host_api, 2, 48_000, default)


INPUTS = (
    device(0, "Built-in Microphone"),
    device(2, "USB Audio", "MME"),
    device(3, "USB Audio", "WASAPI", default=True),
    device(5, "USB Audio 2", "WASAPI"),
)


@pytest.mark.parametrize(
    ("wanted", "number"),
    [
        (None, 3),
        (5, 5),
        ("0", 0),
        ("built-in microphone", 0),
        ("mic", 0),
        ("USB Audio 2", 5),
        ("audio 2", 5),
        # An exact name wins over a longer one that contains it.
        ("usb audio, wasapi", 3),
        ("MME", 2),
    ],
)
def test_an_input_is_found(wanted: str | int | None, number: int) -> None:
    assert choose_input(INPUTS, wanted).number == number


@pytest.mark.parametrize(
    ("wanted", "says", "offers"),
    [
        ("usb", "3 inputs fit 'usb'.", [2, 3, 5]),
        ("USB Audio", "2 inputs fit 'USB Audio'.", [2, 3]),
        ("guitar", "No input fits 'guitar'.", [0, 2, 3, 5]),
        (1, "No input fits 1.", [0, 2, 3, 5]),
        ("-1", "No input fits '-1'.", [0, 2, 3, 5]),
    ],
)
def test_an_unclear_input_is_answered_with_a_choice(
    wanted: str | int, says: str, offers: list[int]
) -> None:
    with pytest.raises(PitchbenchError) as error:
        choose_input(INPUTS, wanted)
    assert error.value.what == says
    choices = error.value.remedy.rstrip(".").split(": ")[1].split("; ")
    assert [int(choice.split()[0]) for choice in choices] == offers
    assert error.value.exit_code == ExitCode.AUDIO_DEVICE


def test_without_a_default_the_first_input_is_taken_and_without_any_none() -> None:
    assert choose_input(INPUTS[:2], None).number == 0
    with pytest.raises(PitchbenchError, match="no audio input"):
        choose_input((), None)


def test_a_lost_input_is_never_replaced_by_another_one() -> None:
    """Another one may hear another room, and would be read as if nothing had happened."""
    lost = device(7, "Clip-on", default=True)
    with pytest.raises(InputLostError, match="not there"):
        _same_input(INPUTS, lost)
    # Nor by one of the same name elsewhere, or by whatever has its number now.
    with pytest.raises(InputLostError, match="not there"):
        _same_input(INPUTS, device(3, "USB Audio", "ALSA"))
    assert _same_input(INPUTS, device(1, "USB Audio", "WASAPI")).number == 3


def test_a_number_longer_than_python_reads_is_no_input() -> None:
    with pytest.raises(PitchbenchError, match="No input fits"):
        choose_input(INPUTS, "2" * 5000)


# PortAudio's flags are stood in for here; tests/live/test_microphone.py has real ones.
FINE = SimpleNamespace(input_overflow=False)
OVERFLOW = SimpleNamespace(input_overflow=True)


def frames(value: float) -> np.ndarray:
    return np.full((4, 2), value, np.float32)


def drain(inbox: _Inbox) -> list[tuple[float, int, bool]]:
    items = [inbox.queue.get_nowait() for _ in range(inbox.queue.qsize())]
    return [(float(heard.samples[0]), heard.start, heard.gap) for heard in items]


def test_an_overflow_becomes_a_gap() -> None:
    inbox = _Inbox(0, 8)
    for value, status in ((1.0, FINE), (2.0, OVERFLOW), (3.0, FINE)):
        inbox.take(frames(value), 4, None, status)
    assert drain(inbox) == [(1.0, 0, False), (2.0, 4, True), (3.0, 8, False)]


def test_a_full_queue_never_waits_and_the_loss_is_counted() -> None:
    inbox = _Inbox(0, 8)
    for value in range(10):
        inbox.take(frames(value), 4, None, FINE)
    assert len(drain(inbox)) == 8
    inbox.take(frames(10.0), 4, None, FINE)
    inbox.take(frames(11.0), 4, None, FINE)
    assert drain(inbox) == [(10.0, 40, True), (11.0, 44, False)]


def test_an_overflow_in_a_lost_block_is_not_forgotten() -> None:
    inbox = _Inbox(0, 8)
    for value in range(8):
        inbox.take(frames(value), 4, None, FINE)
    inbox.take(frames(8.0), 4, None, OVERFLOW)
    drain(inbox)
    inbox.take(frames(9.0), 4, None, FINE)
    assert drain(inbox) == [(9.0, 36, True)]


def test_the_callback_copies_and_takes_its_channel() -> None:
    inbox = _Inbox(1, 8)
    buffer = np.array([[1.0, 2.0], [3.0, 4.0]], np.float32)
    inbox.take(buffer, 2, None, FINE)
    buffer[:] = 0.0
    samples = inbox.queue.get_nowait().samples
    np.testing.assert_array_equal(samples, [2.0, 4.0])


def child(code: str, **env: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, **env},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


STDERR = """
import os, sys
from pitchbench.sound.portaudio import own_stderr
before = sys.stderr
try:
    with own_stderr():
        os.write(2, b"from C code\\n")
        print("from Python", file=sys.stderr)
        {inside}
except Exception:
    print("caught", file=sys.stderr)
assert sys.stderr is before
os.write(2, b"from C code afterwards\\n")
"""


@pytest.mark.parametrize(
    ("inside", "said"), [("pass", []), ("raise ValueError", ["caught"])], ids=["left", "raised"]
)
def test_c_code_cannot_write_across_the_screen(inside: str, said: list[str]) -> None:
    done = child(STDERR.format(inside=inside))
    assert done.returncode == 0, done.stderr
    assert done.stderr.splitlines() == ["from Python", *said, "from C code afterwards"]


def test_no_descriptor_is_left_behind() -> None:
    done = child(
        """
import os
from pitchbench.sound.portaudio import own_stderr
before = len(os.listdir("/dev/fd"))
for _ in range(9):
    with own_stderr(), own_stderr():
        pass
assert len(os.listdir("/dev/fd")) == before
"""
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="the wheel for Windows brings PortAudio")
def test_a_missing_portaudio_is_explained(tmp_path: Path) -> None:
    # What sounddevice raises where the system library is missing; removing the library for real
    # would disturb everything else on this machine.
    (tmp_path / "sounddevice.py").write_text("raise OSError('PortAudio library not found')\n")
    code = "from pitchbench.commands import main; main(['inputs'])"
    done = child(code, PYTHONPATH=os.pathsep.join([str(tmp_path), os.environ["PYTHONPATH"]]))
    assert done.returncode == ExitCode.AUDIO_DEVICE
    assert done.stdout == ""
    what, remedy = done.stderr.splitlines()
    assert "PortAudio" in what
    assert "apt install libportaudio2" in remedy
    assert "dnf install portaudio" in remedy
