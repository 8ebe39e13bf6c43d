"""Simulated persons at work in the session itself; the whole table is in docs/accuracy.md."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

from persons import ALL, NOMINAL, Bench, World
from persons_in_session import Worked, work
from session_story import Story

from pitchbench.intonation.verdict import SURE, Decision, Notice
from pitchbench.report.session import session_document
from pitchbench.session.learning import learned_person
from pitchbench.session.log import AdviceEntry, Outcome, Step, StepEntry, VerdictEntry
from pitchbench.session.state import resume


def two_strings(world: World, seed: int, **setup: object) -> Worked:
    """Two strings are enough to go on from one to the next and to come back."""
    return work(Bench(world, seed), strings=(6, 5), **setup)


@pytest.fixture(scope="module")
def late() -> list[Worked]:
    """Fifty sessions in which a take comes in after every advice; in half of them soon at the
    most takes, where advice is given on the border."""
    few, usual = {"most_takes": 6}, {"most_takes": 24}
    return [
        two_strings(ALL if seed % 4 > 1 else NOMINAL, seed, late=1.0, **(few, usual)[seed % 2])
        for seed in range(50_000, 50_050)
    ]


def test_takes_that_come_in_late_lose_no_move(late: list[Worked]) -> None:
    steps = [e.step for w in late for e in w.log.entries if isinstance(e, StepEntry)]
    assert steps.count(Step.BORDER) >= 10
    assert steps.count(Step.MOVE) >= 50
    assert [w.lost_moves for w in late] == [0] * len(late)
    assert all(w.ended.finished for w in late)


def test_the_word_is_leave_where_the_number_says_so(late: list[Worked]) -> None:
    """On record, in the document, and for everyone who reads the log again."""
    for worked in late:
        read = resume(worked.log.setup, worked.log.entries)
        document = session_document(read, session=None, source="numbers")
        for told, string in zip(document.strings, (5, 4), strict=True):
            found = read.log.strings[string]
            assert found.verdict is not None
            assert told.p_within == found.verdict.p_within
            assert told.outcome == ("leave" if told.p_within >= SURE else "border")
            left = told.left_rests_on
            assert left is not None
            assert left.carried_over == (len(found.moves) > 0)
    verdicts = [
        e.verdict for w in late for e in w.log.entries if isinstance(e, VerdictEntry) and e.verdict
    ]
    assert all(v.p_within >= SURE or v.border for v in verdicts if v.decision is Decision.LEAVE)


def test_advice_is_only_ever_replaced_by_other_advice_or_followed(late: list[Worked]) -> None:
    taken_back = [
        e for w in late for e in w.log.entries if isinstance(e, AdviceEntry) and e.move is None
    ]
    assert taken_back == []


def test_a_bent_take_hardly_counts_and_is_said() -> None:
    story = Story.begin(tolerance_cents=0.5).play(6)
    for cents in (0.6, 0.4, 0.5, 0.55):
        story.play(6, 12 if story.state.log.wanted_fret else 0, cents)
    before = story.state.log.string.now
    story.play(6, 12, 9.5)
    after = story.state.log.string.now
    assert before is not None
    assert after is not None
    assert after.offset_cents - before.offset_cents < 0.5, "a mean would be 1.8 cents higher"
    assert "bent sharp" in story.state.says
    assert story.state.log.string.verdict is not None
    assert Notice.BENT in story.state.log.string.verdict.notices


def test_a_person_is_learned_over_sessions() -> None:
    """A steady hand and an unsteady one, each told from anybody after two sessions."""
    spreads = {}
    for cents in (0.7, 3.5):
        world = World("one hand", refret_cents=(cents, cents))
        logs = [two_strings(world, 70_000 + seed).log for seed in range(2)]
        spreads[cents] = learned_person(logs).spread_cents
    anybody = learned_person(()).spread_cents
    assert spreads[0.7] < 0.85 * anybody
    assert spreads[3.5] > 1.15 * anybody


def test_no_string_is_left_that_could_have_been_checked(late: list[Worked]) -> None:
    outcomes = {s.outcome for w in late for s in w.log.strings[4:6]}
    assert outcomes <= {Outcome.LEAVE, Outcome.BORDER}
