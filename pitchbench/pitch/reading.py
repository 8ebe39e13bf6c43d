"""A reading: one pluck, one number, one uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray


class Reason(StrEnum):
    """Why a pluck was rejected; the words are shown to people with the underscores replaced."""

    CLIPPED = "clipped"
    TOO_SHORT = "too_short"
    TOO_QUIET = "too_quiet"
    GAP = "gap_in_the_audio"
    TWO_STRINGS = "two_strings_ringing"
    HUM = "hum_on_the_partial"
    NEVER_SETTLED = "never_settled"
    NO_PITCH = "no_pitch"
    WRONG_STRING = "not_this_string"


@dataclass(frozen=True, eq=False)
class Trace:
    """How a pluck's pitch moved: every array has the same shape (n,), times from the onset.

    Parameters
    ----------
    time_s : seconds after the onset, rising.
    pitch_hz : the first partial at that time, glide included.
    level_db : level of the note in dB below full scale.
    """

    time_s: NDArray[np.float64]
    pitch_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]


@dataclass(frozen=True)
class Partial:
    """One partial of a pluck, at its settled pitch.

    ``law_cents`` is how far it lies from the stiff-string law f_k = k f0 sqrt(1 + B k^2) that the
    others follow; ``decay_s`` the time in which its amplitude falls by e.
    """

    number: int
    frequency_hz: float
    u_cents: float
    level_db: float
    decay_s: float | None
    law_cents: float


@dataclass(frozen=True, eq=False)
class Reading:
    """What one pluck said.

    Parameters
    ----------
    onset_s : where the pluck starts, seconds on the stream's time line.
    ring_s : how long it was heard, onset to damping, next pluck or noise.
    reason : None when settled; otherwise why the pluck enters no average. A rejected pluck still
        carries whatever could be measured; the rest is None.
    pitch_hz : settled pitch, the frequency of the first partial once the glide has died.
    u_cents : standard uncertainty of ``pitch_hz``.
    attack_cents : how sharp the note was just after the pick noise, above ``pitch_hz``.
    settle_s : from the onset to the start of the stable tail.
    tail_s : length of the stable tail.
    wander_cents : rms of the pitch about its fitted course in the tail.
    stiffness_b : inharmonicity coefficient B.
    snr_db : level of the note in the tail above the noise before the onset.
    trace : pitch against time; None where nothing could be tracked.
    partials : the partials used, lowest first.
    """

    onset_s: float
    ring_s: float
    reason: Reason | None
    pitch_hz: float | None = None
    u_cents: float | None = None
    attack_cents: float | None = None
    settle_s: float | None = None
    tail_s: float | None = None
    wander_cents: float | None = None
    stiffness_b: float | None = None
    snr_db: float | None = None
    trace: Trace | None = None
    partials: tuple[Partial, ...] = ()

    @property
    def settled(self) -> bool:
        """True when the pluck may enter an average."""
        return self.reason is None
