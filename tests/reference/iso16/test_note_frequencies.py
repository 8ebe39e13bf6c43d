"""Note frequencies: ISO 16:1975 fixes A4 at 440 Hz; equal temperament gives the rest.

The values are derived: calculated from that, to four decimals (docs/definitions.md, section 6).
"""

from __future__ import annotations

import pytest

from pitchbench.notes import Note, nearest_note
from pitchbench.units import cents_between

HZ = {
    "B0": 30.8677,
    "E1": 41.2034,
    "A1": 55.0,
    "B1": 61.7354,
    "C2": 65.4064,
    "D2": 73.4162,
    "E2": 82.4069,
    "G2": 97.9989,
    "A2": 110.0,
    "D3": 146.8324,
    "G3": 195.9977,
    "B3": 246.9417,
    "E4": 329.6276,
    "A4": 440.0,
}


@pytest.mark.parametrize(("name", "hz"), HZ.items())
def test_frequency_of_a_note(name, hz):
    # Half of the last digit given.
    assert Note.parse(name).hz() == pytest.approx(hz, abs=5.1e-5)


@pytest.mark.parametrize(("name", "hz"), HZ.items())
def test_the_nearest_note_is_named(name, hz):
    note, cents = nearest_note(hz * 2.0 ** (30.0 / 1200.0))
    assert note.name == name
    assert cents == pytest.approx(30.0, abs=3e-3)  # the rounding of 30.8677 Hz is 0.003 cent


def test_another_standard_pitch_moves_every_note_alike():
    assert cents_between(Note.parse("E2").hz(442.0), Note.parse("E2").hz()) == pytest.approx(
        cents_between(442.0, 440.0)
    )
