"""Chords: which notes sound, and how their intervals beat."""

import math

import pytest

from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Bridge, BridgeKind, Instrument, StringSpec
from pitchbench.intonation.chords import BEATING, parse_shape, sound_chord
from pitchbench.notes import Note

TUNING = ("E4", "B3", "G3", "D3", "A2", "E2")
BENCH = Instrument(
    "bench",
    "guitar",
    648.0,
    tuple(StringSpec(Note.parse(note), 0.5, wound=False) for note in TUNING),
    Bridge(BridgeKind.SCREW_SADDLES),
)


def in_tune(string, fret):
    return 0.0


@pytest.mark.parametrize(
    ("text", "frets"),
    [
        ("x32010", (None, 3, 2, 0, 1, 0)),
        ("X-10-12-12-10-x", (None, 10, 12, 12, 10, None)),
        ("0 2 2 1 0 0", (0, 2, 2, 1, 0, 0)),
    ],
)
def test_shapes(text, frets):
    assert parse_shape(text, 6) == frets


@pytest.mark.parametrize("text", ["", "x3201", "x32010-", "hello!", "1.5 0 0 0 0 0"])
def test_no_shape(text):
    with pytest.raises(PitchbenchError, match="no chord shape"):
        parse_shape(text, 6)


@pytest.mark.parametrize(("strings", "such_as"), [(6, "x32010."), (4, "0-0-0-0.")])
def test_what_is_no_shape_is_told_what_is_one(strings, such_as):
    with pytest.raises(PitchbenchError, match="no chord shape") as failed:
        parse_shape("hello!", strings)
    assert failed.value.remedy.endswith(f"such as {such_as}")


def test_the_notes_of_a_c_chord():
    chord = sound_chord("x32010", BENCH, in_tune)
    assert [str(note.note) for note in chord.notes] == ["C3", "E3", "G3", "C4", "E4"]
    assert [note.string for note in chord.notes] == [5, 4, 3, 2, 1]


def test_octaves_in_tune_do_not_beat_and_tempered_fifths_do():
    chord = sound_chord("x32010", BENCH, in_tune)
    by_name = {(str(i.lower.note), str(i.upper.note)): i for i in chord.intervals}
    assert by_name["C3", "C4"].beats_hz == pytest.approx(0.0, abs=1e-9)
    # 3 x 130.8128 - 2 x 195.9977 Hz: the fifth of equal temperament is 1.955 cents narrow.
    assert by_name["C3", "G3"].beats_hz == pytest.approx(0.443, abs=1e-3)


def test_a_sharp_note_beats():
    """1 cent at 330 Hz beats at 0.19 Hz against its twin (docs/definitions.md, section 6)."""
    chord = sound_chord("xxxx50", BENCH, lambda string, fret: 1.0)
    (unison,) = chord.intervals
    assert unison.name == "unison"
    assert unison.beats_hz == pytest.approx(0.19, abs=0.005)


def test_stiffness_stretches_the_partials_that_beat():
    """Second partial of a stiff E2 against E3 at the 2nd fret of the D string: f2 is sharp of
    2 f1 by 1200/ln2 * 3/2 B = 0.26 cents at B = 1e-4."""
    chord = sound_chord("0x2xxx", BENCH, in_tune, stiffness_b=[1e-4] * 6)
    (octave,) = chord.intervals
    assert octave.beats_hz == pytest.approx(164.8138 * (2 ** (0.2597 / 1200) - 1), rel=0.01)


def test_the_partials_of_a_fretted_note_are_as_stiff_as_its_length_makes_them():
    """E2 and the B2 at the 2nd fret: partials 3 and 2, f_k = k f1 sqrt((1 + B k^2) / (1 + B)), B as
    1 / L^2, so by 2^(2 / 6) more at the 2nd fret; the strings have 2e-4 and 1e-4."""
    stiffness_b = (0.0, 0.0, 0.0, 0.0, 1e-4, 2e-4)
    (fifth,) = sound_chord("02xxxx", BENCH, in_tune, stiffness_b=stiffness_b).intervals
    b = 1e-4 * 2 ** (1 / 3)
    low = 3 * 82.4069 * ((1 + 9 * 2e-4) / (1 + 2e-4)) ** 0.5
    high = 2 * 123.4708 * ((1 + 4 * b) / (1 + b)) ** 0.5
    assert fifth.beats_hz == pytest.approx(abs(low - high), abs=1e-3)


def test_an_open_string_is_taken_for_tuned():
    chord = sound_chord("x32010", BENCH, lambda string, fret: 10.0 * string + fret)
    assert [note.cents for note in chord.notes] == [53.0, 42.0, 0.0, 21.0, 0.0]
    assert chord.notes[0].pitch_hz == pytest.approx(130.8128 * 2 ** (53 / 1200), rel=1e-6)


def test_the_partials_that_beat_nearly_coincide():
    """Equal temperament is two cents off the just fifth, and off no octave."""
    for semitones, (_, low, high) in BEATING.items():
        assert 1200 * math.log2(low / high) == pytest.approx(100 * semitones, abs=2.0)
