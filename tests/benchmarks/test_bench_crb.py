"""The bound that the efficiency benchmark divides by, against the inverted Fisher information."""

from __future__ import annotations

import math

import bench_crb
import numpy as np
import pytest

from pitchbench.pitch.bounds import as_cents


def fisher_bound_cents(case, rate_hz):
    """From first principles: f0, B, and every partial's amplitude, phase and decay unknown."""
    n = round(case.ring_s * rate_hz)
    t = np.arange(n) / rate_hz
    f0 = case.f1_hz / math.sqrt(1.0 + case.stiffness_b)
    columns = [np.zeros(n), np.zeros(n)]
    for index, (a, decay_s) in enumerate(zip(case.amplitudes, case.decay_s, strict=True)):
        k = index + 1
        root = math.sqrt(1.0 + case.stiffness_b * k**2)
        envelope = np.exp(-t / decay_s)
        angle = 2.0 * np.pi * k * f0 * root * t + 0.7 * k**2
        slope = -2.0 * np.pi * t * a * envelope * np.sin(angle)
        columns[0] += slope * k * root
        columns[1] += slope * k * f0 * k**2 / (2.0 * root)
        columns += [-a * envelope * np.sin(angle), envelope * np.cos(angle)]
        columns.append(t * envelope * np.cos(angle))
    scale = np.array([np.linalg.norm(column) for column in columns])
    jacobian = np.stack(columns, axis=1) / scale
    covariance = np.linalg.inv(jacobian.T @ jacobian) * case.noise**2 / np.outer(scale, scale)
    root = math.sqrt(1.0 + case.stiffness_b)
    gradient = np.zeros(scale.size)
    gradient[:2] = root, f0 / (2.0 * root)
    return as_cents(math.sqrt(gradient @ covariance @ gradient), case.f1_hz)


SETS = [case for case in bench_crb.CASES if len(case.amplitudes) > 1]


@pytest.mark.parametrize("case", SETS, ids=lambda case: case.name)
def test_the_bound_is_the_inverted_fisher_information(case, monkeypatch):
    # At a tenth of the rate, which both sides see alike, so that the matrices stay small.
    monkeypatch.setattr(bench_crb, "RATE_HZ", 4800)
    exact = fisher_bound_cents(case, 4800)
    # Partials of 41 Hz and up over 2 s and more touch each other by less than a per cent.
    assert bench_crb.bound_cents(case) == pytest.approx(exact, rel=0.01)


@pytest.mark.parametrize("case", bench_crb.CASES, ids=lambda case: case.name)
def test_what_the_bound_is_held_against_is_read(case):
    error, u = bench_crb.errors_cents(case, 2)
    assert error.size == 2
    assert np.abs(error).max() < 3.0 * u.min()
