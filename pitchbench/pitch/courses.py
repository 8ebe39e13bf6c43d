"""Whether two strings tuned alike ring together: most partials beat, deeply, at one law.

Two strings of a course that are d cents apart beat in every partial at a rate of d times its
frequency, and deeply, for the one is about as loud as the other. One string beats as well, since it
swings in two planes; but how far these split is up to the bridge at each partial's frequency, and
most of what is heard swings in one of them (G. Weinreich, J. Acoust. Soc. Am. 62(6) 1474 (1977)).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from pitchbench.pitch.partials import Array, Bands
from pitchbench.units import CENTS_PER_NEPER

#: Partials looked at: higher ones die before they have beaten. So many of them must tell, and so
#: large a part of those that are heard.
_UP_TO: Final = 12
_FEWEST: Final = 4
_MOST_OF: Final = 0.6
#: The attack is left out; what rings longer says no more.
_SEEN_S: Final = (0.1, 4.0)
#: A partial is looked at while its power stands so far above the noise in its band.
_CLEAR: Final = 30.0
_SMOOTHED: Final = 9
_FEWEST_LEVELS: Final = 12
#: Strings farther apart than this are out of tune by ear; nearer ones hardly spoil a reading.
_WIDEST_CENTS: Final = 25.0
_NEAREST_CENTS: Final = 1.0
#: A partial tells of a split once it has beaten so often, and while its band lets both lines pass.
_FEWEST_BEATS: Final = 1.2
_OF_THE_BAND: Final = 0.75
#: How deeply the partials must swing at that law, in nepers to each side, times the root of the
#: share of their swing that it explains; both medians. Single strings of the real set reach 0.21,
#: pairs made of them mostly 0.4 and more (docs/method.md, "Two strings of a course").
_DEEP: Final = 0.36


def split_of_a_pair(bands: Bands, f1_hz: float) -> float | None:
    """How many cents two strings that ring together lie apart; None where it seems to be one.

    Two within a cent, or too far apart for their bands, are not told from one.

    Parameters
    ----------
    bands : the partials of the note at baseband.
    f1_hz : its first partial.
    """
    heard = _heard(bands)
    swings = [float(np.std(level)) * np.sqrt(2.0) for _, _, level in heard]
    if len(heard) < _FEWEST or np.median(swings) < _DEEP:
        return None
    longest_s = max(float(np.ptp(time_s)) for _, time_s, _ in heard)
    # One step for each beat of the highest partial.
    step_hz = 1.0 / (_UP_TO * longest_s)
    split_hz = np.arange(step_hz, _WIDEST_CENTS / CENTS_PER_NEPER * f1_hz, step_hz)
    fastest_hz = _OF_THE_BAND * bands.half_width_hz
    depth, share = np.full((2, len(heard), len(split_hz)), np.nan)
    for row, (number, time_s, level) in enumerate(heard):
        beats = number * split_hz * np.ptp(time_s)
        tells = (beats >= _FEWEST_BEATS) & (number * split_hz < fastest_hz)
        depth[row, tells], share[row, tells] = _swing(time_s, level, number * split_hz[tells])
    enough = np.isfinite(depth).sum(axis=0) >= max(_FEWEST, _MOST_OF * len(heard))
    if not enough.any():
        return None
    deep = np.nanmedian(depth[:, enough], axis=0) * np.sqrt(np.nanmedian(share[:, enough], axis=0))
    top = int(np.argmax(deep))
    split_cents = float(split_hz[enough][top]) * CENTS_PER_NEPER / f1_hz
    return split_cents if deep[top] >= _DEEP and split_cents >= _NEAREST_CENTS else None


def _heard(bands: Bands) -> list[tuple[int, Array, Array]]:
    """Number, times and log level of each partial while it is clear, its smooth fall taken out."""
    first_s, last_s = _SEEN_S
    # What the filter makes of the end of the note is no beat.
    last_s = min(last_s, float(bands.time_s[-1]) - 1.0 / bands.half_width_hz)
    window = np.ones(_SMOOTHED) / _SMOOTHED
    heard = []
    for number, z, noise in zip(bands.number, bands.z, bands.noise, strict=True):
        power = np.square(z.real) + np.square(z.imag)
        clear = np.convolve(power, window, mode="same") > _CLEAR * noise
        clear &= (bands.time_s > first_s) & (bands.time_s < last_s)
        if number > _UP_TO or np.count_nonzero(clear) < _FEWEST_LEVELS:
            continue
        seen = (bands.time_s > first_s) & (bands.time_s <= bands.time_s[clear][-1])
        time_s, level = bands.time_s[seen], 0.5 * np.log(power[seen] + 1e-30)
        smooth = _smooth(time_s)
        heard.append((int(number), time_s, level - smooth @ (smooth.T @ level)))
    return heard


def _smooth(time_s: Array) -> Array:
    """An orthonormal basis of what a level does without beating: a parabola in time, (n, 3)."""
    return np.linalg.qr(np.vander(time_s - time_s.mean(), 3))[0]


def _swing(time_s: Array, level: Array, rate_hz: Array) -> tuple[Array, Array]:
    """How deep the sinusoid of each rate is that fits best, and which share of the level's swing it
    explains, both of the shape of ``rate_hz``."""
    smooth = _smooth(time_s)
    wave = np.exp(2j * np.pi * rate_hz[:, None] * time_s)
    wave = wave - (wave @ smooth) @ smooth.T
    cos2, sin2 = (np.square(part).sum(axis=1) for part in (wave.real, wave.imag))
    both = (wave.real * wave.imag).sum(axis=1)
    along = wave @ level
    spread = np.maximum(cos2 * sin2 - both**2, 1e-12)
    cos = (sin2 * along.real - both * along.imag) / spread
    sin = (cos2 * along.imag - both * along.real) / spread
    explained = cos * along.real + sin * along.imag
    depth: Array = np.hypot(cos, sin)
    return depth, explained / max(float(level @ level), 1e-12)
