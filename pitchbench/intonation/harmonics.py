"""Whether what should be a fretted note is a touched harmonic of the open string.

A finger that touches an open string at half its length, without pressing it down, leaves the
partials that have a node there: the even ones. What sounds is partial 2 of the open string, an
octave up like the note at the 12th fret, but it says nothing of the saddle: its offset is near zero
however wrong the saddle stands. What gives it away:

- its partials k are the open string's 2k. Same string, same length: they agree with the open
  string's to within the readings, partial by partial, whatever the string's stiffness or a body
  that pulls at single partials does. A fretted note has another length, so other such errors.
- takes agree with each other as open takes do, since no finger stretches the string.
- its partials die as the open string's 2k do; a fingertip and a fret take more.

The same with every third partial at the 7th or 19th fret, every fourth at the 5th or 24th. There
just and equal temperament part as well: partial 3 lies 1.955 cents above the note at the 19th fret.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.reading import Partial, Reading
from pitchbench.units import cents_between

#: Partial of the open string that sounds where it is touched at this fret, and how it lies to the
#: note fretted there.
HARMONIC_AT_FRET: Final = {12: 2, 19: 3, 24: 4}

#: Takes this likely to be touched are left out; above the other, one should ask.
TOUCHED: Final = 0.999
IN_DOUBT: Final = 0.9

#: Pairs of partials compared: higher ones die early.
_MOST_PAIRS: Final = 4
#: Standard deviations in cents. How plucks of one open string differ beyond their own uncertainty,
#: and its partials besides; the latter and what follows in no source.
_PLUCK_CENTS: Final = 0.15
_PARTIAL_CENTS: Final = 0.1
#: Offsets that saddles are found with, and how a careful player's frettings differ. (Players differ
#: by 2 cents in Mottola's trial, his abstract; half of that makes us slower to suspect.)
_OFFSET_CENTS: Final = 5.0
_REFRETTING_CENTS: Final = 1.0
#: How single partials lie off the law on another length: 0 on a perfect string, 5 on a real one.
_ANOTHER_LENGTH_CENTS: Final = 0.5
#: Logarithm of a ratio of decay times: as it is measured, and between two lengths of a string.
_SAME_DECAY: Final = 0.2
_OTHER_DECAY: Final = 0.5
#: Decays are measured roughly: they may shift the odds by no more than this factor.
_DECAYS_SAY_AT_MOST: Final = 5.0
#: Before anything is heard: one in ten of those who are asked to fret may touch instead.
_BEFOREHAND: Final = 0.1

Array = NDArray[np.float64]


@dataclass(frozen=True)
class TouchedHarmonic:
    """How far takes look like a touched harmonic of the open string.

    Parameters
    ----------
    probability : that they are one, 0 to 1.
    off_cents : mean distance of their partials from those of the open string.
    u_cents : how well that distance is known, were it one.
    pairs : pairs of partials that it rests on.
    """

    probability: float
    off_cents: float
    u_cents: float
    pairs: int


def touched_harmonic(
    takes: Sequence[Reading], opens: Sequence[Reading], *, number: int = 2
) -> TouchedHarmonic | None:
    """Whether ``takes`` are open partial ``number`` and its multiples, sounded by a light touch.

    Parameters
    ----------
    takes : settled readings of what should be one fretted note.
    opens : settled readings of the open string.
    number : of the partial that sounds, see `HARMONIC_AT_FRET`.

    Returns
    -------
    TouchedHarmonic or None
        None where no partial of a take has its like among the open string's.

    Notes
    -----
    Two Gaussian descriptions of all distances are compared, and their odds turned into a
    probability (Bayes). Touched: zero, with the readings' own uncertainties and what plucks of an
    open string differ by. Fretted: any offset, another for every fretting, another for every
    partial.
    """
    references = {
        k: found
        for k in range(1, _MOST_PAIRS + 1)
        if (found := [p for each in opens for p in each.partials if p.number == number * k])
    }
    pairs = [
        (take, p)
        for take, reading in enumerate(takes)
        for p in reading.partials
        if p.number in references
    ]
    if not pairs:
        return None
    off = np.array([_off_cents(p, references[p.number]) for _, p in pairs])
    own = np.array([p.u_cents**2 + _u2_of_mean(references[p.number]) for _, p in pairs])
    take = np.array([t for t, _ in pairs])
    partial = np.array([p.number for _, p in pairs])
    same_take = (take[:, None] == take).astype(float)
    same_partial = (partial[:, None] == partial).astype(float)
    touched = np.diag(own + _PARTIAL_CENTS**2) + _PLUCK_CENTS**2 * same_take
    # Equal temperament puts the fretted note there, the harmonic is just.
    just_cents = 1200.0 * math.log2(number) - 100.0 * round(12.0 * math.log2(number))
    fretted = (
        touched
        + _OFFSET_CENTS**2
        + _REFRETTING_CENTS**2 * same_take
        + _ANOTHER_LENGTH_CENTS**2 * same_partial
    )
    log_odds = math.log(_BEFOREHAND / (1.0 - _BEFOREHAND))
    log_odds += _log_density(off, touched) - _log_density(off + just_cents, fretted)
    log_odds += _said_by_decays([p for _, p in pairs], references)
    weight = np.linalg.solve(touched, np.ones(len(off)))
    return TouchedHarmonic(
        probability=1.0 / (1.0 + math.exp(-max(-700.0, log_odds))),
        off_cents=float(weight @ off / weight.sum()),
        u_cents=float(1.0 / math.sqrt(weight.sum())),
        pairs=len(off),
    )


def _off_cents(partial: Partial, references: Sequence[Partial]) -> float:
    """Of a take's partial from the mean of the open string's."""
    return float(
        np.mean([cents_between(partial.frequency_hz, each.frequency_hz) for each in references])
    )


def _u2_of_mean(references: Sequence[Partial]) -> float:
    """Squared uncertainty of the open string's partial, plucks differing as they do."""
    u2 = [each.u_cents**2 + _PLUCK_CENTS**2 for each in references]
    return float(np.sum(u2)) / len(u2) ** 2


def _log_density(off: Array, covariance: Array) -> float:
    """Logarithm of a Gaussian's density about zero, the constant left out."""
    _, log_det = np.linalg.slogdet(covariance)
    return -0.5 * float(log_det + off @ np.linalg.solve(covariance, off))


def _said_by_decays(partials: Sequence[Partial], references: dict[int, list[Partial]]) -> float:
    """What the decay times add to the logarithm of the odds: the mean of what each pair says."""
    said = []
    for partial in partials:
        like_s = [each.decay_s for each in references[partial.number] if each.decay_s]
        if partial.decay_s and like_s:
            ratio = math.log(partial.decay_s / float(np.median(like_s)))
            said.append(
                math.log(_OTHER_DECAY / _SAME_DECAY)
                - 0.5 * ratio**2 * (_SAME_DECAY**-2 - _OTHER_DECAY**-2)
            )
    most = math.log(_DECAYS_SAY_AT_MOST)
    return min(most, max(-most, float(np.mean(said)))) if said else 0.0
