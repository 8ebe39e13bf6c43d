"""The time between sessions: what was changed, how the strings aged, whether a check is due.

Which way a change pushes the offset is said where `strings.forecast` says the same of any
instrument: a lower tuning or a longer way down to the fret makes fretted notes sharper. A thicker
wire is stiffer and tighter too, and which of the two wins is another with each string. The limits
below are common practice and have no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from pitchbench.belief import Belief
from pitchbench.instrument import Instrument, StringSpec
from pitchbench.lengths import (
    diameter_figures,
    diameter_words,
    length_figures,
    length_words,
    span_words,
)
from pitchbench.notes import strings_words
from pitchbench.records.model import InstrumentRecord, SessionRecord
from pitchbench.refit import without_capo
from pitchbench.session.log import Outcome

if TYPE_CHECKING:
    from pitchbench.records.repository import Repository

OLD_STRINGS_DAYS: Final = 180
ANOTHER_SEASON_DAYS: Final = 90
ACTION_CHANGE_MM: Final = 0.1
RELIEF_CHANGE_MM: Final = 0.05
TEMPERATURE_CHANGE_C: Final = 8.0

#: Below this a change of gauge is a difference between makers' tables.
_GAUGE_CHANGE_MM: Final = 0.01

#: How many of an instrument's sessions are looked at for the last one of each string.
LOOK_BACK: Final = 12

_DAYS_PER_MONTH: Final = 365.25 / 12

_SHARPER: Final = "expect sharper fretted notes"
_FLATTER: Final = "expect flatter fretted notes"
_ANOTHER: Final = "expect another offset"
_ACTION_TOO: Final = "expect the action to have moved"


@dataclass(frozen=True)
class Trend:
    """How one string's offset drifts while the same strings stay on.

    ``cents_per_month`` and its standard uncertainty come from the change between each session's
    end and the next one's beginning, over ``months`` in all.
    """

    string: int
    cents_per_month: float
    u_cents_per_month: float
    months: float


def changes(before: Instrument, after: Instrument) -> tuple[str, ...]:
    """What differs between two states of one instrument, each with what to expect of it. A capo
    changes nothing for good."""
    before, after = without_capo(before), without_capo(after)
    if len(before.strings) != len(after.strings):
        return (f"{len(after.strings)} strings instead of {len(before.strings)}, start afresh",)
    found = [
        words
        for number, (old, new) in enumerate(
            zip(before.strings, after.strings, strict=True), start=1
        )
        for words in _string_changes(number, old, new)
    ]
    return (*found, *_whole_changes(before, after).values())


def changed_since(record: InstrumentRecord, at: datetime) -> tuple[str, ...]:
    """What of an instrument on record, its screws too, is otherwise than it was ``at`` then."""
    then = [was.instrument for was in record.versions if was.changed_at <= at]
    if not then:
        return ()
    bridge, was = record.instrument.bridge, then[-1].bridge
    screws = (bridge.screw_pitch_mm, bridge.screw_heads) != (was.screw_pitch_mm, was.screw_heads)
    told = ("its screws are said to be otherwise",) if screws else ()
    return (*changes(then[-1], record.instrument), *told)


def _whole_changes(before: Instrument, after: Instrument) -> dict[str, str]:
    """What differs of all strings alike, by what it is."""
    found = {}
    if before.strings_fitted != after.strings_fitted and after.strings_fitted is not None:
        found["strings"] = f"strings fitted {after.strings_fitted}, expect other offsets"
    ways = _SHARPER, _FLATTER
    found |= _height("action", before.action_mm, after.action_mm, ACTION_CHANGE_MM, ways)
    # What relief does at the 12th fret it does through the action.
    ways = _ACTION_TOO, _ACTION_TOO
    found |= _height("relief", before.relief_mm, after.relief_mm, RELIEF_CHANGE_MM, ways)
    if before.scales_mm != after.scales_mm:
        scales = f"{span_words(before.scales_mm)} → {span_words(after.scales_mm)}"
        found["scale"] = f"scale {scales}, start afresh"
    if before.bridge.kind != after.bridge.kind:
        found["bridge"] = f"bridge {before.bridge.kind} → {after.bridge.kind}, start afresh"
    if before.temperature_c is not None and after.temperature_c is not None:
        warmer = after.temperature_c - before.temperature_c
        if abs(warmer) >= TEMPERATURE_CHANGE_C:
            found["temperature"] = (
                f"temperature {before.temperature_c:g} → {after.temperature_c:g} °C, "
                "expect relief and action to have moved"
            )
    return found


def _string_changes(number: int, old: StringSpec, new: StringSpec) -> list[str]:
    found = []
    if (old.wound, old.material) != (new.wound, new.material):
        sorts = [f"{'wound' if s.wound else 'plain'} {s.material}" for s in (old, new)]
        found.append(f"string {number} {sorts[0]} → {sorts[1]}, {_ANOTHER}")
    elif abs(new.diameter_mm - old.diameter_mm) > _GAUGE_CHANGE_MM:
        gauges = f"{diameter_figures(old.diameter_mm)} → {diameter_words(new.diameter_mm)}"
        found.append(f"string {number} gauge {gauges}, {_ANOTHER}")
    if old.note != new.note:
        # Of another wire the tuning alone does not tell.
        way = _ANOTHER if found else _SHARPER if new.note < old.note else _FLATTER
        found.insert(0, f"string {number} tuned {old.note} → {new.note}, {way}")
    return found


def _height(
    what: str, old: float | None, new: float | None, least: float, ways: tuple[str, str]
) -> dict[str, str]:
    """A height in mm that changed, and what to expect where it went up and where it went down."""
    if old is None or new is None or abs(new - old) < least - 1e-9:
        return {}
    heights = f"{length_figures(old, None)} → {length_words(new, None)}"
    return {what: f"{what} {heights}, {ways[new < old]}"}


def season_words(before: date, after: date) -> str | None:
    """Says so if the two days lie in different parts of the year."""
    days = abs((after - before).days) % 365
    if min(days, 365 - days) < ANOTHER_SEASON_DAYS:
        return None
    return (
        f"another season ({before:%B}, now {after:%B}), expect the neck to have moved: look at "
        "relief and action first"
    )


def sessions_to_go_by(repository: Repository, instrument: Instrument) -> list[SessionRecord]:
    """The sessions that say whether a check of ``instrument`` is due, oldest first, with nothing
    but how its strings were left."""
    sessions = repository.sessions(instrument.name, last=1, outcomes_only=True)
    # Mostly the last session tells of every string.
    if sessions and len(sessions[0].log.order) < len(instrument.strings):
        return repository.sessions(instrument.name, last=LOOK_BACK, outcomes_only=True)
    return sessions


def filed_before(repository: Repository, instrument: Instrument) -> tuple[float, ...]:
    """What the sessions on record filed in all off each break point of ``instrument``, string 1
    first, positive away from the nut; empty where nothing is filed, or no session tells.

    However long ago: what is filed stays so. A bridge that was said to be otherwise then, its
    travel too, had another saddle.
    """
    if not instrument.bridge.is_filed:
        return ()
    ever = _of_as_many_strings(instrument, repository.sessions(instrument.name, outcomes_only=True))
    on_it = [each.log.strings for each in ever if each.setup.instrument.bridge == instrument.bridge]
    return tuple(math.fsum(s.travel_mm for s in each) for each in zip(*on_it, strict=True))


def check_reasons(
    instrument: Instrument, sessions: Sequence[SessionRecord], *, today: date | None = None
) -> tuple[str, ...]:
    """Why ``instrument`` should be checked; empty if it need not be.

    Each string is held against the last session that was about it, and what concerns all strings
    alike against each of these sessions: told is what differs from the oldest.

    Parameters
    ----------
    sessions : its sessions, oldest first (`sessions_to_go_by`).
    """
    day = today or date.today()
    if not sessions:
        return ("never set on this record",)
    last = _last_of_each_string(instrument, sessions)
    if not last:  # it had more strings, or fewer
        return changes(sessions[-1].setup.instrument, instrument)
    now = without_capo(instrument)
    before = {n: without_capo(record.setup.instrument) for n, record in last.items()}
    reasons = [
        words
        for number, then in before.items()
        for words in _string_changes(number, then.string(number), now.string(number))
    ]
    alike: dict[str, str] = {}
    for number in sorted(last, key=lambda n: last[n].meta.started_at, reverse=True):
        alike |= _whole_changes(before[number], now)
        meta = last[number].meta
        if misdated := misdated_words(last[number], today=day):
            # It may not be the last one, and what has passed since is not known.
            alike[meta.id] = f"session {meta.short_id} of {meta.day} is misdated: {misdated}"
        elif season := season_words(meta.day, day):
            alike["season"] = season
    reasons += alike.values()
    fitted = instrument.strings_fitted
    if fitted is not None and (day - fitted).days > OLD_STRINGS_DAYS:
        reasons.append(
            f"strings {_months_words((day - fitted).days)} old, expect them to read false: "
            "fit new ones first"
        )
    reasons += _undone(instrument, last)
    return tuple(reasons)


def check_due_by(instrument: Instrument, day: date) -> date:
    """The day from which on `check_reasons` has one by time alone, where ``instrument`` was set on
    ``day``: another season, or strings that are old by then (and were not on the day)."""
    due = day + timedelta(days=ANOTHER_SEASON_DAYS)
    fitted = instrument.strings_fitted
    if fitted is not None and 0 <= (day - fitted).days <= OLD_STRINGS_DAYS:
        due = min(due, fitted + timedelta(days=OLD_STRINGS_DAYS + 1))
    return due


def _last_of_each_string(
    instrument: Instrument, sessions: Sequence[SessionRecord]
) -> dict[int, SessionRecord]:
    """By string, string 1 first, the last session that was about it."""
    alike = _of_as_many_strings(instrument, sessions)
    last = {number: record for record in alike for number in record.log.order}
    return dict(sorted(last.items()))


def _of_as_many_strings(
    instrument: Instrument, sessions: Sequence[SessionRecord]
) -> list[SessionRecord]:
    """Those in which a number means the string that it means now."""
    count = len(instrument.strings)
    return [each for each in sessions if len(each.setup.instrument.strings) == count]


def _undone(instrument: Instrument, last: Mapping[int, SessionRecord]) -> list[str]:
    """What is left to do on each string since the ``last`` session that was about it."""
    outcomes = {n: record.log.strings[n - 1].outcome for n, record in last.items()}
    never = [n for n in range(1, len(instrument.strings) + 1) if n not in last]
    undone = [n for n, outcome in outcomes.items() if outcome in (None, Outcome.PASSED_OVER)]
    reasons = [f"{strings_words(never)} never set on this record"] if never else []
    reasons += [f"{strings_words(undone)} not finished last time"] if undone else []
    return reasons + [
        f"string {number} was left {_DOUBTFUL[outcome]}"
        for number, outcome in outcomes.items()
        if outcome in _DOUBTFUL
    ]


_DOUBTFUL: Final[dict[Outcome | None, str]] = {
    Outcome.BORDER: "on the border",
    Outcome.OUT_OF_TRAVEL: "with its saddle out of travel",
    Outcome.DOES_NOT_SETTLE: "because it did not settle",
}


def opening_words(
    instrument: Instrument, sessions: Sequence[SessionRecord], *, today: date | None = None
) -> str | None:
    """What a new session opens with: when the instrument was last set and what changed since.

    ``sessions`` as for `check_reasons`; None where there are none.
    """
    if not sessions:
        return None
    reasons = check_reasons(instrument, sessions, today=today)
    since = f"since then: {'; '.join(reasons)}" if reasons else "nothing on record changed since"
    return f"{instrument.name} was last set on {sessions[-1].meta.day}; {since}."


def last_measured(
    instrument: Instrument, sessions: Sequence[SessionRecord], *, fret: int
) -> dict[int, Belief]:
    """By string the offset at ``fret`` in cents that the last session which measured it left, where
    nothing is known to have changed that offset since.

    Parameters
    ----------
    sessions : its sessions, oldest first, with all their entries.
    """
    found: dict[int, Belief] = {}
    for record in _of_as_many_strings(instrument, sessions):
        then = record.setup.instrument
        as_now = record.setup.fret == fret and not _whole_changes(then, instrument)
        for string, was, now in zip(
            record.log.strings, then.strung, instrument.strung, strict=True
        ):
            if string.moves or string.now is not None:
                found.pop(string.number, None)
            # Of one that is not done, the saddle may have been moved since it was heard last.
            if as_now and was == now and string.outcome is not None and string.now is not None:
                found[string.number] = string.now.belief
    return found


def misdated_words(record: SessionRecord, *, today: date | None = None) -> str | None:
    """Why a session was not when it says, by a clock that was wrong; None if it may have been."""
    fitted = record.setup.instrument.strings_fitted
    if fitted is not None and record.meta.day < fitted:
        return f"before its strings were fitted ({fitted})"
    if record.meta.day > (today or date.today()):
        return "it is still to come"
    return None


def trends(sessions: Sequence[SessionRecord], *, today: date | None = None) -> tuple[Trend, ...]:
    """The drift of each string's offset as its strings age; strings without a pair are left out, as
    are sessions that are misdated.

    Between the end of one session and the beginning of the next nobody moved a saddle. Over pairs
    i with change c_i, time t_i and variance v_i the rate is the weighted least-squares line through
    the origin: sum(c t / v) / sum(t^2 / v), its variance 1 / sum(t^2 / v).
    """
    numerators: dict[int, float] = {}
    weights: dict[int, float] = {}
    months: dict[int, float] = {}
    dated = [each for each in sessions if misdated_words(each, today=today) is None]
    for earlier, later in pairwise(dated):
        elapsed = later.meta.started_at - earlier.meta.started_at
        t_months = elapsed.total_seconds() / 86400 / _DAYS_PER_MONTH
        if t_months <= 0 or not _same_strings(earlier, later):
            continue
        for before, after in zip(earlier.log.strings, later.log.strings, strict=True):
            if before.now is None or after.found is None:
                continue
            variance = math.hypot(before.now.u_cents, after.found.u_cents) ** 2
            change = after.found.offset_cents - before.now.offset_cents
            number = before.number
            numerators[number] = numerators.get(number, 0.0) + change * t_months / variance
            weights[number] = weights.get(number, 0.0) + t_months**2 / variance
            months[number] = months.get(number, 0.0) + t_months
    return tuple(
        Trend(number, numerators[number] / weight, 1 / math.sqrt(weight), months[number])
        for number, weight in sorted(weights.items())
    )


def _same_strings(earlier: SessionRecord, later: SessionRecord) -> bool:
    """Whether both measured the same strings, each at the same place."""
    one, other = earlier.setup.instrument, later.setup.instrument
    return (
        earlier.setup.fret == later.setup.fret
        and one.strings_fitted is not None
        and one.strings_fitted == other.strings_fitted
        and one.strung == other.strung
    )


def _months_words(days: int) -> str:
    return f"{days / _DAYS_PER_MONTH:.0f} months"
