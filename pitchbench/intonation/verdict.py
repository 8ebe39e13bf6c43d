"""From an offset to what to do: leave it, move the saddle, or take more."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from pitchbench.belief import Belief, Numbers, student_difference
from pitchbench.intonation.offset import Group, Offset, ScatterPrior, mean_belief

#: What a single look at a finished batch of takes must reach.
CONFIDENCE: Final = 0.95

#: The chance of being wrong that the last look of a sequence may spend; see `confidence_asked`.
LAST_LOOK_RISK: Final = 0.019


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
    """The decision that the takes so far justify.

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
    sequential: bool = False,
) -> Verdict:
    """Judge ``offset``: leave or move where it is sure enough, else take more.

    Parameters
    ----------
    most_takes : how many takes, open and fretted together, are worth making.
    sequential : True where the person goes on, look after look, until it is decided; False for
        one finished batch of takes, which is judged at 95 %.
    """
    taken = offset.open.n + offset.fretted.n

    def decide(belief: Belief, taken: int) -> Decision:
        confidence = confidence_asked(taken, most_takes) if sequential else CONFIDENCE
        return _decide(belief, tolerance_cents, confidence)

    verdict = Verdict(
        decision=decide(offset.belief, taken),
        tolerance_cents=tolerance_cents,
        p_within=offset.belief.within(-tolerance_cents, tolerance_cents),
        more_takes=None,
        border=False,
        explanation="",
    )
    if verdict.decision is Decision.TAKE_MORE:
        if taken >= most_takes:
            verdict = replace(verdict, border=True)
        else:
            more = _expected_more(offset, prior, most_takes - taken, decide)
            verdict = replace(verdict, more_takes=more)
    return replace(verdict, explanation=_explain(offset, verdict))


def confidence_asked(taken: int, most_takes: int) -> float:
    """What a look after ``taken`` takes must reach, where takes are added until it is decided.

    Every look is another chance to be wrong, so each may spend but a part of the 5 %; and most of
    it is kept for the late looks, where a string that is nearly good can be told at last:
    1 - `LAST_LOOK_RISK` (taken / most)^2. The constant was found by simulating the whole
    procedure (tests/benchmarks/verdict_table.py): looking after every take from two of each on, a
    wrong leave or move comes about at most once in twenty, whatever the true offset.
    """
    return 1.0 - LAST_LOOK_RISK * min(1.0, taken / most_takes) ** 2


def _decide(belief: Belief, tolerance_cents: float, confidence: float) -> Decision:
    """Move asks for the side to be as sure as the size: a vague offset is not a large one."""
    p_within = belief.within(-tolerance_cents, tolerance_cents)
    if p_within >= confidence:
        return Decision.LEAVE
    if p_within <= 1.0 - confidence and belief.p_side >= confidence:
        return Decision.MOVE
    return Decision.TAKE_MORE


def _expected_more(
    offset: Offset, prior: ScatterPrior, most: int, decide: Callable[[Belief, int], Decision]
) -> MoreTakes:
    """The fewest further takes that decide it if the means and the spreads stay as they are.

    Among equal totals, the split that leaves the smallest uncertainty. Where even ``most`` would
    not do, ``most`` in the best split.
    """
    taken = offset.open.n + offset.fretted.n
    best = MoreTakes(0, most)
    for total in range(1, most + 1):
        splits = [MoreTakes(total - fretted, fretted) for fretted in range(total + 1)]
        best = min(splits, key=lambda split: _expected(offset, prior, split).half())
        if decide(_expected(offset, prior, best), taken + total) is not Decision.TAKE_MORE:
            break
    return best


def _expected(offset: Offset, prior: ScatterPrior, more: MoreTakes) -> Belief:
    """What would be believed after ``more`` takes that are like those there are."""
    scale, dof = student_difference(
        *_grown(offset.open, more.open, prior.open_cents, prior.open_dof),
        *_grown(offset.fretted, more.fretted, prior.fretted_cents, prior.fretted_dof),
    )
    return Belief(offset.offset_cents, float(scale), float(dof))


def _grown(
    group: Group, more: int, typical_cents: float, prior_dof: float
) -> tuple[Numbers, float]:
    n = group.n + more
    spread = typical_cents if group.spread_cents is None else group.spread_cents
    return mean_belief(n, (n - 1) * spread**2, typical_cents=typical_cents, prior_dof=prior_dof)


def _explain(offset: Offset, verdict: Verdict) -> str:
    value = f"{offset.offset_cents:+z.1f} cents"
    within = f"{verdict.tolerance_cents:g} cents"
    good, bad = percent(verdict.p_within), percent(1.0 - verdict.p_within)
    if verdict.decision is Decision.LEAVE:
        return f"{value}: within {within} with {good} probability."
    if verdict.decision is Decision.MOVE:
        side = "sharp" if offset.offset_cents > 0 else "flat"
        return f"{value}, {side}: outside {within} with {bad} probability."
    if verdict.more_takes:
        return f"{value}: not sure yet; make about {_count(verdict.more_takes)}."
    low, high = offset.interval95_cents
    return (
        f"{value}: on the border. "
        f"Leave it, and with {bad} probability it is more than {within} off, "
        f"at worst about {max(-low, high):.1f}. "
        f"Move it, and with {good} probability you move a string that was good."
    )


def percent(p: float) -> str:
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
