"""Dataclasses to JSON documents and back, exactly: the form that the store and exports share.

cattrs does the walking; here stand only the types that JSON does not know. Floats survive
unchanged (Python writes the shortest decimal that reads back as the same double). Keys that a
later version added with a default may be missing, keys that this version does not know are passed
over, so documents may grow without a migration.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np
from cattrs import Converter
from cattrs.gen import make_dict_structure_fn, make_dict_unstructure_fn
from cattrs.strategies import configure_tagged_union

from pitchbench.errors import PitchbenchError, RecordsError
from pitchbench.intonation.bridge import Move
from pitchbench.intonation.offset import Offset
from pitchbench.notes import Note
from pitchbench.pitch.reading import NO_TRACE, Reading, Reason, Rejected, Trace
from pitchbench.records.model import Parameter, SessionMeta, SessionRecord
from pitchbench.records.older import current_entry, current_move, current_offset
from pitchbench.session.log import (
    AdviceEntry,
    CheckEntry,
    ClearedEntry,
    Entry,
    MoveEntry,
    NoteEntry,
    OtherWayEntry,
    OutcomeEntry,
    SaidEntry,
    Setup,
    StepEntry,
    StrikeEntry,
    TakeEntry,
    ToleranceEntry,
    UndoEntry,
    VerdictEntry,
)

#: The word that says which sort of entry a document holds; part of the file format.
ENTRY_KINDS: Final[Mapping[type, str]] = {
    TakeEntry: "take",
    StrikeEntry: "strike",
    ClearedEntry: "cleared",
    VerdictEntry: "verdict",
    AdviceEntry: "advice",
    SaidEntry: "said",
    MoveEntry: "move",
    OtherWayEntry: "other_way",
    OutcomeEntry: "outcome",
    StepEntry: "step",
    ToleranceEntry: "tolerance",
    UndoEntry: "undo",
    CheckEntry: "check",
    NoteEntry: "note",
}

Document = dict[str, Any]

#: What was once written otherwise, and what brings it to its present form.
_OLDER: Final[Mapping[type, Callable[[Document], Document]]] = {
    Offset: current_offset,
    Move: current_move,
}


def _trace_to_document(trace: Trace) -> Document | None:
    """Arrays become lists; a moment without a pitch (NaN) becomes null, and so does a trace
    without frames."""
    if not trace.time_s.size:
        return None
    return {
        name: [None if math.isnan(x) else x for x in getattr(trace, name).tolist()]
        for name in ("time_s", "pitch_hz", "level_db")
    }


def _trace_from_document(document: Document | None, _: type[Trace]) -> Trace:
    if document is None:
        return NO_TRACE
    time_s, pitch_hz, level_db = (
        np.array([math.nan if x is None else x for x in document[name]], dtype=np.float64)
        for name in ("time_s", "pitch_hz", "level_db")
    )
    if not time_s.shape == pitch_hz.shape == level_db.shape:
        raise ValueError("the arrays of a trace differ in length")
    if np.isinf([time_s, pitch_hz, level_db]).any():
        raise ValueError("a number of a trace is past all bounds")
    return Trace(time_s, pitch_hz, level_db)


def _read_hooks(converter: Converter) -> None:
    """A pluck is one flat object, whatever became of it: ``reason`` is null in a reading."""
    fields = make_dict_unstructure_fn(Reading, converter)

    def to_flat(reading: Reading) -> Document:
        document = fields(reading)
        first = {name: document.pop(name) for name in ("onset_s", "ring_s")}
        return {**first, "reason": None, **document}

    def from_flat(document: Document, _: Any) -> Reading | Rejected:
        if document.get("reason") is not None:
            return converter.structure(document, Rejected)
        if document["wander_cents"] is None:
            # So older versions kept a pluck whose sound was lost before its tail began.
            return converter.structure({**document, "reason": Reason.NEVER_SETTLED}, Rejected)
        return converter.structure(document, Reading)

    converter.register_unstructure_hook(Reading, to_flat)
    converter.register_structure_hook(Reading | Rejected, from_flat)


def _parameter(value: Any, _: Any) -> Any:
    if not isinstance(value, Parameter):
        raise TypeError(f"{type(value).__name__} is no parameter")
    return value


def _finite(value: Any, _: Any) -> float:
    """What comes from elsewhere may hold "nan" or "inf" where a number should be."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{str(value)[:60]!r} is no number that can be kept")
    return float(value)


def _structured(
    kind: type[Any], current: Callable[[Document], Document], converter: Converter
) -> Callable[[Document, Any], Any]:
    structure: Callable[[Document, Any], Any] = make_dict_structure_fn(kind, converter)
    return lambda document, _: structure(current(document), kind)


@cache
def _converter(*, foreign: bool) -> Converter:
    """What walks our own documents, or those from elsewhere; made when first used, since that takes
    its time and few commands need both."""
    converter = Converter()
    if foreign:
        converter.register_structure_hook(float, _finite)
    converter.register_unstructure_hook(Note, lambda note: note.name)
    converter.register_structure_hook(Note, lambda name, _: Note.parse(name))
    for moment in (date, datetime):
        converter.register_unstructure_hook(moment, lambda value: value.isoformat())
        converter.register_structure_hook(moment, lambda text, kind: kind.fromisoformat(text))
    converter.register_unstructure_hook(Path, str)
    converter.register_structure_hook(Path, lambda text, _: Path(text))
    converter.register_unstructure_hook(Trace, _trace_to_document)
    converter.register_structure_hook(Trace, _trace_from_document)
    _read_hooks(converter)
    converter.register_structure_hook(Parameter, _parameter)
    for kind, current in _OLDER.items():
        converter.register_structure_hook(kind, _structured(kind, current, converter))
    configure_tagged_union(
        Entry, converter, tag_name="kind", tag_generator=lambda kind: ENTRY_KINDS[kind]
    )
    present = converter.get_structure_hook(Entry)
    converter.register_structure_hook(
        Entry, lambda document, kind: present(current_entry(document), kind)
    )
    return converter


def to_document(value: Any, kind: Any = None) -> Any:
    """``value`` as what ``json`` can write; ``kind`` is its declared type where that is a union."""
    return _converter(foreign=False).unstructure(value, unstructure_as=kind)


def from_document(document: Any, kind: Any) -> Any:
    """The value of type ``kind`` that ``document``, which comes from elsewhere, describes.

    Raises
    ------
    Exception
        Whatever the damage causes (cattrs groups them): what was written by hand or by
        something else is checked by whoever reads it in. Numbers are finite.
    """
    return _converter(foreign=True).structure(document, kind)


def to_json(value: Any, kind: Any = None) -> str:
    """``value`` as one line of ASCII JSON."""
    return json.dumps(to_document(value, kind), separators=(",", ":"))


def from_json(text: str, kind: Any) -> Any:
    """The inverse of ``to_json``."""
    return _converter(foreign=False).structure(json.loads(text), kind)


def stored(text: str, kind: Any) -> Any:
    """The value that a document of the store holds.

    Raises
    ------
    RecordsError
        If it is damaged.
    """
    with told_if_damaged():
        return from_json(text, kind)


@contextmanager
def told_if_damaged() -> Iterator[None]:
    """Whatever cannot be read of the store, as two sentences: cattrs groups what it finds."""
    try:
        yield
    except (PitchbenchError, MemoryError):
        raise
    except Exception as error:
        raise RecordsError(
            "Something on record is damaged.",
            "`pitchbench records check` says what it is; --save FILE saves all else, and "
            "`pitchbench records restore` brings a backup back.",
        ) from error


def session_document(record: SessionRecord) -> Document:
    """A session whole, frames included."""
    return {
        "meta": to_document(record.meta),
        "setup": to_document(record.setup),
        "entries": to_document(record.entries, tuple[Entry, ...]),
    }


def kept_session(document: Document) -> SessionRecord:
    """The inverse of ``session_document``, for what we kept ourselves."""
    return SessionRecord(
        _converter(foreign=False).structure(document["setup"], Setup),
        _converter(foreign=False).structure(document["entries"], tuple[Entry, ...]),
        _converter(foreign=False).structure(document["meta"], SessionMeta),
    )
