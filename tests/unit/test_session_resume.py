"""Resuming rebuilds a session from its entries: nothing that was read is lost."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from session_story import Story, setup_of

from pitchbench.pitch.reading import Reason
from pitchbench.records.documents import from_json, to_json
from pitchbench.session.job import Command, Event
from pitchbench.session.log import Entry, Log, MoveEntry, OutcomeEntry, Step, TakeEntry, TakeFate
from pitchbench.session.state import State, begin, resume


def _whole_job() -> Story:
    """Two strings with everything in between: a move, a key, rejects, a strike, a second round."""
    story = Story.begin(strings=(6, 5))
    story.play(6, 0, -40.0).play(6, 0, 0.2).play(6, 12, 6.0, reason=Reason.TOO_SHORT)
    story.play(6, 7).play(6, 12, 14.0).key(Command.STRIKE).takes(6.0)
    story.move_and_retune(6).takes(-0.2)
    story.key(Command.TOLERANCE_DOWN).play(5).play(5, 12, -5.0).play(5, 0, -12.0).play(5, 0, -1.0)
    wide = (3.0, -3.0, 2.0, -2.0)
    story.takes(-6.0, wide).key(Command.ACCEPT).play(5, 0, 0.3).takes(0.1, wide)
    assert (story.state.log.step, story.state.log.current) == (Step.LAST_ROUND, 6)
    story.string(7.0).move_and_retune(6).takes(0.2)
    assert story.state.log.step is Step.FINISHED
    return story


def _kept(state: State) -> tuple[list[object], list[object], list[object]]:
    """Takes, moves and outcomes, with their values and the rounds they belong to."""
    takes = [
        (t.string, t.fret, t.round, t.fate, t.tuning, t.reading.pitch_hz)
        for s in state.log.strings
        for t in s.takes
    ]
    moves = [(e.string, round(e.made_mm, 9)) for e in state.entries if isinstance(e, MoveEntry)]
    outcomes = [(e.string, e.outcome) for e in state.entries if isinstance(e, OutcomeEntry)]
    return takes, moves, outcomes


def _same_work(one: Log, other: Log) -> None:
    assert (one.step, one.current, one.tuned) == (other.step, other.current, other.tuned)
    assert one.wanted_fret == other.wanted_fret
    assert one.tolerance_cents == other.tolerance_cents
    for a, b in zip(one.strings, other.strings, strict=True):
        assert (a.takes, a.moves, a.outcome, a.tuning) == (b.takes, b.moves, b.outcome, b.tuning)
        assert a.found == b.found
        assert a.now == b.now
        assert a.advice == b.advice


def _replayed(events: list[Event], setup: State) -> list[State]:
    states = [setup]
    for event in events:
        states.append(states[-1].advance(event))
    return states


def test_resuming_at_any_event_rebuilds_the_same_work() -> None:
    story = _whole_job()
    for state in _replayed(story.events, begin(story.state.setup)):
        if state.ringing:
            continue
        _same_work(resume(state.setup, state.entries).log, state.log)


def test_going_on_after_resuming_ends_as_if_never_stopped() -> None:
    story = _whole_job()
    states = _replayed(story.events, begin(story.state.setup))
    for stop in range(0, len(states), 3):
        resumed = resume(states[stop].setup, states[stop].entries)
        # The remaining events carry the old stream's times; the time line goes on after them.
        resumed = replace(resumed, clock_s=0.0)
        for event in story.events[stop:]:
            resumed = resumed.advance(event)
        assert _kept(resumed) == _kept(story.state), f"stopped after event {stop}"


def test_a_new_stream_goes_on_with_the_sessions_time_line() -> None:
    story = Story.begin().play(6).play(6, 12, 3.0)
    resumed = resume(story.state.setup, story.entries)
    again = Story(resumed)
    again.play(6)
    times = [e.at_s for e in again.entries if isinstance(e, TakeEntry)]
    assert times == sorted(times)
    assert times[-1] >= story.state.at_s
    assert again.state.log.last_take is not None
    assert again.state.log.last_take.reading.onset_s == times[-1]


@pytest.mark.parametrize("cut", range(1, 8))
def test_a_crash_between_two_entries_of_one_event_loses_nothing(cut: int) -> None:
    """Entries are kept one by one; the power may fail between any two of them."""
    story = Story.begin(strings=(6,)).string(6.0)
    entries = story.entries[:-cut]
    resumed = Story(resume(story.state.setup, entries))
    if resumed.state.log.step is not Step.MOVE:
        resumed.play(6).takes(6.0)
    assert resumed.state.log.step is Step.MOVE
    kept = [e for e in resumed.entries if isinstance(e, TakeEntry)]
    assert kept[: sum(isinstance(e, TakeEntry) for e in entries)] == [
        e for e in entries if isinstance(e, TakeEntry)
    ]


def test_entries_survive_the_records_form() -> None:
    story = _whole_job()
    written = [to_json(entry, Entry) for entry in story.entries]
    back = tuple(from_json(text, Entry) for text in written)
    assert [to_json(entry, Entry) for entry in back] == written
    resumed = resume(story.state.setup, back)
    assert resumed.log.step is Step.FINISHED
    assert _kept(resumed) == _kept(story.state)


def test_of_a_move_of_which_a_log_does_not_say_so_nothing_was_said() -> None:
    moves = [entry for entry in _whole_job().entries if isinstance(entry, MoveEntry)]
    written = json.loads(to_json(moves[0], Entry))
    assert written.pop("said") is False
    assert from_json(json.dumps(written), Entry) == moves[0]


def test_struck_takes_stay_struck() -> None:
    story = Story.begin().play(6).play(6, 12, 30.0).key(Command.STRIKE)
    resumed = resume(story.state.setup, story.entries)
    assert [t.fate for t in resumed.log.strings[5].takes] == [TakeFate.ACCEPTED, TakeFate.STRUCK]
    assert resumed.log.strings[5].now is None


def test_where_nothing_was_heard_it_begins() -> None:
    assert resume(setup_of(), ()) == begin(setup_of())
    assert resume(setup_of(), ()).at_s == 0.0
    assert resume(setup_of(), ()).log.wanted_fret == 0, "the open string, whatever is done first"
