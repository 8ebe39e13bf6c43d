"""How chords sound on this neck: the cents of each note, and how fast its intervals beat."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.notes import A4_HZ, Note
from pitchbench.units import shifted_hz

#: Semitones between two notes, the name of the interval, and which partials of the lower and the
#: upper note nearly coincide and beat.
BEATING: Final[dict[int, tuple[str, int, int]]] = {
    0: ("unison", 1, 1),
    7: ("fifth", 3, 2),
    12: ("octave", 2, 1),
    19: ("twelfth", 3, 1),
    24: ("double octave", 4, 1),
}


@dataclass(frozen=True)
class ChordNote:
    """One sounding string of a chord."""

    string: int
    fret: int
    note: Note
    pitch_hz: float
    cents: float


@dataclass(frozen=True)
class Interval:
    """Two notes of a chord whose partials nearly coincide, and how often they beat a second."""

    lower: ChordNote
    upper: ChordNote
    name: str
    beats_hz: float


@dataclass(frozen=True)
class Chord:
    """A shape as it sounds; notes from the lowest string to the highest."""

    shape: str
    notes: tuple[ChordNote, ...]
    intervals: tuple[Interval, ...]


def parse_shape(text: str, strings: int) -> tuple[int | None, ...]:
    """Frets per string, from the lowest string to the highest; None for a muted one.

    "x32010", or with separators where a fret has two digits: "x-10-12-12-10-x".

    Raises
    ------
    PitchbenchError
        If it is no such shape, or not for so many strings.
    """
    parts = re.split(r"[\s,\-]+", text.strip()) if re.search(r"[\s,\-]", text.strip()) else [*text]
    if len(parts) != strings or not all(re.fullmatch(r"[xX]|\d{1,2}", part) for part in parts):
        raise PitchbenchError(
            f"{text!r} is no chord shape for {strings} strings.",
            "Give one fret per string from low to high, x for a muted one, such as "
            f"{'x32010' if strings == 6 else '-'.join(['0'] * strings)}.",
        )
    return tuple(None if part in "xX" else int(part) for part in parts)


def sound_chord(
    shape: str,
    instrument: Instrument,
    cents_at: Callable[[int, int], float],
    *,
    stiffness_b: Sequence[float] = (),
    a4_hz: float = A4_HZ,
) -> Chord:
    """The chord as it sounds with the given offsets.

    Parameters
    ----------
    shape : see `parse_shape`.
    cents_at : (string, fret) to the offset there, in cents; the open string counts as in tune.
    stiffness_b : B of each open string, string 1 first; empty if not known, and then the partials
        are taken for harmonic. At a fret B grows by gamma^2.
    """
    count = len(instrument.strings)
    notes = []
    for string, fret in zip(range(count, 0, -1), parse_shape(shape, count), strict=True):
        if fret is None:
            continue
        note = instrument.string(string).note.up(fret)
        cents = cents_at(string, fret) if fret else 0.0
        notes.append(ChordNote(string, fret, note, shifted_hz(note.hz(a4_hz), cents), cents))

    def partial_hz(note: ChordNote, k: int) -> float:
        b = stiffness_b[note.string - 1] * 2.0 ** (note.fret / 6.0) if stiffness_b else 0.0
        # The pitch is the first partial, f0 sqrt(1 + B).
        return note.pitch_hz * k * math.sqrt((1.0 + b * k * k) / (1.0 + b))

    intervals = []
    for first, second in combinations(notes, 2):
        lower, upper = sorted((first, second), key=lambda note: note.note)
        named = BEATING.get(upper.note.midi - lower.note.midi)
        if named:
            name, of_lower, of_upper = named
            beats = abs(partial_hz(lower, of_lower) - partial_hz(upper, of_upper))
            intervals.append(Interval(lower, upper, name, beats))
    return Chord(shape, tuple(notes), tuple(intervals))
