"""The one fold of a session's log: what its entries, one after the other, make of it.

Live work, resuming, sheet, history, learning and tables all come from `evolve`: a `Log` is what
its entries make of it, whoever folds them and whenever. What is heard or pressed becomes entries in
``session/decide.py``; nothing else changes a log.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from pitchbench.session.log import (
    AdviceEntry,
    CheckEntry,
    ClearedEntry,
    Entry,
    Log,
    MoveEntry,
    NoteEntry,
    OtherWayEntry,
    OutcomeEntry,
    SaidEntry,
    SessionTake,
    Setup,
    Step,
    StepEntry,
    StrikeEntry,
    StringState,
    TakeEntry,
    TakeFate,
    ToleranceEntry,
    UndoEntry,
    VerdictEntry,
)


def empty_log(setup: Setup) -> Log:
    """The log before anything is heard."""
    specs = setup.instrument.strings
    strings = tuple(
        StringState(
            number,
            tolerance_cents=spec.tolerance_cents or setup.tolerance_cents,
            filed_mm=filed_mm,
        )
        for number, (spec, filed_mm) in enumerate(
            zip(specs, setup.filed_mm or (0.0,) * len(specs), strict=True), start=1
        )
    )
    return Log(setup, strings, setup.order[0], setup.tolerance_cents)


def read_log(setup: Setup, entries: Iterable[Entry]) -> Log:
    """The log that ``entries`` make, in order.

    Examples
    --------
    >>> from pitchbench.presets import preset
    >>> setup = Setup(preset("six-string"))
    >>> read_log(setup, [ToleranceEntry(1.0, 3.0)]).tolerance_cents
    3.0
    """
    log = empty_log(setup)
    for entry in entries:
        log = evolve(log, entry)
    return log


def evolve(log: Log, entry: Entry) -> Log:  # noqa: PLR0911, PLR0912  # one per kind
    """``log`` with one more entry: the only way in which a log changes."""
    if isinstance(entry, UndoEntry):
        return _taken_back(log, entry)
    log = replace(
        log,
        entries=(*log.entries, entry),
        standing=(*log.standing, entry),
        at_s=max(log.at_s, entry.at_s),
    )
    match entry:
        case TakeEntry(take=take):
            return _taken(log, take)
        case StrikeEntry():
            return _struck(log, entry.string, lambda take: take.number == entry.take)
        case ClearedEntry(string=number):
            round_ = log.strings[number - 1].round
            log = _struck(log, number, lambda take: take.round == round_)
            return _with(log, number, advice=None, said_mm=None, outcome=None)
        case VerdictEntry():
            return _with(_weighed(log, entry), entry.string, verdict=entry.verdict)
        case AdviceEntry():
            owner = log.strings[entry.string - 1]
            # Logs of form 2 tell how far a move was said to be made, but not which was advised.
            said_mm = owner.said_mm if owner.advice is None else None
            # However it was left before: a string that is to be moved is not done.
            return _with(log, entry.string, advice=entry.move, said_mm=said_mm, outcome=None)
        case SaidEntry():
            return _with(log, entry.string, said_mm=entry.mm)
        case MoveEntry():
            return _moved(log, entry)
        case OtherWayEntry():
            return _turned_round(log, entry)
        case OutcomeEntry():
            log = log if entry.offset is None else _weighed(log, entry)
            return _with(log, entry.string, outcome=entry.outcome, advice=None, said_mm=None)
        case StepEntry():
            return _stepped(log, entry)
        case ToleranceEntry():
            return _tolerated(log, entry)
        case NoteEntry() | CheckEntry():
            return log


def standing_of(entries: Iterable[Entry]) -> list[tuple[int, Entry]]:
    """Those of ``entries`` that no later one takes back, each with its place among all."""
    standing: list[tuple[int, Entry]] = []
    for index, entry in enumerate(entries):
        if isinstance(entry, UndoEntry):
            standing = [kept for kept in standing if kept[0] < entry.first]
        else:
            standing.append((index, entry))
    return standing


def _taken_back(log: Log, undo: UndoEntry) -> Log:
    """The log as what still stands makes it; time does not run back."""
    standing = standing_of((*log.entries, undo))
    before = read_log(log.setup, (entry for _, entry in standing))
    return replace(before, entries=(*log.entries, undo), at_s=max(log.at_s, undo.at_s))


def _tolerated(log: Log, entry: ToleranceEntry) -> Log:
    if entry.string is not None:
        return _with(log, entry.string, tolerance_cents=entry.cents)
    specs = log.setup.instrument.strings
    strings = tuple(
        replace(state, tolerance_cents=entry.cents) if spec.tolerance_cents is None else state
        for state, spec in zip(log.strings, specs, strict=True)
    )
    return replace(log, tolerance_cents=entry.cents, strings=strings)


def _with(log: Log, number: int, **changes: object) -> Log:
    """``log`` with string ``number`` changed."""
    changed = replace(log.strings[number - 1], **changes)  # type: ignore[arg-type]
    return replace(log, strings=(*log.strings[: number - 1], changed, *log.strings[number:]))


def _taken(log: Log, take: SessionTake) -> Log:
    """A pluck was heard; one that counts shows its string in tune."""
    owner, reading = log.strings[take.string - 1], take.reading
    log = replace(log, at_s=max(log.at_s, reading.onset_s + reading.ring_s))
    log = _with(log, take.string, takes=(*owner.takes, take))
    if take.fate is not TakeFate.ACCEPTED:
        return log
    log = _with(log, take.string, tuning=take.tuning)
    return replace(log, current=take.string, tuned=True)


def _struck(log: Log, number: int, which: Callable[[SessionTake], bool]) -> Log:
    """Takes were struck out, and with them what was said of the saddle as it stands."""
    owner = log.strings[number - 1]
    takes = tuple(
        replace(take, fate=TakeFate.STRUCK)
        if take.fate is TakeFate.ACCEPTED and which(take)
        else take
        for take in owner.takes
    )
    found = owner.found if owner.moves else None
    return _with(log, number, takes=takes, found=found, now=None, verdict=None)


def _weighed(log: Log, entry: VerdictEntry | OutcomeEntry) -> Log:
    owner = log.strings[entry.string - 1]
    found = owner.found if owner.moves else entry.offset
    return _with(log, entry.string, found=found, now=entry.offset)


def _moved(log: Log, entry: MoveEntry) -> Log:
    """A saddle was moved, and with it every string that lies on it."""
    beside = log.setup.instrument.bridge.beside(entry.string)
    for number in (*beside, entry.string):
        log = _with(
            log,
            number,
            moves=(*log.strings[number - 1].moves, entry),
            now=None,
            verdict=None,
            advice=None,
            said_mm=None,
            outcome=None,
        )
    return log


def _turned_round(log: Log, entry: OtherWayEntry) -> Log:
    """The last move of a saddle was made the other way."""
    for number in (*log.setup.instrument.bridge.beside(entry.string), entry.string):
        moves = log.strings[number - 1].moves
        last = (replace(move, made_mm=-move.made_mm) for move in moves[-1:])
        log = _with(log, number, moves=(*moves[:-1], *last))
    return log


def _stepped(log: Log, entry: StepEntry) -> Log:
    was_checking = log.step is Step.LAST_ROUND and log.current == entry.string
    found_in_tune = log.step in (Step.TUNE, Step.RETUNE)
    log = replace(log, step=entry.step, current=entry.string, wanted_fret=entry.fret)
    match entry.step:
        case Step.OPEN | Step.FRETTED | Step.BORDER:
            if found_in_tune:
                log = _with(log, entry.string, tuning=log.string.tuning + 1)
            return replace(log, tuned=True)
        case Step.LAST_ROUND:
            # Asking for the other note of a string that is being checked leaves it in tune.
            return replace(log, tuned=was_checking and log.tuned)
        case Step.TUNE:
            log = _with(log, entry.string, outcome=None, advice=None, said_mm=None)
        case Step.MOVE | Step.RETUNE:
            # However they were left before: no string is done whose saddle is about to move.
            for number in log.setup.instrument.bridge.beside(entry.string):
                log = _with(log, number, outcome=None)
    return replace(log, tuned=False)
