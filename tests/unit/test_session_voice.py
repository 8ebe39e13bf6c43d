"""The system's voice, spoken by a program of that name that is made here: a tone for each letter.

That the real one is heard: tests/live.
"""

from __future__ import annotations

import sys
import time
import wave
from pathlib import Path

import numpy as np
import pytest

from pitchbench.errors import PitchbenchError
from pitchbench.session import voice as voice_module
from pitchbench.session.voice import Voice

#: Speaks its input into the file: a tenth of a second for each letter, after and before silence.
PROGRAM = """#!{python} -SE
import math, sys, time, wave
text = sys.stdin.read()
with open({log!r}, "a") as log:
    log.write(text + "\\n")
if text == "nothing":
    sys.exit(1)
if text == "slow":
    time.sleep(60)
count = 2205 * len(text)
tone = [round(3276 * math.sin(2 * math.pi * 440 * i / 22050)) for i in range(1, count)]
samples = [0] * 5000 + tone + [0] * 5000
with wave.open(sys.argv[sys.argv.index("-w") + 1], "wb") as file:
    file.setparams((1, 2, 22050, 0, "NONE", ""))
    file.writeframes(b"".join(s.to_bytes(2, "little", signed=True) for s in samples))
"""


@pytest.fixture
def spoken(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """Where the program writes down what it was given."""
    log, program = tmp_path / "spoken", tmp_path / "espeak-ng"
    program.write_text(PROGRAM.format(python=sys.executable, log=str(log)), encoding="utf-8")
    program.chmod(0o755)
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setenv("PATH", str(tmp_path))
    return log


def said(voice: Voice, text: str) -> np.ndarray:
    """What is spoken in the end."""
    until_s = time.monotonic() + 20.0
    while (sound := voice.speak(text)) is None:
        assert time.monotonic() < until_s
        time.sleep(0.01)
    return sound


def test_a_phrase_is_as_long_and_as_high_as_it_was_spoken_and_half_as_loud_as_can_be(
    spoken: Path,
) -> None:
    with Voice(48_000) as voice:
        assert voice.speak("three") is None, "it takes its time"
        sound = said(voice, "three")
    # Five letters of a tenth of a second, the silence about them cut off.
    assert len(sound) == pytest.approx(0.5 * 48_000, abs=5)
    assert np.abs(sound).max() == pytest.approx(0.5)
    spectrum = np.abs(np.fft.rfft(sound))
    assert np.argmax(spectrum) * 48_000 / len(sound) == pytest.approx(440.0, abs=1.0)
    assert sound.dtype == np.float32


def test_what_was_spoken_is_remembered_up_to_a_number(
    spoken: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(voice_module, "_REMEMBERED", 2)
    with Voice(8000) as voice:
        for text in ("a", "b", "a", "b", "c", "b", "a"):
            said(voice, text)
    assert spoken.read_text(encoding="utf-8").split() == ["a", "b", "c", "a"]


def test_a_hundred_phrases_are_remembered(spoken: Path) -> None:
    """Of five seconds each, at 48 kHz, they take a hundred megabytes."""
    with Voice(8000) as voice:
        voice._spoken |= {f"phrase {n}": np.ones(10, np.float32) for n in range(99)}
        said(voice, "a")
        assert voice.speak("phrase 0") is not None, "there was room for one more"
        said(voice, "b")
        assert len(voice._spoken) == 100
        assert "phrase 0" not in voice._spoken


def test_a_voice_that_fails_is_silent_and_asked_again(spoken: Path) -> None:
    with Voice(8000) as voice:
        assert len(said(voice, "nothing")) == 0
        assert len(said(voice, "nothing")) == 0
        assert len(said(voice, "a")) > 0
    assert spoken.read_text(encoding="utf-8").split() == ["nothing", "nothing", "a"]


def test_a_voice_that_takes_too_long_is_given_up(
    spoken: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(voice_module, "_PATIENCE_S", 0.3)
    began_s = time.monotonic()
    with Voice(8000) as voice:
        assert len(said(voice, "slow")) == 0
    assert 0.3 <= time.monotonic() - began_s < 10.0


def test_another_text_gives_the_one_before_up_and_nothing_is_left(spoken: Path) -> None:
    with Voice(8000) as voice:
        assert voice.speak("slow") is None
        assert len(said(voice, "a")) > 0
        folder = Path(voice._folder.name)
        assert voice.speak("slow") is None
        process = voice._at_work.process if voice._at_work else None
    assert not folder.exists()
    assert process is not None
    assert process.poll() is not None


def test_a_voice_that_is_there_no_more_is_silent(spoken: Path) -> None:
    with Voice(8000) as voice:
        (spoken.parent / "espeak-ng").unlink()
        assert len(said(voice, "a")) == 0


def test_a_system_without_a_voice_is_told_what_to_install(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(PitchbenchError, match="no voice") as failed:
        Voice(8000)
    assert "espeak-ng" in failed.value.remedy


@pytest.mark.parametrize(("system", "program"), [("darwin", "say"), ("win32", "powershell")])
def test_every_system_has_its_own_program(
    system: str, program: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "platform", system)
    command = voice_module._command(Path("it's.wav"))
    assert command[0] == program
    assert ("it''s.wav" in command[-1]) == (system == "win32"), "a quote within quotes"
    assert ("it's.wav" in command) == (system == "darwin")


def written(path: Path, samples: np.ndarray, *, channels: int = 1, width: int = 2) -> Path:
    with wave.open(str(path), "wb") as file:
        file.setparams((channels, width, 8000, 0, "NONE", ""))
        file.writeframes(samples.tobytes())
    return path


def test_of_two_channels_the_first_is_heard(tmp_path: Path) -> None:
    left = (1000 * np.sin(2 * np.pi * 0.05 * np.arange(1, 400))).astype("<i2")
    both = np.stack([left, np.full_like(left, 30_000)], axis=1)
    heard = voice_module._read(written(tmp_path / "both.wav", both, channels=2), 8000)
    alone = voice_module._read(written(tmp_path / "one.wav", left), 8000)
    assert heard == pytest.approx(alone)
    assert not (tmp_path / "both.wav").exists()


def test_a_file_that_holds_nothing_that_can_be_heard_is_silence(tmp_path: Path) -> None:
    for name, samples, width in (
        ("empty", np.empty(0, "<i2"), 2),
        ("silent", np.zeros(400, "<i2"), 2),
        ("bytes", np.full(400, 200, np.uint8), 1),
    ):
        path = written(tmp_path / f"{name}.wav", samples, width=width)
        assert len(voice_module._read(path, 8000)) == 0
    assert len(voice_module._read(tmp_path / "missing.wav", 8000)) == 0
    (tmp_path / "no.wav").write_bytes(b"no sound")
    assert len(voice_module._read(tmp_path / "no.wav", 8000)) == 0


def test_what_is_a_thousandth_as_loud_is_no_part_of_the_phrase(tmp_path: Path) -> None:
    samples = np.zeros(500, "<i2")
    samples[100:400], samples[60], samples[440] = 20_000, 19, 21
    heard = voice_module._read(written(tmp_path / "a.wav", samples), 8000)
    assert len(heard) == 441 - 100
