"""The main job on whole instruments over many seeds: how well strings end up, and at what cost.

    python tests/benchmarks/rehearsals.py [--seeds 20] [PRESET...]

One line per preset: share of strings within 2 cents of right, rms and worst true offset left, how
many plucks and moves a string took, how strings were left, moves that went the wrong way (true
offset over 3 cents), seconds of processor time per string. Everything takes half an hour.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from session_story import setup_of

from pitchbench.session.log import Step
from pitchbench.session.rehearsal import Rehearsal, rehearse

PRESETS = (
    "six-string",
    "six-string-drop-c",
    "six-string-major-third-down",
    "seven-string",
    "bass-five",
)


def line(name: str, rehearsals: list[Rehearsal], cpu_s: float) -> str:
    """What came of one preset."""
    left = [abs(cents) for r in rehearsals for cents in r.true_left_cents.values()]
    strings = [r.state.log.strings[number - 1] for r in rehearsals for number in r.true_left_cents]
    wrong = sum(
        abs(m.true_before_cents) > 3.0 and m.advised_mm * m.true_before_cents < 0.0
        for r in rehearsals
        for m in r.moves
    )
    outcomes = Counter(s.outcome.value if s.outcome else "unfinished" for s in strings)
    n = len(strings)
    return (
        f"{name}: {n} strings, {sum(cents <= 2.0 for cents in left) / n:.1%} within 2 cents, "
        f"rms {math.sqrt(sum(c * c for c in left) / n):.2f}, worst {max(left):.2f}, "
        f"{sum(len(s.takes) for s in strings) / n:.1f} plucks and "
        f"{sum(len(s.moves) for s in strings) / n:.2f} moves per string, "
        f"{', '.join(f'{count} {words}' for words, count in outcomes.most_common())}, "
        f"{wrong} moves the wrong way, "
        f"{sum(r.state.log.step is not Step.FINISHED for r in rehearsals)} sessions unfinished, "
        f"{cpu_s / n:.1f} s per string"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("presets", nargs="*", default=PRESETS)
    parser.add_argument("--seeds", type=int, default=20)
    arguments = parser.parse_args()
    for name in arguments.presets:
        began = time.process_time()
        rehearsals = [rehearse(setup_of(name), seed=seed) for seed in range(1, arguments.seeds + 1)]
        print(line(name, rehearsals, time.process_time() - began), flush=True)


if __name__ == "__main__":
    main()
