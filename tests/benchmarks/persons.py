"""Persons at an instrument, made of numbers: what is heard when they play, and what moves do.

Independent of the virtual instrument: an offset per string, a hand that scatters, a screw that is
turned not quite as told. Three ways of working are given to them: what the program decides, the
plain procedure (three open, three fretted, 1 mm) and the best fixed one (one open, five fretted,
the computed move).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from pitchbench.intonation.deciding import (
    AS_TOLD,
    MOST_TAKES,
    SURE,
    SURE_AT_LAST,
    judge,
)
from pitchbench.intonation.knowledge import (
    ANYBODY,
    Knowledge,
    after_move,
    after_take,
    after_tuning,
    begin,
)
from pitchbench.intonation.verdict import Decision, Verdict

TOLERANCE_CENTS = 2.0
STRINGS = 6
FOUND_CENTS, OPEN_CENTS, TUNING_CENTS = 8.0, 0.5, 1.0
TURNED_SHARE, BACKLASH_MM = 0.10, 0.1

#: 1200 / ln 2 / 648 mm: the 12th fret of a guitar.
CENTS_PER_MM = 2.67

#: Nobody goes round more often with one string.
MOST_ROUNDS = 30


@dataclass(frozen=True)
class World:
    """What kind of persons and strings there are; refretting, of each person, and how far readings
    are good, of each string, are drawn evenly on a log scale."""

    name: str
    refret_cents: tuple[float, float] = (2.0, 2.0)
    reading_cents: tuple[float, float] = (0.15, 0.15)
    bent: float = 0.0
    tires_cents: float = 0.0
    dependence: float = 0.0
    wrong_way: float = 0.0
    not_seated: float = 0.0


NOMINAL = World("nominal")
SPREAD = World("refretting drawn from 0.7 to 3.5", refret_cents=(0.7, 3.5))
WIDE = World("refretting 4", refret_cents=(4.0, 4.0))
BENT = World("1 take in 12 bent sharp by 5 to 10", bent=1 / 12)
TIRED = World("hand tires, +1.5 cents over 80 plucks", tires_cents=1.5)
DEPENDENT = World("successive takes correlated by 0.5", dependence=0.5)
WRONG = World("2 % moved the wrong way, 3 % not seated", wrong_way=0.02, not_seated=0.03)
ALL = World(
    "all of it together, tiring by 0.5 cents",
    refret_cents=(0.7, 3.5),
    bent=1 / 12,
    tires_cents=0.5,
    dependence=0.5,
    wrong_way=0.02,
    not_seated=0.03,
)
ALL_TIRED = replace(ALL, name="all of it together, tiring by 1.5 cents", tires_cents=1.5)
#: As takes of twenty real notes of 2 to 4 s tell an offset: 0.4 to 0.6 at the 10th percentile, 0.9
#: to 1.3 in the median, 2 to 3 at the 90th.
REAL = World("readings of real strings, good to 0.5 to 3", reading_cents=(0.5, 3.0))
WORLDS = (NOMINAL, REAL, SPREAD, WIDE, BENT, TIRED, DEPENDENT, WRONG, ALL, ALL_TIRED)


class Bench:
    """One person with one instrument."""

    def __init__(self, world: World, seed: int) -> None:
        self.world = world
        self.rng = np.random.default_rng([seed, 13])
        low, high = world.refret_cents
        self.refret_cents = low * (high / low) ** self.rng.random()
        least, most = world.reading_cents
        drawn = np.random.default_rng([seed, 14]).random(STRINGS)
        self.reading_u_cents = least * (most / least) ** drawn
        self.offsets = self.rng.normal(0.0, FOUND_CENTS, STRINGS)
        self.tuned = np.zeros(STRINGS)
        self.turned_mm = np.zeros(STRINGS)
        self.backlash_mm = self.rng.uniform(0.0, BACKLASH_MM)
        self.hand = self.rng.standard_normal()
        self.plucks = 0
        self.moves = 0
        self.finished = True

    def tune(self, string: int) -> None:
        self.tuned[string] = self.rng.normal(0.0, TUNING_CENTS)

    def pluck(self, string: int, *, fretted: bool) -> float:
        """Cents from the note."""
        rng, world = self.rng, self.world
        fresh = math.sqrt(1.0 - world.dependence**2) * rng.standard_normal()
        self.hand = world.dependence * self.hand + fresh
        cents = self.tuned[string] + self.reading_u_cents[string] * rng.standard_normal()
        cents += (self.refret_cents if fretted else OPEN_CENTS) * self.hand
        if fretted:
            cents += self.offsets[string] + world.tires_cents * self.plucks / 80.0
            if rng.random() < world.bent:
                cents += rng.uniform(5.0, 10.0)
        self.plucks += 1
        return float(cents)

    def move(self, string: int, change_cents: float) -> None:
        """Turn the screw so that the offset should change by so much, and tune again."""
        rng = self.rng
        mm = -change_cents / CENTS_PER_MM * (1.0 + TURNED_SHARE * rng.standard_normal())
        if rng.random() < self.world.wrong_way:
            mm = -mm
        if self.turned_mm[string] * mm < 0.0:
            mm = math.copysign(max(0.0, abs(mm) - self.backlash_mm), mm)
        self.turned_mm[string] = mm
        if rng.random() < self.world.not_seated:
            mm *= rng.random()
        self.offsets[string] -= CENTS_PER_MM * mm
        self.moves += 1
        self.tune(string)


@dataclass(frozen=True)
class Ended:
    """How one instrument was left; ``p_within`` is what was claimed of each string, if anything."""

    within: tuple[bool, ...]
    plucks: float
    moves: float
    finished: bool
    p_within: tuple[float, ...] = ()


def _ended(bench: Bench) -> Ended:
    within = tuple(bool(x) for x in np.abs(bench.offsets) <= TOLERANCE_CENTS)
    return Ended(within, bench.plucks / STRINGS, bench.moves / STRINGS, bench.finished)


def fixed(bench: Bench, *, opens: int, limit_cents: float, step_mm: float | None = None) -> Ended:
    """So many open and ``6 - opens`` fretted takes; move where their mean is beyond the limit."""
    for string in range(STRINGS):
        for _ in range(MOST_ROUNDS):
            bench.tune(string)
            heard = [bench.pluck(string, fretted=i >= opens) for i in range(6)]
            mean = float(np.mean(heard[opens:]) - np.mean(heard[:opens]))
            if abs(mean) <= limit_cents:
                break
            step = -mean if step_mm is None else -math.copysign(step_mm * CENTS_PER_MM, mean)
            bench.move(string, step)
    return _ended(bench)


def plain(bench: Bench) -> Ended:
    """Three open, three fretted; where the mean is outside the tolerance, 1 mm, and again."""
    return fixed(bench, opens=3, limit_cents=TOLERANCE_CENTS, step_mm=1.0)


def best_fixed(bench: Bench) -> Ended:
    """One open, five fretted, the computed move; the limit leaves 97 % in the nominal world."""
    return fixed(bench, opens=1, limit_cents=1.2)


def decided(bench: Bench) -> Ended:
    """What the program decides is done."""
    strings: list[Knowledge] = []
    for string in range(STRINGS):
        person = ANYBODY.having_played(strings)
        strings.append(_work(bench, string, begin(person), SURE)[0])
    claimed = []
    for string in range(STRINGS):
        others = [other for i, other in enumerate(strings) if i != string]
        known = replace(strings[string], person=ANYBODY.having_played(others))
        found = judge(known, tolerance_cents=TOLERANCE_CENTS)
        if found.p_within < SURE_AT_LAST and known.open + known.fretted < MOST_TAKES:
            strings[string], found = _work(bench, string, known, SURE_AT_LAST)
        claimed.append(found.p_within)
    return replace(_ended(bench), p_within=tuple(claimed))


def _work(bench: Bench, string: int, known: Knowledge, sure: float) -> tuple[Knowledge, Verdict]:
    """Tune, play and move one string until it is left."""
    bench.tune(string)
    known, fretted = after_tuning(known), False
    for _ in range(MOST_ROUNDS * MOST_TAKES):
        cents = bench.pluck(string, fretted=fretted)
        u_cents = float(bench.reading_u_cents[string])
        known = after_take(known, fretted=fretted, cents=cents, u_cents=u_cents)
        found = judge(known, tolerance_cents=TOLERANCE_CENTS, sure=sure)
        fretted = found is None or found.next_fretted
        if found is None or found.decision is Decision.TAKE_MORE:
            continue
        if found.decision is Decision.LEAVE:
            return known, found
        bench.move(string, found.change_cents)
        change, fretted = found.change_cents, False
        known = after_move(known, change_cents=change, u_cents=AS_TOLD.u_cents(change))
    bench.finished = False
    return known, found


def persons(world: World, procedure: Callable[[Bench], Ended], seeds: range) -> list[Ended]:
    """So many persons of one kind, working in one way."""
    return [procedure(Bench(world, seed)) for seed in seeds]
