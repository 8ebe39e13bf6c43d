"""Which of a string's takes count, and what they say together."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from pitchbench.intonation.offset import Group, Offset, summarise
from pitchbench.intonation.take import Take
from pitchbench.pitch.reading import Reading, Reason, Rejected
from pitchbench.session.log import SessionTake, StringState
from pitchbench.units import mean_hz

#: Plucks in a row that never settled before the string itself is doubted.
MISSES_IN_A_ROW: Final = 4

#: Spreads that no averaging mends: several times what players scatter (0.3 and 2 cents), and how
#: many takes must show it. Our own judgement, no source.
_HOPELESS_OPEN_CENTS: Final = 5.0
_HOPELESS_FRETTED_CENTS: Final = 10.0
_HOPELESS_TAKES: Final = 5


def in_this_tuning(string: StringState) -> tuple[SessionTake, ...]:
    """The accepted takes since the string was last found in tune."""
    return tuple(t for t in string.in_this_round if t.tuning == string.tuning)


def open_mean_hz(takes: Sequence[SessionTake]) -> float | None:
    """Geometric mean of the open takes among ``takes``; None if there is none."""
    opens = [take.pitch_hz for take in as_takes(takes) if take.fret == 0]
    return mean_hz(opens) if opens else None


def groups(string: StringState, *, fret: int) -> tuple[Group | None, Group | None]:
    """The open and the fretted takes since the last move, None where there are none."""
    takes = referred(string)
    notes = ([t for t in takes if t.fret == 0], [t for t in takes if t.fret == fret])
    opens, fretteds = (summarise(note) if note else None for note in notes)
    return opens, fretteds


def referred(string: StringState) -> list[Take]:
    """The accepted takes since the last move, those of an earlier tuning referred to the last one
    by the ratio of their open pitches."""
    takes = string.in_this_round
    here_hz = open_mean_hz([t for t in takes if t.tuning == max(each.tuning for each in takes)])
    found: list[Take] = []
    for tuning in sorted({take.tuning for take in takes}):
        block = [take for take in takes if take.tuning == tuning]
        there_hz = open_mean_hz(block)
        ratio = 1.0 if here_hz is None or there_hz is None else here_hz / there_hz
        found += [each.tuned(ratio) for each in as_takes(block)]
    return found


def doubt(string: StringState, offset: Offset | None) -> str | None:
    """The evidence that this string does not settle; None where there is no such evidence."""
    misses = 0
    for take in reversed(string.takes):
        reading = take.reading
        never = isinstance(reading, Rejected) and reading.reason is Reason.NEVER_SETTLED
        if take.round != string.round or not never:
            break
        misses += 1
    if misses >= MISSES_IN_A_ROW:
        return f"{misses} plucks in a row never settled"
    if offset is None:
        return None
    for name, group, hopeless in (
        ("open", offset.open, _HOPELESS_OPEN_CENTS),
        ("fretted", offset.fretted, _HOPELESS_FRETTED_CENTS),
    ):
        spread = group.spread_cents
        if group.n >= _HOPELESS_TAKES and spread is not None and spread > hopeless:
            return f"{group.n} {name} takes spread by {spread:.1f} cents"
    return None


def as_takes(takes: Iterable[SessionTake]) -> list[Take]:
    """Settled takes of known notes as the statistics see them."""
    return [
        Take.of(reading, fret=take.fret, at_s=reading.onset_s)
        for take in takes
        if take.fret is not None and isinstance(reading := take.reading, Reading)
    ]
