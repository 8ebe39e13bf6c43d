"""What was done can be taken back: the last pluck or key, and all that followed from it."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from session_story import Story, setup_of

from pitchbench.pitch.reading import Reason
from pitchbench.records.documents import from_json, to_json
from pitchbench.session import survey
from pitchbench.session.checks import Check, Checked, Stage
from pitchbench.session.fold import read_log
from pitchbench.session.job import Command, KeyPressed
from pitchbench.session.log import (
    CheckEntry,
    Entry,
    Log,
    Outcome,
    Step,
    TakeEntry,
    UndoEntry,
)
from pitchbench.session.state import State, begin, reopened, resume
from pitchbench.session.words import TURNED_ALREADY


def _told(log: Log) -> dict[str, Any]:
    """A log but for what only ever grows; readings have no equality of their own."""
    fields = {f.name: getattr(log, f.name) for f in dataclasses.fields(log)}
    told = {name: fields[name] for name in fields.keys() - {"entries", "at_s", "setup"}}
    return {**told, "strings": to_json(log.strings), "standing": to_json(log.standing)}


def _whole_job() -> Story:
    """Every sort of pluck and key on two strings, to the end."""
    story = Story.begin(strings=(6, 5))
    story.play(6, 0, -40.0).play(6, 0, 0.2).play(6, 12, 6.0, reason=Reason.TOO_SHORT)
    story.play(6, 7).play(3).play(6, 12, 14.0).key(Command.STRIKE).takes(6.0)
    story.key(Command.LESS).key(Command.TOLERANCE_UP).key(Command.TOLERANCE_DOWN)
    story.move_and_retune(6).takes(-0.2).key(Command.NEXT).key(Command.PREVIOUS)
    story.play(5).play(5, 12, -5.0).key(Command.AGAIN).key(Command.PREVIOUS).play(6).takes(-0.2)
    story.key(Command.ACCEPT).takes(0.1).key(Command.NEXT)
    return story


def test_each_pluck_and_key_can_be_taken_back() -> None:
    story = _whole_job()
    state: State = begin(story.state.setup)
    undone = 0
    for event in story.events:
        after = state.advance(event)
        if len(after.marks) == len(state.marks) + 1:
            back = after.advance(KeyPressed(Command.UNDO))
            assert _told(back.log) == _told(state.log), event
            assert back.marks == state.marks
            assert back.log.entries[:-1] == after.log.entries
            undone += 1
        state = after
    assert undone > 25


def test_everything_can_be_taken_back_one_after_the_other_and_done_otherwise() -> None:
    story = _whole_job()
    first = begin(story.state.setup)
    for _ in range(len(story.state.marks)):
        story.key(Command.UNDO)
    assert _told(story.state.log) == _told(first.log)
    story.key(Command.UNDO)
    assert story.state.says == "There is nothing to take back."
    numbers = [e.take.number for e in story.entries if isinstance(e, TakeEntry)]
    story.play(6)
    assert story.state.log.last_take is not None
    assert story.state.log.last_take.number == max(numbers) + 1, "no number is given twice"


def test_it_is_on_record_and_every_reader_follows() -> None:
    story = Story.begin(strings=(6, 5)).play(6).play(6, 12, 9.0).key(Command.UNDO)
    assert story.state.says == "Taken back: take 2."
    written = to_json(story.entries, tuple[Entry, ...])
    entries = from_json(written, tuple[Entry, ...])
    assert isinstance(entries[-1], UndoEntry)
    log = read_log(story.state.setup, entries)
    assert to_json(log) == to_json(story.state.log)
    assert [take.number for take in log.strings[5].takes] == [1]
    resumed = resume(story.state.setup, entries)
    assert resumed.log.wanted_fret == 12


def test_what_was_done_before_a_session_was_gone_on_with_goes_take_by_take() -> None:
    story = _whole_job()
    whole = story.state
    assert any(isinstance(entry, UndoEntry) for entry in whole.entries)
    state = resume(whole.setup, whole.entries)
    standing = [e.take.number for e in state.log.standing if isinstance(e, TakeEntry)]
    for number in reversed(standing):
        state = state.advance(KeyPressed(Command.UNDO))
        said = f"Taken back: take {number} and what came after it."
        # Asked for again, a move must not be made twice.
        assert state.says == (said if state.awaits_pluck else f"{said} {TURNED_ALREADY}")
        left = [e.take.number for e in state.log.standing if isinstance(e, TakeEntry)]
        assert left == standing[: len(left)]
        assert len(left) == standing.index(number)
        assert state.log.step is not Step.FINISHED
    assert _told(state.log) == _told(begin(whole.setup).log)
    assert state.advance(KeyPressed(Command.UNDO)).says == "There is nothing to take back."
    # And it goes on from there.
    again = Story(state).play(6)
    assert again.state.log.wanted_fret == 12


def test_what_was_looked_at_is_not_taken_back() -> None:
    story = Story.begin(strings=(6,)).play(6)
    checked = CheckEntry(story.state.at_s, Checked(Check.RELIEF, Stage.BEFORE, mm=0.2))
    state = resume(story.state.setup, (*story.entries, checked))
    assert not state.marks
    state = Story(state, now_s=story.now_s).play(6, 12, 5.0).state
    assert len(state.marks) == 1


def test_a_slackened_string_is_one_thing_with_the_pluck_that_showed_it() -> None:
    story = Story.begin(strings=(6, 5)).string(6.0)
    assert story.state.log.step is Step.MOVE
    before = story.state.log
    slack_hz = story.target_hz(6) * 2 ** (-180 / 1200)
    story.ring(slack_hz).sound(slack_hz)
    assert story.state.log.step is Step.RETUNE
    story.key(Command.UNDO)
    assert _told(story.state.log) == _told(before)


@pytest.mark.parametrize("strings", [(6, 5), (6,)])
def test_next_is_taken_back_by_previous_wherever_it_led(strings: tuple[int, ...]) -> None:
    story = Story.begin(strings=strings).play(6).play(6, 12, 4.0)
    if len(strings) > 1:
        story.takes(0.1).play(5).play(5, 12, 2.0)
    before = story.state.log
    story.key(Command.NEXT)
    assert story.state.finished
    story.key(Command.PREVIOUS)
    assert _told(story.state.log) == _told(before)


def test_passing_over_ends_no_session() -> None:
    story = Story.begin(strings=(6, 5, 4)).key(Command.NEXT).play(5).takes(0.1)
    story.key(Command.NEXT)
    assert story.state.finished
    assert not story.state.complete
    assert "Strings 6 and 4 were passed over" in story.state.asks
    again = Story(reopened(resume(story.state.setup, story.entries)))
    assert again.state.log.current == 6
    assert again.state.says == "String 6 was passed over: it is set now."
    again.play(6).takes(0.1)
    assert again.state.log.current == 4
    again.play(4).takes(0.1)
    while not again.state.finished:
        again.string(0.1)
    assert again.state.complete
    assert again.outcomes()[6] is Outcome.LEAVE
    assert reopened(again.state) is again.state


def test_a_survey_takes_back_as_well() -> None:
    state = survey.begin(survey.Plan(setup_of(strings=(6, 5)), frets=(5,)))
    after = state.advance(KeyPressed(Command.NEXT))
    assert after.current == 5
    assert after.advance(KeyPressed(Command.UNDO)).current == 6
