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
- the open string's odd partials are stopped by the touch, but seldom wholly: some are left, faint.

The same with every third partial at the 7th or 19th fret, every fourth at the 5th or 24th. There
just and equal temperament part as well: partial 3 lies 1.955 cents above the note at the 19th fret.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.reading import Partial, Reading
from pitchbench.units import cents_between

#: Partial of the open string that sounds where it is touched at this fret, and how it lies to the
#: note fretted there.
HARMONIC_AT_FRET: Final = {12: 2, 19: 3, 24: 4}
#: The fret nearest to the nut at which each partial is commonly touched: what it is called by.
TOUCHED_AT_FRET: Final = {2: 12, 3: 7, 4: 5}

#: Takes this likely to be touched are left out.
TOUCHED: Final = 0.999
#: So likely, no advice rests on them: where nothing else is known, the likelier of the two holds.
LIKELIER: Final = 0.5
#: So likely, one asks. A question costs a glance, "leave it" of a string that is off months out of
#: tune: we hold that to be worth four needless questions.
IN_DOUBT: Final = 0.2

#: Pairs of partials compared: higher ones die early.
_MOST_PAIRS: Final = 4
#: Standard deviations in cents. How plucks of one open string differ beyond their own uncertainty,
#: and its partials besides; the latter and what follows in no source.
_PLUCK_CENTS: Final = 0.15
_PARTIAL_CENTS: Final = 0.1
#: Offsets that saddles are found with and left with, how frettings differ (by 2 cents in Mottola's
#: trial, his abstract; a steady hand makes us slower to suspect). One is as likely as the other.
_OFFSET_CENTS: Final = (1.0, 5.0)
_REFRETTING_CENTS: Final = (0.3, 1.0)
#: How single partials lie off the law on another length, 0 on a perfect string, 5 on a real one: as
#: they do on the open string, where three partials at least tell it (two say nothing of it), but
#: never less than good readings can tell; else so much.
_ANOTHER_LENGTH_CENTS: Final = 0.5
_FEWEST_OF_LAW: Final = 3
_LEAST_OFF_LAW_CENTS: Final = 0.05
#: Logarithm of a ratio of decay times: as it is measured, and between two lengths of a string.
_SAME_DECAY: Final = 0.2
_OTHER_DECAY: Final = 0.5
#: Decays are measured roughly: they may shift the odds by no more than this factor.
_DECAYS_SAY_AT_MOST: Final = 5.0
#: Faint partials of the open string are left in half of all touched notes (our guess), and in one
#: in a thousand fretted ones: none of 97 real and sampled notes had any, and a string that is
#: pressed down has nothing there, so what is left to chance is a neighbour or two that ring along.
_UNDERTONES_TOUCHED: Final = 0.5
_UNDERTONES_FRETTED: Final = 0.001
#: What is uncertain of a pluck is mostly its glide, which all its partials share: so much of the
#: variance of the most certain one, by our judgement.
_SHARED: Final = 0.75
#: Before anything is heard: one in ten of those who are asked to fret may touch instead; of those
#: who were told the difference, and have fretted since, one in five hundred.
BEFOREHAND: Final = 0.1
ONCE_TOLD: Final = 0.002

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
    takes: Sequence[Reading],
    opens: Sequence[Reading],
    *,
    number: int = 2,
    beforehand: float = BEFOREHAND,
) -> TouchedHarmonic | None:
    """Whether all ``takes`` are open partial ``number`` and its multiples, lightly touched.

    Parameters
    ----------
    takes : settled readings of what should be one fretted note.
    opens : settled readings of the open string.
    number : of the partial that sounds, see `HARMONIC_AT_FRET`.
    beforehand : the probability of it before anything of ``takes`` is known.

    Returns
    -------
    TouchedHarmonic or None
        None where no partial of a take has its like among the open string's.

    Notes
    -----
    Two Gaussian descriptions of all distances are compared, and their odds turned into a
    probability (Bayes). Touched: zero, with the readings' own uncertainties and what plucks of an
    open string differ by. Fretted: any offset, another for every fretting, in the mean of several
    sizes of each, and another for every partial, as large as the open string's lie off its law.
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
    take = np.array([t for t, _ in pairs])
    u2 = np.array([p.u_cents**2 for _, p in pairs])
    shared = _SHARED * np.array([u2[take == t].min() for t in take])
    of_open = np.array([_u2_of_mean(references[p.number]) for _, p in pairs])
    own = u2 - shared + of_open - of_open.min()
    partial = np.array([p.number for _, p in pairs])
    same_take = (take[:, None] == take).astype(float)
    same_partial = (partial[:, None] == partial).astype(float)
    touched = np.diag(own + _PARTIAL_CENTS**2) + of_open.min()
    touched += (_PLUCK_CENTS**2 + shared) * same_take
    another_length = _another_length_cents(opens, _MOST_PAIRS * number)
    # Equal temperament puts the fretted note there, the harmonic is just.
    just_cents = 1200.0 * math.log2(number) - 100.0 * round(12.0 * math.log2(number))
    fretted = [
        _log_density(
            off + just_cents,
            touched + offset**2 + refretting**2 * same_take + another_length**2 * same_partial,
        )
        for offset, refretting in product(_OFFSET_CENTS, _REFRETTING_CENTS)
    ]
    log_odds = math.log(beforehand / (1.0 - beforehand))
    log_odds += _log_density(off, touched) - _log_mean(fretted)
    log_odds += _said_by_decays([p for _, p in pairs], references)
    log_odds += _said_by_undertones(takes, number)
    weight = np.linalg.solve(touched, np.ones(len(off)))
    return TouchedHarmonic(
        probability=1.0 / (1.0 + math.exp(-max(-700.0, log_odds))),
        off_cents=float(weight @ off / weight.sum()),
        u_cents=float(1.0 / math.sqrt(weight.sum())),
        pairs=len(off),
    )


@dataclass(frozen=True)
class Touched:
    """Which of some fretted takes are touched harmonics.

    Parameters
    ----------
    probability : that all of them are, 0 to 1.
    which : indices of those that may not count.
    """

    probability: float
    which: frozenset[int]


def touched_takes(
    takes: Sequence[Reading],
    opens: Sequence[Reading],
    *,
    fret: int,
    beforehand: float = BEFOREHAND,
    sure: float = TOUCHED,
) -> Touched:
    """Which of ``takes``, heard at ``fret``, are harmonics touched there: all of them, or those
    that are each by itself; so far as one must be ``sure``."""
    number = HARMONIC_AT_FRET.get(fret)
    if number is None or not takes or not opens:
        return Touched(0.0, frozenset())

    def probability(of: Sequence[Reading]) -> float:
        found = touched_harmonic(of, opens, number=number, beforehand=beforehand)
        return 0.0 if found is None else found.probability

    all_of_them = probability(takes)
    # A take among many that were touched is none itself where it alone speaks against it.
    least = beforehand if all_of_them >= sure else sure
    which = (k for k, take in enumerate(takes) if probability([take]) >= least)
    return Touched(all_of_them, frozenset(which))


def _another_length_cents(opens: Sequence[Reading], highest: int) -> float:
    """How far single partials may lie off the law on another length: as the open string's do, up
    to the ``highest``.

    What they share is an offset and left out, and so is the first, from which the law is counted.
    """
    partials = [p for each in opens for p in each.partials if 1 < p.number <= highest]
    if len({p.number for p in partials}) < _FEWEST_OF_LAW:
        return _ANOTHER_LENGTH_CENTS
    law_cents = np.array([p.law_cents for p in partials])
    weight = np.array([max(p.u_cents, _PARTIAL_CENTS) for p in partials]) ** -2.0
    mean = np.average(law_cents, weights=weight)
    variance = float(np.average((law_cents - mean) ** 2, weights=weight))
    return max(_LEAST_OFF_LAW_CENTS, math.sqrt(variance))


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


def _log_mean(logarithms: Sequence[float]) -> float:
    """Logarithm of the mean of numbers whose logarithms are given."""
    most = max(logarithms)
    return (
        most
        + math.log(math.fsum(math.exp(each - most) for each in logarithms))
        - math.log(len(logarithms))
    )


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


def _said_by_undertones(takes: Sequence[Reading], number: int) -> float:
    """What faint partials of the open string add to the logarithm of the odds, in the mean of all
    takes: one hand leaves them in all of its touches, or in none."""
    heard = math.log(_UNDERTONES_TOUCHED / _UNDERTONES_FRETTED)
    not_heard = math.log((1.0 - _UNDERTONES_TOUCHED) / (1.0 - _UNDERTONES_FRETTED))
    return float(np.mean([heard if number in t.undertones else not_heard for t in takes]))
