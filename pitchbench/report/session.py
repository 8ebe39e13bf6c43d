"""What a session or a rehearsal came to, as documents (docs/files.md)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeVar

from pitchbench.intonation.offset import Offset
from pitchbench.intonation.verdict import Decision
from pitchbench.notes import Note
from pitchbench.report.checks import CheckDocument, check_documents
from pitchbench.report.document import Count, NonNegative, Positive, Probability, Thousandths, fill
from pitchbench.report.readings import MoveDocument, move_document
from pitchbench.session.findings import Finding
from pitchbench.session.log import Step, TakeFate
from pitchbench.session.rehearsal import Rehearsal
from pitchbench.session.saddles import learned
from pitchbench.session.state import State
from pitchbench.strings.faults import Fault

_Interval = tuple[Thousandths, Thousandths]


@dataclass(frozen=True)
class RestsOn:
    """The takes since the last move that an offset rests on, and whether it rests as well on what
    was known before that move."""

    open: Count
    fretted: Count
    carried_over: bool


@dataclass(frozen=True)
class LeftOutPluck:
    """A pluck that does not count: its number, where it began on the session's time line, the cause
    as programs know it (null where an older record does not tell) and in words."""

    take: int
    at_s: NonNegative
    cause: str | None
    why: str


@dataclass(frozen=True)
class SessionString:
    """One string: value, standard uncertainty and 95 % interval as found and as left, what they
    rest on, and the probability of being within the tolerance that the verdict rests on; null where
    there was nothing to go by."""

    string: int
    note: Note
    found_cents: Thousandths | None
    found_u_cents: Thousandths | None
    found_interval95_cents: _Interval | None
    found_rests_on: RestsOn | None
    left_cents: Thousandths | None
    left_u_cents: Thousandths | None
    left_interval95_cents: _Interval | None
    left_rests_on: RestsOn | None
    verdict: Decision | None
    p_within: Probability | None
    outcome: str | None
    moves: Count
    travel_mm: Thousandths
    tolerance_cents: Positive
    plucks: Count
    left_out: tuple[LeftOutPluck, ...]


@dataclass(frozen=True)
class SessionMove(MoveDocument):
    """A move as it was advised, and how far it was made; ``said`` is whether the person said it."""

    string: int
    made_mm: float
    made_turns: float | None
    said: bool


@dataclass(frozen=True)
class BridgeDocument:
    """What the bridge has been found to do: saddle travel per screw travel, and lost travel."""

    factor: Thousandths
    factor_u: Thousandths
    slack_mm: Thousandths
    slack_u_mm: Thousandths
    moves: Count


@dataclass(frozen=True)
class SessionDocument:
    """What `pitchbench session --format json` prints."""

    schema: Literal["pitchbench.session/1"]
    session: str | None
    source: str
    instrument: str
    a4_hz: Positive
    fret: int
    capo: Count
    capo_strings: tuple[Count, ...]
    tolerance_cents: Positive
    finished: bool
    strings: tuple[SessionString, ...]
    moves: tuple[SessionMove, ...]
    bridge: BridgeDocument
    checks: tuple[CheckDocument, ...]


@dataclass(frozen=True)
class RehearsedString(SessionString):
    """One string, and the truth, since it is known."""

    true_found_cents: Thousandths
    true_left_cents: Thousandths


@dataclass(frozen=True)
class RehearsedMove:
    """A move, with the truth before and after it."""

    string: int
    true_before_cents: Thousandths
    advised_mm: Thousandths
    made_mm: Thousandths
    true_after_cents: Thousandths


@dataclass(frozen=True)
class RehearsalDocument:
    """What `pitchbench rehearse --format json` prints."""

    schema: Literal["pitchbench.rehearsal/1"]
    seed: int
    instrument: str
    a4_hz: Positive
    fret: int
    tolerance_cents: Positive
    finished: bool
    strings: tuple[RehearsedString, ...]
    moves: tuple[RehearsedMove, ...]
    fault: Fault | None
    findings: tuple[Finding, ...]


_String = TypeVar("_String", bound=SessionString)


def session_document(state: State, *, session: str | None, source: str) -> SessionDocument:
    """The whole session; ``session`` is its id on record, None if it was not kept."""
    return fill(
        SessionDocument,
        state.log,
        state.setup,
        session=session,
        source=source,
        instrument=state.setup.instrument.name,
        capo=state.setup.instrument.capo,
        capo_strings=state.setup.instrument.capo_strings,
        finished=state.complete,
        strings=[_string(SessionString, state, number) for number in state.log.order],
        moves=[
            fill(SessionMove, entry, move_document(entry.move), made_turns=entry.made.turns)
            for entry in state.log.moves
        ],
        bridge=learned(state.log),
        checks=check_documents(state.log),
    )


def rehearsal_document(
    rehearsal: Rehearsal, *, seed: int, fault: Fault | None, findings: tuple[Finding, ...]
) -> RehearsalDocument:
    """The whole rehearsal, the truth beside each result, and what was practised and found."""
    state = rehearsal.state
    strings = [
        _string(
            RehearsedString,
            state,
            number,
            true_found_cents=rehearsal.true_found_cents[number],
            true_left_cents=rehearsal.true_left_cents[number],
        )
        for number in state.setup.order
    ]
    return fill(
        RehearsalDocument,
        rehearsal,
        state.log,
        state.setup,
        seed=seed,
        instrument=state.setup.instrument.name,
        finished=state.log.step is Step.FINISHED,
        strings=strings,
        fault=fault,
        findings=findings,
    )


def _string(kind: type[_String], state: State, number: int, **truth: float) -> _String:
    string = state.log.strings[number - 1]
    return fill(
        kind,
        string,
        string=number,
        note=state.setup.instrument.string(number).note,
        **_offset("found", string.found),
        **_offset("left", string.now),
        verdict=string.verdict and string.verdict.decision,
        p_within=string.verdict and string.verdict.p_within,
        outcome=string.outcome and string.outcome.name.lower(),
        moves=len(string.moves),
        plucks=len(string.takes),
        left_out=[
            LeftOutPluck(take.number, take.reading.onset_s, take.cause, take.why)
            for take in string.takes
            if take.fate in (TakeFate.REJECTED, TakeFate.IGNORED)
        ],
        **truth,
    )


def _offset(when: str, offset: Offset | None) -> dict[str, object]:
    names = ("offset_cents", "u_cents", "interval95_cents")
    keys = (f"{when}_cents", f"{when}_u_cents", f"{when}_interval95_cents")
    values: dict[str, object] = {
        key: None if offset is None else getattr(offset, name)
        for key, name in zip(keys, names, strict=True)
    }
    rests_on = offset and RestsOn(offset.open.n, offset.fretted.n, offset.carried_over)
    return values | {f"{when}_rests_on": rests_on}
