"""Built-in instruments and instruments from options."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pitchbench.commands.instrument_options import with_details
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Instrument, Material
from pitchbench.presets import PRESETS, preset
from pitchbench.refit import parse_gauge, parse_gauges, parse_tuning, with_gauges, with_scale
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
        ("eight-string", "F#1 B1 E2 A2 D3 G3 B3 E4"),
        ("baritone", "B1 E2 A2 D3 F#3 B3"),
        ("twelve-string", "E3 E2 A3 A2 D4 D3 G4 G3 B3 B3 E4 E4"),
        ("ukulele", "G4 C4 E4 A4"),
        ("mandolin", "G3 G3 D4 D4 A4 A4 E5 E5"),
        ("banjo-five", "G4 D3 G3 B3 D4"),
        ("bouzouki", "C3 C4 F3 F4 A3 A3 D4 D4"),
        ("bass-six", "E1 A1 D2 G2 B2 E3"),
        ("bass-short", "E1 A1 D2 G2"),
    ],
)
def test_presets_are_tuned_as_their_names_say(name: str, notes: str) -> None:
    assert tuning(name) == notes


#: From and to, newtons per string: common practice, no source. Whatever is not named is a guitar.
TENSIONS_N = {"bass guitar": (110, 230), "ukulele": (20, 50), "banjo": (40, 70)}


@pytest.mark.parametrize("instrument", PRESETS.values(), ids=PRESETS.keys())
def test_every_preset_is_strung_as_a_player_would(instrument: Instrument) -> None:
    tensions = [
        tension_n(string_properties(s).mu_kg_per_m, s.note.hz(), instrument.scale_of(number))
        for number, s in enumerate(instrument.strings, start=1)
    ]
    low, high = TENSIONS_N.get(instrument.kind, (45, 140))
    assert all(low < t < high for t in tensions), tensions


def test_an_unknown_preset_lists_those_there_are() -> None:
    with pytest.raises(PitchbenchError, match="six-string-drop-c") as caught:
        preset("banjo")
    assert "banjo" in caught.value.what


def test_a_tuning_that_falls_all_the_way_begins_with_string_one() -> None:
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
        ("0.010in", 0.254, False),
        ('0.046"w', 1.1684, True),
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
        {"tuning": "E2 A2"},
        {"tuning": "  "},
        {"tuning": "H9"},
        {"scale": (-3.0,)},
        {"scale": (float("nan"),)},
        {"scale": (648.0, 654.0, 660.0)},
        {"gauges": "10 13"},
        {"screw_pitch": 0.0},
        {"nut_frets": "0 0 0 0 0"},
        {"nut_frets": "0 0 0 0 0 13"},
        {"nut_frets": "0 0 0 0 0 x"},
    ],
)
def test_options_that_make_no_sense_are_refused(options: dict) -> None:
    with pytest.raises(PitchbenchError):
        with_details(preset("six-string"), options)


def test_options_change_only_what_they_name() -> None:
    base = preset("bass-four")
    made = with_details(base, {"tuning": "D1 G1 C2 F2", "screw_heads": "neck", "left_handed": True})
    assert [str(s.note) for s in made.strings] == ["F2", "C2", "G1", "D1"]
    assert [s.diameter_mm for s in made.strings] == [s.diameter_mm for s in base.strings]
    assert made.bridge.screw_heads == "neck"
    assert made.bridge.screw_pitch_mm == base.bridge.screw_pitch_mm
    assert made.left_handed
    assert made.scale_mm == base.scale_mm


def test_another_kind_of_bridge_forgets_the_old_ones_screws() -> None:
    made = with_details(preset("six-string"), {"bridge": "fixed-saddle"})
    assert made.bridge.screw_pitch_mm is None
    assert made.bridge.screw_heads is None


def test_paired_saddles_pair_the_neighbours() -> None:
    made = with_details(preset("six-string"), {"bridge": "paired-saddles"})
    assert made.bridge.pairs == preset("paired-saddles").bridge.pairs == ((1, 2), (3, 4), (5, 6))


def test_a_new_set_of_strings_keeps_the_tuning() -> None:
    base = preset("six-string")
    heavier = with_gauges(base, "11 14 18 28w 38w 49w")
    assert [s.note for s in heavier.strings] == [s.note for s in base.strings]
    assert heavier.string(6).diameter_mm == pytest.approx(1.2446)
    assert heavier.string(6).wound
    assert not heavier.string(3).wound


@pytest.mark.parametrize(
    "said",
    [
        "G4 C4 E4 A4",  # ukulele
        "G4 D3 G3 B3 D4",  # five-string banjo: first above last
        "D4 G3 B3 D4",
        "E3 A3 D4 G4 B3 E4",  # the octave strings of a twelve-string set alone
        "A4 D4 F#4 B3",  # first above last, and not falling all the way
        "E4 E4 B3 B3 G4 G3 D4 D3 A3 A2 E3 E2 E2 F2",
    ],
)
def test_a_tuning_that_turns_on_the_way_is_kept_as_it_is_said(said: str) -> None:
    assert [str(note) for note in reversed(parse_tuning(said))] == said.split()


@pytest.mark.parametrize("said", ["9.5 11 13 20w 9", "10 14 9 12 18 27w", "24 32 40 26"])
def test_gauges_that_turn_on_the_way_are_kept_as_they_are_said(said: str) -> None:
    assert parse_gauges(said) == tuple(parse_gauge(word) for word in said.split())


def test_thick_to_thin_is_read_from_the_other_end() -> None:
    assert parse_gauges("46w 36w 26w 17 13 10") == parse_gauges("10 13 17 26w 36w 46w")


def test_octave_strings_alone_on_a_guitar() -> None:
    made = with_details(
        preset("steel-acoustic"),
        {"tuning": "E3 A3 D4 G4 B3 E4", "gauges": "10 14 9 12 18 27w"},
    )
    assert made.tuning == "E3 A3 D4 G4 B3 E4"
    assert [round(s.diameter_mm / 0.0254) for s in made.strings] == [10, 14, 9, 12, 18, 27]


def test_wound_strings_of_a_plain_nylon_set_are_silver_wound() -> None:
    made = with_gauges(preset("ukulele"), "24 32 36w 26")
    assert [s.material for s in made.strings] == [
        Material.NYLON,
        Material.NYLON,
        Material.SILVER_WOUND,
        Material.NYLON,
    ]


def test_a_short_string_begins_where_its_nut_is() -> None:
    banjo = preset("banjo-five")
    # A fret shortens by 2^(1/12), the definition of equal temperament: at the 5th, 3/4 but for 2 c.
    assert banjo.scale_of(5) == pytest.approx(667.0 * 2 ** (-5 / 12))
    assert banjo.scale_of(4) == 667.0
    assert (banjo.neck_fret(5, 12), banjo.neck_fret(5, 0), banjo.neck_fret(4, 12)) == (17, 0, 12)
    assert (banjo.highest_fret(5), banjo.highest_fret(1)) == (17, 22)


def test_a_short_string_keeps_its_nut_on_another_scale() -> None:
    shorter = with_scale(preset("banjo-five"), 610.0)
    assert shorter.scale_of(5) == pytest.approx(610.0 * 2 ** (-5 / 12))


def test_each_string_may_have_its_own_scale() -> None:
    slanted = preset("seven-string-slanted")
    assert slanted.scales_mm == (648.0, 654.0, 660.0, 667.0, 673.0, 680.0, 686.0)
    assert (slanted.scale_of(1), slanted.scale_of(7), slanted.scale_mm) == (648.0, 686.0, 686.0)
    assert with_scale(slanted, 648.0).scales_mm == (648.0,) * 7
    heavier = with_gauges(slanted, "11 14 18 28w 38w 49w 65w")
    assert heavier.scales_mm == slanted.scales_mm


@pytest.mark.parametrize("said", [(648.0, 686.0), (686.0, 648.0)])
def test_of_slanted_frets_the_outer_strings_are_enough(said):
    """A straight nut and a straight bridge: every string is longer than the next by as much. The
    lowest is the longest, in whatever order the two are said and the strings are numbered."""
    lengths = with_scale(preset("seven-string"), *said).scales_mm
    assert lengths == (648.0, 654.3, 660.7, 667.0, 673.3, 679.7, 686.0)
    seven = preset("seven-string")
    upside_down = replace(seven, strings=seven.strings[::-1])
    assert with_scale(upside_down, *said).scales_mm == lengths[::-1]
    two = replace(seven, strings=seven.strings[:2])
    assert with_scale(two, *said).scales_mm == said
