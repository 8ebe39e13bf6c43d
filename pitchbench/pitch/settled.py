"""What the model of the string found in one pluck."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.partials import Array, Bands, stiff_ratio
from pitchbench.units import CENTS_PER_NEPER


@dataclass(frozen=True, eq=False)
class Settled:
    """What the fit found, all from the first sample analysed on.

    ``glide_eps`` and ``glide_tau_s`` (shape (J,)) are the mean glide that all share as a sum of
    exponentials, ``own_eps`` and ``own_tau_s`` (P,) what the lowest partials each add to it;
    ``frequency_hz`` and ``u_partial`` (relative) of every partial in ``bands``, shape (K,);
    ``u_own`` (K,) what of that is its alone, with what it may do by itself late in the note;
    ``vote`` (K,) how much less than the steadiest a partial says of the pitch's course, 0 to 1;
    ``residual`` (K, M) what is left of each partial's phase without the glide and its own
    frequency, of which ``weight`` is one over the variance.
    """

    f1_hz: float
    u_cents: float
    stiffness_b: float
    glide_eps: Array
    glide_tau_s: Array
    own_eps: Array
    own_tau_s: Array
    bands: Bands
    frequency_hz: Array
    u_partial: Array
    u_own: Array
    vote: Array
    residual: NDArray[np.float64]
    weight: Array
    decay_rate: Array

    def glide_cents(self, time_s: Array) -> Array:
        """How sharp the first partial is at ``time_s`` (any shape) above its settled pitch."""
        t = np.asarray(time_s, dtype=np.float64)
        relative = (self.glide_eps * np.exp(-t[..., None] / self.glide_tau_s)).sum(axis=-1)
        relative = relative + self.own_eps[0] * np.exp(-t / self.own_tau_s[0])
        cents: Array = CENTS_PER_NEPER * np.log1p(relative)
        return cents

    def glide_integral(self, number: NDArray[np.int64], t: Array) -> Array:
        """Integral of the glide of partials ``number`` (K,) from 0 to ``t`` (M,), shape (K, M)."""
        tau = self.glide_tau_s[:, None]
        shared = self.glide_eps @ (tau * -np.expm1(-t / tau))
        own = np.append(self.own_eps * self.own_tau_s, 0.0)
        rate = np.append(1.0 / self.own_tau_s, 0.0)
        place = np.minimum(number - 1, len(self.own_tau_s))[:, None]
        integral: Array = shared + own[place] * -np.expm1(-t * rate[place])
        return integral

    def phase_in(self, bands: Bands, t: Array) -> Array:
        """Phase at ``t`` (M,) to be expected in ``bands``, a constant apart; shape (K, M)."""
        f = self.f1_hz * stiff_ratio(bands.number, self.stiffness_b)
        share = (1.0 + self.stiffness_b) / (1.0 + self.stiffness_b * bands.number**2.0)
        warped = (f * share)[:, None] * self.glide_integral(bands.number, t)
        model: Array = 2.0 * np.pi * ((f - bands.centre_hz)[:, None] * t + warped)
        return model
