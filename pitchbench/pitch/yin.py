"""The tracker: a quick pitch for every few milliseconds of sound, after the YIN method.

A. de Cheveigné and H. Kawahara, "YIN, a fundamental frequency estimator for speech and music",
J. Acoust. Soc. Am. 111(4) 1917 (2002): difference function, cumulative mean normalisation, first
dip under a threshold, parabolic interpolation. Here the difference function comes from transforms
of whole batches of frames, on sound brought down to about 24 kHz.

The tracker names the note and draws it live. It is no reading: a period is pulled sharp by
stiffness, and refining that is the work of :mod:`pitchbench.pitch.settle`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import scipy  # its parts load when first used: commands that only read records need none
from numpy.typing import NDArray

#: The range looked for: from a little below B0 (30.87 Hz) to a little above E6 (1318.5 Hz).
F_MIN_HZ: Final = 28.0
F_MAX_HZ: Final = 1400.0
#: Depth of the dip that counts as a period; the paper's own value is 0.1 to 0.15.
DIP: Final = 0.15
#: The tracker works at no more than about this rate: periods of E6 still span 18 samples.
_WORKING_RATE_HZ: Final = 24000
#: Frames are transformed this many at a time, which keeps the working set in the cache.
_BATCH: Final = 32

Samples = NDArray[np.floating[Any]]


@dataclass(frozen=True, eq=False)
class Track:
    """Pitch against time; every array has shape (frames,).

    Parameters
    ----------
    time_s : middle of each frame, seconds from the first sample.
    f0_hz : period's frequency; of use only where ``clarity`` is high.
    clarity : 1 for a perfect period, 0 for noise (1 minus the normalised difference).
    rival : the same of a half, a third or a quarter of the period, whichever fits best: high where
        several periods may have been taken for one, as while an attack grows.
    """

    time_s: NDArray[np.float64]
    f0_hz: NDArray[np.float64]
    clarity: NDArray[np.float64]
    rival: NDArray[np.float64]


def track(
    samples: Samples,
    rate_hz: int,
    *,
    fmin_hz: float = F_MIN_HZ,
    fmax_hz: float = F_MAX_HZ,
    hop: int = 512,
) -> Track:
    """Track the pitch of ``samples`` every ``hop`` samples.

    Parameters
    ----------
    samples : shape (n,), mono.
    rate_hz : sampling rate, at least 8000.
    fmin_hz, fmax_hz : the range looked for; a frame spans two periods of ``fmin_hz``.
    hop : samples from one frame to the next.

    Returns
    -------
    Track
        Empty when the samples are shorter than one frame.
    """
    down = max(1, rate_hz // _WORKING_RATE_HZ)
    x = _brought_down(np.asarray(samples, dtype=np.float32), down)
    rate = rate_hz / down
    longest = int(np.ceil(rate / fmin_hz)) + 1
    shortest = max(2, int(rate / fmax_hz))
    length = 2 * longest
    if len(x) < length:
        return Track(*(np.empty(0) for _ in range(4)))
    starts = np.arange(0, len(x) - length + 1, hop / down).astype(np.intp)
    frames = np.lib.stride_tricks.sliding_window_view(x, length)
    # Energy of the W samples from every sample on: one running sum serves all frames and lags.
    running = np.concatenate(([0.0], np.cumsum(np.square(x, dtype=np.float64))))
    energy = np.lib.stride_tricks.sliding_window_view(
        (running[longest:] - running[:-longest]).astype(np.float32), longest
    )
    period, clarity, rival = np.empty((3, len(starts)))
    for first in range(0, len(starts), _BATCH):
        chosen = slice(first, first + _BATCH)
        difference = _difference(frames[starts[chosen]], energy[starts[chosen]])
        period[chosen], clarity[chosen], rival[chosen] = _first_dip(difference, shortest)
    middle = (starts.astype(np.float64) + 0.5 * length) / rate
    return Track(middle, np.divide(rate, period), clarity, rival)


def _brought_down(x: NDArray[np.float32], down: int) -> NDArray[np.float32]:
    """Every ``down``-th sample after a short low-pass; the tracker needs no steep one."""
    if down == 1:
        return x
    reach = 4 * down
    taps = np.sinc(np.arange(-reach, reach + 1) / down) * np.hamming(2 * reach + 1)
    taps /= taps.sum()
    count = -(-len(x) // down)
    padded = np.pad(x, (reach, reach + down))
    lowered = np.zeros(count, dtype=np.float32)
    for start, tap in enumerate(taps.tolist()):
        lowered += tap * padded[start : start + count * down : down]
    return lowered


def _difference(frames: NDArray[np.float32], energy: NDArray[np.float32]) -> NDArray[np.float32]:
    """d(tau) = sum over j < W of (x_j - x_{j+tau})^2; shape (frames, W).

    ``frames`` has shape (frames, 2 W); ``energy[:, tau]`` is the energy of samples tau to tau + W.
    """
    longest = energy.shape[1]
    size = scipy.fft.next_fast_len(frames.shape[1], real=True)
    spectrum = scipy.fft.rfft(frames[:, :longest], size, axis=1)
    np.conj(spectrum, out=spectrum)
    spectrum *= scipy.fft.rfft(frames, size, axis=1)
    difference: NDArray[np.float32] = scipy.fft.irfft(spectrum, size, axis=1)[:, :longest]
    difference *= -2.0
    difference += energy
    difference += energy[:, :1]
    return difference


def _first_dip(
    difference: NDArray[np.float32], shortest: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Period in samples, clarity and rival of each frame of ``difference``, shape (frames, lags).

    The first dip below the threshold keeps the octave safe: later ones are multiples of the period.
    """
    lags = np.arange(difference.shape[1], dtype=np.float32)
    total = np.cumsum(difference, axis=1)
    norm = np.ones_like(difference)
    np.divide(difference * lags, total, out=norm, where=total > 0)
    inner = norm[:, shortest:-1]
    dip = (inner < DIP) & (inner <= norm[:, shortest - 1 : -2]) & (inner < norm[:, shortest + 1 :])
    first = np.where(dip.any(axis=1), dip.argmax(axis=1), inner.argmin(axis=1)) + shortest
    rows = np.arange(len(difference))
    before, here, after = (difference[rows, first + step].astype(np.float64) for step in (-1, 0, 1))
    bend = before - 2 * here + after
    # The parabola through the unnormalised difference, as in the paper: the normalised one leans.
    shift = np.zeros_like(here)
    np.divide(0.5 * (before - after), bend, out=shift, where=bend > 0)
    parts = np.array([2, 3, 4])[:, None, None]
    near = np.maximum(first // parts + np.arange(-1, 3)[:, None], 0)
    other = np.where(first >= shortest * parts, norm[rows, near], 1.0).min(axis=(0, 1))
    clarity, rival = (
        np.clip(1.0 - depth.astype(np.float64), 0.0, 1.0) for depth in (norm[rows, first], other)
    )
    return first + np.clip(shift, -1.0, 1.0), clarity, rival
