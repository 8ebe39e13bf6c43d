"""Open against fretted: takes become an offset with its uncertainty.

How sure two or three takes can make one is the whole difficulty. The spread between takes is
itself hardly known, so the difference of the two means is described by a Student distribution
whose degrees of freedom say how well the spread is known (Welch and Satterthwaite; GUM,
JCGM 100:2008, G.4).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.belief import Belief, Numbers, student_difference, student_quantile
from pitchbench.intonation.fit import fit_linear
from pitchbench.intonation.pairs import Pair
from pitchbench.intonation.take import Take
from pitchbench.units import CENTS_PER_NEPER, cents_between, mean_hz


@dataclass(frozen=True)
class Group:
    """The takes of one note as they were played: count, mean, standard deviation between takes
    (None for one)."""

    n: int
    mean_hz: float
    spread_cents: float | None


@dataclass(frozen=True)
class ScatterPrior:
    """The belief about a player's spread between takes before any take is seen.

    A scaled inverse chi-squared on each variance: ``open_cents`` and ``fretted_cents`` are the
    typical standard deviations, ``open_dof`` and ``fretted_dof`` what they are worth in takes.
    Worth 0 means: a figure to plan with, and to stand in for a note that was played only once.
    """

    open_cents: float
    open_dof: float
    fretted_cents: float
    fretted_dof: float


#: For a player not met before. Refretting spreads by about 2 cents, 1 sigma (Mottola: 10 players
#: x 20 notes on a steel-string guitar, his abstract); open plucks by much less, 0.7 is assumed.
#: Other people's spread is worth no take of this player's: any weight at all makes the interval
#: cover too often for a steady player and too seldom for an unsteady one (docs/accuracy.md).
DEFAULT_PRIOR: Final = ScatterPrior(
    open_cents=0.7, open_dof=0.0, fretted_cents=2.0, fretted_dof=0.0
)

#: What a typical figure is worth where it must stand in for a note played once: with 4, a spread
#: half as large again as the typical one is still covered in 93 % of cases.
STAND_IN_DOF: Final = 4.0

#: The most that earlier takes may be worth: the same player's spread differs between strings.
MOST_LEARNED_DOF: Final = 8.0

#: A drift is removed only if it would arise by chance less than once in a hundred times, so that
#: a steady string pays next to nothing for the question.
DRIFT_SIGNIFICANCE: Final = 0.01

#: Level of Grubbs' test for a stray take (ISO 5725-2 calls a value beyond it an outlier).
OUTLIER_SIGNIFICANCE: Final = 0.01


@dataclass(frozen=True)
class Offset:
    """offset(n) = 1200 log2(f_fretted / f_open) - 100 n, positive when the fretted note is sharp.

    ``belief`` is what is believed of it, in cents.
    ``drift_cents_per_min`` is the drift of the string, None where it could not be estimated; 0
    where there was none to speak of. ``drift_taken_off_cents`` is by how much less the offset is
    for it than by the takes as they were played. ``stray`` holds takes that stand out from the rest
    of their group: they are counted, but worth a second look. ``carried_over`` is whether the
    belief also rests on what was known before these takes, from before the saddle was last moved.
    ``pairs`` is what each pair of partials says that it is the mean of; empty where it is the
    offset of the first partials.
    """

    fret: int
    open: Group
    fretted: Group
    belief: Belief
    drift_cents_per_min: float | None = None
    stray: tuple[Take, ...] = ()
    carried_over: bool = False
    pairs: tuple[Pair, ...] = ()
    drift_taken_off_cents: float = 0.0

    @property
    def offset_cents(self) -> float:
        """The offset itself: the centre of what is believed of it."""
        return self.belief.centre

    @property
    def u_cents(self) -> float:
        """Its standard uncertainty."""
        return self.belief.u

    @property
    def interval95_cents(self) -> tuple[float, float]:
        """Its 95 % credible interval."""
        return self.belief.interval()


def estimate_offset(takes: Sequence[Take], *, fret: int, prior: ScatterPrior) -> Offset | None:
    """The offset at ``fret``; None until there is at least one open and one fretted take.

    Takes at other frets are passed over. The posterior of the difference is a Student
    distribution: see `mean_belief` for each mean and `student_difference` for the two together.
    """
    opens = [take for take in takes if take.fret == 0]
    fretteds = [take for take in takes if take.fret == fret]
    if not opens or not fretteds or fret == 0:
        return None
    open_played, fretted_played = summarise(opens), summarise(fretteds)
    drift, drift_u = _drift(opens, fretteds, prior)
    apart_min = (_mean_time_s(fretteds) - _mean_time_s(opens)) / 60.0
    if drift:
        middle_s = _mean_time_s([*opens, *fretteds])
        opens, fretteds = (_steadied(group, drift, middle_s) for group in (opens, fretteds))
    open_group, fretted_group = summarise(opens), summarise(fretteds)
    open_mean = believed_mean(opens, open_group, prior.open_cents, prior.open_dof)
    fretted_mean = believed_mean(fretteds, fretted_group, prior.fretted_cents, prior.fretted_dof)
    scale, dof = map(float, student_difference(*open_mean, *fretted_mean))
    scale = math.hypot(scale, drift_u * apart_min)
    centre = cents_between(fretted_group.mean_hz, open_group.mean_hz) - 100.0 * fret
    return Offset(
        fret=fret,
        open=open_played,
        fretted=fretted_played,
        belief=Belief(centre, scale, dof),
        drift_cents_per_min=drift,
        drift_taken_off_cents=(drift or 0.0) * apart_min,
        stray=tuple(_stray(opens) + _stray(fretteds)),
    )


def summarise(takes: Sequence[Take]) -> Group:
    """Count, geometric mean and standard deviation (n - 1) of takes of one note."""
    # Plain numbers: a session does this thousands of times for a handful of takes.
    cents = [cents_between(take.pitch_hz, takes[0].pitch_hz) for take in takes]
    n, mean = len(cents), math.fsum(cents) / len(cents)
    squares = math.fsum((c - mean) ** 2 for c in cents)
    return Group(
        n=n,
        mean_hz=mean_hz(take.pitch_hz for take in takes),
        spread_cents=math.sqrt(squares / (n - 1)) if n > 1 else None,
    )


def mean_belief(
    n: int,
    squares: Numbers,
    *,
    typical_cents: float,
    prior_dof: float,
    own_variance: float = 0.0,
) -> tuple[Numbers, float]:
    """Variance (cents squared) and degrees of freedom of what is believed of one note's mean.

    Parameters
    ----------
    n : number of takes, at least 1.
    squares : sum of squared deviations from their mean; one number or an array of them.
    typical_cents, prior_dof : scaled inverse chi-squared prior of the spread between takes, which
        with a flat prior of the mean gives a Student posterior of prior_dof + n - 1 degrees.
    own_variance : mean of the readings' own variances: part of the spread, and the least it can be.
    """
    typical = typical_cents**2 + own_variance
    dof = prior_dof + n - 1
    if dof == 0.0:
        return typical + 0.0 * squares, STAND_IN_DOF
    spread = np.maximum((prior_dof * typical + squares) / dof, own_variance)
    return spread / n, dof


def believed_mean(
    takes: Sequence[Take], group: Group, typical_cents: float, prior_dof: float
) -> tuple[Numbers, float]:
    """`mean_belief` of the takes of one note, which ``group`` sums up."""
    return mean_belief(
        group.n,
        (group.n - 1) * (group.spread_cents or 0.0) ** 2,
        typical_cents=typical_cents,
        prior_dof=prior_dof,
        own_variance=float(np.mean([take.u_cents**2 for take in takes])),
    )


def learn_scatter(
    sets: Iterable[Sequence[Take]], *, typical: ScatterPrior = DEFAULT_PRIOR
) -> ScatterPrior:
    """A prior from this player's own earlier takes.

    Parameters
    ----------
    sets : one sequence of takes per string and saddle position; within one, takes of the same
        fret repeat the same note.
    typical : what holds until there is more to learn from than it is worth.
    """
    sums = {True: 0.0, False: 0.0}
    dofs = {True: 0, False: 0}
    for takes in sets:
        for fret in {take.fret for take in takes}:
            group = summarise([take for take in takes if take.fret == fret])
            is_open = fret == 0
            sums[is_open] += (group.n - 1) * (group.spread_cents or 0.0) ** 2
            dofs[is_open] += group.n - 1

    def learned(cents: float, prior_dof: float, *, is_open: bool) -> tuple[float, float]:
        dof = dofs[is_open]
        if dof <= prior_dof:
            return cents, prior_dof
        return math.sqrt(sums[is_open] / dof), min(float(dof), MOST_LEARNED_DOF)

    return ScatterPrior(
        *learned(typical.open_cents, typical.open_dof, is_open=True),
        *learned(typical.fretted_cents, typical.fretted_dof, is_open=False),
    )


def _cents(takes: Sequence[Take]) -> NDArray[np.float64]:
    """Each take in cents from the first."""
    return np.array([cents_between(take.pitch_hz, takes[0].pitch_hz) for take in takes])


def _mean_time_s(takes: Sequence[Take]) -> float:
    return float(np.mean([take.at_s for take in takes]))


def _drift(
    opens: Sequence[Take], fretteds: Sequence[Take], prior: ScatterPrior
) -> tuple[float | None, float]:
    """Common drift in cents per minute and its standard uncertainty, from interleaved takes.

    Two means and one slope are fitted together, each group weighted by its typical spread. None
    where the takes cannot tell a drift from an offset: fewer than three of a kind, or all of one
    kind before all of the other. (0, 0) where the slope is not significant.
    """
    together = sorted([*opens, *fretteds], key=lambda take: take.at_s)
    changes = sum(a.fret != b.fret for a, b in pairwise(together))
    if len(opens) < 3 or len(fretteds) < 3 or changes < 2:
        return None, 0.0
    n_open, n_fretted = len(opens), len(fretteds)
    minutes = np.array([take.at_s / 60.0 for take in (*opens, *fretteds)])
    if np.ptp(minutes) == 0.0:
        return None, 0.0
    design = np.zeros((n_open + n_fretted, 3))
    design[:n_open, 0] = 1.0
    design[n_open:, 1] = 1.0
    design[:, 2] = minutes - minutes.mean()
    spread = np.repeat([prior.open_cents, prior.fretted_cents], [n_open, n_fretted])
    fit = fit_linear(design, np.concatenate([_cents(opens), _cents(fretteds)]), spread)
    u = float(fit.u[2]) * math.sqrt(fit.chi2 / fit.dof)
    slope = float(fit.values[2])
    if abs(slope) <= u * student_quantile(1.0 - DRIFT_SIGNIFICANCE / 2.0, fit.dof):
        return 0.0, 0.0
    return slope, u


def _steadied(takes: Sequence[Take], drift_cents_per_min: float, at_s: float) -> list[Take]:
    """The takes as they would have been, had all been played at ``at_s``."""
    return [
        replace(
            take,
            pitch_hz=take.pitch_hz
            * math.exp(drift_cents_per_min * (at_s - take.at_s) / 60.0 / CENTS_PER_NEPER),
        )
        for take in takes
    ]


def _stray(takes: Sequence[Take]) -> list[Take]:
    """The take that Grubbs' test calls an outlier, if any: needs four takes or more.

    |x - mean| / s > (n-1)/sqrt(n) sqrt(t^2 / (n - 2 + t^2)), t the upper alpha/(2n) point of
    Student's t with n - 2 degrees of freedom (Grubbs 1969; ISO 5725-2, 7.3.4).
    """
    n = len(takes)
    cents = _cents(takes)
    spread = float(np.std(cents, ddof=1)) if n >= 4 else 0.0
    if spread == 0.0:
        return []
    t = student_quantile(1.0 - OUTLIER_SIGNIFICANCE / (2 * n), n - 2)
    limit = (n - 1) / math.sqrt(n) * math.sqrt(t**2 / (n - 2 + t**2))
    distance = np.abs(cents - cents.mean()) / spread
    return [takes[int(np.argmax(distance))]] if distance.max() > limit else []
