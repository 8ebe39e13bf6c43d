"""Documents: what a command prints as JSON, and its JSON Schema, both from one frozen dataclass.

msgspec does the walking; here stand only how a document is filled from a result, and the types that
JSON does not know.
"""

from __future__ import annotations

import inspect
import json
import types
from collections.abc import Mapping
from dataclasses import MISSING, Field, dataclass, field, fields, is_dataclass, make_dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, Final, TypeVar, Union, get_args, get_origin, get_type_hints

import msgspec

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
    for each in fields(kind):  # type: ignore[arg-type]  # a dataclass
        hint = hints[each.name]
        if each.name in said:
            value = said[each.name]
        elif each.name == "schema":
            value = get_args(hint)[0]
        else:
            of = (source for source in sources if hasattr(source, each.name))
            value = getattr(next(of, None), each.name, each.default)
        if value is MISSING:
            raise AttributeError(f"nothing to fill {kind.__name__}.{each.name} with")
        values[each.name] = _shaped(value, hint)
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
    if hasattr(value, "tolist"):  # numpy's arrays and numbers; it need not be loaded for the rest
        return value.tolist()
    if isinstance(value, Note | Path):
        return str(value)
    raise NotImplementedError(f"no form for a {type(value).__name__}")


def schema_of(kind: Any) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of the documents of type ``kind``.

    ``kind.TOLD_BY``, where it is there, has further properties by which types are told apart, and
    ``kind.OR_NULL`` the types of which null may stand for an empty one.
    """
    forms: dict[type, Any] = {}
    top = _form(kind, forms).__name__
    _, made = msgspec.json.schema_components(forms.values(), schema_hook=_schema)
    for each, told in getattr(kind, "TOLD_BY", {}).items():
        definition = made[each.__name__]
        definition["properties"] = told | definition["properties"]
        definition["required"] = [*told, *definition["required"]]
    for definition in made.values():
        if "properties" in definition:
            definition["additionalProperties"] = False
    for each in getattr(kind, "OR_NULL", ()):
        made[each.__name__] = {"anyOf": [made[each.__name__], {"type": "null"}]}
    draft = "https://json-schema.org/draft/2020-12/schema"
    return {"$schema": draft, **made.pop(top), "$defs": made}


def _form(hint: Any, forms: dict[type, Any]) -> Any:
    """``hint`` as msgspec can describe it, its dataclasses put into ``forms``: of a union it takes
    one dataclass at most."""
    origin, parts = get_origin(hint), get_args(hint)
    if is_dataclass(hint) and isinstance(hint, type):
        if hint not in forms:
            hints = get_type_hints(hint, include_extras=True)
            held = [
                (each.name, _form(hints[each.name], forms), field(**_may_be_missing(each)))
                for each in fields(hint)
            ]
            named = {"__doc__": inspect.cleandoc(hint.__doc__ or "")}
            forms[hint] = make_dataclass(hint.__name__, held, namespace=named, kw_only=True)
        return forms[hint]
    if origin is Annotated:
        return Annotated[_form(parts[0], forms), *hint.__metadata__]
    inner = tuple(part if part is Ellipsis else _form(part, forms) for part in parts)
    if origin in (types.UnionType, Union):
        if sum(map(is_dataclass, inner)) < 2:
            return Union[inner]  # noqa: UP007  # of a tuple
        any_of = [{"$ref": f"#/$defs/{part.__name__}"} for part in parts]
        return Annotated[Any, msgspec.Meta(extra_json_schema={"anyOf": any_of})]
    return origin[inner] if origin in (tuple, Mapping) else hint


def _may_be_missing(each: Field[Any]) -> dict[str, Any]:
    """That a field has a default, without saying which: it need be no JSON."""
    optional = each.default is not MISSING or each.default_factory is not MISSING
    return {"default_factory": dict} if optional else {}


def _schema(kind: type) -> dict[str, Any]:
    if kind is Note:
        return {"type": "string", "pattern": _NOTE}
    if kind is Path:
        return {"type": "string"}
    if kind.__name__ == "ndarray":  # of a trace, which may have gaps
        return {"type": "array", "items": {"type": ["number", "null"]}}
    raise NotImplementedError(f"no schema for a {kind.__name__}")
