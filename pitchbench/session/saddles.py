"""What is known of a string's saddle: what its moves did, where it stands, where it should go.

The log's takes and moves are folded into `intonation.knowledge`, and judged by
`intonation.deciding`; nothing here decides by itself.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from statistics import stdev
from typing import Final

from pitchbench.belief import Belief
from pitchbench.intonation.bridge import Leverage, Move
from pitchbench.intonation.deciding import SURE_AT_LAST, Turning, judge
from pitchbench.intonation.knowledge import (
    Density,
    Knowledge,
    Person,
    after_move,
    after_take,
    after_tuning,
    begin,
    mean_of,
)
from pitchbench.intonation.offset import Offset
from pitchbench.intonation.pairs import compare_partials
from pitchbench.intonation.response import (
    TURNED_AS_TOLD,
    MadeMove,
    Response,
    advise,
    expected_change,
    learn,
)
from pitchbench.intonation.take import Take
from pitchbench.intonation.verdict import SURE, Decision, Verdict
from pitchbench.session.log import Log, MoveEntry, SessionTake, Step, StringState
from pitchbench.session.takes import as_takes, groups, referred
from pitchbench.session.touched import likely_touched
from pitchbench.units import cents_between

#: As many strings of as many takes as a session of twelve strings holds, several times over.
_REMEMBERED: Final = 4096

#: Something that happened to a string, as the statistics see it: a take of either note (cents from
#: its note, u), a new tuning, or a move (change in cents, u).
_Fact = tuple[str, float, float]


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
        before, after = (_of_round(log, string, index + step) for step in (0, 1))
        if before is not None and after is not None:
            made.append(_made(log, string, index, before, after))
    return made


def last_move(log: Log, string: StringState) -> MadeMove | None:
    """The string's last move between all that was known before it and the takes since."""
    if not string.moves:
        return None
    index = len(string.moves) - 1
    until = tuple(take for take in string.takes if take.round <= index)
    # Which pair of partials counts how much moves the offset before and after alike.
    before = replace(
        known(log, replace(string, takes=until, moves=string.moves[:index])), choice_u_cents=0.0
    ).offset
    after = _of_round(log, string, string.round)
    return None if before is None or after is None else _made(log, string, index, before, after)


def _of_round(log: Log, string: StringState, round_: int) -> Density | None:
    """The offset by the takes of one round alone; None until both notes were played in it."""
    takes = [take for take in string.accepted if take.round == round_]
    alone = _folded(log.setup.person, tuple(_played(log, takes, _compared(log, string)[0])))
    return alone.offset if alone.open and alone.fretted else None


def _made(log: Log, string: StringState, index: int, before: Density, after: Density) -> MadeMove:
    entry = string.moves[index]
    return MadeMove(
        string=string.number,
        screw_mm=entry.made.screw_mm,
        said=entry.said,
        fret=log.setup.fret,
        before=before.belief,
        after=after.belief,
        moved_before_mm=math.fsum(move.made_mm for move in string.moves[:index]),
        reversed=_reversed(string.moves[:index], entry.made_mm),
        other_way=entry.other_way,
    )


def _reversed(moves: Sequence[MoveEntry], now_mm: float) -> bool | None:
    """Whether a turn goes the other way than the last one; None if there was none."""
    return moves[-1].made_mm * now_mm < 0.0 if moves else None


# ------------------------------------------------------------------------------ where it stands


def known(log: Log, string: StringState) -> Knowledge:
    """All that the log says of a string, and of the person who plays it."""
    response = learned(log)
    others = [alone(log, each, response) for each in log.strings if each.number != string.number]
    person = log.setup.person.having_played(each for each in others if each.fretted)
    if string.moves:
        # Its own moves shall not count twice.
        response = learned(log, but=string.number)
    return replace(alone(log, string, response), person=person)


def alone(log: Log, string: StringState, response: Response) -> Knowledge:
    """What a string's own takes and moves say on a bridge of this response."""
    if not string.accepted:
        return begin(log.setup.person)
    facts: list[_Fact] = []
    heard, choice_u_cents = _compared(log, string)
    for round_ in range(string.round + 1):
        takes = [take for take in string.accepted if take.round == round_]
        facts += _played(log, takes, heard)
        if round_ < string.round:
            entry = string.moves[round_]
            change = expected_change(
                entry.made.screw_mm,
                log.setup.instrument,
                string.number,
                fret=log.setup.fret,
                response=response,
                said=entry.said,
                moved_before_mm=math.fsum(move.made_mm for move in string.moves[:round_]),
                reversed_turn=_reversed(string.moves[:round_], entry.made_mm),
            )
            facts.append(("move", change.centre, change.u))
    if string.in_this_round and string.in_this_round[-1].tuning != string.tuning:
        facts.append(("tuning", 0.0, 0.0))
    folded = _folded(log.setup.person, tuple(facts))
    return replace(folded, choice_u_cents=choice_u_cents)


def _compared(log: Log, string: StringState) -> tuple[dict[int, Take], float]:
    """The string's accepted takes, by number, as the ear compares them; and what stays open since
    their pairs of partials differ."""
    compared = compare_partials(as_takes(string.accepted), fret=log.setup.fret)
    numbers = (take.number for take in string.accepted)
    return dict(zip(numbers, compared.takes, strict=True)), compared.u_cents


def _played(log: Log, takes: Sequence[SessionTake], heard: Mapping[int, Take]) -> list[_Fact]:
    """The takes of one round in order, as they are ``heard``, a new tuning told between them."""
    facts: list[_Fact] = []
    tuning = takes[0].tuning if takes else 0
    for take in takes:
        if take.tuning != tuning:
            facts.append(("tuning", 0.0, 0.0))
            tuning = take.tuning
        each = heard[take.number]
        cents = cents_between(each.pitch_hz, log.setup.open_hz(take.string)) - 100.0 * each.fret
        facts.append(("fretted" if each.fret else "open", cents, each.u_cents))
    return facts


@lru_cache(maxsize=_REMEMBERED)
def _folded(person: Person, facts: tuple[_Fact, ...]) -> Knowledge:
    """The knowledge that ``facts`` make in order; what was folded before is remembered, since a
    session asks anew after every take."""
    if not facts:
        return begin(person)
    before = _folded(person, facts[:-1])
    kind, cents, u_cents = facts[-1]
    match kind:
        case "tuning":
            return after_tuning(before)
        case "move":
            return after_move(before, change_cents=cents, u_cents=u_cents)
    return after_take(before, fretted=kind == "fretted", cents=cents, u_cents=u_cents)


def weigh(log: Log, string: StringState) -> Offset | None:
    """The string's offset from all that is known of it; None until both notes were played since
    its saddle was last moved."""
    opens, fretteds = groups(string, fret=log.setup.fret)
    offset = None if opens is None or fretteds is None else known(log, string).offset
    if opens is None or fretteds is None or offset is None:
        return None
    return Offset(
        fret=log.setup.fret,
        open=opens,
        fretted=fretteds,
        belief=offset.belief,
        carried_over=len(string.accepted) > opens.n + fretteds.n,
        pairs=compare_partials(referred(string), fret=log.setup.fret).pairs,
    )


def partners(log: Log, string: StringState) -> tuple[StringState, ...]:
    """The strings on the same saddle that are to be set as well."""
    beside = log.setup.instrument.bridge.beside(string.number)
    return tuple(log.strings[number - 1] for number in log.setup.order if number in beside)


def to_measure_first(log: Log, string: StringState, move: Move | None) -> tuple[StringState, ...]:
    """The strings of which nothing is known yet and must be before the string's saddle is left, or
    makes this ``move``: those on the same saddle, and before anything is filed all."""
    first = partners(log, string)
    if move is not None and move.bridge.is_filed and not move.out_of_travel:
        first = tuple(log.strings[number - 1] for number in log.setup.order)
    return tuple(s for s in first if s.outcome is None and known(log, s).offset is None)


def _beside(log: Log, string: StringState) -> tuple[Density, ...]:
    """What is believed of the offsets of the other strings on the saddle, as cents of this one: a
    longer string needs more travel for the same cents."""
    instrument, found = log.setup.instrument, []
    for other in partners(log, string):
        share = instrument.scale_of(other.number) / instrument.scale_of(string.number)
        if (offset := known(log, other).offset) is not None:
            found.append(offset.scaled(share))
    return tuple(found)


def shared_mean(log: Log, string: StringState) -> Belief | None:
    """What the strings on one saddle come to together, which is what it goes by; None where the
    string has it to itself, or nothing is known of it."""
    own, beside = known(log, string).offset, _beside(log, string)
    return mean_of(own, *beside).belief if own is not None and beside else None


def scatter_cents(log: Log, string: StringState) -> float | None:
    """How far the strings on one saddle lie from their mean, one standard deviation, which no move
    of it cures; None where it has but one or two."""
    offsets = [known(log, each).offset for each in (string, *partners(log, string))]
    centres = [offset.centre for offset in offsets if offset is not None]
    return stdev(centres) if len(centres) > 2 else None


def p_within(log: Log, string: StringState) -> float:
    """Probability that the string's own offset is within the tolerance; 0 where none is known."""
    own = known(log, string).offset
    return 0.0 if own is None else own.within(-string.tolerance_cents, string.tolerance_cents)


# ------------------------------------------------------------------------------ where it goes


def verdict(log: Log, string: StringState) -> Verdict | None:
    """The verdict on the string's saddle; None until both notes were played. None to act on rests
    on what is likelier a touched harmonic: one more, pressed down, tells."""
    found = judge(
        known(log, string),
        tolerance_cents=string.tolerance_cents,
        sure=SURE_AT_LAST if log.step is Step.LAST_ROUND else SURE,
        turning=_turning(log, string),
        beside=_beside(log, string),
        most_takes=log.setup.most_takes,
        filed=log.setup.instrument.bridge.is_filed,
        reach_cents=Leverage(
            log.setup.instrument, string.number, log.setup.fret, string.moved_mm
        ).reach_cents(),
    )
    if found is None or not likely_touched(log, string):
        return found
    return replace(
        found, decision=Decision.TAKE_MORE, border=False, next_fretted=True, plucks_to_go=1.0
    )


def needs_a_check(log: Log, string: StringState) -> bool:
    """Whether a string that was left is to be checked once more, now that the person is known."""
    found = verdict(log, string)
    if found is None or found.p_within >= SURE_AT_LAST:
        return False
    return len(string.accepted) < log.setup.most_takes


def _turning(log: Log, string: StringState) -> Turning:
    """How surely this string's saddle goes where it is sent."""
    response = learned(log)
    per_mm = expected_change(
        -1.0, log.setup.instrument, string.number, fret=log.setup.fret, reversed_turn=False
    )
    share = math.hypot(TURNED_AS_TOLD, response.factor_u / response.factor)
    return Turning(share, abs(per_mm.centre) * response.slack_u_mm)


def planned(log: Log, string: StringState) -> Move | None:
    """The move that the takes call for; None where nothing is known.

    A saddle that cannot go quite so far goes to the end of its travel if what is then left is
    within the tolerance.
    """
    own, beside = known(log, string).offset, _beside(log, string)
    shown = weigh(log, string)
    if own is None or shown is None:
        return None
    offset = mean_of(own, *beside)
    return advise(
        replace(shown, belief=offset.belief),
        log.setup.instrument,
        string.number,
        response=learned(log),
        moved_mm=string.moved_mm,
        last_screw_mm=string.moves[-1].made_mm if string.moves else None,
    ).within_travel(offset.centre, string.tolerance_cents)
