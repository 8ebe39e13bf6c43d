"""`pitchbench schema`: every document that the program writes has its form, and is held to it."""

from __future__ import annotations

import gzip
import json
import re
from pathlib import Path

import jsonschema
import pytest
from recordings import Ran

import pitchbench
from pitchbench.commands.schema import DOCUMENTS

Capsys = pytest.CaptureFixture[str]

#: Every word that names a form, wherever it stands in the package.
WORDS = {
    word
    for path in Path(pitchbench.__file__).parent.rglob("*.py")
    for word in re.findall(r'"(pitchbench\.[a-z]+/\d+)"', path.read_text(encoding="utf-8"))
}


def test_every_document_is_listed_with_what_prints_it(capsys: Capsys) -> None:
    ran = Ran(capsys, "schema")
    assert ran.code in (0, None)
    assert [line.split()[0] for line in ran.out.splitlines()] == list(DOCUMENTS)
    assert all("`pitchbench " in line for line in ran.out.splitlines())
    assert {re.split("[./]", word)[1] for word in WORDS} == set(DOCUMENTS)


@pytest.mark.parametrize("name", DOCUMENTS)
def test_each_is_a_schema_of_the_documents_of_that_name(capsys: Capsys, name: str) -> None:
    schema = json.loads(Ran(capsys, "schema", name).out)
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == jsonschema.Draft202012Validator.META_SCHEMA["$id"]
    (word,) = schema["properties"]["schema"]["enum"]
    assert word in WORDS
    assert word.startswith(f"pitchbench.{name}/")
    assert "schema" in schema["required"]
    objects = [schema, *(each for each in schema["$defs"].values() if "properties" in each)]
    assert all(each["additionalProperties"] is False for each in objects)


def test_a_name_that_is_none(capsys: Capsys) -> None:
    ran = Ran(capsys, "schema", "offest")
    assert ran.code == 2
    assert "There is no document called 'offest'." in ran.err
    assert "offset, offsets, neck" in ran.err


def test_all_that_a_rich_store_holds_is_of_these_forms(capsys: Capsys, tmp_path: Path) -> None:
    """Thirty sessions of every sort, as an earlier version of this program kept them."""
    place = tmp_path / "store.sqlite"
    frozen = Path(__file__).parent / "data" / "store-form-2.sqlite.gz"
    place.write_bytes(gzip.decompress(frozen.read_bytes()))
    assert len(Ran(capsys, "export", "--store", place).document["sessions"]) == 30
    history = Ran(capsys, "history", "--last", 30, "--store", place, "--format", "json")
    assert history.document["sessions"]
    listed = Ran(capsys, "instrument", "list", "--store", place, "--format", "json").document
    for each in listed["instruments"]:
        name = each["record"]["instrument"]["name"]
        for words in (["instrument", "show", name], ["history", name]):
            assert Ran(capsys, *words, "--store", place, "--format", "json").document
