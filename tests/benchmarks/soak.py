"""A guided session for as long as is wished, plucked all the time: nothing lost, nothing growing.

    python tests/benchmarks/soak.py --minutes 30 --write

`pitchbench session` runs as a child process on the virtual sound device and records what it hears.
Hands play one string after the other in real time and never move a saddle, so that the job does not
end. Nothing is stood in for: sound server, PortAudio, program, records on disk.

Reported: samples lost (the recording's list of gaps), the child's share of one core and its memory
over time with their slopes, and what became of every pluck that was played.
"""

from __future__ import annotations

import argparse
import itertools
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "live"))

from guided_bench import Hands, Played, Session, room_noise
from virtual_mic import VirtualMic, missing, virtual_mic

from pitchbench.pitch.reading import Reading
from pitchbench.presets import preset
from pitchbench.records.repository import Repository
from pitchbench.session.log import SessionTake, TakeEntry, TakeFate
from pitchbench.sound.gaps import read_gaps
from pitchbench.strings.virtual import VirtualInstrument
from pitchbench.units import cents_between

PAGE: Final = Path(__file__).parents[2] / "docs" / "reliability.md"

#: The block size is no option of the program, so it is set where its default stands.
PROGRAM: Final = (
    "from pitchbench.sound.microphone import Microphone\n"
    "Microphone.__init__.__kwdefaults__['block_size'] = {block_size}\n"
    "from pitchbench.commands import main\n"
    "main()\n"
)
SEED: Final = 4
TICKS_PER_S: Final = os.sysconf("SC_CLK_TCK")
PAGE_BYTES: Final = os.sysconf("SC_PAGE_SIZE")
#: How often the process is looked at, and how much of its start is left out of the slopes.
LOOK_S: Final = 2.0
WARM_UP_S: Final = 60.0


@dataclass(frozen=True)
class Slope:
    """A straight line through what was seen: its mean, its rise in an hour and the rise's u."""

    mean: float
    per_hour: float
    u_per_hour: float


@dataclass(frozen=True)
class Soaked:
    """What a soak showed. ``taken`` and ``played`` are in step unless a pluck was lost."""

    rate_hz: int
    block_size: int
    channels: int
    heard_s: float
    gaps: int
    lost: int
    played: tuple[Played, ...]
    taken: tuple[SessionTake, ...]
    cpu: Slope
    rss_mb: Slope
    load: float

    @property
    def fates(self) -> Counter[str]:
        """How many plucks were accepted, rejected, ignored."""
        return Counter(take.fate.value for take in self.taken)

    @property
    def reasons(self) -> Counter[str]:
        """Why plucks were rejected or ignored."""
        return Counter(take.why for take in self.taken if take.fate is not TakeFate.ACCEPTED)

    @property
    def worst_cents(self) -> float:
        """The largest error of a settled reading, held against what was played."""
        return max(
            abs(cents_between(take.reading.pitch_hz, pluck.true_hz))
            for take, pluck in zip(self.taken, self.played, strict=True)
            if isinstance(take.reading, Reading)
        )

    @property
    def dishonest(self) -> list[str]:
        """Settled readings off by more than four of their own u, and more than a quarter cent."""
        return [
            f"{error:.2f} cents off, u {take.reading.u_cents:.2f}"
            for take, pluck in zip(self.taken, self.played, strict=True)
            if isinstance(take.reading, Reading)
            for error in [abs(cents_between(take.reading.pitch_hz, pluck.true_hz))]
            if error > max(0.25, 4.0 * take.reading.u_cents)
        ]


class Watch:
    """Looks at a process now and then: its processor time and its memory."""

    def __init__(self, pid: int) -> None:
        self._pid = pid
        self.seen: list[tuple[float, float, float]] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Look no more."""
        self._stop.set()
        self._thread.join()

    def slopes(self) -> tuple[Slope, Slope]:
        """Of the share of one core, and of the resident memory in MB."""
        seen = np.array(self.seen)
        seen = seen[seen[:, 0] - seen[0, 0] >= min(WARM_UP_S, (seen[-1, 0] - seen[0, 0]) / 4)]
        middle_s = (seen[1:, 0] + seen[:-1, 0]) / 2
        share = np.diff(seen[:, 1]) / np.diff(seen[:, 0])
        return _slope(middle_s, share), _slope(seen[:, 0], seen[:, 2])

    def _look(self) -> None:
        while True:
            try:
                stat = Path(f"/proc/{self._pid}/stat").read_text().rpartition(")")[2].split()
            except OSError:
                return
            cpu_s = (int(stat[11]) + int(stat[12])) / TICKS_PER_S
            self.seen.append((time.monotonic(), cpu_s, int(stat[21]) * PAGE_BYTES / 1e6))
            if self._stop.wait(LOOK_S):
                return


def _slope(t_s: np.ndarray, values: np.ndarray) -> Slope:
    """Least squares; neighbouring values hang together, so the residuals' correlation at lag one
    widens the uncertainty by sqrt((1 + r) / (1 - r)), as for a first-order autoregression."""
    hours = (t_s - t_s.mean()) / 3600
    rise = float(hours @ values / (hours @ hours))
    left = values - values.mean() - rise * hours
    r = float(np.clip(left[1:] @ left[:-1] / max(left @ left, 1e-30), 0.0, 0.98))
    u = float(np.sqrt(left @ left / max(len(left) - 2, 1) / (hours @ hours)))
    return Slope(float(values.mean()), rise, u * ((1 + r) / (1 - r)) ** 0.5)


@contextmanager
def a_room(vmic: VirtualMic, rate_hz: int, channels: int) -> Iterator[None]:
    """The room's noise without end, other noise in each channel."""
    noise = np.stack([room_noise(20 + n, rate_hz)[: 20 * rate_hz] for n in range(channels)], 1)
    stop = threading.Event()
    words = ["pacat", "--raw", "--format=float32le", f"--rate={rate_hz}", f"--channels={channels}"]
    with subprocess.Popen(words, env=vmic.env, stdin=subprocess.PIPE) as player:

        def play() -> None:
            assert player.stdin is not None
            block = np.ascontiguousarray(noise, "<f4").tobytes()
            while not stop.is_set():
                for start in range(0, len(block), 65_536):
                    if stop.is_set():
                        return
                    player.stdin.write(block[start : start + 65_536])

        thread = threading.Thread(target=play, daemon=True)
        thread.start()
        try:
            yield
        finally:
            stop.set()
            thread.join()
            player.kill()


def soak(
    minutes: float, *, rate_hz: int = 48_000, block_size: int = 512, channels: int = 1
) -> Soaked:
    """Pluck for that long."""
    with (
        tempfile.TemporaryDirectory(prefix="soak-") as place,
        virtual_mic(rate_hz, channels) as mic,
    ):
        folder = Path(place)
        instrument = VirtualInstrument(preset("six-string"), seed=SEED, rate_hz=rate_hz)
        hands = Hands(mic, folder, instrument, channels=channels)
        record, store = folder / "heard.flac", folder / "records.sqlite"
        command = [
            *(sys.executable, "-c", PROGRAM.format(block_size=block_size)),
            *("session", "--plain", "--rate", rate_hz, "--channel", channels),
            *("--record", record, "--store", store),
        ]
        with a_room(mic, rate_hz, channels):
            session = Session(command, mic.env)
            try:
                session.wait_for("^heard: The sound input is open")
                watch = Watch(session.process.pid)
                _play(hands, time.monotonic() + 60 * minutes)
                watch.stop()
                session.wait_for(rf"^take {hands.plucks}: ")
                code = session.end()
            except BaseException:
                print(*session.lines[-30:], sep="\n", file=sys.stderr)
                raise
            finally:
                session.close()
        if code != 130:
            raise RuntimeError(f"it ended with {code}:\n{session.text()}")
        gaps = read_gaps(record)
        with Repository.open(store) as repository:
            entries = repository.session(repository.find_session("last")).entries
        cpu, rss_mb = watch.slopes()
        return Soaked(
            rate_hz=rate_hz,
            block_size=block_size,
            channels=channels,
            heard_s=soundfile.info(record).duration,
            gaps=len(gaps),
            lost=sum(gap.lost for gap in gaps),
            played=tuple(hands.played),
            taken=tuple(entry.take for entry in entries if isinstance(entry, TakeEntry)),
            cpu=cpu,
            rss_mb=rss_mb,
            load=os.getloadavg()[2],
        )


def _play(hands: Hands, until_s: float) -> None:
    """Play each string open and at the 12th fret, twice, one string after the other, for ever. All
    are found off by more than the tolerance and no saddle is moved, so none is ever done."""
    for string in range(1, 7):
        hands.instrument.tune(string)
        assert abs(hands.instrument.true_offset_cents(string)) > 4.0, "this seed's are all far off"
    for string in itertools.cycle(range(6, 0, -1)):
        for fret in (0, 0, 12, 12):
            hands.pluck(string, fret, 0.1 * (-1) ** hands.plucks)
            if time.monotonic() > until_s:
                return


def row(done: Soaked) -> str:
    """The run as a row of the table in docs/reliability.md; slopes with their 95 % bounds."""
    fates = done.fates
    channels = "1 channel" if done.channels == 1 else f"{done.channels} channels"
    cells = (
        f"{done.rate_hz / 1000:g} kHz, blocks of {done.block_size}, {channels}",
        f"{done.heard_s / 60:.1f} min",
        f"{done.lost} in {done.gaps} gaps",
        f"{len(done.played)} = {fates['accepted']} + {fates['rejected']} + {fates['ignored']}",
        f"{done.worst_cents:.2f}",
        f"{done.cpu.mean:.1%}, {_per_hour(done.cpu, 100)}",
        f"{done.rss_mb.mean:.0f} MB, {_per_hour(done.rss_mb, 1)}",
        f"{done.load:.1f}",
    )
    return f"| {' | '.join(cells)} |"


def _per_hour(slope: Slope, factor: float) -> str:
    return f"{factor * slope.per_hour:+.1f} ± {factor * 2 * slope.u_per_hour:.1f} an hour"


def write_row(text: str, page: Path = PAGE) -> None:
    """Put ``text`` into the table, in the place of the last run that was set up alike."""
    before, start, rest = page.read_text(encoding="utf-8").partition("<!-- soak -->\n")
    table, end, after = rest.partition("<!-- /soak -->")
    alike = text.split("|")[1]
    lines = [line for line in table.splitlines() if line.split("|")[1:2] != [alike]]
    table = "\n".join([*lines, text]) + "\n"
    page.write_text(before + start + table + end + after, encoding="utf-8")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--minutes", type=float, default=30.0)
    options.add_argument("--rate", type=int, default=48_000)
    options.add_argument("--block-size", type=int, default=512)
    options.add_argument("--channels", type=int, default=1)
    options.add_argument("--write", action="store_true", help="into docs/reliability.md")
    asked = options.parse_args()
    if lacking := missing():
        options.error(lacking)
    done = soak(
        asked.minutes,
        rate_hz=asked.rate,
        block_size=asked.block_size,
        channels=asked.channels,
    )
    print(row(done))
    print("not accepted:", dict(done.reasons))
    if asked.write:
        write_row(row(done))


if __name__ == "__main__":
    main()
