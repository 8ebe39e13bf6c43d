"""Loud sounds that are no note are named; faint ones are not, nor what is said already."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from numpy.typing import NDArray
from other_sounds import RATE_HZ, in_a_room, knock, over, silence, talk, tick
from session_story import Story, setup_of

from pitchbench.presets import preset
from pitchbench.session.engine import run
from pitchbench.session.job import NO_NOTE, NoNote
from pitchbench.session.log import Step, TakeFate
from pitchbench.session.state import State, begin
from pitchbench.sound.source import Block
from pitchbench.strings.virtual import VirtualInstrument

#: Plucks peak at this; a knock's modes add up to about four times its level.
PEAK = 0.2


class Sounds:
    """A source that plays parts one after another."""

    name = "parts"
    rate_hz = RATE_HZ

    def __init__(self, *parts: NDArray[np.float64], block: int = 2048) -> None:
        self._sound, self._block = in_a_room(*parts), block

    def blocks(self) -> Iterator[Block]:
        for at in range(0, len(self._sound), self._block):
            yield Block(self._sound[at : at + self._block], at, RATE_HZ)


def note(fret: int = 0, ring_s: float = 1.8) -> NDArray[np.float64]:
    instrument = VirtualInstrument(preset("six-string"), seed=3, rate_hz=RATE_HZ)
    instrument.tune(6)
    sound = instrument.pluck(6, fret, ring_s=ring_s).astype(np.float64)
    return np.concatenate([sound * PEAK / np.abs(sound).max(), silence(0.8)])


def said(*parts: NDArray[np.float64], block: int = 2048) -> tuple[list[str], State]:
    """Everything that is said, each once, of notes and of ``parts``."""
    lines = [""]

    def view(_: State, new: State) -> None:
        if new.says != lines[-1]:
            lines.append(new.says)

    state = run(Sounds(*parts, block=block), begin(setup_of(strings=(6,))), views=[view])
    return lines[1:], state


QUIET = silence(2.0)


@pytest.mark.parametrize("block", [512, 4096])
@pytest.mark.parametrize(
    "sound", [knock(level=0.06), 1.5 * talk(1.5), tick(level=0.2)], ids=["knock", "talk", "tick"]
)
def test_what_is_as_loud_as_a_pluck_is_named_once(sound: NDArray[np.float64], block: int) -> None:
    lines, state = said(QUIET, note(), QUIET, sound, QUIET, note(12), QUIET, block=block)
    assert lines.count(NO_NOTE) == 1
    # Of the note before it something else is said, and of the one after it again.
    assert "open E2" in lines[lines.index(NO_NOTE) - 1]
    assert "12th fret" in lines[-1]
    assert [take.fate for take in state.log.string.takes] == [TakeFate.ACCEPTED] * 2


def test_faint_sounds_are_not() -> None:
    faint = (0.15 * knock(level=0.06), 0.1 * talk(3.0), tick(level=0.005))
    lines, _ = said(QUIET, note(), QUIET, *faint, QUIET)
    assert NO_NOTE not in lines


@pytest.mark.parametrize("ring_s", [0.3, 6.0])
def test_of_a_note_something_else_is_said(ring_s: float) -> None:
    lines, state = said(QUIET, note(), note(12, ring_s), note(12), QUIET)
    assert NO_NOTE not in lines
    assert len(state.log.string.takes) == 3


def test_a_note_that_is_given_up_does_not_ring_for_ever() -> None:
    lines, state = said(QUIET, note(), note(12, 0.12), QUIET)
    assert not state.ringing
    assert lines[-1] == NO_NOTE


def test_while_a_note_rings_and_at_the_saddle_nobody_wonders() -> None:
    lines, _ = said(QUIET, note(), over(note(12, 4.0), knock(level=0.06), 2.5), QUIET)
    assert NO_NOTE not in lines
    story = Story.begin(strings=(6,)).play(6)
    assert Story(story.state).event(NoNote(loud=True)).state.says == NO_NOTE
    story.takes(6.0)
    assert story.state.log.step is Step.MOVE
    assert story.event(NoNote(loud=True)).state.says != NO_NOTE
