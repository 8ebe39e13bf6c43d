"""What is known of a string's offset, take by take: a density over offsets and over habits.

How far apart one person's takes lie is as unknown as the offset itself, and no take says which of
the two it speaks of. So both are kept together: for every offset on a grid and every way of
playing on another (how much takes scatter, how much each follows the last), how likely the takes
are that were heard. What all strings say of the way of playing belongs to the person, and is
carried from string to string and on to the next day.

Everything is a fold over what happened, in order: `begin`, then `after_take`, `after_tuning` and
`after_move`. With m the fretted note's pitch and o the open one's, both in cents from where they
should be, the offset is x = m - o. The fretted takes of one tuning make a likelihood of m; the
open ones say where o lies, and blur the likelihood by how well they say it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, reduce
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.belief import Belief
from pitchbench.intonation.take import Take
from pitchbench.units import cents_between

#: Floats with the axes (spread, dependence, offset), or the first two of them.
Grid = NDArray[np.float64]

#: The grid of offsets: steps finer than any string is known after 24 takes, and wide enough for
#: the first take to lie four times the largest spread from the truth. A quick number for the FFT.
STEP_CENTS: Final = 0.25
POINTS: Final = 192
_HALF_WIDTH_CENTS: Final = STEP_CENTS * POINTS / 2.0
_STEPS: Final = np.asarray((np.arange(POINTS) - POINTS // 2) * STEP_CENTS, dtype=np.float64)

#: Spread of fretted takes, cents. About 2 is what players do (Mottola: 10 players x 20 notes on a
#: steel-string guitar, his abstract): median 1.8, and for two players in three within a factor
#: 1.65 of it (log sd 0.5). The grid reaches from a third of the median to over three times it.
SPREADS_CENTS: Final = np.geomspace(0.4, 6.0, 9)
_SPREAD_MEDIAN_CENTS: Final = 1.8

#: How much the same person's spread differs from string to string, as a log sd: wound and plain
#: strings are not fretted alike (common practice, no source).
_BETWEEN_STRINGS_LOG_SD: Final = 0.1

#: Correlation of a fretted take with the one before it. A hand that stays where it was repeats
#: its own error; most lift it.
DEPENDENCE: Final = np.array([0.0, 0.5])

#: Share of fretted takes that are bent sharp: one in sixteen (own judgement, no source).
BENT_SHARE: Final = 1.0 / 16.0

#: A string pushed aside while it is fretted sounds sharp by this much, every value alike: less is
#: within any spread, more is heard by the player (own judgement, no source).
_BENT_CENTS: Final = (1.0, 15.0)

#: Takes that nothing explains (another note, a knock), anywhere on the grid.
_STRAY_SHARE: Final = 0.002

#: Open plucks scatter by this much (own judgement, no source) until four takes say otherwise.
OPEN_TYPICAL_CENTS: Final = 0.6
_OPEN_TYPICAL_DOF: Final = 4.0

#: From one day to the next one hand in ten is another: other strings, another guitar, a person
#: called by the wrong name; and its open scatter is worth no more than eight takes (own judgement,
#: no source).
_CHANGED_HAND: Final = 0.1
_MOST_OPEN_DOF: Final = 8.0

#: Drift of a string that is played, sd: half a kelvin a minute of a warm hand on a low E, 3.9 cents
#: per kelvin (derived from its steel alone).
_DRIFT_CENTS_PER_MIN: Final = 2.0

#: Where saddles are found: within about 8 cents, some much farther (own judgement, no source).
#: Student's t with three degrees of freedom.
_FOUND_CENTS: Final = 8.0

#: Share of moves that go wrong: the wrong way, the wrong saddle, a saddle that did not seat. Where
#: they end is anybody's guess between no move at all and the whole of it the wrong way.
WENT_WRONG: Final = 0.04

#: Share of tunings before which something was changed unsaid: a saddle touched, a floating bridge
#: that the work on the other strings has shifted (own judgement, no source). Without it takes that
#: all disagree with what was known would each have to be bent.
_CHANGED_UNSAID: Final = 0.01

#: Logistic function for the normal distribution's: largest error 0.01 with this factor.
_LOGISTIC: Final = 1.702

_HABITS: Final = (SPREADS_CENTS.size, DEPENDENCE.size)


def _between_strings() -> NDArray[np.float64]:
    """Chance that a string of a person with one spread (row) is played with another (column)."""
    apart = np.log(SPREADS_CENTS[:, None] / SPREADS_CENTS[None, :]) / _BETWEEN_STRINGS_LOG_SD
    weights = np.exp(-(apart**2) / 2.0)
    return np.asarray(weights / weights.sum(1, keepdims=True))


_OTHER_STRING: Final = _between_strings()


@dataclass(frozen=True, eq=False)
class Density:
    """A belief that has no simple shape: probabilities of ``cents`` on an even grid."""

    cents: NDArray[np.float64]
    p: NDArray[np.float64]

    @property
    def centre(self) -> float:
        """The median."""
        return self.quantile(0.5)

    @cached_property
    def belief(self) -> Belief:
        """The Student distribution with this median and these 68.27 % and 95 % intervals."""
        low, high = self.interval()
        return Belief.matching(self.centre, u=self.u, half95=(high - low) / 2.0)

    @property
    def u(self) -> float:
        """Standard uncertainty: half the 68.27 % interval, so far tails weigh as little as they
        are likely."""
        low, high = self.interval(0.6827)
        return (high - low) / 2.0

    def interval(self, p: float = 0.95) -> tuple[float, float]:
        """The interval that leaves as much on either side."""
        return self.quantile((1.0 - p) / 2.0), self.quantile((1.0 + p) / 2.0)

    def within(self, low: float, high: float) -> float:
        """Probability between two bounds."""
        edges, below = self._cumulative
        at_low, at_high = np.interp((low, high), edges, below)
        return float(at_high - at_low)

    def quantile(self, p: float) -> float:
        """The value that lies above with probability 1 - p."""
        edges, below = self._cumulative
        return float(np.interp(p, below, edges))

    def moved(self, change_cents: float, u_cents: float) -> Density:
        """The belief after a move that changes it by ``change_cents``, give or take ``u_cents``,
        if nothing goes wrong."""
        blurred = np.maximum(_transported(self.p, 0.0, u_cents, step=self._step), 0.0)
        return Density(self.cents + change_cents, blurred / blurred.sum())

    def scaled(self, share: float) -> Density:
        """The belief in this share of it, on the same steps."""
        if share == 1.0:
            return self
        edges, below = self._cumulative
        steps = math.ceil(self.cents.size * share) + 1
        ends = edges[0] * share + np.arange(steps + 1) * self._step
        p = np.diff(np.interp(ends / share, edges, below))
        return Density(ends[:-1] + self._step / 2.0, p)

    @property
    def _step(self) -> float:
        return float(self.cents[1] - self.cents[0])

    @cached_property
    def _cumulative(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Edges of the cells, and the probability below each."""
        first = self.cents[0] - self._step / 2.0
        edges = first + np.arange(self.cents.size + 1) * self._step
        return edges, np.concatenate(([0.0], np.cumsum(self.p)))


def mean_of(*offsets: Density) -> Density:
    """What is believed of the mean of offsets: all that the saddle they share can cure."""
    if len(offsets) == 1:
        return offsets[0]
    p = reduce(np.convolve, (each.p for each in offsets))
    first = sum(float(each.cents[0]) for each in offsets) / len(offsets)
    return Density(first + np.arange(p.size) * STEP_CENTS / len(offsets), p)


@dataclass(frozen=True)
class Person:
    """How a person plays, as far as it is known: probabilities of habits, and the open scatter.

    ``habits`` has a row for each spread and in it a number for each dependence; ``open_cents`` is
    the scatter of open plucks, worth ``open_dof`` takes.
    """

    habits: tuple[tuple[float, ...], ...]
    open_cents: float = OPEN_TYPICAL_CENTS
    open_dof: float = _OPEN_TYPICAL_DOF

    @property
    def spread_cents(self) -> float:
        """Expected spread of fretted takes: the root of its mean square."""
        return math.sqrt(float(self._grid.sum(1) @ SPREADS_CENTS**2))

    def of_one_string(self) -> Grid:
        """Probabilities of the habits on a string not played yet."""
        return np.asarray(_OTHER_STRING.T @ self._grid)

    def on_another_day(self) -> Person:
        """What is still known of the person another day: less surely, for hands change."""
        kept = (1.0 - _CHANGED_HAND) * self._grid + _CHANGED_HAND * ANYBODY._grid
        return Person(_rows(kept), self.open_cents, min(self.open_dof, _MOST_OPEN_DOF))

    def having_played(self, strings: Iterable[Knowledge]) -> Person:
        """What is known of the person after these strings."""
        habits, squares, dof = self._grid, self.open_dof * self.open_cents**2, self.open_dof
        for string in strings:
            says = _OTHER_STRING @ string.evidence
            habits = habits * says
            habits = habits / habits.sum()
            squares += string.open_squares
            dof += string.open_dof
        return Person(_rows(habits), math.sqrt(squares / dof), dof)

    @property
    def _grid(self) -> Grid:
        return np.array(self.habits)


def _rows(habits: Grid) -> tuple[tuple[float, ...], ...]:
    return tuple(map(tuple, habits.tolist()))


def _unknown(*, spread_log_sd: float, p_dependent: float) -> Person:
    z = np.log(SPREADS_CENTS / _SPREAD_MEDIAN_CENTS) / spread_log_sd
    spreads = np.exp(-(z**2) / 2.0)
    return Person(_rows(np.outer(spreads / spreads.sum(), (1.0 - p_dependent, p_dependent))))


#: A person not met before, who goes on until it is decided and lifts the hand between takes.
ANYBODY: Final = _unknown(spread_log_sd=0.5, p_dependent=0.05)

#: Whoever made a recording: whether the hand was lifted between takes is not known, how steady it
#: was even less, and no take is added or checked afterwards. So the interval is to hold for hands
#: much steadier and less steady than usual as well (tests/benchmarks/offset_coverage.py).
WHOEVER: Final = _unknown(spread_log_sd=1.0, p_dependent=0.5)


@dataclass(frozen=True, eq=False)
class Knowledge:
    """All that the facts so far say of one string.

    ``middle_cents`` is the middle of the grid of offsets, None until a fretted take came.
    ``before`` is the density of the offset from everything before this tuning, ``heard`` the
    likelihood of this tuning's fretted takes with the open pitch at ``reference_cents``, both for
    every habit; ``firms`` the chance of each of these takes that it was a plain one. ``opens`` and
    ``fretteds`` hold this tuning's takes as (cents, u); ``moves`` counts moves, ``fretted`` and
    ``open`` all takes of the string, ``fretted_since_move`` those since its last move.
    ``drift_cents`` is by how much less the offset is for a drift of the string, ``drift_u_cents``
    how unsure that is. ``choice_u_cents`` is what no take mends: how unsure the offset is because
    the pairs of partials differ that it is the mean of.
    """

    person: Person = ANYBODY
    middle_cents: float | None = None
    reference_cents: float = 0.0
    before: Grid | None = None
    heard: Grid | None = None
    firms: tuple[Grid, ...] = ()
    opens: tuple[tuple[float, float], ...] = ()
    fretteds: tuple[tuple[float, float], ...] = ()
    kinds: str = ""
    open: int = 0
    fretted: int = 0
    fretted_since_move: int = 0
    moves: int = 0
    drift_cents: float = 0.0
    drift_u_cents: float = 0.0
    choice_u_cents: float = 0.0
    open_squares: float = 0.0
    open_dof: float = 0.0

    @cached_property
    def evidence(self) -> Grid:
        """How likely the takes are for each habit, the largest 1."""
        joint = self.joint
        if joint is None:
            return np.ones(_HABITS)
        total = joint.sum(-1)
        return np.asarray(total / total.max())

    @cached_property
    def offset(self) -> Density | None:
        """What is believed of the offset; None until both notes were played."""
        joint = self.joint
        if joint is None or self.middle_cents is None:
            return None
        p = np.einsum("srx,sr->x", joint, self.person.of_one_string())
        by_takes = Density(self.middle_cents + _STEPS, p / p.sum())
        return by_takes.moved(0.0, self.choice_u_cents) if self.choice_u_cents else by_takes

    @cached_property
    def spread_cents(self) -> float:
        """Expected spread of this string's fretted takes."""
        habits = self.habits
        return math.sqrt(float(habits.sum(1) @ SPREADS_CENTS**2))

    @cached_property
    def habits(self) -> Grid:
        """Probabilities of the habits on this string."""
        habits = self.person.of_one_string() * self.evidence
        return np.asarray(habits / habits.sum())

    @cached_property
    def open_spread_cents(self) -> float:
        """Scatter of open plucks, from this person and this string."""
        squares = self.person.open_dof * self.person.open_cents**2 + self.open_squares
        return math.sqrt(squares / (self.person.open_dof + self.open_dof))

    @property
    def open_take_u_cents(self) -> float:
        """How well one open take tells the open pitch, cents: its scatter, and what its reading
        leaves open."""
        return math.hypot(self.open_spread_cents, _rms_u(self.opens))

    @property
    def fretted_take_u_cents(self) -> float:
        """As `open_take_u_cents`, of a fretted take."""
        return math.hypot(self.spread_cents, _rms_u(self.fretteds or self.opens))

    @property
    def p_dependent(self) -> float:
        """Probability that each fretted take follows the last."""
        return float(self.habits[:, DEPENDENCE > 0.0].sum())

    @cached_property
    def p_bent(self) -> tuple[float, ...]:
        """Probability of each of this tuning's fretted takes that it is not a plain one."""
        if self.joint is None:
            return ()
        weights = self.joint * self.person.of_one_string()[:, :, None]
        weights = weights / weights.sum()
        return tuple(float(1.0 - (weights * firm).sum()) for firm in self.firms)

    @property
    def fretted_in_a_row(self) -> int:
        """Fretted takes since the last open one of this tuning."""
        return len(self.kinds) - len(self.kinds.rstrip("f"))

    @cached_property
    def open_pitch(self) -> tuple[float, float] | None:
        """Where this tuning's open string lies, cents, and its u; None if it was not played."""
        if not self.opens:
            return None
        weights = np.array([1.0 / (self.open_spread_cents**2 + u**2) for _, u in self.opens])
        cents = np.array([cents for cents, _ in self.opens])
        u = math.hypot(float(weights.sum() ** -0.5), self.drift_u_cents)
        return float(weights @ cents / weights.sum()), u

    @cached_property
    def joint(self) -> Grid | None:
        """Density of the offset for every habit, not normalised; None where nothing is known."""
        pitch = self.open_pitch
        if self.heard is None or pitch is None:
            return self.before
        centre, u = pitch
        placed = _transported(self.heard, self.reference_cents - centre, u)
        prior = self.prior if self.before is None else self.before
        return np.asarray(np.maximum(placed, 0.0) * prior)

    @property
    def prior(self) -> NDArray[np.float64]:
        """How likely each offset of the grid is to be found, in no unit."""
        z = ((self.middle_cents or 0.0) + _STEPS) / _FOUND_CENTS
        return np.asarray((1.0 + z**2 / 3.0) ** -2.0)


def _rms_u(takes: Sequence[tuple[float, float]]) -> float:
    """Root mean square of what the readings of ``takes``, (cents, u), leave open; 0 of none."""
    return math.sqrt(math.fsum(u * u for _, u in takes) / max(1, len(takes)))


def begin(person: Person = ANYBODY) -> Knowledge:
    """A string of which nothing is known but who plays it."""
    return Knowledge(person)


def after_take(known: Knowledge, *, fretted: bool, cents: float, u_cents: float) -> Knowledge:
    """One more accepted take.

    Parameters
    ----------
    cents : its pitch from where the note should be (the open string's note, or a fretted note
        100 n above it).
    u_cents : the reading's own standard uncertainty.
    """
    return _fretted(known, cents, u_cents) if fretted else _open(known, cents, u_cents)


def from_takes(takes: Sequence[Take], *, fret: int) -> Knowledge:
    """A finished batch of takes of one string in one tuning, those of other frets passed over.

    A drift of the string is seen in its open takes, as far as they tell it, and taken off. What is
    unsure of it counts by the time between the two notes: next to nothing where they took turns.
    """
    takes = sorted((t for t in takes if t.fret in (0, fret)), key=lambda take: take.at_s)
    opens = [take for take in takes if take.fret == 0]
    known = begin(WHOEVER)
    if not opens or len(opens) == len(takes):
        return known
    reference_hz = opens[0].pitch_hz
    open_cents = [cents_between(take.pitch_hz, reference_hz) for take in opens]
    minutes = np.array([take.at_s / 60.0 for take in opens])
    about = minutes - minutes.mean()
    precision = _DRIFT_CENTS_PER_MIN**-2.0 + float(about @ about) / OPEN_TYPICAL_CENTS**2
    drift = float(about @ np.array(open_cents)) / OPEN_TYPICAL_CENTS**2 / precision
    for take in takes:
        since_min = take.at_s / 60.0 - float(minutes.mean())
        cents = cents_between(take.pitch_hz, reference_hz) - 100.0 * take.fret - drift * since_min
        known = after_take(known, fretted=take.fret > 0, cents=cents, u_cents=take.u_cents)
    fretted_min = float(np.mean([take.at_s / 60.0 for take in takes if take.fret]))
    apart_min = fretted_min - float(minutes.mean())
    return replace(
        known, drift_cents=drift * apart_min, drift_u_cents=precision**-0.5 * abs(apart_min)
    )


def after_tuning(known: Knowledge) -> Knowledge:
    """The string was tuned: takes to come have an open pitch of their own."""
    if not known.opens and not known.fretteds:
        return known
    before = known.joint
    if before is not None:
        found = known.prior / known.prior.sum()
        changed = before.sum(-1, keepdims=True) * found
        before = _scaled((1.0 - _CHANGED_UNSAID) * before + _CHANGED_UNSAID * changed)
    return replace(known, before=before, heard=None, firms=(), opens=(), fretteds=(), kinds="")


def after_move(known: Knowledge, *, change_cents: float, u_cents: float) -> Knowledge:
    """The saddle was moved, which should change the offset by ``change_cents``, u ``u_cents``.

    What the takes before said goes along, blurred by the move, and with the chance that it went
    wrong.
    """
    known = after_tuning(known)
    if known.before is not None and known.middle_cents is not None:
        right = _transported(known.before, 0.0, u_cents)
        # Unmoved, the density lies at -change on the grid that has moved along.
        back = float(np.clip(-change_cents, -_HALF_WIDTH_CENTS, _HALF_WIDTH_CENTS))
        wrong = _transported(known.before, back, 0.8 * abs(change_cents) + 1.0)
        moved = (1.0 - WENT_WRONG) * right + WENT_WRONG * wrong
        known = replace(
            known,
            before=_scaled(np.maximum(moved, 0.0)),
            middle_cents=known.middle_cents + change_cents,
        )
    return replace(known, moves=known.moves + 1, fretted_since_move=0)


def _open(known: Knowledge, cents: float, u_cents: float) -> Knowledge:
    squares, dof = known.open_squares, known.open_dof
    if known.opens:
        # Helmert's contrast with the mean of those before: independent of theirs.
        n = len(known.opens)
        apart = cents - math.fsum(c for c, _ in known.opens) / n
        squares += max(0.0, apart**2 * n / (n + 1.0) - u_cents**2)
        dof += 1.0
    return replace(
        known,
        opens=(*known.opens, (cents, u_cents)),
        kinds=known.kinds + "o",
        open=known.open + 1,
        open_squares=squares,
        open_dof=dof,
    )


def _fretted(known: Knowledge, cents: float, u_cents: float) -> Knowledge:
    pitch = known.open_pitch
    if known.middle_cents is not None:
        here = cents - (pitch[0] if pitch else known.reference_cents)
        if abs(here - known.middle_cents) > _HALF_WIDTH_CENTS:
            # Nothing known explains it, so something changed: what was known is no use any more.
            known = replace(
                known, before=None, heard=None, firms=(), fretteds=(), middle_cents=None, fretted=0
            )
    reference = known.reference_cents if known.fretteds else (pitch[0] if pitch else 0.0)
    middle = cents - reference if known.middle_cents is None else known.middle_cents
    likelihood, firm = _likelihood(known, cents - reference - middle - _STEPS, cents, u_cents)
    heard = likelihood if known.heard is None else known.heard * likelihood
    return replace(
        known,
        middle_cents=middle,
        reference_cents=reference,
        heard=_scaled(heard),
        firms=(*known.firms, firm),
        fretteds=(*known.fretteds, (cents, u_cents)),
        kinds=known.kinds + "f",
        fretted=known.fretted + 1,
        fretted_since_move=known.fretted_since_move + 1,
    )


def _likelihood(
    known: Knowledge, residual: NDArray[np.float64], cents: float, u_cents: float
) -> tuple[Grid, Grid]:
    """Of one fretted take, for every habit and offset; and the chance that it was a plain one.

    A plain take lies about the offset, and if the one before was plain, it follows that one; a
    bent one lies above.
    """
    spread = SPREADS_CENTS[:, None]
    sd = np.hypot(spread, u_cents)
    plain = _normal(residual, sd)[:, None]
    if known.firms:
        firm = known.firms[-1]
        last = residual + (known.fretteds[-1][0] - cents)
        rho = DEPENDENCE[:, None]
        follows = _normal(
            residual - rho * last,
            np.sqrt(spread[:, None] ** 2 * (1.0 - rho**2) + u_cents**2),
        )
        plain = firm * follows + (1.0 - firm) * plain
    else:
        plain = np.broadcast_to(plain, (*_HABITS, POINTS))
    least, most = (_step((residual - edge) / sd) for edge in _BENT_CENTS)
    bent = ((least - most) / (_BENT_CENTS[1] - _BENT_CENTS[0]))[:, None]
    plain = (1.0 - BENT_SHARE - _STRAY_SHARE) * plain
    total = plain + BENT_SHARE * bent + _STRAY_SHARE / (STEP_CENTS * POINTS)
    return total, plain / total


def _normal(residual: NDArray[np.float64], sd: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.exp(-((residual / sd) ** 2) / 2.0) / (sd * math.sqrt(2.0 * math.pi)))


def _step(z: NDArray[np.float64]) -> NDArray[np.float64]:
    """The normal distribution's function, nearly."""
    return np.asarray(0.5 + 0.5 * np.tanh(_LOGISTIC / 2.0 * z))


def _scaled(grid: Grid) -> Grid:
    return np.asarray(grid / grid.max())


def _transported(
    grid: Grid, shift_cents: float, blur_cents: float, *, step: float = STEP_CENTS
) -> Grid:
    """``grid`` moved up by ``shift_cents`` and blurred; what leaves the grid is lost."""
    n = grid.shape[-1]
    w = 2.0 * np.pi * np.fft.rfftfreq(2 * n, step)
    kernel = np.exp(-((w * blur_cents) ** 2) / 2.0 - 1j * w * shift_cents)
    return np.asarray(np.fft.irfft(np.fft.rfft(grid, 2 * n) * kernel, 2 * n)[..., :n])
