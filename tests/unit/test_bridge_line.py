"""Place and angle of a bridge in one piece: by hand, by numpy's fit, and through the command."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from recordings import RATE_HZ, Note, Ran, record

from pitchbench.instrument import Bridge, BridgeKind, Instrument
from pitchbench.intonation.bridge_line import (
    Asked,
    best_line,
    left_words,
    line_words,
    places_across,
)
from pitchbench.intonation.geometry import saddle_change_cents, saddle_move_mm
from pitchbench.presets import preset
from pitchbench.strings.virtual import VirtualInstrument

#: Moves of some mm are taken to change the offset in proportion; exactly it is by 1 % less.
_STRAIGHT = 0.01


def three_strings() -> Instrument:
    """Three strings on one bridge, all of one scale; our own invention."""
    guitar = preset("six-string")
    bridge = Bridge(BridgeKind.SLIDING_WOOD, pairs=((1, 2, 3),))
    return replace(guitar, strings=guitar.strings[:3], bridge=bridge)


def asking(instrument: Instrument, *moves_mm: float, u_cents: float = 0.5) -> list[Asked]:
    """Strings that ask for these moves, by the change of one cent."""
    one_cent_mm = saddle_move_mm(1.0, fret=12, scale_mm=instrument.scale_mm)
    return [Asked(n, mm / one_cent_mm, u_cents, 2.0) for n, mm in enumerate(moves_mm, start=1)]


def test_the_line_through_three_strings_is_that_of_a_hand_computed_fit() -> None:
    """0, 0 and 3 mm at 0, 1/2 and 1: slope 3, mean 1, so -1/2 and 5/2; left 1/2, -1 and 1/2. Both
    sides are known to sqrt(1/3 + 1/2) = sqrt(5/6) of what each string is."""
    instrument = three_strings()
    line = best_line(asking(instrument, 0.0, 0.0, 3.0), instrument)
    one_cent_mm = saddle_move_mm(1.0, fret=12, scale_mm=instrument.scale_mm)
    assert (line.treble_mm.centre, line.bass_mm.centre) == pytest.approx((-0.5, 2.5))
    left_mm = [cents * one_cent_mm for cents in line.left_cents.values()]
    assert left_mm == pytest.approx([0.5, -1.0, 0.5])
    unturned_mm = [cents * one_cent_mm for cents in line.mean_left_cents.values()]
    assert unturned_mm == pytest.approx([-1.0, -1.0, 2.0])
    u_mm = 0.5 * one_cent_mm * np.sqrt(5.0 / 6.0)
    assert (line.treble_mm.u, line.bass_mm.u) == pytest.approx((u_mm, u_mm))
    assert line_words(line).startswith("treble side 0.5 mm toward the nut (± ")
    assert "bass side 2.5 mm away from the nut (± " in line_words(line)
    assert left_words(line).startswith("it leaves -2.7 cents on string 2")


@pytest.mark.parametrize("seed", range(5))
def test_it_is_numpys_own_weighted_fit(seed: int) -> None:
    """Eight strings of a mandolin, each as sure and as strict as chance has it."""
    rng = np.random.default_rng(seed)
    mandolin = preset("mandolin")
    asked = [
        Asked(n, rng.normal(2.0, 4.0), rng.uniform(0.2, 2.0), rng.uniform(1.0, 4.0))
        for n in range(1, 9)
    ]
    line = best_line(asked, mandolin)
    one_cent_mm = saddle_move_mm(1.0, fret=12, scale_mm=mandolin.scale_mm)
    wanted_mm = [each.cents * one_cent_mm for each in asked]
    weight = [1.0 / np.hypot(each.tolerance_cents, each.u_cents) for each in asked]
    slope, treble_mm = np.polyfit(places_across(mandolin), wanted_mm, 1, w=weight)
    whole_mm = np.average(wanted_mm, weights=np.square(weight))
    fitted_mm = treble_mm + slope * np.array(places_across(mandolin))
    turned, unturned = (
        round(np.abs(mm - np.array(wanted_mm)).max() / one_cent_mm, 1)
        for mm in (fitted_mm, whole_mm)
    )
    assert line.turned == (turned <= unturned)
    ends_mm = (treble_mm, treble_mm + slope) if line.turned else (whole_mm, whole_mm)
    assert (line.treble_mm.centre, line.bass_mm.centre) == pytest.approx(ends_mm)


def test_a_bridge_is_not_turned_where_that_leaves_more() -> None:
    """3, 0, 2 and 2 mm: the line falls by 0.3 mm about 1.75, so it leaves 1.8 mm on the second
    string, where the mean leaves 1.75."""
    instrument = replace(preset("six-string"), strings=preset("six-string").strings[:4])
    line = best_line(asking(instrument, 3.0, 0.0, 2.0, 2.0), instrument)
    one_cent_mm = saddle_move_mm(1.0, fret=12, scale_mm=instrument.scale_mm)
    assert not line.turned
    assert line.treble_mm == line.bass_mm
    assert line.treble_mm.centre == pytest.approx(1.75)
    assert line.treble_mm.u == pytest.approx(0.5 * one_cent_mm / 2.0)
    assert line.left_cents == line.mean_left_cents
    assert line.left_cents[2] * one_cent_mm == pytest.approx(-1.75)
    assert line_words(line).startswith("1.8 mm away from the nut (± ")
    assert line_words(line).endswith(" as a whole, not turned")
    assert left_words(line) == (
        f"it leaves {line.left_cents[2]:+.1f} cents on string 2 and no more on the others; turned "
        "as well, it would leave more"
    )


def test_what_is_left_is_what_the_exact_geometry_leaves() -> None:
    instrument = three_strings()
    asked = asking(instrument, 0.4, 1.5, 1.9)
    line = best_line(asked, instrument)
    middle_mm = (line.treble_mm.centre + line.bass_mm.centre) / 2.0
    for each, mm in zip(
        asked, (line.treble_mm.centre, middle_mm, line.bass_mm.centre), strict=True
    ):
        change = saddle_change_cents(mm, fret=12, scale_mm=instrument.scale_mm)
        left = line.left_cents[each.string]
        assert each.cents + change == pytest.approx(left, abs=_STRAIGHT * abs(change))


def test_a_string_that_is_known_less_well_counts_less() -> None:
    instrument = three_strings()
    sure = asking(instrument, 0.0, 0.0, 3.0)
    unsure = [*sure[:2], replace(sure[2], u_cents=50.0)]
    assert abs(best_line(unsure, instrument).treble_mm.centre) < 0.01
    assert best_line(sure, instrument).treble_mm.centre == pytest.approx(-0.5)


def test_strings_of_a_course_cross_in_one_place() -> None:
    assert places_across(preset("mandolin"))[::2] == pytest.approx((0.0, 1 / 3, 2 / 3, 1.0))
    assert places_across(preset("mandolin"))[1::2] == pytest.approx((0.0, 1 / 3, 2 / 3, 1.0))
    assert places_across(preset("banjo-five")) == pytest.approx((0.0, 0.25, 0.5, 0.75, 1.0))


@pytest.mark.parametrize("strings", [(1, 2), (5, 6, 6)])
def test_too_few_strings_make_no_line(strings: tuple[int, ...]) -> None:
    """Strings 5 and 6 of a mandolin are one course."""
    with pytest.raises(ValueError, match="three strings that lie apart"):
        best_line([Asked(n, 1.0, 0.5, 2.0) for n in strings], preset("mandolin"))


def test_offset_says_how_far_either_side_goes(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Three strings of a virtual banjo: the line is that of the offsets that the same run found."""
    virtual = VirtualInstrument(preset("banjo-five"), seed=5, rate_hz=RATE_HZ)
    path = tmp_path / "banjo.wav"
    plucks = [Note(n, fret, ring_s=1.6) for n in (1, 2, 4) for fret in (0, 12, 0, 12)]
    record(path, virtual, plucks)
    ran = Ran(capsys, "offset", path, "--preset", "banjo-five", "--format", "json")
    strings = [each for each in ran.document["strings"] if each["offset"]]
    assert [each["string"] for each in strings] == [1, 2, 4]
    asked = [
        Asked(each["string"], each["offset"]["offset_cents"], each["offset"]["u_cents"], 2.0)
        for each in strings
    ]
    line = best_line(asked, preset("banjo-five"))
    bridge = ran.document["bridge"]
    # To the rounding of the document.
    assert bridge["treble"]["mm"] == pytest.approx(line.treble_mm.centre, abs=0.01)
    assert bridge["bass"]["mm"] == pytest.approx(line.bass_mm.centre, abs=0.01)
    assert bridge["left_cents"] == pytest.approx([*line.left_cents.values()], abs=0.01)
    text = Ran(capsys, "offset", path, "--preset", "banjo-five").out
    assert "do: The bridge is one piece: treble side" in text
    asks = [text_line for text_line in text.splitlines() if "; the bridge as it is" in text_line]
    for each, left in zip(asks, bridge["left_cents"], strict=True):
        assert each.replace("−", "-").endswith(f"leaves {left:+.1f} cents."), each
    minded = [each[6:] for each in text.splitlines() if each.startswith("mind: ")]
    assert "Mark where the bridge feet stand before you move it." in minded
    # It is the bridge that goes, and no string by itself.
    assert bridge["cautions"] == minded
    assert ran.document["saddles"] == []
    assert all(each["offset"]["move"] is None for each in strings)
    assert bridge["strings"] == [1, 2, 4]
    # Nor is anything promised of a move of its own.
    assert all(each["offset"]["p_moved"] is None for each in strings)
    assert "if moved" not in text
    asked = [f"{abs(mm):.1f}" for each in strings if (mm := each["asks_mm"]) is not None]
    assert asked == re.findall(r"It asks for (\d\.\d) mm", text) != []


def test_no_bridge_is_put_by_what_is_likelier_a_touched_harmonic(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    virtual = VirtualInstrument(preset("banjo-five"), seed=5, rate_hz=RATE_HZ)
    plucks = [Note(n, fret, ring_s=1.6) for n in (1, 2, 4) for fret in (0, 12, 0, 12)]
    touched = [Note(3), Note(3, touched=2, left_db=-90.0)]
    record(tmp_path / "four.wav", virtual, plucks + touched)
    said = Ran(capsys, "offset", tmp_path / "four.wav", "--preset", "banjo-five", "--plain").out
    doubts = [line for line in said.splitlines() if "Was the string pressed down" in line]
    assert doubts
    assert doubts[-1].startswith("mind: string 3: ")
    assert all(line.startswith("mind: string ") for line in doubts)
    options = ("--preset", "banjo-five", "--format", "json")
    document = Ran(capsys, "offset", tmp_path / "four.wav", *options).document
    of = {each["string"]: each["offset"] for each in document["strings"] if each["offset"]}
    assert of[3]["p_touched_harmonic"] > 0.5
    assert len(document["bridge"]["left_cents"]) == 3
    # With two others there is no line: they go by their mean, which waits for the third.
    record(tmp_path / "three.wav", virtual, plucks[:8] + touched)
    document = Ran(capsys, "offset", tmp_path / "three.wav", *options).document
    assert document["bridge"] is None
    (saddle,) = document["saddles"]
    assert (saddle["strings"], saddle["verdict"]) == ([1, 2, 3, 4, 5], "take_more")
    assert saddle["move"] is None
