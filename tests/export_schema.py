"""The JSON Schema of exports, derived from the dataclasses that they are made of.

After a change of those, write it anew and say in docs/files.md what changed:

    PYTHONPATH=tests python tests/export_schema.py
"""

from __future__ import annotations

import json
import types
import typing
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from pathlib import Path
from typing import Any

import pitchbench.report
from pitchbench.notes import Note
from pitchbench.pitch.reading import Reading, Trace
from pitchbench.records.documents import ENTRY_KINDS
from pitchbench.records.model import InstrumentRecord, SessionMeta
from pitchbench.report.export import SCHEMA
from pitchbench.session.log import Entry, Setup

PLACE = Path(pitchbench.report.__file__).with_name("export.schema.json")

_SIMPLE: dict[Any, dict[str, Any]] = {
    str: {"type": "string"},
    int: {"type": "integer"},
    float: {"type": "number"},
    bool: {"type": "boolean"},
    type(None): {"type": "null"},
    date: {"type": "string", "format": "date"},
    datetime: {"type": "string", "format": "date-time"},
    Path: {"type": "string"},
    Note: {"type": "string", "pattern": "^[A-G]#?-?[0-9]+$"},
}


def build() -> dict[str, Any]:
    """The whole schema."""
    definitions: dict[str, Any] = {}
    session = {
        "meta": _of(SessionMeta, definitions),
        "setup": _of(Setup, definitions),
        "entries": {"type": "array", "items": _of(Entry, definitions)},
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "An export of pitchbench",
        **_closed(
            {
                "schema": {"const": SCHEMA},
                "program_version": {"type": "string"},
                "instruments": {"type": "array", "items": _of(InstrumentRecord, definitions)},
                "sessions": {"type": "array", "items": _closed(session)},
            }
        ),
        "$defs": dict(sorted(definitions.items())),
    }


def _closed(properties: dict[str, Any], required: list[str] | None = None) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties) if required is None else required,
        "additionalProperties": False,
    }


def _of(kind: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    if kind in _SIMPLE:
        return _SIMPLE[kind]
    if typing.get_origin(kind) in (types.UnionType, typing.Union):
        return {"anyOf": [_of(part, definitions) for part in typing.get_args(kind)]}
    if typing.get_origin(kind) is tuple:
        parts = typing.get_args(kind)
        if parts[-1] is Ellipsis:
            return {"type": "array", "items": _of(parts[0], definitions)}
        items = [_of(part, definitions) for part in parts]
        return {"type": "array", "prefixItems": items, "minItems": len(items), "items": False}
    if typing.get_origin(kind) is Mapping:
        return {"type": "object", "additionalProperties": _of(typing.get_args(kind)[1], {})}
    if isinstance(kind, type) and issubclass(kind, Enum):
        return {"enum": [member.value for member in kind]}
    assert is_dataclass(kind), kind
    if kind.__name__ not in definitions:
        definitions[kind.__name__] = {}  # against going round in circles
        definitions[kind.__name__] = _object(kind, definitions)
    reference = {"$ref": f"#/$defs/{kind.__name__}"}
    # A trace without frames is written as null.
    return {"anyOf": [reference, {"type": "null"}]} if kind is Trace else reference


def _object(kind: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    if kind is Trace:
        numbers = {"type": "array", "items": {"type": ["number", "null"]}}
        return _closed({field.name: numbers for field in fields(kind)})
    hints = typing.get_type_hints(kind)
    properties = {field.name: _of(hints[field.name], definitions) for field in fields(kind)}
    # An older version did not write what a later one added with a default.
    required = [
        field.name
        for field in fields(kind)
        if field.default is MISSING and field.default_factory is MISSING
    ]
    if kind is Reading:  # by this it is told from a rejected pluck
        properties = {"reason": {"type": "null"}, **properties}
        required = ["reason", *required]
    if kind in ENTRY_KINDS:
        properties = {"kind": {"const": ENTRY_KINDS[kind]}, **properties}
        required = ["kind", *required]
    return _closed(properties, required)


if __name__ == "__main__":
    PLACE.write_text(json.dumps(build(), indent=1) + "\n")
