"""Built-in instruments and instruments from options."""

from __future__ import annotations

import pytest

from pitchbench.errors import PitchbenchError
from pitchbench.instrument import BridgeKind, ScrewHeads
from pitchbench.presets import (
    PRESETS,
    instrument_from_options,
    parse_gauge,
    parse_tuning,
    preset,
    with_gauges,
)
from pitchbench.strings.materials import string_properties
from pitchbench.strings.physics import tension_n


def tuning(name: str) -> str:
    return " ".join(str(spec.note) for spec in reversed(preset(name).strings))


@pytest.mark.parametrize(
    ("name", "notes"),
    [
        ("six-string", "E2 A2 D3 G3 B3 E4"),
        ("six-string-drop-c", "C2 G2 C3 F3 A3 D4"),
        ("six-string-major-third-down", "C2 F2 A#2 D#3 G3 C4"),
        ("seven-string", "B1 E2 A2 D3 G3 B3 E4"),
        ("bass-four", "E1 A1 D2 G2"),
        ("bass-five", "B0 E1 A1 D2 G2"),
        ("nylon", "E2 A2 D3 G3 B3 E4"),
    ],
)
def test_presets_are_tuned_as_their_names_say(name: str, notes: str) -> None:
    assert tuning(name) == notes


@pytest.mark.parametrize("instrument", PRESETS.values(), ids=PRESETS.keys())
def test_every_preset_is_strung_as_a_player_would(instrument) -> None:
    notes = [spec.note for spec in instrument.strings]
    assert notes == sorted(notes, reverse=True)
    tensions = [
        tension_n(string_properties(s).mu_kg_per_m, s.note.hz(), instrument.scale_mm)
        for s in instrument.strings
    ]
    # Common practice, no source: 45 to 140 N on guitars, 140 to 230 N on basses.
    low, high = (140, 230) if "bass" in instrument.kind else (45, 140)
    assert all(low < t < high for t in tensions), tensions


def test_an_unknown_preset_lists_those_there_are() -> None:
    with pytest.raises(PitchbenchError, match="six-string-drop-c") as caught:
        preset("banjo")
    assert "banjo" in caught.value.what


def test_a_tuning_reads_either_way_and_string_one_is_the_highest() -> None:
    low_to_high = parse_tuning("E2 A2 D3 G3 B3 E4")
    assert low_to_high == parse_tuning("E4, B3, G3, D3, A2, E2")
    assert [str(note) for note in low_to_high[:2]] == ["E4", "B3"]


@pytest.mark.parametrize(
    ("text", "diameter_mm", "wound"),
    [
        ("10", 0.254, False),
        (".010", 0.254, False),
        ("9.5", 0.2413, False),
        ("46w", 1.1684, True),
        ("0.046W", 1.1684, True),
        ("0.25mm", 0.25, False),
        ("1.17mmw", 1.17, True),
        ("130w", 3.302, True),
    ],
)
def test_gauges_in_inches_and_millimetres(text: str, diameter_mm: float, wound: bool) -> None:
    got_mm, got_wound = parse_gauge(text)
    assert got_mm == pytest.approx(diameter_mm)
    assert got_wound is wound


@pytest.mark.parametrize("text", ["", "x", "w", "0", "0.5", "-10", "5000", "10 mm w x", "nan"])
def test_what_is_no_gauge_is_refused(text: str) -> None:
    with pytest.raises(PitchbenchError):
        parse_gauge(text)


@pytest.mark.parametrize(
    "options",
    [
        {"preset_name": "lute"},
        {"tuning": "E2 A2"},
        {"tuning": "  "},
        {"tuning": "H9"},
        {"scale_mm": -3.0},
        {"scale_mm": float("nan")},
        {"gauges": "10 13"},
        {"screw_pitch_mm": 0.0},
    ],
)
def test_options_that_make_no_sense_are_refused(options: dict) -> None:
    with pytest.raises(PitchbenchError):
        instrument_from_options(**options)


def test_options_change_only_what_they_name() -> None:
    made = instrument_from_options(
        "bass-four", tuning="D1 G1 C2 F2", screw_heads=ScrewHeads.NECK, left_handed=True
    )
    base = preset("bass-four")
    assert [str(s.note) for s in made.strings] == ["F2", "C2", "G1", "D1"]
    assert [s.diameter_mm for s in made.strings] == [s.diameter_mm for s in base.strings]
    assert made.bridge.screw_heads is ScrewHeads.NECK
    assert made.bridge.screw_pitch_mm == base.bridge.screw_pitch_mm
    assert made.left_handed
    assert made.scale_mm == base.scale_mm


def test_another_kind_of_bridge_forgets_the_old_ones_screws() -> None:
    made = instrument_from_options("six-string", bridge=BridgeKind.FIXED_SADDLE)
    assert made.bridge.screw_pitch_mm is None
    assert made.bridge.screw_heads is None


def test_paired_saddles_pair_the_neighbours() -> None:
    made = instrument_from_options("six-string", bridge=BridgeKind.PAIRED_SADDLES)
    assert made.bridge.pairs == preset("paired-saddles").bridge.pairs == ((1, 2), (3, 4), (5, 6))


def test_a_new_set_of_strings_keeps_the_tuning() -> None:
    base = preset("six-string")
    heavier = with_gauges(base, "11 14 18 28w 38w 49w")
    assert [s.note for s in heavier.strings] == [s.note for s in base.strings]
    assert heavier.string(6).diameter_mm == pytest.approx(1.2446)
    assert heavier.string(6).wound
    assert not heavier.string(3).wound
