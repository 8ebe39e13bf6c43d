"""Which note a pluck is, and in which octave: what the settling fit starts from."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.partials import Comb, LineSpectrum, comb
from pitchbench.pitch.yin import F_MIN_HZ, track

#: The tracker judges this part of a pluck: past the pick, before the note is lost in hum.
_EARLY_S: Final = (0.04, 0.6)
_CLEAR: Final = 0.7
_FEWEST_FRAMES: Final = 3
#: A string keeps its pitch within this, attack included; talk does not.
_STEADY_CENTS: Final = 60.0
_STEADY_SHARE: Final = 0.6
#: The spectrum is taken from here on: the glide is fastest before.
_SPECTRUM_S: Final = (0.12, 1.5)
#: How far the partials between those of the period found may lie below them, for the octave
#: to be the lower one: a string whose first partial is weak still has its third and fifth.
_BETWEEN_DB: Final = 20.0
#: The partials looked at: those below this many times the number that the periods differ by.
_LOOK_AT: Final = 4
_MOST_OF: Final = 0.6


def note_of(samples: NDArray[np.float32], rate_hz: int) -> float | None:
    """The tracker's pitch of a pluck's early part in Hz; None where it holds no steady pitch.

    Parameters
    ----------
    samples : shape (n,), from the onset on.
    """
    early = samples[: round(_EARLY_S[1] * rate_hz)]
    tracked = track(early, rate_hz, hop=round(0.01 * rate_hz))
    clear = (tracked.clarity > _CLEAR) & (tracked.time_s > _EARLY_S[0])
    if np.count_nonzero(clear) < _FEWEST_FRAMES:
        return None
    pitch = tracked.f0_hz[clear]
    octaves = np.log2(pitch / np.median(pitch))
    # Slips by an octave are the tracker's, not the string's.
    off_cents = 1200.0 * np.abs(octaves - np.rint(octaves))
    if np.mean(off_cents < _STEADY_CENTS) < _STEADY_SHARE:
        return None
    return float(np.median(pitch[np.abs(1200.0 * octaves) < _STEADY_CENTS]))


def find_partials(sound: NDArray[np.float32], rate_hz: int, period_hz: float) -> Comb | None:
    """The partials of the note whose period the tracker found, in the octave that they show.

    A string picked where its first partial is weak repeats almost twice in a period, and the
    tracker may then fall on the octave above; the partials in between give the note away.

    Parameters
    ----------
    sound : shape (n,), attack cut off.
    period_hz : the tracker's pitch.

    Returns
    -------
    Comb or None
        None when nothing stands out of the noise.
    """
    first = int(min(_SPECTRUM_S[0] * rate_hz, 0.2 * len(sound)))
    spectrum = LineSpectrum.of(sound[first : first + int(_SPECTRUM_S[1] * rate_hz)], rate_hz)
    found = comb(spectrum, period_hz, rate_hz)
    for part in (2, 3):
        if period_hz / part < F_MIN_HZ:
            continue
        lower = comb(spectrum, period_hz / part, rate_hz)
        if lower is not None and _between_stand_out(lower, part):
            return lower
    return found


def _between_stand_out(lower: Comb, part: int) -> bool:
    """Whether the partials that a period ``part`` times shorter would lack are truly there.

    Most of the lower ones must be, and not far below their neighbours: another string that rings
    an octave lower has them too, but faint.
    """
    level_db = 10.0 * np.log10(lower.power)
    shared = lower.number % part == 0
    low = ~shared & (lower.number < _LOOK_AT * part)
    possible = (_LOOK_AT - 1) * part - (_LOOK_AT - 1) + part - 1
    if not shared.any() or np.count_nonzero(low) < _MOST_OF * possible:
        return False
    beside_db = np.interp(lower.number[low], lower.number[shared], level_db[shared])
    return bool(np.median(level_db[low] - beside_db) > -_BETWEEN_DB)
