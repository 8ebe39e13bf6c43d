"""Lengths as people write them and like to read them: millimetres or inches.

Inside everything is in millimetres. What is read may carry its unit (648, 648mm, 25.5in, 0.010",
25-1/2in); without one it is millimetres, whatever is preferred for showing.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from enum import StrEnum
from typing import Final

from pitchbench.errors import PitchbenchError
from pitchbench.units import MM_PER_INCH

_MM_PER: Final = {
    "": 1.0,
    "mm": 1.0,
    "cm": 10.0,
    "in": MM_PER_INCH,
    "inch": MM_PER_INCH,
    "inches": MM_PER_INCH,
    '"': MM_PER_INCH,
    "″": MM_PER_INCH,
}
_LENGTH: Final = re.compile(
    r"(?P<sign>-?)(?:(?P<number>\d+[.,]?\d*|[.,]\d+)|(?:(?P<whole>\d{1,4})[- ])?"
    r"(?P<top>\d{1,4})/(?P<bottom>\d{1,4}))\s*(?P<unit>[a-z\"″]*)",
    re.IGNORECASE | re.ASCII,
)

#: What stands between a number and its unit or its fraction; a measure with no comma that parts it
#: from another.
_APART: Final = re.compile(r"(?<=\d)\s+(?=(?:mm|cm|in|inch|inches)\b|[\"″])", re.IGNORECASE)
_FRACTION_APART: Final = re.compile(r"(?<![\d/.,])(\d{1,4})\s+(?=\d+/\d)")
_ONE_DECIMAL: Final = re.compile(r"[^,]*(?:,\d{1,2}(?!\d)[^,]*)?")

#: A thousandth of an inch is a fortieth of a millimetre: inches need two more digits, and no more
#: than three.
_MORE_DIGITS: Final = 2
_MOST_DIGITS: Final = 3


class LengthUnit(StrEnum):
    """The unit in which lengths are shown."""

    MM = "mm"
    INCH = "in"


class _Preferred:
    """The one unit that the whole program shows lengths in, like the language of a desktop."""

    unit = LengthUnit.MM


def show_lengths_in(unit: LengthUnit) -> None:
    """Show every length in this unit from now on; documents and files hold millimetres always."""
    _Preferred.unit = unit


def length_unit() -> LengthUnit:
    """The unit in which lengths are shown."""
    return _Preferred.unit


def decimal(text: str) -> str:
    """A number as people write it, with a point where it had a comma.

    Examples
    --------
    >>> decimal("647,7"), decimal("648"), decimal("1,234.5")
    ('647.7', '648', '1,234.5')
    """
    return text.replace(",", ".") if "." not in text and text.count(",") == 1 else text


def measures(text: str) -> list[str]:
    """The measures in a list, with blanks or commas between, each a word of its own.

    A unit or a fraction may stand apart from its number. A comma with one or two figures after it
    is a decimal point, where every comma of the list may be one.

    Examples
    --------
    >>> measures("648 mm"), measures("25 1/2 in"), measures("1,2 2,35 3"), measures("10,13, 17")
    (['648mm'], ['25-1/2in'], ['1.2', '2.35', '3'], ['10', '13', '17'])
    """
    text = _APART.sub("", _FRACTION_APART.sub(r"\1-", text))
    words = text.split()
    if all(_ONE_DECIMAL.fullmatch(word) for word in words):
        return [decimal(word) for word in words]
    return text.replace(",", " ").split()


def parse_length(text: str) -> float:
    """Millimetres of a length as people write it.

    Raises
    ------
    PitchbenchError
        If it is none.

    Examples
    --------
    >>> parse_length("648"), parse_length("647,7"), parse_length('3/64"')
    (648.0, 647.7, 1.190625)
    """
    match = _LENGTH.fullmatch(text.strip())
    unit = match["unit"].lower() if match else ""
    if match is None or unit not in _MM_PER or (match["bottom"] and not int(match["bottom"])):
        raise PitchbenchError(
            f"{text!r} is not a length.",
            'Write millimetres or inches: 648, 648mm, 25.5in, 0.010" or 25-1/2in.',
        )
    if match["number"]:
        value = float(decimal(match["number"]))
    else:
        value = int(match["whole"] or 0) + int(match["top"]) / int(match["bottom"])
    return float(f"{match['sign']}{round(value * _MM_PER[unit], 6)}")


def length_words(mm: float, digits: int | None = 1, *, sign: bool = False) -> str:
    """ "1.9 mm", or "0.075 in" where inches are preferred.

    Parameters
    ----------
    digits : after the point of millimetres, two more for inches, three at most; None for as many as
        it has, three at most, all three of what is less than an inch, as a workshop writes it.
    sign : whether + stands before what is above zero.
    """
    return f"{length_figures(mm, digits, sign=sign)} {_Preferred.unit}"


def diameter_words(mm: float) -> str:
    """The diameter of a string: "0.254 mm", or "0.010 in"."""
    return f"{diameter_figures(mm)} {_Preferred.unit}"


def diameter_figures(mm: float) -> str:
    """The same without its unit."""
    inches = _Preferred.unit is LengthUnit.INCH
    return f"{mm / MM_PER_INCH:.3f}" if inches else f"{mm:.3g}"


def span_words(lengths_mm: Sequence[float]) -> str:
    """ "648 mm" where all are the same, else from the least to the greatest: "648 to 686 mm"."""
    low, high = min(lengths_mm), max(lengths_mm)
    if low == high:
        return length_words(low, None)
    return f"{length_figures(low, None)} to {length_words(high, None)}"


def length_figures(mm: float, digits: int | None = 1, *, sign: bool = False) -> str:
    """The same without its unit."""
    plus = "+" if sign else ""
    inches = _Preferred.unit is LengthUnit.INCH
    if digits is None and (not inches or abs(mm) >= MM_PER_INCH):
        return f"{round(mm / MM_PER_INCH if inches else mm, _MOST_DIGITS):{plus}g}"
    if digits is None:
        digits = _MOST_DIGITS
    if inches:
        return f"{mm / MM_PER_INCH:{plus}z.{min(digits + _MORE_DIGITS, _MOST_DIGITS)}f}"
    return f"{mm:{plus}z.{digits}f}"
