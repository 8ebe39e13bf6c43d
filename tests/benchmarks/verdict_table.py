"""How often the interval covers, how often a verdict is wrong, and how many plucks it takes.

Simulated takes, normally distributed, with known truth; everything follows from the seed.

    python tests/benchmarks/verdict_table.py            print the tables
    python tests/benchmarks/verdict_table.py --write    and put them into docs/accuracy.md
"""

from __future__ import annotations

import argparse
import itertools
from dataclasses import dataclass

import numpy as np
from accuracy_page import write_section
from scipy import special

from pitchbench.belief import probability_of_side, probability_within, student_difference
from pitchbench.intonation.offset import (
    DEFAULT_PRIOR,
    ScatterPrior,
    mean_belief,
)
from pitchbench.intonation.verdict import CONFIDENCE, confidence_asked

TOLERANCE_CENTS = 2.0
MOST_TAKES = 16
RUNS = 40_000
SPREADS = ((0.3, 0.3), (0.3, 1.0), (1.0, 1.0), (0.5, 2.0), (0.3, 3.0), (3.0, 3.0))
LEARNED = ScatterPrior(open_cents=0.5, open_dof=8.0, fretted_cents=2.0, fretted_dof=8.0)


@dataclass(frozen=True)
class Takes:
    """Simulated takes in cents, shape (runs, most): open about 0, fretted about the offset."""

    opens: np.ndarray
    fretteds: np.ndarray

    @classmethod
    def draw(cls, offset_cents: float, spreads: tuple[float, float], most: int, runs: int) -> Takes:
        rng = np.random.default_rng(20)
        return cls(
            rng.normal(0.0, spreads[0], (runs, most)),
            rng.normal(offset_cents, spreads[1], (runs, most)),
        )

    def belief(self, n_open: int, n_fretted: int, prior: ScatterPrior) -> tuple[np.ndarray, ...]:
        """Centre, scale and degrees of freedom after so many takes of each, shape (runs,)."""
        opens, fretteds = self.opens[:, :n_open], self.fretteds[:, :n_fretted]
        scale, dof = student_difference(
            *_mean_belief(opens, prior.open_cents, prior.open_dof),
            *_mean_belief(fretteds, prior.fretted_cents, prior.fretted_dof),
        )
        return fretteds.mean(1) - opens.mean(1), scale, dof


def _mean_belief(takes: np.ndarray, typical_cents: float, prior_dof: float):
    squares = ((takes - takes.mean(1, keepdims=True)) ** 2).sum(1)
    n = takes.shape[1]
    return mean_belief(n, squares, typical_cents=typical_cents, prior_dof=prior_dof)


def coverage(n_open: int, n_fretted: int, spreads: tuple[float, float], runs: int = RUNS) -> float:
    """Share of 95 % intervals that hold the truth."""
    takes = Takes.draw(0.0, spreads, max(n_open, n_fretted), runs)
    centre, scale, dof = takes.belief(n_open, n_fretted, DEFAULT_PRIOR)
    return float(np.mean(np.abs(centre) <= scale * special.stdtrit(dof, 0.975)))


@dataclass(frozen=True)
class Outcome:
    """Shares of runs that ended in each way, and the mean number of plucks."""

    leave: float
    move: float
    plucks: float


def sequential(
    offset_cents: float,
    spreads: tuple[float, float],
    *,
    prior: ScatterPrior = DEFAULT_PRIOR,
    as_one_look: bool = False,
    runs: int = RUNS,
) -> Outcome:
    """Two of each, then two fretted for each open until it is decided or `MOST_TAKES` are in."""
    takes = Takes.draw(offset_cents, spreads, MOST_TAKES, runs)
    undecided = np.ones(runs, dtype=bool)
    leave, move, plucks = 0, 0, 0
    for total in range(4, MOST_TAKES + 1):
        n_open = max(2, (total + 1) // 3)
        belief = takes.belief(n_open, total - n_open, prior)
        confidence = CONFIDENCE if as_one_look else confidence_asked(total, MOST_TAKES)
        p_within = probability_within(*belief, -TOLERANCE_CENTS, TOLERANCE_CENTS)
        left = undecided & (p_within >= confidence)
        moved = (
            undecided
            & (p_within <= 1.0 - confidence)
            & (probability_of_side(*belief) >= confidence)
        )
        leave, move = leave + left.sum(), move + moved.sum()
        plucks += total * (left | moved).sum()
        undecided &= ~(left | moved)
    plucks += MOST_TAKES * undecided.sum()
    return Outcome(leave / runs, move / runs, plucks / runs)


def plain(offset_cents: float, spreads: tuple[float, float], runs: int = RUNS) -> Outcome:
    """Three open, three fretted, and the mean decides."""
    takes = Takes.draw(offset_cents, spreads, 3, runs)
    within = np.abs(takes.fretteds.mean(1) - takes.opens.mean(1)) <= TOLERANCE_CENTS
    return Outcome(float(within.mean()), float(1.0 - within.mean()), 6.0)


def tables() -> str:
    lines = [
        "## Interval and verdict",
        "",
        "Simulated takes with known truth, normally distributed "
        f"({RUNS} runs a cell; made by `python tests/benchmarks/verdict_table.py --write`).",
        "",
        "How often the 95 % interval of the offset holds the truth, in per cent; goal 93 to 97. "
        "Spreads are standard deviations between takes, open / fretted, in cents.",
        "",
        "| takes of each | " + " | ".join(_spread(s) for s in SPREADS) + " |",
        "|---|" + "---|" * len(SPREADS),
    ]
    for n in range(2, 9):
        cells = [f"{100 * coverage(n, n, s):.1f}" for s in SPREADS]
        lines.append(f"| {n} | " + " | ".join(cells) + " |")
    grid = itertools.product(range(2, 9), range(2, 9), SPREADS)
    shares = [coverage(a, b, s, runs=10_000) for a, b, s in grid if a != b]
    lines += [
        "",
        f"With unequal numbers, 2 to 8 of each: {100 * min(shares):.1f} to "
        f"{100 * max(shares):.1f} per cent.",
        "",
        "What a decision costs and how often it is wrong, in per cent of strings, tolerance "
        f"{TOLERANCE_CENTS:g} cents. The plain rule: three open, three fretted, the mean decides. "
        "Ours: two of each, then one more at a time, two fretted for each open, until it is "
        f"decided, {MOST_TAKES} at most; then it says that the string is on the border, and what "
        "each choice risks. Ours, player known: the same with the spread learned from earlier "
        "strings (0.5 open, 2 fretted, worth 8 takes).",
        "",
        "| spread | true offset | plain: wrong | plain: plucks | ours: wrong | ours: border "
        "| ours: plucks | known: wrong | known: border | known: plucks |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for spreads, offset in itertools.product(
        ((0.3, 0.3), (0.3, 1.0), (0.5, 2.0), (1.0, 3.0)), (0.0, 1.0, 1.99, 2.01, 3.0, 5.0, 10.0)
    ):
        ours = sequential(offset, spreads)
        known = sequential(offset, spreads, prior=LEARNED) if spreads == (0.5, 2.0) else None
        theirs = 100 * _wrong(plain(offset, spreads), offset)
        lines.append(
            f"| {_spread(spreads)} | {offset:g} | {theirs:.1f} | 6 "
            f"| {_cells(ours, offset)} | {_cells(known, offset) if known else ' |  | '} |"
        )
    worst = max(
        max(_wrong(sequential(1.99, s), 1.99), _wrong(sequential(2.01, s), 2.01)) for s in SPREADS
    )
    single = max(_wrong(sequential(1.99, s, as_one_look=True), 1.99) for s in SPREADS)
    lines += [
        "",
        f"The worst case is a string exactly on the tolerance: {100 * worst:.1f} per cent wrong "
        f"with the confidence asked of repeated looks, {100 * single:.1f} with the 95 % that is "
        "right for a single one.",
    ]
    return "\n".join(lines) + "\n"


def _spread(spreads: tuple[float, float]) -> str:
    return f"{spreads[0]:g} / {spreads[1]:g}"


def _wrong(outcome: Outcome, offset_cents: float) -> float:
    return outcome.leave if abs(offset_cents) > TOLERANCE_CENTS else outcome.move


def _cells(outcome: Outcome, offset_cents: float) -> str:
    border = 1.0 - outcome.leave - outcome.move
    wrong = 100 * _wrong(outcome, offset_cents)
    return f"{wrong:.1f} | {100 * border:.0f} | {outcome.plucks:.1f}"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true")
    result = tables()
    print(result)
    if parser.parse_args().write:
        write_section("verdict_table", result)
