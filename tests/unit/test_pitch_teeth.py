"""Each safeguard of the reading at work, and what happens without it.

Every test has two halves: with the safeguard the reading is right within a tolerance; with it
switched off the same sound is read wrong by more than that tolerance. So the first half would fail
if the safeguard were lost.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from string_sound import CENT, cents, note

import pitchbench.pitch.glide as glide_room
import pitchbench.pitch.listener as listener_room
import pitchbench.pitch.note as note_room
import pitchbench.pitch.reading as reading_room
import pitchbench.pitch.seen as seen_room
import pitchbench.pitch.settle as settle_room
import pitchbench.pitch.strengths as strengths_room
import pitchbench.pitch.string_model as model_room
from pitchbench.pitch.listener import Listener, LivePitch
from pitchbench.pitch.reading import Pluck, read_pluck
from pitchbench.sound.source import Block

RATE_HZ = 48000
ONSET = round(0.7 * RATE_HZ)


def error_cents(sound, true_hz, *, ring_s=3.0):
    """Error of the reading of the pluck in ``sound``."""
    end = ONSET + round(ring_s * RATE_HZ)
    reading = read_pluck(Pluck(sound[ONSET:end], RATE_HZ, 0.7, sound[: ONSET - 1000]))
    return cents(reading.pitch_hz, true_hz)


def no_wander(monkeypatch):
    """Believe that partials keep to the law and to one course, as an ideal string's do."""
    monkeypatch.setattr(model_room, "_OFF_LAW", np.array([[1e-7, 2e-7], [2e-7, 4e-7]]))
    monkeypatch.setattr(model_room, "_COMMON", np.array([1e-7, 2e-7]))
    monkeypatch.setattr(strengths_room, "_WANDER", np.geomspace(1e-7, 2e-7, 4))
    monkeypatch.setattr(seen_room, "wander_of", without_what_drowns(seen_room.wander_of))


def without_what_drowns(wander_of):
    def same(*arguments, **named):
        wander = wander_of(*arguments, **named)
        return replace(wander, anyhow=np.zeros_like(wander.anyhow))

    return same


def test_stiffness(monkeypatch):
    sound = note(82.4069, stiffness_b=3e-4)
    assert abs(error_cents(sound, 82.4069)) < 0.05
    no_wander(monkeypatch)
    monkeypatch.setattr(model_room, "law_gradient", lambda number, b: np.zeros(len(number)))
    monkeypatch.setattr("pitchbench.pitch.partials.fit_law", lambda *a: (a[3], 0.0))
    monkeypatch.setattr("pitchbench.pitch.partials._B_GRID", np.zeros(1))
    assert abs(error_cents(sound, 82.4069)) > 0.5


def test_glide(monkeypatch):
    sound = note(82.4069, glide_cents=15.0, decay_s=2.5)
    assert abs(error_cents(sound, 82.4069)) < 0.1
    monkeypatch.setattr(model_room, "_GLIDE", np.array([1e-9]))
    assert abs(error_cents(sound, 82.4069)) > 1.0


def test_ends(monkeypatch):
    # The first round leaves out what the fades and the filter bend: of so short a note too much.
    sound = note(82.4069)
    assert abs(error_cents(sound, 82.4069, ring_s=0.6)) < 0.1
    monkeypatch.setattr(settle_room, "_ENDS", 1.0)
    assert abs(error_cents(sound, 82.4069, ring_s=0.6)) > 0.2


def test_a_hand_that_damps_leaves_no_trace():
    # What the filter hears of it before it comes down is left out; it had made u a hundred times
    # larger.
    sound = note(110.0, ring_s=1.5, decay_s=0.6, glide_cents=2.0, noise=1e-3, after_s=0.6)
    rings, too_long = (
        read_pluck(
            Pluck(sound[ONSET : ONSET + round(end_s * RATE_HZ)], RATE_HZ, 0.7, sound[:ONSET])
        )
        for end_s in (1.47, 2.0)
    )
    assert abs(cents(too_long.pitch_hz, 110.0)) < 0.1
    assert too_long.u_cents < 2.0 * rings.u_cents


def test_hum(monkeypatch):
    # A short note of few partials, over hum whose fifth harmonic, 250 Hz, lies in the band of the
    # first: with many, the others would tell.
    sound = note(246.94, decay_s=0.35, glide_cents=2.0, amplitudes=(0.2, 0.05))
    t = np.arange(sound.size) / RATE_HZ
    hum = sum(0.004 * np.cos(2 * np.pi * 50.0 * h * t + h) for h in range(1, 9))
    sound = (sound + hum).astype(np.float32)
    guarded = abs(error_cents(sound, 246.94))
    assert guarded < 0.3
    monkeypatch.setattr(reading_room, "_background", lambda pluck: None)
    assert abs(error_cents(sound, 246.94)) > max(0.3, 2.0 * guarded)


def test_neighbour(monkeypatch):
    # Another string, plucked with it, whose partials stand close to the third and the sixth.
    sound = note(82.4069, decay_s=1.5)
    other = note(247.9, amplitudes=(0.05, 0.03, 0.02), decay_s=6.0, seed=9)
    sound = (sound + other).astype(np.float32)
    assert abs(error_cents(sound, 82.4069)) < 0.1
    no_wander(monkeypatch)
    assert abs(error_cents(sound, 82.4069)) > 0.1


def test_octave(monkeypatch):
    # The second partial 28 dB above the first, as in a sampled steel-string guitar.
    levels = (0.02, 0.5, 0.06, 0.13, 0.05, 0.02, 0.017, 0.02, 0.03, 0.03)
    sound = note(82.4069, amplitudes=levels)
    monkeypatch.setattr(note_room, "note_of", lambda *a: 164.9)
    monkeypatch.setattr(reading_room, "note_of", lambda *a: 164.9)
    assert abs(error_cents(sound, 82.4069)) < 0.1
    monkeypatch.setattr(note_room, "_between_stand_out", lambda lower, part: False)
    assert error_cents(sound, 82.4069) == pytest.approx(1200.0, abs=10.0)


@pytest.mark.parametrize("loudest", [3, 4, 5])
def test_a_partial_louder_than_all_others_is_not_taken_for_the_note(loudest, monkeypatch):
    # As a nylon string through a high-pass: the tracker hears the period of one partial.
    levels = (0.004, 0.02, 0.03, 0.03, 0.02, 0.02, 0.02, 0.01, 0.01, 0.01, 0.008, 0.008)
    levels = tuple(0.5 if k == loudest else a for k, a in enumerate(levels, start=1))
    sound = note(130.81, amplitudes=levels)
    assert abs(error_cents(sound, 130.81)) < 0.1
    monkeypatch.setattr(note_room, "_lower", lambda *a: None)
    assert error_cents(sound, 130.81) > 1200.0


def test_what_a_partial_takes_of_its_own_of_the_glide(monkeypatch):
    """Each adds to the tension, and feels half as much again of its own part: it is in step."""
    rng = np.random.default_rng(3)
    t = np.arange(round(2.6 * RATE_HZ)) / RATE_HZ
    number = np.arange(1, 13)
    rate = (1.0 + 0.2 * (number - 1)) / 2.0
    share = 1.0 / number**2 / np.sum(1.0 / number**2)
    part = share[:, None] * -np.expm1(-2.0 * rate[:, None] * t) / (2.0 * rate[:, None])
    warped = t + 6.0 * CENT * (part.sum(axis=0) + 0.5 * part)
    f_hz = 82.4069 * number * np.sqrt((1.0 + 1e-4 * number**2) / (1.0 + 1e-4))
    phase = 2.0 * np.pi * f_hz[:, None] * warped + rng.uniform(0.0, 6.28, (12, 1))
    string = (0.2 / number[:, None] * np.exp(-rate[:, None] * t) * np.cos(phase)).sum(axis=0)
    sound = np.concatenate((np.zeros(ONSET), string)) + rng.normal(0.0, 1e-4, ONSET + t.size)
    sound = sound.astype(np.float32)
    assert abs(error_cents(sound, 82.4069, ring_s=2.4)) < 0.05
    monkeypatch.setattr(glide_room, "_OWN_MORE", 0.0)
    monkeypatch.setattr(glide_room, "_OWN_SIGMA", 1e-6)
    assert abs(error_cents(sound, 82.4069, ring_s=2.4)) > 0.15


def test_an_octave_below_that_only_rings_along_is_not_taken():
    sound = note(164.81)
    faint = note(82.4069, amplitudes=tuple(0.005 / k for k in range(1, 9)), decay_s=4.0, seed=5)
    assert abs(error_cents((sound + faint).astype(np.float32), 164.81)) < 0.5


def test_a_body_that_thumps_along_is_not_the_first_pitch_drawn(monkeypatch):
    # The body answers a twelfth below the note for a moment: three periods fit better than one.
    sound = note(329.63)
    t = np.arange(sound.size - ONSET) / RATE_HZ
    thump = 0.2 * np.exp(-t / 0.03) * np.sin(2 * np.pi * 329.63 / 3 * t)
    sound[ONSET:] += thump.astype(np.float32)

    def first_live_hz():
        events = Listener(RATE_HZ, offer_early=True).feed(Block(sound, 0, RATE_HZ))
        return next(e.pitch_hz for e in events if isinstance(e, LivePitch))

    assert abs(cents(first_live_hz(), 329.63)) < 30.0
    monkeypatch.setattr(listener_room, "_RIVAL", 1.1)
    assert cents(first_live_hz(), 329.63) < -1800.0


def in_two_planes():
    """A string whose second plane is 0.8 cent sharp of the first and a quarter as loud."""
    other = note(110.0 * 2.0 ** (0.8 / 1200.0), glide_cents=3.0, seed=2) * 0.25
    return (note(110.0, glide_cents=3.0) + other).astype(np.float32)


def restless(seed):
    """Partials whose pitch and level wander, each by itself, as a real string's do: a random walk
    of some cents and decibels in four seconds."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(4.0 * RATE_HZ)) / RATE_HZ
    steps = np.linspace(0.0, 4.0, 81)
    sound = 1e-4 * rng.normal(size=ONSET + t.size)
    for k in range(1, 13):
        walks = np.cumsum(rng.normal(size=(2, steps.size)), axis=1)
        pitch, level = (np.interp(t, steps, walk) for walk in walks)
        turns = np.cumsum(k * 110.0 * (1.0 + 0.3 * CENT * pitch)) / RATE_HZ
        sound[ONSET:] += 0.2 / k * np.exp(0.03 * level - t / 1.5) * np.cos(2.0 * np.pi * turns)
    return sound.astype(np.float32)


def test_what_the_partials_speak_against_is_not_solved_for(monkeypatch):
    gains, solved = [], []

    def weighed(seen, beats, **how):
        every = strengths_of(seen, beats, **how)
        gains.extend(each.log_alone - every[0].log_alone for each in every[1:])
        return every

    def noted(seen, strengths, beat, **how):
        solved.append(beat.unknowns > 0)
        return solve(seen, strengths, beat, **how)

    strengths_of, solve = settle_room.strengths_of, settle_room.solve
    monkeypatch.setattr(settle_room, "strengths_of", weighed)
    monkeypatch.setattr(settle_room, "solve", noted)
    error_cents(in_two_planes(), 110.0)
    assert max(gains) > 50.0
    assert any(solved)
    # Wandering partials tell for and against; whatever they tell, it is heeded.
    for seed in range(6):
        gains.clear()
        solved.clear()
        error_cents(restless(seed), 110.0)
        assert len(gains) == 2
        assert sum(solved) == sum(gain > 0.0 for gain in gains)


def test_second_polarisation(monkeypatch):
    sound = in_two_planes()
    assert abs(error_cents(sound, 110.0)) < 0.1
    monkeypatch.setattr(settle_room, "second_polarisation", lambda leftover: [])
    assert abs(error_cents(sound, 110.0)) > 0.1
