"""How exact a reading can be at best: Cramér-Rao bounds for tones in white noise.

A real tone of amplitude A (peak) in white noise of standard deviation s, N samples at the rate
fs, frequency, amplitude and phase all unknown. No unbiased estimator has a smaller standard
deviation than the square roots given here; they hold where the frequency is several times fs / N
away from 0 and from fs / 2, so that the tone and its mirror image do not disturb each other.
"""

from __future__ import annotations

import math

from pitchbench.units import CENTS_PER_NEPER


def steady_tone_sd_hz(amplitude: float, noise_sd: float, *, n: int, rate_hz: float) -> float:
    """Least standard deviation in Hz of the frequency of a steady tone.

    Source: Rife & Boorstyn 1974, ``var(f) = 24 s^2 fs^2 / ((2 pi)^2 A^2 N (N^2 - 1))``.

    Parameters
    ----------
    amplitude : peak amplitude of the tone, positive, in the unit of ``noise_sd``.
    noise_sd : standard deviation of the white noise over the whole band.
    n : number of samples, at least 2.
    rate_hz : sampling rate.
    """
    per_sample = 24.0 * (noise_sd / amplitude) ** 2 / (n * (n**2 - 1.0))
    return rate_hz / (2.0 * math.pi) * math.sqrt(per_sample)


def decaying_tone_sd_hz(
    amplitude: float, noise_sd: float, *, decay_s: float, n: int, rate_hz: float
) -> float:
    """Least standard deviation in Hz of the frequency of a tone that decays as exp(-t / decay_s).

    The decay time counts as unknown too, which for a damped tone costs the frequency nothing.
    With ``z = exp(-1 / (fs tau))``::

        var(w) = (2 s^2 / A^2) (1-z^2)^3 (1-z^2N) / (z^2 (1-z^2N)^2 - N^2 z^2N (1-z^2)^2)

    in radians per sample. It tends to :func:`steady_tone_sd_hz` as the decay time grows, but
    loses its digits to cancellation once the decay is far longer than the record; from a
    thousand times longer the steady bound is returned, which is then within 0.1 %.

    Parameters
    ----------
    amplitude : peak amplitude at the first sample, positive, in the unit of ``noise_sd``.
    noise_sd : standard deviation of the white noise over the whole band.
    decay_s : time in which the amplitude falls by e, positive.
    n : number of samples, at least 2.
    rate_hz : sampling rate.
    """
    if decay_s * rate_hz > 1000.0 * n:
        return steady_tone_sd_hz(amplitude, noise_sd, n=n, rate_hz=rate_hz)
    z2 = math.exp(-2.0 / (rate_hz * decay_s))
    one_minus_z2 = -math.expm1(-2.0 / (rate_hz * decay_s))
    z2n = math.exp(-2.0 * n / (rate_hz * decay_s))
    one_minus_z2n = -math.expm1(-2.0 * n / (rate_hz * decay_s))
    per_sample = (
        2.0
        * (noise_sd / amplitude) ** 2
        * one_minus_z2**3
        * one_minus_z2n
        / (z2 * one_minus_z2n**2 - n**2 * z2n * one_minus_z2**2)
    )
    return rate_hz / (2.0 * math.pi) * math.sqrt(per_sample)


def as_cents(sd_hz: float, f_hz: float) -> float:
    """A small standard deviation in Hz at the frequency ``f_hz``, in cents."""
    return CENTS_PER_NEPER * sd_hz / f_hz
