"""A virtual microphone: a private PulseAudio with one null sink, whose monitor is what is heard.

No sound card, kernel module or running sound server is needed. PortAudio reads its environment
when it starts, so whatever listens must be a child process started with ``VirtualMic.env``.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from ctypes.util import find_library
from pathlib import Path

# norewinds=1: without it the first callbacks come almost 2 s late. float32le at the file's own
# rate passes samples through bit for bit.
SINK = (
    "module-null-sink sink_name=cable rate={rate} channels={channels} format=float32le norewinds=1"
)
SCRIPT = """\
load-module module-native-protocol-unix auth-anonymous=1
load-module {sink}
set-default-sink cable
set-default-source cable.monitor
"""
START_S = 15.0


class VirtualMic:
    """The running server. ``env`` is the environment for programs that are to hear it."""

    def __init__(self, folder: Path, sink: str) -> None:
        run, home = folder / "run", folder / "home"
        for directory in (run, home):
            directory.mkdir(mode=0o700)
        (folder / "pa.pa").write_text(SCRIPT.format(sink=sink))
        self.env = _environment(run, home)
        self._folder = folder
        self._sink = sink
        self._server: subprocess.Popen[bytes] | None = None

    def play(self, path: Path) -> None:
        """Play a sound file into the microphone; returns when it has been played."""
        command = ["paplay", "--device=cable", str(path)]
        subprocess.run(command, env=self.env, check=True, timeout=120)

    def start_playing(self, path: Path, sink: str = "cable") -> subprocess.Popen[bytes]:
        """Play a sound file into the microphone, or another input, without waiting for its end."""
        return subprocess.Popen(["paplay", f"--device={sink}", str(path)], env=self.env)

    def add_input(self, name: str) -> None:
        """Plug in another input, which what starts from now on knows by ``name``."""
        self._pactl("load-module", *self._sink.replace("=cable", f"={name}").split())
        entry = f'type pulse\n device "{name}.monitor"\n hint {{ show on description "{name}" }}'
        with Path(self.env["HOME"], ".asoundrc").open("a", encoding="ascii") as file:
            file.write(f"pcm.{name} {{\n {entry}\n}}\n")

    def add_loudspeaker(self, level_db: float) -> None:
        """Let programs play to a loudspeaker that the microphone hears, so much quieter."""
        self._pactl("load-module", *self._sink.replace("=cable", "=speaker").split())
        self._pactl("set-default-sink", "speaker")
        way = ("source=speaker.monitor", "sink=cable", "latency_msec=20")
        self._pactl("load-module", "module-loopback", *way, "source_dont_move=1")
        listed = subprocess.run(
            ["pactl", "list", "short", "sink-inputs"],
            env=self.env, capture_output=True, text=True, check=True,
        )  # fmt: skip
        number = next(line.split()[0] for line in listed.stdout.splitlines() if "loopback" in line)
        self._pactl("set-sink-input-volume", number, f"{level_db}dB")

    def remove_device(self) -> None:
        """Unplug it."""
        self._pactl("unload-module", "module-null-sink")

    def restore_device(self) -> None:
        """Plug it in again."""
        self._pactl("load-module", *self._sink.split())
        self._pactl("set-default-sink", "cable")
        self._pactl("set-default-source", "cable.monitor")

    def mute(self, muted: bool = True) -> None:
        """Mute the input: it goes on calling back, with zeros."""
        self._pactl("set-source-mute", "cable.monitor", "1" if muted else "0")

    @property
    def server_pid(self) -> int:
        """The running sound server's process."""
        assert self._server is not None
        return self._server.pid

    def start_server(self) -> None:
        """Start the sound server, the microphone plugged in; returns when it is up."""
        log = self._folder / "pa.log"
        with log.open("wb") as output:
            self._server = subprocess.Popen(
                _command(self._folder), env=self.env, stdout=output, stderr=output
            )
        end = time.monotonic() + START_S
        while self._server.poll() is None and time.monotonic() < end:
            info = subprocess.run(
                ["pactl", "info"], env=self.env, capture_output=True, text=True, check=False
            )
            if info.returncode == 0 and "cable.monitor" in info.stdout:
                return
            time.sleep(0.05)
        raise RuntimeError(f"pulseaudio did not come up: {log.read_text()}")

    def stop_server(self) -> None:
        """End the sound server, if it runs."""
        if self._server is None:
            return
        self._server.terminate()
        try:
            self._server.wait(5)
        except subprocess.TimeoutExpired:
            self._server.kill()
            self._server.wait()
        self._server = None

    def _pactl(self, *arguments: str) -> None:
        subprocess.run(["pactl", *arguments], env=self.env, check=True, stdout=subprocess.DEVNULL)


def missing() -> str | None:
    """What is not installed that a session with the virtual microphone needs, or None."""
    programs = ("pulseaudio", "pactl", "paplay", "tmux")
    lacking = [name for name in programs if not shutil.which(name)]
    if find_library("portaudio") is None:
        lacking.append("PortAudio")
    return f"not installed: {', '.join(lacking)}" if lacking else None


@contextlib.contextmanager
def virtual_mic(rate_hz: int = 48_000, channels: int = 1) -> Iterator[VirtualMic]:
    """A virtual microphone for as long as the context lasts."""
    folder = Path(tempfile.mkdtemp(prefix="vmic-"))
    mic = VirtualMic(folder, SINK.format(rate=rate_hz, channels=channels))
    try:
        mic.start_server()
        yield mic
    finally:
        mic.stop_server()
        shutil.rmtree(folder, ignore_errors=True)


def _environment(run: Path, home: Path) -> dict[str, str]:
    env = dict(
        os.environ,
        HOME=str(home),
        XDG_RUNTIME_DIR=str(run),
        PULSE_RUNTIME_PATH=str(run / "pulse"),
        PULSE_SERVER=f"unix:{run}/pulse/native",
    )
    for name in ("DISPLAY", "DBUS_SESSION_BUS_ADDRESS", "ALSA_CONFIG_PATH"):
        env.pop(name, None)
    return env


def _command(folder: Path) -> list[str]:
    return [
        *("pulseaudio", "-n", "-F", str(folder / "pa.pa"), "--daemonize=no"),
        *("--exit-idle-time=-1", "--use-pid-file=no", "--disable-shm=yes", "--realtime=no"),
        *("--high-priority=no", "--log-target=stderr"),
    ]
