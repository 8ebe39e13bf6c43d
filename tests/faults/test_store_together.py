"""Several benches on one store at once: nothing lost, no trouble shown."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
import stores
from sqlalchemy import text

from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.records.repository import Repository

WRITER = Path(__file__).with_name("store_writer.py")


def run_benches(place: str, benches: int, entries: int) -> None:
    """Start ``benches`` on ``place``, which does not exist yet, and check what they leave."""
    processes = [
        subprocess.Popen(
            [sys.executable, WRITER, place, str(entries)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for _ in range(benches)
    ]
    outputs = [process.communicate(timeout=240) for process in processes]
    assert [process.returncode for process in processes] == [0] * benches
    assert [trouble for _, trouble in outputs] == [""] * benches
    with Repository.open(place) as repository:
        ids = repository.session_ids()
        assert sorted(ids) == sorted(out.split()[1] for out, _ in outputs)
        assert [len(repository.session(each).entries) for each in ids] == [entries] * benches


@pytest.mark.parametrize("benches", [2, 6])
def test_benches_on_one_file(tmp_path, benches):
    run_benches(str(tmp_path / "one.sqlite"), benches, 150)


@pytest.mark.postgresql
def test_eight_benches_on_one_server(postgresql_url):
    run_benches(postgresql_url, 8, 150)


@pytest.mark.postgresql
def test_a_connection_that_the_server_dropped_is_made_again(postgresql_url):
    with Repository.open(postgresql_url) as one, Repository.open(postgresql_url) as other:
        one.instruments()
        with other._engine.begin() as connection:
            query = (
                "SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity "
                "WHERE datname = current_database() AND pid <> pg_backend_pid()"
            )
            assert connection.execute(text(query)).scalar() >= 1
        assert one.instruments() == []


def test_a_file_locked_for_too_long_is_said_in_a_sentence(tmp_path):
    place = tmp_path / "one.sqlite"
    with Repository.open(place) as one, Repository.open(place) as other:
        session_id = one.begin_session(stores.a_setup(), at=stores.NOON)
        entry = stores.a_log()[0]
        with one._engine.begin(), pytest.raises(PitchbenchError, match="locked") as caught:
            other.append(session_id, entry, busy_s=0.1)
        assert caught.value.exit_code == ExitCode.RECORDS
        other.append(session_id, entry)
        assert one.session(session_id).entries == (entry,)
