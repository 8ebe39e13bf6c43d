"""Open against fretted: takes become an offset with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Take:
    """One accepted reading, as the statistics see it.

    Parameters
    ----------
    fret : 0 for the open string.
    pitch_hz, u_cents : the reading and its own standard uncertainty.
    at_s : when it was played, seconds on any one clock.
    """

    fret: int
    pitch_hz: float
    u_cents: float
    at_s: float


@dataclass(frozen=True)
class Group:
    """The takes of one note: count, mean, standard deviation between takes (None for one)."""

    n: int
    mean_hz: float
    spread_cents: float | None


@dataclass(frozen=True)
class ScatterPrior:
    """What is believed of a player's spread between takes before any take is seen.

    A scaled inverse chi-squared on each variance: ``open_cents`` and ``fretted_cents`` are the
    typical standard deviations, ``open_dof`` and ``fretted_dof`` what they are worth in takes.
    """

    open_cents: float
    open_dof: float
    fretted_cents: float
    fretted_dof: float


@dataclass(frozen=True)
class Offset:
    """offset(n) = 1200 log2(f_fretted / f_open) - 100 n, positive when the fretted note is sharp.

    ``interval95_cents`` is the 95 % credible interval; ``dof`` the degrees of freedom of the
    Student distribution with centre ``offset_cents`` and scale ``scale_cents`` that describes what
    is believed of the offset; ``u_cents`` its standard uncertainty.
    ``drift_cents_per_min`` is the drift that was removed, None where it could not be estimated.
    """

    fret: int
    open: Group
    fretted: Group
    offset_cents: float
    u_cents: float
    interval95_cents: tuple[float, float]
    scale_cents: float
    dof: float
    drift_cents_per_min: float | None = None


def estimate_offset(takes: Sequence[Take], *, fret: int, prior: ScatterPrior) -> Offset | None:
    """The offset at ``fret``; None until there is at least one open and one fretted take."""
    raise NotImplementedError
