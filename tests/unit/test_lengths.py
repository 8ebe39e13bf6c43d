"""Lengths in millimetres and inches: read both, shown as preferred, kept in millimetres."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest
from recordings import Ran

from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Bridge, BridgeKind, ScrewHeads
from pitchbench.intonation.bridge import Move, move_interval_words, move_words
from pitchbench.lengths import (
    LengthUnit,
    diameter_words,
    length_words,
    measures,
    parse_length,
    show_lengths_in,
    span_words,
)

Capsys = pytest.CaptureFixture[str]
MOVE = Move(6, 1.905, (1.27, -0.254)[::-1], Bridge(BridgeKind.BASS, 0.5, ScrewHeads.TAIL))


@pytest.fixture
def inches() -> Iterator[None]:
    show_lengths_in(LengthUnit.INCH)
    yield
    show_lengths_in(LengthUnit.MM)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("648", 648.0),
        ("648mm", 648.0),
        ("64.8 cm", 648.0),
        ("25.5in", 647.7),
        ("25,5in", 647.7),
        (",010in", 0.254),
        ('25.5"', 647.7),
        ("25.5 IN", 647.7),
        ("25-1/2in", 647.7),
        ('25 1/2"', 647.7),
        ('0.010"', 0.254),
        (".010in", 0.254),
        ("3/64in", 1.190625),
        ("-0.5", -0.5),
        ("-1/64 inch", -0.396875),
    ],
)
def test_what_people_write(text: str, mm: float) -> None:
    """25.4 mm to the inch, exactly, by the international yard of 1959."""
    assert parse_length(text) == pytest.approx(mm, abs=1e-6)


@pytest.mark.parametrize(
    "text", ["", "x", "25.5ft", "1/0in", "1/2/3", "--5", "25.5 in in", "1,2,3", "nan", "5e3", "٣"]
)
def test_what_is_no_length(text: str) -> None:
    with pytest.raises(PitchbenchError, match="not a length"):
        parse_length(text)


@pytest.mark.parametrize(
    ("text", "each"),
    [
        ("10 13 17 26w", ["10", "13", "17", "26w"]),
        ("10,13,17,26w", ["10", "13", "17", "26w"]),
        ("10, 13, 17", ["10", "13", "17"]),
        ("648,686", ["648", "686"]),
        ("647,5", ["647.5"]),
        ("10,5 13,5 17", ["10.5", "13.5", "17"]),
        ("648 mm", ["648mm"]),
        ("648 mm, 660 mm", ["648mm", "660mm"]),
        ("25.5 in 27 in", ["25.5in", "27in"]),
        ("25 1/2in", ["25-1/2in"]),
        ("1/16 1/8 1/4", ["1/16", "1/8", "1/4"]),
        ("", []),
    ],
)
def test_measures_in_a_list(text: str, each: list[str]) -> None:
    assert measures(text) == each


def test_millimetres_unless_inches_are_preferred() -> None:
    whole = [length_words(mm, None) for mm in (1.984375, 0.79375, 648.0, 6.0)]
    assert whole == ["1.984 mm", "0.794 mm", "648 mm", "6 mm"]
    assert (length_words(1.905), length_words(-0.04, sign=True)) == ("1.9 mm", "+0.0 mm")
    assert (diameter_words(0.254), span_words((648.0, 686.0))) == ("0.254 mm", "648 to 686 mm")
    assert move_words(MOVE).startswith("1.9 mm away from the nut, 3.8 turns")


@pytest.mark.usefixtures("inches")
def test_inches_where_they_are_preferred() -> None:
    assert (length_words(1.905), length_words(1.905, 2)) == ("0.075 in", "0.075 in")
    assert (diameter_words(0.254), span_words((647.7, 685.8))) == ("0.010 in", "25.5 to 27 in")
    whole = [length_words(mm, None) for mm in (1.8, 0.25, 0.5, 6.0, 647.7, 648.0)]
    assert whole == ["0.071 in", "0.010 in", "0.020 in", "0.236 in", "25.5 in", "25.512 in"]
    assert move_words(MOVE).startswith("0.075 in away from the nut, 3.8 turns")
    assert move_interval_words(MOVE) == "0.010 in toward the nut to 0.050 in away from the nut"


def test_a_bench_in_inches(
    capsys: Capsys, tmp_path: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Said in inches, kept in millimetres, shown in either; JSON holds millimetres always."""
    monkeypatch.setenv("PITCHBENCH_STORE", f"{tmp_path}/bench.sqlite")
    told = ("--scale", "25.5in", "--action", '5/64"', "--gauges", '0.010" 13 17 26w 36w 46w')
    Ran(capsys, "instrument", "add", "Blue", *told)
    shown = Ran(capsys, "--units", "in", "instrument", "show", "Blue").out
    for line in (
        "scale: 25.5 in",
        "action at the 12th fret: 0.078 in",
        "string 1: E4, 0.010 in",
    ):
        assert line in shown
    monkeypatch.setenv("PITCHBENCH_UNITS", "in")
    assert Ran(capsys, "instrument", "show", "Blue").out == shown
    document = json.loads(Ran(capsys, "instrument", "show", "Blue", "--format", "json").out)
    assert document["instrument"]["scale_mm"] == pytest.approx(647.7)
    assert "scale: 647.7 mm" in Ran(capsys, "--units", "mm", "instrument", "show", "Blue").out


def test_a_unit_that_is_none_is_told(capsys: Capsys, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PITCHBENCH_UNITS", "feet")
    ran = Ran(capsys, "guide")
    assert ran.code == 2
    assert "PITCHBENCH_UNITS" in ran.err


def test_inches_without_their_unit_are_out_of_range(capsys: Capsys, tmp_path: object) -> None:
    store = f"{tmp_path}/bench.sqlite"
    ran = Ran(capsys, "instrument", "add", "Blue", "--scale", "25.5", "--store", store)
    assert ran.code == 2
    assert "25.5in" in ran.err
