"""Fixtures that more than one folder of tests uses."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest
import stores

_numbers = itertools.count()


@pytest.fixture(scope="session")
def postgresql_folder() -> Iterator[str]:
    """The socket folder of a real PostgreSQL server, started for this run of the tests."""
    if stores.postgresql_binaries() is None:
        pytest.skip("PostgreSQL is not installed")
    with stores.postgresql_server() as folder:
        yield folder


@pytest.fixture
def postgresql_url(postgresql_folder: str) -> str:
    """The URL of an empty database."""
    return stores.new_database(postgresql_folder, f"bench{next(_numbers)}")


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def store_place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where an empty store may be made: a file, and a database on a server."""
    if request.param == "sqlite":
        return str(tmp_path / "records.sqlite")
    return str(request.getfixturevalue("postgresql_url"))
