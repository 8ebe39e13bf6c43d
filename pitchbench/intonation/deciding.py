"""From what is known of a string to what to do: leave it, move its saddle, or take more."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pitchbench.belief import Belief, half95, surely
from pitchbench.intonation.knowledge import Density, Knowledge, mean_of
from pitchbench.intonation.verdict import SURE, Decision, Notice, Verdict

#: Strings less sure than this are checked at the end, when more is known of the person. Half a per
#: cent more would cost every string 0.4 plucks and end better for one in 500.
SURE_AT_LAST: Final = 0.955

#: By how much likelier a move must make it that the string ends well. A move costs about six
#: plucks of time, and near the tolerance six plucks bring about as much (dynamic programming,
#: tests/benchmarks/persons_bound.py, moves from 0.04 to 0.08 on).
WORTH_A_MOVE: Final = 0.07

#: A move waits until the offset is known within these shares of the tolerance and of the move
#: itself (standard uncertainties, added in squares). Earlier, and it must soon be moved again;
#: later, and the takes are spent on what the turning of the screw blurs anyhow. By the same
#: programme: 0.33 to 0.48 of the tolerance for spreads of half to twice the tolerance, 0.13 to
#: 0.17 of the move.
AIM_OF_TOLERANCE: Final = 0.43
AIM_OF_MOVE: Final = 0.17

#: One bad fretting shall neither move a saddle nor, of few, be half of what a string is left on
#: (common practice, no source: several readings of each note).
LEAST_TO_MOVE: Final = 2
LEAST_TO_LEAVE: Final = 3

#: More takes than this bring less than a percent each for whoever scatters twice the tolerance.
MOST_TAKES: Final = 24

#: Once takes leave less open than this share of what the differing pairs of partials do, more of
#: them would narrow the whole by less than an eighth.
_TAKES_OF_CHOICE: Final = 0.5

#: Fretted takes in a row: at least two, since the open note costs as much and scatters less; at
#: most five, so that a string that drifts is noticed.
_RUN: Final = (2, 5)

#: How far single takes may be off, 1 sigma, before a wider tolerance is offered: beyond it 2 cents
#: take twice the plucks.
_WIDE_CENTS: Final = 2.5

#: Takes before that is spoken of: three say little about it.
_TAKES_THAT_SHOW_SCATTER: Final = 5

#: How likely something must be to be said of a person's takes.
WORTH_SAYING: Final = 0.9

#: A trend: so many takes, each beyond the last, and from first to last so many spreads. Of takes
#: that do not hang together one look in 60 shows five in order, and half of those span that much.
_TREND_TAKES: Final = 5
_TREND_SPREADS: Final = 2.0


@dataclass(frozen=True)
class Turning:
    """How surely a saddle goes where it is sent: a share of the way, and cents besides.

    The defaults hold for screws turned as told on a bridge of which nothing is known; backlash is
    a tenth of a turn or less.
    """

    share: float = 0.10
    slack_cents: float = 0.1

    def u_cents(self, change_cents: float) -> float:
        """Standard uncertainty of a change of the offset."""
        return math.hypot(self.share * change_cents, self.slack_cents)


#: How well a saddle is sent on its way if nothing is known of its bridge.
AS_TOLD: Final = Turning()


def worth_filing(interval95_cents: tuple[float, float], tolerance_cents: float) -> bool:
    """Whether a string is so surely off that what cannot be undone is done about it: all of its
    95 % interval lies outside the tolerance (own judgement, no source)."""
    return abs(surely(interval95_cents)) > tolerance_cents


def judge(
    known: Knowledge,
    *,
    tolerance_cents: float,
    sure: float = SURE,
    turning: Turning = AS_TOLD,
    beside: Sequence[Density] = (),
    most_takes: int = MOST_TAKES,
    filed: bool = False,
    reach_cents: tuple[float, float] = (-math.inf, math.inf),
) -> Verdict | None:
    """What to do with a string; None until both its notes were played.

    Parameters
    ----------
    sure : the probability at which it is left: `SURE`, or `SURE_AT_LAST` in the check at the end.
    turning : how well the saddle can be sent.
    beside : the offsets of other strings on the same saddle: then the mean of all is judged, which
        is what the saddle can cure.
    most_takes : after so many takes, open and fretted, more are not worth their while.
    filed : whether a move cannot be undone: then it waits until it is `worth_filing`, and goes no
        farther than is sure.
    reach_cents : how much flatter, and how much sharper, the saddle can make it: whether it is
        moved does not hang on it, but what the move promises does.

    Examples
    --------
    >>> from pitchbench.intonation.knowledge import after_take, begin
    >>> known = after_take(begin(), fretted=False, cents=0.0, u_cents=0.1)
    >>> for cents in (7.1, 9.0, 8.2):
    ...     known = after_take(known, fretted=True, cents=cents, u_cents=0.1)
    >>> found = judge(known, tolerance_cents=2.0)
    >>> found.decision, round(found.change_cents)
    (<Decision.MOVE: 'move'>, -8)
    """
    own = known.offset
    if own is None:
        return None
    offset = mean_of(own, *beside)
    centre = offset.centre
    p_within = offset.within(-tolerance_cents, tolerance_cents)
    interval95 = offset.belief.interval()
    change_cents = -surely(interval95) if filed else -centre

    def promised(change_cents: float) -> float:
        after = offset.moved(change_cents, turning.u_cents(change_cents))
        return after.within(-tolerance_cents, tolerance_cents)

    aim_cents = math.hypot(AIM_OF_TOLERANCE * tolerance_cents, AIM_OF_MOVE * centre)
    if filed:
        aim_cents = min(aim_cents, max(0.0, abs(centre) - tolerance_cents) / half95(1.0))
        worth = worth_filing(interval95, tolerance_cents)
    else:
        worth = promised(change_cents) - p_within >= WORTH_A_MOVE
    change_cents = min(max(change_cents, reach_cents[0]), reach_cents[1])
    taken = known.open + known.fretted
    # What the pairs of partials leave open, no further take mends.
    choice_u = known.choice_u_cents / (1 + len(beside))
    takes_u = math.sqrt(max(0.0, offset.u**2 - choice_u**2))
    no_use = known.fretted >= LEAST_TO_LEAVE and takes_u < _TAKES_OF_CHOICE * choice_u
    most = taken >= most_takes or no_use
    leaving_u = _leaving_u(offset.centre, tolerance_cents, sure)
    leaving_u = math.sqrt(max(0.0, leaving_u**2 - choice_u**2))
    to_go = _to_go(known, takes_u, max(leaving_u, aim_cents if worth or filed else 0.0))
    now = known.fretted_since_move > 0
    if now and known.fretted >= LEAST_TO_LEAVE and p_within >= sure:
        decision = Decision.LEAVE
    elif now and known.fretted >= LEAST_TO_MOVE and worth and (most or takes_u <= aim_cents):
        decision = Decision.MOVE
    else:
        decision = Decision.LEAVE if most else Decision.TAKE_MORE
    return Verdict(
        decision=decision,
        # Whatever it is to be left at here: the same number is on the border everywhere or nowhere.
        border=most and p_within < min(sure, SURE) and not (worth and takes_u <= aim_cents),
        tolerance_cents=tolerance_cents,
        p_within=p_within,
        # What filing would promise is no choice where nothing is filed.
        p_moved=promised(change_cents) if worth or not filed else None,
        change_cents=change_cents,
        next_fretted=_next_fretted(known),
        plucks_to_go=min(to_go, max(1.0, float(most_takes - taken))),
        notices=notices(known),
        fitting_tolerance_cents=_fitting(known, tolerance_cents),
    )


def notices(known: Knowledge) -> tuple[Notice, ...]:
    """What stands out in a string's takes."""
    found = []
    last = [cents for cents, _ in known.fretteds[-_TREND_TAKES:]]
    if len(last) == _TREND_TAKES and _spans(last) > _TREND_SPREADS * known.spread_cents:
        if last == sorted(last):
            found.append(Notice.SHARPENING)
        if last == sorted(last, reverse=True):
            found.append(Notice.FLATTENING)
    if known.p_dependent > WORTH_SAYING:
        found.append(Notice.DEPENDENT)
    if known.p_bent and known.p_bent[-1] > WORTH_SAYING:
        found.append(Notice.BENT)
    if min(len(known.opens), len(known.fretteds)) > 1 and not _by_turns(known.kinds):
        found.append(Notice.NOT_BY_TURNS)
    if _wide(known):
        by_hand = known.spread_cents**2 > known.fretted_take_u_cents**2 / 2.0
        found.append(Notice.SCATTER if by_hand else Notice.UNSURE_READINGS)
    return tuple(found)


def _by_turns(kinds: str) -> bool:
    """Whether a drift of the string can be told from its offset: not if all of one note came
    before all of the other."""
    return kinds.count("of") + kinds.count("fo") > 1


def _spans(cents: list[float]) -> float:
    return max(cents) - min(cents)


def _wide(known: Knowledge) -> bool:
    """Whether single takes tell little, by the hand or by what their readings leave open."""
    return known.fretted >= _TAKES_THAT_SHOW_SCATTER and known.fretted_take_u_cents > _WIDE_CENTS


def _fitting(known: Knowledge, tolerance_cents: float) -> float | None:
    """The tolerance that is to such takes what 2 cents are to usual ones: as much as they are off;
    in half cents."""
    if not _wide(known):
        return None
    fitting = round(2.0 * known.fretted_take_u_cents) / 2.0
    return fitting if fitting > tolerance_cents else None


def _next_fretted(known: Knowledge) -> bool:
    """Whether the fretted note helps more than the open one: whichever lessens the variance of its
    own mean by more, s^2 / n - s^2 / (n + 1), what the readings leave open included."""
    opens, fretteds, run = len(known.opens), len(known.fretteds), known.fretted_in_a_row
    if not opens or run >= _RUN[1]:
        return False
    if run < _RUN[0]:
        return True
    by_fretted = known.fretted_take_u_cents**2 / (fretteds * (fretteds + 1))
    return by_fretted >= known.open_take_u_cents**2 / (opens * (opens + 1))


def _to_go(known: Knowledge, takes_u: float, needed: float) -> float:
    """Takes until it is decided if the offset stays where it is: s^2 (1 / V - 1 / u^2) fretted,
    u what the takes leave open and V the square of what is ``needed`` to leave it or to aim at,
    whichever comes first; and open ones in between, by the ratio of how well one take tells."""
    ratio = known.open_take_u_cents / known.fretted_take_u_cents
    opens = min(max(ratio, 1.0 / _RUN[1]), 1.0 / _RUN[0])
    least = LEAST_TO_LEAVE - known.fretted
    if not needed:
        fretted = math.inf
    elif not takes_u:
        fretted = 0.0  # the takes leave nothing open
    else:
        fretted = known.fretted_take_u_cents**2 * (needed**-2 - takes_u**-2)
    return float(max(fretted * (1.0 + opens), least, 1.0))


def _leaving_u(centre: float, tolerance_cents: float, sure: float) -> float:
    """The standard uncertainty at which a normal belief lies within the tolerance surely enough;
    0 where it never will."""
    low, high = 0.0, tolerance_cents
    while high - low > 0.001 * tolerance_cents:
        u = (low + high) / 2.0
        if Belief.normal(centre, u).within(-tolerance_cents, tolerance_cents) >= sure:
            low = u
        else:
            high = u
    return low
