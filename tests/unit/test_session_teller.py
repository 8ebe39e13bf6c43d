"""When something is told to the ear, by a clock that is counted; that it is heard: tests/live."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from session_story import Story

from pitchbench.pitch.listener import PluckStarted
from pitchbench.pitch.reading import Reason
from pitchbench.session.job import InputLost, Speaking
from pitchbench.session.state import State
from pitchbench.session.teller import Teller
from pitchbench.sound.tones import Cue, tones

DEAF = "I do not listen while I speak."


class Loudspeaker:
    """Keeps what is played to it; it sounds until somebody says that it has died away."""

    rate_hz = 8000

    def __init__(self, *, headphones: bool = True) -> None:
        self.headphones = headphones
        self.open, self.sounding = True, False
        self.played: list[NDArray[np.float32]] = []

    def play(self, sound: NDArray[np.float32]) -> None:
        self.played.append(sound)
        self.sounding = True

    def hush(self) -> None:
        self.sounding = False


class Voice:
    """Speaks every text as so many samples as it has letters, once it is asked a second time."""

    def __init__(self) -> None:
        self.asked: list[str] = []
        self.fails = False

    def speak(self, text: str) -> NDArray[np.float32] | None:
        self.asked.append(text)
        if self.fails:
            return np.empty(0, np.float32)
        return np.ones(len(text), np.float32) if self.asked.count(text) > 1 else None


class Bench:
    """A story that is told; ``now_s`` is the time, which only a test lets pass."""

    def __init__(self, *, headphones: bool = True, cue: bool = False, voice: bool = True) -> None:
        self.now_s = 0.0
        self.loudspeaker, self.voice = Loudspeaker(headphones=headphones), Voice()
        self.teller: Teller[State] = Teller(
            self.loudspeaker,  # type: ignore[arg-type]
            voice=self.voice if voice else None,  # type: ignore[arg-type]
            spoken=lambda old, new: new.says if new.says != old.says else "",
            cue=cue,
            clock=lambda: self.now_s,
        )
        self.story = Story.begin()

    def plays(self, cents: float = 0.0, fret: int = 0, reason: Reason | None = None) -> str:
        """A pluck from its start to its end; what is said of it."""
        self.begins()
        before = self.story.state
        self.story.play(6, fret, cents, reason=reason)
        self.teller(before, self.story.state)
        return self.story.state.says

    def begins(self) -> None:
        before = self.story.state
        self.story.event(PluckStarted(self.story.now_s))
        self.teller(before, self.story.state)

    def told(self, after_s: float = 0.5) -> list[Speaking]:
        """What is told when so much time has passed, looked for twice."""
        self.now_s += after_s
        return [*self.teller.attend(), *self.teller.attend()]


def test_it_is_told_when_the_string_has_been_still_for_a_moment() -> None:
    bench = Bench()
    says = bench.plays(-30.0)
    assert bench.told(0.34) == []
    assert bench.teller.busy
    assert bench.told(0.02) == [Speaking(says, listening=True)]
    assert [len(sound) for sound in bench.loudspeaker.played] == [len(says)]
    assert bench.told() == [], "it still sounds"
    assert bench.teller.busy
    bench.loudspeaker.sounding = False
    assert bench.told() == [Speaking("", listening=True)]
    assert bench.told() == []
    assert not bench.teller.busy


def test_through_a_loudspeaker_it_is_said_once_that_nothing_is_heard_meanwhile() -> None:
    bench = Bench(headphones=False)
    says = bench.plays(-30.0)
    assert bench.told() == [Speaking(f"{DEAF} {says}", listening=False)]
    bench.loudspeaker.sounding = False
    assert bench.told() == [Speaking("", listening=True)]
    says = bench.plays(-20.0)
    assert bench.told() == [Speaking(says, listening=False)]


def test_a_pluck_hushes_what_is_told_where_nobody_else_hears_it() -> None:
    for headphones in (True, False):
        bench = Bench(headphones=headphones)
        bench.plays(-30.0)
        bench.told()
        bench.begins()
        assert bench.loudspeaker.sounding is not headphones


def test_what_was_not_said_when_the_next_pluck_came_is_not_said_any_more() -> None:
    bench = Bench()
    bench.plays(-30.0)
    bench.begins()
    assert bench.told(9.0) == [], "it rings"
    says = bench.plays(-20.0)
    assert bench.told() == [Speaking(says, listening=True)]
    assert len(bench.loudspeaker.played) == 1


@pytest.mark.parametrize(
    ("cents", "fret", "reason", "cue"),
    [
        (0.0, 0, None, Cue.ACCEPTED),
        (0.0, 0, Reason.TOO_SHORT, Cue.REJECTED),
        (-30.0, 0, None, None),
    ],
)
def test_a_tone_says_what_became_of_a_pluck(
    cents: float, fret: int, reason: Reason | None, cue: Cue | None
) -> None:
    bench = Bench(cue=True, voice=False)
    bench.plays(cents, fret, reason)
    if cue is None:
        assert bench.told() == []
    else:
        assert bench.told() == [Speaking(f"tone, {cue.name.lower()}", listening=True)]
        assert np.array_equal(bench.loudspeaker.played[0], tones(cue, 8000))


def test_a_string_that_is_done_has_its_own_tone_and_words_come_after_tones() -> None:
    bench = Bench(cue=True)
    bench.plays()
    while bench.story.state.log.current == 6:
        bench.plays(0.1, bench.story.state.log.wanted_fret or 0)
    assert bench.told() == [Speaking("tone, done", listening=True)]
    bench.loudspeaker.sounding = False
    assert bench.told() == [
        Speaking("", listening=True),
        Speaking(bench.story.state.says, listening=True),
    ]


def test_what_happens_between_two_notes_takes_nothing_back() -> None:
    bench = Bench()
    says = bench.plays(-30.0)
    bench.teller(bench.story.state, bench.story.state)
    assert bench.told() == [Speaking(says, listening=True)]
    bench.teller(bench.story.state, bench.story.state)
    assert bench.loudspeaker.sounding


def test_what_waits_for_a_loudspeaker_is_given_up_with_the_input() -> None:
    bench = Bench()
    bench.loudspeaker.open = False
    says = bench.plays(-30.0)
    assert bench.told() == []
    assert not bench.teller.busy
    bench.loudspeaker.open = True
    assert bench.told() == [Speaking(says, listening=True)]
    bench.loudspeaker.open = bench.loudspeaker.sounding = False
    bench.told()
    bench.plays(-20.0)
    before = bench.story.state
    bench.story.event(InputLost("unplugged"))
    bench.teller(before, bench.story.state)
    bench.told()
    bench.loudspeaker.open = True
    assert bench.told() == []


def test_a_voice_that_fails_is_passed_over() -> None:
    bench = Bench()
    bench.voice.fails = True
    bench.plays(-30.0)
    assert bench.told() == []
    assert not bench.teller.busy
    assert bench.loudspeaker.played == []


def test_what_is_told_can_be_hushed() -> None:
    bench = Bench()
    bench.plays(-30.0)
    bench.teller.hush()
    assert bench.told() == []
    bench.plays(-20.0)
    bench.told()
    bench.teller.hush()
    assert not bench.loudspeaker.sounding
