"""What was heard in recordings: plucks, and whole recordings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from os import PathLike
from pathlib import Path, PurePath
from typing import Any, overload

from pitchbench.errors import PitchbenchError, another_wanted
from pitchbench.pitch.reading import Reading, Rejected


@dataclass(frozen=True, eq=False)
class Heard:
    """One pluck: the recording or the input in which it was heard, and its reading."""

    source: str
    reading: Reading | Rejected

    @property
    def where(self) -> str:
        """ "at 3.20 s of e-low.wav"."""
        return f"at {self.reading.onset_s:.2f} s of {PurePath(self.source).name}"


@dataclass(frozen=True, eq=False)
class Plucks(Sequence[Reading | Rejected]):
    """Plucks on one clock: a sequence of them that knows how long it was listened.

    Parameters
    ----------
    source : where they were heard: the recording, as it was named, or the input; empty if it has no
        name.
    length_s : how much was heard of it.
    readings : every pluck, in order.
    """

    source: str
    length_s: float
    readings: tuple[Reading | Rejected, ...]

    @overload
    def __getitem__(self, place: int) -> Reading | Rejected: ...
    @overload
    def __getitem__(self, place: slice) -> tuple[Reading | Rejected, ...]: ...
    def __getitem__(
        self, place: int | slice
    ) -> Reading | Rejected | tuple[Reading | Rejected, ...]:
        return self.readings[place]

    def __len__(self) -> int:
        return len(self.readings)


@dataclass(frozen=True, eq=False)
class Listened(Plucks):
    """A recording that was listened to from its beginning to its end.

    Parameters
    ----------
    rate_hz, channel : its sampling rate, and the channel that was heard, counted from 1.
    damaged_after_s : where damage ended it; None if it is whole.
    """

    rate_hz: int
    channel: int
    damaged_after_s: float | None

    @property
    def path(self) -> Path:
        """The file, as it was named."""
        return Path(self.source)


def how_often(notes: Iterable[str]) -> list[str]:
    """Each note and how often it comes: "A2 3 times"."""
    return [f"{note} {n} time{'s' * (n != 1)}" for note, n in Counter(notes).items()]


def plucks_of(
    readings: Iterable[Reading | Rejected | Iterable[Reading | Rejected]],
) -> tuple[Plucks, ...]:
    """Readings that a program holds: those of one recording, or a sequence for each of several.

    What `pitchbench.read` returns has the length of its recording; any other sequence is taken to
    end with the last of its plucks.

    Raises
    ------
    PitchbenchError
        If they are no readings, single readings and sequences of them are mixed, or those of one
        recording are not in the order of time.
    """
    single: list[Reading | Rejected] = []
    several: list[Iterable[Reading | Rejected]] = []
    for each in [readings] if isinstance(readings, Plucks) else _held(readings):
        if isinstance(each, Reading | Rejected):
            single.append(each)
        else:
            several.append(each)
    if single and several:
        raise PitchbenchError(
            "Single readings and sequences of readings were given together.",
            "Give the readings of each recording as a sequence of its own.",
        )
    recordings = enumerate([single] if single else several, start=1)
    found = [_recording(each, f"recording {number}") for number, each in recordings]
    return tuple(each for each in found if each.length_s)


def _recording(given: Iterable[Reading | Rejected], name: str) -> Plucks:
    """The readings of one recording, which is called ``name`` where it has none."""
    if isinstance(given, Plucks):
        return replace(given, source=given.source or name)
    readings = _held(given)
    for reading in readings:
        if not isinstance(reading, Reading | Rejected):
            raise _no_readings(reading)
    if any(a.onset_s > b.onset_s for a, b in pairwise(readings)):
        raise PitchbenchError(
            "Readings are not in the order of time.",
            "Give the readings of each recording as a sequence of its own, as they were read.",
        )
    end_s = readings[-1].onset_s + readings[-1].ring_s if readings else 0.0
    return Plucks(name, end_s, readings)


def _held(given: object) -> tuple[Any, ...]:
    """What a sequence holds; a name of a file is a sequence too, but of letters."""
    if isinstance(given, str | bytes | PathLike | Mapping) or not isinstance(given, Iterable):
        raise _no_readings(given)
    return tuple(given)


def _no_readings(given: object) -> PitchbenchError:
    return another_wanted("Readings are", given, "Give what `pitchbench.read` returns.")
