"""The response of a real bridge, learned from every move that was measured before and after.

Geometry is the prior. Learned are two things that differ from bridge to bridge: a factor (how much
of the geometric change comes about: string stretch, break angle) and the slack of the screws (how
far one turns back before the saddle follows). A saddle that did not seat gives itself away by a
change that neither explains; it teaches nothing and is named.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from pitchbench.belief import Belief
from pitchbench.instrument import Instrument
from pitchbench.intonation.bridge import Leverage, Move, curable
from pitchbench.intonation.fit import fit_linear
from pitchbench.intonation.offset import Offset


@dataclass(frozen=True)
class Response:
    """The belief about a bridge: means and standard uncertainties.

    ``factor`` is the effective saddle travel per millimetre of screw travel, 1 by geometry;
    ``slack_mm`` the saddle travel that is lost when the screw's direction is reversed; ``moves``
    how many moves taught it.
    """

    factor: float
    factor_u: float
    slack_mm: float
    slack_u_mm: float
    moves: int = 0


#: Before any move: geometry, true to some per cent (docs/definitions.md, section 3), and hardly
#: any slack where a spring or the string's pull takes it up (common practice, no source).
BY_GEOMETRY: Final = Response(factor=1.0, factor_u=0.06, slack_mm=0.04, slack_u_mm=0.06)

#: How well a screw is turned as told, 1 sigma, as a share of the move; common practice, no source.
TURNED_AS_TOLD: Final = 0.10

#: The same where the person says how far it really was: what is left is reading the screw.
TURNED_AS_SAID: Final = 0.03

#: A change this many standard deviations from what is expected is no matter of scatter.
NOT_SEATED_SIGMAS: Final = 4.0


@dataclass(frozen=True)
class MadeMove:
    """One move with the readings around it.

    Parameters
    ----------
    string : number of the string.
    screw_mm : travel of the screw, or of the saddle where there is none; positive away from the
        nut: what was said, or else what was advised.
    said : whether the person said how far it was.
    fret : where the offsets were compared.
    before, after : the offsets in cents.
    moved_before_mm : the saddle's travel until then, since the instrument's record was made.
    reversed : whether the screw had last been turned the other way; None if not known.
    other_way : whether ``screw_mm`` is known to be the other way than advised.
    """

    string: int
    screw_mm: float
    said: bool
    fret: int
    before: Belief
    after: Belief
    moved_before_mm: float = 0.0
    reversed: bool | None = None
    other_way: bool = False

    @property
    def change_cents(self) -> float:
        """How much flatter (negative) or sharper the fretted note became."""
        return self.after.centre - self.before.centre


class Effect(StrEnum):
    """The effect of a move, compared with what it should have been."""

    AS_EXPECTED = "as expected"
    OTHER_WAY = "the other way"
    WORSE = "worse"
    LITTLE = "little"
    NOT_SEATED = "not seated"
    TOO_FAR = "too far"


def learn(
    made: Sequence[MadeMove], instrument: Instrument, *, start: Response = BY_GEOMETRY
) -> Response:
    """What the bridge does, from all measured moves on it (all strings pooled).

    A weighted fit of the factor and the slack to the changes seen, ``start`` entering as two more
    observations; moves that did not seat are left out.
    """
    teaching = [move for move in made if not did_not_seat(move, instrument, start)]
    if not teaching:
        return start
    per_mm = [-_cents_per_mm(move, instrument) for move in teaching]
    rows = [
        (cents * move.screw_mm, -cents * math.copysign(_share_lost(move.reversed), move.screw_mm))
        for cents, move in zip(per_mm, teaching, strict=True)
    ]
    fit = fit_linear(
        [*rows, (1.0, 0.0), (0.0, 1.0)],
        [*(move.change_cents for move in teaching), start.factor, start.slack_mm],
        [*(_change_u(move, instrument) for move in teaching), start.factor_u, start.slack_u_mm],
    )
    factor, slack = (float(value) for value in fit.values)
    factor_u, slack_u = (float(value) for value in fit.u)
    return Response(factor, factor_u, max(0.0, slack), slack_u, start.moves + len(teaching))


def did_not_seat(move: MadeMove, instrument: Instrument, response: Response) -> bool:
    """Whether the change is beyond what scatter, the screw and the belief allow for."""
    expected = _expected_change(move, instrument, response.factor, response.slack_mm)
    per_mm = _cents_per_mm(move, instrument)
    allowed = math.hypot(
        _change_u(move, instrument),
        expected * response.factor_u,
        per_mm * response.slack_u_mm * _share_lost(move.reversed),
    )
    return abs(move.change_cents - expected) > NOT_SEATED_SIGMAS * allowed


def inferred_mm(move: MadeMove, instrument: Instrument, response: Response) -> float:
    """How far the saddle really went, from what was told and from what was heard.

    The two are weighted by their uncertainties, so a vague measurement leaves what was told.
    """
    told = _travel_mm(move.screw_mm, response.factor, response.slack_mm, move.reversed)
    told_u = math.hypot(
        _turning_error(move) * move.screw_mm, response.slack_u_mm * _share_lost(move.reversed)
    )
    per_mm = _cents_per_mm(move, instrument)
    heard = -move.change_cents / per_mm
    heard_u = math.hypot(move.before.u, move.after.u) / per_mm
    if told_u == 0.0:
        return told
    weight = told_u**2 / (told_u**2 + heard_u**2)
    return told + weight * (heard - told)


def fell_short_mm(move: MadeMove, instrument: Instrument) -> Belief:
    """How much less far than told the saddle went, by what was heard; negative if farther."""
    per_mm = _cents_per_mm(move, instrument)
    heard_mm = math.copysign(move.change_cents / per_mm, -move.change_cents * move.screw_mm)
    told_u_mm = _turning_error(move) * move.screw_mm
    u_mm = math.hypot(move.before.u / per_mm, move.after.u / per_mm, told_u_mm)
    return Belief.normal(abs(move.screw_mm) - heard_mm, u_mm)


def advise(
    offset: Offset,
    instrument: Instrument,
    string: int,
    *,
    response: Response = BY_GEOMETRY,
    moved_mm: float = 0.0,
    last_screw_mm: float | None = None,
) -> Move:
    """The move after which the expected squared error is least, or what of it may be filed
    (`Move.short_of_the_mark`).

    Parameters
    ----------
    moved_mm : the saddle's travel since the instrument's record was made.
    last_screw_mm : how its screw was last turned (the sign counts); None if not known. Turning
        back, the slack is added to the turns, not to the saddle's travel.
    """
    leverage = Leverage(instrument, string, offset.fret, moved_mm)
    # Turning by a share s of the full move leaves offset (1 - s f), f the uncertain factor with
    # turning error: the expected square is least at s = E f / E f^2.
    spread2 = response.factor_u**2 + (TURNED_AS_TOLD * response.factor) ** 2
    share = response.factor / (response.factor**2 + spread2)
    mm, low, high = (
        share * leverage.cancelling_mm(curable(cents))
        for cents in (offset.offset_cents, *offset.interval95_cents)
    )
    reversed_turn = None if last_screw_mm is None else last_screw_mm * mm < 0.0
    slack = reversed_turn and instrument.bridge.screw_pitch_mm
    move = Move(
        string,
        mm,
        (low, high),
        instrument.bridge,
        moved_mm=moved_mm,
        slack_mm=response.slack_mm / response.factor if slack else 0.0,
    ).short_of_the_mark
    change = expected_change(
        move.screw_mm,
        instrument,
        string,
        fret=offset.fret,
        response=response,
        moved_before_mm=moved_mm,
        reversed_turn=reversed_turn,
    )
    after = Belief.normal(offset.offset_cents + change.centre, math.hypot(offset.u_cents, change.u))
    return replace(move, ends95_cents=after.interval())


def expected_change(
    screw_mm: float,
    instrument: Instrument,
    string: int,
    *,
    fret: int,
    response: Response = BY_GEOMETRY,
    said: bool = False,
    moved_before_mm: float = 0.0,
    reversed_turn: bool | None = None,
) -> Belief:
    """By how many cents a move should change the offset at ``fret``.

    Unsure of it is how well the screw was turned, and the bridge's factor and slack.
    """
    leverage = Leverage(instrument, string, fret, moved_before_mm)
    travel_mm = _travel_mm(screw_mm, response.factor, response.slack_mm, reversed_turn)
    change = leverage.change_cents(travel_mm)
    unsure = math.hypot(
        change * (TURNED_AS_SAID if said else TURNED_AS_TOLD),
        change * response.factor_u / response.factor,
        leverage.change_cents(_slack_u_mm(response, reversed_turn)),
    )
    return Belief.normal(change, unsure)


def effect(
    move: MadeMove, instrument: Instrument, response: Response, *, tolerance_cents: float
) -> Effect:
    """What a measured move did, as far as the takes can tell."""
    expected = _expected_change(move, instrument, response.factor, response.slack_mm)
    noise = 2.0 * math.hypot(move.before.u, move.after.u)
    if abs(move.change_cents - expected) > max(noise, 0.5 * abs(expected)):
        if move.change_cents * expected < 0.0 and abs(move.change_cents) > noise:
            other_way = not did_not_seat(_turned_round(move), instrument, response)
            return Effect.OTHER_WAY if other_way else Effect.WORSE
        if abs(move.change_cents) <= noise:
            return Effect.LITTLE
    if did_not_seat(move, instrument, response):
        return Effect.NOT_SEATED
    before, after = move.before.centre, move.after.centre
    if before * after < 0.0 and abs(after) - 2.0 * move.after.u > tolerance_cents:
        return Effect.TOO_FAR
    return Effect.AS_EXPECTED


def _turned_round(move: MadeMove) -> MadeMove:
    """The same move, had its screw been turned the other way."""
    back = None if move.reversed is None else not move.reversed
    return replace(move, screw_mm=-move.screw_mm, reversed=back)


def _leverage(move: MadeMove, instrument: Instrument) -> Leverage:
    return Leverage(instrument, move.string, move.fret, move.moved_before_mm)


def _expected_change(
    move: MadeMove, instrument: Instrument, factor: float, slack_mm: float
) -> float:
    travel_mm = _travel_mm(move.screw_mm, factor, slack_mm, move.reversed)
    return _leverage(move, instrument).change_cents(travel_mm)


def _travel_mm(
    screw_mm: float, factor: float, slack_mm: float, reversed_turn: bool | None
) -> float:
    """How far the saddle goes for a travel of the screw."""
    lost_mm = max(0.0, slack_mm) * _share_lost(reversed_turn)
    return math.copysign(max(0.0, factor * abs(screw_mm) - lost_mm), screw_mm)


def _share_lost(reversed_turn: bool | None) -> float:
    """How much of the slack is lost: all when turning back, half of it when that is not known."""
    return 0.5 if reversed_turn is None else float(reversed_turn)


def _slack_u_mm(response: Response, reversed_turn: bool | None) -> float:
    """How unsure the lost travel is; not knowing whether the turn was reversed adds to it."""
    if reversed_turn is None:
        return math.hypot(response.slack_u_mm, response.slack_mm) / 2.0
    return response.slack_u_mm if reversed_turn else 0.0


def _cents_per_mm(move: MadeMove, instrument: Instrument) -> float:
    """Leverage, positive: how many cents flatter for a millimetre away from the nut."""
    leverage = _leverage(move, instrument)
    return leverage.change_cents(-0.5) - leverage.change_cents(0.5)


def _turning_error(move: MadeMove) -> float:
    return TURNED_AS_SAID if move.said else TURNED_AS_TOLD


def _change_u(move: MadeMove, instrument: Instrument) -> float:
    """Standard uncertainty of a change: both offsets', and how well the screw was turned."""
    turned = _turning_error(move) * _leverage(move, instrument).change_cents(move.screw_mm)
    return math.hypot(move.before.u, move.after.u, turned)
