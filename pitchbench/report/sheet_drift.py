"""The part of the setup sheet that shows how each string settles: its last open pluck, drawn."""

from __future__ import annotations

from dataclasses import dataclass

from pitchbench.intonation.drift import Drift, drift_of
from pitchbench.pitch.reading import Reading
from pitchbench.records.model import SessionRecord
from pitchbench.report.readings import value


@dataclass(frozen=True)
class DriftRow:
    """One string's line of the table beside the figure, in words."""

    string: str
    attack: str
    settled: str
    decay: str
    seen: str


@dataclass(frozen=True, eq=False)
class DriftPart:
    """The page's part on how each string settles: heading, the pluck of each that is drawn, by the
    string's name, and all of them in words."""

    heading: str
    plucks: tuple[tuple[str, Drift], ...]
    rows: tuple[DriftRow, ...]


def drift_part(record: SessionRecord) -> DriftPart | None:
    """The last open pluck of every string that counted, the highest string first.

    A session keeps the course of each of its plucks, so nothing has to be played for it. None where
    none has one: in sessions whose frames were not read or never kept.
    """
    plucks = []
    for string, spec in zip(record.log.strings, record.setup.instrument.strings, strict=True):
        opens = [take.reading for take in string.accepted if take.fret == 0]
        drawn = [each for each in opens if isinstance(each, Reading) and len(each.trace.time_s)]
        if drawn and (drift := drift_of(drawn[-1])) is not None:
            plucks.append((f"{string.number}: {spec.note}", drift))
    if not plucks:
        return None
    return DriftPart(
        heading=f"From attack to tail, {record.meta.day}: each string's last open "
        "pluck of this session",
        plucks=tuple(plucks),
        rows=tuple(_row(name, drift) for name, drift in plucks),
    )


def _row(name: str, drift: Drift) -> DriftRow:
    reading = drift.reading
    beats = None if drift.beat is None else f"beats {drift.beat.rate_hz:.1f} times a second"
    return DriftRow(
        string=name,
        attack=value(reading.attack_cents, 1, sign=True),
        settled=value(reading.settle_s, 2),
        decay=value(drift.decay_s, 2),
        seen=", ".join(filter(None, [beats, drift.uneven])),
    )
