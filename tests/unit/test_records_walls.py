"""Who may know whom: the database only in records, matplotlib only where figures are drawn."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import pitchbench

ROOT = Path(pitchbench.__file__).parent


def imports(file: Path) -> set[str]:
    """Every module that ``file`` imports, wherever in it."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def users_of(package: str) -> set[str]:
    """The files of pitchbench that import ``package`` or a part of it."""
    return {
        str(file.relative_to(ROOT))
        for file in ROOT.rglob("*.py")
        if any(name == package or name.startswith(f"{package}.") for name in imports(file))
    }


@pytest.mark.parametrize(
    ("package", "allowed"),
    [
        (
            "sqlalchemy",
            {"records/schema.py", "records/migrations.py", "records/repository.py"},
        ),
        ("sqlite3", {"records/migrations.py", "records/repository.py"}),
        ("psycopg", set()),
        ("cattrs", {"records/documents.py"}),
        ("jinja2", {"report/sheet.py"}),
    ],
)
def test_a_library_is_known_only_where_it_belongs(package, allowed):
    assert users_of(package) <= allowed
    assert users_of("sqlalchemy"), "the search itself finds nothing any more"


@pytest.mark.parametrize("room", ["pitch", "intonation", "strings", "session", "screen", "sound"])
def test_no_room_upstream_knows_the_records_or_the_report(room):
    for file in (ROOT / room).rglob("*.py"):
        known = {name for name in imports(file) if name.startswith("pitchbench.re")}
        assert known == set(), file


def test_the_report_knows_what_is_kept_but_not_how():
    for file in (ROOT / "report").rglob("*.py"):
        assert not any("repository" in name or "migrations" in name for name in imports(file))


@pytest.mark.parametrize(
    ("statement", "absent"),
    [
        ("import pitchbench.report.sheet", {"matplotlib", "sqlalchemy"}),
        ("import pitchbench.records.history", {"matplotlib", "sqlalchemy", "jinja2"}),
        ("import pitchbench.records.repository", {"matplotlib", "psycopg"}),
        ("import pitchbench.commands.history", {"matplotlib", "psycopg"}),
    ],
)
def test_what_is_not_needed_is_not_loaded(statement, absent):
    code = f"{statement}; import sys; print(*sys.modules)"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    assert not absent & set(loaded)
    assert "pitchbench" in loaded
