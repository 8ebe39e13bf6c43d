"""Plucks of real instruments: each is one pluck and no more, whatever ticks and buzzes in it."""

from __future__ import annotations

import numpy as np
import pytest
import realset
import scipy
import soundfile

from pitchbench.pitch.listener import Listener, ReadingReady
from pitchbench.pitch.reading import Reading
from pitchbench.sound.source import Block

#: How far the drawn pitch strays on these notes is for others to test.
pytestmark = pytest.mark.filterwarnings("ignore:overflow encountered in exp:RuntimeWarning")


def readings(sound, rate_hz):
    listener = Listener(rate_hz)
    events = [*listener.feed(Block(sound, 0, rate_hz)), *listener.finish()]
    return [e.reading for e in events if isinstance(e, ReadingReady)]


def test_every_note_is_heard_once_and_nothing_else():
    for note in realset.notes():
        samples, rate_hz = soundfile.read(note.path, dtype="float32")
        found = readings(samples, rate_hz)
        assert len(found) == 1, note.path.name
        assert found[0].onset_s == pytest.approx(note.onset_s, abs=0.04), note.path.name
        # The octave is certain, the tuning of the string is not.
        assert abs(1200.0 * np.log2(found[0].pitch_hz / note.note_hz)) < 60.0, note.path.name


def test_notes_one_after_another_with_ticks_in_them_are_as_many_plucks():
    """Each is cut after 1.3 s by the next, or damped, and something ticks in it at 0.7 s.

    The ticks are ours: noise that falls by e in 4 ms, as loud at first as the note is there.
    """
    rng = np.random.default_rng(17)
    cut: list[np.ndarray] = []
    for k, note in enumerate(realset.notes()):
        samples, rate_hz = soundfile.read(note.path, dtype="float32")
        first = round((note.onset_s - 0.01) * rate_hz)
        one = samples[first : first + round(1.3 * rate_hz)].astype(np.float64)
        at = round(0.7 * rate_hz)
        t = np.arange(round(0.05 * rate_hz)) / rate_hz
        loud = np.sqrt(np.mean(np.square(one[at : at + len(t)])))
        one[at : at + len(t)] += 3.0 * loud * rng.normal(size=t.size) * np.exp(-t / 0.004)
        fall = round(0.03 * rate_hz)
        one[-fall:] *= np.linspace(1.0, 0.0, fall) ** 2
        cut += [one / np.abs(one).max() * 0.5, np.zeros(round((0.0, 0.4)[k % 2] * rate_hz))]
    sound = np.concatenate((np.zeros(rate_hz // 2), *cut))
    sound += rng.normal(0.0, 1e-4, sound.size)
    found = readings(sound.astype(np.float32), rate_hz)
    starts = np.cumsum([rate_hz // 2, *map(len, cut)])[:-1:2] / rate_hz
    assert [r.onset_s for r in found] == [pytest.approx(s + 0.01, abs=0.06) for s in starts]


@pytest.mark.parametrize("corner", [1.53, 2.5])
def test_a_note_through_a_high_pass_is_the_same_note(corner: float):
    """As by a telephone or a small loudspeaker: the first partials lose up to 15 and 32 dB.

    The corner lies at so many times the note, 4th order: 200 Hz for a C3 is 1.53. A nylon string
    was read an octave up, as most of its sound is its fourth partial; of another the first partial,
    once faint, was drowned for longer than it had been heard.
    """
    told = 0
    for note in realset.notes():
        samples, rate_hz = soundfile.read(note.path, dtype="float32")
        samples = samples[: round((note.onset_s + 4.0) * rate_hz)]
        corner_hz = corner * note.note_hz
        filtered = scipy.signal.sosfilt(
            scipy.signal.butter(4, corner_hz, "high", fs=rate_hz, output="sos"), samples
        )
        both = [readings(x.astype(np.float32), rate_hz) for x in (samples, filtered)]
        whole, through = (
            next((r for r in found if isinstance(r, Reading)), None) for found in both
        )
        if through is None or whole is None:
            continue
        told += 1
        apart = abs(1200.0 * np.log2(through.pitch_hz / whole.pitch_hz))
        assert apart < 2.0 * np.hypot(through.u_cents, whole.u_cents), note.path.name
    assert told >= 15
