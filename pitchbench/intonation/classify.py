"""Open or fretted: which note each reading of a recording is, told from pitches and stiffness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.reading import Reading
from pitchbench.units import CENTS_PER_NEPER, fret_ratio

#: How far a note may lie from its place and still be that note: the offset of a badly set saddle
#: is within it, the next semitone is not.
NEAR_CENTS: Final = 80.0

#: A difference of stiffness that would move the fifth partial by less than a cent, 866 cents x 25 x
#: 5e-5, says nothing.
_LEAST_STIFFNESS_DIFFERENCE: Final = 5e-5
#: ln B of a note whose uncertainty was not stated is taken to be good to this: a factor of 1.8.
_WEAK: Final = 0.6
#: How takes of one note differ in ln B besides.
_BETWEEN_TAKES: Final = 0.1
#: Takes of one note are of two strings where their stiffness falls apart by this factor, and by so
#: many standard uncertainties, and one part fits the other note better by the factor at least. (A
#: soft and a hard pluck of one real string were seen to differ by a factor of 3.)
_APART: Final = 5.0
_APART_U: Final = 2.5
#: B of fewer partials than this is hardly more than a guess, and its scatter cannot be told.
_FEWEST_PARTIALS: Final = 4
#: A partial less certain than this has had no say in B.
_CLEAR_CENTS: Final = 10.0

#: How far the whole string may be out of tune, where the fretted note confirms it.
OUT_OF_TUNE_CENTS: Final = 250.0


@dataclass(frozen=True)
class Sounded:
    """A pluck as heard: its settled pitch, and its stiffness B where it could be measured.

    ``u_stiffness_b`` is None where it is not known, and then B says little.
    """

    pitch_hz: float
    stiffness_b: float | None = None
    u_stiffness_b: float | None = None

    @classmethod
    def of(cls, reading: Reading) -> Sounded:
        """From a settled reading."""
        return cls(reading.pitch_hz, reading.stiffness_b, _u_stiffness(reading))


def _u_stiffness(reading: Reading) -> float | None:
    """How well B is known: partials stray from the law by themselves, which bends it.

    B / 2 is the slope of ln(f_k / k) against k^2, so the uncertainty is that of a slope.
    """
    partials = [p for p in reading.partials if p.u_cents < _CLEAR_CENTS]
    if len(partials) < _FEWEST_PARTIALS:
        return None
    k2 = np.array([p.number**2 for p in partials], dtype=np.float64)
    stray = np.array([p.law_cents for p in partials]) / CENTS_PER_NEPER
    own = np.array([p.u_cents for p in partials]) / CENTS_PER_NEPER
    scatter = np.sum(np.square(stray)) / (len(partials) - 2) + np.mean(np.square(own))
    return float(2.0 * np.sqrt(scatter / np.sum(np.square(k2 - k2.mean()))))


class LeftOut(StrEnum):
    """Why a pluck counts as neither note."""

    ANOTHER_NOTE = "another_note"
    ANOTHER_STRING = "another_string"
    TOUCHED_HARMONIC = "touched_harmonic"


@dataclass(frozen=True)
class Told:
    """What a pluck is: the open note (0), the one at ``fret``, or neither (None), and why not."""

    fret: int | None
    left_out: LeftOut | None = None


def tell_apart(sounds: Sequence[Sounded], *, fret: int, open_hz: float | None = None) -> list[Told]:
    """What each sound is: open, fretted at ``fret``, or neither.

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
    another open string of the same pitch is not.

    Real strings keep to that law but roughly (ratios from 0.05 to 12 at the 12th fret were seen on
    18 pairs), so no take is left out for breaking it. Only where takes of what should be one note
    clearly differ in stiffness among themselves are they of two strings, and the law says which
    belong to the other note.
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
    frets = _frets(cents, place, fret, near)
    strangers = _strangers(sounds, frets, fret)
    return [
        Told(None, LeftOut.ANOTHER_STRING) if k in strangers
        else Told(f, LeftOut.ANOTHER_NOTE if f is None else None)
        for k, f in enumerate(frets)
    ]  # fmt: skip


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


@dataclass(frozen=True)
class _Stiffness:
    """ln B of a pluck and its standard uncertainty."""

    pluck: int
    ln_b: float
    u: float


def _strangers(sounds: Sequence[Sounded], frets: Sequence[int | None], fret: int) -> set[int]:
    """The plucks whose stiffness shows them to be of another string."""
    parts = {place: _parts(_known(sounds, frets, place)) for place in (0, fret)}
    if not all(parts.values()):
        return set()
    expected = 2.0 * float(np.log(fret_ratio(fret)))

    def misfit(place: int, part: list[_Stiffness]) -> float:
        """How far the part is from the law, beside that part of the other note that fits best."""
        sign, other = (-1.0, fret) if place == 0 else (1.0, 0)
        return min(
            abs(_middle(part) - _middle(beside) - sign * expected) for beside in parts[other]
        )

    strangers: set[int] = set()
    for place in (0, fret):
        if len(parts[place]) == 2:
            fits, strange = sorted(parts[place], key=lambda part: misfit(place, part))
            if misfit(place, strange) - misfit(place, fits) > np.log(_APART):
                strangers |= {each.pluck for each in strange}
    return strangers


def _known(sounds: Sequence[Sounded], frets: Sequence[int | None], place: int) -> list[_Stiffness]:
    """The stiffness of the plucks at ``place``, least first; only where it is known to a factor."""
    found = []
    for k, (sound, f) in enumerate(zip(sounds, frets, strict=True)):
        if f == place and sound.stiffness_b:
            u = _WEAK if sound.u_stiffness_b is None else sound.u_stiffness_b / sound.stiffness_b
            if u <= 2.0 * _WEAK:
                found.append(_Stiffness(k, float(np.log(sound.stiffness_b)), u))
    return sorted(found, key=lambda each: each.ln_b)


def _parts(known: list[_Stiffness]) -> list[list[_Stiffness]]:
    """One part, or two where the widest gap between takes is more than takes of a string differ."""
    if len(known) < 2:
        return [known] if known else []
    gap = int(np.argmax(np.diff([each.ln_b for each in known]))) + 1
    low, high = known[:gap], known[gap:]
    apart = _middle(high) - _middle(low)
    u = float(np.hypot(_u_of_middle(low), _u_of_middle(high)))
    difference_b = np.exp(high[0].ln_b) - np.exp(low[-1].ln_b)
    two = apart > max(np.log(_APART), _APART_U * u) and difference_b >= _LEAST_STIFFNESS_DIFFERENCE
    return [low, high] if two else [known]


def _middle(part: Sequence[_Stiffness]) -> float:
    return float(np.median([each.ln_b for each in part]))


def _u_of_middle(part: Sequence[_Stiffness]) -> float:
    return float(np.sqrt(np.sum([each.u**2 + _BETWEEN_TAKES**2 for each in part]))) / len(part)
