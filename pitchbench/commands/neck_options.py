"""Options of ``pitchbench neck``: strings, frets and their weights, and the instrument."""

from __future__ import annotations

from typing import Final

from pitchbench.analysis.neck import MOST_WEIGHT
from pitchbench.commands.common import whole_number
from pitchbench.commands.instrument_options import no_such_string
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.notes import Note

_MOST_FRETS: Final = 24


def read_weights(frets: str | None, weights: str | None) -> dict[int, float] | None:
    """How much each fret is used; None where nothing was said."""
    if frets is not None and weights is not None:
        raise PitchbenchError("--frets and --weights were both given.", "Give one of them.")
    if frets is not None:
        return {_fret(word, "--frets"): 1.0 for word in frets.split(",")}
    if weights is None:
        return None
    pairs = [word.replace("=", ":").partition(":") for word in weights.split(",")]
    return {_fret(fret, "--weights"): _weight(weight) for fret, _, weight in pairs}


def _fret(word: str, option: str) -> int:
    fret = whole_number(word)
    if fret is None or not 1 <= fret <= _MOST_FRETS:
        raise PitchbenchError(
            f"{option}: {word!r} is no fret.",
            f"Write frets from 1 to {_MOST_FRETS}, such as "
            f"{'1,3,12' if option == '--frets' else '1:1,3:2,12:1'}.",
        )
    return fret


def _weight(word: str) -> float:
    try:
        weight = float(word)
    except ValueError:
        weight = -1.0
    if not 0.0 <= weight <= MOST_WEIGHT:
        raise PitchbenchError(
            f"--weights: {word!r} is no weight.",
            f"Write each fret with a number from 0 to {MOST_WEIGHT:g}, such as 1:1,3:2,12:1.",
        )
    return weight


def string_number(note: Note, instrument: Instrument | None) -> int | None:
    """The number of the string tuned to ``note``; None where the instrument is not known.

    Raises
    ------
    PitchbenchError
        If the instrument has no such string.
    """
    if instrument is None:
        return None
    number = instrument.number_of(note)
    if not number:
        raise no_such_string(instrument, note)
    return number
