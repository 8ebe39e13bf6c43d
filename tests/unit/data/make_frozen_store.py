"""Make the frozen store of the present form: run once when a form is released, never again.

PYTHONPATH=tests python tests/unit/data/make_frozen_store.py
"""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import stores

from pitchbench.records.repository import Repository
from pitchbench.records.schema import SCHEMA_VERSION

place = Path(__file__).with_name(f"store-form-{SCHEMA_VERSION}.sqlite")
if place.exists():
    raise SystemExit(f"{place} is frozen")
with Repository.open(place) as repository:
    repository.add_instrument(stores.an_instrument("Frozen guitar"))
    setup = stores.a_setup(stores.an_instrument("Frozen guitar"))
    at = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
    session_id = repository.begin_session(setup, at=at, source="frozen for the tests")
    for entry in stores.a_log():
        repository.append(session_id, entry)
    repository.finish_session(session_id, at=at)
connection = sqlite3.connect(place)
connection.execute("PRAGMA journal_mode=DELETE")  # everything in the one file
connection.close()
