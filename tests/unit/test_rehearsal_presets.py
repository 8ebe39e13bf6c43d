"""Every built-in instrument rehearses, by sound: its last string, both of a course, a short one."""

from __future__ import annotations

import numpy as np
import pytest
from session_story import setup_of

from pitchbench.presets import PRESETS, preset
from pitchbench.session.log import Outcome, Step
from pitchbench.session.rehearsal import rehearse


@pytest.mark.parametrize("name", PRESETS)
def test_every_preset_rehearses(name: str) -> None:
    """The last string is the lowest, the longest, the short one or the re-entrant one. A wide
    tolerance, so that few plucks decide it: how exact it gets is asked elsewhere."""
    last = len(preset(name).strings)
    done = rehearse(setup_of(name, strings=(last,), tolerance_cents=4.0), seed=4)
    assert done.state.log.step is Step.FINISHED
    # What is not surely off is not filed.
    filed = preset(name).bridge.is_filed
    assert done.state.log.string.outcome in (Outcome.LEAVE, *[Outcome.BORDER] * filed)
    # At 95 % within 4 cents; half as much again is beyond one string in a hundred.
    assert abs(done.true_left_cents[last]) < 6.0


@pytest.mark.parametrize("name", ["twelve-string", "mandolin", "bouzouki", "banjo-five"])
def test_both_strings_of_a_course_on_one_saddle_are_set_for_their_mean(name: str) -> None:
    last = len(preset(name).strings)
    course = (last, last - 1)
    done = rehearse(setup_of(name, strings=course, tolerance_cents=4.0), seed=5)
    assert done.state.log.step is Step.FINISHED
    strings = [done.state.log.strings[number - 1] for number in course]
    assert all(string.outcome in (Outcome.LEAVE, Outcome.COMPROMISE) for string in strings)
    assert strings[0].moves == strings[1].moves
    assert abs(np.mean(list(done.true_left_cents.values()))) < 5.0
