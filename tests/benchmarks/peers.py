"""General-purpose pitch trackers, each given a fair chance at the settled pitch of one pluck.

Each returns the median of its f0 over the tail. Settings: of those tried on forty plucks (windows
of 2048, 4096 and 8192 samples; Praat with and without its accurate option) the one with the
smallest median error is used, with longer windows where the note's period asks for it.
"""

# ruff: noqa: PLC0415 - each library is loaded only when it is asked

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

HOP = 512


@dataclass(frozen=True)
class Tail:
    """The part of a sound in which a tracker's values count, and where its instrument plays.

    ``start`` and ``stop`` are samples; ``fmin_hz`` and ``fmax_hz`` the range of the instrument;
    ``near_hz`` the note, for the one tracker that would be too slow without knowing it.
    """

    samples: NDArray[np.float32]
    rate_hz: int
    start: int
    stop: int
    fmin_hz: float
    fmax_hz: float
    near_hz: float

    @property
    def window(self) -> int:
        """A window that holds two periods of the lowest note and more."""
        return 8192 if self.fmin_hz < 50.0 else 4096


def _median(f0_hz: NDArray[np.float64]) -> float:
    """Median of the voiced values; NaN where there are none."""
    voiced = f0_hz[np.isfinite(f0_hz) & (f0_hz > 0.0)]
    return float(np.median(voiced)) if voiced.size else float("nan")


def track_with_aubio(
    method: str, samples: NDArray[np.float32], rate_hz: int, window: int = 4096
) -> NDArray[np.float64]:
    """aubio's f0 for every hop of ``samples``: the loop that its users write."""
    import aubio

    tracker = aubio.pitch(method, window, HOP, rate_hz)
    tracker.set_unit("Hz")
    # It ignores strides, so hops must be contiguous float32.
    hops = np.ascontiguousarray(samples, dtype=np.float32)
    ends = range(HOP, samples.size + 1, HOP)
    return np.array([tracker(hops[end - HOP : end])[0] for end in ends], dtype=np.float64)


def _aubio(method: str, tail: Tail) -> float:
    """The whole sound is tracked, and the frames that lie in the tail count."""
    f0_hz = track_with_aubio(method, tail.samples[: tail.stop], tail.rate_hz, tail.window)
    f0_hz[(f0_hz < tail.fmin_hz) | (f0_hz > tail.fmax_hz)] = np.nan
    begin = HOP * (1 + np.arange(f0_hz.size)) - tail.window
    return _median(f0_hz[begin >= tail.start])


def aubio_yin(tail: Tail) -> float:
    """aubio, method "yin"."""
    return _aubio("yin", tail)


def aubio_yinfast(tail: Tail) -> float:
    """aubio, method "yinfast"."""
    return _aubio("yinfast", tail)


def librosa_yin(tail: Tail) -> float:
    """librosa.yin over the tail alone."""
    import librosa

    f0_hz = librosa.yin(
        tail.samples[tail.start : tail.stop],
        fmin=tail.fmin_hz,
        fmax=tail.fmax_hz,
        sr=tail.rate_hz,
        frame_length=tail.window,
        hop_length=HOP,
        center=False,
    )
    return _median(f0_hz)


def librosa_pyin(tail: Tail) -> float:
    """librosa.pyin over the tail alone, its grid refined from 10 to 2 cents.

    Its time grows with the square of the number of steps, so the grid spans the seven semitones
    on either side of the note, which spares it every octave error.
    """
    import librosa

    f0_hz, _, _ = librosa.pyin(
        tail.samples[tail.start : tail.stop],
        fmin=tail.near_hz * 2.0 ** (-7.0 / 12.0),
        fmax=tail.near_hz * 2.0 ** (7.0 / 12.0),
        sr=tail.rate_hz,
        frame_length=tail.window,
        hop_length=2 * HOP,
        resolution=0.02,
        center=False,
    )
    return _median(f0_hz)


def praat_autocorrelation(tail: Tail, *, accurate: bool = True) -> float:
    """Praat's autocorrelation method, through parselmouth, over the tail alone."""
    import parselmouth

    sound = parselmouth.Sound(
        tail.samples[tail.start : tail.stop].astype(np.float64), sampling_frequency=tail.rate_hz
    )
    pitch = sound.to_pitch_ac(
        time_step=0.01,
        pitch_floor=tail.fmin_hz,
        pitch_ceiling=tail.fmax_hz,
        very_accurate=accurate,
    )
    return _median(pitch.selected_array["frequency"])


PEERS: dict[str, Callable[[Tail], float]] = {
    "aubio yin": aubio_yin,
    "aubio yinfast": aubio_yinfast,
    "librosa yin": librosa_yin,
    "librosa pyin": librosa_pyin,
    "Praat autocorrelation": praat_autocorrelation,
}
