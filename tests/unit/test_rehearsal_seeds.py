"""The main job, on sound, over many seeds: strings end up right and no saddle goes the wrong way.

Every string of every preset is done by several seeds. Whole instruments, one after the other, take
half an hour: tests/benchmarks/rehearsals.py.
"""

from __future__ import annotations

import multiprocessing
import os
from concurrent.futures import ProcessPoolExecutor

import pytest
from session_story import setup_of

from pitchbench.presets import preset
from pitchbench.session.log import Step
from pitchbench.session.rehearsal import Rehearsal, rehearse

PRESETS = (
    "six-string",
    "six-string-drop-c",
    "six-string-major-third-down",
    "seven-string",
    "bass-five",
)
SEEDS = range(1, 21)

#: What the job promises: a string is right within this, nearly always.
RIGHT_CENTS = 2.0
LEAST_SHARE = 0.95

#: Below this an offset is no reason to move, and chance may decide the direction of a move.
CLEARLY_OFF_CENTS = 3.0


def one_string(job: tuple[str, int]) -> Rehearsal:
    """One string of the preset, another one for each seed."""
    name, seed = job
    strings = len(preset(name).strings)
    return rehearse(setup_of(name, strings=(1 + seed % strings,)), seed=seed)


@pytest.mark.timeout(1200)
def test_strings_end_up_right_and_no_move_goes_the_wrong_way() -> None:
    """One test for all presets: a share of one in twenty is not to be seen in twenty strings."""
    jobs = [(name, seed) for name in PRESETS for seed in SEEDS]
    # Spawned, not forked: other tests of this run may have left threads behind.
    with ProcessPoolExecutor(os.cpu_count(), multiprocessing.get_context("spawn")) as pool:
        rehearsals = dict(zip(jobs, pool.map(one_string, jobs), strict=True))

    unfinished = [job for job, r in rehearsals.items() if r.state.log.step is not Step.FINISHED]
    assert unfinished == []

    # A sharp string (positive offset) needs its saddle away from the nut (positive).
    wrong = {
        job: move
        for job, rehearsal in rehearsals.items()
        for move in rehearsal.moves
        if abs(move.true_before_cents) > CLEARLY_OFF_CENTS
        and move.advised_mm * move.true_before_cents <= 0.0
    }
    assert wrong == {}

    left = {job: next(iter(r.true_left_cents.values())) for job, r in rehearsals.items()}
    off = {job: cents for job, cents in left.items() if abs(cents) > RIGHT_CENTS}
    assert len(off) <= (1.0 - LEAST_SHARE) * len(left), off


def test_the_same_seed_gives_the_same_rehearsal() -> None:
    one, other = (rehearse(setup_of(strings=(1,), tolerance_cents=4.0), seed=3) for _ in range(2))
    assert one.true_left_cents == other.true_left_cents
    assert [e.at_s for e in one.state.entries] == [e.at_s for e in other.state.entries]
    assert one.moves == other.moves


def test_the_player_does_the_last_round_too() -> None:
    """Where a string is not sure enough once all are done; on others nothing is asked again."""
    setup = setup_of(strings=(2, 1), tolerance_cents=2.0)
    done = [rehearse(setup, seed=seed) for seed in range(3, 9)]
    assert all(rehearsal.state.log.step is Step.FINISHED for rehearsal in done)
    checked = {
        any(getattr(e, "step", None) is Step.LAST_ROUND for e in rehearsal.state.entries)
        for rehearsal in done
    }
    assert checked == {True, False}
