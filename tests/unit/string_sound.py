"""Plain synthetic notes for the tests of the pitch room: all numbers are chosen, none are drawn."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

CENT = np.log(2.0) / 1200.0


def note(
    f1_hz: float,
    *,
    stiffness_b: float = 1e-4,
    amplitudes: tuple[float, ...] = tuple(0.2 / k for k in range(1, 13)),
    decay_s: float = 1.5,
    glide_cents: float = 6.0,
    ring_s: float = 3.0,
    before_s: float = 0.7,
    after_s: float = 0.4,
    noise: float = 1e-4,
    rate_hz: int = 48000,
    seed: int = 1,
) -> NDArray[np.float32]:
    """One pluck of a stiff string, ``before_s`` into the sound.

    Partial k lies at k f0 sqrt(1 + B k^2) and decays in ``decay_s`` / (1 + 0.1 (k - 1)); the glide
    dies with the energy of the first partial. The damping hand takes 10 ms.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(round((ring_s + after_s) * rate_hz)) / rate_hz
    tau = decay_s / 2.0
    warped = t + glide_cents * CENT * tau * -np.expm1(-t / tau)
    sound = np.zeros_like(t)
    f0_hz = f1_hz / np.sqrt(1.0 + stiffness_b)
    for k, level in enumerate(amplitudes, start=1):
        f_hz = k * f0_hz * np.sqrt(1.0 + stiffness_b * k * k)
        if f_hz < 0.45 * rate_hz:
            phase = 2.0 * np.pi * f_hz * warped + rng.uniform(0.0, 2.0 * np.pi)
            sound += level * np.exp(-t * (1.0 + 0.1 * (k - 1)) / decay_s) * np.cos(phase)
    sound *= np.exp(-np.maximum(0.0, t - ring_s) / 0.01)
    whole = np.concatenate((np.zeros(round(before_s * rate_hz)), sound))
    whole += rng.normal(0.0, noise, whole.size)
    return whole.astype(np.float32)


def cents(f_hz: float, true_hz: float) -> float:
    """Error in cents."""
    return float(np.log(f_hz / true_hz) / CENT)
