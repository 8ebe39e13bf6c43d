"""Level, noise floor and hum on synthetic sound of known truth."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from pitchbench.sound.level import LevelMeter, decibels
from pitchbench.sound.noise import Condition, Silence, analyse_silence

RATE_HZ = 48_000


def room(
    *, noise_sd: float = 1e-4, seconds: float = 4.0, seed: int = 0, rate_hz: int = RATE_HZ
) -> NDArray[np.float64]:
    return noise_sd * np.random.default_rng(seed).standard_normal(round(seconds * rate_hz))


def sine(f_hz: float, amplitude: float, like: NDArray[np.float64], rate_hz: int = RATE_HZ):
    return amplitude * np.sin(2 * np.pi * f_hz * np.arange(len(like)) / rate_hz + 0.3)


def analysed(samples: NDArray[np.float64], rate_hz: int = RATE_HZ) -> Silence:
    return analyse_silence(samples.astype(np.float32), rate_hz)


def rms_db(amplitude: float) -> float:
    return 20 * math.log10(amplitude / math.sqrt(2))


def test_decibels() -> None:
    assert decibels(1.0) == 0.0
    assert decibels(0.1) == pytest.approx(-20.0, abs=1e-12)
    assert decibels(0.0) is None


def test_the_meter_follows_peak_clipping_and_zeros() -> None:
    meter = LevelMeter(100)
    for samples in ([0.1, -0.5, 0.0], [0.0, 0.0], [1.0, -1.0, 0.25], [0.0] * 150, [0.0] * 49):
        meter.feed(np.array(samples, np.float32))
    assert (meter.peak, meter.clipped, meter.dead) == (1.0, 2, False)
    assert meter.zeros_s == pytest.approx(1.99)
    meter.feed(np.zeros(1, np.float32))
    assert meter.dead
    meter.feed(np.array([1e-30], np.float32))
    assert (meter.dead, meter.zeros_s) == (False, 0.0)
    meter.feed(np.zeros(0, np.float32))
    assert meter.peak == 1.0


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 192_000])
@pytest.mark.parametrize("seed", range(3))
def test_the_floor_of_white_noise(rate_hz: int, seed: int) -> None:
    silence = analysed(room(seed=seed, rate_hz=rate_hz), rate_hz)
    share = (min(5_000.0, rate_hz / 2) - 20.0) / (rate_hz / 2)
    # 4 s hold some 30000 independent values in the band: they scatter by 0.05 dB.
    assert silence.floor_dbfs == pytest.approx(-80 + 10 * math.log10(share), abs=0.2)
    assert silence.level_dbfs == pytest.approx(-80, abs=0.2)
    assert silence.condition is Condition.OK
    # Near one note 61 bins of 1 Hz from 7 overlapping spectra: the density scatters by 6 %, its
    # root by 3 %.
    assert silence.white_noise_sd(82.4, rate_hz) == pytest.approx(1e-4, rel=0.12)


def test_white_noise_has_no_hum() -> None:
    found = [line for seed in range(20) for line in analysed(room(seed=seed)).hum]
    assert found == []


@pytest.mark.parametrize("mains_hz", [50.0, 59.9, 60.0, 50.1])
def test_hum_is_measured_and_taken_out_of_the_floor(mains_hz: float) -> None:
    samples = room()
    amplitudes = {1: 3e-4, 3: 1e-3, 9: 2e-4}
    hum = sum(sine(k * mains_hz, a, samples) for k, a in amplitudes.items())
    silence = analysed(samples + hum)
    assert silence.mains_hz == round(mains_hz, -1)
    assert [line.frequency_hz for line in silence.hum] == [k * silence.mains_hz for k in amplitudes]
    for line, amplitude in zip(silence.hum, amplitudes.values(), strict=True):
        # The weakest line stands 31 dB above the noise in its nine bins: 0.3 dB of leakage and
        # noise is generous, 1 dB would already be seen.
        assert line.level_dbfs == pytest.approx(rms_db(amplitude), abs=0.3)
        assert line.above_floor_db == pytest.approx(line.level_dbfs - silence.floor_dbfs)
    together = math.sqrt(sum(a**2 for a in amplitudes.values()))
    assert silence.hum_dbfs == pytest.approx(rms_db(together), abs=0.1)
    assert silence.floor_dbfs == pytest.approx(analysed(samples).floor_dbfs, abs=0.2)
    assert silence.condition is Condition.HUM


def test_hum_below_the_noise_is_no_trouble() -> None:
    samples = room(noise_sd=1e-3)
    silence = analysed(samples + sine(50, 1e-4, samples))
    assert silence.condition is Condition.OK


def test_a_dc_offset_is_neither_level_nor_noise() -> None:
    silence = analysed(room() + 0.2)
    assert silence.level_dbfs == pytest.approx(-80, abs=0.2)
    assert silence.floor_dbfs == pytest.approx(analysed(room()).floor_dbfs, abs=0.1)


@pytest.mark.parametrize(
    ("samples", "condition"),
    [
        (np.zeros(4 * RATE_HZ), Condition.NOTHING_HEARD),
        (np.full(4 * RATE_HZ, 0.25), Condition.NOTHING_HEARD),
        (
            np.concatenate([room(seconds=1.9), np.zeros(round(2.1 * RATE_HZ))]),
            Condition.NOTHING_HEARD,
        ),
        (room(noise_sd=0.05), Condition.TOO_NOISY),
        (np.clip(room(noise_sd=0.5), -1, 1), Condition.CLIPPING),
        (room(noise_sd=1e-5), Condition.OK),
    ],
    ids=["zeros", "constant", "muted half-way", "loud", "clipped", "quiet"],
)
def test_conditions(samples: NDArray[np.float64], condition: Condition) -> None:
    assert analysed(samples).condition is condition


def test_too_short_a_silence_is_refused() -> None:
    with pytest.raises(ValueError, match="2"):
        analysed(room(seconds=1.9))
