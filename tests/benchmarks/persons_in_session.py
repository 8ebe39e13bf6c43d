"""Persons at work in the guided session itself: its state, its steps and its advice, on numbers.

What is heard of a pluck is its pitch; what a person does is what the session asks for, and now and
then a note that was under way when the advice came.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from persons import CENTS_PER_MM, STRINGS, TOLERANCE_CENTS, Bench, Ended
from session_story import Story

from pitchbench.instrument import Instrument
from pitchbench.intonation.deciding import MOST_TAKES
from pitchbench.presets import preset
from pitchbench.session.log import Log, MoveEntry, Outcome, Step

#: A guitar whose saddles never run out of travel, as those of the persons never do.
ROOM_MM = 30.0

#: Nobody plucks more often for one string: twice the most takes, and a slackened note per move.
PATIENCE = 3 * MOST_TAKES * STRINGS


@dataclass(frozen=True)
class Worked:
    """How a session went: how it ended, its log, and moves made at the instrument that are not on
    record."""

    ended: Ended
    log: Log
    lost_moves: int


def roomy() -> Instrument:
    """The guitar that is worked on."""
    guitar = preset("six-string")
    bridge = replace(guitar.bridge, travel_toward_nut_mm=ROOM_MM, travel_away_mm=ROOM_MM)
    return replace(guitar, bridge=bridge)


def work(bench: Bench, *, late: float = 0.0, **setup: object) -> Worked:
    """A whole session; ``late`` is how often one more fretted note comes in after the advice,
    ``setup`` what its setup says besides."""
    story = Story.begin(roomy(), tolerance_cents=TOLERANCE_CENTS, **setup)

    def pluck(at: int, *, fretted: bool) -> None:
        cents = bench.pluck(at, fretted=fretted)
        u_cents = float(bench.reading_u_cents[at])
        story.play(1 + at, 12 if fretted else 0, cents, u_cents=u_cents)

    for _ in range(PATIENCE):
        log = story.state.log
        if log.finished:
            break
        number, at = log.current, log.current - 1
        if log.step in (Step.MOVE, Step.BORDER) and log.string.advice is not None:
            advice = log.string.advice
            if late and bench.rng.random() < late:
                pluck(at, fretted=True)
            bench.move(at, -CENTS_PER_MM * advice.screw_mm)
            story.play(number, 0, -180.0)
            pluck(at, fretted=False)
            continue
        if not log.tuned:
            bench.tune(at)
        pluck(at, fretted=bool(log.wanted_fret) and log.tuned)
    return _worked(bench, story.state.log)


def _worked(bench: Bench, log: Log) -> Worked:
    ended = Ended(
        within=tuple(bool(x) for x in np.abs(bench.offsets) <= TOLERANCE_CENTS),
        plucks=sum(len(string.accepted) for string in log.strings) / STRINGS,
        moves=bench.moves / STRINGS,
        finished=log.finished,
        p_within=tuple(s.verdict.p_within if s.verdict else 0.0 for s in log.strings),
    )
    made = sum(isinstance(entry, MoveEntry) for entry in log.entries)
    return Worked(ended, log, bench.moves - made)


def in_session(bench: Bench) -> Ended:
    """What the session advises is done."""
    return work(bench).ended


def border(worked: Worked) -> int:
    """How many strings were left on the border."""
    return sum(string.outcome is Outcome.BORDER for string in worked.log.strings)
