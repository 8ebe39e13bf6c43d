"""How exact, how honest and how fast the readings are, beside general-purpose pitch trackers.

    python tests/benchmarks/bench_readings.py [--n 350] [--seed S] [--quick] [--write]

Real notes, where they are at hand (:mod:`real_notes`), come first; then notes of known pitch from
three generators (:mod:`known_notes`), each whole (4 s) and cut short, read by pitchbench and, a
smaller number, by each peer in the same run on one core. ``--quick`` takes a tenth of the notes and
leaves out peers and speed; ``--write`` puts the tables into docs/accuracy.md.
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
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import peers
import plucks
import real_notes
import soundfile
from accuracy_page import write_section
from answers import (
    GROSS_CENTS,
    Answer,
    cents,
    coverage,
    interval_score,
    nearest,
    read,
    table,
)
from known_notes import GENERATORS, KnownNote
from numpy.typing import NDArray
from plucks import PluckSpec, Truth

from pitchbench.pitch import yin

#: What the notes are cut to, in seconds; the last stands for the whole note.
LENGTHS_S = (1.2, 1.6, 2.2, 4.0)
#: How many notes of each generator the peers read, and how many the slowest, librosa's pyin.
PEERS_NOTES = 40
PYIN_NOTES = 10
CLASSES = (
    *("low", "short", "noisy", "hum", "beating", "neighbour", "bass", "body-shifted"),
    *("exponential glide", "energy glide", "magnet", "buzz", "ticks"),
)


@dataclass(frozen=True, eq=False)
class Outcome:
    """One note: what it was, what we read, and what each peer read in cents from the truth."""

    note: KnownNote
    answers: tuple[Answer, ...]
    peer_cents: dict[str, float]

    @property
    def answer(self) -> Answer | None:
        """What we said of the note itself."""
        return nearest(self.answers, self.note.onset / self.note.rate_hz)

    @property
    def settled(self) -> Answer | None:
        """The answer, if it is settled."""
        return self.answer if self.answer is not None and self.answer.settled else None

    @property
    def error_cents(self) -> float:
        """Error of our settled reading; NaN where there is none."""
        return cents(self.settled.pitch_hz, self.note.f1_hz) if self.settled else math.nan

    @property
    def u_cents(self) -> float:
        """What we said of our error; NaN where there is no settled reading."""
        return self.settled.u_cents if self.settled else math.nan

    def besides(self) -> tuple[int, int]:
        """Other settled readings: of the string that rang before, and false ones."""
        others = [a for a in self.answers if a is not self.answer and a.settled]
        rang = sum(abs(cents(a.pitch_hz, self.note.rang_hz)) < GROSS_CENTS for a in others)
        return rang, len(others) - rang


def tail_of(note: KnownNote) -> peers.Tail:
    """Where the peers look: from 1.0 s to the end, from 0.4 s when the note lasts under 2 s.

    They are told where the note sinks into the noise, which we must find for ourselves.
    """
    end_s = min(note.ring_s, max(note.clear_s, 0.8))
    start_s = 1.0 if end_s >= 2.0 else 0.4
    return peers.Tail(
        note.samples,
        note.rate_hz,
        start=note.onset + round(start_s * note.rate_hz),
        stop=note.onset + round(end_s * note.rate_hz),
        fmin_hz=28.0 if note.bass else 55.0,
        fmax_hz=450.0 if note.bass else 900.0,
        near_hz=note.f1_hz,
    )


def hear(notes: Iterable[KnownNote], *, peers_notes: int) -> dict[float, list[Outcome]]:
    """Every note, read by everyone at every length; the peers read the first ones alone."""
    outcomes = defaultdict(list)
    for number, note in enumerate(notes):
        names = set(peers.PEERS) if number < peers_notes else set()
        if number >= PYIN_NOTES:
            names.discard("librosa pyin")
        for length_s in LENGTHS_S:
            cut = note.first(length_s)
            tail = tail_of(cut)
            peer_cents = {name: cents(peers.PEERS[name](tail), note.f1_hz) for name in names}
            outcomes[length_s].append(Outcome(cut, read(cut.samples, cut.rate_hz), peer_cents))
        if sys.stderr.isatty():
            print(f"\r{number + 1} notes", end="", file=sys.stderr)
    return outcomes


# Tables ---------------------------------------------------------------------------------------


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


def peers_table(heard: dict[float, list[Outcome]]) -> str:
    """Everyone's errors on the same notes, and how many times ours each median is."""
    rows = []
    for length_s in LENGTHS_S:
        shared = [o for o in heard[length_s] if o.peer_cents]
        ours = [o.error_cents for o in shared]
        rows.append([f"**pitchbench**, {length_s:g} s", *spread(ours), "1"])
        for name in peers.PEERS:
            both = [(o.peer_cents[name], o.error_cents) for o in shared if name in o.peer_cents]
            their_median, our_median = np.nanmedian(np.abs(both), axis=0)
            theirs = [their_cents for their_cents, _ in both]
            rows.append([name, *spread(theirs), f"{their_median / our_median:.0f}"])
    head = ["method", "notes", "median", "95 %", "largest", "gross", "octave", "no value"]
    return table([*head, "median / ours"], rows)


def honesty_table(heard: dict[float, list[Outcome]]) -> str:
    """Our errors and what we say of them, by kind of difficulty and length."""
    rows = []
    for kind in ("all", *CLASSES):
        for length_s in LENGTHS_S:
            group = [o for o in heard[length_s] if kind == "all" or kind in o.note.tags]
            pairs = np.array([(o.error_cents, o.u_cents) for o in group if o.settled])
            if not pairs.size:
                continue
            error, u = pairs.T
            size = np.abs(error)
            sizes = (np.median(size), np.percentile(size, 95), size.max(), np.median(u))
            rows.append(
                [
                    *(kind, f"{length_s:g} s", len(group), len(pairs)),
                    *(f"{value:.3f}" for value in sizes),
                    f"{100.0 * coverage(error, u):.1f} %",
                    f"{interval_score(error, u):.2f}",
                ]
            )
    head = ["kind", "length", "notes", "settled", "median", "95 %", "largest", "median u"]
    return table([*head, "covered", "score"], rows)


def other_findings(heard: dict[float, list[Outcome]]) -> str:
    """Rejected, missed and doubled notes; of whole ones stiffness and attack against the truth."""
    lines = []
    for length_s, outcomes in heard.items():
        answers = [o.answer for o in outcomes]
        reasons = Counter(a.reason for a in answers if a is not None and a.reason)
        told = ", ".join(f"{count} {reason}" for reason, count in reasons.most_common()) or "none"
        rang, false = np.sum([o.besides() for o in outcomes], axis=0)
        lines.append(
            f"{length_s:g} s: rejected {told}; not heard {answers.count(None)}; settled besides "
            f"the note: {rang} of a string that rang before it, {false} false."
        )
    whole = [(o.note, o.settled) for o in heard[LENGTHS_S[-1]] if o.settled]
    stiff = [
        answer.stiffness_b / note.stiffness_b - 1.0
        for note, answer in whole
        if np.isfinite(answer.stiffness_b) and note.stiffness_b * 25.0 * 866.0 > 1.0
    ]
    if stiff:
        size = np.abs(stiff)
        lines.append(
            f"Stiffness B, where the fifth partial lies over a cent sharp ({size.size} notes): "
            f"median |error| {100.0 * np.median(size):.2f} %, 95 % "
            f"{100.0 * np.percentile(size, 95):.1f} %."
        )
    attack = [
        off
        for note, answer in whole
        if np.isfinite(off := abs(answer.attack_cents - note.attack_cents))
    ]
    if attack:
        lines.append(
            f"Attack sharpness: median |error| {np.median(attack):.2f} cents, "
            f"95 % {np.percentile(attack, 95):.2f}."
        )
    return "\n".join(f"- {line}" for line in lines)


def worst(heard: dict[float, list[Outcome]], count: int) -> str:
    """The notes with the largest errors, and those whose u was too small, to work on."""
    lines = []
    for length_s, outcomes in heard.items():
        settled = [o for o in outcomes if o.settled]
        for title, key in (
            ("largest errors", lambda o: abs(o.error_cents)),
            ("furthest outside u", lambda o: abs(o.error_cents) / o.u_cents),
        ):
            lines.append(f"\n{length_s:g} s, {title}:")
            lines += [
                f"  error {o.error_cents:+.3f} u {o.u_cents:.3f} {' '.join(sorted(o.note.tags))}"
                f"\n    {o.note.made_of}"
                for o in sorted(settled, key=key, reverse=True)[:count]
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


def real_section(place: Path) -> str:
    """All tables of real notes as Markdown."""
    return (
        "## Real strings\n\n"
        "Notes of real guitars and basses, each read whole and cut short (made by "
        "`python tests/benchmarks/bench_readings.py --write`). Differences are |cents|, u is that "
        "of the difference. The late first partial is that of the second half of the ring, by "
        "another method.\n\n"
    ) + real_notes.report(real_notes.heard(place))


def known_report(arguments: argparse.Namespace) -> str:
    """All tables of notes of known pitch as Markdown."""
    peers_notes = 0 if arguments.quick else PEERS_NOTES
    parts = [
        f"{arguments.n} notes of each generator; the first {peers_notes} also by the peers, "
        f"{min(peers_notes, PYIN_NOTES)} by librosa pyin, for its slowness. All in one run on one "
        "core. Errors of the settled pitch are |cents|; covered: |error| <= 1.96 u; score: mean "
        "interval score of the 95 % interval in cents, small is good."
    ]
    for name, generator in GENERATORS.items():
        heard = hear(generator(arguments.n, arguments.seed), peers_notes=peers_notes)
        parts += [f"### Generator: {name}", honesty_table(heard), other_findings(heard)]
        if peers_notes:
            parts.append(peers_table(heard))
        if arguments.worst:
            print(f"{name}:\n{worst(heard, arguments.worst)}")
    if not arguments.quick:
        specs = plucks.specs(100, arguments.seed)
        parts.append(speed_lines(specs[:12]) + "\n" + session_lines(specs))
    return "\n\n".join(parts)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, help="notes of each generator (350; quick 25)")
    parser.add_argument("--seed", type=int, default=plucks.SEED, help="which notes are drawn")
    parser.add_argument("--quick", action="store_true", help="few notes; neither peers nor speed")
    parser.add_argument("--write", action="store_true", help="write docs/accuracy.md")
    parser.add_argument("--worst", type=int, default=0, help="show this many of the worst notes")
    arguments = parser.parse_args()
    if arguments.n is None:
        arguments.n = 25 if arguments.quick else 350
    sections = {}
    if (place := real_notes.folder()) is not None:
        sections["real_notes"] = real_section(place)
        print(sections["real_notes"], flush=True)
    command = f"    python tests/benchmarks/bench_readings.py --n {arguments.n}"
    command += f" --seed {arguments.seed} --write\n\n"
    sections["bench_readings"] = (
        "## Readings of known pitch beside their peers\n\n" + command + known_report(arguments)
    )
    print(sections["bench_readings"])
    if arguments.write:
        for name, text in sections.items():
            write_section(name, text)


if __name__ == "__main__":
    main()
