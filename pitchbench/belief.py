"""What is believed of a number, and how wide an interval must be to hold it.

The only place that knows the normal and Student distributions. What stands after "±" is half of
the interval that holds the value with 95 % probability, everywhere: `Belief.half`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np
import scipy  # its parts load when first used: commands that only read records need none
from numpy.typing import NDArray

#: One number, or an array of them that is worked out element by element.
Numbers = float | NDArray[np.float64]

#: What intervals hold where nothing else is said: the custom of the trade in measuring.
COVERAGE: Final = 0.95

#: What lies within one standard deviation of a normal distribution, 68.27 %, by definition.
ONE_SIGMA: Final = math.erf(math.sqrt(0.5))

#: How far the degrees of freedom are raised where both means are equally uncertain; the value
#: that keeps the coverage of two takes each nearest to 95 % whatever the two spreads are.
EVENNESS_GAIN: Final = 0.6

#: Degrees of freedom that are as good as infinite, and can be written down.
_NORMAL_DOF: Final = 200.0

#: Stands for a scale of 0 (takes that agree to the last digit), which cannot divide.
_NO_SCALE: Final = 1e-12


@dataclass(frozen=True)
class Belief:
    """A Student distribution: its centre, its scale and its degrees of freedom.

    ``dof`` says how well the scale is known and need not be whole; infinite is the normal
    distribution, whose scale is its standard deviation. Any unit; all results are in it.

    Examples
    --------
    >>> belief = Belief.normal(3.0, 0.5)
    >>> [round(end, 2) for end in belief.interval()]
    [2.02, 3.98]
    """

    centre: float
    scale: float
    dof: float

    @classmethod
    def normal(cls, centre: float, u: float) -> Belief:
        """A number whose standard uncertainty ``u`` is itself well known."""
        return cls(centre, u, math.inf)

    @classmethod
    def matching(cls, centre: float, *, u: float, half95: float) -> Belief:
        """The distribution with this centre and standard uncertainty whose 95 % interval is as wide
        as ``half95`` on either side, as far as its tails can be that light or heavy."""
        least, most = 1.5, _NORMAL_DOF
        for _ in range(30):
            dof = math.sqrt(least * most)
            heavier = half95 / u > cls(0.0, 1.0, dof).half() / cls(0.0, 1.0, dof).u if u else False
            least, most = (least, dof) if heavier else (dof, most)
        return cls(centre, half95 / cls(0.0, 1.0, most).half(), most)

    @property
    def u(self) -> float:
        """The standard uncertainty: half of the 68.27 % interval, which exists for every dof."""
        return self.half(ONE_SIGMA)

    def half(self, p: float = COVERAGE) -> float:
        """Half of the interval around the centre that holds the value with probability ``p``."""
        return self.scale * student_quantile((1.0 + p) / 2.0, self.dof)

    def interval(self, p: float = COVERAGE) -> tuple[float, float]:
        """The interval around the centre that holds the value with probability ``p``."""
        half = self.half(p)
        return self.centre - half, self.centre + half

    def within(self, low: float, high: float) -> float:
        """The probability that the value lies between ``low`` and ``high``."""
        ends = (np.array([low, high]) - self.centre) / max(self.scale, _NO_SCALE)
        below_low, below_high = scipy.special.stdtr(self.dof, ends)
        return float(below_high - below_low)


def half95(u: float) -> float:
    """Half of the 95 % interval of what is normal with the standard uncertainty ``u``: its ±."""
    return Belief.normal(0.0, u).half()


def surely(interval: tuple[float, float]) -> float:
    """The least of a number that is sure: the end of its interval that is nearer to nothing, and
    nothing where the interval holds that.

    Examples
    --------
    >>> surely((0.4, 1.6)), surely((-1.6, -0.4)), surely((-0.4, 1.6))
    (0.4, -0.4, 0.0)
    """
    low, high = interval
    return max(low, 0.0) + min(high, 0.0)


def half_figures(half_width: float) -> str:
    """A ± in figures: one decimal, and two where one would round to nothing and so claim to be
    exact.

    Examples
    --------
    >>> half_figures(1.25), half_figures(0.03)
    ('1.2', '0.03')
    """
    return f"{half_width:.{1 if half_width >= 0.05 else 2}f}"


def student_quantile(p: float, dof: float) -> float:
    """Quantile of Student's t distribution; ``dof`` need not be whole, infinite is normal."""
    if math.isinf(dof):
        return NormalDist().inv_cdf(p)
    return float(scipy.special.stdtrit(dof, p))


def student_difference(
    variance: Numbers, dof: float, other_variance: Numbers, other_dof: float
) -> tuple[Numbers, Numbers]:
    """Scale and degrees of freedom of the difference of two Student-distributed means.

    Welch and Satterthwaite's formula (GUM G.2b), with two corrections that matter only for the
    fewest takes, found by simulating the coverage (tests/unit/test_intonation_offset.py): a
    variance seen in few takes may well be several times too small, so it counts for more; and
    where both contribute alike the formula is too careful. Numbers or arrays, element by element.
    """
    a = variance * ((dof + 2.0) / dof) ** 2
    b = other_variance * ((other_dof + 2.0) / other_dof) ** 2
    share = a / np.maximum(a + b, np.finfo(float).tiny)
    welch = 1.0 / (share**2 / dof + (1.0 - share) ** 2 / other_dof)
    evenness = 4.0 * share * (1.0 - share)
    return (
        np.sqrt(variance + other_variance),
        welch + EVENNESS_GAIN * evenness**4 / (dof * other_dof),
    )
