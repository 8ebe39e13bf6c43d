"""Documents: what a command prints as JSON, and its JSON Schema, both from one frozen dataclass.

msgspec does the walking; here stand only how a document is filled from a result, and the types that
JSON does not know.
"""

from __future__ import annotations

import json
import types
from dataclasses import MISSING, dataclass, fields, is_dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, Final, TypeVar, Union, get_args, get_origin, get_type_hints

import msgspec
import numpy as np

from pitchbench.notes import Note

_Kind = TypeVar("_Kind")

_NOTE: Final = "^[A-G]#?-?[0-9]+$"


@dataclass(frozen=True)
class Rounded:
    """Of a field of a document: to so many decimals."""

    digits: int


NonNegative = Annotated[float, msgspec.Meta(ge=0)]
Positive = Annotated[float, msgspec.Meta(gt=0)]
Probability = Annotated[float, msgspec.Meta(ge=0, le=1)]
Count = Annotated[int, msgspec.Meta(ge=0)]
Thousandths = Annotated[float, Rounded(3)]
Hundredths = Annotated[float, Rounded(2)]


def fill(kind: type[_Kind], *sources: object, **said: object) -> _Kind:
    """The document of type ``kind`` whose fields have the values of ``said``, else those of the
    attributes of the same name of the first of ``sources`` that has it.

    What is to be a document itself is filled in turn. ``schema`` is the word that its type says.

    Raises
    ------
    AttributeError
        If a field has no value.
    """
    hints = get_type_hints(kind, include_extras=True)
    values = {}
    for field in fields(kind):  # type: ignore[arg-type]  # a dataclass
        hint = hints[field.name]
        if field.name in said:
            value = said[field.name]
        elif field.name == "schema":
            value = get_args(hint)[0]
        else:
            of = (source for source in sources if hasattr(source, field.name))
            value = getattr(next(of, None), field.name, field.default)
        if value is MISSING:
            raise AttributeError(f"nothing to fill {kind.__name__}.{field.name} with")
        values[field.name] = _shaped(value, hint)
    return kind(**values)


def _shaped(value: Any, hint: Any) -> Any:
    """``value`` as a field of type ``hint`` holds it."""
    origin, parts = get_origin(hint), get_args(hint)
    if value is None or value is msgspec.UNSET:
        return value
    if origin is Annotated:
        digits = [mark.digits for mark in hint.__metadata__ if isinstance(mark, Rounded)]
        return round(value, *digits) if digits else _shaped(value, parts[0])
    if origin in (types.UnionType, Union):
        return _shaped(value, parts[0])
    if origin is tuple:
        inner = [parts[0]] * len(value) if parts[-1] is Ellipsis else parts
        return tuple(map(_shaped, value, inner))
    if is_dataclass(hint) and isinstance(hint, type) and not isinstance(value, hint):
        return fill(hint, value)
    return str(value) if hint is str else value


def to_json(document: object) -> str:
    """``document`` as indented JSON in ASCII.

    Raises
    ------
    ValueError
        If it holds NaN or infinity: an absent quantity is None.
    """
    plain = msgspec.to_builtins(document, builtin_types=(date, datetime), enc_hook=_plain)
    return json.dumps(plain, indent=2, allow_nan=False, default=lambda moment: moment.isoformat())


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    if isinstance(value, Note | Path):
        return str(value)
    raise NotImplementedError(f"no form for a {type(value).__name__}")


def schema_of(kind: Any) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of the documents of type ``kind``.

    ``kind.TAGGED``, where it is there, has further types to be described, and the word by which the
    ``kind`` of each is told from the others.
    """
    tagged: dict[type, str] = getattr(kind, "TAGGED", {})
    (reference, *_), made = msgspec.json.schema_components([kind, *tagged], schema_hook=_schema)
    for each, word in tagged.items():
        definition = made[each.__name__]
        definition["properties"] = {"kind": {"const": word}, **definition["properties"]}
        definition["required"] = ["kind", *definition["required"]]
    for definition in made.values():
        if "properties" in definition:
            definition["additionalProperties"] = False
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **made.pop(reference["$ref"].rpartition("/")[2]),
        "$defs": made,
    }


def _schema(kind: type) -> dict[str, Any]:
    if kind is Note:
        return {"type": "string", "pattern": _NOTE}
    if kind is Path:
        return {"type": "string"}
    if kind is np.ndarray:  # of a trace, which may have gaps
        return {"type": "array", "items": {"type": ["number", "null"]}}
    raise NotImplementedError(f"no schema for a {kind.__name__}")
