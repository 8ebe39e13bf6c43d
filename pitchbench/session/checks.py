"""What is looked at around the intonation, before the first pluck and after the last string.

One table says what is asked, of which instruments, and what is usual there; the dialogue, the log,
the sheet and the documents all read it. The ranges are common practice, from memory and without a
source: they tell a person what others have, and judge nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import Final

from pitchbench.instrument import BridgeKind, Instrument, Material
from pitchbench.intonation.bridge import TENSION
from pitchbench.intonation.guide import TRUSS_ROD
from pitchbench.lengths import length_figures, length_words
from pitchbench.refit import ACTION_RANGE_MM, RELIEF_RANGE_MM


class Check(StrEnum):
    """What is looked at; the words are what people read."""

    STRING_SET = "string set"
    STRING_AGE = "string age"
    STRETCHED = "strings stretched"
    RELIEF = "relief"
    ACTION_BASS = "action, bass side"
    ACTION_TREBLE = "action, treble side"
    NUT = "nut"
    PICKUP = "pickup height"
    FLOAT = "float level"


class Stage(StrEnum):
    """When it is looked at: before the first pluck, after the last string."""

    BEFORE = "before"
    AFTER = "after"


class Sort(StrEnum):
    """How a check is answered."""

    LENGTH = "a length"
    AGE = "a day or an age"
    CHOICE = "one of some words"
    TEXT = "any words"


class Family(StrEnum):
    """Instruments for which something is usual."""

    ELECTRIC = "electric guitar"
    ACOUSTIC = "steel-string acoustic guitar"
    CLASSICAL = "classical guitar"
    BASS = "bass guitar"


@dataclass(frozen=True)
class Checked:
    """One check as it was answered: ``mm`` where it is a length, else ``words`` (a day as
    2026-03-14); neither where it was skipped."""

    check: Check
    stage: Stage
    mm: float | None = None
    words: str = ""

    @property
    def said(self) -> bool:
        """Whether it was answered."""
        return self.mm is not None or bool(self.words)


@dataclass(frozen=True)
class BeforeAfter:
    """One check, before and after; None where it was not answered."""

    check: Check
    before: Checked | None
    after: Checked | None


@dataclass(frozen=True)
class Asked:
    """A row of the table.

    Parameters
    ----------
    question : what to measure or to say, and where.
    range_mm : between what a length is believed.
    usual_mm : what is usual, by family of instruments.
    choices : the words that answer it.
    caution : what to mind by whoever puts it right.
    """

    check: Check
    question: str
    sort: Sort = Sort.LENGTH
    range_mm: tuple[float, float] = (0.0, 20.0)
    usual_mm: Mapping[Family, tuple[float, float]] = field(default_factory=dict)
    choices: tuple[str, ...] = ()
    caution: str = ""


def _usual(
    electric: tuple[float, float],
    acoustic: tuple[float, float] | None,
    classical: tuple[float, float] | None,
    bass: tuple[float, float],
) -> dict[Family, tuple[float, float]]:
    ranges = zip(Family, (electric, acoustic, classical, bass), strict=True)
    return {family: usual_mm for family, usual_mm in ranges if usual_mm is not None}


#: The checks in the order in which they are asked. Usual ranges: common practice, from memory, no
#: source.
TABLE: Final = (
    Asked(Check.STRING_SET, "label or gauges of the set", Sort.TEXT),
    Asked(
        Check.STRING_AGE, "fitted on which day (2026-03-14, today), or how old (3 weeks)", Sort.AGE
    ),
    Asked(Check.STRETCHED, "yes or no", Sort.CHOICE, choices=("yes", "no"), caution=TENSION),
    Asked(
        Check.RELIEF,
        "gap under the string halfway along the neck, string held at the 1st and the last fret",
        range_mm=RELIEF_RANGE_MM,
        usual_mm=_usual((0.1, 0.3), (0.1, 0.3), (0.2, 0.4), (0.2, 0.5)),
        caution=TRUSS_ROD,
    ),
    Asked(
        Check.ACTION_BASS,
        "height of the lowest string over the 12th fret",
        range_mm=ACTION_RANGE_MM,
        usual_mm=_usual((1.6, 2.2), (2.2, 2.8), (3.5, 4.3), (2.2, 3.0)),
        caution=f"Slacken the strings before you turn a screw of the bridge. {TENSION}",
    ),
    Asked(
        Check.ACTION_TREBLE,
        "height of the highest string over the 12th fret",
        range_mm=ACTION_RANGE_MM,
        usual_mm=_usual((1.2, 1.8), (1.6, 2.3), (2.8, 3.5), (1.8, 2.5)),
    ),
    Asked(
        Check.NUT,
        "height of the open strings over the 1st fret",
        range_mm=(0.0, 5.0),
        usual_mm=_usual((0.3, 0.6), (0.4, 0.7), (0.6, 0.9), (0.4, 0.8)),
        caution="What is filed off a nut slot is gone, and the dust harms the lungs: leave that to "
        "a qualified repairer.",
    ),
    Asked(
        Check.PICKUP,
        "gap between the nearest pickup and the string held at the last fret",
        usual_mm=_usual((1.5, 3.0), None, None, (2.0, 4.0)),
        caution="A pickup too near pulls the string, which then reads false. Turn the amplifier "
        "down before you touch one.",
    ),
    Asked(
        Check.FLOAT,
        "how the bridge stands: level, tail high or tail low",
        Sort.CHOICE,
        choices=("level", "tail high", "tail low"),
        caution="Springs and strings pull against each other: turn the screws of the springs a "
        f"little at a time. {TENSION}",
    ),
)

#: An instrument with a shorter scale is no guitar, and nothing is said to be usual of it.
_LEAST_GUITAR_SCALE_MM: Final = 550.0

_NYLON: Final = frozenset({Material.NYLON, Material.SILVER_WOUND})


def asked_of(instrument: Instrument) -> tuple[Asked, ...]:
    """The checks that make sense on ``instrument``: no pickup hears nylon, and only a floating
    bridge floats."""
    without = set()
    if all(spec.material in _NYLON for spec in instrument.strings):
        without.add(Check.PICKUP)
    if instrument.bridge.kind is not BridgeKind.CLAMPED_TREMOLO:
        without.add(Check.FLOAT)
    return tuple(row for row in TABLE if row.check not in without)


def family_of(instrument: Instrument) -> Family | None:
    """The family whose ranges are usual on ``instrument``; None where none is known."""
    if instrument.bridge.kind is BridgeKind.BASS:
        return Family.BASS
    short = max(instrument.scales_mm) < _LEAST_GUITAR_SCALE_MM
    if short or instrument.bridge.kind is BridgeKind.SLIDING_WOOD:
        return None
    materials = {spec.material for spec in instrument.strings}
    if materials & _NYLON:
        return Family.CLASSICAL
    return Family.ACOUSTIC if Material.BRONZE_WOUND in materials else Family.ELECTRIC


def row_of(check: Check) -> Asked:
    """The row of the table on ``check``."""
    return next(row for row in TABLE if row.check is check)


def usual_words(check: Check, instrument: Instrument) -> str:
    """ "0.1 to 0.3 mm": what is usual; empty where nothing is known."""
    family, usual_mm = family_of(instrument), row_of(check).usual_mm
    if family is None or family not in usual_mm:
        return ""
    low_mm, high_mm = usual_mm[family]
    return f"{length_figures(low_mm)} to {length_words(high_mm)}"


def compared(checked: Iterable[Checked]) -> tuple[BeforeAfter, ...]:
    """What was answered, before beside after, in the order of the table; the last answer counts."""
    said = {(each.check, each.stage): each for each in checked if each.said}
    pairs = [
        BeforeAfter(row.check, *(said.get((row.check, stage)) for stage in Stage)) for row in TABLE
    ]
    return tuple(pair for pair in pairs if pair.before or pair.after)


def checked_words(checked: Checked | None, day: date | None = None) -> str:
    """The answer as people read it, empty where there is none; ``day`` is when it was given, from
    which an age is counted."""
    if checked is None:
        return ""
    if checked.mm is not None:
        return length_words(checked.mm, 2)
    if checked.check is not Check.STRING_AGE:
        return checked.words
    try:
        fitted = date.fromisoformat(checked.words)
    except ValueError:
        return f"about {checked.words}"
    if day is None:
        return f"fitted {fitted}"
    days = (day - fitted).days
    return f"fitted {fitted}, {days} day{'s' * (days != 1)} old"
