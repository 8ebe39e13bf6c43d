"""A bridge in one piece: it has one place and one angle, so its strings share a straight line.

How far its treble side and its bass side go is the weighted least-squares line through what the
strings ask for; it goes as a whole where turning it would leave more on the string that is then
farthest off.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pitchbench.belief import Belief
from pitchbench.instrument import Instrument
from pitchbench.intonation.bridge import DIRECTION_WORDS, Direction, Leverage
from pitchbench.lengths import length_words

#: A line goes through any two strings: it is none of the instrument's before there are three.
FEWEST: Final = 3
#: A side that goes by less stays where it is: nobody slides a bridge so finely.
_STAYS_MM: Final = 0.05


@dataclass(frozen=True)
class Asked:
    """What one string asks of the bridge: its offset, with its standard uncertainty, and how far it
    may be off."""

    string: int
    cents: float
    u_cents: float
    tolerance_cents: float


@dataclass(frozen=True)
class BridgeLine:
    """Where a bridge in one piece should go.

    Parameters
    ----------
    treble_mm, bass_mm : how far it goes under string 1 and under the last one, positive away from
        the nut; the same where it goes as a whole.
    left_cents : what that leaves on each string, by its number.
    mean_left_cents : what is left where it goes as a whole, not turned.
    """

    treble_mm: Belief
    bass_mm: Belief
    left_cents: dict[int, float]
    mean_left_cents: dict[int, float]

    @property
    def turned(self) -> bool:
        """Whether one of its sides goes farther than the other."""
        return self.treble_mm != self.bass_mm


def best_line(asked: Sequence[Asked], instrument: Instrument, *, fret: int = 12) -> BridgeLine:
    """The place and angle that minimise the weighted squares of what is left, in cents; the place
    alone where turning the bridge leaves more on one of the strings than on any without.

    A string weighs as the inverse square of its tolerance and uncertainty together: one that may be
    farther off, or is known less well, counts less. The uncertainty of either side is what those of
    the offsets make of it.

    Raises
    ------
    ValueError
        If fewer than three strings ask, or all from one place.
    """
    across = places_across(instrument)
    place = np.array([across[each.string - 1] for each in asked])
    if len(asked) < FEWEST or np.ptp(place) == 0.0:
        raise ValueError("a line through a bridge takes three strings that lie apart")
    cents, u_cents, tolerance = (
        np.array([getattr(each, name) for each in asked])
        for name in ("cents", "u_cents", "tolerance_cents")
    )
    # By how much the offset falls for each mm away from the nut.
    per_mm = np.array(
        [1.0 / Leverage(instrument, each.string, fret).cancelling_mm(1.0) for each in asked]
    )
    weigh = 1.0 / np.hypot(tolerance, u_cents)
    sides = per_mm[:, None] * np.stack((1.0 - place, place), axis=1)
    solve = np.linalg.pinv(sides * weigh[:, None]) * weigh
    treble_mm, bass_mm = solve @ cents
    u_treble_mm, u_bass_mm = np.sqrt(np.square(solve * u_cents).sum(axis=1))
    solve_whole = weigh**2 * per_mm / ((weigh * per_mm) @ (weigh * per_mm))
    whole_mm = solve_whole @ cents
    strings = [each.string for each in asked]
    left = dict(zip(strings, (cents - sides @ [treble_mm, bass_mm]).tolist(), strict=True))
    mean_left = dict(zip(strings, (cents - per_mm * whole_mm).tolist(), strict=True))
    if worst_cents(mean_left) < worst_cents(left):
        u_whole_mm = np.hypot.reduce(solve_whole * u_cents)
        whole = Belief.normal(float(whole_mm), float(u_whole_mm))
        return BridgeLine(whole, whole, mean_left, mean_left)
    return BridgeLine(
        Belief.normal(float(treble_mm), float(u_treble_mm)),
        Belief.normal(float(bass_mm), float(u_bass_mm)),
        left,
        mean_left,
    )


def worst_cents(left_cents: Mapping[int, float]) -> float:
    """How far off the worst string is left, as exact as it is shown."""
    return round(max(map(abs, left_cents.values())), 1)


def places_across(instrument: Instrument) -> tuple[float, ...]:
    """Where each string crosses the bridge, from 0 on the treble side to 1 on the bass side: evenly
    spaced, and the two of a course in one place."""
    slots: list[int] = []
    for number in range(1, len(instrument.strings) + 1):
        beside = instrument.partner(number) == number - 1
        slots.append(slots[-1] if beside else (slots[-1] + 1 if slots else 0))
    return tuple(slot / max(1, slots[-1]) for slot in slots)


def line_words(line: BridgeLine) -> str:
    """ "treble side 0.4 mm toward the nut (± 0.2 mm), bass side stays (± 0.3 mm)"; or "0.7 mm
    toward the nut (± 0.2 mm) as a whole, not turned"."""
    if not line.turned:
        return f"{_side_words(line.treble_mm)} as a whole, not turned"
    return f"treble side {_side_words(line.treble_mm)}, bass side {_side_words(line.bass_mm)}"


def most_left_words(left_cents: Mapping[int, float]) -> str:
    """ "it leaves -3.2 cents on string 4 and no more on the others", by the strings' numbers."""
    string, worst = max(left_cents.items(), key=lambda each: abs(each[1]))
    others = "others" if len(left_cents) > 2 else "other"
    return f"it leaves {worst:+z.1f} cents on string {string} and no more on the {others}"


def left_words(line: BridgeLine) -> str:
    """What it leaves, beside what moving it as a whole would leave."""
    leaves = most_left_words(line.left_cents)
    if not line.turned:
        return f"{leaves}; turned as well, it would leave more"
    whole = worst_cents(line.mean_left_cents)
    return f"{leaves}; moved as a whole, not turned, up to {whole:.1f} cents"


def _side_words(side: Belief) -> str:
    half = length_words(side.half())
    if abs(side.centre) < _STAYS_MM:
        return f"stays (± {half})"
    away = Direction.AWAY_FROM_NUT if side.centre > 0.0 else Direction.TOWARD_NUT
    return f"{length_words(abs(side.centre))} {DIRECTION_WORDS[away]} (± {half})"
