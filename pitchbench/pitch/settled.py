"""The outcome of the settling fit, and how far it is to be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.partials import Array, Bands, stiff_ratio
from pitchbench.units import CENTS_PER_NEPER

#: What the parts of the uncertainty are multiplied by, see :func:`u_of`, and its least value.
_TRUST_FIT: Final = 1.8
_TRUST_BEAT: Final = 0.3
_TRUST_FIRST: Final = 0.002
_TRUST_LAST: Final = 0.03
_LEAST_U_CENTS: Final = 0.015


@dataclass(frozen=True, eq=False)
class Settled:
    """The outcome of the fit, all from the first sample analysed on.

    ``glide_eps`` and ``glide_tau_s`` (shape (J,)) are the mean glide as a sum of exponentials;
    ``frequency_hz`` and ``u_partial`` (relative) of every partial in ``bands``, shape (K,);
    ``vote`` the weight each partial kept, 0 to 1; ``residual_cents`` (M,) the weighted residual.
    """

    f1_hz: float
    u_cents: float
    stiffness_b: float
    glide_eps: Array
    glide_tau_s: Array
    bands: Bands
    frequency_hz: Array
    u_partial: Array
    vote: Array
    law_sigma: float
    residual: NDArray[np.complex128]
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


def u_of(
    fit: float, *, beat: float = 0.0, first_glide: float = 0.0, last_glide: float = 0.0
) -> float:
    """Standard uncertainty in cents from relative parts: the posterior spread of the fit, the
    correction made for beating, and the glide at the beginning and at the end of the note.

    The factors say how far the models themselves are to be trusted. They were set on plucks with
    known truth (tests/benchmarks/plucks.py, seed 777, and a plainer string of one exponential) so
    that 95 % intervals cover about 95 %, and are checked on others by bench_readings.py there.
    """
    parts = (
        _TRUST_FIT * fit,
        _TRUST_BEAT * beat,
        _TRUST_FIRST * first_glide,
        _TRUST_LAST * last_glide,
    )
    return float(np.sqrt(np.sum(np.square(parts)) * CENTS_PER_NEPER**2 + _LEAST_U_CENTS**2))
