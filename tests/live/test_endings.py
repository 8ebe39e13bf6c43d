"""Every signal ends every command, whatever it is waiting for: its input, the store, its voice.

What is waited for is the real thing: a sound server that has gone or stands still, a file that
another program has locked, a database server whose processes are stopped.
"""

from __future__ import annotations

import itertools
import os
import shutil
import signal
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final

import numpy as np
import pytest
import soundfile
import stores
from guided_bench import PITCHBENCH, RATE_HZ, Session, ahead, bench
from test_session_terminal import Window
from virtual_mic import VirtualMic

from pitchbench.errors import ExitCode
from pitchbench.records.repository import Repository
from pitchbench.session.log import TakeEntry

pytestmark = [pytest.mark.live, pytest.mark.timeout(120)]

#: The promise; what else the machine does is kept from lengthening it (`ahead`). What does not heed
#: a signal takes five seconds and more, or for ever.
MOST_S: Final = 2.0

SIGNALS: Final = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)

#: Commands that listen -> their words, and what they say once they do.
BY_EAR: Final = {
    "session": (["session", "--preset", "six-string"], "^heard: The sound input is open"),
    "speaking": (["session", "--preset", "six-string", "--speak"], "^spoken: "),
    "neck": (["neck", "--preset", "six-string"], "^input: "),
    "drift": (["drift"], "^input: "),
    "stretch": (["stretch", "--preset", "six-string"], "^input: "),
    "inputs": (["inputs", "--check", "--seconds", "60"], "^Listening to "),
}


# -- what may be wrong with the sound ----------------------------------------------------------


@contextmanager
def as_it_is(_: VirtualMic) -> Iterator[None]:
    """Nothing is wrong."""
    yield


@contextmanager
def dead(vmic: VirtualMic) -> Iterator[None]:
    """The input has been unplugged."""
    vmic.remove_device()
    yield
    vmic.restore_device()


@contextmanager
def gone(vmic: VirtualMic) -> Iterator[None]:
    """There is no sound server any more."""
    vmic.stop_server()
    yield
    vmic.start_server()


@contextmanager
def still(vmic: VirtualMic) -> Iterator[None]:
    """The sound server takes what it is asked, and answers nothing."""
    os.kill(vmic.server_pid, signal.SIGSTOP)
    try:
        yield
    finally:
        os.kill(vmic.server_pid, signal.SIGCONT)


SOUND: Final = {each.__name__: each for each in (as_it_is, dead, gone, still)}


def ends(session: Session, number: signal.Signals, code: ExitCode = ExitCode.INTERRUPTED) -> None:
    """It ends by the signal in time, and says so by its exit code."""
    assert session.process.poll() is None, session.text()
    with ahead(session.process.pid):
        began = time.monotonic()
        ended_with = session.end(number)
        took_s = time.monotonic() - began
    print(f"{number.name}: {took_s:.2f} s")
    assert ended_with == code, session.text()
    assert took_s < MOST_S, session.text()


@contextmanager
def started(words: list[object], env: dict[str, str] | None = None) -> Iterator[Session]:
    session = Session([*PITCHBENCH, *words], env or dict(os.environ))
    try:
        yield session
    finally:
        session.close()


#: A check ends by itself where its input is lost.
LISTENING: Final = [
    (command, sound)
    for command, sound in itertools.product(BY_EAR, SOUND)
    if command != "inputs" or sound in ("as_it_is", "still")
]


@pytest.mark.parametrize(("command", "sound"), LISTENING)
def test_while_it_listens(vmic: VirtualMic, tmp_path: Path, command: str, sound: str) -> None:
    words, at_work = BY_EAR[command]
    if command == "speaking" and not shutil.which("espeak-ng"):
        pytest.skip("espeak-ng is not installed")
    env = {**vmic.env, "PITCHBENCH_STORE": str(tmp_path / "records.sqlite")}
    for number in SIGNALS:
        with started([*words, "--plain"], env) as session:
            session.wait_for(at_work)
            with SOUND[sound](vmic):
                time.sleep(1.0)
                ends(session, number)


@pytest.mark.parametrize("command", ["session", "inputs"])
def test_before_it_listens(vmic: VirtualMic, command: str) -> None:
    """The sound server stands still before the command is given, which cannot even list inputs."""
    for number in SIGNALS:
        with still(vmic), started([*BY_EAR[command][0], "--plain"], vmic.env) as session:
            time.sleep(2.0)
            ends(session, number)


@pytest.mark.parametrize("number", SIGNALS)
def test_the_terminal_is_given_back(
    vmic: VirtualMic, tmp_path: Path, number: signal.Signals
) -> None:
    window = Window(vmic, tmp_path / "records.sqlite")
    window.wait_until(lambda: window.shows("Pluck string 6 open to begin."))
    with still(vmic):
        time.sleep(1.0)
        with ahead(window.child.pid):
            began = time.monotonic()
            window.child.kill(number)
            rest = window.child.read()  # until it has ended
            window.child.wait()
            assert time.monotonic() - began < MOST_S
    assert window.child.exitstatus == ExitCode.INTERRUPTED
    assert rest.rpartition(b"\x1b[?1049l")[2].strip().endswith(b"pitchbench: interrupted.")


# -- what may be wrong with the store ----------------------------------------------------------


@contextmanager
def locked(place: Path) -> Iterator[None]:
    """Another program writes to it, for as long as this lasts."""
    with closing(sqlite3.connect(place, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        yield


@pytest.fixture
def silent(request: pytest.FixtureRequest) -> Iterator[tuple[str, stores.PostgresqlServer]]:
    """A store on a server that can be made to stand still."""
    if stores.postgresql_binaries() is None:
        pytest.skip("PostgreSQL is not installed")
    pytest.importorskip("psycopg")
    with stores.PostgresqlServer() as server:
        place = stores.new_database(str(server.folder), "bench")
        with Repository.open(place) as repository:
            repository.add_instrument(stores.an_instrument("Bass"), at=stores.NOON)
        yield place, server


#: Commands that write, or read all, and wait for the store.
AT_THE_STORE: Final = {
    "instrument": ["instrument", "add", "New"],
    "import": ["import", "FILES/other.json"],
    "restore": ["records", "restore", "FILES/backup.sqlite", "--force"],
    "rehearse": ["rehearse", "--keep", "--seed", "1"],
}


@pytest.fixture
def files(tmp_path: Path) -> Path:
    """A store with something in it, a backup of it and an export."""
    place = tmp_path / "records.sqlite"
    with Repository.open(place) as repository:
        repository.add_instrument(stores.an_instrument("Bass"), at=stores.NOON)
    for words in (["records", "backup", "backup.sqlite"], ["export", "--out", "other.json"]):
        command = [*PITCHBENCH, *words, "--store", place]
        subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    return tmp_path


@pytest.mark.parametrize("command", AT_THE_STORE)
def test_while_another_program_writes(files: Path, command: str) -> None:
    words = [word.replace("FILES", str(files)) for word in AT_THE_STORE[command]]
    place = files / "records.sqlite"
    for number in SIGNALS:
        with locked(place), started([*words, "--store", place]) as session:
            time.sleep(2.0)
            ends(session, number)


@pytest.mark.postgresql
@pytest.mark.parametrize(
    "words", [["history"], ["records", "backup", "FILES/new.sqlite"], ["records", "check"]], ids=str
)
def test_while_the_database_says_nothing(
    silent: tuple[str, stores.PostgresqlServer], tmp_path: Path, words: list[str]
) -> None:
    place, server = silent
    words = [word.replace("FILES", str(tmp_path)) for word in words]
    for number in SIGNALS:
        with server.stopped(), started([*words, "--store", place]) as session:
            time.sleep(2.0)
            ends(session, number)
    assert not list(tmp_path.glob("new.sqlite"))


def until_it_waits_for_the_database(running: Session) -> None:
    """Which its main thread does in the system's poll; for what is heard it waits at a lock."""
    end, waits = time.monotonic() + 30.0, 0
    while waits < 5:
        assert time.monotonic() < end, running.text()
        waiting_in = Path(f"/proc/{running.process.pid}/wchan").read_text(encoding="ascii")
        waits = waits + 1 if "poll" in waiting_in else 0
        time.sleep(0.05)


def ends_with_a_file(running: Session, folder: Path, number: signal.Signals) -> None:
    """What the store does not take is in a file by then."""
    ends(running, number, ExitCode.RECORDS)
    (file,) = folder.glob("pitchbench-session-*.json")
    (session,) = stores.read_export(file.read_text()).sessions
    assert sum(isinstance(entry, TakeEntry) for entry in session.entries) == 1


@pytest.mark.parametrize("number", SIGNALS)
def test_a_session_that_another_program_keeps_from_the_store(
    vmic: VirtualMic, tmp_path: Path, number: signal.Signals, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with bench(vmic, tmp_path) as running:
        with locked(tmp_path / "records.sqlite"):
            running.hands.instrument.tune(6)
            running.hands.pluck(6, 0)
            running.session.wait_for("^records: Not on record yet")
            ends_with_a_file(running.session, tmp_path, number)
        assert not running.takes()


@pytest.mark.postgresql
@pytest.mark.parametrize("number", SIGNALS)
@pytest.mark.parametrize("told", [True, False])
def test_a_session_whose_database_says_nothing(
    vmic: VirtualMic,
    tmp_path: Path,
    silent: tuple[str, stores.PostgresqlServer],
    number: signal.Signals,
    told: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Before it has given up the database, and after."""
    monkeypatch.chdir(tmp_path)
    place, server = silent
    with bench(vmic, tmp_path, store=place) as running:
        running.hands.instrument.tune(6)
        with server.stopped():
            running.hands.pluck(6, 0)
            if told:
                running.session.wait_for("^records: Not on record yet")
            else:
                until_it_waits_for_the_database(running.session)
            ends_with_a_file(running.session, tmp_path, number)


# -- much to do --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def long_recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A note every three seconds for six minutes."""
    path = tmp_path_factory.mktemp("sound") / "long.wav"
    t_s = np.arange(3 * RATE_HZ) / RATE_HZ
    note = np.exp(-t_s / 1.5) * sum(np.sin(2 * np.pi * 82.4 * n * t_s) / n for n in range(1, 9))
    soundfile.write(path, np.tile(0.2 * note, 120), RATE_HZ, subtype="PCM_16")
    return path


@pytest.mark.parametrize("jobs", [1, 2])
@pytest.mark.parametrize("command", ["read", "drift"])
@pytest.mark.parametrize("after_s", [0.6, 0.8, 3.0])
def test_while_it_reads(
    long_recording: Path, tmp_path: Path, command: str, jobs: int, after_s: float
) -> None:
    """While further processes start, as soon as they have, and in the middle."""
    several = [shutil.copy(long_recording, tmp_path / f"{n}.wav") for n in range(2)]
    for number in SIGNALS:
        words = [command, *several, "--plain", "--jobs", jobs]
        with started(words) as session:
            time.sleep(after_s)
            helpers = [pid for parent, pid in running() if parent == session.process.pid]
            assert helpers or jobs == 1 or after_s < 3.0
            ends(session, number)
            assert not [pid for _, pid in running() if pid in helpers]


def running() -> list[tuple[int, int]]:
    """Every process that runs: its parent's number and its own."""
    words = ["ps", "-e", "-o", "ppid=", "-o", "pid=", "-o", "stat="]
    listed = subprocess.run(words, capture_output=True, text=True, check=True)
    each = (line.split() for line in listed.stdout.splitlines())
    return [(int(parent), int(own)) for parent, own, state in each if not state.startswith("Z")]


def test_while_it_waits_for_what_is_to_be_imported(tmp_path: Path) -> None:
    for number in SIGNALS:
        words = [*PITCHBENCH, "import", "-", "--store", tmp_path / "records.sqlite"]
        process = subprocess.Popen(words, stdin=subprocess.PIPE, stderr=subprocess.PIPE)
        time.sleep(1.5)
        with ahead(process.pid):
            began = time.monotonic()
            process.send_signal(number)
            process.communicate()
            assert time.monotonic() - began < MOST_S
        assert process.returncode == ExitCode.INTERRUPTED


def test_a_rehearsal_at_the_pace_of_people(tmp_path: Path) -> None:
    for number in SIGNALS:
        with started(["rehearse", "--plain", "--speed", "1"]) as session:
            session.wait_for("^do: ")
            ends(session, number)


def test_what_is_ignored_stays_ignored() -> None:
    """As under nohup: who asks for that wants it to go on."""
    words = ["nohup", *PITCHBENCH, "rehearse", "--plain", "--speed", "20", "--strings", "6"]
    session = Session(words, dict(os.environ))
    try:
        session.wait_for("^do: ")
        session.process.send_signal(signal.SIGHUP)
        assert session.process.wait(100) == ExitCode.DONE
    finally:
        session.close()
