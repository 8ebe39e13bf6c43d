"""SIGKILL at 200 random moments: the store opens, and every entry that was shown is there."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
import stores

from pitchbench.records.documents import to_json
from pitchbench.records.repository import Repository
from pitchbench.session.state import Entry

WRITER = Path(__file__).with_name("store_writer.py")
KILLS = 200
SEED = 5


@pytest.fixture
def benches():
    """A process that forks a bench for each line it is given."""
    with subprocess.Popen(
        [sys.executable, WRITER, "--fork"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        bufsize=1,
    ) as process:
        yield process
        process.stdin.close()


def run_and_kill(
    benches: subprocess.Popen, place: str, chance: random.Random
) -> tuple[str | None, int]:
    """Kill a bench at a random moment; its session's id and the last number that it had shown.

    The moment lies up to 10 ms after a random one of its first 25 lines, whatever the machine's
    speed: opening the store, beginning the session and each kind of entry are all met.
    """
    benches.stdin.write(f"{place}\n")
    pid = int(benches.stdout.readline().removeprefix("pid "))
    lines = [benches.stdout.readline() for _ in range(chance.randrange(25))]
    time.sleep(chance.uniform(0.0, 0.01))
    os.kill(pid, signal.SIGKILL)
    while (line := benches.stdout.readline()) != "gone\n":
        lines.append(line)
    if not lines:
        return None, 0
    return lines[0].strip().removeprefix("session "), len(lines) - 1


def check(place: str, session_id: str | None, shown: int) -> int:
    """The store is whole and holds what was shown, in order; how many entries it holds."""
    with Repository.open(place) as repository:
        if session_id is None:
            return 0
        entries = repository.session(session_id).entries
    # One more may have been committed and not shown yet; nothing else.
    assert shown <= len(entries) <= shown + 1
    log = stores.a_log()
    expected = tuple(log[i % len(log)] for i in range(len(entries)))
    assert to_json(entries, tuple[Entry, ...]) == to_json(expected, tuple[Entry, ...])
    return len(entries)


def test_a_file_survives_being_killed_at_any_moment(benches, tmp_path):
    chance = random.Random(SEED)
    kept = []
    for kill in range(KILLS):
        # Every fourth bench begins a store of its own, so that making one is interrupted too.
        place = str(tmp_path / (f"new-{kill}.sqlite" if kill % 4 == 0 else "one.sqlite"))
        session_id, shown = run_and_kill(benches, place, chance)
        kept.append(check(place, session_id, shown))
    # It did catch benches before, at and well after their first entry.
    assert min(kept) == 0
    assert sum(n > 3 for n in kept) > KILLS // 2
    with sqlite3.connect(tmp_path / "one.sqlite") as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    connection.close()


@pytest.mark.postgresql
def test_a_server_keeps_what_killed_benches_had_shown(benches, postgresql_url):
    chance = random.Random(SEED)
    kept = []
    for _ in range(40):
        session_id, shown = run_and_kill(benches, postgresql_url, chance)
        kept.append(check(postgresql_url, session_id, shown))
    assert sum(n > 3 for n in kept) > 20
