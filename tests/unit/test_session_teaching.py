"""A session that teaches: each thing is explained when it is new, in its place, in one line."""

from __future__ import annotations

from dataclasses import replace

import pytest
from session_story import Story, setup_of

from pitchbench.records.documents import to_json
from pitchbench.screen.plain import PlainView
from pitchbench.session.job import Command
from pitchbench.session.state import State, begin
from pitchbench.session.teaching import Lesson, Taught, begin_taught, lesson_of


def taught(*, explain: bool = False, **changes: object) -> Story:
    return Story(begin_taught(setup_of(**changes), explain=explain))


def whys(story: Story) -> list[str]:
    """What was explained on the way, each as often as it newly appeared."""
    state = begin_taught(story.state.setup, explain=story.state.explain)
    said = [state.why]
    for event in story.events:
        state = state.advance(event)
        if state.why != said[-1]:
            said.append(state.why)
    return [why for why in said if why]


def a_job(story: Story, offset_cents: float) -> Story:
    story.play(6, 0, -30.0).play(6).takes(offset_cents).move_and_retune(6).takes(0.1)
    return story.string(0.1)


@pytest.mark.parametrize(("offset_cents", "way"), [(6.0, Lesson.SHARP), (-6.0, Lesson.FLAT)])
def test_each_thing_is_explained_once_in_its_place(offset_cents: float, way: Lesson) -> None:
    said = whys(a_job(taught(strings=(6, 5)), offset_cents))
    first = [Lesson.BEFORE, Lesson.ATTACK, Lesson.TUNE, Lesson.FRET]
    assert said[: len(first)] == first
    assert len(said) == len(set(said))
    assert {way, Lesson.SEVERAL, Lesson.RETUNE, Lesson.AFTER} <= set(said)
    assert said.index(way) < said.index(Lesson.RETUNE) < said.index(Lesson.AFTER)
    # That is where the advice goes.
    assert ("away from the nut" in way) == (offset_cents > 0)


def test_everything_is_explained_every_time_if_asked() -> None:
    said = whys(a_job(taught(explain=True, strings=(6, 5)), 6.0))
    assert said.count(Lesson.FRET) == 2
    # With every note that may count.
    assert said.count(Lesson.ATTACK) > 5


def test_an_ordinary_session_explains_nothing() -> None:
    state = begin(setup_of())
    assert (state.why, state.setting) == ("", "")


def test_teaching_changes_nothing_of_the_work() -> None:
    plain, watched = (a_job(s, 6.0) for s in (Story.begin(strings=(6, 5)), taught(strings=(6, 5))))
    assert len(plain.state.entries) > 20
    assert [to_json(e) for e in watched.state.entries] == [to_json(e) for e in plain.state.entries]


def test_a_pause_is_seen_and_ends() -> None:
    story = taught()
    paused = story.key(Command.PAUSE).state
    assert isinstance(paused, Taught)
    assert paused.display.paused
    assert not story.key(Command.PAUSE).state.display.paused
    assert story.state.entries == ()


@pytest.mark.parametrize("lesson", Lesson)
def test_a_lesson_is_a_line(lesson: Lesson) -> None:
    assert len(lesson) <= 76


def test_plain_lines_say_what_it_is_and_why() -> None:
    lines: list[str] = []
    view = PlainView(lines.append)
    story = a_job(taught(strings=(6, 5)), 6.0)
    state: State = replace(begin_taught(story.state.setup))
    view(state, state)
    for event in story.events:
        old, state = state, state.advance(event)
        view(old, state)
    assert lines[0] == "this is: rehearsal, virtual player"
    said = [line.removeprefix("why: ") for line in lines if line.startswith("why: ")]
    assert said == whys(story)


def test_what_is_asked_has_its_lesson() -> None:
    story = Story.begin(strings=(6, 5))
    assert lesson_of(story.state) is Lesson.BEFORE
    assert lesson_of(story.play(6, 0, -30.0).state) is Lesson.TUNE
    assert lesson_of(story.play(6).state) is Lesson.FRET
    assert lesson_of(story.play(6, 12, 12.0).state) is Lesson.SEVERAL
    ringing = Story(story.state).ring(story.target_hz(6, 12))
    assert lesson_of(ringing.state) is Lesson.ATTACK
    assert lesson_of(Story(story.state).offered(story.target_hz(6, 12)).state) is Lesson.DAMP
    story.takes(12.0)
    assert lesson_of(story.state) is Lesson.SHARP
    story.move_and_retune(6)
    assert story.state.log.wanted_fret == 12
    assert lesson_of(story.state) is Lesson.AFTER
    flat = Story.begin(strings=(6,)).string(-12.0)
    assert lesson_of(flat.state) is Lesson.FLAT
    assert lesson_of(flat.key(Command.ACCEPT).state) is Lesson.RETUNE
    done = Story.begin(strings=(6,)).string(0.1)
    assert lesson_of(done.state) is Lesson.FINISHED
