"""The importer and all that reads what it let in, given exports that nobody should make: damaged,
absurd or malicious. Found so far by these: numbers past all bounds, words that Python takes for
numbers, days that are on no calendar in UTC, names that no encoding knows.

PITCHBENCH_FUZZ=2000 tries that many, at random; without it, few and always the same.
"""

from __future__ import annotations

import copy
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from absurd import (
    HUGE,
    VALUES,
    an_export,
    as_text,
    changed,
    fresh_store,
    hold_to_promises,
    little_memory,
    reading_commands,
    run,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from stores import read_export

from pitchbench.errors import PitchbenchError

EXPORT = an_export()
fuzzed = settings(
    max_examples=int(os.environ.get("PITCHBENCH_FUZZ", "40")),
    derandomize="PITCHBENCH_FUZZ" not in os.environ,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    place = tmp_path_factory.mktemp("fuzzed")
    soundfile.write(place / "silence.wav", np.zeros(9_600), 48_000)
    with little_memory():
        yield place


@st.composite
def damaged(draw: st.DrawFn) -> Any:
    """An export with one to three things in it replaced, removed or doubled."""
    document = copy.deepcopy(EXPORT)
    for _ in range(draw(st.integers(1, 3))):
        within, key = document, draw(st.sampled_from(sorted(document)))
        while isinstance(within[key], dict | list) and within[key] and draw(st.integers(0, 7)):
            within = within[key]
            keys = sorted(within) if isinstance(within, dict) else range(len(within))
            key = draw(st.sampled_from(keys))
        how = draw(st.integers(0, 9))
        if how == 0:
            del within[key]
        elif how == 1 and isinstance(within, list):
            within.append(copy.deepcopy(within[key]))
        else:
            within[key] = copy.deepcopy(draw(st.sampled_from(VALUES)))
        if not document:
            break
    return document


@given(document=damaged())
@fuzzed
def test_damaged_exports_and_what_reads_them(folder: Path, document: Any) -> None:
    file = folder / "in.json"
    file.write_text(as_text(document), encoding="utf-8")
    store = ["--store", str(fresh_store(folder))]
    taken = run("import", file, *store)
    hold_to_promises(taken)
    if taken.code == 0:
        for words in reading_commands(folder):
            hold_to_promises(run(*words, *store))


def numbers(within: Any, keys: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where every number of a document stands that need not be whole."""
    inside = within.items() if isinstance(within, dict) else enumerate(within)
    for key, value in inside:
        if isinstance(value, float):
            yield (*keys, key)
        elif isinstance(value, dict | list):
            yield from numbers(value, (*keys, key))


@pytest.mark.parametrize("word", ["inf", "-Infinity", HUGE, [], 10**400], ids=range(5))
def test_what_is_no_number_is_never_let_in(word: object) -> None:
    """Python reads some words as numbers that no document may hold."""
    session = EXPORT["sessions"][0]
    kinds = {entry["kind"]: entry for entry in reversed(session["entries"])}
    one_of_each = {
        **EXPORT,
        "sessions": [{**session, "entries": list(kinds.values())}],
    }
    tried = 0
    for keys in numbers(one_of_each):
        tried += 1
        with pytest.raises(PitchbenchError, match="cannot be taken in"):
            read_export(as_text(changed(one_of_each, keys, word)))
    assert tried > 50


@given(data=st.data())
@fuzzed
def test_bytes_that_are_no_export(folder: Path, data: st.DataObject) -> None:
    """Cut anywhere, with other bytes put in."""
    content = bytearray(as_text(EXPORT).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(content)))
        content[at : at + data.draw(st.integers(0, 9))] = data.draw(st.binary(max_size=9))
    if data.draw(st.booleans()):
        del content[data.draw(st.integers(0, len(content))) :]
    file = folder / "in.json"
    file.write_bytes(content)
    hold_to_promises(run("import", file, "--store", fresh_store(folder)))


@pytest.mark.parametrize(
    "opening", [b"[", b'{"a":', b'{"schema":"pitchbench.export/1","sessions":[']
)
def test_a_million_brackets(folder: Path, opening: bytes) -> None:
    (folder / "deep.json").write_bytes(opening * 1_000_000)
    outcome = run("import", folder / "deep.json", "--store", fresh_store(folder))
    hold_to_promises(outcome)
    assert outcome.code == 5
