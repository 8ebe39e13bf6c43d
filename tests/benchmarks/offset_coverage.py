"""How often the interval of an offset from a batch of takes holds the truth.

python tests/benchmarks/offset_coverage.py [--runs 1000] [--write]
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass

import numpy as np
from accuracy_page import write_section

from pitchbench.intonation.knowledge import from_takes
from pitchbench.intonation.offset import DEFAULT_PRIOR, estimate_offset
from pitchbench.intonation.take import Take
from pitchbench.units import shifted_hz

OFFSET_CENTS = 5.0
SECONDS_APART = 6.0
COUNTS = (3, 5, 8)


@dataclass(frozen=True)
class Batch:
    """How takes are made."""

    name: str
    open_cents: float = 0.5
    refret_cents: float = 2.0
    drift_cents_per_min: float = 0.0
    dependence: float = 0.0
    bent: float = 0.0
    by_turns: bool = True

    def takes(self, rng: np.random.Generator, n: int) -> list[Take]:
        kinds = [0, 12] * n if self.by_turns else [0] * n + [12] * n
        hand, takes = rng.standard_normal(2), []
        for i, fret in enumerate(kinds):
            kind = int(fret > 0)
            fresh = math.sqrt(1.0 - self.dependence**2) * rng.standard_normal()
            hand[kind] = self.dependence * hand[kind] + fresh
            cents = (self.refret_cents if fret else self.open_cents) * hand[kind]
            cents += self.drift_cents_per_min * i * SECONDS_APART / 60.0
            if fret:
                bent = rng.uniform(5.0, 10.0) if rng.random() < self.bent else 0.0
                cents += 1200.0 + OFFSET_CENTS + bent
            takes.append(Take(fret, shifted_hz(110.0, float(cents)), 0.1, i * SECONDS_APART))
        return takes


BATCHES = (
    Batch("spreads 0.3 and 0.3", 0.3, 0.3),
    Batch("spreads 0.3 and 1", 0.3, 1.0),
    Batch("spreads 0.5 and 2"),
    Batch("spreads 0.5 and 3", 0.5, 3.0),
    Batch("1 take in 12 bent sharp by 5 to 10", bent=1 / 12),
    Batch("by turns, drifting 2 cents a minute", drift_cents_per_min=2.0),
    Batch("all open first, steady", by_turns=False),
    Batch("all open first, drifting 1 cent a minute", drift_cents_per_min=1.0, by_turns=False),
    Batch("all open first, drifting 2 cents a minute", drift_cents_per_min=2.0, by_turns=False),
    Batch("takes of a note correlated by 0.5", dependence=0.5),
)


def cell(batch: Batch, n: int, runs: int) -> str:
    """Coverage in per cent and mean half width in cents, of the program's interval and of
    Student's on means and spreads."""
    rng = np.random.default_rng([n, 55])
    sets = [batch.takes(rng, n) for _ in range(runs)]
    both = (
        np.array([from_takes(takes, fret=12).offset.interval() for takes in sets]),
        np.array([estimate_offset(t, fret=12, prior=DEFAULT_PRIOR).interval95_cents for t in sets]),
    )
    return " | ".join(
        f"{100 * np.mean((low <= OFFSET_CENTS) & (high >= OFFSET_CENTS)):.1f} "
        f"({np.mean(high - low) / 2:.1f})"
        for low, high in (ends.T for ends in both)
    )


def table(runs: int) -> str:
    lines = [
        "## Offset of a batch of takes: does the interval hold what it says",
        "",
        f"Simulated takes with known truth, one every {SECONDS_APART:g} s ({runs} runs a cell; "
        "made by `python tests/benchmarks/offset_coverage.py --write`). How often the 95 % "
        "interval holds the truth, in per cent, and in brackets half its mean width in cents; "
        "beside it what a Student interval on the two means and spreads does. Takes of each note: "
        "3, 5, 8.",
        "",
        "| takes | " + " | ".join(f"{n} of each | Student" for n in COUNTS) + " |",
        "|---|" + "---|---|" * len(COUNTS),
    ]
    for batch in BATCHES:
        cells = [cell(batch, n, runs) for n in COUNTS]
        lines.append(f"| {batch.name} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    text = table(options.runs)
    print(text)
    if options.write:
        write_section("offset_coverage", text)
