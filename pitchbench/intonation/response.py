"""What this bridge really does, learned from every move that was measured before and after.

Geometry is the prior. Learned are two things that differ from bridge to bridge: a factor (how much
of the geometric change comes about: string stretch, break angle) and the slack of the screws (how
far one turns back before the saddle follows). A saddle that did not seat gives itself away by a
change that neither explains; it teaches nothing and is named.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.instrument import Instrument
from pitchbench.intonation import geometry
from pitchbench.intonation.bridge import LARGEST_OFFSET_CENTS, Move, move_of, setback_mm
from pitchbench.intonation.fit import fit_nonlinear
from pitchbench.intonation.offset import Group, Offset, student_quantile


@dataclass(frozen=True)
class Response:
    """What is believed of a bridge: means and standard uncertainties.

    ``factor`` is the effective saddle travel per millimetre of screw travel, 1 by geometry;
    ``slack_mm`` the screw travel that is lost when its direction is reversed; ``moves`` how many
    moves taught it.
    """

    factor: float
    factor_u: float
    slack_mm: float
    slack_u_mm: float
    moves: int = 0


#: Before any move: geometry, true to some per cent (measurement.md, section 3), and hardly any
#: slack where a spring or the string's pull takes it up (common practice, no source).
BY_GEOMETRY: Final = Response(factor=1.0, factor_u=0.06, slack_mm=0.04, slack_u_mm=0.06)

#: How well a screw is turned as told, 1 sigma, as a share of the move; common practice, no source.
TURNED_AS_TOLD: Final = 0.10

#: The same where the person says how far it really was: what is left is reading the screw.
TURNED_AS_SAID: Final = 0.03

#: A change this many standard deviations from what is expected is no matter of scatter.
NOT_SEATED_SIGMAS: Final = 4.0


#: Beliefs from before and after a move that lie farther apart than this are not of one saddle.
DISAGREE_SIGMAS: Final = 2.0

#: The 97.5 % point of the normal distribution, and degrees of freedom that are as good as normal.
_NORMAL_975: Final = 1.959964
_NORMAL_DOF: Final = 200.0


@dataclass(frozen=True)
class MadeMove:
    """One move with the readings around it.

    Parameters
    ----------
    string : number of the string.
    screw_mm : travel of the screw, or of the saddle where there is none; positive away from the
        nut: what was said, or else what was advised.
    said : whether the person said how far it was.
    before, after : the offsets, of the same fret.
    moved_before_mm : the saddle's travel until then, since the instrument's record was made.
    reversed : whether the screw had last been turned the other way; None if not known.
    """

    string: int
    screw_mm: float
    said: bool
    before: Offset
    after: Offset
    moved_before_mm: float = 0.0
    reversed: bool | None = None

    @property
    def change_cents(self) -> float:
        """How much flatter (negative) or sharper the fretted note became."""
        return self.after.offset_cents - self.before.offset_cents


@dataclass(frozen=True)
class Advice:
    """The next move, and where it is expected to end.

    ``expected_cents`` and ``interval95_cents`` describe the offset after the move;
    ``likely_gain_cents`` how much smaller the error is expected to become. ``worthwhile`` is False
    when that is less than a measurement repeats to: then leave it.
    """

    move: Move
    expected_cents: float
    interval95_cents: tuple[float, float]
    likely_gain_cents: float
    worthwhile: bool


def learn(
    made: Sequence[MadeMove], instrument: Instrument, *, start: Response = BY_GEOMETRY
) -> Response:
    """What the bridge does, from all measured moves on it (all strings pooled).

    A nonlinear weighted fit of the factor and the slack to the changes seen, ``start`` entering
    as two more observations; moves that did not seat are left out.
    """
    teaching = [move for move in made if not did_not_seat(move, instrument, start)]
    if not teaching:
        return start
    observed = [move.change_cents for move in teaching]
    u = [_change_u(move, instrument) for move in teaching]

    def model(values: NDArray[np.float64]) -> NDArray[np.float64]:
        changes = [_expected_change(move, instrument, *values) for move in teaching]
        return np.array([*changes, *values])

    fit = fit_nonlinear(
        model,
        [*observed, start.factor, start.slack_mm],
        (start.factor, start.slack_mm),
        [*u, start.factor_u, start.slack_u_mm],
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
    told = move.screw_mm - math.copysign(1.0, move.screw_mm) * _lost_mm(move, response.slack_mm)
    told_u = math.hypot(
        _turning_error(move) * move.screw_mm, response.slack_u_mm * _share_lost(move.reversed)
    )
    per_mm = _cents_per_mm(move, instrument) * response.factor
    heard = -move.change_cents / per_mm
    heard_u = math.hypot(move.before.u_cents, move.after.u_cents) / per_mm
    if told_u == 0.0:
        return told
    weight = told_u**2 / (told_u**2 + heard_u**2)
    return told + weight * (heard - told)


def advise(
    offset: Offset,
    instrument: Instrument,
    string: int,
    *,
    response: Response = BY_GEOMETRY,
    moved_mm: float = 0.0,
    last_screw_mm: float | None = None,
) -> Advice:
    """The move after which the expected squared error is least.

    Parameters
    ----------
    moved_mm : the saddle's travel since the instrument's record was made.
    last_screw_mm : how its screw was last turned (the sign counts); None if not known. Turning
        back, the slack is added to the turns, not to the saddle's travel.
    """
    where = _Place(offset.fret, instrument, string, moved_mm)
    full_mm = where.cancelling_mm(offset.offset_cents)
    # Turning by a share s of the full move leaves offset (1 - s f), f the uncertain factor with
    # turning error: the expected square is least at s = E f / E f^2.
    spread2 = response.factor_u**2 + (TURNED_AS_TOLD * response.factor) ** 2
    screw_mm = full_mm * response.factor / (response.factor**2 + spread2)
    saddle_mm = screw_mm * response.factor
    turning_back = last_screw_mm is not None and last_screw_mm * screw_mm < 0.0
    unsure_slack_mm = response.slack_u_mm * _share_lost(
        None if last_screw_mm is None else turning_back
    )
    remaining = offset.offset_cents + where.change_cents(saddle_mm)
    turned_u = abs(where.change_cents(saddle_mm)) * math.sqrt(spread2) / response.factor
    slack_u = abs(where.change_cents(unsure_slack_mm))
    after_u = math.hypot(offset.u_cents, turned_u, slack_u)
    half = max(1.96 * after_u, 0.0)
    gain = _mean_size(offset.offset_cents, offset.u_cents) - _mean_size(remaining, after_u)
    ends = [where.cancelling_mm(c) * screw_mm / full_mm if full_mm else 0.0
            for c in offset.interval95_cents]  # fmt: skip
    move = move_of(screw_mm, (ends[0], ends[1]), instrument.bridge, string, moved_mm=moved_mm)
    if turning_back and move.turns is not None and instrument.bridge.screw_pitch_mm:
        slack_turns = geometry.turns(
            response.slack_mm, screw_pitch_mm=instrument.bridge.screw_pitch_mm
        )
        move = replace(move, turns=move.turns + slack_turns)
    return Advice(
        move=move,
        expected_cents=remaining,
        interval95_cents=(remaining - half, remaining + half),
        likely_gain_cents=gain,
        worthwhile=gain > offset.u_cents,
    )


def advise_shared(
    offsets: tuple[Offset, Offset],
    instrument: Instrument,
    strings: tuple[int, int],
    *,
    response: Response = BY_GEOMETRY,
    moved_mm: float = 0.0,
    last_screw_mm: float | None = None,
) -> tuple[Advice, Advice]:
    """The best compromise for two strings on one saddle: one move, and where each string ends.

    The sum of the two squared errors is least at the mean of the two strings' own moves, since
    both have the same leverage. Both strings' advice carries the same move.
    """
    each = [
        advise(o, instrument, s, response=response, moved_mm=moved_mm, last_screw_mm=last_screw_mm)
        for o, s in zip(offsets, strings, strict=True)
    ]
    shared_mm = (each[0].move.signed_mm + each[1].move.signed_mm) / 2.0
    found = []
    for advice, offset, string in zip(each, offsets, strings, strict=True):
        where = _Place(offset.fret, instrument, string, moved_mm)
        remaining = offset.offset_cents + where.change_cents(shared_mm * response.factor)
        shift = remaining - advice.expected_cents
        ends = sorted(
            shared_mm + (end - advice.move.mm) * (1 if advice.move.signed_mm >= 0 else -1)
            for end in advice.move.interval95_mm
        )
        move = move_of(shared_mm, (ends[0], ends[1]), instrument.bridge, string, moved_mm=moved_mm)
        u = (advice.interval95_cents[1] - advice.expected_cents) / 1.96
        gain = _mean_size(offset.offset_cents, offset.u_cents) - _mean_size(remaining, u)
        found.append(
            Advice(
                move,
                remaining,
                (advice.interval95_cents[0] + shift, advice.interval95_cents[1] + shift),
                gain,
                worthwhile=False,
            )
        )
    # One saddle, one answer: worth it when the two strings together gain more than they repeat to.
    together = sum(advice.likely_gain_cents for advice in found)
    worthwhile = together > math.hypot(*(offset.u_cents for offset in offsets))
    first, second = (replace(advice, worthwhile=worthwhile) for advice in found)
    return first, second


def carried_over(
    before: Offset,
    instrument: Instrument,
    string: int,
    screw_mm: float,
    *,
    response: Response = BY_GEOMETRY,
    said: bool = False,
    moved_before_mm: float = 0.0,
) -> Offset:
    """What the takes from before a move say of the offset after it.

    The expected change is added, and to the uncertainty what is not known of it: how well the
    screw was turned, the bridge's factor and slack. Pitches and counts stay those of before.
    """
    place = _Place(before.fret, instrument, string, moved_before_mm)
    change = place.change_cents(screw_mm * response.factor)
    turned = TURNED_AS_SAID if said else TURNED_AS_TOLD
    unsure = math.hypot(
        change * turned,
        change * response.factor_u / response.factor,
        place.change_cents(response.slack_mm + response.slack_u_mm) * _share_lost(None),
    )
    scale = math.hypot(before.scale_cents, unsure)
    # Welch and Satterthwaite; what is unsure of the move is known well enough to be normal.
    dof = before.dof * (scale / before.scale_cents) ** 4 if before.scale_cents else _NORMAL_DOF
    return _believed(before, before.offset_cents + change, scale, min(dof, _NORMAL_DOF))


def combined(now: Offset, carried: Offset) -> Offset:
    """The offset from present takes and what was carried over from before the move, together.

    The two are weighted by their 95 % intervals. Where they disagree by more than both explain
    (a saddle that did not seat, a screw turned otherwise than told), only the present counts.
    """
    u_now, u_carried = _interval_u(now), _interval_u(carried)
    apart = abs(now.offset_cents - carried.offset_cents)
    if u_now == 0.0 or u_carried == 0.0 or apart > DISAGREE_SIGMAS * math.hypot(u_now, u_carried):
        return now
    weight = u_carried**2 / (u_now**2 + u_carried**2)
    centre = carried.offset_cents + weight * (now.offset_cents - carried.offset_cents)
    u = u_now * u_carried / math.hypot(u_now, u_carried)
    dof = min(now.dof + carried.dof, _NORMAL_DOF)
    groups = replace(
        now,
        open=_together(now.open, carried.open),
        fretted=_together(now.fretted, carried.fretted),
    )
    return _believed(groups, centre, u * _NORMAL_975 / student_quantile(0.975, dof), dof)


def what_happened(
    move: MadeMove, instrument: Instrument, response: Response, *, tolerance_cents: float
) -> str:
    """What a measured move shows, in a sentence; empty when it went as expected."""
    before, after = move.before.offset_cents, move.after.offset_cents
    if did_not_seat(move, instrument, response):
        return (
            f"String {move.string} changed by {move.change_cents:+.1f} cents, not as the screw was "
            "turned: press the string down at the saddle so that it seats, tune and measure again."
        )
    if before * after < 0.0 and abs(after) - 2.0 * move.after.u_cents > tolerance_cents:
        return (
            f"String {move.string} went too far: it was {before:+.1f} cents and is {after:+.1f}; "
            "go back part of the way."
        )
    return ""


def _believed(like: Offset, centre: float, scale: float, dof: float) -> Offset:
    """``like`` with another belief of the offset."""
    half = scale * student_quantile(0.975, dof)
    return replace(
        like,
        offset_cents=centre,
        u_cents=scale * student_quantile(0.841345, dof),
        interval95_cents=(centre - half, centre + half),
        scale_cents=scale,
        dof=dof,
    )


def _interval_u(offset: Offset) -> float:
    """The standard deviation of the normal distribution with the same 95 % interval."""
    return offset.scale_cents * student_quantile(0.975, offset.dof) / _NORMAL_975


def _together(now: Group, earlier: Group) -> Group:
    """Takes of the same note before and after a move: the present pitch, all takes counted."""
    squares = sum((g.n - 1) * (g.spread_cents or 0.0) ** 2 for g in (now, earlier))
    dof = now.n + earlier.n - 2
    return Group(now.n + earlier.n, now.mean_hz, math.sqrt(squares / dof) if dof > 0 else None)


@dataclass(frozen=True)
class _Place:
    """Where on which string the offset is measured: all that geometry asks for."""

    fret: int
    instrument: Instrument
    string: int
    moved_mm: float

    def change_cents(self, move_mm: float) -> float:
        return geometry.saddle_change_cents(
            move_mm,
            fret=self.fret,
            scale_mm=self.instrument.scale_mm,
            setback_mm=setback_mm(self.instrument, self.string) + self.moved_mm,
        )

    def cancelling_mm(self, cents: float) -> float:
        return geometry.saddle_move_mm(
            max(-LARGEST_OFFSET_CENTS, min(LARGEST_OFFSET_CENTS, cents)),
            fret=self.fret,
            scale_mm=self.instrument.scale_mm,
            setback_mm=setback_mm(self.instrument, self.string) + self.moved_mm,
        )


def _place(move: MadeMove, instrument: Instrument) -> _Place:
    return _Place(move.before.fret, instrument, move.string, move.moved_before_mm)


def _expected_change(
    move: MadeMove, instrument: Instrument, factor: float, slack_mm: float
) -> float:
    lost = math.copysign(_lost_mm(move, slack_mm), move.screw_mm)
    return _place(move, instrument).change_cents(factor * (move.screw_mm - lost))


def _lost_mm(move: MadeMove, slack_mm: float) -> float:
    return min(abs(move.screw_mm), max(0.0, slack_mm) * _share_lost(move.reversed))


def _share_lost(reversed_turn: bool | None) -> float:
    """How much of the slack is lost: all when turning back, half of it when that is not known."""
    return 0.5 if reversed_turn is None else float(reversed_turn)


def _cents_per_mm(move: MadeMove, instrument: Instrument) -> float:
    """Leverage, positive: how many cents flatter for a millimetre away from the nut."""
    place = _place(move, instrument)
    return place.change_cents(-0.5) - place.change_cents(0.5)


def _turning_error(move: MadeMove) -> float:
    return TURNED_AS_SAID if move.said else TURNED_AS_TOLD


def _change_u(move: MadeMove, instrument: Instrument) -> float:
    """Standard uncertainty of a change: both offsets', and how well the screw was turned."""
    turned = _turning_error(move) * _place(move, instrument).change_cents(move.screw_mm)
    return math.hypot(move.before.u_cents, move.after.u_cents, turned)


def _mean_size(centre: float, u: float) -> float:
    """Expected |x| of a normal x: the folded normal distribution's mean."""
    if u == 0.0:
        return abs(centre)
    z = centre / u
    return u * math.sqrt(2.0 / math.pi) * math.exp(-z * z / 2.0) + centre * math.erf(
        z / math.sqrt(2.0)
    )
