"""Loud sounds that are no note are named; faint ones are not, nor what is said already."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from invented import a_reading
from numpy.typing import NDArray
from other_sounds import RATE_HZ, in_a_room, knock, over, silence, talk, tick
from session_story import Story, setup_of

from pitchbench.pitch.listener import Heard, LivePitch, PluckStarted, ReadingReady
from pitchbench.pitch.reading import Reason, Rejected
from pitchbench.presets import preset
from pitchbench.session.engine import run
from pitchbench.session.job import NO_NOTE, NoNote
from pitchbench.session.log import Step, TakeFate
from pitchbench.session.state import State, begin
from pitchbench.session.unheeded import Unheeded
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


# ------------------------------------------------------------------------------ part by part

#: Parts of 50 ms are looked at, here of fifty samples.
PART = 50


def told(
    levels: dict[int, float], *, parts: int = 120, heard: dict[int, Heard] | None = None
) -> list[tuple[int, bool]]:
    """After which parts something is told, and whether it was loud: parts of these peaks, silence
    elsewhere; ``heard`` is what the listener made of it, as it came with a part."""
    unheeded, found = Unheeded(20 * PART), []
    for part in range(parts):
        samples = np.full(PART, levels.get(part, 0.0), np.float32)
        samples[::2] *= -1.0
        events = [] if heard is None or part not in heard else [heard[part]]
        block = Block(samples, part * PART, 20 * PART)
        found += [(part, each.loud) for each in unheeded.feed(block, events)]
    return found


@pytest.mark.parametrize(("peak", "loud"), [(0.11, True), (0.09, False)])
def test_before_the_first_note_a_tenth_of_full_scale_is_loud(peak: float, loud: bool) -> None:
    """It is told when all has been quiet for half a second."""
    assert told({0: peak}) == [(10, True)] * loud


def test_a_word_among_others_is_part_of_them_and_what_goes_on_is_told_after_two_seconds() -> None:
    assert told({0: 0.2, 8: 0.2, 16: 0.2}) == [(26, True)]
    assert told(dict.fromkeys(range(60), 0.2))[0] == (40, True)


def test_loud_is_within_10_decibels_of_the_softest_note() -> None:
    """A note that peaked at 0.2: from 0.063 on, wherever in its attack that was."""
    heard: dict[int, Heard] = {
        11: PluckStarted(0.5),
        20: ReadingReady(a_reading(82.4, 0.5, ring_s=1.0), final=True),
    }
    note = {10: 0.1, 15: 0.2, 17: 0.5}  # after 0.3 s it is no attack any more
    assert told(note | {60: 0.066}, heard=heard) == [(70, True)]
    assert told(note | {60: 0.060}, heard=heard) == []


def test_how_loud_notes_are_is_told_by_those_that_ended_and_could_be_read() -> None:
    """Elsewhere a sound of 0.06 is faint, until a tenth of full scale."""
    read = a_reading(82.4, 0.5, ring_s=1.0)
    for reading, final, loud in (
        (Rejected(0.5, 1.0, Reason.TOO_SHORT), True, False),
        (read, False, False),
        (read, True, True),
    ):
        heard: dict[int, Heard] = {11: PluckStarted(0.5), 20: ReadingReady(reading, final=final)}
        found = told({10: 0.12, 80: 0.06}, heard=heard)
        assert ((90, True) in found) == loud


def test_what_a_note_was_made_of_is_no_other_sound() -> None:
    heard: dict[int, Heard] = {
        11: PluckStarted(0.5),
        30: ReadingReady(a_reading(82.4, 0.5, ring_s=1.0), final=True),
    }
    assert told(dict.fromkeys(range(10, 30), 0.2), heard=heard) == []
    # A note may be found to have begun a little after its sound was loud, but not long after.
    assert told({5: 0.2, 10: 0.2}, heard={11: PluckStarted(0.5)}, parts=20) == []


def test_what_was_taken_for_a_note_and_given_up_is_told() -> None:
    """Loud or not: after eight tenths of a second without its pitch."""
    assert told({10: 0.2}, heard={11: PluckStarted(0.5)}) == [(26, True)]
    assert told({}, heard={11: PluckStarted(0.5)}) == [(26, False)]
    rings = {11: PluckStarted(0.5), 20: LivePitch(1.0, 0.5, 82.4, 0.99, level_db=-30.0)}
    assert told({10: 0.2}, heard=rings) == [(36, True)]
    reading = a_reading(82.4, 0.5, ring_s=0.5)
    offered: dict[int, Heard] = {11: PluckStarted(0.5), 20: ReadingReady(reading, final=False)}
    assert told({10: 0.2}, heard=offered) == [(36, True)], "it rang until then"


def test_after_a_gap_all_begins_anew() -> None:
    unheeded = Unheeded(20 * PART)
    loud, quiet = np.full(PART, 0.2, np.float32), np.zeros(40 * PART, np.float32)
    loud[::2] *= -1.0
    assert list(unheeded.feed(Block(loud, 0, 20 * PART), [])) == []
    assert list(unheeded.feed(Block(quiet, 10 * PART, 20 * PART, gap=True), [])) == []
