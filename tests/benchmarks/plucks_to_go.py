"""Whether "about 3 more plucks" holds: what was said after a take, and what it then took.

    python tests/benchmarks/plucks_to_go.py --write

Persons in the guided session, on numbers, and rehearsals, on sound; ``--write`` puts the table into
docs/accuracy.md.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np
from accuracy_page import write_section
from answers import table
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))

from persons import ALL, BENT, NOMINAL, REAL, SPREAD, Bench, World
from persons_in_session import work
from session_story import setup_of

from pitchbench.session.log import (
    AdviceEntry,
    Entry,
    OutcomeEntry,
    TakeEntry,
    TakeFate,
    VerdictEntry,
)
from pitchbench.session.rehearsal import rehearse

SEED = 41

WORLDS = (NOMINAL, REAL, SPREAD, BENT, ALL)

#: What was said, in groups.
_SAID = ((1, 1), (2, 3), (4, 6), (7, 24))


def said_and_taken(entries: Iterable[Entry]) -> Iterator[tuple[int, int]]:
    """How many more plucks were said, and how many counted from then on until the string was left
    or its saddle was to be moved; for each time that it was said."""
    waiting: dict[int, list[tuple[int, int]]] = {}
    taken: dict[int, int] = {}
    for entry in entries:
        if isinstance(entry, TakeEntry) and entry.take.fate is TakeFate.ACCEPTED:
            taken[entry.take.string] = taken.get(entry.take.string, 0) + 1
        elif isinstance(entry, VerdictEntry):
            more = None if entry.verdict is None else entry.verdict.more_takes
            if more is not None:
                said = (more.open + more.fretted, taken[entry.string])
                waiting.setdefault(entry.string, []).append(said)
        elif isinstance(entry, OutcomeEntry) or (
            isinstance(entry, AdviceEntry) and entry.move is not None
        ):
            for said_count, before in waiting.pop(entry.string, []):
                yield said_count, taken[entry.string] - before


def row(name: str, pairs: NDArray[np.int_]) -> list[object]:
    """One line of the table."""
    said, took = pairs.T
    ratio = took / said
    within = np.mean((ratio <= 2.0) & (ratio >= 0.5))
    low, median, high = np.percentile(ratio, [25, 50, 75])
    return [
        name,
        len(pairs),
        f"{np.median(said):.0f}",
        f"{np.median(took):.0f}",
        f"{median:.2f}",
        f"{low:.2f} to {high:.2f}",
        f"{100 * within:.0f} %",
    ]


def of_persons(world: World, count: int, seed: int) -> list[tuple[int, int]]:
    """What so many persons were told, and what it took."""
    benches = (Bench(world, seed + n) for n in range(count))
    return [pair for bench in benches for pair in said_and_taken(work(bench).log.entries)]


def of_rehearsals(count: int, seed: int) -> list[tuple[int, int]]:
    """The same of the virtual player on the virtual guitar, all six strings."""
    done = (rehearse(setup_of("six-string"), seed=seed + n) for n in range(count))
    return [pair for each in done for pair in said_and_taken(each.state.log.entries)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--persons", type=int, default=12)
    parser.add_argument("--rehearsals", type=int, default=2)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    head = ["plucks", "said", "said, median", "took, median", "took / said, median",
            "half of them", "within a factor of 2"]  # fmt: skip
    groups = {
        f"persons, {world.name}": of_persons(world, asked.persons, asked.seed) for world in WORLDS
    }
    groups["rehearsals"] = of_rehearsals(asked.rehearsals, asked.seed)
    every = np.array([pair for pairs in groups.values() for pair in pairs])
    rows = [row(name, np.array(pairs)) for name, pairs in groups.items() if pairs]
    for low, high in _SAID:
        of = every[(every[:, 0] >= low) & (every[:, 0] <= high)]
        rows.append(row(f"all, {low} to {high} said" if low < high else f"all, {low} said", of))
    text = f"""## "About 3 more plucks"

After each take a session says about how many more decide the string. What it then took, plucks that
count, until it was left or its saddle was to be moved.
`python tests/benchmarks/plucks_to_go.py --write`, seed {asked.seed}, {asked.persons} persons of a
kind, {asked.rehearsals} rehearsals of six strings:

{table(head, rows)}
"""
    print(text)
    if asked.write:
        write_section("plucks to go", text)


if __name__ == "__main__":
    main()
