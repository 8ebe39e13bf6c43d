"""How exact, how honest and how fast the readings are, beside general-purpose pitch trackers.

    python tests/benchmarks/bench_readings.py [--n 1000] [--seed S] [--quick] [--write]

Every pluck of :mod:`plucks` is read by pitchbench in the same run, on one core, and the first 400
by each peer: of a kind of pluck that is one in six, 400 are too few to tell a coverage of 95 %
from one of 98.
``--quick`` leaves out the slow parts; ``--write`` puts the tables into docs/accuracy.md.
"""

# ruff: noqa: E402 - the libraries read how many threads they may use when they are imported

from __future__ import annotations

import os

for _variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ[_variable] = "1"

import argparse
import json
import math
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import peers
import plucks
import soundfile
from accuracy_page import write_section
from numpy.typing import NDArray
from plucks import PluckSpec, Truth

from pitchbench.pitch import yin
from pitchbench.pitch.listener import Listener, ReadingReady
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.sound.source import Block

GROSS_CENTS = 50.0
#: How many plucks the peers read, and how many the slowest of them, librosa's pyin.
PEERS_PLUCKS = 400
PYIN_PLUCKS = 100
STRATA = ("low", "short", "noisy", "hum", "beating", "neighbour", "bass")


@dataclass(frozen=True)
class Outcome:
    """One pluck: what it was, what we read, and what each peer read in cents from the truth."""

    spec: PluckSpec
    truth: Truth
    readings: tuple[Reading | Rejected, ...]
    peer_cents: dict[str, float]

    @property
    def reading(self) -> Reading | Rejected | None:
        """The final reading whose onset lies nearest the true one, within 0.2 s."""
        onset_s = self.truth.onset / self.spec.rate_hz
        near = [r for r in self.readings if abs(r.onset_s - onset_s) < 0.2]
        return min(near, key=lambda r: abs(r.onset_s - onset_s)) if near else None

    def besides(self, kind: str) -> list[Reading]:
        """Other settled readings: of the "neighbour" that was already ringing, or "false"."""
        neighbour = self.spec.neighbour
        found: dict[str, list[Reading]] = {"neighbour": [], "false": []}
        for other in self.readings:
            if other is self.reading or isinstance(other, Rejected):
                continue
            rang = neighbour is not None and neighbour.already_ringing
            semitones = neighbour.semitones if neighbour is not None else 0.0
            off = cents(other.pitch_hz, self.spec.f1_hz * 2.0 ** (semitones / 12.0))
            found["neighbour" if rang and abs(off) < GROSS_CENTS else "false"].append(other)
        return found[kind]

    @property
    def settled(self) -> Reading | None:
        """The reading, if it is settled."""
        return self.reading if isinstance(self.reading, Reading) else None

    @property
    def error_cents(self) -> float:
        """Error of our settled reading; NaN where there is none."""
        if self.settled is None:
            return math.nan
        return cents(self.settled.pitch_hz, self.truth.f1_hz)


def cents(f_hz: float, reference_hz: float) -> float:
    """Interval in cents; NaN where there is no pitch. Not the program's own, on purpose."""
    return 1200.0 * math.log2(f_hz / reference_hz) if f_hz > 0.0 else math.nan


def read(
    samples: NDArray[np.float32], rate_hz: int, *, block: int = 2048
) -> tuple[Reading | Rejected, ...]:
    """Every final reading of ``samples``, fed to a listener block by block."""
    listener = Listener(rate_hz)
    heard = []
    for start in range(0, samples.size, block):
        heard.extend(listener.feed(Block(samples[start : start + block], start, rate_hz)))
    heard.extend(listener.finish())
    return tuple(h.reading for h in heard if isinstance(h, ReadingReady) and h.final)


def tail_of(
    samples: NDArray[np.float32], spec: PluckSpec, truth: Truth, ring_s: float
) -> peers.Tail:
    """Where the peers look: from 1.0 s to the end, from 0.4 s when the note lasts under 2 s.

    They are told where the note sinks into noise and hum, which we must find for ourselves.
    """
    end_s = min(ring_s, max(truth.clear_s, 0.8))
    start_s = 1.0 if end_s >= 2.0 else 0.4
    bass = spec.f1_hz / 2.0 ** (spec.fret / 12.0) < 50.0
    return peers.Tail(
        samples,
        spec.rate_hz,
        start=truth.onset + round(start_s * spec.rate_hz),
        stop=truth.onset + round(end_s * spec.rate_hz),
        fmin_hz=28.0 if bass else 55.0,
        fmax_hz=450.0 if bass else 900.0,
        near_hz=spec.f1_hz,
    )


def hear(
    specs: Iterable[PluckSpec], *, first_s: float, with_peers: bool
) -> tuple[list[Outcome], list[Outcome]]:
    """Every pluck, read by everyone: all of it, and its first ``first_s`` seconds alone."""
    whole, early = [], []
    for number, spec in enumerate(specs):
        samples, truth = plucks.render(spec)
        names = set(peers.PEERS) if with_peers and number < PEERS_PLUCKS else set()
        if number >= PYIN_PLUCKS:
            names.discard("librosa pyin")
        whole.append(hear_one(samples, spec, truth, spec.ring_s, names))
        samples = samples[: truth.onset + round(first_s * spec.rate_hz)]
        early.append(hear_one(samples, spec, truth, min(spec.ring_s, first_s), names))
        if sys.stderr.isatty():
            print(f"\r{number + 1} plucks", end="", file=sys.stderr)
    return whole, early


def hear_one(
    samples: NDArray[np.float32],
    spec: PluckSpec,
    truth: Truth,
    ring_s: float,
    names: Collection[str],
) -> Outcome:
    """One pluck, read by us and by the peers in ``names``."""
    tail = tail_of(samples, spec, truth, ring_s)
    peer_cents = {name: cents(peers.PEERS[name](tail), truth.f1_hz) for name in names}
    return Outcome(spec, truth, read(samples, spec.rate_hz), peer_cents)


# Tables ---------------------------------------------------------------------------------------


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A Markdown table; the first column is words, the others are numbers."""
    lines = ["| " + " | ".join(head) + " |", "|---" + "|---:" * (len(head) - 1) + "|"]
    lines += ["| " + " | ".join(str(cell) for cell in row) + " |" for row in rows]
    return "\n".join(lines)


def spread(errors_cents: Sequence[float]) -> list[str]:
    """Count, median, 95th percentile and largest |error|, gross errors, octave errors, none."""
    every = np.abs(np.array(errors_cents, dtype=float))
    known = every[np.isfinite(every)]
    if not known.size:
        return [str(every.size), "-", "-", "-", "-", "-", str(every.size)]
    octave = np.abs(known - 1200.0 * np.maximum(1.0, np.round(known / 1200.0))) < GROSS_CENTS
    return [
        str(every.size),
        f"{np.median(known):.3f}",
        f"{np.percentile(known, 95):.3f}",
        f"{known.max():.2f}",
        str(int((known > GROSS_CENTS).sum())),
        str(int(octave.sum())),
        str(int(every.size - known.size)),
    ]


def accuracy_table(outcomes: Sequence[Outcome]) -> str:
    """Everyone's errors; how many times larger than ours on the same plucks each median is.

    Ours are those of the plucks that the peers read too, if there are any.
    """
    shared = [o for o in outcomes if o.peer_cents] or outcomes
    rows = [["**pitchbench**", *spread([o.error_cents for o in shared]), "1"]]
    for name in peers.PEERS:
        both = [(o.peer_cents[name], o.error_cents) for o in outcomes if name in o.peer_cents]
        if both:
            their_median, our_median = np.nanmedian(np.abs(both), axis=0)
            theirs = [their_cents for their_cents, _ in both]
            rows.append([name, *spread(theirs), f"{their_median / our_median:.0f}"])
    head = ["method", "plucks", "median", "95 %", "largest", "gross", "octave", "no value"]
    return table([*head, "median / ours"], rows)


def honesty_table(outcomes: Sequence[Outcome]) -> str:
    """Errors and the coverage of our 95 % interval, overall and by kind of difficulty."""
    rows = []
    for name in ("all", *STRATA):
        group = [o for o in outcomes if name == "all" or name in o.spec.tags]
        pairs = [(abs(o.error_cents), o.settled.u_cents) for o in group if o.settled is not None]
        if not pairs:
            continue
        error, u = np.array(pairs).T
        covered = np.mean(error <= 1.96 * u)
        rows.append(
            [
                *(name, len(group), len(pairs)),
                *(f"{v:.3f}" for v in (np.median(error), np.percentile(error, 95), error.max())),
                f"{np.median(u):.3f}",
                f"{100.0 * covered:.1f} %",
            ]
        )
    head = ["plucks", "number", "settled", "median", "95 %", "largest", "median u", "covered"]
    return table(head, rows)


def other_findings(outcomes: Sequence[Outcome]) -> str:
    """Rejected, missed and doubled plucks; stiffness and attack against the truth."""
    reasons = Counter(o.reading.reason.value for o in outcomes if isinstance(o.reading, Rejected))
    missed = sum(o.reading is None for o in outcomes)
    neighbours = sum(len(o.besides("neighbour")) for o in outcomes)
    false = sum(len(o.besides("false")) for o in outcomes)
    told = ", ".join(f"{count} {reason}" for reason, count in reasons.most_common()) or "none"
    lines = [
        f"Rejected: {told}. Not heard: {missed}. Settled besides the pluck: {neighbours} of a "
        f"neighbour that rang before it, {false} false."
    ]
    stiff = [
        o.settled.stiffness_b / o.truth.stiffness_b - 1.0
        for o in outcomes
        if o.settled is not None
        and o.settled.stiffness_b is not None
        and 600.0 / math.log(2.0) * o.truth.stiffness_b * 25.0 > 1.0
    ]
    if stiff:
        within = 100.0 * np.mean(np.abs(stiff) <= 0.1)
        lines.append(
            f"Stiffness B, where the fifth partial lies over a cent sharp ({len(stiff)} plucks): "
            f"median |error| {100.0 * np.median(np.abs(stiff)):.2f} %, "
            f"95 % {100.0 * np.percentile(np.abs(stiff), 95):.1f} %; "
            f"within 10 % in {within:.1f} %."
        )
    attack = [
        o.settled.attack_cents - o.truth.attack_cents for o in outcomes if o.settled is not None
    ]
    if attack:
        lines.append(
            f"Attack sharpness: median |error| {np.median(np.abs(attack)):.2f} cents, "
            f"95 % {np.percentile(np.abs(attack), 95):.2f}."
        )
    return "\n".join(f"- {line}" for line in lines)


def worst(outcomes: Sequence[Outcome], count: int) -> str:
    """The plucks with the largest errors, and those whose u was too small, to work on."""
    read_ones = [o for o in outcomes if o.settled is not None]
    by_error = sorted(read_ones, key=lambda o: -abs(o.error_cents))[:count]
    by_u = sorted(read_ones, key=lambda o: -abs(o.error_cents) / (o.settled.u_cents or 1e-9))
    lines = []
    for title, group in (("largest errors", by_error), ("furthest outside u", by_u[:count])):
        lines.append(f"\n{title}:")
        lines += [
            f"  error {o.error_cents:+.3f} u {o.settled.u_cents:.3f} "
            f"left of the glide {o.truth.glide_cents(o.spec.ring_s):.2f} "
            f"{' '.join(sorted(o.spec.tags))}\n    {o.spec}"
            for o in group
            if o.settled is not None
        ]
    return "\n".join(lines)


# Speed ----------------------------------------------------------------------------------------


def best_time_s(job: Callable[[], object], repeats: int = 5) -> float:
    """The least processor time of several runs, after one that does not count.

    Processor time, so that what else runs on the machine does not count; all jobs here are
    single-threaded.
    """
    job()
    times = []
    for _ in range(repeats):
        start = time.process_time()
        job()
        times.append(time.process_time() - start)
    return min(times)


def speed_lines(specs: Sequence[PluckSpec]) -> str:
    """Times per 4 s pluck, and the tracker against aubio's yinfast at the same hop."""
    ours, tracker, theirs = [], [], []
    for spec in specs:
        samples, truth = plucks.render(replace(spec, ring_s=3.8, rate_hz=48000))
        samples = samples[truth.onset - 9600 : truth.onset + 4 * 48000 - 9600]
        ours.append(best_time_s(lambda s=samples: read(s, 48000)))
        theirs.append(best_time_s(lambda s=samples: peers.track_with_aubio("yinfast", s, 48000)))
        tracker.append(
            best_time_s(lambda s=samples: yin.track(s, 48000, fmin_hz=28, fmax_hz=1400, hop=512))
        )
    return (
        f"- Reading a 4 s pluck, onset to number, one core: median {1e3 * np.median(ours):.0f} ms, "
        f"largest {1e3 * max(ours):.0f} ms.\n"
        f"- Tracker alone, hop 512: {1e3 * np.median(tracker):.1f} ms per 4 s, aubio yinfast "
        f"(window 4096) {1e3 * np.median(theirs):.1f} ms, ratio "
        f"{np.median(theirs) / np.median(tracker):.1f}."
    )


def session_lines(specs: Sequence[PluckSpec]) -> str:
    """The whole command on two minutes and on ten: time, peak memory, and what it read."""
    lines = []
    usable = [s for s in specs if s.neighbour is None]
    for count in (20, 100):
        samples, truths = plucks.render_session(
            (usable * (1 + count // len(usable)))[:count], every_s=6.0
        )
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder, "session.wav")
            soundfile.write(path, samples, 48000, subtype="PCM_24")
            wall_s, processor_s, peak_mb, answer = _timed_command(
                ["read", str(path), "--format", "json"]
            )
        errors = _session_errors(answer, truths)
        lines.append(
            f"- `pitchbench read --format json` on {count * 6 // 60} minutes with {count} plucks: "
            f"{processor_s:.1f} s of processor time ({wall_s:.1f} s on the clock of a shared "
            f"machine), peak memory {peak_mb:.0f} MB; {errors.size} settled, |error| median "
            f"{np.median(errors):.3f}, largest {errors.max():.2f} cents."
        )
    return "\n".join(lines)


#: Runs a command and tells its wall time, processor time and peak memory. A process of its own,
#: because Linux counts the memory of the process that forks into the peak of what it starts.
_STOPWATCH = """
import resource, subprocess, sys, time
start = time.perf_counter()
subprocess.run(sys.argv[2:], stdout=open(sys.argv[1], "wb"), check=True)
wall = time.perf_counter() - start
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)
"""


def _timed_command(arguments: Sequence[str]) -> tuple[float, float, float, dict]:
    """Run pitchbench: wall and processor time, peak resident memory in MB, the JSON it printed."""
    program = str(Path(sys.executable).with_name("pitchbench"))
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder, "answer.json")
        told = subprocess.run(
            [sys.executable, "-c", _STOPWATCH, str(out), program, *arguments],
            stdout=subprocess.PIPE,
            text=True,
            check=True,
        ).stdout
        wall_s, processor_s, peak_mb = map(float, told.split())
        return wall_s, processor_s, peak_mb, json.loads(out.read_text())


def _session_errors(answer: dict, truths: Sequence[Truth]) -> NDArray[np.float64]:
    """|error| in cents of every settled reading of the command, by the nearest onset."""
    onset_s = np.array([truth.onset / 48000 for truth in truths])
    errors = []
    for reading in answer["readings"]:
        if reading["status"] == "settled":
            nearest = truths[int(np.argmin(np.abs(onset_s - reading["onset_s"])))]
            errors.append(abs(cents(reading["pitch_hz"], nearest.f1_hz)))
    return np.array(errors)


# Report ---------------------------------------------------------------------------------------


def report(arguments: argparse.Namespace) -> str:
    """All tables as Markdown."""
    specs = plucks.specs(arguments.n, arguments.seed)
    parts = []
    whole, early = hear(specs, first_s=1.2, with_peers=not arguments.quick)
    parts += ["Errors of the settled pitch, |cents|:", accuracy_table(whole)]
    parts += ["Ours by kind of pluck; covered: |error| <= 1.96 u:", honesty_table(whole)]
    parts.append(other_findings(whole))
    parts += ["From the first 1.2 s alone:", accuracy_table(early), honesty_table(early)]
    parts.append(other_findings(early))
    if not arguments.quick:
        parts.append(speed_lines(specs[:12]) + "\n" + session_lines(specs[:100]))
    if arguments.worst:
        print(worst(whole, arguments.worst) + "\n\nfirst 1.2 s:" + worst(early, arguments.worst))
    return "\n\n".join(parts)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, default=1000, help="number of plucks")
    parser.add_argument("--seed", type=int, default=plucks.SEED, help="which plucks are drawn")
    parser.add_argument("--quick", action="store_true", help="neither peers nor speed")
    parser.add_argument("--write", action="store_true", help="write docs/accuracy.md")
    parser.add_argument("--worst", type=int, default=0, help="show this many of the worst plucks")
    arguments = parser.parse_args()
    text = report(arguments)
    print(text)
    if arguments.write:
        command = f"    python tests/benchmarks/bench_readings.py --n {arguments.n}"
        command += f" --seed {arguments.seed} --write"
        note = (
            f"\nSynthetic plucks of known truth (tests/benchmarks/plucks.py), all methods in one "
            f"run on one core; the peers on the first {PEERS_PLUCKS}, librosa pyin on "
            f"{PYIN_PLUCKS}, for its slowness.\n\n"
        )
        write_section(
            "bench_readings", "## Readings beside their peers\n\n" + command + note + text
        )


if __name__ == "__main__":
    main()
