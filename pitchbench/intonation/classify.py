"""Open or fretted: which note each reading of a recording is, told from the pitches alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.units import CENTS_PER_NEPER, fret_ratio

#: How far a note may lie from its place and still be that note: the offset of a badly set saddle
#: is within it, the next semitone is not.
NEAR_CENTS: Final = 80.0

#: Stiffness within this factor of what it should be is this string's; a difference that would move
#: the fifth partial by less than a cent, 866 cents x 25 x 5e-5, says nothing.
_STIFFNESS_FACTOR: Final = 2.0
_LEAST_STIFFNESS_DIFFERENCE: Final = 5e-5

#: How far the whole string may be out of tune, where the fretted note confirms it.
OUT_OF_TUNE_CENTS: Final = 250.0


@dataclass(frozen=True)
class Sounded:
    """A pluck as heard: its settled pitch, and its stiffness B where it could be measured."""

    pitch_hz: float
    stiffness_b: float | None = None


def tell_apart(
    sounds: Sequence[Sounded], *, fret: int, open_hz: float | None = None
) -> list[int | None]:
    """The fret of each sound: 0, ``fret``, or None where it is neither ("not this string").

    Parameters
    ----------
    fret : where the string was fretted, 1 or higher.
    open_hz : what the open string should be; None if not known, and then the pair of pitches
        ``fret`` semitones apart that explains most of the sounds is taken for the string.

    Notes
    -----
    A named string may be out of tune by up to `OUT_OF_TUNE_CENTS`, but by more than `NEAR_CENTS`
    only if its open and its fretted note are both there. Where more than one pair explains as
    much, the nearest to the name wins; without a name the one whose stiffness fits: B ~ 1/L^2, so
    the fretted note is gamma^2 times as stiff as the open one (4 times at the 12th fret), which
    another open string of the same pitch is not. By the same law plucks of another string are left
    out, where at least one open and one fretted pluck do fit each other.
    """
    if not sounds:
        return []
    cents = CENTS_PER_NEPER * np.log([sound.pitch_hz for sound in sounds])
    near = min(NEAR_CENTS, 50.0 * fret)
    if open_hz is None:
        named, places = None, [float(c) for c in cents]
    else:
        named = float(CENTS_PER_NEPER * np.log(open_hz))
        guesses = [named, *cents, *(cents - 100.0 * fret)]
        places = [float(c) for c in guesses if abs(c - named) <= OUT_OF_TUNE_CENTS]

    def merit(place: float) -> tuple[float, float]:
        frets = _frets(cents, place, fret, near)
        explained = sum(f is not None for f in frets)
        paired = {0, fret} <= set(frets)
        if named is None:
            return explained + 0.5 * paired, -_stiffness_misfit(sounds, frets, fret)
        if abs(place - named) > near and not paired:
            explained = 0
        return float(explained), -abs(place - named)

    best = max(places, key=merit)
    opens = [c for c, f in zip(cents, _frets(cents, best, fret, near), strict=True) if f == 0]
    # Seen from the middle of the open takes, not from whichever of them was tried.
    place = float(np.median(opens)) if opens else best
    return _without_strangers(sounds, _frets(cents, place, fret, near), fret)


def _frets(
    cents: NDArray[np.float64], open_cents: float, fret: int, near: float
) -> list[int | None]:
    """0, ``fret`` or None for each pitch, all in cents on one scale."""
    return [
        0 if abs(c - open_cents) <= near else fret if abs(c - open_cents - 100 * fret) <= near
        else None
        for c in cents
    ]  # fmt: skip


def _stiffness_misfit(sounds: Sequence[Sounded], frets: Sequence[int | None], fret: int) -> float:
    """How far ln(B fretted / B open) is from ln(gamma^2); as if it had no trend if not known."""
    stiffness = {
        f: [s.stiffness_b for s, g in zip(sounds, frets, strict=True) if g == f and s.stiffness_b]
        for f in (0, fret)
    }
    expected = 2.0 * np.log(fret_ratio(fret))
    if not stiffness[0] or not stiffness[fret]:
        return float(expected)
    return float(abs(np.log(np.median(stiffness[fret]) / np.median(stiffness[0])) - expected))


def _without_strangers(
    sounds: Sequence[Sounded], frets: Sequence[int | None], fret: int
) -> list[int | None]:
    """``frets`` with None for plucks whose stiffness shows them to be of another string."""

    def known(place: int) -> list[tuple[int, float]]:
        return [
            (k, sound.stiffness_b)
            for k, (sound, f) in enumerate(zip(sounds, frets, strict=True))
            if f == place and sound.stiffness_b is not None
        ]

    opens, fretteds = known(0), known(fret)
    paired = {
        k
        for i, open_b in opens
        for j, fretted_b in fretteds
        if _same_string(open_b, fretted_b, fret)
        for k in (i, j)
    }
    strangers = {k for k, _ in (*opens, *fretteds)} - paired if paired else set()
    return [None if k in strangers else f for k, f in enumerate(frets)]


def _same_string(open_b: float, fretted_b: float, fret: int) -> bool:
    """Whether the two stiffnesses follow B ~ 1/L^2."""
    expected = open_b * fret_ratio(fret) ** 2
    if abs(fretted_b - expected) < _LEAST_STIFFNESS_DIFFERENCE:
        return True
    return expected / _STIFFNESS_FACTOR <= fretted_b <= expected * _STIFFNESS_FACTOR
