"""The frequency of one partial over a long window: an independent check of rendered sound.

It shares nothing with the program: a zoom transform to start with, then the slope of the phase over
baselines that grow, so that it never slips a cycle. Import it as ``reference.partial_freq``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def partial_freq(
    samples: NDArray[np.floating],
    rate_hz: float,
    guess_hz: float,
    start_s: float,
    end_s: float,
    max_cents: float = 30.0,
) -> float:
    """Frequency in Hz of the partial nearest ``guess_hz`` in ``samples`` from start to end."""
    window = np.asarray(samples[int(start_s * rate_hz) : int(end_s * rate_hz)], float)
    n = np.arange(window.size)
    tapered = window * np.hanning(window.size)
    # A fifth of a bin of the window: the phase slope then starts well inside its range.
    reach_hz = guess_hz * (2 ** (max_cents / 1200) - 1)
    grid = guess_hz + np.arange(-reach_hz, reach_hz, 0.2 * rate_hz / window.size)
    power = [abs((tapered * np.exp(-2j * np.pi * f * n / rate_hz)).sum()) for f in grid]
    f_hz = float(grid[int(np.argmax(power))])
    for parts in (4, 2):
        length = window.size // parts
        taper = np.hanning(length)
        for _ in range(3):
            base = window * np.exp(-2j * np.pi * f_hz * n / rate_hz)
            sums = [(base[i * length : (i + 1) * length] * taper).sum() for i in range(parts)]
            turn = sum(sums[i + 1] * np.conj(sums[i]) for i in range(parts - 1))
            f_hz += float(np.angle(turn)) / (2 * np.pi * length / rate_hz)
    return f_hz
