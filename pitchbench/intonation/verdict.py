"""A verdict on a string: leave its saddle, move it, or take more; and why, in words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from pitchbench.belief import Belief, half_figures
from pitchbench.intonation.offset import Offset
from pitchbench.units import in_cents


class Decision(StrEnum):
    """The three verdicts."""

    LEAVE = "leave"
    MOVE = "move"
    TAKE_MORE = "take_more"


#: A string is left when it is within the tolerance with this probability. The belief is a whole
#: one, so looking after every take needs no more than that (docs/accuracy.md: what was claimed
#: and what was true).
SURE: Final = 0.95


class Notice(StrEnum):
    """What stands out in the takes besides their offset."""

    SHARPENING = "sharpening"
    FLATTENING = "flattening"
    DEPENDENT = "dependent"
    SCATTER = "scatter"
    UNSURE_READINGS = "unsure_readings"
    BENT = "bent"
    MAY_BE_BENT = "may_be_bent"
    SLIPPING = "slipping"
    OUT_OF_TUNE = "out_of_tune"
    PARTIALS_DISAGREE = "partials_disagree"
    NOT_BY_TURNS = "not_by_turns"


@dataclass(frozen=True)
class MoreTakes:
    """How many further takes of each kind are expected to decide it."""

    open: int
    fretted: int


@dataclass(frozen=True)
class Verdict:
    """What the takes so far justify (`intonation.deciding.judge`).

    Parameters
    ----------
    p_within : probability that the offset lies within the tolerance; "leave" rests on it.
    border : whether the most takes are in and ``decision`` is no more than the likelier choice.
    p_moved : probability that it lies within after the advised move, if that goes right; None where
        it is not sure enough to be filed, and in verdicts of earlier versions, which lack what
        follows as well.
    change_cents : by how much the move should change the offset.
    next_fretted : whether the fretted note helps most next.
    plucks_to_go : how many takes are expected to decide it.
    notices : what stands out in the takes.
    fitting_tolerance_cents : a tolerance that such takes reach without toil; None where the
        present one fits.
    """

    decision: Decision
    tolerance_cents: float
    p_within: float
    border: bool = False
    p_moved: float | None = None
    change_cents: float | None = None
    next_fretted: bool = True
    plucks_to_go: float | None = None
    notices: tuple[Notice, ...] = ()
    fitting_tolerance_cents: float | None = None

    @property
    def more_takes(self) -> MoreTakes | None:
        """Further takes that are expected to decide it, the two notes in turns; None if none."""
        if self.decision is not Decision.TAKE_MORE or self.plucks_to_go is None:
            return None
        count = max(1, math.ceil(self.plucks_to_go))
        opens = 0 if self.next_fretted else 1
        return MoreTakes(opens, count)


def explain(offset: Offset, verdict: Verdict, *, mean: Belief | None = None) -> str:
    """Why the verdict is what it is, in one sentence; it is of the ``mean`` of all strings on the
    saddle where there are several."""
    judged = offset.offset_cents
    value = f"{judged:+z.1f} cents"
    if mean is not None:
        judged = mean.centre
        half = half_figures(mean.half())
        value = f"{value}, the mean of its saddle {judged:+z.1f} ± {half} cents"
    within = f"{'' if mean is None else 'the mean '}within {in_cents(verdict.tolerance_cents)}"
    good = percent(verdict.p_within)
    if verdict.border and verdict.p_moved is not None:
        moved = percent(verdict.p_moved)
        return (
            f"{value}: on the border: {within} with {good} probability if left, {moved} if "
            "moved; more takes would hardly decide it."
        )
    if verdict.decision is Decision.LEAVE:
        return f"{value}: {within} with {good} probability."
    if verdict.decision is Decision.MOVE:
        side = "sharp" if judged > 0 else "flat"
        words = f"{value}, {side}: {within} with {good} probability"
        if verdict.p_moved is None:
            return f"{words}."
        return f"{words} if left, {percent(verdict.p_moved)} if moved."
    if verdict.more_takes is None:
        return f"{value}: on the border, {within} with {good} probability."
    return f"{value}: {within} with {good} probability; {progress_words(verdict)}."


def progress_words(verdict: Verdict) -> str:
    """ "about 3 more takes decide it"."""
    more = verdict.more_takes
    if more is None:
        return ""
    count = more.open + more.fretted
    return f"about {count} more take{'s decide' if count != 1 else ' decides'} it"


def sure_words(verdict: Verdict) -> str:
    """How sure it is which way it goes: "82 % sure: leave it". While more plucks are wanted, first
    how many that usually takes: "about 3 more plucks; 82 % for leaving". Where moving is likelier
    to end well than leaving what is likely good, what either choice promises."""
    leaving = verdict.p_within >= 0.5
    p = verdict.p_within if leaving else 1.0 - verdict.p_within
    more = verdict.more_takes
    if more is None and leaving and verdict.decision is Decision.MOVE:
        return choice_words(verdict)
    if more is None:
        return f"{percent(p)} sure: {'leave' if leaving else 'move'} it"
    count = more.open + more.fretted
    plucks = f"about {count} more plucks" if count > 1 else "1 more pluck"
    return f"{plucks}; {percent(p)} for {'leaving' if leaving else 'moving'}"


def choice_words(verdict: Verdict) -> str:
    """What either choice promises: "29 % good if left, 91 % if moved"."""
    words = f"{percent(verdict.p_within)} good if left"
    moved = verdict.p_moved
    return words if moved is None else f"{words}, {percent(moved)} if moved"


def percent(p: float) -> str:
    """A probability or a share in whole per cent, never rounded to certainty, nor up to `SURE`:
    what falls short of that says so."""
    whole = round(100.0 * p)
    whole -= p < SURE <= whole / 100.0
    if p >= 0.995:
        return "over 99 %"
    return f"{whole} %" if whole else "under 1 %"


_NOTICED = {
    Notice.SHARPENING: "The last takes each came sharper: rest your hand.",
    Notice.FLATTENING: "The last takes each came flatter: let the string and your hand settle.",
    Notice.DEPENDENT: "Each take follows the one before it: lift your hand between takes.",
    Notice.BENT: "The last take stands out as bent sharp and hardly counts: press straight down.",
    Notice.SLIPPING: "The string drifts: stretch it, or see what lets it slip.",
    Notice.NOT_BY_TURNS: "All takes of one note came first, so a drift of the string would pass "
    "for an offset: let the two notes take turns.",
}


def notice_words(notice: Notice, verdict: Verdict) -> str:
    """What to do about what stands out in the takes."""
    fitting = verdict.fitting_tolerance_cents
    would = "" if fitting is None else f"a tolerance of {in_cents(fitting)} would fit"
    if notice is Notice.SCATTER:
        return f"Your takes scatter much: {would or 'fret lightly and evenly'}."
    if notice is Notice.UNSURE_READINGS:
        words = "This string is hard to read, however it is fretted: let each note ring 3 seconds"
        return f"{words}; {would}." if would else f"{words}."
    return _NOTICED[notice]
