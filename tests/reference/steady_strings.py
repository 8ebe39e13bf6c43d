"""Plucks without glide or second polarisation, on which every sound method must agree."""

from __future__ import annotations

from benchmarks.plucks import PluckSpec
from numpy.typing import NDArray

from pitchbench.pitch.listener import Listener, ReadingReady
from pitchbench.pitch.reading import Reading
from pitchbench.sound.source import Block


def steady_string(f1_hz: float, *, stiffness_b: float, rate_hz: int = 48000) -> PluckSpec:
    """A plain long note in faint noise: 1/k partials, all decaying alike but for a little."""
    return PluckSpec(
        seed=7,
        rate_hz=rate_hz,
        f1_hz=f1_hz,
        stiffness_b=stiffness_b,
        fret=0,
        glide_cents=1e-9,
        decay_s=2.0,
        friction=0.03,
        bending=1.0,
        pluck_at=0.13,
        tilt=1.0,
        highpass_hz=5.0,
        body=False,
        ring_s=4.0,
        damping_s=0.03,
        pick_db=-25.0,
        pick_s=0.005,
        cross_cents=0.0,
        cross_db=-140.0,
        cross_decay=1.0,
        noise_db=-60.0,
        pink=0.3,
        hum_hz=50.0,
        hum_db=-120.0,
        peak=0.5,
        neighbour=None,
    )


def settled_reading(samples: NDArray, rate_hz: int) -> Reading:
    """The one settled reading of ``samples``, by the program itself."""
    listener = Listener(rate_hz)
    heard = [*listener.feed(Block(samples, 0, rate_hz)), *listener.finish()]
    readings = [h.reading for h in heard if isinstance(h, ReadingReady) and h.final]
    assert len(readings) == 1, f"{len(readings)} readings of one pluck"
    (reading,) = readings
    assert isinstance(reading, Reading), reading.reason
    return reading
