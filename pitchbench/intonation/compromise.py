"""The best compromise over the neck: saddles and open strings set together for what is played.

A saddle that is right at the 12th fret leaves what the nut does; tuning the open string a little
flat takes some of that off every fret, and puts it on the open string. What is best depends on
which notes a player uses, and which of them together. Weighted least squares: the error of every
note that is played, and of every octave, fifth and unison within a chord, where errors of the same
sign do not beat.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from statistics import fmean
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.belief import Belief
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.intonation.bridge import Leverage, Move
from pitchbench.intonation.neck import LARGEST_MOVE_MM, StringNeck, believed_offsets, bound95_cents
from pitchbench.intonation.played import Place, Played
from pitchbench.units import CENTS_PER_NEPER, fret_ratio

#: A fret that is not played counts so much of one that is, up to the 12th, so that the rest of the
#: neck stays usable (own judgement, no source).
_ELSEWHERE: Final = 0.05
_HIGHEST_ELSEWHERE: Final = 12

Array = NDArray[np.float64]
#: How each string is set, by its number: cents above its note, and mm away from the nut.
_Setting = Mapping[int, tuple[float, float]]


@dataclass(frozen=True)
class StringSetting:
    """One string of the compromise: what of the best move its saddle can make, and may where it is
    filed; how far above its note the open string is tuned, cents."""

    string: int
    move: Move
    u_mm: float
    tuned: Belief

    @property
    def at_its_end(self) -> bool:
        """Whether it goes as far as the saddle can, and what is best lies beyond."""
        move = self.move
        return move.out_of_travel and not move.goes_back and move.mm == move.whole.reach_mm


@dataclass(frozen=True)
class Left:
    """What a setting leaves of what is played, root mean squares: error in cents, and beats a
    second of the chords' octaves, fifths and unisons; of each note against one in tune where there
    are no chords. ``most95_cents`` is what the error that truly is left lies below with at least
    95 % probability."""

    cents: float
    most95_cents: float
    beats_hz: float


@dataclass(frozen=True)
class Compromise:
    """The best setting, and what is left with it, now, with every 12th fret right, and with the nut
    put right as well and all set anew."""

    strings: tuple[StringSetting, ...]
    now: Left
    at_the_12th: Left
    best: Left
    with_the_nut: Left


def best_compromise(
    necks: Sequence[StringNeck], instrument: Instrument, played: Played, *, a4_hz: float
) -> Compromise:
    """Saddles and open strings together, for what is ``played`` on the strings of ``necks``; a
    saddle that strings share makes one move.

    What nut, saddle and each fret are believed to make of a note enters, so a fret that was heard
    once and badly pulls little; and what is unsure of that is in the uncertainty of the settings.

    Raises
    ------
    PitchbenchError
        If nothing of what is played lies on these strings, or a saddle would have to go too far.
    """
    numbers = {neck.string for neck in necks}
    notes = {place: w for place, w in played.notes.items() if place[0] in numbers and w > 0.0}
    if not notes:
        raise PitchbenchError(
            "Nothing of what is played lies on the strings that were heard.",
            "Play more strings for the survey, or say something else with --play.",
        )
    together = {
        pair: w for pair, w in played.together.items() if {pair[0][0], pair[1][0]} <= numbers
    }
    task = _Task(tuple(necks), instrument, notes, together, a4_hz)
    best = task.solved(nut=True)
    if any(abs(mm) > LARGEST_MOVE_MM for _, mm in best.values()):
        raise PitchbenchError(
            "What is best for these notes lies beyond what a saddle can do.",
            "Look at the nut, the frets and the strings first.",
        )
    alone_mm = {neck.string: task.mm_at_the_12th(neck) for neck in necks}
    beside = instrument.bridge.beside
    at_the_12th = {
        string: (0.0, fmean(alone_mm[n] for n in (string, *beside(string)) if n in alone_mm))
        for string in alone_mm
    }
    settings = task.settings(best)
    made = {each.string: (each.tuned.centre, each.move.mm) for each in settings}
    return Compromise(
        strings=settings,
        now=task.left(dict.fromkeys(numbers, (0.0, 0.0)), nut=True),
        at_the_12th=task.left(task.reached(at_the_12th), nut=True),
        best=task.left(made, nut=True),
        with_the_nut=task.left(task.reached(task.solved(nut=False)), nut=False),
    )


@dataclass(frozen=True)
class _Task:
    """The notes played, as rows; tuning and saddle of every string, as columns."""

    necks: tuple[StringNeck, ...]
    instrument: Instrument
    notes: Mapping[Place, float]
    together: Mapping[tuple[Place, Place, int, int], float]
    a4_hz: float

    def solved(self, *, nut: bool) -> dict[int, tuple[float, float]]:
        """The setting of least weighted squares."""
        x = -self._inverse @ self._cents(nut=nut)
        return {string: (float(x[i]), float(x[j])) for string, (i, j) in self._columns.items()}

    def reached(self, setting: _Setting) -> _Setting:
        """The setting as far as the saddles can go."""
        bridge = self.instrument.bridge
        return {
            string: (tuned, Move(string, mm, (mm, mm), bridge, self._moved_mm[string]).reach_mm)
            for string, (tuned, mm) in setting.items()
        }

    def settings(self, best: _Setting) -> tuple[StringSetting, ...]:
        """The best setting with its uncertainty, as far as the saddles can go and may be filed."""
        inverse = self._inverse
        covariance = inverse @ self._covariance @ inverse.T
        u = np.sqrt(np.diagonal(covariance))
        settings = []
        for string, (i, j) in self._columns.items():
            tuned, mm = best[string]
            interval95_mm = Belief.normal(mm, float(u[j])).interval()
            bridge, moved_mm = self.instrument.bridge, self._moved_mm[string]
            move = Move(string, mm, interval95_mm, bridge, moved_mm).short_of_the_mark
            move = replace(move, mm=move.reach_mm, whole_mm=move.asked_mm)
            settings.append(
                StringSetting(string, move, float(u[j]), Belief.normal(tuned, float(u[i])))
            )
        return tuple(settings)

    @cached_property
    def _columns(self) -> dict[int, tuple[int, int]]:
        """The columns of each string's tuning and of its saddle, which others may share."""
        beside, strings = self.instrument.bridge.beside, [neck.string for neck in self.necks]
        saddles = list(dict.fromkeys(frozenset((each, *beside(each))) for each in strings))
        return {
            string: (i, len(strings) + saddles.index(frozenset((string, *beside(string)))))
            for i, string in enumerate(strings)
        }

    @cached_property
    def _moved_mm(self) -> dict[int, float]:
        return {neck.string: neck.moved_mm for neck in self.necks}

    def mm_at_the_12th(self, neck: StringNeck) -> float:
        """The move that makes the 12th fret right."""
        leverage = Leverage(self.instrument, neck.string, 12, neck.moved_mm)
        return leverage.cancelling_mm(neck.expected_cents(12))

    def left(self, setting: _Setting, *, nut: bool) -> Left:
        """What remains of what is played, by the exact geometry."""
        places = self._places
        cents = dict(zip(places, self._cents(nut=nut), strict=True))
        error = {place: cents[place] + self._set_cents(place, setting) for place in places}
        weights = list(self.notes.values())
        off = [error[place] for place in self.notes]
        if self.together:
            beats = [
                of_low * self._hz(low) * (error[low] - error[high]) / CENTS_PER_NEPER
                for low, high, of_low, _ in self.together
            ]
            beat_weights = list(self.together.values())
        else:
            beats = [self._hz(place) * error[place] / CENTS_PER_NEPER for place in self.notes]
            beat_weights = weights
        played = [row for row, place in enumerate(places) if place in self.notes]
        bound = bound95_cents(np.array(off), self._covariance[np.ix_(played, played)], weights)
        left = _rms(off, weights)
        return Left(left, max(left, bound), _rms(beats, beat_weights))

    @cached_property
    def _places(self) -> list[Place]:
        """Every note that counts: those played, and the rest of the neck a little."""
        elsewhere = [
            (neck.string, fret)
            for neck in self.necks
            for fret in range(1, _HIGHEST_ELSEWHERE + 1)
            if (neck.string, fret) not in self.notes
        ]
        return [*self.notes, *elsewhere]

    @cached_property
    def _inverse(self) -> Array:
        """Pseudo-inverse of the weighted design, shape (columns, places)."""
        places = self._places
        index = {place: row for row, place in enumerate(places)}
        design = np.zeros((len(places), 1 + max(j for _, j in self._columns.values())))
        for row, (string, fret) in enumerate(places):
            tuned, saddle = self._columns[string]
            design[row, tuned] = 1.0
            lever = fret_ratio(fret) - 1.0
            scale_mm = self.instrument.scale_of(string)
            design[row, saddle] = -CENTS_PER_NEPER * lever / scale_mm
        # Rows of differences: what two notes together are off by.
        pick = np.eye(len(places))
        for low, high, *_ in self.together:
            pick = np.vstack((pick, pick[index[high]] - pick[index[low]]))
        least = _ELSEWHERE * min(self.notes.values())
        weight = [self.notes.get(place, least) for place in places] + list(self.together.values())
        root = np.sqrt(np.array(weight))[:, None]
        return np.asarray(np.linalg.pinv(root * (pick @ design)) @ (root * pick))

    def _cents(self, *, nut: bool) -> Array:
        """What is believed of every note's offset, ``nut`` as it is or put right."""
        cents = np.zeros(len(self._places))
        for rows, neck, frets in self._by_string():
            mean, _ = believed_offsets(neck, frets)
            cents[rows] = mean - (0.0 if nut else neck.nut.centre)
        return cents

    @cached_property
    def _covariance(self) -> Array:
        covariance = np.zeros((len(self._places),) * 2)
        for rows, neck, frets in self._by_string():
            covariance[np.ix_(rows, rows)] = believed_offsets(neck, frets)[1]
        return covariance

    def _by_string(self) -> list[tuple[list[int], StringNeck, list[int]]]:
        """The rows of fretted notes of every string, and their frets."""
        found = []
        for neck in self.necks:
            rows = [
                row
                for row, (string, fret) in enumerate(self._places)
                if string == neck.string and fret > 0
            ]
            found.append((rows, neck, [self._places[row][1] for row in rows]))
        return found

    def _set_cents(self, place: Place, setting: _Setting) -> float:
        string, fret = place
        tuned, move_mm = setting[string]
        if fret == 0:
            return tuned
        leverage = Leverage(self.instrument, string, fret, self._moved_mm[string])
        return tuned + leverage.change_cents(move_mm)

    def _hz(self, place: Place) -> float:
        string, fret = place
        return self.instrument.string(string).note.hz(self.a4_hz) * fret_ratio(fret)


def _rms(values: Sequence[float], weights: Sequence[float]) -> float:
    return math.sqrt(float(np.average(np.square(values), weights=weights)))
