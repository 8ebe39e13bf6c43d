"""Readings invented for the tests: what is not said of them is what a good pluck has."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from pitchbench.pitch.reading import NO_TRACE, Reading, Trace


def a_reading(pitch_hz: float, onset_s: float = 0.0, **said: Any) -> Reading:
    """A settled pluck of this pitch, without frames and partials unless they are given."""
    usual = Reading(
        onset_s=onset_s,
        ring_s=2.5,
        pitch_hz=pitch_hz,
        u_cents=0.05,
        attack_cents=6.0,
        settle_s=0.6,
        tail_s=1.9,
        wander_cents=0.1,
        stiffness_b=None,
        snr_db=40.0,
        trace=NO_TRACE,
        partials=(),
    )
    return replace(usual, **said)


def a_glide(
    pitch_hz: float, ring_s: float, *, attack_cents: float = 7.1, wander_cents: float = 0.1
) -> Trace:
    """The frames of a pluck that begins sharp, sinks to this pitch and wanders slowly about it."""
    time_s = np.arange(0.02, ring_s, 0.02)
    cents = attack_cents * np.exp(-time_s / 0.35)
    cents += wander_cents * 1.4 * np.sin(2.0 * np.pi * 0.9 * time_s)
    return Trace(time_s, pitch_hz * 2.0 ** (cents / 1200.0), -20.0 - 5.0 * time_s)
