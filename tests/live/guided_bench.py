"""A guided session as a child process that hears the virtual microphone, and the hands that play.

The hands read what the program asks, line by line, and play the answer on a virtual instrument. The
program hears nothing else.
"""

from __future__ import annotations

import contextlib
import os
import queue
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from virtual_mic import VirtualMic

from pitchbench.presets import preset
from pitchbench.records.repository import Repository
from pitchbench.session.log import Entry, SessionTake, TakeEntry
from pitchbench.strings.virtual import VirtualInstrument
from pitchbench.units import shifted_hz

RATE_HZ: Final = 48_000
PITCHBENCH: Final = [sys.executable, "-c", "from pitchbench.commands import main; main()"]
PATIENCE_S: Final = 30.0

#: How long a note rings before it is damped, if nothing else is said, and the silence before the
#: next.
RING_S: Final = 2.2
DAMPED_S: Final = 0.5


@dataclass(frozen=True)
class Played:
    """One pluck as it was played, with its settled pitch."""

    string: int
    fret: int
    true_hz: float


class Hands:
    """Play on ``instrument`` what is asked, into the microphone.

    ``channels`` is how many the file has that is played; all but the last are silent. A note rings
    for ``ring_s`` before it is damped.
    """

    def __init__(
        self,
        vmic: VirtualMic,
        folder: Path,
        instrument: VirtualInstrument,
        *,
        channels: int = 1,
        ring_s: float = RING_S,
    ) -> None:
        self.instrument = instrument
        self.played: list[Played] = []
        self._vmic = vmic
        self._note = folder / "note.wav"
        self._channels = channels
        self._ring_s = ring_s

    @property
    def plucks(self) -> int:
        """How many notes have been played."""
        return len(self.played)

    def pluck(self, string: int, fret: int, detune_cents: float = 0.0) -> None:
        """Play one note and damp it; returns when it has been played."""
        rate_hz = self.instrument.rate_hz
        note = self.instrument.pluck(string, fret, ring_s=self._ring_s, detune_cents=detune_cents)
        sound = np.zeros((len(note) + round(DAMPED_S * rate_hz), self._channels), np.float32)
        sound[: len(note), -1] = note
        true_hz = shifted_hz(self.instrument.true_hz(string, fret), detune_cents)
        self.played.append(Played(string, fret, true_hz))
        soundfile.write(self._note, sound, rate_hz, subtype="FLOAT")
        self._vmic.play(self._note)

    def answer(self, asked: str) -> None:
        """Do what the program asks."""
        scatter = 0.3 * (-1) ** self.plucks
        named = re.search(r"string (\d+)", asked)
        assert named, f"no hands can do this: {asked}"
        string = int(named[1])
        move = re.search(r"Slacken .* saddle ([\d.]+) mm (away from|toward) the nut", asked)
        if move:
            self.instrument.tune(string, -300.0)
            sign = 1 if move[2] == "away from" else -1
            self.instrument.move_saddle(string, sign * float(move[1]))
            self.instrument.tune(string, -200.0)
            self.pluck(string, 0)
        elif "12th fret" in asked:
            self.pluck(string, 12, scatter)
        elif "une string" in asked or "tune it" in asked:
            self.instrument.tune(string, 0.4)
            self.pluck(string, 0)
        else:
            self.pluck(string, 0, 0.1 * scatter)


class Session:
    """`pitchbench session` in plain lines as a child process."""

    def __init__(self, command: Sequence[object], env: dict[str, str]) -> None:
        self.lines: list[str] = []
        self.process = subprocess.Popen(
            [str(word) for word in command],
            env={**env, "PYTHONUNBUFFERED": "1"},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self._queue: queue.Queue[str | None] = queue.Queue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._queue.put(line.rstrip("\n"))
        self._queue.put(None)

    def wait_for(self, pattern: str) -> str:
        """The next line that fits ``pattern``; the test fails if none comes in time."""
        while True:
            try:
                line = self._queue.get(timeout=PATIENCE_S)
            except queue.Empty:
                pytest.fail(f"{pattern!r} never came:\n{self.text()}")
            if line is None:
                pytest.fail(f"it ended before {pattern!r}:\n{self.text()}")
            self.lines.append(line)
            if re.search(pattern, line):
                return line

    def text(self) -> str:
        """Everything it has said so far."""
        return "\n".join(self.lines)

    def end(self, number: signal.Signals = signal.SIGTERM) -> int:
        """Send it a signal, read the rest of what it says, return its exit code.

        Not SIGINT: a shell lets programs that it runs in the background ignore that.
        """
        self.process.send_signal(number)
        code = self.process.wait(20)
        self._reader.join()
        self.lines += iter(self._queue.get, None)
        return code

    def close(self) -> None:
        """End it if it still runs."""
        self.process.kill()
        self.process.wait()
        self._reader.join()
        assert self.process.stdout is not None
        self.process.stdout.close()


@contextlib.contextmanager
def ahead(pid: int) -> Iterator[None]:
    """While this lasts a process and its children, and this one, which measures how long they take,
    come before all else that the machine does: the time is their own. Where that is not allowed, as
    to others than root, they take their turn."""
    own = [int(task.name) for task in Path("/proc/self/task").iterdir()]
    first = os.sched_param(1)
    for thread in [*own, *_threads_of(pid)]:
        with contextlib.suppress(PermissionError, ProcessLookupError):
            os.sched_setscheduler(thread, os.SCHED_RR, first)
    try:
        yield
    finally:
        for thread in own:
            with contextlib.suppress(PermissionError, ProcessLookupError):
                os.sched_setscheduler(thread, os.SCHED_OTHER, os.sched_param(0))


def _threads_of(pid: int) -> Iterator[int]:
    """The threads of a process and of those that it has started."""
    for task in Path(f"/proc/{pid}/task").iterdir():
        yield int(task.name)
        with contextlib.suppress(FileNotFoundError):  # it has ended
            for child in (task / "children").read_text().split():
                yield from _threads_of(int(child))


class Bench:
    """A session on string 6, the hands at it, and the records that it keeps."""

    string = 6

    def __init__(
        self,
        vmic: VirtualMic | None,
        folder: Path,
        *,
        options: Sequence[object] = (),
        command: Sequence[object] = tuple(PITCHBENCH),
        store: object = None,
        env: dict[str, str] | None = None,
        ring_s: float = RING_S,
    ) -> None:
        self.vmic = vmic
        self.folder = folder
        self.store = store or folder / "records.sqlite"
        instrument = VirtualInstrument(preset("six-string"), seed=9)
        instrument.tune(self.string)
        self.found_cents = instrument.true_offset_cents(self.string)
        assert self.found_cents > 4.0, "this seed's string is found sharp"
        self.hands = Hands(vmic, folder, instrument, ring_s=ring_s)
        self._room: subprocess.Popen[bytes] | None = None
        words = ["session", "--plain", "--preset", "six-string", "--strings", self.string]
        self.session = Session([*command, *words, "--store", self.store, *options], env or vmic.env)

    def answer(self, asked: str) -> None:
        """Let the hands do what is asked."""
        self.hands.answer(asked)

    def play_until(self, pattern: str, most: int = 40) -> str:
        """Answer what is asked until a line fits ``pattern``."""
        asked = [line for line in self.session.lines if re.search("^do: .* string ", line)]
        self.answer(asked[-1] if asked else self.session.wait_for("^do: "))
        for _ in range(most):
            line = self.session.wait_for(rf"^do: .* string |{pattern}")
            if re.search(pattern, line):
                return line
            self.answer(line)
        pytest.fail(f"{pattern!r} never came:\n{self.session.text()}")

    def make_room(self) -> None:
        """Let the room be heard, from now on and for a minute and a half."""
        path = self.folder / "room.wav"
        if not path.exists():
            soundfile.write(path, room_noise(90), RATE_HZ, subtype="FLOAT")
        self.leave_room()
        self._room = self.vmic.start_playing(path)

    def leave_room(self) -> None:
        """Let nothing be heard but what is played."""
        if self._room is not None:
            self._room.kill()
            self._room.wait()

    def quiet(self, seconds: float) -> None:
        """Let some time go by with nothing but the room."""
        path = self.folder / "quiet.wav"
        soundfile.write(path, np.zeros(round(seconds * RATE_HZ), np.float32), RATE_HZ)
        self.vmic.play(path)

    def kept(self) -> list[Entry]:
        """Entries of the only session on record."""
        with Repository.open(str(self.store)) as repository:
            (session_id,) = repository.session_ids()
            return list(repository.session(session_id).entries)

    def takes(self) -> list[SessionTake]:
        """Takes of the only session on record."""
        return [entry.take for entry in self.kept() if isinstance(entry, TakeEntry)]


def room_noise(seconds: int, rate_hz: int = RATE_HZ) -> NDArray[np.float32]:
    """The sound of the room that the hands play in: no room is digitally silent."""
    return VirtualInstrument(preset("six-string"), seed=13, rate_hz=rate_hz).room(seconds * rate_hz)


@contextlib.contextmanager
def bench(vmic: VirtualMic, folder: Path, **options: object) -> Iterator[Bench]:
    """A session that has heard a second of the room, as there is before anybody's first pluck."""
    running = Bench(vmic, folder, **options)  # type: ignore[arg-type]
    try:
        running.session.wait_for("^heard: The sound input is open")
        running.make_room()
        running.quiet(1.0)
        yield running
    finally:
        running.session.close()
        running.leave_room()
