"""Plucks of real instruments: each is one pluck and no more, whatever ticks and buzzes in it."""

from __future__ import annotations

import numpy as np
import pytest
import realset
import scipy
import soundfile

from pitchbench.pitch.listener import Listener, ReadingReady
from pitchbench.pitch.reading import Reading, Reason
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


def mains_hum(count: int, rate_hz: int, mains_hz: float) -> np.ndarray:
    """Of one transformer, our own invention: odd harmonics strongest, rms 1."""
    t = np.arange(count) / rate_hz
    parts = {1: 1.0, 2: 0.3, 3: 0.6, 4: 0.15, 5: 0.4, 7: 0.25, 9: 0.15, 11: 0.1}
    hum = sum(size * np.sin(2.0 * np.pi * k * mains_hz * t + k) for k, size in parts.items())
    return hum / np.sqrt(np.mean(np.square(hum)))


@pytest.mark.parametrize("mains_hz", [50.03, 60.02])
@pytest.mark.parametrize("below_db", [6.0, 12.0, 35.0])
def test_hum_is_no_second_string_and_draws_no_note_down(mains_hz: float, below_db: float):
    """Hum that sounded before the pluck already, so far below the note: in its octave it is read.

    Before, 9 of 19 were "two strings" with hum 12 dB below, and with some 35 dB below an F#3 was
    read a twelfth down, as a string of 61 Hz whose first two partials were the hum's.
    """
    told = 0
    for note in realset.notes():
        samples, rate_hz = soundfile.read(note.path, dtype="float32")
        first = round(note.onset_s * rate_hz)
        samples = samples[: first + 4 * rate_hz]
        loud = np.std(samples[first + round(0.3 * rate_hz) : first + round(1.3 * rate_hz)])
        hum = mains_hum(samples.size, rate_hz, mains_hz) * loud * 10.0 ** (-below_db / 20.0)
        found = readings((samples + hum).astype(np.float32), rate_hz)
        said = [r for r in found if r.pitch_hz is not None and abs(r.onset_s - note.onset_s) < 0.1]
        off = [1200.0 * np.log2(r.pitch_hz / note.note_hz) for r in said]
        assert all(abs(cents) < 60.0 for cents in off), note.path.name
        assert not any(getattr(r, "reason", None) is Reason.TWO_STRINGS for r in said)
        told += any(isinstance(r, Reading) for r in found)
    assert told >= (15 if below_db < 10.0 else 17)


@pytest.mark.parametrize(("quiet_s", "softer"), [(0.03, 0.5), (0.05, 0.25), (0.07, 0.25)])
def test_a_softer_note_soon_after_the_damping_hand_is_heard(quiet_s: float, softer: float):
    """A hand takes 50 ms, then so much quiet: what it damped must not hide what comes next.

    Every other was missed, because a rise is judged against what went 40 to 130 ms before.
    """
    missed = []
    for note in realset.notes():
        if note.note_hz < 40.0:  # slack: it hardly moves the level within 50 ms
            continue
        samples, rate_hz = soundfile.read(note.path, dtype="float32")
        first = round((note.onset_s - 0.005) * rate_hz)
        loud = samples[first : first + round(1.5 * rate_hz)].astype(np.float64)
        hand = round(0.05 * rate_hz)
        loud[-hand:] *= np.cos(np.linspace(0.0, np.pi / 2.0, hand)) ** 2
        soft = softer * samples[first : first + 2 * rate_hz].astype(np.float64)
        pieces = (np.zeros(rate_hz), loud, np.zeros(round(quiet_s * rate_hz)), soft)
        sound = np.concatenate(pieces)
        sound += np.random.default_rng(5).normal(0.0, 1e-4, sound.size)
        at_s = (sound.size - soft.size) / rate_hz
        found = readings(sound.astype(np.float32), rate_hz)
        if not any(abs(r.onset_s - at_s) < 0.08 for r in found):
            missed.append(note.path.name)
    assert len(missed) <= 1, missed


def test_an_input_far_off_zero_hears_no_more_plucks():
    """What is constant weighed with what had sounded and what came: an archtop's open A was split,
    and its rest, whose first partial had died, was read an octave up."""
    for note in realset.notes():
        samples, rate_hz = soundfile.read(note.path, dtype="float32")
        found = readings(np.clip(0.5 * samples / np.abs(samples).max() + 0.2, -1, 1), rate_hz)
        assert len(found) == 1, note.path.name


def test_a_pluck_right_after_a_false_start_is_kept():
    """The finger slips off after 0.15 to 0.3 s, stops the string within 25 ms and plucks again.

    Two were told to be plucks and then, asked once more, dropped with all that followed.
    """
    lost = []
    for note in realset.notes():
        if note.note_hz < 40.0:
            continue
        samples, rate_hz = soundfile.read(note.path, dtype="float32")
        first = round((note.onset_s + 0.01) * rate_hz)
        whole = samples[first : first + 3 * rate_hz].astype(np.float64)
        for slip_s in (0.15, 0.2, 0.25, 0.3):
            slip, hand = whole[: round(slip_s * rate_hz)].copy(), round(0.025 * rate_hz)
            slip[-hand:] *= np.cos(np.linspace(0.0, np.pi / 2.0, hand))
            sound = np.concatenate((np.zeros(round(0.7 * rate_hz)), slip, whole))
            sound += np.random.default_rng(3).normal(0.0, 3e-4, sound.size)
            found = readings(sound.astype(np.float32), rate_hz)
            if not any(r.ring_s > 2.5 for r in found):
                lost.append((note.path.name, slip_s))
    assert not lost


def slid(note: realset.RealNote, frets: float, at_s: float, in_s: float) -> list:
    """What is read of a note that slides so far, ``at_s`` after its onset."""
    samples, rate_hz = soundfile.read(note.path, dtype="float32")
    since_s = np.arange(samples.size) / rate_hz - note.onset_s
    place = np.cumsum(2.0 ** (frets * np.clip((since_s - at_s) / in_s, 0.0, 1.0) / 12.0))
    place = place[place < samples.size - 1]
    sound = np.interp(place, np.arange(samples.size), samples).astype(np.float32)
    found = readings(sound[: round((note.onset_s + 4.0) * rate_hz)], rate_hz)
    return [r for r in found if abs(r.onset_s - note.onset_s) < 0.1]


def test_a_note_that_slides_to_the_next_fret_is_no_reading():
    """Some partial may be known by what it was before: one was settled at +8.8 cents, u 87."""
    for note in realset.notes():
        plucked = slid(note, 1.0, 0.8, 0.2)
        assert plucked, note.path.name
        assert not any(isinstance(r, Reading) for r in plucked), note.path.name


def test_a_slide_by_three_frets_is_not_two_strings():
    """One note after the other, as their ends tell: nobody is asked to damp what does not ring."""
    reasons = [r.reason for note in realset.notes() for r in slid(note, 3.0, 0.5, 0.15)]
    assert len(reasons) >= 19
    assert reasons.count(Reason.TWO_STRINGS) <= 4
    assert reasons.count(Reason.NEVER_SETTLED) >= 14


def test_a_first_partial_that_noise_drowns_may_lie_where_the_others_do_not_point():
    """Where nothing but the others tells of it, the uncertainty admits that it may be cents off
    their law, as it is on three of these notes: 6 of 32 lay outside 2 u before, not 3."""
    inside = []
    for note in realset.notes():
        samples, rate_hz = soundfile.read(note.path, dtype="float32")
        first = round(note.onset_s * rate_hz)
        samples = samples[: first + 4 * rate_hz]
        loud = np.std(samples[first + round(0.3 * rate_hz) : first + round(1.3 * rate_hz)])
        white = np.fft.rfft(np.random.default_rng(4).normal(size=samples.size))
        frequency_hz = np.fft.rfftfreq(samples.size, 1.0 / rate_hz)
        white[np.abs(frequency_hz - note.note_hz) > 0.1 * note.note_hz] = 0.0
        noise = np.fft.irfft(white, samples.size)
        for below_db in (6.0, 12.0):
            drowns = noise * loud * 10.0 ** (-below_db / 20.0) / np.std(noise)
            found = readings((samples + drowns).astype(np.float32), rate_hz)
            for reading in found:
                if isinstance(reading, Reading) and abs(reading.onset_s - note.onset_s) < 0.1:
                    off_cents = 1200.0 * np.log2(reading.pitch_hz / note.late_f1_hz)
                    u_cents = np.hypot(reading.u_cents, note.late_f1_u_cents)
                    inside.append(abs(off_cents) < 2.0 * u_cents)
    assert len(inside) >= 30
    assert np.mean(inside) >= 0.88


@pytest.mark.parametrize("lost", [-2048, -512, -128, 256, 480, 1024])
def test_sound_that_is_lost_or_comes_twice_begins_no_note(lost: int):
    """A device that drops samples without a word, or hands a block out twice (fewer than none are
    lost): the note may end there, but its rest is no pluck, and what is read of it holds."""
    twice, away = [], []
    for note in realset.notes():
        samples, rate_hz = soundfile.read(note.path, dtype="float32")
        at = round((note.onset_s + 1.6) * rate_hz)
        whole = [r for r in readings(samples, rate_hz) if isinstance(r, Reading)]
        torn = np.concatenate((samples[:at], samples[at + lost :]))
        found = [r for r in readings(torn, rate_hz) if isinstance(r, Reading)]
        if not whole or not found:  # cut short, one or the other may never settle
            continue
        if len(found) > 1:
            twice.append(note.path.name)
        for each in found:
            off_cents = 1200.0 * np.log2(each.pitch_hz / whole[0].pitch_hz)
            away.append(abs(off_cents) / np.hypot(each.u_cents, whole[0].u_cents))
    assert len(twice) <= 2, twice  # 5 to 9 where nobody asks whether time jumped
    assert len(away) >= 17
    assert np.sort(away)[-2] < 2.0  # all but one
    assert max(away) < 3.0


def test_a_gain_that_is_turned_up_begins_no_note():
    twice = []
    for note in realset.notes():
        samples, rate_hz = soundfile.read(note.path, dtype="float32")
        steps = np.interp(
            np.arange(samples.size) / rate_hz - note.onset_s - 1.3, (0.0, 0.005), (1, 2)
        )
        found = [r for r in readings(0.4 * samples * steps, rate_hz) if isinstance(r, Reading)]
        twice += [note.path.name] * (len(found) > 1)
    assert len(twice) <= 1, twice  # 11 where the rest of the note is taken for another


@pytest.mark.parametrize("semitones", [(4,), (5,), (7,), (4, 7), (3, 7), (7, 12)])
def test_a_chord_is_not_the_note_whose_partials_its_own_are(semitones: tuple[int, ...]):
    """The upper notes are the same one played back faster: tempered intervals, whose common period
    is that of a note one or two octaves below."""
    far = []
    for note in realset.notes():
        samples, rate_hz = soundfile.read(note.path, dtype="float32")
        length = round((note.onset_s + 3.0) * rate_hz)
        chord = samples[:length].copy()
        for k, up in enumerate(semitones):
            at = note.onset_s * rate_hz + (np.arange(length) - note.onset_s * rate_hz) * 2 ** (
                up / 12
            )
            later = round(0.008 * (k + 1) * rate_hz)
            chord[later:] += np.interp(at, np.arange(samples.size), samples)[: length - later]
        for each in readings(chord / 3.0, rate_hz):
            if isinstance(each, Reading) and each.pitch_hz < 0.97 * note.note_hz:
                far.append((note.path.name, each.pitch_hz / note.note_hz))
    assert len(far) <= 1, far
