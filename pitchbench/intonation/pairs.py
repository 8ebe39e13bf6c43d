"""What the ear compares: the partials of an open and a fretted note that nearly coincide.

Played together, two notes an octave apart beat where partial 2k of the lower and partial k of the
upper one sound; they agree when these do (the octave types 2:1, 4:2, 6:3 of piano tuning). On an
ideal stiff string all pairs say the same. On a real one every partial lies off the law by itself,
the first by most, as body, magnets and whatever holds the ends give way. So the first partials
alone say little of how two notes sound together, and the offset is the mean of all pairs.

A pair's weight is the loudness of its beat, and less where the pair is less certain than pairs
differ anyway. The mean is stated for the first partials, as every offset is: on the law these lie
r = 600 log2((1 + gamma^2 B) / (1 + B)) apart where the pairs coincide, a few tenths of a cent.

At frets where no partials nearly coincide partial k of one note is compared with partial k of the
other, each by how far it lies off its note's law: what beats when such a note sounds in a chord are
its partials too, and its first alone would shift every fret of a neck, as a nut does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.intonation.chords import BEATING
from pitchbench.intonation.take import Take
from pitchbench.units import cents_between, fret_ratio, shifted_hz

#: The lowest partials of the open and of the fretted note that nearly coincide, by fret; multiples
#: of them do as well: those that beat in chords, and the fourth, where there are at least two.
COINCIDE: Final = {5: (4, 3)} | {
    semitones: (low, high) for semitones, (_, low, high) in BEATING.items() if semitones
}

#: The ear hears single partials up to about the eighth (Plomp, J. Acoust. Soc. Am. 36, 1628 (1964),
#: from memory: five to eight).
_HIGHEST_HEARD: Final = 8

#: How far pairs differ on real strings, 1 sigma: a pair known less well than this counts for less.
#: (Partials of twenty recorded notes lie off the law by 1.5 cents in the median.)
_PAIRS_DIFFER_CENTS: Final = 1.5

#: One pair alone would not show how far pairs differ.
_FEWEST_PAIRS: Final = 2

#: Twice as loud is 10 dB more (Stevens 1955; ISO 532, from memory).
_DB_PER_DOUBLING: Final = 10.0

#: A table of takes and partials that has holes is solved in a few rounds, one without in one.
_ROUNDS: Final = 8

#: Lowest pair and the others differ by so many standard uncertainties, and so many cents at least,
#: where it is worth a word.
_DISAGREE_U: Final = 2.0
_DISAGREE_CENTS: Final = 1.5

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Pair:
    """Partial ``open`` of the open and ``fretted`` of the fretted note, which nearly coincide.

    ``offset_cents`` is the offset that these two say, ``u_cents`` how well it is known beside the
    others (what moves all pairs alike is left out), ``weight`` its share in the offset, 0 to 1.
    """

    open: int
    fretted: int
    offset_cents: float
    u_cents: float
    weight: float


@dataclass(frozen=True)
class Compared:
    """Takes as the ear compares them.

    Parameters
    ----------
    takes : with the pitches and uncertainties that make the offset of the pairs instead of those of
        the first partials, in the order given.
    pairs : what each pair says, the lowest first; empty where the notes share too few partials,
        and then ``takes`` are left as they were.
    u_cents : how unsure the offset is because the pairs differ: how much each of them counts is a
        choice.
    """

    takes: tuple[Take, ...]
    pairs: tuple[Pair, ...]
    u_cents: float


def pairs_at(fret: int) -> tuple[tuple[int, int], ...]:
    """Numbers of the open and of the fretted note's partials that the ear compares at ``fret``.

    Examples
    --------
    >>> pairs_at(12)
    ((2, 1), (4, 2), (6, 3), (8, 4))
    >>> pairs_at(7), pairs_at(1)
    (((3, 2), (6, 4)), ())
    """
    if fret not in COINCIDE:
        return ()
    p, q = COINCIDE[fret]
    return tuple((p * k, q * k) for k in range(1, _HIGHEST_HEARD // p + 1))


def compare_partials(takes: Sequence[Take], *, fret: int) -> Compared:
    """The takes of the open string and of ``fret`` as the ear compares them.

    Takes at other frets are left as they are. Where no partials coincide at ``fret``, as at the
    1st, those of the same number are compared.

    Notes
    -----
    The partials of all takes of one note make a table of cents: a take moves all of its partials
    alike, a partial lies where it lies in every take. So a take in which one partial was not heard
    compares as well. The offset is the weighted mean over the pairs.
    """
    unchanged = Compared(tuple(takes), (), 0.0)
    coincide = pairs_at(fret)
    numbers = coincide or tuple((k, k) for k in range(1, _HIGHEST_HEARD + 1))
    opens = [take for take in takes if take.fret == 0]
    fretteds = [take for take in takes if take.fret == fret]
    if not opens or not fretteds or fret == 0:
        return unchanged
    open_table, fretted_table = (
        _Table.of(group, [pair[which] for pair in numbers], by_law=not coincide)
        for which, group in enumerate((opens, fretteds))
    )
    both = open_table.heard & fretted_table.heard
    tables = open_table.only(both), fretted_table.only(both)
    if np.count_nonzero(both) < _FEWEST_PAIRS or not all(table.enough for table in tables):
        return unchanged
    variance = tables[0].variance + tables[1].variance
    weight = _loudness(0.5 * (tables[0].level_db + tables[1].level_db))
    weight /= 1.0 + variance / _PAIRS_DIFFER_CENTS**2
    weight /= weight.sum()
    offset_cents = tables[1].at(weight) - tables[0].at(weight)
    offset_cents += cents_between(fretteds[0].pitch_hz, opens[0].pitch_hz) - 100.0 * fret
    of_first = _first_partials_cents(opens, fretteds, fret) if coincide else 0.0
    offset_cents += of_first
    moved = {
        id(take): new
        for group, table, more in zip((opens, fretteds), tables, (0.0, of_first), strict=True)
        for take, new in zip(group, table.moved(group, weight, more), strict=True)
    }
    return Compared(
        tuple(moved.get(id(take), take) for take in takes),
        tuple(
            Pair(*numbers[k], float(cents), math.sqrt(u2), float(w))
            for k, cents, u2, w in zip(
                np.flatnonzero(both), offset_cents, variance, weight, strict=True
            )
        ),
        _u_of_choice(offset_cents, variance, weight),
    )


def disagreement_words(pairs: Sequence[Pair]) -> str:
    """A sentence if the lowest pair says something else than the others, beyond what is uncertain;
    empty if it does not.

    Examples
    --------
    >>> steady = [Pair(2, 1, 5.1, 0.3, 0.4), Pair(4, 2, 4.9, 0.3, 0.6)]
    >>> disagreement_words(steady)
    ''
    >>> disagreement_words([steady[0], Pair(4, 2, 1.9, 0.3, 0.6)])[:58]
    'The lowest partials say +5.1 cents, the higher ones +1.9: '
    """
    if len(pairs) < _FEWEST_PAIRS:
        return ""
    lowest, *others = pairs
    total = math.fsum(pair.weight for pair in others)
    mean = math.fsum(pair.weight * pair.offset_cents for pair in others) / total
    u = math.hypot(lowest.u_cents, *(pair.weight * pair.u_cents / total for pair in others))
    apart = abs(lowest.offset_cents - mean)
    if apart < _DISAGREE_CENTS or apart < _DISAGREE_U * u:
        return ""
    return (
        f"The lowest partials say {lowest.offset_cents:+z.1f} cents, the higher ones {mean:+z.1f}: "
        "an old or uneven string, or a pickup too near it. The offset lies between."
    )


@dataclass(frozen=True, eq=False)
class _Table:
    """Partials of the takes of one note: rows are takes, columns are pairs.

    ``cents`` is where each partial would put the first, from the first take's pitch; ``own_u2``
    its own variance, infinite where it was not heard; ``level_db`` (K,) how loud it is to the ear.
    """

    cents: Array
    own_u2: Array
    level_db: Array

    @classmethod
    def of(cls, takes: Sequence[Take], numbers: Sequence[int], *, by_law: bool) -> _Table:
        cents = np.zeros((len(takes), len(numbers)))
        own_u2 = np.full(cents.shape, np.inf)
        level_db = np.full(cents.shape, np.nan)
        for row, take in enumerate(takes):
            loudest_db = max((p.level_db for p in take.partials), default=0.0)
            for partial in take.partials:
                if partial.number in numbers and partial.own_u_cents:
                    k = numbers.index(partial.number)
                    if by_law:
                        first_hz = shifted_hz(take.pitch_hz, partial.law_cents)
                    else:
                        first_hz = partial.frequency_hz / partial.number
                    cents[row, k] = cents_between(first_hz, takes[0].pitch_hz)
                    own_u2[row, k] = partial.own_u_cents**2
                    level_db[row, k] = partial.level_db - loudest_db
                    level_db[row, k] += a_weighting_db(partial.frequency_hz)
        heard = np.isfinite(own_u2)
        level_db = np.where(heard, level_db, 0.0).sum(axis=0) / np.maximum(1, heard.sum(axis=0))
        return cls(cents, own_u2, level_db)

    @property
    def heard(self) -> NDArray[np.bool_]:
        """Which columns were heard in any take, shape (K,)."""
        return np.asarray(np.isfinite(self.own_u2).any(axis=0))

    @property
    def enough(self) -> bool:
        """Whether every take has something to compare."""
        return bool(np.isfinite(self.own_u2).any(axis=1).all())

    @property
    def variance(self) -> Array:
        """Of the mean of each column beside the others, shape (K,)."""
        heard = np.isfinite(self.own_u2)
        count = heard.sum(axis=0)
        return np.asarray(np.where(heard, self.own_u2, 0.0).sum(axis=0) / count**2)

    def only(self, columns: NDArray[np.bool_]) -> _Table:
        return _Table(self.cents[:, columns], self.own_u2[:, columns], self.level_db[columns])

    def at(self, weight: Array) -> Array:
        """Where each column lies, the mean over takes, shape (K,)."""
        takes, columns = self._split(weight)
        return np.asarray(takes.mean() + columns)

    def moved(self, takes: Sequence[Take], weight: Array, more_cents: float) -> list[Take]:
        """The takes at the pitch that all columns together say and ``more_cents``, with its
        uncertainty."""
        cents, _ = self._split(weight)
        share = self._shares(weight)
        own_u2 = (share**2 * np.where(share > 0, self.own_u2, 0.0)).sum(axis=1)
        return [
            replace(
                take,
                pitch_hz=shifted_hz(takes[0].pitch_hz, float(each) + more_cents),
                u_cents=math.sqrt(_shared_u2(take) + u2),
            )
            for take, each, u2 in zip(takes, cents, own_u2, strict=True)
        ]

    def _split(self, weight: Array) -> tuple[Array, Array]:
        """What each take (n,) and each column (K,) adds; the columns' weighted mean is 0."""
        share = self._shares(weight)
        heard = share > 0
        takes, columns = np.zeros(len(self.cents)), np.zeros(len(weight))
        for _ in range(_ROUNDS):
            takes = (share * (self.cents - columns)).sum(axis=1)
            columns = (heard * (self.cents - takes[:, None])).sum(axis=0) / heard.sum(axis=0)
            columns -= weight @ columns
        return takes, columns

    def _shares(self, weight: Array) -> Array:
        share = np.where(np.isfinite(self.own_u2), weight, 0.0)
        return np.asarray(share / share.sum(axis=1, keepdims=True))


def _first_partials_cents(opens: Sequence[Take], fretteds: Sequence[Take], fret: int) -> float:
    """How far the first partials lie apart on the law where the pairs coincide.

    B goes as 1/L^2 at the same tension, so both notes tell the open string's. The smaller one
    counts, since partials that stray from the law pass for stiffness.
    """
    ratio = fret_ratio(fret) ** 2
    told = [
        float(np.median(found)) / share
        for group, share in ((opens, 1.0), (fretteds, ratio))
        if (found := [take.stiffness_b for take in group if take.stiffness_b is not None])
    ]
    b = min(told, default=0.0)
    return 600.0 * math.log2((1.0 + ratio * b) / (1.0 + b))


def _shared_u2(take: Take) -> float:
    """What of a take's uncertainty all of its partials share: the glide, and a common wander."""
    first = next((p for p in take.partials if p.number == 1), None)
    own = first.own_u_cents if first is not None and first.own_u_cents else 0.0
    return max(0.0, take.u_cents**2 - own**2)


def _loudness(level_db: Array) -> Array:
    """Beside the loudest."""
    return np.asarray(2.0 ** ((level_db - level_db.max()) / _DB_PER_DOUBLING))


def _u_of_choice(offset_cents: Array, variance: Array, weight: Array) -> float:
    """Standard uncertainty of the weighted mean for the pairs' differing beyond their own."""
    off = offset_cents - weight @ offset_cents
    many = 1.0 / float(weight @ weight)
    # Where one pair outweighs all others the rest hardly tell how pairs differ: what they seem to
    # differ by is then taken three times at most.
    excess = float(weight**2 @ (off**2 - variance)) * many / max(many - 1.0, 0.5)
    return math.sqrt(max(0.0, excess))


def a_weighting_db(f_hz: float) -> float:
    """How loud a faint tone of ``f_hz`` is beside one of 1 kHz (IEC 61672-1, annex E, from memory).

    Examples
    --------
    >>> [round(a_weighting_db(f), 1) for f in (31.5, 100.0, 1000.0)]
    [-39.5, -19.1, 0.0]
    """
    f2 = f_hz**2
    low, high = (20.598997**2, 12194.217**2)
    middle = math.sqrt((f2 + 107.65265**2) * (f2 + 737.86223**2))
    return 20.0 * math.log10(high * f2**2 / ((f2 + low) * middle * (f2 + high))) + 2.0
