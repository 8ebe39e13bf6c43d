"""Properties of the geometry; its table of values is in tests/reference/geometry."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitchbench.intonation import geometry

scales = st.floats(560, 920)
setbacks = st.floats(0, 8)
frets = st.integers(1, 24)


@given(cents=st.floats(-60, 60), fret=frets, scale_mm=scales, setback_mm=setbacks)
def test_the_move_cancels_the_offset(cents, fret, scale_mm, setback_mm):
    where = {"fret": fret, "scale_mm": scale_mm, "setback_mm": setback_mm}
    if fret < 3:
        cents /= 10  # a saddle has next to no hold on the first frets
    move = geometry.saddle_move_mm(cents, **where)
    assert geometry.saddle_change_cents(move, **where) == pytest.approx(-cents, abs=1e-6)


@given(move=st.floats(0.01, 10), fret=frets, scale_mm=scales)
def test_away_from_the_nut_is_flatter_and_more_so_higher_up(move, fret, scale_mm):
    here = geometry.saddle_change_cents(move, fret=fret, scale_mm=scale_mm)
    above = geometry.saddle_change_cents(move, fret=fret + 1, scale_mm=scale_mm)
    assert above < here < 0.0


def test_the_nut_changes_every_fret_alike():
    moved = geometry.nut_change_cents(0.5, scale_mm=648)
    assert moved == pytest.approx(-1.3363, abs=1e-4)  # 1200 log2(647.5 / 648)
    longer = geometry.nut_change_cents(0.5, scale_mm=648, setback_mm=12)
    assert longer == pytest.approx(-1.3120, abs=1e-4)  # 1200 log2(659.5 / 660)


def test_no_saddle_cancels_an_octave():
    with pytest.raises(ValueError, match="no saddle position"):
        geometry.saddle_move_mm(1200.0, fret=12, scale_mm=648)


def test_an_inch_screw_is_called_by_its_threads_per_inch():
    """ASME B1.1: "4-40" has 40 of them."""
    inch = {name: mm for name, mm in geometry.SCREW_PITCH_MM.items() if "-" in name}
    assert set(inch) == {"4-40", "6-32", "8-32"}
    for name, pitch_mm in inch.items():
        assert round(25.4 / pitch_mm, 9) == int(name.partition("-")[2])


def test_turns_carry_the_sign():
    assert geometry.turns(-1.5, screw_pitch_mm=0.5) == -3.0


def test_a_string_ends_at_its_scale_where_nothing_else_is_said():
    """x = L (1 - q) / (2 q - 1) with q = 2^(-4 / 1200), L = 648 mm: 1.5024 mm, by hand."""
    q = 2 ** (-4 / 1200)
    expected = 648 * (1 - q) / (2 * q - 1)
    assert geometry.saddle_move_mm(4.0, fret=12, scale_mm=648) == pytest.approx(expected, rel=1e-12)
    assert expected == pytest.approx(1.5024, abs=1e-4)
