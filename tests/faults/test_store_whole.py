"""SIGKILL at random moments of every command that writes: all of it was done, or nothing.

The commands are run as people run them, on a store that is laid anew for each; what the store says
afterwards must be what it said before, or what it says after the same command undisturbed.
"""

from __future__ import annotations

import contextlib
import gzip
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import stores
from stores import NOON

from pitchbench.records.repository import Repository
from pitchbench.report.export import export_json

WRITER = Path(__file__).with_name("store_writer.py")
FROZEN = Path(__file__).parents[1] / "unit" / "data" / "store-form-3.sqlite.gz"
SEED = 11

#: How often each command is killed; .ci/run asks for more.
KILLS = max(8, int(os.environ.get("PITCHBENCH_KILLS", "20")) // 8)

Said = dict[str, Any]


def said(place: str) -> Said:
    """What people can see of a store."""
    with Repository.open(place) as repository:
        return {
            "instruments": {
                line.instrument.name: (line.instrument.action_mm, len(line.record.earlier))
                for line in repository.instruments()
            },
            "sessions": {
                each: len(repository.session(each).entries) for each in repository.session_ids()
            },
            "removed": [(each.name, each.sessions) for each in repository.removed_instruments()],
        }


def fill(place: str, name: str, *, sessions: int) -> None:
    guitar = stores.an_instrument(name)
    with Repository.open(place) as repository:
        repository.add_instrument(guitar, at=NOON)
        for day in range(sessions):
            at = NOON + timedelta(days=day)
            session_id = repository.begin_session(stores.a_setup(guitar), at=at)
            for entry in stores.a_log()[:6]:
                repository.append(session_id, entry)


@dataclass(frozen=True)
class Bench:
    """Programs that are started, killed, or left to end; each forked from one that is loaded."""

    process: subprocess.Popen[str]

    def run(self, words: list[str], kill_after_s: float | None = None) -> float:
        """Run a command; how long it took, in seconds."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps(words) + "\n")
        number = self.process.stdout.readline().removeprefix("pid ")
        began = time.monotonic()
        bench = os.pidfd_open(int(number))  # names this process alone
        if kill_after_s is not None:
            time.sleep(kill_after_s)
            with contextlib.suppress(ProcessLookupError):
                signal.pidfd_send_signal(bench, signal.SIGKILL)
        os.close(bench)
        assert self.process.stdout.readline() == "gone\n"
        return time.monotonic() - began


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    words = [sys.executable, WRITER, "--fork", "command"]
    with subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
    ) as process:
        yield Bench(process)
        assert process.stdin is not None
        process.stdin.close()


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An export to take in, a backup to bring back, and a store of the form before."""
    folder = tmp_path_factory.mktemp("files")
    fill(str(folder / "other.sqlite"), "Other", sessions=8)
    with Repository.open(folder / "other.sqlite") as repository:
        instruments = [line.record for line in repository.instruments()]
        sessions = map(repository.session, repository.session_ids())
        (folder / "other.json").write_text("".join(export_json(instruments, sessions)))
    (folder / "old.sqlite").write_bytes(gzip.decompress(FROZEN.read_bytes()))
    return folder


#: Command -> its words, and what was done to the store before it.
COMMANDS: dict[str, tuple[list[str], list[list[str]]]] = {
    "add": (["instrument", "add", "New"], []),
    "edit": (["instrument", "edit", "Bass", "--action", "2.5"], []),
    "remove": (["instrument", "remove", "Bass", "--with-sessions"], []),
    "remove for good": (["instrument", "remove", "Bass", "--with-sessions", "--for-good"], []),
    "restore": (
        ["instrument", "restore", "Bass"],
        [["instrument", "remove", "Bass", "--with-sessions"]],
    ),
    "import": (["import", "FILES/other.json"], []),
    "bring back": (["records", "restore", "FILES/other.sqlite", "--force"], []),
    "migrate": (["instrument", "list"], []),
}


@pytest.mark.timeout(900)
@pytest.mark.parametrize("command", COMMANDS)
def test_a_killed_command_has_done_all_or_nothing_to_a_file(
    bench: Bench, files: Path, tmp_path: Path, command: str
) -> None:
    laid, place = tmp_path / "laid.sqlite", tmp_path / "bench" / "records.sqlite"
    if command == "migrate":
        shutil.copy(files / "old.sqlite", laid)
    else:
        fill(str(laid), "Bass", sessions=6)

    def lay() -> None:
        shutil.rmtree(place.parent, ignore_errors=True)
        place.parent.mkdir()
        shutil.copy(laid, place)

    killed = kill_often(bench, files, str(place), command, lay)
    with contextlib.closing(sqlite3.connect(place)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert killed >= KILLS // 4
    beside = {path.name for path in place.parent.iterdir()}
    copies = {"records.sqlite.form-3"} if command == "migrate" else set()
    assert beside - {"records.sqlite-wal", "records.sqlite-shm"} == {"records.sqlite"} | copies


@pytest.mark.postgresql
@pytest.mark.timeout(900)
@pytest.mark.parametrize("command", [name for name in COMMANDS if name != "migrate"])
def test_a_killed_command_has_done_all_or_nothing_to_a_server(
    bench: Bench, files: Path, postgresql_url: str, command: str
) -> None:
    def lay() -> None:
        with Repository.open(postgresql_url) as repository:
            for line in repository.instruments():
                repository.remove_instrument(line.instrument.name, for_good=True)
            for gone in repository.removed_instruments():
                repository.forget_removed(gone.id)
            assert repository.session_ids() == []
        fill(postgresql_url, "Bass", sessions=6)

    assert kill_often(bench, files, postgresql_url, command, lay, kills=KILLS // 2) > 0


def kill_often(
    bench: Bench,
    files: Path,
    place: str,
    command: str,
    lay: Callable[[], None],
    kills: int = KILLS,
) -> int:
    """How often it was killed before it had done its work; the last time it is left to end."""
    words, first = COMMANDS[command]
    words = [word.replace("FILES", str(files)) for word in words] + ["--store", place]
    chance = random.Random(SEED)

    def prepared() -> Said:
        lay()
        for each in first:
            bench.run([*each, "--store", place])
        if command == "migrate":  # to look at it is to migrate it
            return {}
        return without_chance(said(place))

    before = prepared()
    took_s = bench.run(words)
    after = without_chance(said(place))
    assert after != before
    undone = 0
    for _ in range(kills):
        prepared()
        bench.run(words, kill_after_s=chance.uniform(0.0, took_s))
        now = without_chance(said(place))
        assert now in (after, before), command
        undone += now == before
    bench.run(words)  # whatever was left half made is made or cleared
    assert without_chance(said(place)) == after
    return undone if command != "migrate" else kills


def without_chance(of: Said) -> Said:
    """Ids of sessions are drawn anew whenever a store is laid; how many entries each has stays."""
    return {**of, "sessions": sorted(of["sessions"].values())}
