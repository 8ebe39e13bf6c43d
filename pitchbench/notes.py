"""Note names in scientific pitch notation, and equal temperament (ISO 16:1975, A4 = 440 Hz)."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pitchbench.errors import PitchbenchError
from pitchbench.units import cents_between

A4_HZ: Final = 440.0
_NAMES: Final = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_NATURAL: Final = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ACCIDENTAL: Final = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}
_PATTERN: Final = re.compile(r"([A-Ga-g])([#♯b♭]?)(-?\d{1,2})")


@dataclass(frozen=True, order=True)
class Note:
    """A note of equal temperament, held as its MIDI number (A4 = 69)."""

    midi: int

    @classmethod
    def parse(cls, text: str) -> Note:
        """Read "E2", "F#3" or "Bb1".

        Raises
        ------
        PitchbenchError
            If ``text`` is no note name, or lies outside MIDI numbers 0 to 127.
        """
        match = _PATTERN.fullmatch(text.strip())
        midi = -1
        if match:
            letter, accidental, octave = match.groups()
            midi = _NATURAL[letter.upper()] + _ACCIDENTAL[accidental] + 12 * (int(octave) + 1)
        if not 0 <= midi <= 127:
            raise PitchbenchError(
                f"{text!r} is not a note.",
                "Write a letter, an optional # or b, and an octave, such as E2, F#3 or Bb1.",
            )
        return cls(midi)

    @property
    def name(self) -> str:
        """Scientific pitch notation with sharps: "E2"; middle C is C4."""
        return f"{_NAMES[self.midi % 12]}{self.midi // 12 - 1}"

    def __str__(self) -> str:
        return self.name

    def hz(self, a4_hz: float = A4_HZ) -> float:
        """f = a4 * 2^((m - 69)/12)."""
        return float(a4_hz * 2.0 ** ((self.midi - 69) / 12.0))

    def up(self, semitones: int) -> Note:
        """The note ``semitones`` higher."""
        return Note(self.midi + semitones)


# A note is one value: what walks dataclasses, to write them out, shall not look inside.
del Note.__dataclass_fields__


def nearest_note(f_hz: float, a4_hz: float = A4_HZ) -> tuple[Note, float]:
    """The nearest note of equal temperament and how many cents ``f_hz`` lies above it."""
    note = Note(min(127, max(0, round(69 + 12 * math.log2(f_hz / a4_hz)))))
    return note, cents_between(f_hz, note.hz(a4_hz))


def ordinal(fret: int) -> str:
    """What a fret is called: "12th", "1st", "22nd"."""
    teens = 10 <= fret % 100 <= 20
    return f"{fret}{'th' if teens else {1: 'st', 2: 'nd', 3: 'rd'}.get(fret % 10, 'th')}"


def strings_words(numbers: Sequence[int]) -> str:
    """ "string 6", "strings 6, 5 and 4"."""
    *first, last = map(str, numbers)
    return f"strings {', '.join(first)} and {last}" if first else f"string {last}"
