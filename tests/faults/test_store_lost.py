"""The store goes away in the middle of a session and comes back: nothing is lost, nothing twice.

The session hears a recording and keeps what it hears, as `pitchbench session` does; what is done to
the store is done to the real file, disk or server.
"""

from __future__ import annotations

import contextlib
import itertools
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
import stores

from pitchbench.commands.guided import Keeping
from pitchbench.errors import ExitCode, PitchbenchError, RecordsError
from pitchbench.records.documents import to_json
from pitchbench.records.repository import Repository
from pitchbench.session.engine import NotKeptError, run
from pitchbench.session.log import Entry, Setup, Step
from pitchbench.session.rehearsal import rehearse
from pitchbench.session.state import State, begin
from pitchbench.sound.recording import Recording

PITCHBENCH = [sys.executable, "-c", "from pitchbench.commands import main; main()"]

#: After so many entries the store goes, and comes back.
GOES, COMES = 4, 9


def a_setup() -> Setup:
    return Setup(stores.an_instrument(), strings=(6,), tolerance_cents=3.0)


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One string's whole job, as sound."""
    path = tmp_path_factory.mktemp("sound") / "session.flac"
    done = rehearse(a_setup(), seed=4, record=path)
    assert len(done.state.entries) > COMES + 3
    return path


@dataclass(frozen=True)
class Fault:
    """A store, how it goes away and how it comes back, and a word that says so."""

    place: str
    go: Callable[[], None]
    come: Callable[[], None]
    says: str


@contextmanager
def locked(folder: Path) -> Iterator[Fault]:
    """Another program holds the file."""
    place = folder / "records.sqlite"
    other = sqlite3.connect(place, isolation_level=None)
    try:
        yield Fault(
            str(place),
            lambda: bool(other.execute("BEGIN EXCLUSIVE")) and None,
            other.rollback,
            "locked",
        )
    finally:
        other.close()


@contextmanager
def removed(folder: Path) -> Iterator[Fault]:
    """The folder is not there any more, as when somebody tidies up."""
    home, away = folder / "home", folder / "away"
    home.mkdir()
    yield Fault(
        str(home / "records.sqlite"),
        lambda: bool(home.rename(away)) and None,
        lambda: bool(away.rename(home)) and None,
        "not there any more",
    )


@contextmanager
def unmounted(folder: Path) -> Iterator[Fault]:
    """The disk is pulled out while the file is open, and put in again; only root may do that."""
    disk, place = folder / "disk", folder / "place"
    disk.mkdir()
    place.mkdir()

    def mount() -> None:
        subprocess.run(["mount", "--bind", disk, place], check=True, capture_output=True)

    def unmount() -> None:
        subprocess.run(["umount", "--lazy", place], check=True)

    _mount_or_skip(mount)
    yield Fault(str(place / "records.sqlite"), unmount, mount, "not there any more")
    unmount()


@contextmanager
def full(folder: Path) -> Iterator[Fault]:
    """The disk fills up, and room is made."""
    disk = folder / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", disk]
    _mount_or_skip(lambda: subprocess.run(mount, check=True, capture_output=True))
    filler = disk / "filler"

    def fill() -> None:
        with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
            while file.write(bytes(4096)):
                pass

    yield Fault(str(disk / "records.sqlite"), fill, filler.unlink, "full")
    subprocess.run(["umount", disk], check=True)


@contextmanager
def restarted(_folder: Path) -> Iterator[Fault]:
    """The database server is stopped, and started again."""
    if stores.postgresql_binaries() is None:
        pytest.skip("PostgreSQL is not installed")
    pytest.importorskip("psycopg")
    with stores.PostgresqlServer() as server:
        place = stores.new_database(str(server.folder), "bench")
        yield Fault(place, server.stop, server.start, "cannot be used")


def _mount_or_skip(mount: Callable[[], object]) -> None:
    try:
        mount()
    except subprocess.CalledProcessError:
        pytest.skip("mounting a disk needs root")


FAULTS = [
    locked,
    removed,
    unmounted,
    full,
    pytest.param(restarted, marks=pytest.mark.postgresql),
]


@pytest.fixture(params=FAULTS)
def fault(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Fault]:
    with request.param(tmp_path) as made:
        yield made


def written(entries: Sequence[Entry]) -> list[str]:
    return [to_json(entry, Entry) for entry in entries]


def keep_a_session(
    fault: Fault, recording: Path, repository: Repository, *, comes: bool
) -> tuple[Keeping, list[PitchbenchError | None], State | NotKeptError]:
    """Run the session with the store going away; what was told, and how it ended."""
    keeping = Keeping(repository, repository.begin_session(a_setup(), at=stores.NOON))
    told: list[PitchbenchError | None] = []

    def disturb(old: State, new: State) -> None:
        if len(old.entries) < GOES <= len(new.entries):
            fault.go()
        if comes and len(old.entries) < COMES <= len(new.entries):
            fault.come()
            # It is tried again every second, and the recording may be over before.
            time.sleep(1.2)

    try:
        state = run(
            Recording(recording),
            begin(a_setup()),
            views=[disturb],
            keep=keeping,
            tell_records=told.append,
        )
    except NotKeptError as error:
        return keeping, told, error
    assert state.log.step is Step.FINISHED
    return keeping, told, state


def test_what_was_heard_meanwhile_is_written_when_it_is_back(fault: Fault, recording: Path) -> None:
    with Repository.open(fault.place) as repository:
        keeping, told, state = keep_a_session(fault, recording, repository, comes=True)
        assert isinstance(state, State)
        keeping.end(state)
    trouble, back = told
    assert trouble is not None
    assert fault.says in trouble.what
    assert back is None
    with Repository.open(fault.place) as repository:
        kept = repository.session(keeping.session_id)
        assert written(kept.entries) == written(state.entries)
        assert kept.meta.finished_at is not None


def test_a_session_that_the_store_did_not_take_is_in_a_file(
    fault: Fault, recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with Repository.open(fault.place) as repository:
        keeping, told, ended = keep_a_session(fault, recording, repository, comes=False)
        assert isinstance(ended, NotKeptError)
        assert len(told) == 1
        said = keeping.write_apart(ended)
    assert said.exit_code == ExitCode.RECORDS
    (file,) = tmp_path.glob("pitchbench-session-*.json")
    assert str(file) in said.remedy
    fault.come()
    taking = [*PITCHBENCH, "import", file, "--store", fault.place]
    subprocess.run(taking, check=True, capture_output=True)
    with Repository.open(fault.place) as repository:
        kept = repository.session(keeping.session_id)
        assert written(kept.entries) == written(ended.job.entries)
        assert kept.meta.finished_at is not None


def test_a_file_that_was_replaced_is_written_under_its_name(tmp_path: Path) -> None:
    """Somebody brings back a copy of the store while a session runs: what is heard from then on is
    in the file that people see, not in one that has no name any more."""
    place = tmp_path / "records.sqlite"
    log = stores.a_log()[:3]
    with Repository.open(place) as repository:
        session_id = repository.begin_session(a_setup(), at=stores.NOON)
        repository.append(session_id, log[0])
        copy = tmp_path / "copy.sqlite"
        with contextlib.closing(sqlite3.connect(place)) as source:
            source.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            with contextlib.closing(sqlite3.connect(copy)) as target:
                source.backup(target)
        copy.replace(place)
        for beside in ("records.sqlite-wal", "records.sqlite-shm"):
            (tmp_path / beside).unlink(missing_ok=True)
        for entry in log[1:]:
            repository.append(session_id, entry)
        with Repository.open(place) as other:
            assert written(other.session(session_id).entries) == written(log)


def test_an_entry_of_which_nobody_knows_whether_it_arrived_is_kept_once(
    store_place: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The commit is done and the answer to it is lost, so the entry is tried again."""
    log = stores.a_log()[:6]
    with Repository.open(store_place) as repository:
        keeping = Keeping(repository, repository.begin_session(a_setup(), at=stores.NOON))
        dialect = repository._engine.dialect
        really_commit = dialect.do_commit

        def commit_and_lose_the_answer(connection: object) -> None:
            really_commit(connection)
            raise RecordsError("The answer was lost.", "Try again.")

        for entry in log:
            with monkeypatch.context() as patch:
                patch.setattr(dialect, "do_commit", commit_and_lose_the_answer)
                with pytest.raises(PitchbenchError, match="lost"):
                    keeping(entry)
            keeping(entry)
        kept = repository.session(keeping.session_id).entries
    assert written(kept) == written(log)


@pytest.mark.postgresql
def test_a_server_that_crashes_again_and_again_loses_nothing() -> None:
    """It is crashed while entries go in as fast as they can; each is tried until it is in."""
    if stores.postgresql_binaries() is None:
        pytest.skip("PostgreSQL is not installed")
    pytest.importorskip("psycopg")
    with stores.PostgresqlServer() as server:
        place = stores.new_database(str(server.folder), "bench")
        crashed = threading.Event()

        def crash() -> None:
            for _ in range(3):
                time.sleep(0.3)
                server.stop(signal.SIGQUIT)
                server.start()
            crashed.set()

        log, refused = [], 0
        with Repository.open(place) as repository:
            keeping = Keeping(repository, repository.begin_session(a_setup(), at=stores.NOON))
            crashing = threading.Thread(target=crash)
            crashing.start()
            for entry in itertools.cycle(stores.a_log()):
                log.append(entry)
                while True:
                    try:
                        keeping(entry)
                        break
                    except PitchbenchError:
                        refused += 1
                if crashed.is_set():
                    break
            crashing.join()
            kept = repository.session(keeping.session_id).entries
        assert written(kept) == written(log)
        assert refused >= 3


def test_a_server_that_does_not_answer_does_not_hold_up_the_start() -> None:
    """It takes the connection and says nothing: a sentence after five seconds."""
    pytest.importorskip("psycopg")
    with socket.create_server(("127.0.0.1", 0)) as deaf:
        place = f"postgresql://bench@127.0.0.1:{deaf.getsockname()[1]}/x"
        began = time.monotonic()
        with pytest.raises(PitchbenchError, match="timeout") as caught:
            Repository.open(place)
        assert time.monotonic() - began < 10.0
    assert caught.value.exit_code == ExitCode.RECORDS


@pytest.mark.postgresql
def test_a_server_that_goes_silent_holds_a_session_up_for_seconds_only() -> None:
    """It is stopped, as where its machine or its disk is stuck: the system receives for it,
    so nothing but our own clock tells."""
    if stores.postgresql_binaries() is None:
        pytest.skip("PostgreSQL is not installed")
    pytest.importorskip("psycopg")
    entry = stores.a_log()[2]
    with stores.PostgresqlServer() as server:
        place = stores.new_database(str(server.folder), "bench")
        with Repository.open(place) as repository:
            keeping = Keeping(repository, repository.begin_session(a_setup(), at=stores.NOON))
            with server.stopped():
                began = time.monotonic()
                # The one that is open is given up, and no other is had.
                with pytest.raises(PitchbenchError, match=r"timeout|does not answer") as caught:
                    keeping(entry)
                # Twice five seconds, and what a busy machine adds; the system would take forever.
                assert time.monotonic() - began < 60.0
            assert caught.value.exit_code == ExitCode.RECORDS
            keeping(entry)
            assert written(repository.session(keeping.session_id).entries) == written([entry])
