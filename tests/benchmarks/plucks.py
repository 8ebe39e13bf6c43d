"""Plucks with a known truth, for proving readings: a second, independent string.

Nothing here is shared with the program's own virtual instrument, so that one mistake cannot hide
in both. The physics (docs/definitions.md, sections 1 and 5, and as named below):

- partials of a stiff string, f_k = k f0 sqrt(1 + B k^2) (Fletcher 1964);
- an ideal pluck at a fraction beta of the length gives displacements ~ sin(k pi beta) / k^2;
- the tension, and with it the pitch, rises with the stretch, that is with the sum over partials
  of (k a_k)^2: every partial decays with a time of its own, so the glide is a sum of exponentials.
  Tension enters f_k^2 beside bending stiffness, which it does not change: partial k glides by
  delta / (1 + B k^2);
- losses: air (a constant rate), internal friction (rising with frequency) and bending (rising
  with B k^3), the form of Woodhouse 2004 (memory), and a scatter from the bridge;
- two polarisations with their own pitch and decay.

The sizes of all these are drawn at random from ranges that cover guitars and basses; they are our
own invention, not measurements.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import cumulative_simpson

#: The plucks drawn when nothing else is asked for.
SEED = 20250

#: Open strings as MIDI numbers: five-string bass, seven-string guitar and a low C2.
BASS_STRINGS = (23, 28, 33, 38, 43)
GUITAR_STRINGS = (35, 36, 40, 45, 50, 55, 59, 64)
FRETS = (0, 0, 0, 12, 12, 12, 1, 3, 5, 7, 9, 15)
#: Semitones from the played note to a neighbouring string that still rings.
INTERVALS = (-12, -7, -5, -4, 4, 5, 7, 12)


@dataclass(frozen=True)
class Neighbour:
    """Another string ringing: how many semitones above, how far below the note, from when."""

    semitones: float
    level_db: float
    stiffness_b: float
    already_ringing: bool


@dataclass(frozen=True)
class PluckSpec:
    """One pluck. Levels in dB are relative to the note's rms over its first 0.3 s.

    Parameters
    ----------
    seed : of everything random that is not named here (phases, noise, scatter of the decays).
    f1_hz, stiffness_b : settled first partial of the main polarisation, and B.
    fret : 0 when played open; only a label, the physics is in the numbers.
    glide_cents : how far above ``f1_hz`` the first partial starts.
    decay_s : time in which the first partial's amplitude falls by e.
    friction, bending : how fast the decay rates rise with the number of the partial.
    pluck_at : fraction of the string's length where it is plucked.
    tilt : the partials heard fall as k^-tilt beside the pluck's comb; velocity at a pickup and
        force on a bridge both fall as 1/k, bodies and windings take away more.
    highpass_hz : corner of the microphone or pickup, second order.
    body : True for a microphone before a body, which gives every partial and polarisation a phase
        and a gain of its own; False for a pickup, where they are in step.
    ring_s : onset to damping.
    damping_s : time in which the damping hand takes the amplitude down by e.
    pick_db, pick_s : level and length of the noise of the pick.
    cross_cents, cross_db, cross_decay : the second polarisation: how far above in pitch, level,
        and its decay time over that of the main one.
    noise_db, pink : level of the noise, and the share of its power that is pink.
    hum_hz, hum_db : mains frequency, and level of the hum with its harmonics.
    peak : peak of the finished sound, full scale 1.
    """

    seed: int
    rate_hz: int
    f1_hz: float
    stiffness_b: float
    fret: int
    glide_cents: float
    decay_s: float
    friction: float
    bending: float
    pluck_at: float
    tilt: float
    highpass_hz: float
    body: bool
    ring_s: float
    damping_s: float
    pick_db: float
    pick_s: float
    cross_cents: float
    cross_db: float
    cross_decay: float
    noise_db: float
    pink: float
    hum_hz: float
    hum_db: float
    peak: float
    neighbour: Neighbour | None
    preroll_s: float = 0.8
    postroll_s: float = 0.4

    @property
    def tags(self) -> frozenset[str]:
        """The kinds of difficulty this pluck has."""
        kinds = {
            "low": self.f1_hz < 84.0,
            "short": self.ring_s < 2.0,
            "noisy": self.noise_db > -35.0,
            "hum": self.hum_db > -45.0,
            "neighbour": self.neighbour is not None,
            "beating": self.cross_db > -15.0 and abs(self.cross_cents) > 0.3,
            "bass": self.stiffness_b > 2.5e-4,
        }
        return frozenset(name for name, holds in kinds.items() if holds)


@dataclass(frozen=True, eq=False)
class Truth:
    """What a reading of the pluck ought to say.

    ``stretch`` and ``stretch_rates_per_s`` hold the exponentials whose sum is half the relative
    rise of the tension; ``onset`` is the sample at which the string is let go; ``clear_s`` how
    long the string stands 10 dB above noise and hum.
    """

    f1_hz: float
    stiffness_b: float
    onset: int
    ring_s: float
    clear_s: float
    stretch: NDArray[np.float64]
    stretch_rates_per_s: NDArray[np.float64]

    def glide_cents(self, time_s: float) -> float:
        """How far the first partial is above ``f1_hz`` at ``time_s`` after the onset."""
        rise = self.stretch @ np.exp(-self.stretch_rates_per_s * time_s)
        return float(600.0 * np.log2(1.0 + 2.0 * rise / (1.0 + self.stiffness_b)))

    @property
    def attack_cents(self) -> float:
        """The glide just after the noise of the pick, taken as 30 ms."""
        return self.glide_cents(0.03)


def specs(n: int = 400, seed: int = SEED) -> list[PluckSpec]:
    """``n`` plucks drawn over the whole range, the same for the same seed."""
    rng = np.random.default_rng(seed)
    return [_draw(rng, 1000 * seed + index) for index in range(n)]


def _draw(rng: np.random.Generator, own_seed: int) -> PluckSpec:
    bass = rng.random() < 0.35
    midi = int(rng.choice(BASS_STRINGS if bass else GUITAR_STRINGS))
    fret = int(rng.choice(FRETS))
    note_hz = 440.0 * 2.0 ** ((midi + fret - 69) / 12.0)
    if bass:
        stiffness_b = min(1.3e-3, _log_uniform(rng, 5e-5, 3.3e-4) * 2.0 ** (fret / 6.0))
    else:
        stiffness_b = _log_uniform(rng, 2e-5, 2.5e-4)
    decay_s = _log_uniform(rng, 1.2, 8.0) * (30.87 / note_hz) ** 0.6
    ring_s = rng.uniform(1.2, 6.0)
    cross_db = rng.uniform(-25.0, -8.0)
    neighbour = None
    if rng.random() < 1 / 3:
        neighbour = Neighbour(
            semitones=float(rng.choice(INTERVALS)) + rng.normal(0.0, 0.06),
            level_db=rng.uniform(-45.0, -25.0),
            stiffness_b=_log_uniform(rng, 2e-5, 2.5e-4),
            already_ringing=bool(rng.random() < 0.5),
        )
    return PluckSpec(
        seed=own_seed,
        rate_hz=int(rng.choice((44100, 48000))),
        f1_hz=note_hz * 2.0 ** (rng.uniform(-25.0, 25.0) / 1200.0),
        stiffness_b=stiffness_b,
        fret=fret,
        glide_cents=_log_uniform(rng, 1.0, 20.0),
        decay_s=decay_s,
        friction=_log_uniform(rng, 0.03, 0.3),
        bending=_log_uniform(rng, 1.0, 8.0),
        pluck_at=rng.uniform(0.06, 0.3),
        tilt=rng.uniform(0.9, 2.0),
        highpass_hz=_log_uniform(rng, 10.0, 80.0),
        body=bool(rng.random() < 0.5),
        ring_s=ring_s,
        damping_s=rng.uniform(0.01, 0.06),
        pick_db=rng.uniform(-25.0, -3.0),
        pick_s=_log_uniform(rng, 0.002, 0.02),
        cross_cents=rng.uniform(-1.0, 1.0),
        cross_db=cross_db,
        cross_decay=_cross_decay(rng, cross_db, ring_s / decay_s),
        noise_db=rng.uniform(-55.0, -25.0),
        pink=rng.uniform(0.0, 1.0),
        hum_hz=float(rng.choice((50.0, 60.0))) + rng.normal(0.0, 0.02),
        hum_db=rng.uniform(-60.0, -35.0),
        peak=_log_uniform(rng, 0.05, 0.8),
        neighbour=neighbour,
    )


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _cross_decay(rng: np.random.Generator, cross_db: float, ring_over_decay: float) -> float:
    """A decay ratio for the second polarisation that keeps it the weaker one to the end.

    Were it to outlive the main one, there would be two settled pitches and no one truth.
    """
    most_db_gained = -5.0 - cross_db
    for _ in range(100):
        ratio = _log_uniform(rng, 0.4, 2.0)
        if 8.686 * ring_over_decay * (1.0 - 1.0 / ratio) <= most_db_gained:
            return ratio
    return 1.0


def render(spec: PluckSpec) -> tuple[NDArray[np.float32], Truth]:
    """The pluck with the noise before and after it, and its truth."""
    string, truth = _note(spec)
    onset = truth.onset
    sound = _background(spec, string.size)
    truth = replace(truth, clear_s=_clear_s(string[onset:], sound, spec))
    sound += string
    if spec.neighbour is not None:
        sound += _neighbour_sound(spec, string.size, onset)
    sound *= spec.peak / np.max(np.abs(sound))
    return sound.astype(np.float32), truth


def _clear_s(
    string: NDArray[np.float64], background: NDArray[np.float64], spec: PluckSpec
) -> float:
    """Until when the string stands 10 dB above the background, in steps of 0.1 s."""
    step = spec.rate_hz // 10
    steps = string[: string.size // step * step].reshape(-1, step)
    clear = np.sqrt(np.mean(steps**2, axis=1)) > np.sqrt(10.0) * np.std(background)
    last = int(np.flatnonzero(clear)[-1]) + 1 if clear.any() else 0
    return min(spec.ring_s, 0.1 * last)


def render_session(
    plucks: Sequence[PluckSpec],
    *,
    every_s: float = 6.0,
    rate_hz: int = 48000,
    levels_db: Sequence[float] = (),
) -> tuple[NDArray[np.float32], list[Truth]]:
    """One long recording: a pluck every ``every_s`` over one continuous background.

    Every pluck is brought to the same loudness, or to its own of ``levels_db``, and fits its place,
    silence around it included.
    """
    slot = round(every_s * rate_hz)
    plucks = [
        replace(
            spec,
            rate_hz=rate_hz,
            ring_s=min(spec.ring_s, every_s - spec.preroll_s - spec.postroll_s),
        )
        for spec in plucks
    ]
    sound = _background(plucks[0], slot * len(plucks))
    truths = []
    for number, spec in enumerate(plucks):
        string, truth = _note(spec)
        start = number * slot
        gain = 10.0 ** (levels_db[number] / 20.0) if levels_db else 1.0
        sound[start : start + string.size] += gain * string[:slot]
        truths.append(replace(truth, onset=start + truth.onset))
    sound *= plucks[0].peak / np.max(np.abs(sound))
    return sound.astype(np.float32), truths


def _note(spec: PluckSpec) -> tuple[NDArray[np.float64], Truth]:
    """The main string with its pick noise, of rms 1 over its first 0.3 s, silence before it."""
    rng = np.random.default_rng([spec.seed, 1])
    rate = spec.rate_hz
    onset = round(spec.preroll_s * rate)
    n = round((spec.ring_s + spec.postroll_s) * rate)
    time_s = np.arange(n) / rate

    number = np.arange(1, 61)
    stiff = spec.stiffness_b * number**2
    f0_hz = spec.f1_hz / np.sqrt(1.0 + spec.stiffness_b)
    partial_hz = number * f0_hz * np.sqrt(1.0 + stiff)
    number = number[partial_hz < min(11000.0, 0.45 * rate)]
    stiff, partial_hz = stiff[: number.size], partial_hz[: number.size]

    rates = _decay_rates(spec, number, rng)
    comb = np.sin(np.pi * number * spec.pluck_at)
    stretch, stretch_rates = _stretch(spec, comb, number, rates)
    # sqrt(1 + 2 d) = 1 + d - d^2 / 2 + ...: the next term is a thousandth of a cent at the onset.
    rise = sum(w * np.exp(-r * time_s) for w, r in zip(stretch, stretch_rates, strict=True))
    once_s = cumulative_simpson(rise, dx=1.0 / rate, initial=0.0)
    twice_s = cumulative_simpson(rise**2, dx=1.0 / rate, initial=0.0)

    heard = comb * number**-spec.tilt / (1.0 + (spec.highpass_hz / partial_hz) ** 2)
    phase = np.full(number.size, -np.pi / 2)
    cross_phase = phase.copy()
    if spec.body:
        heard *= 10.0 ** (rng.normal(0.0, 4.0, number.size) / 20.0)
        phase = rng.uniform(0.0, 2.0 * np.pi, number.size)
        cross_phase = rng.uniform(0.0, 2.0 * np.pi, number.size)
    cross = 10.0 ** (spec.cross_db / 20.0)
    split = 2.0 ** (spec.cross_cents / 1200.0)

    sound = np.zeros(n)
    for k in range(number.size):
        give = 1.0 / (1.0 + stiff[k])
        own_time_s = time_s + give * once_s - 0.5 * give**2 * twice_s
        for level, ratio, rate_k, start in (
            (heard[k], 1.0, rates[k], phase[k]),
            (heard[k] * cross, split, rates[k] / spec.cross_decay, cross_phase[k]),
        ):
            # Below -130 dB a partial is past hearing under any of our noises: leave it out.
            length = min(n, int(rate * 15.0 / rate_k))
            angle = 2.0 * np.pi * partial_hz[k] * ratio * own_time_s[:length] + start
            sound[:length] += level * np.exp(-rate_k * time_s[:length]) * np.cos(angle)
    sound *= _hand(spec, time_s)
    sound /= np.sqrt(np.mean(sound[: round(0.3 * rate)] ** 2))
    sound += _pick_noise(spec, n, rng)

    truth = Truth(
        spec.f1_hz, spec.stiffness_b, onset, spec.ring_s, spec.ring_s, stretch, stretch_rates
    )
    return np.concatenate([np.zeros(onset), sound]), truth


def _decay_rates(
    spec: PluckSpec, number: NDArray[np.int64], rng: np.random.Generator
) -> NDArray[np.float64]:
    """Amplitude decay rates: air, friction and bending, and the bridge's scatter."""
    rise = 1.0 + spec.friction * (number - 1)
    rise += spec.bending * spec.stiffness_b * (number**3 - 1)
    rise[1:] *= np.exp(rng.normal(0.0, 0.2, number.size - 1))
    return rise / spec.decay_s


def _stretch(
    spec: PluckSpec,
    comb: NDArray[np.float64],
    number: NDArray[np.int64],
    rates: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sizes and rates of the stretch: (k a_k)^2 of both polarisations, a_k ~ comb / k^2.

    Both are cut off after twelve partials, where less than a hundredth of the stretch is left. The
    sum at the onset is what raises the first partial by the glide asked for.
    """
    share = (comb[:12] / number[:12]) ** 2
    both = np.concatenate([share, share * 10.0 ** (spec.cross_db / 10.0)])
    both_rates = 2.0 * np.concatenate([rates[:12], rates[:12] / spec.cross_decay])
    whole = 0.5 * (2.0 ** (spec.glide_cents / 600.0) - 1.0) * (1.0 + spec.stiffness_b)
    return whole * both / both.sum(), both_rates


def _hand(spec: PluckSpec, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """1 while the string rings, then the damping hand."""
    return np.exp(-np.maximum(0.0, time_s - spec.ring_s) / spec.damping_s)


def _pick_noise(spec: PluckSpec, n: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """A burst of noise at the release, brighter than the string."""
    burst = np.zeros(n)
    length = min(n, round(12.0 * spec.pick_s * spec.rate_hz))
    noise = np.diff(rng.normal(size=length + 1)) / np.sqrt(2.0)
    decay = np.exp(-np.arange(length) / (spec.pick_s * spec.rate_hz))
    burst[:length] = 10.0 ** (spec.pick_db / 20.0) * noise * decay
    return burst


def _background(spec: PluckSpec, n: int) -> NDArray[np.float64]:
    """Noise, white and pink, and hum, over ``n`` samples."""
    rng = np.random.default_rng([spec.seed, 2])
    noise = np.sqrt(1.0 - spec.pink) * rng.normal(size=n)
    noise += np.sqrt(spec.pink) * _pink(n, spec.rate_hz, rng)
    return 10.0 ** (spec.noise_db / 20.0) * noise + _hum(spec, n, rng)


def _pink(n: int, rate_hz: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Noise of rms 1 whose power falls as 1/f above 20 Hz, by shaping a spectrum."""
    frequency = np.fft.rfftfreq(n, 1.0 / rate_hz)
    shape = 1.0 / np.sqrt(np.maximum(frequency, 20.0))
    pink = np.fft.irfft(np.fft.rfft(rng.normal(size=n)) * shape, n)
    return pink / np.std(pink)


def _hum(spec: PluckSpec, n: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Mains hum of the level asked for, with ten harmonics, the odd ones stronger."""
    time_s = np.arange(n) / spec.rate_hz
    harmonic = np.arange(1, 11)
    level = harmonic**-0.8 * np.where(harmonic % 2 == 1, 1.0, 0.4)
    level *= np.exp(rng.normal(0.0, 0.5, harmonic.size))
    level *= 10.0 ** (spec.hum_db / 20.0) * np.sqrt(2.0 / np.sum(level**2))
    hum = np.zeros(n)
    for h, a in zip(harmonic, level, strict=True):
        hum += a * np.cos(2.0 * np.pi * h * spec.hum_hz * time_s + rng.uniform(0.0, 2.0 * np.pi))
    return hum


def _neighbour_sound(spec: PluckSpec, n: int, onset: int) -> NDArray[np.float64]:
    """The neighbouring string: from the start of the sound or from the onset, then left ringing."""
    neighbour = spec.neighbour
    assert neighbour is not None
    rng = np.random.default_rng([spec.seed, 3])
    start = 0 if neighbour.already_ringing else onset
    time_s = np.arange(n - start) / spec.rate_hz
    number = np.arange(1, 25)
    f1_hz = spec.f1_hz * 2.0 ** (neighbour.semitones / 12.0)
    partial_hz = number * f1_hz * np.sqrt(1.0 + neighbour.stiffness_b * number**2)
    number = number[partial_hz < 8000.0]
    level = number**-1.2 * np.exp(rng.normal(0.0, 0.5, number.size))
    level *= 10.0 ** (neighbour.level_db / 20.0) * np.sqrt(2.0 / np.sum(level**2))
    sound = np.zeros(n)
    for k, a in zip(number, level, strict=True):
        rate_k = (1.0 + 0.1 * (k - 1)) / (1.5 * spec.decay_s)
        angle = 2.0 * np.pi * partial_hz[k - 1] * time_s + rng.uniform(0.0, 2.0 * np.pi)
        sound[start:] += a * np.exp(-rate_k * time_s) * np.cos(angle)
    return sound
