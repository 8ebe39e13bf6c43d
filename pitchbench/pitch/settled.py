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

    ``glide_eps`` and ``glide_tau_s`` (shape (J,)) are the mean glide as a sum of exponentials;
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
    bands: Bands
    frequency_hz: Array
    u_partial: Array
    u_own: Array
    vote: Array
    residual: NDArray[np.float64]
    weight: Array
    decay_rate: Array

    def glide_cents(self, time_s: Array) -> Array:
        """How sharp the note is at ``time_s`` (any shape) above its settled pitch."""
        t = np.asarray(time_s, dtype=np.float64)
        relative = (self.glide_eps * np.exp(-t[..., None] / self.glide_tau_s)).sum(axis=-1)
        cents: Array = CENTS_PER_NEPER * np.log1p(relative)
        return cents

    def phase_in(self, bands: Bands, t: Array) -> Array:
        """Phase at ``t`` (M,) to be expected in ``bands``, a constant apart; shape (K, M)."""
        f = self.f1_hz * stiff_ratio(bands.number, self.stiffness_b)
        tau = self.glide_tau_s[:, None]
        glide = self.glide_eps @ (tau * -np.expm1(-t / tau))
        share = (1.0 + self.stiffness_b) / (1.0 + self.stiffness_b * bands.number**2.0)
        warped = (f * share)[:, None] * glide
        model: Array = 2.0 * np.pi * ((f - bands.centre_hz)[:, None] * t + warped)
        return model
