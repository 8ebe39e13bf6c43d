"""A rehearsal that is watched: time passes as samples do, screens stand as long as reading takes,
pauses and steps. The clock is counted; that it is a real one is seen in tests/screens."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from pitchbench.session.pacing import Pace, Reader
from pitchbench.sound.source import Block

RATE_HZ = 48_000

#: How fast a rehearsal on a screen goes by unless told otherwise, as `pitchbench rehearse --help`
#: says.
USUAL_SPEED = 2.5


class Time:
    """A clock that moves when somebody sleeps; ``at`` says what happens then."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.at: dict[float, Callable[[], None]] = {}
        self.paused = False
        self.over = False

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds
        for due in sorted(self.at):
            if due <= self.now_s:
                self.at.pop(due)()

    def attend(self) -> bool | None:
        return None if self.over else self.paused

    def pause(self) -> None:
        self.paused = not self.paused


@pytest.fixture
def time() -> Time:
    return Time()


def paced(time: Time, speed: float = USUAL_SPEED) -> Pace:
    return Pace(speed, clock=lambda: time.now_s, sleep=time.sleep)


def a_second(pace: Pace, time: Time) -> None:
    for start in range(0, RATE_HZ, 4800):
        pace.sound(Block(np.zeros(4800, np.float32), start, RATE_HZ), time.attend)


def test_sound_goes_by_as_fast_as_was_asked(time: Time) -> None:
    a_second(paced(time, 20.0), time)
    assert time.now_s == pytest.approx(1.0 / 20.0)


def test_what_computing_took_is_caught_up_but_no_pause(time: Time) -> None:
    pace = paced(time, 1.0)
    block = Block(np.zeros(RATE_HZ, np.float32), 0, RATE_HZ)
    pace.sound(block, time.attend)
    time.now_s += 0.4  # hearing it
    pace.sound(block, time.attend)
    assert time.now_s == pytest.approx(2.0)
    time.paused = True
    time.at[10.0] = time.pause
    pace.sound(block, time.attend)
    assert time.now_s == pytest.approx(11.0, abs=0.05)
    pace.sound(block, time.attend)
    assert time.now_s == pytest.approx(12.0, abs=0.05)


def test_a_screen_stands_as_long_as_a_slow_reader_takes(time: Time) -> None:
    """175 words a minute, at the usual speed; twice as fast, half as long."""
    paced(time).reading(35, time.attend)
    assert time.now_s == pytest.approx(12.0)
    paced(time, 2.0 * USUAL_SPEED).reading(35, time.attend)
    assert time.now_s == pytest.approx(18.0)
    paced(time).reading(0, time.attend)
    assert time.now_s == pytest.approx(18.0)


def test_a_step_goes_on_to_what_is_new_to_read(time: Time) -> None:
    pace = paced(time)
    time.at[1.0] = pace.step
    pace.reading(100, time.attend)
    a_second(pace, time)
    pace.reading(0, time.attend)
    assert time.now_s == pytest.approx(1.0, abs=0.05)
    pace.reading(35, time.attend)
    assert time.now_s == pytest.approx(13.0, abs=0.1)


def test_what_was_not_waited_for_is_not_made_up_for(time: Time) -> None:
    pace, block = paced(time, 1.0), Block(np.zeros(RATE_HZ, np.float32), 0, RATE_HZ)
    time.over = True
    for _ in range(5):
        pace.sound(block, time.attend)
    assert time.now_s == 0.0
    time.over = False
    pace.sound(block, time.attend)
    assert time.now_s == pytest.approx(1.0)


def test_while_it_is_paused_a_step_goes_one_further(time: Time) -> None:
    pace = paced(time)
    time.paused = True
    time.at[5.0] = pace.step
    pace.reading(10, time.attend)
    a_second(pace, time)
    assert time.now_s == pytest.approx(5.0, abs=0.05)
    time.at[20.0] = time.pause
    pace.reading(35, time.attend)
    assert time.now_s == pytest.approx(32.0, abs=0.1)


def test_nobody_is_kept_once_it_is_over(time: Time) -> None:
    time.over = True
    pace = paced(time)
    pace.reading(1000, time.attend)
    a_second(pace, time)
    assert time.now_s == 0.0


def test_only_what_is_new_is_read() -> None:
    reader = Reader()
    request = "Fret string 6 lightly at the 12th fret and pluck it."
    assert reader.words([request, ""]) == 11
    assert reader.words([request, ""]) == 0
    # Another string: the sentence is known, its two numbers are not.
    assert reader.words(["Fret string 5 lightly at the 12th fret and pluck it."]) == 2
    move = "Move its saddle 2.2 mm away from the nut, 4.4 turns clockwise."
    assert reader.words([], anew=move) == 12
    assert reader.words([], anew=move.replace("4.4", "-0.3")) == 12
