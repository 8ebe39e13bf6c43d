"""What all jobs share: time, keys, display, the note that rings; what a session says of itself."""

from __future__ import annotations

from dataclasses import replace

import pytest
from invented import a_reading
from session_story import Story

from pitchbench.pitch.listener import LivePitch, PluckStarted, ReadingReady
from pitchbench.session.job import NO_NOTE, Command, InputLost, KeyPressed, NoNote, Speaking
from pitchbench.session.log import Outcome, Step
from pitchbench.session.overlay import Overlay
from pitchbench.session.state import State, reopened, resume


def test_a_job_that_keeps_nothing_waits_for_plucks_until_it_is_done() -> None:
    job = Overlay(enough=1)
    assert job.awaits_pluck
    assert job.entries == ()
    assert (job.finished, job.complete, job.over) == (False, False, False)
    assert job.advance(NoNote(loud=True)).says == NO_NOTE
    assert job.advance(NoNote(loud=False)).says == ""
    lost = job.advance(InputLost("unplugged"))
    assert (lost.says, lost.input_lost, lost.entries) == (
        "The sound input is lost.",
        "unplugged",
        (),
    )


def test_on_a_stream_that_began_later_all_is_on_the_jobs_own_time() -> None:
    state: State = replace(Story.begin().state, clock_s=100.0)
    state = state.advance(PluckStarted(2.0))
    assert (state.at_s, state.ringing) == (102.0, True)
    state = state.advance(LivePitch(3.0, 2.0, 82.4, 0.99, level_db=-30.0))
    assert state.live is not None
    assert (state.at_s, state.live.at_s, state.live.onset_s) == (103.0, 103.0, 102.0)
    assert state.live_trace == (state.live,)
    early = a_reading(82.4069, 2.0)
    assert state.advance(ReadingReady(early, final=False)).offered is early
    state = state.advance(ReadingReady(a_reading(82.4069, 2.0, ring_s=2.5), final=True))
    assert (state.at_s, state.ringing, state.live, state.offered) == (104.5, False, None, None)
    assert state.log.last_take.reading.onset_s == 102.0


@pytest.mark.parametrize(("onset_s", "rings"), [(5.0, True), (2.0, False)])
def test_a_newer_note_goes_on_ringing(onset_s: float, rings: bool) -> None:
    state: State = replace(Story.begin().state, clock_s=100.0).advance(PluckStarted(onset_s))
    state = state.advance(LivePitch(5.1, onset_s, 82.4, 0.99, level_db=-30.0))
    state = state.advance(ReadingReady(a_reading(82.4069, 2.0, ring_s=2.5), final=True))
    assert state.ringing is rings
    assert (state.live is not None) is rings


def test_a_sound_that_was_no_note_rings_no_more() -> None:
    state = Story.begin().state.advance(PluckStarted(0.5))
    assert state.ringing
    assert not state.advance(NoNote(loud=False)).ringing


def pressed(state: State, command: Command) -> State:
    return state.advance(KeyPressed(command))


def test_keys_of_the_display() -> None:
    state = Story.begin().state
    helped = pressed(state, Command.HELP)
    assert helped.display.help_open
    assert not pressed(helped, Command.HELP).display.help_open
    assert not pressed(helped, Command.LEAVE_HELP).display.help_open
    accepted = pressed(helped, Command.ACCEPT)
    assert (accepted.display.help_open, accepted.log.step) == (False, Step.TUNE)
    frozen = pressed(state, Command.FREEZE)
    assert frozen.display.frozen
    assert not pressed(frozen, Command.FREEZE).display.frozen
    assert pressed(state, Command.LARGE_PRINT).display.large_print
    for command in (Command.PAUSE, Command.STEP):
        assert pressed(state, command) == state, "there is nothing to be watched"


def test_what_is_over_is_left_by_accepting_and_nothing_changes_it() -> None:
    story = Story.begin(strings=(6,)).string(0.1)
    assert story.state.finished
    entries = story.entries
    assert story.play(6).entries == entries
    left = pressed(story.state, Command.ACCEPT)
    assert left.quit
    assert left.over
    assert pressed(left, Command.HELP) == left
    quits = pressed(Story.begin().state, Command.QUIT)
    assert (quits.quit, quits.finished, quits.complete) == (True, False, False)


def test_what_is_spoken_is_known_until_it_has_died_away() -> None:
    state = Story.begin().state.advance(Speaking("Take 1.", listening=True))
    assert state.speaking == Speaking("Take 1.", listening=True)
    assert state.advance(Speaking("", listening=True)).speaking is None


def test_before_anything_was_done_there_is_nothing_to_take_back() -> None:
    state = pressed(Story.begin().state, Command.UNDO)
    assert state.says == "There is nothing to take back."
    assert state.entries == ()


def test_a_string_that_was_set_a_moment_ago_is_shown_until_something_is_heard() -> None:
    story = Story.begin(strings=(6, 5)).play(6)
    assert story.state.just_done is None
    story.takes(0.1)
    assert story.state.log.current == 5
    assert story.state.just_done is story.state.log.strings[5]
    assert story.state.advance(PluckStarted(story.now_s)).just_done is None
    assert Story(story.state).play(5, 0, -30.0).state.just_done is None
    passed = Story.begin(strings=(6, 5)).play(6).key(Command.NEXT)
    assert passed.state.log.strings[5].outcome is Outcome.PASSED_OVER
    assert passed.state.just_done is None
    assert Story.begin(strings=(6,)).string(0.1).state.just_done is None, "all is done"


def test_a_session_that_is_taken_up_again_has_the_strings_that_were_passed_over() -> None:
    story = Story.begin(strings=(6, 5)).play(6).key(Command.NEXT).string(0.1)
    assert story.state.finished
    assert not story.state.complete
    again = reopened(resume(story.state.setup, story.entries))
    assert (again.log.current, again.log.step, again.finished) == (6, Step.TUNE, False)
    assert again.says == "String 6 was passed over: it is set now."
    done = Story.begin(strings=(6,)).string(0.1).state
    assert done.complete
    assert reopened(done) is done
    assert ", --resume goes on later." in story.state.asks
