"""SIGKILL at 200 random moments: the store opens, and every entry that was shown is there."""

from __future__ import annotations

import contextlib
import os
import random
import re
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
from pitchbench.session.log import Entry, TakeEntry

WRITER = Path(__file__).with_name("store_writer.py")
KILLS = 200
SEED = 5
TAKE = re.compile(r"take (\d+): ([a-z ]+),")


#: Rehearsals take a second each; .ci/run asks for sixty.
REHEARSALS = int(os.environ.get("PITCHBENCH_KILLS", "20"))


@pytest.fixture
def benches(request):
    """A process that forks a bench for each line it is given."""
    with subprocess.Popen(
        [sys.executable, WRITER, "--fork", getattr(request, "param", "record")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        bufsize=1,
    ) as process:
        yield process
        process.stdin.close()


def run_and_kill(
    benches: subprocess.Popen, place: str, chance: random.Random, *, lines: int, seconds: float
) -> list[str]:
    """Kill a bench at a random moment; the lines that it had shown.

    The moment lies up to ``seconds`` after a random one of its first lines, whatever the machine's
    speed: opening the store, beginning the session and each kind of entry are all met.
    """
    benches.stdin.write(f"{place}\n")
    # A pidfd names this process alone, even if it ends by itself and its number is used again.
    bench = os.pidfd_open(int(benches.stdout.readline().removeprefix("pid ")))
    shown: list[str] = []
    wanted = chance.randrange(lines)
    while len(shown) < wanted and "gone\n" not in shown:
        shown.append(benches.stdout.readline())
    time.sleep(chance.uniform(0.0, seconds))
    with contextlib.suppress(ProcessLookupError):  # it may have come to its end by itself
        signal.pidfd_send_signal(bench, signal.SIGKILL)
    os.close(bench)
    while "gone\n" not in shown:
        shown.append(benches.stdout.readline())
    shown.remove("gone\n")
    return [line.strip() for line in shown]


def check(place: str, lines: list[str]) -> int:
    """The store is whole and holds what was shown, in order; how many entries it holds."""
    with Repository.open(place) as repository:
        if not lines:
            return 0
        entries = repository.session(lines[0].removeprefix("session ")).entries
    shown = len(lines) - 1
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
        kept.append(check(place, run_and_kill(benches, place, chance, lines=25, seconds=0.01)))
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
        lines = run_and_kill(benches, postgresql_url, chance, lines=25, seconds=0.01)
        kept.append(check(postgresql_url, lines))
    assert sum(n > 3 for n in kept) > 20


@pytest.mark.timeout(1800)
@pytest.mark.parametrize("benches", ["rehearse"], indirect=True)
def test_every_take_that_a_rehearsal_showed_is_on_record(benches, tmp_path):
    chance = random.Random(SEED)
    place = str(tmp_path / "one.sqlite")
    takes_shown, known = 0, 0
    for _ in range(REHEARSALS):
        lines = run_and_kill(benches, place, chance, lines=30, seconds=0.1)
        takes = [TAKE.match(line).groups() for line in lines if line.startswith("take ")]
        with Repository.open(place) as repository:
            ids = repository.session_ids()
            assert known <= len(ids) <= known + 1
            known = len(ids)
            if not takes:
                continue
            entries = repository.session(ids[-1]).entries
        kept = [
            (str(e.take.number), e.take.fate.value) for e in entries if isinstance(e, TakeEntry)
        ]
        assert kept[: len(takes)] == takes
        assert len(kept) <= len(takes) + 1
        takes_shown += len(takes)
    assert takes_shown > REHEARSALS
