"""Strings that are not ideal: what the reading says of them, and what it admits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import soundfile
from string_sound import cents, note

import pitchbench.pitch.settle as settle_room
from pitchbench.analysis.listening import listen_to
from pitchbench.pitch.clipping import is_clipped
from pitchbench.pitch.reading import Pluck, Reading, Reason, Rejected, read_pluck
from pitchbench.pitch.strengths import lower_inverse

RATE_HZ = 48000
ONSET = round(0.7 * RATE_HZ)
F1_HZ = 82.4069


def reading_of(sound, *, ring_s=3.0, shift=0):
    """The reading of the pluck in ``sound``, cut ``shift`` samples early."""
    first, end = ONSET - shift, ONSET + round(ring_s * RATE_HZ)
    return read_pluck(Pluck(sound[first:end], RATE_HZ, 0.7, sound[: ONSET - 1000]))


def with_first_partial(frequency_cents):
    """A note of twelve partials whose first goes ``frequency_cents`` (a function of time) sharp."""
    amplitudes = (0.0, *(0.2 / k for k in range(2, 13)))
    sound = note(F1_HZ, amplitudes=amplitudes, glide_cents=0.0, ring_s=4.0).astype(np.float64)
    t = np.arange(sound.size - ONSET) / RATE_HZ
    phase = np.cumsum(2.0 * np.pi * F1_HZ * 2.0 ** (frequency_cents(t) / 1200.0)) / RATE_HZ
    fall = np.exp(-t / 1.5 - np.maximum(0.0, t - 4.0) / 0.01)
    sound[ONSET:] += 0.2 * fall * np.cos(phase)
    return sound.astype(np.float32)


@pytest.mark.parametrize("size", [1, 8, 9, 30, 31])
def test_triangular_matrices_are_inverted_by_halves(size):
    rng = np.random.default_rng(size)
    lower = np.tril(rng.normal(size=(2, 3, size, size))) + 3.0 * np.eye(size)
    one = np.broadcast_to(np.eye(size), lower.shape)
    np.testing.assert_allclose(lower @ lower_inverse(lower), one, atol=1e-12)


@pytest.mark.parametrize("off_cents", [-4.0, 1.5, 5.0])
def test_a_first_partial_off_the_law_of_the_others_is_what_is_read(off_cents):
    reading = reading_of(with_first_partial(lambda t: np.full_like(t, off_cents)), ring_s=4.0)
    off = cents(reading.pitch_hz, F1_HZ)
    # Real strings: 1.5 cents off the law in the median, 5 at the 90th percentile.
    assert off == pytest.approx(off_cents, abs=0.15)
    assert reading.u_cents < 0.5
    first, second = reading.partials[:2]
    assert cents(first.frequency_hz, F1_HZ) == pytest.approx(off_cents, abs=0.15)
    assert abs(second.law_cents - first.law_cents + off_cents) < 0.3


def test_a_first_partial_that_flutters_is_admitted():
    steady = reading_of(with_first_partial(lambda t: 0.0 * t), ring_s=4.0)
    flutter = reading_of(
        with_first_partial(lambda t: 3.0 * np.sin(2.0 * np.pi * t / 1.7)), ring_s=4.0
    )
    assert steady.u_cents < 0.1
    assert flutter.u_cents > 0.5
    assert abs(cents(flutter.pitch_hz, F1_HZ)) < 2.0 * flutter.u_cents


def test_steady_partials_are_known_though_the_first_is_not():
    """What the first does by itself is its own; the others' pairs may still judge an offset."""
    wild = reading_of(
        with_first_partial(lambda t: 25.0 * np.sin(2.0 * np.pi * t / 1.3)), ring_s=4.0
    )
    assert isinstance(wild, Reading)
    first, *others = wild.partials[:6]
    assert first.u_cents == pytest.approx(wild.u_cents, rel=0.1)
    assert first.own_u_cents > 0.9 * first.u_cents
    assert all(partial.u_cents < 0.01 * first.u_cents for partial in others)


def test_a_partial_sees_a_course_when_it_is_heard(monkeypatch):
    """A course that is straight is a change of pitch, and looks the same to every partial.

    What dies early is heard early in each stretch: by milliseconds, of which a loud partial's phase
    tells thousandths.
    """
    seen = []

    def keep(*args, **kwargs):
        seen.append(seen_of(*args, **kwargs))
        return seen[-1]

    seen_of = settle_room.seen_of
    monkeypatch.setattr(settle_room, "seen_of", keep)
    reading_of(note(330.0, glide_cents=0.0, ring_s=2.2), ring_s=2.2)
    last = seen[-1]
    assert last.course @ last.time_s == pytest.approx(last.columns[:, 0], abs=1e-9)
    assert np.abs(last.columns[:, 0] - last.heard * last.time_s).max() > 1e-3


def test_a_course_that_no_glide_explains_stays_within_physics():
    # All rise by a few cents in half a second, as under a magnet: no string glides upwards, but it
    # is told that it began flat.
    sound = note(F1_HZ, glide_cents=-8.0)
    reading = reading_of(sound)
    assert -8.0 <= reading.attack_cents < 0.0
    assert reading.wander_cents < 60.0
    assert abs(cents(reading.pitch_hz, F1_HZ)) < 3.0 * reading.u_cents


@pytest.mark.parametrize(
    ("f1_hz", "split_cents", "ring_s"),
    [
        (224.0, 2.2, 1.4),
        (224.0, -2.2, 1.4),
        (196.0, 1.8, 1.6),
        (110.0, -1.5, 2.0),
        (98.0, 3.0, 1.6),
    ],
)
def test_half_a_beat_of_the_first_partial_is_told_by_the_others(f1_hz, split_cents, ring_s):
    """The second plane is let go with the first, 10 dB fainter and at one split. By itself the
    first partial, in less than half a beat, looks up to half a cent off."""
    sound = note(f1_hz, glide_cents=0.0, ring_s=ring_s, noise=1e-5)
    other_hz = f1_hz * 2.0 ** (split_cents / 1200.0)
    sound += 0.3 * note(other_hz, glide_cents=0.0, ring_s=ring_s, noise=0.0)
    reading = reading_of(sound, ring_s=ring_s)
    off = abs(cents(reading.pitch_hz, f1_hz))
    assert off < 0.1
    assert off < 2.0 * reading.u_cents


@pytest.mark.parametrize(
    ("f1_hz", "split_cents", "ring_s"),
    [(290.0, -3.0, 1.2), (222.0, -3.0, 1.2), (196.0, 2.5, 1.6), (147.0, -3.0, 1.6)],
)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_slow_beat_is_found_though_the_partials_lie_off_the_law(f1_hz, split_cents, ring_s, seed):
    """A body moves the partials by 2 cents (1 sigma), as real ones do; the second plane of each
    lies at one split, 10 dB down. Laid to the beat, that left it half a cent off."""
    off_cents = np.random.default_rng(seed).normal(0.0, 2.0, 12)
    off_cents[0] = 0.0
    sound = np.zeros(1)
    for k, moved_cents in enumerate(off_cents, start=1):
        alone = (*[0.0] * (k - 1), 0.2 / k)
        for share, cents_off in ((1.0, moved_cents), (0.3, moved_cents + split_cents)):
            sound = sound + share * note(
                f1_hz * 2.0 ** (cents_off / 1200.0),
                amplitudes=alone,
                glide_cents=0.0,
                ring_s=ring_s,
                noise=1e-5,
                seed=k,
            )
    reading = reading_of(sound.astype(np.float32), ring_s=ring_s)
    off = abs(cents(reading.pitch_hz, f1_hz))
    assert off < 0.2
    assert off < 2.0 * reading.u_cents < 0.4


@pytest.mark.parametrize("ring_s", [1.6, 3.0])
def test_the_cut_into_samples_moves_a_reading_by_less_than_half_its_u(ring_s):
    sound = note(110.0)
    read = [reading_of(sound, ring_s=ring_s, shift=s) for s in (0, 37, 211, 480)]
    spread = np.ptp([cents(r.pitch_hz, 110.0) for r in read])
    assert spread < 0.5 * np.median([r.u_cents for r in read])


@pytest.mark.parametrize("noise", [0.0, 0.003, 0.01])
def test_clipping_is_seen_through_noise_on_top(noise):
    sound = note(F1_HZ)
    assert not is_clipped(sound[ONSET + 720 :])
    top = 0.5 * float(np.abs(sound).max())
    cut = np.clip(sound, -top, top)
    cut = cut + np.random.default_rng(4).normal(0.0, noise * top, cut.size).astype(np.float32)
    assert reading_of(cut).reason is Reason.CLIPPED


def in_steps(sound, steps):
    """``sound`` as a recording of few bits has it, its peak so many steps high."""
    step = float(np.abs(sound).max()) / steps
    return (step * np.round(sound / step)).astype(np.float32)


@pytest.mark.parametrize("steps", [1, 4, 9, 20, 128])
def test_the_flat_tops_of_coarse_steps_are_no_clipping(steps):
    assert not is_clipped(in_steps(note(F1_HZ), steps)[ONSET + 720 :])


@pytest.mark.parametrize(("steps", "gain"), [(128, 1.0), (128, 0.03), (2000, 0.03)])
def test_clipping_is_seen_in_coarse_steps_at_any_level(steps, gain):
    """A chain that is driven too far before it is turned down, and a recording of few bits."""
    sound = note(F1_HZ)
    top = 0.3 * float(np.abs(sound).max())
    assert is_clipped(gain * in_steps(np.clip(sound, -top, top), steps)[ONSET + 720 :])


def test_an_eight_bit_recording_far_below_full_scale_is_not_called_too_loud(tmp_path):
    """Nine steps of 128 high: to pluck more gently would make it worse."""
    path = tmp_path / "u8.wav"
    sound, rate_hz = soundfile.read("samples/e2-soft-medium-hard.flac")
    soundfile.write(path, sound, rate_hz, subtype="PCM_U8")
    (heard,) = listen_to([path])
    assert len(heard.readings) >= 2
    assert Reason.CLIPPED not in [getattr(each, "reason", None) for each in heard.readings]


def test_silence_is_not_clipped():
    assert not is_clipped(np.zeros(1000, dtype=np.float32))


def test_a_fit_that_strays_beyond_its_bands_is_no_reading(monkeypatch):
    fit = settle_room._fit
    monkeypatch.setattr(
        settle_room, "_fit", lambda *found, **last: replace(fit(*found, **last), f1_hz=-F1_HZ)
    )
    assert isinstance(reading_of(note(F1_HZ)), Rejected)
