"""Whether two strings tuned alike ring together: most partials beat, deeply, at one law.

Two strings of a course that are d cents apart beat in every partial at a rate of d times its
frequency, and deeply, for the one is about as loud as the other. One string beats as well, since it
swings in two planes; but how far these split is up to the bridge at each partial's frequency, and
most of what is heard swings in one of them (G. Weinreich, J. Acoust. Soc. Am. 62(6) 1474 (1977)).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

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
    if len(heard) < _FEWEST or np.median([each.swing for each in heard]) < _DEEP:
        return None
    longest_s = max(float(np.ptp(each.time_s)) for each in heard)
    # One step for each beat of the highest partial.
    step_hz = 1.0 / (_UP_TO * longest_s)
    split_hz = np.arange(step_hz, _WIDEST_CENTS / CENTS_PER_NEPER * f1_hz, step_hz)
    fastest_hz = _OF_THE_BAND * bands.half_width_hz
    # Every partial is seen from the same moment on.
    time_s = max((each.time_s for each in heard), key=len)
    wave = first_wave = np.exp(2j * np.pi * split_hz[:, None] * time_s)
    turns = 1
    depth, share = np.full((2, len(heard), len(split_hz)), np.nan)
    for row, each in enumerate(heard):
        beats = each.number * split_hz * np.ptp(each.time_s)
        tells = (beats >= _FEWEST_BEATS) & (each.number * split_hz < fastest_hz)
        while turns < each.number:
            wave, turns = wave * first_wave, turns + 1
        seen = wave[tells, : len(each.time_s)]
        depth[row, tells], share[row, tells] = _beats(each, seen)
    enough = np.isfinite(depth).sum(axis=0) >= max(_FEWEST, _MOST_OF * len(heard))
    if not enough.any():
        return None
    deep = np.nanmedian(depth[:, enough], axis=0) * np.sqrt(np.nanmedian(share[:, enough], axis=0))
    top = int(np.argmax(deep))
    split_cents = float(split_hz[enough][top]) * CENTS_PER_NEPER / f1_hz
    return split_cents if deep[top] >= _DEEP and split_cents >= _NEAREST_CENTS else None


@dataclass(frozen=True, eq=False)
class _Partial:
    """A partial while it is clear: its log level without its smooth fall, at times of shape (n,),
    and an orthonormal basis of what such a fall may be, shape (n, 3)."""

    number: int
    time_s: Array
    level: Array
    smooth: Array

    @property
    def swing(self) -> float:
        """How far the level swings to each side, as if it were a sinusoid."""
        return float(np.std(self.level)) * float(np.sqrt(2.0))


def _heard(bands: Bands) -> list[_Partial]:
    """The partials that are clear for long enough."""
    first_s, last_s = _SEEN_S
    # What the filter makes of the end of the note is no beat.
    last_s = min(last_s, float(bands.time_s[-1]) - 1.0 / bands.half_width_hz)
    power = np.square(bands.z.real) + np.square(bands.z.imag)
    padded = np.pad(power, ((0, 0), (_SMOOTHED // 2, _SMOOTHED // 2)))
    smoothed = np.lib.stride_tricks.sliding_window_view(padded, _SMOOTHED, axis=1).mean(axis=2)
    clear = (smoothed > _CLEAR * bands.noise[:, None]) & (bands.time_s < last_s)
    first = int(np.searchsorted(bands.time_s, first_s, side="right"))
    heard = []
    for number, row, level in zip(bands.number, clear, 0.5 * np.log(power + 1e-30), strict=True):
        moments = np.flatnonzero(row[first:])
        if number > _UP_TO or len(moments) < _FEWEST_LEVELS:
            continue
        seen = slice(first, first + int(moments[-1]) + 1)
        time_s = bands.time_s[seen]
        # A parabola in time.
        smooth = np.linalg.qr(np.vander(time_s - time_s.mean(), 3))[0]
        fallen = level[seen] - smooth @ (smooth.T @ level[seen])
        heard.append(_Partial(int(number), time_s, fallen, smooth))
    return heard


def _beats(partial: _Partial, wave: NDArray[np.complex128]) -> tuple[Array, Array]:
    """How deep each ``wave``, (rates, n), is in the level of a partial where it fits best, and
    which share of the level's swing it explains, both of shape (rates,)."""
    level, smooth = partial.level, partial.smooth
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
