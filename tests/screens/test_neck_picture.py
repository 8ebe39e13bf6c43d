"""The picture of the neck: it fits, and says all it has to say without colour."""

from __future__ import annotations

import re

import pytest

from pitchbench.belief import Belief
from pitchbench.instrument import Instrument
from pitchbench.intonation.neck import FretOffset, StringNeck
from pitchbench.presets import preset
from pitchbench.refit import with_capo
from pitchbench.report.figures import neck_inline
from pitchbench.screen.neck import neck_picture
from pitchbench.screen.theme import Palette, make_theme

FRETS = (1, 3, 5, 7, 9, 12, 15, 17)
GUITAR = preset("six-string")
LABELS = ("1 E4", "2 B3", "3 G3", "4 D3", "5 A2", "6 E2")


def a_string(number: int, frets: tuple[int, ...], cents: float) -> StringNeck:
    measured = tuple(
        FretOffset(n, Belief.normal(cents if n % 2 else -cents, 0.5), 0.0, isolated=n == 7)
        for n in frets
    )
    return StringNeck(number, measured, Belief.normal(0.0, 0.5), Belief.normal(0.0, 0.5), 0.3)


def drawn(
    width: int,
    *,
    frets: tuple[int, ...] = FRETS,
    cents: float = 3.2,
    ascii_only: bool = False,
    instrument: Instrument = GUITAR,
) -> list[str]:
    strings = [(label, a_string(n, frets, cents)) for n, label in enumerate(LABELS, start=1)]
    theme = make_theme(Palette.MONOCHROME, ascii_only=ascii_only)
    return [
        line.plain
        for line in neck_picture(strings, instrument, tolerance_cents=2.0, width=width, theme=theme)
    ]


@pytest.mark.parametrize("width", [40, 80, 120])
@pytest.mark.parametrize("cents", [0.0, 3.2, 39.9])
def test_six_strings_and_eight_frets_fit_the_terminal(width: int, cents: float) -> None:
    lines = drawn(width, cents=cents)
    assert max(map(len, lines)) <= width
    assert len(lines) <= 23  # the prompt takes one of 24


def test_numbers_signs_and_marks_say_it() -> None:
    heading, first, marks, *_ = drawn(80)
    assert heading.split() == ["fret", *map(str, FRETS)]
    assert first.startswith("1 E4 ▌")
    # Every fret but the 12th is odd, hence sharp; the 7th stands out.
    assert first.count("+3.2") == 7
    assert first.count("−3.2") == 1
    assert first.count("+3.2*") == 1
    assert marks.split() == ["▲"] * 5 + ["▼"] + ["▲"] * 2
    ends = [first.index("+3.2") + 4, heading.index("1") + 1]
    assert ends[0] == ends[1]  # the fret's number stands above its cents


def test_frets_are_those_of_the_neck_with_a_capo_on_it_too() -> None:
    heading, first, *_ = drawn(80, instrument=with_capo(GUITAR, 2))
    assert heading.split() == ["fret", *(str(fret + 2) for fret in FRETS)]
    assert heading.index("9") == first.index("*")  # the 7th above the capo stands out


def test_the_figure_counts_them_so_and_shows_the_capo() -> None:
    strings = [("1 E4", a_string(1, FRETS, 3.2))]
    said = [
        re.findall(r">(\d+)</text>", svg) + re.findall("capo on the [^ ]+", svg)
        for instrument in (GUITAR, with_capo(GUITAR, 2))
        for svg in [neck_inline(strings, instrument, tolerance_cents=2.0, title="Neck")]
    ]
    assert said[0] == [str(fret) for fret in FRETS]
    assert said[1] == [*(str(fret + 2) for fret in FRETS), "capo on the 2nd"]


def test_marks_count_tolerances() -> None:
    assert drawn(80, cents=1.9)[2].split() == []
    assert drawn(80, cents=4.1)[2].split()[0] == "▲▲"
    assert drawn(80, cents=30.0)[2].split()[0] == "▲▲▲"


def test_what_was_not_heard_is_blank() -> None:
    theme = make_theme(Palette.MONOCHROME)
    strings = [("E4", a_string(1, (1, 12), 3.0)), ("B3", a_string(2, (5, 12), 3.0))]
    heading, first, _, second, *_ = (
        line.plain
        for line in neck_picture(strings, GUITAR, tolerance_cents=2.0, width=80, theme=theme)
    )
    assert heading.split() == ["fret", "1", "5", "12"]
    assert [first.count("3.0"), second.count("3.0")] == [2, 2]
    assert first.index("+3.0") < heading.index("5") < second.index("+3.0") + 4


def test_a_whole_neck_goes_on_below() -> None:
    lines = drawn(40, frets=tuple(range(1, 25)), cents=39.9)
    assert max(map(len, lines)) <= 40
    headings = [line for line in lines if line.startswith("fret")]
    assert [n for line in headings for n in line.split()[1:]] == [str(n) for n in range(1, 25)]


def test_in_ascii() -> None:
    text = "\n".join(drawn(80, ascii_only=True))
    assert text.isascii()
    assert "+3.2" in text
    assert "-3.2" in text
    assert "^" in text
