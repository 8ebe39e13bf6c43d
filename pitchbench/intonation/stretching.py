"""How stretched a string is: what its open pitch loses each time it is pulled, and by itself.

Plucks between two pulls share one level; the string may drift by itself all the while. So pluck i
after pull g lies at a_g - d t_i + noise. Levels are free, the drift d is believed to be of the size
of `TYPICAL_DRIFT` until the plucks say more, and the scatter of plucks is as unknown as the rest
(normal and inverse chi-squared: the conjugate model, Gelman et al., Bayesian Data Analysis, ch. 14,
from memory), which makes each difference of levels, and the drift, Student-distributed.

The readings' own uncertainties are no part of it. Most of such a ± is how the partials of this
string lie and wander, the same in each of its plucks, and cancels in a difference; what is another
in each pluck shows in their scatter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pitchbench.belief import Belief
from pitchbench.intonation.offset import DEFAULT_PRIOR

#: A string counts as stretched when a pull costs less than its tolerance with this probability.
SURE_ENOUGH: Final = 0.95

#: Cents per minute, 1 sigma, that a string may lose or gain by itself; our own assumption. Where
#: plucks scatter by more than usual, it may be that much more.
TYPICAL_DRIFT: Final = 3.0

#: Plucks that repeat better than this are no surer, cents: a reading moves by hundredths with the
#: pitch itself, alike in all plucks between two pulls (0.03 rms over 16 pulls of virtual strings).
_LEAST_SCATTER_CENTS: Final = 0.05


@dataclass(frozen=True)
class OpenPluck:
    """One reading of the open string: how many pulls came before it, when it was plucked, how far
    above any one fixed pitch it lies, and its own standard uncertainty, which is shown alone."""

    pulls: int
    at_s: float
    cents: float
    u_cents: float


@dataclass(frozen=True)
class Stretching:
    """What pulling has cost a string; what is lost counts positive.

    Parameters
    ----------
    pulls, plucks : how often it was pulled and heard.
    per_pull : cents that the last pull cost, what is lost by itself left out.
    per_minute : cents that are lost per minute without a pull.
    lost_cents : from the first pluck to the last, by pulls and by itself.
    p_stretched : the probability that the last pull cost less than the tolerance.
    """

    pulls: int
    plucks: int
    per_pull: Belief
    per_minute: Belief
    lost_cents: float
    p_stretched: float

    @property
    def stretched(self) -> bool:
        """Whether another pull is not worth while."""
        return self.p_stretched >= SURE_ENOUGH

    @property
    def gives(self) -> bool:
        """Whether the last pull surely cost more than the tolerance."""
        return self.p_stretched <= 1.0 - SURE_ENOUGH


def stretching_of(plucks: Sequence[OpenPluck], *, tolerance_cents: float) -> Stretching | None:
    """What the last pull cost; None before a pull, or where too few plucks tell of a scatter.

    Examples
    --------
    >>> heard = [(0, 0.0), (0, 0.2), (1, -9.9), (1, -10.1)]
    >>> plucks = [OpenPluck(n, 4.0 * i, cents, 0.1) for i, (n, cents) in enumerate(heard)]
    >>> found = stretching_of(plucks, tolerance_cents=2.0)
    >>> round(found.per_pull.centre), found.stretched
    (10, False)
    """
    numbers = sorted({pluck.pulls for pluck in plucks})
    dof = len(plucks) - len(numbers)
    if len(numbers) < 2 or dof < 1:
        return None
    minutes = np.array([pluck.at_s for pluck in plucks]) / 60.0
    minutes -= minutes.mean()
    cents = np.array([pluck.cents for pluck in plucks])
    levels = np.array([[pluck.pulls == n for n in numbers] for pluck in plucks], dtype=float)
    believed = DEFAULT_PRIOR.open_cents / TYPICAL_DRIFT
    rows = np.vstack(
        [np.column_stack([levels, -minutes]), [*np.zeros(len(numbers)), believed]],
    )
    heard = np.append(cents, 0.0)
    covariance = np.linalg.inv(rows.T @ rows)
    fit = covariance @ rows.T @ heard
    variance = max(float(np.sum((heard - rows @ fit) ** 2)) / dof, _LEAST_SCATTER_CENTS**2)

    def believe(contrast: Sequence[float]) -> Belief:
        c = np.array(contrast)
        return Belief(float(c @ fit), math.sqrt(variance * float(c @ covariance @ c)), dof)

    last = [*[0.0] * (len(numbers) - 2), 1.0, -1.0, 0.0]
    per_pull = believe(last)
    first = [pluck.cents for pluck in plucks if pluck.pulls == numbers[0]]
    return Stretching(
        pulls=numbers[-1],
        plucks=len(plucks),
        per_pull=per_pull,
        per_minute=believe([*[0.0] * len(numbers), 1.0]),
        lost_cents=first[0] - plucks[-1].cents,
        p_stretched=per_pull.within(-math.inf, tolerance_cents),
    )
