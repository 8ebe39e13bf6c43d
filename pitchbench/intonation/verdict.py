"""From an offset to what to do: leave it, move the saddle, or take more."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from scipy import special

from pitchbench.intonation.offset import (
    Group,
    MeanBelief,
    Offset,
    ScatterPrior,
    mean_belief,
    student_sum,
)

#: What one look at a finished batch of takes must reach.
CONFIDENCE: Final = 0.95

#: What a look must reach where takes are added until it is decided: every look is another chance
#: to be wrong. Found by simulating the whole procedure (tests/unit/test_intonation_verdict.py):
#: with it, looking after every take from two of each on, a wrong leave or move comes about at
#: most once in twenty whatever the true offset.
SEQUENTIAL_CONFIDENCE: Final = 0.992


class Decision(StrEnum):
    """The three verdicts."""

    LEAVE = "leave"
    MOVE = "move"
    TAKE_MORE = "take_more"


@dataclass(frozen=True)
class MoreTakes:
    """How many further takes of each kind are expected to decide it."""

    open: int
    fretted: int


@dataclass(frozen=True)
class Verdict:
    """What the takes so far justify.

    ``p_within`` is the probability that the true offset lies within the tolerance. ``border`` is
    True when the most takes worth making are in and it is still undecided: the string is on the
    border, and ``explanation`` says what each choice risks.
    """

    decision: Decision
    tolerance_cents: float
    p_within: float
    more_takes: MoreTakes | None
    border: bool
    explanation: str


def judge(
    offset: Offset,
    *,
    tolerance_cents: float,
    prior: ScatterPrior,
    most_takes: int,
    confidence: float = CONFIDENCE,
) -> Verdict:
    """Judge ``offset``: leave or move at ``confidence``, else take more up to ``most_takes``.

    Parameters
    ----------
    most_takes : how many takes, open and fretted together, are worth making.
    confidence : `CONFIDENCE` for one batch of takes, `SEQUENTIAL_CONFIDENCE` where the person
        goes on until it is decided.
    """
    belief = (offset.scale_cents, offset.dof)
    p = probability_within(offset.offset_cents, *belief, tolerance_cents)
    decision = _decide(offset.offset_cents, *belief, tolerance_cents, confidence)
    taken = offset.open.n + offset.fretted.n
    more, border = None, False
    if decision is Decision.TAKE_MORE:
        border = taken >= most_takes
        if not border:
            more = _expected_more(offset, tolerance_cents, prior, most_takes - taken, confidence)
    verdict = Verdict(decision, tolerance_cents, p, more, border, explanation="")
    return replace(verdict, explanation=_explain(offset, verdict))


def probability_within(
    centre_cents: float, scale_cents: float, dof: float, tolerance_cents: float
) -> float:
    """Probability that a Student-distributed offset lies between -tolerance and +tolerance."""
    if scale_cents == 0.0:
        return float(abs(centre_cents) <= tolerance_cents)
    upper = (tolerance_cents - centre_cents) / scale_cents
    lower = (-tolerance_cents - centre_cents) / scale_cents
    return float(special.stdtr(dof, upper) - special.stdtr(dof, lower))


def _decide(
    centre_cents: float, scale_cents: float, dof: float, tolerance_cents: float, confidence: float
) -> Decision:
    """Move asks for the side to be as sure as the size: a vague offset is not a large one."""
    p_within = probability_within(centre_cents, scale_cents, dof, tolerance_cents)
    if p_within >= confidence:
        return Decision.LEAVE
    p_side = special.stdtr(dof, abs(centre_cents) / scale_cents) if scale_cents else 1.0
    if p_within <= 1.0 - confidence and p_side >= confidence:
        return Decision.MOVE
    return Decision.TAKE_MORE


def _expected_more(
    offset: Offset, tolerance_cents: float, prior: ScatterPrior, most: int, confidence: float
) -> MoreTakes:
    """The fewest further takes that decide it if the means and the spreads stay as they are.

    Among equal totals, the split that leaves the smallest uncertainty. Where even ``most`` would
    not do, ``most`` in the best split.
    """
    best = MoreTakes(0, most)
    for total in range(1, most + 1):
        splits = [MoreTakes(total - fretted, fretted) for fretted in range(total + 1)]
        expected = [_expected(offset, prior, split) for split in splits]
        index = min(range(len(splits)), key=lambda i: expected[i][0] * _spread(expected[i][1]))
        best = splits[index]
        decision = _decide(offset.offset_cents, *expected[index], tolerance_cents, confidence)
        if decision is not Decision.TAKE_MORE:
            break
    return best


def _expected(offset: Offset, prior: ScatterPrior, more: MoreTakes) -> tuple[float, float]:
    """Scale and degrees of freedom to be expected after ``more`` takes."""
    return student_sum(
        _grown(offset.open, more.open, prior.open_cents, prior.open_dof),
        _grown(offset.fretted, more.fretted, prior.fretted_cents, prior.fretted_dof),
    )


def _grown(group: Group, more: int, typical_cents: float, prior_dof: float) -> MeanBelief:
    """What would be believed of a mean if further takes spread like those there are."""
    n = group.n + more
    spread = typical_cents if group.spread_cents is None else group.spread_cents
    return mean_belief(Group(n, group.mean_hz, spread if n > 1 else None), typical_cents, prior_dof)


def _spread(dof: float) -> float:
    """Half-width of the 95 % interval in units of the scale."""
    return float(special.stdtrit(dof, 0.975))


def _explain(offset: Offset, verdict: Verdict) -> str:
    value = f"{offset.offset_cents:+.1f} cents"
    within = f"{verdict.tolerance_cents:g} cents"
    good, bad = _percent(verdict.p_within), _percent(1.0 - verdict.p_within)
    if verdict.decision is Decision.LEAVE:
        return f"{value}: within {within} with {good} probability."
    if verdict.decision is Decision.MOVE:
        side = "sharp" if offset.offset_cents > 0 else "flat"
        return f"{value}, {side}: outside {within} with {bad} probability."
    if verdict.more_takes:
        return f"{value}: not sure yet; take about {_count(verdict.more_takes)}."
    low, high = offset.interval95_cents
    return (
        f"{value}: on the border. "
        f"Leave it, and with {bad} probability it is more than {within} off, "
        f"at worst about {max(-low, high):.1f}. "
        f"Move it, and with {good} probability you move a string that was good."
    )


def _percent(p: float) -> str:
    """A probability in whole per cent, never rounded up to certainty or down to none."""
    if p > 0.995:
        return "over 99 %"
    return "under 1 %" if p < 0.005 else f"{100 * p:.0f} %"


def _count(more: MoreTakes) -> str:
    kinds = [
        f"{n} more {kind} take{'' if n == 1 else 's'}"
        for n, kind in ((more.open, "open"), (more.fretted, "fretted"))
        if n
    ]
    return " and ".join(kinds)
