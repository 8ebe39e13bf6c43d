"""How an input is judged while it is listened to, from sound of known truth."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from pitchbench.presets import preset
from pitchbench.sound.hearing import Fault, Hearing, InputHeard, OtherInput
from pitchbench.sound.source import Block
from pitchbench.strings.virtual import VirtualInstrument

RATE_HZ = 48_000
#: What a person may have to wait until a fault is said.
WITHIN_S = 5.0

Sound = NDArray[np.float32]


def room(seconds: float, level: float = 1e-4, seed: int = 1) -> Sound:
    noise = np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ))
    return (level * noise).astype(np.float32)


def pluck(peak: float, ring_s: float = 3.0) -> Sound:
    note = VirtualInstrument(preset("six-string"), seed=3).pluck(6, 0, ring_s=ring_s)
    return (note * np.float32(peak / np.abs(note).max())).astype(np.float32)


def told(
    *sounds: Sound, others: Sequence[OtherInput] = (), block: int = 512
) -> list[tuple[float, InputHeard]]:
    """What is said of an input that hears ``sounds``, and when."""
    sound = np.concatenate(sounds)
    hearing = Hearing("line in", RATE_HZ, lambda: others)
    said = []
    for at in range(0, len(sound), block):
        samples = sound[at : at + block]
        for heard in hearing.feed(Block(samples, at, RATE_HZ)):
            said.append(((at + len(samples)) / RATE_HZ, heard))
    return said


def faults(said: list[tuple[float, InputHeard]]) -> list[Fault]:
    """Every fault that was said, once each time it came."""
    names = [heard.fault for _, heard in said]
    return [b for a, b in zip([None, *names], names, strict=False) if b is not None and b is not a]


def test_a_room_and_a_soft_pluck_are_well() -> None:
    said = told(room(3.0), room(3.0) + pluck(0.05), room(12.0))
    assert faults(said) == []
    loudest = max(heard.level_dbfs or -200.0 for _, heard in said)
    # A part of 0.2 s may miss the highest sample of the attack by the step that is told.
    assert loudest == pytest.approx(20 * np.log10(0.05), abs=3.0)


def test_a_note_that_dies_away_is_not_called_faint() -> None:
    note = pluck(0.5, ring_s=20.0) * np.exp(-np.arange(20 * RATE_HZ) / RATE_HZ / 1.5)
    said = told(room(2.0, 1e-6), room(20.0, 1e-6) + note.astype(np.float32), room(3.0, 1e-6))
    assert faults(said) == []


@pytest.mark.parametrize("nothing", [0.0, 0.25], ids=["zeros", "a constant"])
def test_silence_is_said_in_time_and_taken_back_at_once(nothing: float) -> None:
    silence = np.full(4 * RATE_HZ, nothing, np.float32)
    said = told(room(1.0), silence, room(1.0))
    assert faults(said) == [Fault.SILENT]
    at_s = next(at for at, heard in said if heard.fault is Fault.SILENT)
    assert 1.0 < at_s <= 1.0 + WITHIN_S
    assert said[-1][1].fault is None


def test_what_is_far_too_quiet_is_said_in_time_until_it_is_loud_enough() -> None:
    faint = room(3.0, 1e-6) + pluck(5e-4)
    said = told(room(2.0, 1e-6), faint, room(2.0, 1e-6), pluck(0.1))
    assert faults(said) == [Fault.FAINT]
    at_s = next(at for at, heard in said if heard.fault is Fault.FAINT)
    assert 2.0 < at_s <= 2.0 + WITHIN_S
    assert said[-1][1].fault is None


def test_a_click_is_no_sound_that_could_be_too_quiet() -> None:
    quiet = room(6.0, 1e-6)
    quiet[3 * RATE_HZ :][:200] += 5e-4
    assert faults(told(quiet)) == []


def test_clipping_is_said_and_forgotten() -> None:
    loud = np.clip(4.0 * pluck(0.9), -1.0, 1.0).astype(np.float32)
    said = told(room(1.0), loud, room(8.0))
    assert faults(said) == [Fault.LOUD]
    at_s = next(at for at, heard in said if heard.fault is Fault.LOUD)
    assert at_s <= 1.0 + 0.5
    assert said[-1][1].fault is None


def test_another_input_with_sound_is_named_while_this_one_has_none() -> None:
    others = (OtherInput(3, "webcam", 1e-3), OtherInput(5, "interface", 0.2))
    silent = told(np.zeros(5 * RATE_HZ, np.float32), others=others)
    assert silent[-1][1].fault is Fault.SILENT
    assert silent[-1][1].other == others[1]
    # An empty socket: some noise of its own, but no room and no sound.
    empty = told(room(5.0, 1e-5), others=others)
    assert faults(empty) == [Fault.ELSEWHERE]
    at_s = next(at for at, heard in empty if heard.other is not None)
    assert at_s <= WITHIN_S


def test_other_inputs_are_left_alone_while_this_one_is_heard() -> None:
    def never() -> Sequence[OtherInput]:
        pytest.fail("the others were listened to")

    hearing = Hearing("line in", RATE_HZ, never)
    sound = np.concatenate([room(3.0), room(3.0) + pluck(0.1), room(9.0, 1e-5)])
    list(hearing.feed(Block(sound, 0, RATE_HZ)))


def test_an_other_that_hears_the_same_is_not_another() -> None:
    others = (OtherInput(5, "the same by another name", 0.2),)
    said = told(room(3.0, 1e-5), room(3.0, 1e-5) + pluck(0.2), room(3.0, 1e-5), others=others)
    assert [heard.other for _, heard in said if heard.other] == []


def test_the_blocks_make_no_difference() -> None:
    sounds = (room(2.0), room(3.0) + pluck(0.1), np.zeros(3 * RATE_HZ, np.float32))
    by_size = [[heard for _, heard in told(*sounds, block=n)] for n in (64, 512, 7000)]
    assert by_size[0] == by_size[1] == by_size[2]


def across_gaps(
    before: Sound, after: Sound, others: Sequence[OtherInput] = ()
) -> list[list[InputHeard]]:
    """What is said of ``before``, and then of ``after`` three times, each time after a gap."""
    hearing = Hearing("line in", RATE_HZ, lambda: others)
    blocks = [(before, False), *[(after, True)] * 3]
    return [list(hearing.feed(Block(sound, 0, RATE_HZ, gap))) for sound, gap in blocks]


def test_a_gap_says_nothing_of_the_input() -> None:
    dead = np.zeros(4 * RATE_HZ, np.float32)
    before, *after = across_gaps(dead, dead[:RATE_HZ])
    assert before[-1].fault is Fault.SILENT
    # It is told anew, and nothing else is: not for a moment is the fault gone.
    assert after == [[before[-1]]] * 3


def test_a_quiet_input_that_was_heard_is_not_lonely_after_a_gap() -> None:
    others = (OtherInput(5, "interface", 0.2),)
    sound = np.concatenate([room(1.0, 1e-5), room(3.0, 1e-5) + pluck(0.1), room(1.0, 1e-5)])
    said = across_gaps(sound, room(12.0, 1e-5), others)
    assert [heard for part in said for heard in part if heard.fault or heard.other] == []
