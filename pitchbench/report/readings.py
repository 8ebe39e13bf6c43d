"""Readings as documents and as words: the same in every command that shows them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Any, Final, Literal, TypeVar

from msgspec import Meta

from pitchbench.analysis.heard import Heard, Listened
from pitchbench.intonation.bridge import Direction, Move, Rotation
from pitchbench.notes import Note, nearest_note
from pitchbench.pitch.reading import Reading, Reason, Rejected
from pitchbench.report.again import AgainDocument
from pitchbench.report.document import NonNegative, Positive, fill


@dataclass(frozen=True)
class ReadingDocument:
    """One pluck; a rejected one has a reason, and what could still be measured."""

    file: str
    onset_s: NonNegative
    status: Literal["settled", "rejected"]
    reason: Reason | None
    note: Note | None
    pitch_hz: Positive | None
    cents_from_note: float | None
    u_cents: NonNegative | None
    attack_cents: float | None
    settle_s: NonNegative | None
    tail_s: NonNegative | None
    wander_cents: NonNegative | None
    stiffness_b: float | None
    snr_db: float | None
    ring_s: NonNegative


_NUMBERS: Final = ("pitch_hz", "cents_from_note", "u_cents", "settle_s", "tail_s")
#: Beside the type of a reading: what settled has its numbers, what was rejected has its reason.
EITHER: Final = Meta(
    extra_json_schema={
        "if": {"properties": {"status": {"const": "settled"}}},
        "then": {
            "properties": {"reason": {"type": "null"}, "note": {"type": "string"}}
            | {key: {"type": "number"} for key in _NUMBERS}
        },
        "else": {"properties": {"reason": {"type": "string"}}},
    }
)


@dataclass(frozen=True)
class OpinedReading(ReadingDocument):
    """One pluck, with what another library says of it."""

    second_opinion_hz: Positive | None
    second_opinion_cents: float | None


@dataclass(frozen=True)
class SoundDocument:
    """One recording."""

    file: str
    rate_hz: int
    channel: int
    length_s: NonNegative
    damaged_after_s: NonNegative | None


@dataclass(frozen=True)
class ReadingsDocument:
    """What `pitchbench read` prints as JSON, others where nothing counts."""

    schema: Literal["pitchbench.readings/1"]
    a4_hz: Positive
    readings: tuple[Annotated[OpinedReading, EITHER], ...]
    sounds: tuple[SoundDocument, ...]
    again: AgainDocument | None = None
    lacks: str | None = None


@dataclass(frozen=True)
class MoveDocument:
    """A move of a saddle; ``rotation`` as seen from the screw's head; ``asked_mm`` is what is asked
    for in all, where it stops short of that more than ``mm``."""

    direction: Direction
    mm: NonNegative
    interval95_mm: tuple[float, float]
    turns: NonNegative | None
    rotation: Rotation | None
    cautions: tuple[str, ...]
    out_of_travel: bool
    asked_mm: NonNegative


_Kind = TypeVar("_Kind")


def reading_document(kind: type[_Kind], heard: Heard, *, a4_hz: float, **said: Any) -> _Kind:
    """A pluck as a document of type ``kind``; ``said`` are its fields beyond those of a reading."""
    reading, note, cents = heard.reading, None, None
    if reading.pitch_hz is not None:
        note, cents = nearest_note(reading.pitch_hz, a4_hz)
    reason = reading.reason if isinstance(reading, Rejected) else None
    return fill(
        kind,
        reading,
        heard,
        file=heard.source,
        status="rejected" if reason else "settled",
        reason=reason,
        note=note,
        cents_from_note=cents,
        **said,
    )


def sound_documents(sounds: Iterable[Listened]) -> tuple[SoundDocument, ...]:
    """What each recording is, and where damage ended it."""
    return tuple(fill(SoundDocument, each, file=each.source) for each in sounds)


def heard_document(sounds: Iterable[Listened], *, a4_hz: float, lacks: str) -> ReadingsDocument:
    """What was heard where nothing comes of it."""
    sounds = tuple(sounds)
    readings = [
        reading_document(
            OpinedReading,
            Heard(sound.source, reading),
            a4_hz=a4_hz,
            second_opinion_hz=None,
            second_opinion_cents=None,
        )
        for sound in sounds
        for reading in sound.readings
    ]
    return fill(
        ReadingsDocument,
        a4_hz=a4_hz,
        readings=readings,
        sounds=sound_documents(sounds),
        lacks=lacks,
    )


def move_document(move: Move) -> MoveDocument:
    """A move as every document holds it."""
    return fill(
        MoveDocument,
        move,
        mm=move.size_mm,
        asked_mm=abs(move.asked_mm),
        interval95_mm=move.onward95_mm,
    )


def note_name(reading: Reading | Rejected, a4_hz: float) -> str:
    """The nearest note, "?" where no pitch was found."""
    return "?" if reading.pitch_hz is None else nearest_note(reading.pitch_hz, a4_hz)[0].name


def value(number: float | None, digits: int, *, sign: bool = False) -> str:
    """``number`` with so many decimals; "-" where there is none."""
    if number is None:
        return "-"
    return f"{number:+.{digits}f}" if sign else f"{number:.{digits}f}"
