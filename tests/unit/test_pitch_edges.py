"""The very sample at which notes begin and are damped: by the sound, not by where it was cut."""

from __future__ import annotations

import numpy as np
import pytest
from string_sound import note

from pitchbench.pitch.edges import BEGINNING, DAMPING
from pitchbench.pitch.listener import Listener, LivePitch, PluckStarted, ReadingReady
from pitchbench.pitch.reading import Reading
from pitchbench.sound.source import Block

RATE_HZ = 48000


def readings(sound, *, live=False):
    listener = Listener(RATE_HZ, offer_early=live)
    events = [*listener.feed(Block(sound, 0, RATE_HZ)), *listener.finish()]
    return events, [e.reading for e in events if isinstance(e, ReadingReady) and e.final]


@pytest.mark.parametrize("f1_hz", [41.2034, 110.0, 329.63])
@pytest.mark.parametrize("noise", [1e-5, 1e-3])
def test_a_note_begins_where_it_was_plucked(f1_hz, noise):
    """Within a tenth of a millisecond: its step could be out by five."""
    _, (reading,) = readings(note(f1_hz, before_s=0.7003, noise=noise))
    assert reading.onset_s == pytest.approx(0.7003, abs=1e-4)


@pytest.mark.parametrize("shift", [1, 37, 150, 239, 511])
@pytest.mark.parametrize("f1_hz", [41.2034, 196.0])
def test_where_the_stream_was_cut_changes_nothing(f1_hz, shift):
    """Neither the pluck, nor the one that cuts it off, nor where a hand damps that."""
    second = note(1.5 * f1_hz, before_s=0.0, noise=0.0, seed=2, ring_s=1.5)
    sound = np.concatenate((note(f1_hz, ring_s=1.5, after_s=0.0), second))
    _, whole = readings(sound)
    _, later = readings(sound[shift:])
    assert len(whole) == 2
    for before, after in zip(whole, later, strict=True):
        assert isinstance(before, Reading)
        assert round((before.onset_s - after.onset_s) * RATE_HZ) == shift
        assert before.ring_s == after.ring_s
        assert after.pitch_hz == pytest.approx(before.pitch_hz, rel=6e-7)  # a thousandth of a cent
        assert after.u_cents == pytest.approx(before.u_cents, rel=0.05)


def test_what_is_told_while_it_rings_begins_with_the_same_sample():
    events, (reading,) = readings(note(110.0, before_s=0.7017), live=True)
    (started,) = (e for e in events if isinstance(e, PluckStarted))
    drawn = {e.onset_s for e in events if isinstance(e, LivePitch)}
    offered = {e.reading.onset_s for e in events if isinstance(e, ReadingReady)}
    assert drawn == offered == {started.onset_s} == {reading.onset_s}


def test_an_edge_that_is_seen_a_step_late_lies_where_it_was():
    rng = np.random.default_rng(4)
    sound = rng.normal(0.0, 1e-3, 4800).astype(np.float32)
    sound[2400:] += 0.3 * np.sin(2.0 * np.pi * 0.0123 * np.arange(2400)).astype(np.float32)
    for seen in (2200, 2390, 2640):
        first, last = BEGINNING.around(seen, RATE_HZ)
        assert first + BEGINNING.place(sound[first:last], RATE_HZ) == pytest.approx(2400, abs=10)


@pytest.mark.parametrize("hand_s", [0.002, 0.01, 0.03])
def test_a_hand_is_found_at_its_beginning(hand_s):
    """Energy dies twice as fast as amplitude: most of it is gone within half the hand's time."""
    t = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
    sound = np.sin(2.0 * np.pi * 200.0 * t) * np.exp(-np.maximum(0.0, t - 0.2) / hand_s)
    first, last = DAMPING.around(round(0.205 * RATE_HZ), RATE_HZ)
    place = first + DAMPING.place(sound[first:last].astype(np.float32), RATE_HZ)
    assert -0.001 < place / RATE_HZ - 0.2 < 0.5 * hand_s + 0.001


def test_where_too_little_was_heard_there_is_no_place():
    width = round(BEGINNING.width_s * RATE_HZ)
    sound = np.ones(2 * width - 1, dtype=np.float32)
    assert BEGINNING.place(sound, RATE_HZ) is None
    assert BEGINNING.place(np.append(sound, np.float32(2.0)), RATE_HZ) == width
    assert BEGINNING.place(sound[:0], RATE_HZ) is None
