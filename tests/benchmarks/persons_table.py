"""How many plucks and moves persons of several kinds need, and how well it ends.

python tests/benchmarks/persons_table.py [--sessions 300] [--write]
python tests/benchmarks/persons_table.py --in-session [--write]
"""

from __future__ import annotations

import argparse
import math

import numpy as np
from accuracy_page import write_section
from persons import (
    ALL,
    BENT,
    NOMINAL,
    REAL,
    TOLERANCE_CENTS,
    WORLDS,
    Bench,
    Ended,
    best_fixed,
    decided,
    persons,
    plain,
)
from persons_bound import bound
from persons_in_session import border, work

#: Not the seeds that any constant was chosen with.
FIRST_SEED = 10_000

#: Sessions of each kind in the session itself, where one takes seconds.
IN_SESSION = {NOMINAL: 100, REAL: 60, BENT: 60, ALL: 60}


def share(right: np.ndarray) -> str:
    """Per cent with its 95 % interval (Wilson's, for a binomial share)."""
    n, p, z = right.size, float(np.mean(right)), 1.96
    middle = (p + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * math.sqrt(p * (1 - p) / n + z**2 / (4 * n**2))
    return f"{100 * p:.1f} [{100 * (middle - half):.1f}, {100 * (middle + half):.1f}]"


def cells(ended: list[Ended]) -> str:
    within = np.concatenate([e.within for e in ended])
    plucks = float(np.mean([e.plucks for e in ended]))
    moves = float(np.mean([e.moves for e in ended]))
    return f"{share(within)} | {plucks:.1f} | {moves:.2f}"


def claims(ended: list[Ended]) -> str:
    """What was claimed and what was true: of all strings, of the surer half and of the rest."""
    claimed = np.concatenate([e.p_within for e in ended])
    within = np.concatenate([e.within for e in ended])
    surer = claimed >= np.median(claimed)
    groups = (claimed >= 0.0, surer, ~surer)
    return " | ".join(f"{100 * claimed[g].mean():.1f} | {share(within[g])}" for g in groups)


def table(sessions: int) -> str:
    seeds = range(FIRST_SEED, FIRST_SEED + sessions)
    ours = {world: persons(world, decided, seeds) for world in WORLDS}
    unfinished = sum(not e.finished for ended in ours.values() for e in ended)
    lines = [
        "## Persons as they are",
        "",
        "Persons and instruments made of numbers (tests/benchmarks/persons.py; made by "
        f"`python tests/benchmarks/persons_table.py --write`, {sessions} sessions of six strings a "
        "row): offsets found with sd 8 cents, open spread 0.5, refretting 2 and readings good to "
        "0.15 unless said, screws turned 10 % off, backlash up to 0.1 mm. Within: per cent of "
        f"strings left within {TOLERANCE_CENTS:g} cents of right, with the 95 % interval of that "
        "share. Plucks: accepted takes per string, the check at the end included. The plain "
        "procedure: three open, three fretted; where the mean is outside the tolerance, 1 mm. The "
        "best fixed one: one open, five fretted, the computed move where the mean is beyond 1.2 "
        "cents, which leaves 97 % in the nominal world. Readings of real strings: as the twenty "
        "real notes, chosen for being awkward, tell an offset where 2 to 4 s of them are heard, "
        "10th to 90th percentile.",
        "",
        "| world | within, % | plucks | moves | plain: within | plucks | moves "
        "| best fixed: within | plucks | moves |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for world, ended in ours.items():
        others = " | ".join(cells(persons(world, p, seeds)) for p in (plain, best_fixed))
        lines.append(f"| {world.name} | {cells(ended)} | {others} |")
    nominal = np.concatenate([e.within for e in ours[WORLDS[0]]])
    within, plucks, moves = bound(2.0, share_within=float(nominal.mean()))
    lines += [
        "",
        f"Sessions that did not finish: {unfinished} of {sessions * len(ours)}. "
        "The bound, by dynamic programming with the spread known and no take bent "
        f"(tests/benchmarks/persons_bound.py): {plucks:.1f} plucks and {moves:.2f} moves for "
        f"{100 * within:.1f} % in the nominal world.",
        "",
        "What was claimed of a string as it was left, and what was true, in per cent: of all "
        "strings, of the surer half and of the rest.",
        "",
        "| world | claimed, all | true | claimed, surer half | true | claimed, rest | true |",
        "|---|---|---|---|---|---|---|",
        *(f"| {world.name} | {claims(ended)} |" for world, ended in ours.items()),
    ]
    return "\n".join(lines) + "\n"


def in_session_table() -> str:
    """The same persons in the session itself; every second one plays on after the advice."""
    lines = [
        "## Persons in the session itself",
        "",
        "The same persons, other ones of them, led by the session's own steps and advice "
        "(tests/benchmarks/persons_in_session.py; made by `python "
        "tests/benchmarks/persons_table.py --in-session --write`). After every second advice "
        "one more fretted note comes in before it is followed. Claimed: the mean of the "
        "probabilities that the strings were left with. Border: strings left on the border.",
        "",
        "| world | sessions | within, % | plucks | moves | claimed, % | border, % "
        "| lost moves | unfinished |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for world, sessions in IN_SESSION.items():
        seeds = range(2 * FIRST_SEED, 2 * FIRST_SEED + sessions)
        worked = [work(Bench(world, seed), late=0.5) for seed in seeds]
        ended = [each.ended for each in worked]
        claimed = 100.0 * np.mean([e.p_within for e in ended])
        left = 100.0 * np.mean([border(each) for each in worked]) / len(ended[0].within)
        lost = sum(each.lost_moves for each in worked)
        unfinished = sum(not e.finished for e in ended)
        lines.append(
            f"| {world.name} | {sessions} | {cells(ended)} | {claimed:.1f} | {left:.1f} "
            f"| {lost} | {unfinished} |"
        )
        print(lines[-1], flush=True)
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=300)
    parser.add_argument("--in-session", action="store_true")
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    text = in_session_table() if options.in_session else table(options.sessions)
    print(text)
    if options.write:
        write_section("persons_in_session" if options.in_session else "persons_table", text)
