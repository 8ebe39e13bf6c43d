"""Every document that a test sees is held against the schema that the program prints of it."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

import jsonschema

from pitchbench.commands.schema import schema_named


def parsed(text: str) -> dict[str, Any]:
    """The one JSON document in ``text``, without NaN, of the form that its schema describes."""

    def refuse(constant: str) -> float:
        raise AssertionError(f"{constant} in the document")

    document: dict[str, Any] = json.loads(text, parse_constant=refuse)
    validator(document["schema"]).validate(document)
    return document


@cache
def validator(word: str) -> jsonschema.Draft202012Validator:
    """What holds documents against the schema of those whose ``schema`` is ``word``."""
    schema = schema_named(word.removeprefix("pitchbench.").partition("/")[0])
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)
