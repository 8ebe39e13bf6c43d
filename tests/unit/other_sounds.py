"""Sounds in a workshop that are no fretted pluck. All of them are inventions of ours: voices are a
source and formants, levels and times are of the size that one hears; nothing here was recorded."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 48000
Sound = NDArray[np.float64]

#: First three formants in Hz of some vowels of a man's voice: from memory, good for a timbre.
VOWELS = {
    "a": (700, 1200, 2500),
    "e": (450, 1900, 2500),
    "i": (300, 2200, 2900),
    "o": (450, 850, 2500),
    "u": (320, 800, 2300),
    "m": (250, 1100, 2200),
}


def silence(seconds: float) -> Sound:
    return np.zeros(round(seconds * RATE_HZ))


def in_a_room(*parts: Sound, noise: float = 1e-4, seed: int = 1) -> NDArray[np.float32]:
    """The parts one after another, in a room that is not quite silent."""
    sound = np.concatenate(parts)
    return (sound + np.random.default_rng(seed).normal(0.0, noise, sound.size)).astype(np.float32)


def swelling(seconds: float, rise_s: float, fall_s: float) -> Sound:
    """An envelope that rises and falls gently."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    ends = np.minimum(t / rise_s, (seconds - t) / fall_s).clip(0.0, 1.0)
    return np.sin(0.5 * np.pi * ends) ** 2


def slowly(rng: np.random.Generator, size: int, per_s: float) -> Sound:
    """Unit noise that changes some ``per_s`` times a second."""
    steps = int(size / RATE_HZ * per_s) + 4
    fine = np.interp(np.arange(size) * per_s / RATE_HZ, np.arange(steps), rng.normal(size=steps))
    return np.asarray(fine)


def voice(
    f0_hz: Sound, vowel: str, *, level: float = 0.1, shimmer_db: float = 0.7, seed: int = 1
) -> Sound:
    """A voice on one vowel that follows ``f0_hz``, sample by sample."""
    rng = np.random.default_rng(seed)
    phase = 2.0 * np.pi * np.cumsum(f0_hz) / RATE_HZ
    sound = np.zeros(f0_hz.size)
    for k in range(1, int(4000.0 / f0_hz.max()) + 1):
        f_hz = k * float(f0_hz.mean())
        # The glottis falls by 12 dB an octave, the mouth raises what lies near its formants.
        loud = sum(1.0 / (1.0 + ((f_hz - formant) / 90.0) ** 2) for formant in VOWELS[vowel])
        sound += (0.02 + loud) / k**1.2 * np.sin(k * phase + rng.uniform(0.0, 6.3))
    sound *= 10.0 ** (shimmer_db * slowly(rng, sound.size, 8.0) / 20.0)
    return level * sound / np.sqrt(np.mean(np.square(sound)))


def hummed(
    f0_hz: float, seconds: float = 2.0, *, unsteady_cents: float = 12.0, seed: int = 1
) -> Sound:
    """Somebody hums a note and holds it, as well as a person can."""
    rng = np.random.default_rng(seed)
    size = round(seconds * RATE_HZ)
    cents = unsteady_cents * slowly(rng, size, 5.0) - 60.0 * np.exp(
        -np.arange(size) / RATE_HZ / 0.08
    )
    sound = voice(f0_hz * 2.0 ** (cents / 1200.0), "m", seed=seed)
    return sound * swelling(seconds, 0.12, 0.2)


def sung(f0_hz: float, seconds: float = 2.0, *, seed: int = 1) -> Sound:
    """A sung vowel with vibrato."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    cents = 35.0 * np.sin(2.0 * np.pi * 5.5 * t) * np.clip(t / 0.6, 0.0, 1.0)
    return voice(f0_hz * 2.0 ** (cents / 1200.0), "a", seed=seed) * swelling(seconds, 0.08, 0.15)


def talk(seconds: float, *, f0_hz: float = 115.0, seed: int = 1) -> Sound:
    """Syllables with hisses and stops between them, their pitch falling and rising by semitones."""
    rng = np.random.default_rng(seed)
    parts: list[Sound] = []
    while sum(map(len, parts)) < seconds * RATE_HZ:
        size = round(rng.uniform(0.1, 0.32) * RATE_HZ)
        tune = rng.uniform(-3.0, 3.0) + np.linspace(0.0, rng.uniform(-4.0, 2.0), size)
        length = size / RATE_HZ
        syllable = voice(
            f0_hz * 2.0 ** (tune / 12.0),
            str(rng.choice(list(VOWELS))),
            level=rng.uniform(0.03, 0.1),
            seed=int(rng.integers(1 << 30)),
        )
        syllable *= swelling(length, rng.uniform(0.008, 0.05), rng.uniform(0.03, 0.1))
        match rng.integers(4):
            case 0:  # a stop: silence, then a burst
                burst = rng.normal(0.0, 0.04, round(0.012 * RATE_HZ))
                parts += [
                    silence(rng.uniform(0.03, 0.08)),
                    burst * np.linspace(1.0, 0.0, burst.size),
                ]
            case 1:  # a hiss
                hiss = np.diff(rng.normal(0.0, 0.02, round(rng.uniform(0.05, 0.12) * RATE_HZ)))
                parts.append(hiss * swelling(hiss.size / RATE_HZ, 0.02, 0.02)[: hiss.size])
            case 2:  # a breath
                parts.append(silence(rng.uniform(0.1, 0.6)))
        parts.append(syllable)
    return np.concatenate(parts)[: round(seconds * RATE_HZ)]


def beep(*f_hz: float, seconds: float = 0.8, level: float = 0.1) -> Sound:
    """A telephone: steady tones, switched on and off within 5 ms."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return level * sum(np.sin(2.0 * np.pi * f * t) for f in f_hz) * swelling(seconds, 0.005, 0.005)


def tick(*, level: float = 0.1, fall_s: float = 0.003, seed: int = 1) -> Sound:
    """A fingernail, a switch: a burst of noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(10.0 * fall_s * RATE_HZ)) / RATE_HZ
    return level * rng.normal(size=t.size) * np.exp(-t / fall_s)


def knock(*, level: float = 0.3, modes_hz: tuple[float, ...] = (98.0, 190.0, 225.0)) -> Sound:
    """A knuckle on the body: a few of its modes, gone within a tenth of a second."""
    t = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
    return level * sum(np.exp(-t / 0.02) * np.sin(2.0 * np.pi * f * t) for f in modes_hz) + np.pad(
        tick(level=level, fall_s=0.002), (0, t.size - round(0.02 * RATE_HZ))
    )


def over(sound: Sound, other: Sound, at_s: float) -> Sound:
    """``other`` added to ``sound``, from ``at_s`` on."""
    first = round(at_s * RATE_HZ)
    whole = np.zeros(max(sound.size, first + other.size))
    whole[: sound.size] += sound
    whole[first : first + other.size] += other
    return whole
