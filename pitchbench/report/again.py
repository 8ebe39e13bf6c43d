"""A session read again from the sound that it kept: what another version hears otherwise, and
whether that matters."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from pitchbench import __version__
from pitchbench.belief import half95
from pitchbench.intonation.offset import Offset
from pitchbench.notes import Note
from pitchbench.pitch.reading import Reading, Reason, Rejected
from pitchbench.records.model import SessionRecord
from pitchbench.report.document import NonNegative, Positive
from pitchbench.session.fold import read_log
from pitchbench.session.log import Entry, Log, TakeEntry
from pitchbench.session.saddles import weigh
from pitchbench.session.words import rejected_words
from pitchbench.units import cents_between, in_cents

#: Onsets of one pluck differ by less; two plucks are further apart.
_SAME_PLUCK_S = 0.1


@dataclass(frozen=True)
class TakeAgain:
    """A take that is read otherwise than it was: by more than the ± of both readings, or rejected
    (``reason``), or not found at all (no ``reason`` and no ``now_hz``)."""

    take: int
    string: int
    fret: int | None
    before_hz: Positive
    now_hz: Positive | None
    change_cents: float | None
    reason: Reason | None


@dataclass(frozen=True)
class StringAgain:
    """The offset of a string as it was left, from the takes as they were read and as they are read
    now; ``matters`` if it changed by more than half of its 95 % interval."""

    string: int
    note: Note
    before_cents: float | None
    now_cents: float | None
    change_cents: float | None
    interval95_half_cents: NonNegative | None
    matters: bool
    why: str


@dataclass(frozen=True)
class AgainDocument:
    """What became of a session's takes that count, and of its results."""

    session: str
    program_version_then: str
    program_version_now: str
    takes: int
    exactly_alike: int
    otherwise: tuple[TakeAgain, ...]
    strings: tuple[StringAgain, ...]


def compared(record: SessionRecord, heard: Iterable[Reading | Rejected]) -> AgainDocument:
    """Hold what is heard now against what is on record.

    Parameters
    ----------
    record : the session as it was kept.
    heard : every reading of its sound, those offered before a note had ended as well: a session
        goes on with those, so each take is held against the one that had rung as long.
    """
    heard = tuple(heard)
    entries: list[Entry] = []
    otherwise, takes, alike = [], 0, 0
    counting = {take.number for string in record.log.strings for take in string.accepted}
    for entry in record.entries:
        if not isinstance(entry, TakeEntry) or not isinstance(entry.take.reading, Reading):
            entries.append(entry)
            continue
        then = entry.take.reading
        now = _same_pluck(then, heard)
        entries.append(_with_reading(entry, now or _lost(then)))
        if entry.take.number not in counting:
            continue
        takes += 1
        alike += isinstance(now, Reading) and now.pitch_hz == then.pitch_hz
        if (changed := _changed(entry, now)) is not None:
            otherwise.append(changed)
    again = read_log(record.setup, entries)
    return AgainDocument(
        record.meta.short_id,
        record.meta.program_version,
        __version__,
        takes=takes,
        exactly_alike=alike,
        otherwise=tuple(otherwise),
        strings=tuple(_strings(record.log, again)),
    )


def _same_pluck(then: Reading, heard: Sequence[Reading | Rejected]) -> Reading | Rejected | None:
    same = [now for now in heard if abs(now.onset_s - then.onset_s) < _SAME_PLUCK_S]
    return min(same, key=lambda now: abs(now.ring_s - then.ring_s), default=None)


def _lost(then: Reading) -> Rejected:
    return Rejected(then.onset_s, then.ring_s, Reason.NEVER_SETTLED)


def _with_reading(entry: TakeEntry, reading: Reading | Rejected) -> TakeEntry:
    return replace(entry, take=replace(entry.take, reading=reading))


def _changed(entry: TakeEntry, now: Reading | Rejected | None) -> TakeAgain | None:
    take, then = entry.take, entry.take.reading
    assert isinstance(then, Reading)
    of = (take.number, take.string, take.fret, then.pitch_hz)
    if not isinstance(now, Reading):
        return TakeAgain(*of, None, None, None if now is None else now.reason)
    cents = cents_between(now.pitch_hz, then.pitch_hz)
    if abs(cents) <= max(half95(then.u_cents), half95(now.u_cents)):
        return None
    return TakeAgain(*of, now.pitch_hz, cents, None)


def _strings(before: Log, after: Log) -> Iterable[StringAgain]:
    setup = before.setup
    before, after = _at_its_fret(before), _at_its_fret(after)
    for old, new in zip(before.strings, after.strings, strict=True):
        then, now = weigh(before, old), weigh(after, new)
        if then is None and now is None:
            continue
        note = setup.instrument.string(old.number).note
        change = None if then is None or now is None else now.offset_cents - then.offset_cents
        half = None if then is None else (then.interval95_cents[1] - then.interval95_cents[0]) / 2
        matters = change is None or half is None or abs(change) > half
        yield StringAgain(
            old.number,
            note,
            None if then is None else then.offset_cents,
            None if now is None else now.offset_cents,
            change,
            half,
            matters,
            _why(then, now, old.tolerance_cents, matters=matters),
        )


def _at_its_fret(log: Log) -> Log:
    """The log without the takes at frets that say nothing of its offset: a survey's."""
    own = (None, 0, log.setup.fret)
    strings = (
        replace(string, takes=tuple(take for take in string.takes if take.fret in own))
        for string in log.strings
    )
    return replace(log, strings=tuple(strings))


def _why(then: Offset | None, now: Offset | None, tolerance_cents: float, *, matters: bool) -> str:
    if now is None or then is None:
        return "there are not takes enough for an offset " + ("any more" if then else "then")
    if not matters:
        words = "it changed by less than the ± that it had"
    else:
        words = "it changed by more than the ± that it had; measure it again"
    sides = [abs(each.offset_cents) <= tolerance_cents for each in (then, now)]
    if sides[0] != sides[1]:
        words += f"; it lies {'within' if sides[1] else 'beyond'} {in_cents(tolerance_cents)} now"
    return words


def again_lines(document: AgainDocument) -> list[tuple[str, str]]:
    """Label and words of every line."""
    versions = (
        f"pitchbench {document.program_version_then} then, {document.program_version_now} now"
    )
    same = document.takes - len(document.otherwise)
    lines = [
        ("session", f"{document.session}, {versions}"),
        (
            "takes",
            f"{document.takes} that count, {document.exactly_alike} exactly alike, "
            f"{same} within their ±",
        ),
    ]
    for take in document.otherwise:
        where = f"take {take.take}, string {take.string}"
        if take.now_hz is not None:
            now = f"{take.now_hz:.3f} Hz now, {take.change_cents:+.2f} cents"
        elif take.reason is not None:
            now = f"rejected now: {rejected_words(take.reason)}"
        else:
            now = "not found now"
        lines.append((where, f"{take.before_hz:.3f} Hz then, {now}"))
    for string in document.strings:
        words = string.why
        if string.change_cents is not None:
            words = (
                f"offset {string.before_cents:+z.2f} -> {string.now_cents:+z.2f} cents "
                f"(± {string.interval95_half_cents:.2f}), "
                f"{'matters' if string.matters else 'does not matter'}: {string.why}"
            )
        lines.append((f"string {string.string} {string.note}", words))
    return lines
