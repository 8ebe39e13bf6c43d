"""Cramér-Rao bounds against the check values of docs/definitions.md, section 1."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pitchbench.pitch.bounds import as_cents, decaying_tone_sd_hz, steady_tone_sd_hz

CASE = {"n": 96000, "rate_hz": 48000}


def test_steady_tone_check_value():
    # The formula of Rife & Boorstyn 1974; the value is derived from it, to seven digits.
    sd = steady_tone_sd_hz(0.1, 0.01, **CASE)
    assert sd == pytest.approx(1.258230e-4, rel=1e-6)
    assert as_cents(sd, 82.4069) == pytest.approx(2.643336e-3, rel=1e-6)


def test_decaying_tone_check_value():
    sd = decaying_tone_sd_hz(0.1, 0.01, decay_s=0.5, **CASE)
    assert sd == pytest.approx(8.309681e-4, rel=1e-6)
    assert as_cents(sd, 82.4069) == pytest.approx(1.745728e-2, rel=1e-6)


def fisher_sd_hz(amplitude, noise_sd, decay_s, n, rate_hz, f_hz):
    """The bound from first principles: invert the Fisher information of the four unknowns."""
    t = np.arange(n) / rate_hz
    envelope = np.exp(-t / decay_s) if decay_s else np.ones(n)
    angle = 2 * np.pi * f_hz * t + 0.4
    columns = [
        -2 * np.pi * t * amplitude * envelope * np.sin(angle),  # frequency
        -amplitude * envelope * np.sin(angle),  # phase
        envelope * np.cos(angle),  # amplitude
    ]
    if decay_s:
        columns.append(t * envelope * np.cos(angle))  # decay rate
    jacobian = np.stack(columns, axis=1)
    return math.sqrt(np.linalg.inv(jacobian.T @ jacobian / noise_sd**2)[0, 0])


@pytest.mark.parametrize("decay_s", [None, 0.15, 0.5, 4.0])
def test_agrees_with_the_inverted_fisher_information(decay_s):
    # The closed forms neglect the mirror tone: 1 / (f T) ~ 1e-3 here, hence 0.5 %.
    exact = fisher_sd_hz(0.1, 0.01, decay_s, 48000, 24000, 440.3)
    bound = (
        decaying_tone_sd_hz(0.1, 0.01, decay_s=decay_s, n=48000, rate_hz=24000)
        if decay_s
        else steady_tone_sd_hz(0.1, 0.01, n=48000, rate_hz=24000)
    )
    assert bound == pytest.approx(exact, rel=5e-3)


def test_a_very_slow_decay_is_a_steady_tone():
    steady = steady_tone_sd_hz(0.1, 0.01, **CASE)
    for decay_s in (1500.0, 2500.0, 1e9):  # either side of where the closed form is given up
        slow = decaying_tone_sd_hz(0.1, 0.01, decay_s=decay_s, **CASE)
        assert slow == pytest.approx(steady, rel=2e-3)
