"""How far takes of the same note spread, within one player and between players.

Repeatability and reproducibility are those of ISO 5725-2 (basic method, 7.4): players stand in for
its laboratories, notes for its levels, takes for its test results.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np
import scipy  # its parts load when first used
from numpy.typing import NDArray

from pitchbench.belief import COVERAGE, Belief, student_quantile

#: An effect is named if it would arise by chance less than once in twenty times.
SIGNIFICANCE: Final = 0.05

#: Fewer degrees of freedom than this tell nothing of a slope.
_LEAST_SLOPE_DOF: Final = 3

#: Attacks that spread by less than this are alike: a slope through them would rest on how well an
#: attack can be measured. Our choice.
_LEAST_ATTACK_SD_CENTS: Final = 0.5

#: Nobody plays one note more often than this.
MOST_TAKES: Final = 500


@dataclass(frozen=True)
class Played:
    """One accepted take.

    Parameters
    ----------
    player : who played it.
    note : which note, by any name that tells it from the others.
    fretted : whether a finger stopped it.
    cents : settled pitch above any origin that is the same for all takes of the note.
    attack_cents : how sharp the attack was, which says how hard the pluck was.
    """

    player: str
    note: str
    fretted: bool
    cents: float
    attack_cents: float


@dataclass(frozen=True)
class Precision:
    """Precision after ISO 5725-2 of the takes of one note, or of several pooled.

    Parameters
    ----------
    takes, players : how many there are.
    mean : of all takes.
    repeatability_sd : s_r, between takes of one player; None if nobody played twice.
    dof : degrees of freedom of s_r.
    between_sd : s_L, between the players' own means; None for one player.
    reproducibility_sd : s_R, between single takes of different players; None for one player.
    """

    takes: int
    players: int
    mean: float
    repeatability_sd: float | None
    dof: int
    between_sd: float | None
    reproducibility_sd: float | None


@dataclass(frozen=True)
class Spread:
    """A standard deviation between takes, pooled over players and notes, with its 95 % interval."""

    cents: float
    dof: int
    interval95_cents: tuple[float, float]


@dataclass(frozen=True)
class Plucking:
    """The effect of plucking harder on the settled pitch.

    ``slope`` is in cents of settled pitch per cent of attack sharpness, ``u_slope`` its standard
    uncertainty; ``cost_cents`` is the standard deviation that uneven plucking alone gives the
    takes; ``significant`` whether the slope could hardly be chance.
    """

    slope: float
    u_slope: float
    attack_sd_cents: float
    cost_cents: float
    significant: bool


class Habit(StrEnum):
    """The habit that costs a player most."""

    FRETTING = "fretting"
    PLUCKING = "plucking"
    NEITHER = "neither_stands_out"
    UNKNOWN = "not_enough_takes"


@dataclass(frozen=True)
class Study:
    """All that the takes say.

    Parameters
    ----------
    notes : precision per note, by name, in the order in which they first appear.
    players : each player's own spread over all notes; None where nobody could tell.
    open, fretted : spread between takes of open and of fretted notes; None without two of a kind.
    refretting_cents : what fretting adds to the spread of an open string, in quadrature, when what
        uneven plucking did has been taken off; 0 where the fretted takes spread no more; None where
        either is not known.
    refretting_significant : whether fretted takes surely spread more than open ones.
    plucking : None where there are too few takes, or no attack is known.
    habit : which habit costs most.
    """

    notes: Mapping[str, Precision]
    players: Mapping[str, Spread | None]
    open: Spread | None
    fretted: Spread | None
    refretting_cents: float | None
    refretting_significant: bool
    plucking: Plucking | None
    habit: Habit


def precision(groups: Sequence[Sequence[float]]) -> Precision:
    """Repeatability and reproducibility of one level, one sequence of results per player.

    s_r^2 = sum (n_i - 1) s_i^2 / sum (n_i - 1); s_L^2 = (s_d^2 - s_r^2) / n, not below zero, with
    s_d^2 = sum n_i (y_i - y)^2 / (p - 1) and n = (N - sum n_i^2 / N) / (p - 1); s_R^2 = s_r^2 +
    s_L^2 (ISO 5725-2:1994, 7.4.5).

    Raises
    ------
    ValueError
        If there is no result at all.
    """
    held = [np.asarray(group, dtype=np.float64) for group in groups if len(group)]
    if not held:
        raise ValueError("no results")
    count = np.array([len(group) for group in held])
    means = np.array([group.mean() for group in held])
    total, players = int(count.sum()), len(held)
    mean = float(count @ means / total)
    dof = total - players
    if dof == 0:
        return Precision(total, players, mean, None, 0, None, None)
    within = sum(float(np.sum(np.square(group - group.mean()))) for group in held) / dof
    if players == 1:
        return Precision(total, 1, mean, math.sqrt(within), dof, None, None)
    size = (total - float(count @ count) / total) / (players - 1)
    across = float(count @ np.square(means - mean)) / (players - 1)
    between = max(0.0, (across - within) / size)
    return Precision(
        takes=total,
        players=players,
        mean=mean,
        repeatability_sd=math.sqrt(within),
        dof=dof,
        between_sd=math.sqrt(between),
        reproducibility_sd=math.sqrt(within + between),
    )


def study(takes: Sequence[Played]) -> Study:
    """Everything that a set of takes says about who played them."""
    notes = _unique(take.note for take in takes)
    players = _unique(take.player for take in takes)
    opens = spread([take for take in takes if not take.fretted])
    fretted = spread([take for take in takes if take.fretted])
    plucking = plucking_effect(takes)
    evenly = _plucked_evenly(takes, plucking)
    even_opens = spread([take for take in evenly if not take.fretted])
    even_fretted = spread([take for take in evenly if take.fretted])
    refretting = _refretting_cents(even_opens, even_fretted)
    surely = _surely_more(even_fretted, even_opens)
    return Study(
        notes={
            note: precision(
                [[t.cents for t in takes if (t.note, t.player) == (note, p)] for p in players]
            )
            for note in notes
        },
        players={p: spread([take for take in takes if take.player == p]) for p in players},
        open=opens,
        fretted=fretted,
        refretting_cents=refretting,
        refretting_significant=surely,
        plucking=plucking,
        habit=_habit(refretting, surely, plucking),
    )


def spread(takes: Sequence[Played]) -> Spread | None:
    """Pooled standard deviation about each player's mean of each note; None without two of one.

    The interval is that of the variance of normal takes: dof s^2 / chi^2.
    """
    residuals, dof = _residuals(takes, [take.cents for take in takes])
    if dof <= 0:
        return None
    squares = float(residuals @ residuals)
    low, high = (squares / _chi2_quantile(p, dof) for p in ((1 + COVERAGE) / 2, (1 - COVERAGE) / 2))
    return Spread(math.sqrt(squares / dof), dof, (math.sqrt(low), math.sqrt(high)))


def plucking_effect(takes: Sequence[Played]) -> Plucking | None:
    """Settled pitch against attack sharpness, both from each player's mean of each note.

    A straight line through all of them by least squares; None where fewer than three degrees of
    freedom are left, or all attacks are alike (within half a cent, one standard deviation).
    """
    cents, dof = _residuals(takes, [take.cents for take in takes])
    attack, _ = _residuals(takes, [take.attack_cents for take in takes])
    leverage = float(attack @ attack)
    if dof - 1 < _LEAST_SLOPE_DOF or leverage < dof * _LEAST_ATTACK_SD_CENTS**2:
        return None
    slope = float(attack @ cents) / leverage
    left = cents - slope * attack
    u_slope = math.sqrt(float(left @ left) / (dof - 1) / leverage)
    attack_sd = math.sqrt(leverage / dof)
    return Plucking(
        slope=slope,
        u_slope=u_slope,
        attack_sd_cents=attack_sd,
        cost_cents=abs(slope) * attack_sd,
        significant=abs(slope) > u_slope * student_quantile(1.0 - SIGNIFICANCE / 2.0, dof - 1),
    )


def takes_needed(spread_cents: float, half_width_cents: float) -> int | None:
    """How many takes of one note bring the 95 % interval of their mean within the half-width.

    The least n from 2 on with t(n - 1) s / sqrt(n) <= half-width, s found anew from those
    takes, as `pitchbench offset` does; None above `MOST_TAKES`.
    """
    for n in range(2, MOST_TAKES + 1):
        if Belief(0.0, spread_cents / math.sqrt(n), n - 1).half() <= half_width_cents:
            return n
    return None


def _residuals(
    takes: Sequence[Played], numbers: Sequence[float]
) -> tuple[NDArray[np.float64], int]:
    """``numbers``, one per take, from the mean of their player and note; degrees of freedom."""
    values = np.array(numbers, dtype=np.float64)
    cells: dict[tuple[str, str], list[int]] = {}
    for place, take in enumerate(takes):
        cells.setdefault((take.player, take.note), []).append(place)
    for places in cells.values():
        values[places] -= values[places].mean()
    return values, len(takes) - len(cells)


def _plucked_evenly(takes: Sequence[Played], plucking: Plucking | None) -> Sequence[Played]:
    """The takes as they would have been with attacks all alike; as they are where that is chance.

    Otherwise uneven plucking of the fretted notes would pass for uneven fretting.
    """
    if plucking is None or not plucking.significant:
        return takes
    return [replace(take, cents=take.cents - plucking.slope * take.attack_cents) for take in takes]


def _refretting_cents(opens: Spread | None, fretted: Spread | None) -> float | None:
    if opens is None or fretted is None:
        return None
    return math.sqrt(max(0.0, fretted.cents**2 - opens.cents**2))


def _surely_more(one: Spread | None, other: Spread | None) -> bool:
    """Whether the first variance is the larger by an F test at `SIGNIFICANCE`, one-sided."""
    if one is None or other is None or one.cents == 0.0:
        return False
    ratio = (other.cents / one.cents) ** 2
    # P(F(dof one, dof other) >= one^2 / other^2) by the incomplete beta function.
    x = one.dof / (one.dof + other.dof * ratio)
    chance = 1.0 - float(scipy.special.betainc(one.dof / 2.0, other.dof / 2.0, x))
    return chance < SIGNIFICANCE


def _habit(refretting: float | None, surely: bool, plucking: Plucking | None) -> Habit:
    fretting_cost = refretting if surely and refretting is not None else 0.0
    plucking_cost = plucking.cost_cents if plucking is not None and plucking.significant else 0.0
    if fretting_cost == plucking_cost == 0.0:
        return Habit.UNKNOWN if refretting is None and plucking is None else Habit.NEITHER
    return Habit.FRETTING if fretting_cost >= plucking_cost else Habit.PLUCKING


def _chi2_quantile(p: float, dof: int) -> float:
    return float(scipy.special.chdtri(dof, 1.0 - p))


def _unique(names: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(names))
