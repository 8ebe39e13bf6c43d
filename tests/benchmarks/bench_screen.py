"""What the screen costs: first screen, CPU, bytes to the terminal, sound to screen.

    python tests/benchmarks/bench_screen.py

starts `pitchbench session` in a pseudo-terminal on a virtual sound device and plucks a virtual
string into it. A second program listens to the same device with the smallest blocks and notes when
each pluck arrives; the latency given is the screen's time minus that, so that the device's own way
is not counted. The numbers in docs/screens.md come from here.
"""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import statistics
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parents[1] / "live"))

from virtual_mic import VirtualMic, virtual_mic

from pitchbench.presets import preset
from pitchbench.strings.virtual import VirtualInstrument

RATE_HZ = 48_000
PLUCKS = 12
RING_S = 3.0

#: Prints the monotonic clock, which all programs share, at each rise above the room's noise.
REFERENCE = """
import sys, time
import numpy as np, sounddevice
quiet_since = 0.0
def callback(samples, frames, when, status):
    global quiet_since
    now = time.monotonic()
    if np.abs(samples).max() > 0.02:
        if now - quiet_since > 0.3:
            print(now, flush=True)
        quiet_since = now
with sounddevice.InputStream(samplerate=48000, channels=1, blocksize=256, callback=callback):
    time.sleep(3600)
"""


class Screen:
    """A program in a pseudo-terminal; keeps what it writes and when."""

    def __init__(self, command: list[str], env: dict[str, str], columns: int, lines: int) -> None:
        self.began = time.monotonic()
        self.pid, self._terminal = pty.fork()
        if self.pid == 0:
            os.execvpe(command[0], command, {**env, "TERM": "xterm-256color"})
        size = struct.pack("HHHH", lines, columns, 0, 0)
        fcntl.ioctl(self._terminal, termios.TIOCSWINSZ, size)
        self.written: list[tuple[float, bytes]] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        while True:
            if not select.select([self._terminal], [], [], 1.0)[0]:
                continue
            try:
                data = os.read(self._terminal, 65536)
            except OSError:
                return
            self.written.append((time.monotonic(), data))

    def first(self, after_s: float, words: bytes = b"") -> float | None:
        """When something that holds ``words`` was first written after ``after_s``."""
        return next((t for t, data in self.written if t > after_s and words in data), None)

    def bytes_between(self, start_s: float, end_s: float) -> int:
        return sum(len(data) for t, data in self.written if start_s <= t < end_s)

    def cpu_s(self) -> float:
        fields = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def end(self) -> None:
        os.kill(self.pid, 15)
        os.waitpid(self.pid, 0)


def note_file(instrument: VirtualInstrument, folder: Path) -> Path:
    sound = instrument.pluck(6, 0, ring_s=RING_S)
    path = folder / "note.wav"
    soundfile.write(path, sound, RATE_HZ, subtype="FLOAT")
    return path


def measure(vmic: VirtualMic, folder: Path, columns: int, lines: int) -> dict[str, str]:
    instrument = VirtualInstrument(preset("six-string"), seed=3)
    instrument.tune(6, 0.3)
    room = folder / "room.wav"
    soundfile.write(room, instrument.room(180 * RATE_HZ), RATE_HZ, subtype="FLOAT")
    noise = vmic.start_playing(room)
    reference = subprocess.Popen(
        [sys.executable, "-c", REFERENCE], env=vmic.env, stdout=subprocess.PIPE, text=True
    )
    command = [sys.executable, "-c", "from pitchbench.commands import main; main()", "session"]
    screen = Screen([*command, "--no-keep"], vmic.env, columns, lines)
    try:
        time.sleep(6.0)
        shown = screen.first(screen.began, b"tolerance")
        assert shown is not None
        idle_from, idle_cpu = time.monotonic(), screen.cpu_s()
        time.sleep(5.0)
        idle_to, idle_cpu = time.monotonic(), screen.cpu_s() - idle_cpu
        ringing = []
        for _ in range(PLUCKS):
            cpu, start = screen.cpu_s(), time.monotonic()
            vmic.play(note_file(instrument, folder))
            end = time.monotonic()
            ringing.append((start, end, screen.cpu_s() - cpu))
            time.sleep(1.5)
    finally:
        screen.end()
        reference.kill()
        noise.kill()
    assert reference.stdout is not None
    arrived = [float(line) for line in reference.stdout.read().split()]
    answered, pitched, per_s, cpu_share = [], [], [], []
    for start, end, cpu in ringing:
        came = next((t for t in arrived if start <= t <= end), None)
        if came is None:
            continue
        answered.append(1e3 * ((screen.first(came) or np.nan) - came))
        pitched.append(1e3 * ((screen.first(came, b"live") or np.nan) - came))
        per_s.append(screen.bytes_between(came, came + RING_S) / RING_S)
        cpu_share.append(100 * cpu / (end - start))
    return {
        "first screen, s": f"{shown - screen.began:.2f}",
        "idle: bytes/s": f"{screen.bytes_between(idle_from, idle_to) / (idle_to - idle_from):.0f}",
        "idle: CPU, % of a core": f"{100 * idle_cpu / (idle_to - idle_from):.1f}",
        "ringing: bytes/s, median": f"{statistics.median(per_s):.0f}",
        "ringing: CPU, % of a core": f"{statistics.median(cpu_share):.0f}",
        "sound to screen, ms, median (most)": f"{np.nanmedian(answered):.0f} ({max(answered):.0f})",
        "sound to pitch, ms, median (most)": f"{np.nanmedian(pitched):.0f} ({max(pitched):.0f})",
        "plucks": str(len(per_s)),
    }


def main() -> None:
    sizes = [(80, 24), (120, 40)]
    columns = []
    for size in sizes:
        with tempfile.TemporaryDirectory() as folder, virtual_mic() as vmic:
            columns.append(measure(vmic, Path(folder), *size))
    names = [re.sub(r"x", " x ", f"{w}x{h}") for w, h in sizes]
    print("| | " + " | ".join(names) + " |\n|---|" + "---|" * len(names))
    for row in columns[0]:
        print(f"| {row} | " + " | ".join(column[row] for column in columns) + " |")


if __name__ == "__main__":
    main()
