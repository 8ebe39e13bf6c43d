"""docs/reliability.md: every test that it names is there, and every promise names one."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "reliability.md"
TEST = re.compile(r"`([\w/]+\.py)::(\w+)`")


@cache
def functions_in(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}


def named() -> list[tuple[str, str]]:
    found = TEST.findall(PAGE.read_text(encoding="utf-8"))
    return [(file.removeprefix("tests/"), name) for file, name in found]


def test_every_test_that_is_named_exists() -> None:
    assert len(named()) > 40
    missing = [
        f"{file}::{name}"
        for file, name in named()
        if not (ROOT / "tests" / file).is_file() or name not in functions_in(ROOT / "tests" / file)
    ]
    assert missing == []


def test_every_promise_names_a_test() -> None:
    promises = 0
    for section in PAGE.read_text(encoding="utf-8").split("\n## "):
        if "| promise | test |" not in section:
            continue
        rows = [line for line in section.splitlines() if line.startswith("|")][2:]
        promises += len(rows)
        assert [row for row in rows if not TEST.search(row)] == []
    assert promises > 25


def test_every_fault_that_is_tested_is_a_promise() -> None:
    """A test of a fault that nobody is told of is half a proof."""
    folders = [ROOT / "tests" / "live" / name for name in ("test_session_faults.py",)]
    folders.append(ROOT / "tests" / "faults" / "test_store_lost.py")
    told = {name for _, name in named()}
    tested = {name for path in folders for name in functions_in(path) if name.startswith("test_")}
    assert tested <= told
