"""One log, one fold: whoever reads a session, and whenever, reads the same.

Random stories: plucks of all sorts, rejected ones, every key, lost inputs, and the log written out
and read again at any point. PITCHBENCH_STORIES sets how many.
"""

from __future__ import annotations

import csv
import io
import os
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from session_story import Story, setup_of

from pitchbench.pitch.reading import Reason
from pitchbench.presets import preset
from pitchbench.records.documents import from_json, to_json
from pitchbench.records.model import SessionMeta, SessionRecord
from pitchbench.records.rows import DECIDE_OUTCOMES
from pitchbench.report.export import takes_csv
from pitchbench.report.sheet import build_sheet, interval_words
from pitchbench.session.fold import read_log
from pitchbench.session.job import Command, InputBack, InputLost
from pitchbench.session.learning import learned_person, learned_response
from pitchbench.session.log import (
    AdviceEntry,
    Entry,
    Log,
    Outcome,
    OutcomeEntry,
    Step,
    StepEntry,
    UndoEntry,
)
from pitchbench.session.saddles import learned
from pitchbench.session.state import State, begin, resume

STORIES = int(os.environ.get("PITCHBENCH_STORIES", "40"))

#: Run side by side: the stories of one worker stay within a test's five minutes.
SHARES = 8

_CENTS = st.floats(-9.0, 9.0)

#: One thing that may happen. Most of it is what a person does who follows the session; the rest is
#: everything else that can happen to one. What is drawn more often stands there more often.
HAPPENINGS = st.one_of(
    *[st.tuples(st.just("worked"), _CENTS)] * 5,
    *[st.tuples(st.just("followed"), st.floats(0.5, 1.3))] * 4,
    *[st.tuples(st.just("asked"), _CENTS)] * 2,
    st.tuples(st.just("fretted"), _CENTS),
    st.tuples(st.just("open"), st.floats(-14.0, 14.0)),
    st.tuples(st.just("slack"), st.floats(-400.0, -35.0)),
    st.tuples(st.just("live"), st.floats(-400.0, 40.0)),
    st.tuples(st.just("other"), st.integers(1, 6)),
    st.tuples(st.just("noise"), st.floats(40.0, 1300.0)),
    st.tuples(st.just("rejected"), st.sampled_from(Reason)),
    st.tuples(st.just("key"), st.sampled_from(sorted(set(Command) - {Command.QUIT}))),
    st.tuples(st.just("strike"), st.integers(1, 30)),
    st.tuples(st.just("lost"), st.just(0)),
    st.tuples(st.just("read again"), st.just(0)),
)

#: Departures of one take after the other from their mean: an ordinary player, sum zero.
_SCATTER = (1.1, -1.4, 0.2, 1.6, -1.9, 0.4)

_GUITAR = preset("six-string")
_SHORT = replace(_GUITAR, bridge=replace(_GUITAR.bridge, travel_away_mm=1.0))

SETUPS = st.sampled_from(
    [
        setup_of(strings=(6, 5), most_takes=8),
        setup_of(strings=(2, 6, 1)),
        setup_of(strings=(6, 5), fret=5),
        setup_of(_SHORT, strings=(6, 4)),
    ]
)


def _read_again(log: Log) -> Log:
    entries = from_json(to_json(log.entries, tuple[Entry, ...]), tuple[Entry, ...])
    return read_log(log.setup, entries)


def _written(log: Log) -> str:
    """A log as text, so that readings, which have no equality of their own, compare by value."""
    return to_json(log)


def _happen(story: Story, kind: str, value: object, left: dict[int, float]) -> None:
    state = story.state
    string = state.log.current
    match kind:
        case "worked":
            offset = left.setdefault(string, value)
            for departure in _SCATTER:
                if story.state.log.step in (Step.MOVE, Step.FINISHED):
                    return
                if story.state.log.current == string:
                    _play_asked(story, offset + departure, departure / 10.0)
        case "asked":
            _play_asked(story, left.setdefault(string, value) + value / 6.0, value / 10.0)
        case "followed":
            if (advice := state.log.string.advice) is None:
                return
            story.play(string, 0, -150.0)
            left[string] = left.get(string, 0.0) - 2.67 * advice.mm * value
            story.play(string, 0, 0.2)
        case "fretted":
            story.play(string, state.log.setup.fret, value)
        case "open" | "slack":
            story.play(string, 0, value)
        case "live":
            story.live(state.log.setup.open_hz(string) * 2 ** (value / 1200.0))
        case "other":
            story.play(value)
        case "noise":
            story.sound(value)
        case "rejected":
            story.play(string, 0, reason=value)
        case "key":
            story.key(value)
        case "strike":
            story.key(Command.STRIKE, value)
        case "lost":
            story.event(InputLost("unplugged")).event(InputBack())
        case "read again":
            story.state = resume(state.log.setup, state.log.entries)
            before = story.state.log
            story.event(InputBack())
            assert story.entries[len(before.entries) :] == (), "a log of this version lacks nothing"


def _play_asked(story: Story, fretted_cents: float, open_cents: float) -> None:
    log = story.state.log
    cents = fretted_cents if log.wanted_fret else open_cents
    story.play(log.current, log.wanted_fret or 0, cents)


def _record(log: Log) -> SessionRecord:
    meta = SessionMeta(
        "20260301-" + "0" * 32, None, datetime(2026, 3, 1, tzinfo=UTC), None, "test", "a story"
    )
    return SessionRecord(log.setup, log.entries, meta)


def _everybody_reads_the_same(state: State) -> None:
    log = state.log
    again = _read_again(log)
    assert _written(again) == _written(log)
    record = _record(again)
    rows = build_sheet(record).rows
    shown = {row.string: (row.found, row.left, len(row.moves)) for row in rows}
    assert shown == {
        s.number: (interval_words(s.found), interval_words(s.now), len(s.moves))
        for s in log.strings
    }
    table = csv.DictReader(io.StringIO(takes_csv(record)))
    assert [(int(row["take"]), row["fate"]) for row in table] == sorted(
        (take.number, str(take.fate)) for s in log.strings for take in s.takes
    )
    deciding = [entry for entry in log.entries if isinstance(entry, DECIDE_OUTCOMES)]
    if not any(isinstance(entry, UndoEntry) for entry in deciding):
        in_short = read_log(log.setup, deciding)
        assert [s.outcome for s in in_short.strings] == [s.outcome for s in log.strings]
        assert in_short.order == log.order
    assert [row.outcome == "left out" for row in rows] == [
        s.number not in log.order for s in log.strings
    ]
    assert learned_response([again], log.setup) == learned(log)
    assert learned_person([again]) == learned_person([log])


@pytest.mark.parametrize("share", range(SHARES))
def test_live_work_and_everyone_who_reads_its_log_agree(share: int) -> None:
    @settings(
        max_examples=max(1, STORIES // SHARES),
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
        phases=(Phase.explicit, Phase.generate),
    )
    @given(SETUPS, st.lists(HAPPENINGS, min_size=14, max_size=30), st.just(share))
    def tell(setup, happenings, _share) -> None:
        story = Story(begin(setup))
        left: dict[int, float] = {}
        for kind, value in happenings:
            before = story.state
            _happen(story, kind, value, left)
            assert story.entries[: len(before.log.entries)] == before.log.entries
        _everybody_reads_the_same(story.state)

    tell()


def test_a_string_that_is_to_be_moved_after_all_is_not_done() -> None:
    """Where all are checked once more, the sound may end before a move that was advised is made:
    it was on record as "leave it", and no check was due."""
    left = OutcomeEntry(10.0, 6, Outcome.LEAVE, None)
    setup = setup_of("six-string")
    assert read_log(setup, [left]).strings[5].outcome is Outcome.LEAVE
    assert read_log(setup, [left, AdviceEntry(20.0, 6, None)]).strings[5].outcome is None
    assert AdviceEntry in DECIDE_OUTCOMES


@pytest.mark.parametrize("step", [Step.MOVE, Step.RETUNE])
def test_no_string_is_done_whose_saddle_is_about_to_move(step: Step) -> None:
    """The saddle of the string at work may have been moved when nothing more was heard; on it lies
    the string beside."""
    setup = setup_of("paired-saddles", strings=(6, 5, 4, 3))
    left = [OutcomeEntry(10.0, number, Outcome.LEAVE, None) for number in (3, 5, 6)]
    log = read_log(setup, [*left, StepEntry(20.0, 6, step)])
    assert {s.number for s in log.strings if s.outcome is Outcome.LEAVE} == {3, 6}
    moved = read_log(setup, [*log.entries, AdviceEntry(20.0, 6, None)])
    assert {s.number for s in moved.strings if s.outcome is Outcome.LEAVE} == {3}
