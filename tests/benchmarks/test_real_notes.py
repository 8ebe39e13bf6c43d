"""The set of real notes, where it is at hand: each is heard as the note that it is."""

from __future__ import annotations

import pytest

pytest.importorskip("numba")

import real_notes
import stability
from answers import cents

pytestmark = pytest.mark.peers


def test_real_notes_are_heard_as_the_notes_they_are():
    place = real_notes.folder()
    if place is None:
        pytest.skip("the set of real notes is not at hand (PITCHBENCH_REALSET)")
    notes = real_notes.heard(place)
    assert len(notes) >= 20
    for note in notes:
        assert note.answer is not None, note.known["file"]
        # Names are certain; strings may be out of tune by some tens of cents.
        if note.settled is not None:
            assert abs(cents(note.settled.pitch_hz, note.known["note_hz"])) < 60.0
    assert real_notes.late(notes)
    assert real_notes.channels(notes)
    assert real_notes.dynamics(notes)
    # The last length is shorter than most notes.
    assert len(real_notes.cut_short(notes, real_notes.CUTS_S[-1])) >= 8


def test_the_uncertainty_of_real_notes_holds():
    """Against the late first partial by another method, and cut short against whole: nineteen of
    twenty within two uncertainties is what is said; of some twenty an honest ± misses more than
    three once in sixty sets, so three are allowed."""
    place = real_notes.folder()
    if place is None:
        pytest.skip("the set of real notes is not at hand (PITCHBENCH_REALSET)")
    notes = real_notes.heard(place)
    assert sum(note.settled is not None for note in notes) >= 0.9 * len(notes)
    compared = {"late first partial": real_notes.late(notes)}
    compared |= {f"first {s:g} s": real_notes.cut_short(notes, s) for s in real_notes.CUTS_S}
    for what, pairs in compared.items():
        beyond = sum(abs(apart) > 2.0 * u for apart, u in pairs)
        assert beyond <= 3, what
        assert not any(abs(apart) > 4.0 * u for apart, u in pairs), what


def test_a_reading_does_not_hang_on_how_the_device_cut_the_note():
    found = stability.spreads(24)
    assert len(found) >= 20
    assert stability.broken(found) <= stability.MOST_BROKEN, stability.report(found)
