"""Whether a note is part of a longer string: faint lines where that string's other partials lie.

A finger that touches a string at half its length, without pressing it down, stops its odd partials,
but never all of them: some are left, faintly, at 1/2, 3/2 and 5/2 of what sounds. A string that is
pressed down has nothing there; it is short, and its lowest partial is what is heard.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.partials import Comb, LineSpectrum, medians, stiff_ratio
from pitchbench.units import CENTS_PER_NEPER

#: Strings so many times as long are looked for: touched at a half, a third, a quarter.
PARTS: Final = (2, 3, 4)
#: Partials of the longer string are looked for up to this many times the one that sounds.
_UP_TO: Final = 3.6
#: A line counts that comes within this of the loudest partial, stands so far out of what lies
#: beside it, and lies where it should to within so many cents or half a bin. So many must. (A
#: sampler that goes round a loop of some periods makes such lines too, 52 dB down.)
_FAINTEST: Final = 1e-5
_STANDS_OUT: Final = 20.0
_OFF_CENTS: Final = 5.0
_FEWEST: Final = 2
#: Bins beside a line that tell what it stands out of: clear of its own width, short of the next.
_BESIDE: Final = np.concatenate((np.arange(-14, -5), np.arange(6, 15)))
_REACH: Final = np.arange(-2, 3)


def undertones(spectrum: LineSpectrum, found: Comb) -> tuple[int, ...]:
    """Of which longer strings the note in ``spectrum`` shows more than its own partials.

    Parameters
    ----------
    spectrum : padded to half-bin spacing, of the note's first second or so.
    found : the partials of the note.

    Returns
    -------
    tuple of int
        2 for a string twice as long, and so on; mostly empty.
    """
    return tuple(part for part in PARTS if _shows(_lines(spectrum, found, part)))


def _shows(number: NDArray[np.intp]) -> bool:
    """Whether these partials of a longer string show it: those of a neighbour that rings along, a
    fourth or a fifth away, are all multiples of one number."""
    return len(number) >= _FEWEST and int(np.gcd.reduce(number)) == 1


def _lines(spectrum: LineSpectrum, found: Comb, part: int) -> NDArray[np.intp]:
    """The numbers of the partials that stand out and only a string ``part`` times as long has."""
    number = np.arange(1, int(_UP_TO * part) + 1)
    number = number[number % part != 0]
    wanted_hz = found.f1_hz * stiff_ratio(number / part, found.stiffness_b)
    bins = np.rint(wanted_hz / spectrum.bin_hz).astype(np.intp)
    inside = (bins > -_BESIDE[0]) & (bins + _BESIDE[-1] < len(spectrum.power))
    bins, wanted_hz, number = bins[inside], wanted_hz[inside], number[inside]
    peak = bins + _REACH[np.argmax(spectrum.power[bins[:, None] + _REACH], axis=1)]
    power = spectrum.power[peak]
    beside = medians(spectrum.power[bins[:, None] + _BESIDE]) / np.log(2.0)
    off_hz = np.abs(spectrum.top_hz(peak) - wanted_hz)
    near = off_hz < np.maximum(wanted_hz * _OFF_CENTS / CENTS_PER_NEPER, 0.5 * spectrum.bin_hz)
    loud = power > np.maximum(_FAINTEST * found.power.max(), _STANDS_OUT * beside)
    found_number: NDArray[np.intp] = number[near & loud]
    return found_number
