"""The sound while nobody plays: noise floor, hum of the mains, and what they allow.

All levels are in dB below full scale of the RMS value: a sine of amplitude 1 has -3.01 dBFS.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import welch

from pitchbench.sound.level import DEAD_AFTER_S, LevelMeter, decibels

#: Where guitars and basses sound; rumble below and hiss above hurt no reading.
BAND_HZ: Final = (20.0, 5_000.0)
MAINS_HZ: Final = (50.0, 60.0)
HARMONICS: Final = 10

#: Least length of silence that can be judged: some spectra of 1 s to average.
LEAST_S: Final = 2.0

# Half-width in bins (of 1 Hz) in which a line of the mains lies: the main lobe of the Hann window
# is 2 bins each way, and the mains frequency may wander by 0.2 Hz, which is 2 Hz at harmonic 10.
_LINE_BINS: Final = 4

# Within how many Hz of a frequency its noise is measured.
_NEARBY_HZ: Final = 30.0

# A reading wants the note 25 dB above the noise. A soft pluck's first partial of amplitude 0.1 has
# -23 dBFS, which leaves this. Common practice, no source.
_NOISY_ABOVE_DB: Final = -48.0

# Hum is worth a word where it is both stronger than all other noise together and not negligible
# beside a soft note. Common practice, no source.
_HUM_ABOVE_FLOOR_DB: Final = 3.0
_HUM_ABOVE_DB: Final = -75.0


class Condition(StrEnum):
    """The condition of the input by its silence; the words are what people read."""

    OK = "ok"
    NOTHING_HEARD = "nothing is heard"
    CLIPPING = "clipping"
    TOO_NOISY = "too noisy"
    HUM = "hum"


@dataclass(frozen=True)
class HumLine:
    """The mains frequency or a multiple of it; ``above_floor_db`` compares with the whole floor."""

    frequency_hz: float
    level_dbfs: float
    above_floor_db: float


@dataclass(frozen=True, eq=False)
class Silence:
    """The sound heard while nobody played, in numbers.

    Parameters
    ----------
    heard_s : how long it was listened to.
    level_dbfs : RMS level of everything, its mean taken off; None if there was nothing.
    peak_dbfs : highest sample.
    floor_dbfs : RMS level of the noise from 20 to 5000 Hz, without the mains.
    mains_hz : 50 or 60, whichever is stronger.
    hum_dbfs : RMS level of the mains and its multiples together; None if nothing stands out.
    hum : the lines that stand out of the noise beside them.
    clipped : number of samples at full scale.
    zeros_s : length of the exact zeros at the end.
    frequency_hz, density : the noise's power density (full scale squared per Hz) without the
        mains, both shape (n,).
    """

    heard_s: float
    level_dbfs: float | None
    peak_dbfs: float | None
    floor_dbfs: float | None
    mains_hz: float | None
    hum_dbfs: float | None
    hum: tuple[HumLine, ...]
    clipped: int
    zeros_s: float
    frequency_hz: NDArray[np.float64]
    density: NDArray[np.float64]

    @property
    def condition(self) -> Condition:
        """The worst that can be said, in one word or two."""
        if self.floor_dbfs is None or self.zeros_s >= DEAD_AFTER_S:
            return Condition.NOTHING_HEARD
        if self.clipped:
            return Condition.CLIPPING
        if self.floor_dbfs > _NOISY_ABOVE_DB:
            return Condition.TOO_NOISY
        if (
            self.hum_dbfs is not None
            and self.hum_dbfs > _HUM_ABOVE_DB
            and self.hum_dbfs > self.floor_dbfs + _HUM_ABOVE_FLOOR_DB
        ):
            return Condition.HUM
        return Condition.OK

    def white_noise_sd(self, frequency_hz: float, rate_hz: int) -> float:
        """Standard deviation of the white noise that is as dense as this noise near a frequency."""
        nearby = np.abs(self.frequency_hz - frequency_hz) <= _NEARBY_HZ
        return math.sqrt(float(self.density[nearby].mean()) * rate_hz / 2.0)


def analyse_silence(samples: NDArray[np.float32], rate_hz: int) -> Silence:
    """Measure noise and hum in ``samples``, shape (n,), at least ``LEAST_S`` long.

    Spectra of 1 s (Hann window, half overlapping) are averaged (Welch 1967). Where the mains and
    its multiples lie, the noise beside them stands in.

    Raises
    ------
    ValueError
        If there are too few samples.
    """
    if len(samples) < LEAST_S * rate_hz:
        raise ValueError(f"silence of {LEAST_S} s or more is needed")
    meter = LevelMeter(rate_hz)
    meter.feed(samples)
    frequency_hz, density = welch(samples.astype(np.float64), rate_hz, nperseg=rate_hz)
    by_mains = [_lines(density, mains_hz) for mains_hz in MAINS_HZ]
    strongest = int(np.argmax([power.sum() for power, _ in by_mains]))
    line_power, noise = by_mains[strongest]
    band = (frequency_hz >= BAND_HZ[0]) & (frequency_hz <= BAND_HZ[1])
    floor_dbfs = decibels(math.sqrt(noise[band].sum()))
    mains_hz = MAINS_HZ[strongest]
    hum = tuple(
        HumLine(mains_hz * (k + 1), level, level - floor_dbfs)
        for k, power in enumerate(line_power)
        if floor_dbfs is not None and (level := decibels(math.sqrt(power))) is not None
    )
    return Silence(
        heard_s=len(samples) / rate_hz,
        level_dbfs=decibels(float(np.std(samples, dtype=np.float64))),
        peak_dbfs=decibels(meter.peak),
        floor_dbfs=floor_dbfs,
        mains_hz=mains_hz if hum else None,
        hum_dbfs=decibels(math.sqrt(line_power.sum())) if hum else None,
        hum=hum,
        clipped=meter.clipped,
        zeros_s=meter.zeros_s,
        frequency_hz=frequency_hz,
        density=noise,
    )


def _lines(
    density: NDArray[np.float64], mains_hz: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The power of each multiple of the mains, 0 where none stands out, and the noise without them.

    ``density`` has bins of 1 Hz, so that a sum over bins is a power.
    """
    noise = density.copy()
    power = np.zeros(HARMONICS)
    for k in range(HARMONICS):
        centre = round(mains_hz * (k + 1))
        line = slice(centre - _LINE_BINS, centre + _LINE_BINS + 1)
        beside = np.r_[density[centre - 15 : line.start], density[line.stop : centre + 16]]
        expected = float(beside.mean())
        # A bin averaged over K spectra scatters by about 1/sqrt(K), so a line stands out for sure
        # only where its bins together hold twice the noise that belongs there.
        excess = float((density[line] - expected).sum())
        if excess > expected * (2 * _LINE_BINS + 1):
            power[k] = excess
            noise[line] = expected
    return power, noise
