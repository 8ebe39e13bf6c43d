"""The system's own voice: text in, samples out.

Each system has a command that speaks into a sound file: espeak-ng on Linux, say on macOS,
System.Speech on Windows. Nothing is played here, so that whoever plays it knows when it sounds.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import time
import wave
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from pitchbench.errors import PitchbenchError

Sound = NDArray[np.float32]

#: Half of full scale: as loud as a person at the bench, whatever voice there is.
_PEAK: Final = 0.5

#: A voice that takes longer for a sentence is given up.
_PATIENCE_S: Final = 10.0

#: So many phrases are remembered: most are said again and again.
_REMEMBERED: Final = 100

_POWERSHELL: Final = (
    "Add-Type -AssemblyName System.Speech; "
    "$voice = New-Object System.Speech.Synthesis.SpeechSynthesizer; "
    "$voice.SetOutputToWaveFile($args[0]); "
    "$voice.Speak([Console]::In.ReadToEnd()); $voice.Dispose()"
)


def _command(path: Path) -> list[str] | None:
    """What speaks its standard input into the WAV file ``path``; None if there is no such thing."""
    if sys.platform == "darwin":
        words = ["say", "-o", str(path), "--file-format=WAVE", "--data-format=LEI16@22050", "-f-"]
    elif sys.platform == "win32":
        quoted = str(path).replace("'", "''")
        script = f"& {{ {_POWERSHELL} }} '{quoted}'"
        words = ["powershell", "-NoProfile", "-NonInteractive", "-Command", script]
    else:
        words = ["espeak-ng", "-v", "en", "-s", "165", "-w", str(path), "--stdin"]
    return words if shutil.which(words[0]) else None


@dataclass(frozen=True)
class _Work:
    """A text on its way into a file."""

    text: str
    path: Path
    process: subprocess.Popen[bytes]
    until_s: float


class Voice:
    """Speaks English into samples at ``rate_hz``; a context manager, since it keeps a folder.

    Raises
    ------
    PitchbenchError
        If the system has no voice.
    """

    def __init__(self, rate_hz: int) -> None:
        if _command(Path()) is None:
            raise PitchbenchError(
                "This system has no voice that pitchbench knows.",
                "On Debian or Ubuntu: apt install espeak-ng. On Fedora: dnf install espeak-ng. "
                "Or leave out --speak.",
            )
        self.rate_hz = rate_hz
        self._folder = tempfile.TemporaryDirectory(prefix="pitchbench-voice-")
        self._spoken: dict[str, Sound] = {}
        self._count = 0
        self._at_work: _Work | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._stop()
        self._folder.cleanup()

    def speak(self, text: str) -> Sound | None:
        """The samples of ``text``, shape (n,); None while they are being made: ask again.

        Asking for another text gives the one before up. Empty if the system's voice fails.
        """
        if text in self._spoken:
            return self._spoken[text]
        if self._at_work is None or self._at_work.text != text:
            self._stop()
            self._at_work = self._begin(text)
        work = self._at_work
        if work.process.poll() is None:
            if time.monotonic() < work.until_s:
                return None
            self._stop()
        self._at_work = None
        sound = _read(work.path, self.rate_hz)
        if len(self._spoken) >= _REMEMBERED:
            self._spoken.pop(next(iter(self._spoken)))
        self._spoken[text] = sound
        return sound

    def _begin(self, text: str) -> _Work:
        self._count += 1
        path = Path(self._folder.name) / f"{self._count}.wav"
        command: Sequence[str] = _command(path) or ["false"]
        process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,  # Ctrl-C is meant for us
        )
        assert process.stdin is not None
        try:
            process.stdin.write(text.encode())
            process.stdin.close()
        except OSError:  # it has ended already: what it made is read, or nothing
            pass
        return _Work(text, path, process, time.monotonic() + _PATIENCE_S)

    def _stop(self) -> None:
        if self._at_work is not None:
            self._at_work.process.kill()
            self._at_work.process.wait()
            self._at_work = None


def _read(path: Path, rate_hz: int) -> Sound:
    """A spoken file at ``rate_hz``, as loud as any other; empty if there is none."""
    try:
        with wave.open(str(path), "rb") as file:
            own_hz, width = file.getframerate(), file.getsampwidth()
            channels, frames = file.getnchannels(), file.readframes(file.getnframes())
        path.unlink()
    except (OSError, EOFError, wave.Error):
        return np.empty(0, np.float32)
    if width != 2 or not frames:
        return np.empty(0, np.float32)
    samples = np.frombuffer(frames, "<i2").reshape(-1, channels)[:, 0].astype(np.float64)
    there = np.flatnonzero(np.abs(samples) > 0.001 * np.abs(samples).max())
    samples = samples[there[0] : there[-1] + 1] if len(there) else samples[:0]
    if not len(samples):
        return np.empty(0, np.float32)
    # Band-limited, through the spectrum of the whole phrase: scipy takes half a second to load.
    resampled = np.fft.irfft(np.fft.rfft(samples), round(len(samples) * rate_hz / own_hz))
    return np.asarray(resampled * (_PEAK / np.abs(resampled).max()), np.float32)
