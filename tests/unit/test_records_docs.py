"""docs/files.md names what is really there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pitchbench.records.documents import ENTRY_KINDS
from pitchbench.records.history import (
    ACTION_CHANGE_MM,
    ANOTHER_SEASON_DAYS,
    OLD_STRINGS_DAYS,
    RELIEF_CHANGE_MM,
    TEMPERATURE_CHANGE_C,
)
from pitchbench.records.schema import metadata
from pitchbench.report.export import COLUMNS, SCHEMA

TEXT = (Path(__file__).parents[2] / "docs" / "files.md").read_text(encoding="utf-8")


def section(title: str) -> str:
    """The text under a heading, up to the next one of the same or a higher level."""
    match = re.search(rf"^(#+) {re.escape(title)}$(.*?)(?=^##? |\Z)", TEXT, re.M | re.S)
    assert match, title
    return match[2]


def test_every_column_of_the_csv_is_explained_and_no_other():
    first_cells = re.findall(r"^\| (`[^|]*) \|", section("CSV"), re.M)
    assert re.findall(r"`(\w+)`", " ".join(first_cells)) == list(COLUMNS)


@pytest.mark.parametrize("table", metadata.sorted_tables, ids=lambda table: table.name)
def test_every_table_is_explained_with_its_columns(table):
    (row,) = re.findall(rf"^\| `{table.name}` \|.*$", section("What is in it"), re.M)
    assert set(re.findall(r"`(\w+)`", row)) == {table.name, *(c.name for c in table.columns)}


def test_every_kind_of_entry_is_explained():
    kinds = re.findall(r"^\| `(\w+)` \|", section("JSON"), re.M)
    assert kinds == list(ENTRY_KINDS.values())
    assert SCHEMA in section("JSON")


def test_the_limits_are_those_of_the_code():
    words = " ".join(section("Commands").split())
    for limit in (
        f"action changed by {ACTION_CHANGE_MM:g} mm",
        f"relief by {RELIEF_CHANGE_MM:g} mm",
        f"{TEMPERATURE_CHANGE_C:g} degrees",
        f"{ANOTHER_SEASON_DAYS} days of the year",
        f"older than {OLD_STRINGS_DAYS} days",
    ):
        assert limit in words
