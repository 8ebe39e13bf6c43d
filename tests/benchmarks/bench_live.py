"""How soon the first live pitch of a note comes, and how often it is another note.

    python tests/benchmarks/bench_live.py [--n 400] [--write]

The plucks of :mod:`plucks`, and sampled instruments (tests/sampler.py), whose attacks are real,
are heard in blocks of 512 samples, as from a microphone. Times count from the onset (of sampled
notes: from the first sample over a fiftieth of their peak) to the end of the block that completed
the value; sound card and drawing come on top, see bench_screen.py.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import plucks
from accuracy_page import write_section
from answers import GROSS_CENTS, cents, table
from numpy.typing import NDArray

from pitchbench.notes import Note
from pitchbench.pitch.listener import Listener, LivePitch
from pitchbench.sound.source import Block

sys.path.insert(0, str(Path(__file__).parents[1]))

import sampler

BLOCK = 512
#: So long the young note is watched.
YOUNG_S = 0.15


@dataclass(frozen=True)
class Heard:
    """The live pitches of a young note: when each came after the onset, its error in cents."""

    f1_hz: float
    came_s: NDArray[np.float64]
    error_cents: NDArray[np.float64]


def listen(samples: NDArray[np.float32], rate_hz: int, onset_s: float, f1_hz: float) -> Heard:
    """Feed the sound until the note is a second old."""
    listener = Listener(rate_hz, offer_early=True)
    came = []
    for start in range(0, min(len(samples), round((onset_s + 1.0) * rate_hz)), BLOCK):
        block = Block(samples[start : start + BLOCK], start, rate_hz)
        for event in listener.feed(block):
            if isinstance(event, LivePitch) and event.onset_s > onset_s - 0.05:
                came_s = (start + BLOCK) / rate_hz - onset_s
                came.append((came_s, cents(event.pitch_hz, f1_hz)))
    came_s, error_cents = np.array(came).reshape(-1, 2).T
    return Heard(f1_hz, came_s, error_cents)


def synthetic(count: int) -> Iterator[Heard]:
    """Plucks of known truth."""
    for spec in plucks.specs(count, plucks.SEED):
        samples, truth = plucks.render(spec)
        yield listen(samples, spec.rate_hz, truth.onset / spec.rate_hz, spec.f1_hz)


def sampled() -> Iterator[Heard]:
    """E1 to E4 of the sampled guitars and basses, both fonts; their pitch is within 25 cents."""
    for font in sampler.FONTS:
        for program, lowest in sampler.GUITARS.values():
            for name in ("E1", "A1", "E2", "E3", "E4"):
                note = Note.parse(name)
                if lowest <= note.midi <= (64 if lowest == 40 else 52):
                    samples, rate_hz = sampler.render_note(program, note.midi, font=font)
                    loud = np.abs(samples) > np.abs(samples).max() / 50.0
                    yield listen(samples, rate_hz, float(np.argmax(loud)) / rate_hz, note.hz())


def row(name: str, heard: list[Heard]) -> list[object]:
    """What the notes of one kind came to."""
    there = [h for h in heard if h.came_s.size]
    late_ms = [1e3 * (h.came_s[0] - 2.0 / h.f1_hz) for h in there]
    first = np.array([abs(h.error_cents[0]) for h in there])
    young = np.concatenate([np.abs(h.error_cents[h.came_s < YOUNG_S]) for h in there])
    return [
        *(name, len(heard), len(heard) - len(there)),
        *(f"{v:.0f}" for v in (*np.quantile(late_ms, [0.5, 0.9]), max(late_ms))),
        int(np.count_nonzero(first > GROSS_CENTS)),
        f"{np.count_nonzero(young > GROSS_CENTS)} of {young.size}",
        f"{np.median(first):.0f}",
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, default=400, help="number of plucks")
    parser.add_argument("--write", action="store_true", help="write docs/accuracy.md")
    arguments = parser.parse_args()
    head = ["notes", "number", "none", "median ms", "90 %", "latest", "gross first"]
    head += [f"gross in {1e3 * YOUNG_S:.0f} ms", "median cents off"]
    kinds = {"plucks": list(synthetic(arguments.n)), "sampled": list(sampled())}
    text = table(head, [row(name, heard) for name, heard in kinds.items()])
    print(text)
    if arguments.write:
        command = f"    python tests/benchmarks/bench_live.py --n {arguments.n} --write"
        note = (
            "\n\nFrom the onset to the first live pitch, less two periods of the note, blocks of "
            f"{BLOCK} samples included; gross: off by over {GROSS_CENTS:.0f} cents. What the quick "
            "value is off by otherwise is stiffness and glide, and in sampled notes their own "
            "tuning. Sampled notes grow for some time: their onset is where they reach a fiftieth "
            "of their peak.\n\n"
        )
        write_section("bench_live", "## First live pitch\n\n" + command + note + text)


if __name__ == "__main__":
    main()
