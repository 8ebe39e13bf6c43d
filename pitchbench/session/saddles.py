"""What is known of a string's saddle: what its moves did, where it stands, where it should go."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from pitchbench.intonation.bridge import Move
from pitchbench.intonation.offset import Offset
from pitchbench.intonation.response import (
    MadeMove,
    Response,
    advise,
    carried_over,
    combined,
    learn,
    shared,
)
from pitchbench.intonation.verdict import Decision, Verdict, judge, percent
from pitchbench.session.log import Log, MoveEntry, Step, StringState, TakeFate
from pitchbench.session.takes import LEAST_FRETTED, scatter_prior, weigh_round

#: Takes are enough as soon as one choice, to leave the saddle or to move it, ends within the
#: tolerance with this probability. A little less will do at first: what was done is checked once
#: more. These and the next two were chosen by counting moves, plucks and strings that end within
#: the tolerance (tests/benchmarks/moves_table.py).
SURE_FOR_NOW: Final = 0.93
SURE_AT_LAST: Final = 0.96

#: By how much likelier a move must make it to be worth the trouble.
WORTH_A_MOVE: Final = 0.04

#: From this probability of being within the tolerance on, an untouched string is worth more takes.
_LIKELY_GOOD: Final = 0.75

#: A move waits for more takes while they leave more in doubt than this share of what the turning
#: of the screw will, or of half the tolerance.
_AIM: Final = 0.8

#: So many standard deviations off what the move should have brought, a first take is a surprise.
_SURPRISE_SIGMAS: Final = 1.5

#: The end of the travel, but for rounding.
_TO_THE_END: Final = 1.0 - 1e-9


# ------------------------------------------------------------------------------ what moves did


def learned(log: Log, *, but: int | None = None) -> Response:
    """What this bridge does, from the session's measured moves and what it started with.

    ``but`` leaves out the moves of one string: its takes shall not count twice where they are
    carried over a move that they themselves have taught.
    """
    made = [move for s in log.strings if s.number != but for move in made_moves(log, s)]
    return learn(made, log.setup.instrument, start=log.setup.response)


def made_moves(log: Log, string: StringState) -> list[MadeMove]:
    """The moves made at ``string`` that were measured before and after, by their own takes."""
    made = []
    for index, entry in enumerate(string.moves):
        if entry.string != string.number:
            continue
        before, after = (weigh_round(log, _as_of(string, index + step)) for step in (0, 1))
        if before is not None and after is not None:
            made.append(_made(string, index, before, after))
    return made


def last_move(log: Log, string: StringState) -> MadeMove | None:
    """The string's last move between all that was known before it and the takes since."""
    if not string.moves:
        return None
    index = len(string.moves) - 1
    before, after = belief(log, _as_of(string, index)), weigh_round(log, string)
    if before is None or after is None:
        return None
    return _made(string, index, before, after)


def _made(string: StringState, index: int, before: Offset, after: Offset) -> MadeMove:
    entry = string.moves[index]
    return MadeMove(
        string=string.number,
        screw_mm=entry.made.screw_mm,
        said=entry.said,
        before=before,
        after=after,
        moved_before_mm=math.fsum(move.made_mm for move in string.moves[:index]),
        reversed=_reversed(string.moves[:index], entry.made_mm),
    )


def _reversed(moves: Sequence[MoveEntry], now_mm: float) -> bool | None:
    """Whether a turn goes the other way than the last one; None if there was none."""
    return moves[-1].made_mm * now_mm < 0.0 if moves else None


def _as_of(string: StringState, round_: int) -> StringState:
    """The string as it stood before move number ``round_``, counted from 0."""
    takes = tuple(take for take in string.takes if take.round <= round_)
    tunings = [t.tuning for t in takes if t.round == round_ and t.fate is TakeFate.ACCEPTED]
    return replace(
        string, takes=takes, moves=string.moves[:round_], tuning=max(tunings, default=string.tuning)
    )


# ------------------------------------------------------------------------------ where it stands


def weigh(log: Log, string: StringState) -> Offset | None:
    """The string's offset from all that is known of it; None until both notes were played since
    its saddle was last moved.

    What was known before the move counts after it as well, with the uncertainty of the move added,
    unless the takes since contradict it.
    """
    return None if weigh_round(log, string) is None else belief(log, string)


def belief(log: Log, string: StringState) -> Offset | None:
    """As `weigh`, but where nothing was played since the move: what it should have done."""
    if not string.moves:
        return weigh_round(log, string)
    return _belief(log, string, learned(log, but=string.number))


def _belief(log: Log, string: StringState, response: Response) -> Offset | None:
    now, before = weigh_round(log, string), _carried(log, string, response)
    if now is None or before is None:
        return now or before
    return combined(now, before)


def _carried(log: Log, string: StringState, response: Response) -> Offset | None:
    """What was known before the last move says of the offset after it; None without a move."""
    if not string.moves:
        return None
    last, earlier = string.moves[-1], _as_of(string, string.round - 1)
    before = _belief(log, earlier, response)
    if before is None:
        return None
    return carried_over(
        before,
        log.setup.instrument,
        string.number,
        last.made.screw_mm,
        response=response,
        said=last.said,
        moved_before_mm=earlier.travel_mm,
        reversed_turn=_reversed(earlier.moves, last.made_mm),
    )


def _surprised(log: Log, string: StringState) -> bool:
    """Whether the first fretted take since a move is not what the move should have brought."""
    now = weigh_round(log, string)
    carried = _carried(log, string, learned(log, but=string.number))
    if now is None or carried is None or now.fretted.n >= LEAST_FRETTED:
        return False
    apart = abs(now.offset_cents - carried.offset_cents)
    return apart > _SURPRISE_SIGMAS * math.hypot(now.u_cents, carried.u_cents)


def partner(log: Log, string: StringState) -> StringState | None:
    """The string on the same saddle that is to be set as well; None where there is none."""
    number = log.setup.instrument.bridge.beside(string.number)
    return None if number not in log.setup.order else log.strings[number - 1]


def judged(log: Log, string: StringState, own: Offset) -> Offset:
    """The offset that decides about the saddle: ``own``, or its mean with the string beside it."""
    beside = partner(log, string)
    other = None if beside is None else belief(log, beside)
    return own if other is None else shared(own, other)


def p_within(log: Log, string: StringState) -> float:
    """Probability that the string's own offset is within the tolerance; 0 where none is known."""
    own = belief(log, string)
    return 0.0 if own is None else _p_within(log, own)


# ------------------------------------------------------------------------------ where it goes


@dataclass(frozen=True)
class Choice:
    """To leave the saddle or to move it: with what probability each ends within the tolerance.

    ``aimed`` is whether the takes are no longer what makes the end of the move uncertain.
    """

    move: Move
    p_left: float
    p_moved: float
    aimed: bool

    @property
    def worth_a_move(self) -> bool:
        """Whether moving is likelier to end well by more than it costs."""
        return self.p_moved - self.p_left >= WORTH_A_MOVE


def choice(log: Log, string: StringState) -> Choice | None:
    """What moving the saddle now would bring; None where nothing is known of it.

    A saddle that cannot go quite so far goes to the end of its travel if what is then left is
    within the tolerance.
    """
    own = belief(log, string)
    if own is None:
        return None
    offset = judged(log, string, own)
    advice = advise(
        offset,
        log.setup.instrument,
        string.number,
        response=learned(log),
        moved_mm=string.travel_mm,
        last_screw_mm=string.moves[-1].made_mm if string.moves else None,
    )
    move_u = math.sqrt(max(0.0, advice.after.belief.scale**2 - offset.belief.scale**2))
    return Choice(
        move=_within_travel(log, string, offset, advice.move),
        p_left=_p_within(log, offset),
        p_moved=_p_within(log, advice.after),
        aimed=offset.belief.scale <= _AIM * max(log.tolerance_cents / 2.0, move_u),
    )


def verdict(log: Log, string: StringState, own: Offset) -> Verdict:
    """The verdict on the string's saddle, ``own`` being its offset as weighed.

    While takes are added until it is decided, every look must be surer than the one that is taken
    when takes are enough. What that one leaves undecided is on the border.
    """
    offset = judged(log, string, own)

    def judge_it(*, sequential: bool, most_takes: int) -> Verdict:
        return judge(
            offset,
            tolerance_cents=log.tolerance_cents,
            prior=scatter_prior(log, string),
            most_takes=most_takes,
            sequential=sequential,
        )

    found = judge_it(sequential=True, most_takes=log.setup.most_takes)
    chosen = choice(log, string)
    if chosen is None or found.decision is not Decision.TAKE_MORE:
        return found
    if not found.border and not _is_sure(log, string, chosen):
        return found
    found = judge_it(sequential=False, most_takes=_taken(offset))
    return replace(found, explanation=_weighed_words(log, chosen)) if found.border else found


def is_enough(log: Log, string: StringState, found: Verdict, chosen: Choice) -> bool:
    """Whether more takes are not worth their while, so that ``found`` is to be followed.

    A move that is certain to be needed waits until it can be aimed.
    """
    if found.decision is not Decision.MOVE:
        return found.decision is Decision.LEAVE or found.border
    most = log.string.now is not None and _taken(log.string.now) >= log.setup.most_takes
    return chosen.aimed or most or _is_sure(log, string, chosen)


def _is_sure(log: Log, string: StringState, chosen: Choice) -> bool:
    """Whether leaving or moving ends well surely enough.

    A string whose saddle was not touched yet and that is likely good is worth the takes that show
    it: a first move costs more than they do. Nor is one take enough to believe a surprise.
    """
    if not string.moves and chosen.p_left >= _LIKELY_GOOD:
        return False
    if _surprised(log, string):
        return False
    least = SURE_AT_LAST if log.step is Step.LAST_ROUND else SURE_FOR_NOW
    return max(chosen.p_left, chosen.p_moved) >= least


def _weighed_words(log: Log, chosen: Choice) -> str:
    return (
        f"on the border: within {log.tolerance_cents:g} cents with {percent(chosen.p_left)} "
        f"probability if left, {percent(chosen.p_moved)} if moved."
    )


def _taken(offset: Offset) -> int:
    return offset.open.n + offset.fretted.n


def _p_within(log: Log, offset: Offset) -> float:
    return offset.belief.within(-log.tolerance_cents, log.tolerance_cents)


def _within_travel(log: Log, string: StringState, offset: Offset, move: Move) -> Move:
    bridge = log.setup.instrument.bridge
    limits_mm = (-(bridge.travel_toward_nut_mm or 0.0), bridge.travel_away_mm or 0.0)
    room_mm = limits_mm[move.mm > 0.0] * _TO_THE_END - string.travel_mm
    if not move.out_of_travel or room_mm * move.mm <= 0.0:
        return move
    left_cents = abs(offset.offset_cents) * (1.0 - room_mm / move.mm)
    if left_cents > log.tolerance_cents:
        return move
    return replace(move, mm=room_mm, ends95_cents=None)
