"""The takes of a string before its first move and after its last, each as an offset."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pitchbench.intonation.offset import Offset
from pitchbench.pitch.reading import Reading
from pitchbench.session.log import SessionTake, StringState
from pitchbench.units import cents_between, mean_hz


@dataclass(frozen=True)
class RoundTakes:
    """The takes between two moves. ``offsets_cents`` holds one number per fretted take: against
    the mean of the open takes of the same tuning; ``offset`` is what was judged in the end."""

    n_open: int
    offsets_cents: tuple[float, ...]
    offset: Offset | None


def rounds_of(string: StringState) -> tuple[RoundTakes | None, RoundTakes | None]:
    """As found, and as left; the second is None where the string was never moved."""
    as_found = tuple(take for take in string.accepted if take.round == 0)
    found = _round(as_found, string.found)
    return found, _round(string.in_this_round, string.now) if string.moves else None


def _round(takes: tuple[SessionTake, ...], offset: Offset | None) -> RoundTakes | None:
    if not takes:
        return None
    offsets = []
    for take in takes:
        same = [t for t in takes if t.tuning == take.tuning]
        open_hz = _mean_hz(t for t in same if t.fret == 0) or _mean_hz(
            t for t in takes if t.fret == 0
        )
        if take.fret and isinstance(take.reading, Reading) and open_hz:
            offsets.append(cents_between(take.reading.pitch_hz, open_hz) - 100.0 * take.fret)
    return RoundTakes(sum(take.fret == 0 for take in takes), tuple(offsets), offset)


def _mean_hz(takes: Iterable[SessionTake]) -> float | None:
    """Geometric mean of the pitches, None of none."""
    pitches_hz = [t.reading.pitch_hz for t in takes if isinstance(t.reading, Reading)]
    return mean_hz(pitches_hz) if pitches_hz else None
