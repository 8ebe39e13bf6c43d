"""A harmonic touched on the open string, told from a fretted note; played on the virtual
instrument, and on partials written by hand."""

from __future__ import annotations

import numpy as np
import pytest
from invented import a_reading
from recordings import RATE_HZ, Note, play

from pitchbench.intonation.harmonics import HARMONIC_AT_FRET, TOUCHED, touched_harmonic
from pitchbench.pitch.listener import Listener, ReadingReady
from pitchbench.pitch.reading import Partial, Reading
from pitchbench.presets import preset
from pitchbench.sound.source import Block
from pitchbench.strings.virtual import VirtualInstrument


def read(virtual: VirtualInstrument, notes: list[Note]) -> list[Reading]:
    listener = Listener(RATE_HZ)
    events = [*listener.feed(Block(play(virtual, notes), 0, RATE_HZ)), *listener.finish()]
    return [e.reading for e in events if isinstance(e, ReadingReady)]


def set_to_zero(virtual: VirtualInstrument, string: int) -> None:
    for _ in range(4):
        error = virtual.true_offset_cents(string)
        virtual.move_saddle(string, error * virtual.instrument.scale_mm / 1731.2)
        virtual.tune(string)


@pytest.mark.parametrize(
    ("name", "string"), [("six-string", 6), ("six-string", 2), ("bass-five", 4)]
)
@pytest.mark.parametrize(("fret", "number"), HARMONIC_AT_FRET.items())
def test_touched_takes_are_known(name: str, string: int, fret: int, number: int) -> None:
    virtual = VirtualInstrument(preset(name), seed=3, rate_hz=RATE_HZ)
    opens = read(virtual, [Note(string)] * 2)
    touched = read(virtual, [Note(string, touched=number)] * 3)
    found = touched_harmonic(touched, opens, number=number)
    assert found is not None
    assert found.probability > TOUCHED
    assert abs(found.off_cents) < 3.0 * found.u_cents
    fretted = read(virtual, [Note(string, fret, detune_cents=d) for d in (-0.4, 0.5)])
    # The saddle as it was found is some cents off at the 12th fret, more further up.
    assert abs(virtual.true_offset_cents(string, fret)) > 1.0
    told = touched_harmonic(fretted, opens, number=number)
    assert told is not None
    assert told.probability < 0.01


@pytest.mark.parametrize("string", range(1, 7))
def test_a_string_that_is_set_perfectly_is_not_taken_for_touched(string: int) -> None:
    """The hardest case: no offset, and three frettings within half a cent of it."""
    virtual = VirtualInstrument(preset("six-string"), seed=3, rate_hz=RATE_HZ)
    set_to_zero(virtual, string)
    opens = read(virtual, [Note(string)] * 2)
    fretted = read(virtual, [Note(string, 12, detune_cents=d) for d in (-0.4, 0.5, -0.1)])
    found = touched_harmonic(fretted, opens)
    assert found is not None
    assert found.probability < TOUCHED


def reading(f1_hz: float, off_cents: list[float], decay_s: float = 2.0) -> Reading:
    """A reading whose partial k lies ``off_cents[k - 1]`` above k times ``f1_hz``."""
    partials = tuple(
        Partial(k, k * f1_hz * 2.0 ** (off / 1200.0), 0.05, -20.0, decay_s / k, 0.0)
        for k, off in enumerate(off_cents, start=1)
    )
    return a_reading(f1_hz, 0.0, u_cents=0.05, partials=partials)


#: An open string whose partials a body has shifted by cents.
_SHIFTED = [0.0, 1.5, -2.0, 4.0, 1.0, -3.0, 2.0, 0.5]


def test_partials_that_a_body_shifts_are_shifted_alike_when_the_string_is_touched() -> None:
    opens = [reading(110.0, _SHIFTED)]
    even = [_SHIFTED[2 * k - 1] for k in (1, 2, 3, 4)]
    alike = touched_harmonic([reading(220.0, even, 1.0)] * 4, opens)
    by_the_law = touched_harmonic([reading(220.0, [1.5, 1.5, 1.5, 1.5], 1.0)] * 2, opens)
    assert alike is not None
    assert by_the_law is not None
    assert alike.probability > TOUCHED
    assert by_the_law.probability < 0.01


def test_decays_of_another_length_speak_against_it() -> None:
    opens = [reading(110.0, [0.0] * 8)]
    same = touched_harmonic([reading(220.0, [0.3] * 4, 1.0)], opens)
    shorter = touched_harmonic([reading(220.0, [0.3] * 4, 0.4)], opens)
    assert same is not None
    assert shorter is not None
    assert shorter.probability < same.probability


def test_equal_temperament_is_two_cents_off_the_just_twelfth() -> None:
    """Three times the open string lies 1.955 cents above the note of the 19th fret."""
    opens = [reading(110.0, [0.0] * 9)]
    just = touched_harmonic([reading(330.0, [0.0] * 3, 2.0 / 3.0)] * 5, opens, number=3)
    equal = touched_harmonic([reading(330.0, [-1.955] * 3, 2.0 / 3.0)] * 3, opens, number=3)
    assert just is not None
    assert equal is not None
    assert just.probability > TOUCHED
    assert equal.probability < 0.01


def test_nothing_to_compare() -> None:
    assert touched_harmonic([reading(220.0, [0.0])], [reading(110.0, [0.0])]) is None
    assert touched_harmonic([], [reading(110.0, [0.0, 0.0])]) is None


def test_uncertain_readings_say_little() -> None:
    opens = [reading(110.0, [0.0] * 8)]
    vague = tuple(Partial(k, 220.0 * k, 3.0, -20.0, None, 0.0) for k in range(1, 5))
    take = a_reading(220.0, 0.0, u_cents=3.0, partials=vague)
    found = touched_harmonic([take, take], opens)
    assert found is not None
    assert found.probability < 0.5
    assert np.isfinite(found.off_cents)
