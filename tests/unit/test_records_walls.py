"""What a command does not need is not loaded. Who may know whom is in pyproject.toml."""

from __future__ import annotations

import subprocess
import sys

import pytest


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
