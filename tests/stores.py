"""Stores and sessions for tests: a real PostgreSQL server, and made-up sessions to keep in it.

Every number in the sessions is invented.
"""

from __future__ import annotations

import math
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, date, datetime
from pathlib import Path
from typing import NamedTuple

import numpy as np

from pitchbench.belief import Belief
from pitchbench.instrument import Bridge, BridgeKind, Instrument, Material, ScrewHeads, StringSpec
from pitchbench.intonation.bridge import Move
from pitchbench.intonation.knowledge import ANYBODY, Person
from pitchbench.intonation.offset import Group, Offset, ScatterPrior
from pitchbench.intonation.verdict import Decision, Notice, Verdict
from pitchbench.notes import Note
from pitchbench.pitch.reading import Partial, Reading, Reason, Rejected, Trace
from pitchbench.records.model import InstrumentRecord, SessionRecord
from pitchbench.report.export import open_export
from pitchbench.session.log import (
    Entry,
    MoveEntry,
    NoteEntry,
    Outcome,
    OutcomeEntry,
    SessionTake,
    Setup,
    StrikeEntry,
    TakeEntry,
    TakeFate,
    VerdictEntry,
)

NOON = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)

PERSON = Person(ANYBODY.habits, open_cents=0.5, open_dof=7.0)
PRIOR = ScatterPrior(open_cents=0.5, open_dof=4.0, fretted_cents=2.0, fretted_dof=4.0)


def an_instrument(name: str = "Bench guitar", **changes: object) -> Instrument:
    """A six-string with screw saddles."""
    strings = tuple(
        StringSpec(Note.parse(note), diameter, wound, core, material)
        for note, diameter, wound, core, material in (
            ("E4", 0.254, False, None, Material.STEEL),
            ("B3", 0.330, False, None, Material.STEEL),
            ("G3", 0.432, False, None, Material.STEEL),
            ("D3", 0.660, True, 0.36, Material.NICKEL_WOUND),
            ("A2", 0.914, True, 0.41, Material.NICKEL_WOUND),
            ("E2", 1.168, True, 0.46, Material.NICKEL_WOUND),
        )
    )
    values: dict[str, object] = {
        "name": name,
        "kind": "six-string electric",
        "scale_mm": 648.0,
        "strings": strings,
        "bridge": Bridge(BridgeKind.SCREW_SADDLES, 0.5, ScrewHeads.TAIL, 3.0, 5.0),
        "action_mm": 1.8,
        "relief_mm": 0.2,
        "string_set": "10 to 46",
        "strings_fitted": date(2026, 1, 10),
        "temperature_c": 21.0,
    }
    return Instrument(**{**values, **changes})  # type: ignore[arg-type]


def a_setup(instrument: Instrument | None = None) -> Setup:
    return Setup(instrument or an_instrument(), PERSON, prior=PRIOR)


def an_offset(cents: float, u_cents: float = 0.5) -> Offset:
    return Offset(
        fret=12,
        open=Group(3, 82.4, 0.3),
        fretted=Group(3, 165.0, 0.9),
        belief=Belief(cents, u_cents / Belief(0.0, 1.0, 9.0).u, 9.0),
    )


def a_reading(pitch_hz: float, onset_s: float, frames: int = 40, seed: int = 0) -> Reading:
    chance = np.random.default_rng(seed)
    time_s = np.arange(frames) * 0.01
    return Reading(
        onset_s=onset_s,
        ring_s=frames * 0.01,
        pitch_hz=pitch_hz,
        u_cents=0.08,
        attack_cents=6.0,
        settle_s=0.8,
        tail_s=1.5,
        wander_cents=0.1,
        stiffness_b=1e-4,
        snr_db=40.0,
        trace=Trace(
            time_s,
            pitch_hz * (1 + 0.004 * np.exp(-time_s / 0.3)) + chance.normal(0, 0.01, frames),
            -20 - 8 * time_s,
        ),
        partials=(Partial(1, pitch_hz, 0.1, -20.0, 1.5, 0.0),),
    )


def a_take(
    number: int, string: int, fret: int | None, round_: int, reading: Reading | Rejected
) -> TakeEntry:
    fate = TakeFate.ACCEPTED if isinstance(reading, Reading) else TakeFate.REJECTED
    take = SessionTake(number, string, fret, round_, reading, fate)
    return TakeEntry(reading.onset_s + 2.0, take)


def a_verdict(string: int, cents: float, at_s: float) -> VerdictEntry:
    decision = Decision.MOVE if abs(cents) > 2 else Decision.LEAVE
    p_within = 0.02 if abs(cents) > 2 else 0.98
    verdict = Verdict(decision, 2.0, p_within, p_moved=0.96, change_cents=-cents, plucks_to_go=1.0)
    return VerdictEntry(at_s, string, an_offset(cents), verdict)


def a_log(instrument: Instrument | None = None, *, frames: int = 40) -> tuple[Entry, ...]:
    """A session: strings with odd numbers are found sharp and moved, the others are left."""
    guitar = instrument or an_instrument()
    log: list[Entry] = [NoteEntry(0.0, None, "begun")]
    number, at_s = 0, 1.0

    def takes(string: int, round_: int, cents: float) -> None:
        nonlocal number, at_s
        open_hz = guitar.string(string).note.hz()
        for fret in (0, 12, 0, 12):
            number, at_s = number + 1, at_s + 3.0
            spread = 0.4 * math.sin(7.0 * number)
            pitch = open_hz * 2 ** ((100 * fret + (cents if fret else 0.0) + spread) / 1200)
            reading = a_reading(pitch, at_s, frames, seed=number)
            log.append(a_take(number, string, fret, round_, reading))
        log.append(a_verdict(string, cents, at_s + 2.0))

    for string in range(1, len(guitar.strings) + 1):
        found = 5.0 + 0.3 * string if string % 2 else -0.6
        undecided = Verdict(
            Decision.TAKE_MORE,
            2.0,
            0.4,
            p_moved=0.7,
            change_cents=-found,
            next_fretted=False,
            plucks_to_go=2.5,
            notices=(Notice.SCATTER,),
            fitting_tolerance_cents=3.0,
        )
        log.append(VerdictEntry(at_s, string, an_offset(found, 2.0), undecided))
        takes(string, 0, found)
        left = found
        if string % 2:
            move = Move(string, 1.9, (1.5, 2.3), guitar.bridge)
            log.append(MoveEntry(at_s + 10.0, string, move, 1.9))
            at_s, left = at_s + 20.0, 0.3
            rejected = Rejected(onset_s=at_s, ring_s=0.3, reason=Reason.TOO_SHORT)
            number += 1
            log.append(a_take(number, string, None, 1, rejected))
            takes(string, 1, left)
            log.append(StrikeEntry(at_s + 2.5, string, number))
        log.append(OutcomeEntry(at_s + 3.0, string, Outcome.LEAVE, an_offset(left)))
    return tuple(log)


# -- PostgreSQL --------------------------------------------------------------------------------


def postgresql_binaries() -> Path | None:
    """The folder with initdb and postgres: on the path, or where Debian puts them."""
    found = shutil.which("initdb")
    if found and shutil.which("postgres"):
        return Path(found).resolve().parent
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda p: int(p.parent.name))
    return folders[-1] if folders else None


class Export(NamedTuple):
    """The contents of an export; sessions with the frames of their takes."""

    instruments: tuple[InstrumentRecord, ...]
    sessions: tuple[SessionRecord, ...]


def read_export(text: str) -> Export:
    """What ``text``, an export in JSON, holds, all of it at once."""
    # Half a character, which JSON in a file cannot hold, is found like other damage.
    instruments, sessions = open_export(text.encode(errors="surrogatepass"))
    return Export(instruments, tuple(sessions))


class PostgresqlServer:
    """A private server on a unix socket in a temporary folder, running within a ``with``.

    PostgreSQL refuses to run as root, so under root it runs as nobody.
    """

    def __init__(self) -> None:
        binaries = postgresql_binaries()
        if binaries is None:
            raise RuntimeError("PostgreSQL is not installed")
        self.folder = Path(tempfile.mkdtemp(prefix="pb-pg-", dir="/tmp"))
        self._binaries = binaries
        self._as_user = {"user": "nobody"} if os.geteuid() == 0 else {}
        if self._as_user:
            shutil.chown(self.folder, "nobody")
        self._environment = {
            "PATH": os.environ["PATH"],
            "LC_ALL": "C.UTF-8",
            "HOME": str(self.folder),
        }
        self._server: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> PostgresqlServer:
        words = ["-D", self._data, "-U", "bench", "-A", "trust", "-E", "UTF8", "--no-sync"]
        subprocess.run(
            [self._binaries / "initdb", *words],
            check=True,
            capture_output=True,
            env=self._environment,
            cwd=self.folder,
            **self._as_user,  # type: ignore[call-overload]
        )
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)

    @property
    def _data(self) -> Path:
        return self.folder / "data"

    def start(self) -> None:
        """Start it; returns when it takes connections."""
        words = ["-D", self._data, "-k", self.folder, "-c", "listen_addresses="]
        # What a killed server leaves in /dev/shm nobody clears, and there may be little of it.
        words += ["-c", "dynamic_shared_memory_type=mmap"]
        self._server = subprocess.Popen(
            [self._binaries / "postgres", *words],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env=self._environment,
            cwd=self.folder,
            **self._as_user,  # type: ignore[call-overload]
        )
        ready = ["-q", "-h", self.folder, "-U", "bench", "-d", "postgres"]
        wait = [self._binaries / "pg_isready", *ready]
        deadline = time.monotonic() + 60
        while subprocess.run(wait, check=False, env=self._environment).returncode != 0:
            if self._server.poll() is not None or time.monotonic() > deadline:
                raise RuntimeError("the PostgreSQL server did not come up")
            time.sleep(0.05)

    @contextmanager
    def stopped(self) -> Iterator[None]:
        """It and all its processes stand still meanwhile, as on a machine that is stuck."""
        assert self._server is not None
        children = Path(f"/proc/{self._server.pid}/task/{self._server.pid}/children").read_text()
        processes = [self._server.pid, *map(int, children.split())]

        def tell(number: signal.Signals) -> None:
            for process in processes:
                # A child may have ended since it was listed.
                with suppress(ProcessLookupError):
                    os.kill(process, number)

        tell(signal.SIGSTOP)
        try:
            yield
        finally:
            tell(signal.SIGCONT)

    def stop(self, number: signal.Signals = signal.SIGINT) -> None:
        """End it: SIGINT throws its clients out, SIGQUIT is as if it had crashed."""
        if self._server is not None:
            self._server.send_signal(number)
            self._server.wait(30)
            self._server = None


@contextmanager
def postgresql_server() -> Iterator[str]:
    """A private server; yields its socket's folder."""
    with PostgresqlServer() as server:
        yield str(server.folder)


def new_database(socket_folder: str, name: str) -> str:
    """Create an empty database and return its URL."""
    import psycopg  # noqa: PLC0415  # an extra, needed only here

    with psycopg.connect(
        host=socket_folder, user="bench", dbname="postgres", autocommit=True
    ) as connection:
        connection.execute(f'CREATE DATABASE "{name}"')
    return f"postgresql://bench@/{name}?host={socket_folder}"
