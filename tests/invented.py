"""Readings invented for the tests: what is not said of them is what a good pluck has."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from pitchbench.pitch.reading import NO_TRACE, Reading


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
