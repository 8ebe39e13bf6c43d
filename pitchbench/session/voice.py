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

_SILENCE: Final[Sound] = np.empty(0, np.float32)

#: So many phrases are remembered: most are said again and again.
_REMEMBERED: Final = 100

_POWERSHELL: Final = (
    "Add-Type -AssemblyName System.Speech; "
    "$voice = New-Object System.Speech.Synthesis.SpeechSynthesizer; "
    "$voice.SetOutputToWaveFile($args[0]); "
    "$voice.Speak([Console]::In.ReadToEnd()); $voice.Dispose()"
)


def _command(path: Path) -> list[str]:
    """What speaks its standard input into the WAV file ``path``."""
    if sys.platform == "darwin":
        return ["say", "-o", str(path), "--file-format=WAVE", "--data-format=LEI16@22050", "-f-"]
    if sys.platform == "win32":
        quoted = str(path).replace("'", "''")
        script = f"& {{ {_POWERSHELL} }} '{quoted}'"
        return ["powershell", "-NoProfile", "-NonInteractive", "-Command", script]
    return ["espeak-ng", "-v", "en", "-s", "165", "-w", str(path), "--stdin"]


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
        if shutil.which(_command(Path())[0]) is None:
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

        Asking for another text gives the one before up. Empty if the system's voice fails, which
        says nothing of the next time.
        """
        if text in self._spoken:
            return self._spoken[text]
        if self._at_work is None or self._at_work.text != text:
            self._stop()
            try:
                self._at_work = self._begin(text)
            except OSError:  # the program is there no more, or cannot be started
                return _SILENCE
        work = self._at_work
        if work.process.poll() is None:
            if time.monotonic() < work.until_s:
                return None
            self._stop()
        self._at_work = None
        sound = _read(work.path, self.rate_hz)
        if not len(sound):
            return _SILENCE
        if len(self._spoken) >= _REMEMBERED:
            self._spoken.pop(next(iter(self._spoken)))
        self._spoken[text] = sound
        return sound

    def _begin(self, text: str) -> _Work:
        self._count += 1
        path = Path(self._folder.name) / f"{self._count}.wav"
        process = subprocess.Popen(
            _command(path),
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
        return _SILENCE
    if width != 2 or not frames:
        return _SILENCE
    samples = np.frombuffer(frames, "<i2").reshape(-1, channels)[:, 0].astype(np.float64)
    there = np.flatnonzero(np.abs(samples) > 0.001 * np.abs(samples).max())
    samples = samples[there[0] : there[-1] + 1] if len(there) else samples[:0]
    if not len(samples):
        return _SILENCE
    # Band-limited, through the spectrum of the whole phrase: scipy takes half a second to load.
    resampled = np.fft.irfft(np.fft.rfft(samples), round(len(samples) * rate_hz / own_hz))
    return np.asarray(resampled * (_PEAK / np.abs(resampled).max()), np.float32)
