"""How long list, history and sheet take as the store grows from 100 to 10 000 sessions.

    PYTHONPATH=tests python tests/benchmarks/bench_records.py [FOLDER]

Made-up sessions of six strings, 40 instruments. Filling goes past the repository: one session is
recorded through it and its rows are copied under other ids, since 10 000 real sessions take 400 000
commits. Times are CPU seconds (user + system) of whole commands, loading Python and all included,
the least of the rounds over all stores; the first row is that loading alone. Modules are compiled
once, as they are where the program is installed.
"""

from __future__ import annotations

import os
import resource
import sqlite3
import subprocess
import sys
import tempfile
import uuid
from datetime import timedelta
from pathlib import Path

import stores

from pitchbench.records.repository import Repository

SIZES = (100, 1_000, 10_000)
INSTRUMENTS = 40
FRAMES = 100

ROUNDS = 5

LOADING = "loading alone"

COMMANDS = {
    LOADING: ["history", "--help"],
    "instrument list": ["instrument", "list"],
    "today": ["today"],
    "history, all instruments": ["history"],
    "history of one": ["history", "Guitar 7"],
    "sheet, text": ["sheet", "last"],
    "sheet, .html": ["sheet", "last", "--force", "--out", "{folder}/sheet.html"],
    "sheet, .csv": ["sheet", "last", "--force", "--out", "{folder}/sheet.csv"],
}

PITCHBENCH = [sys.executable, "-c", "from pitchbench.commands import main; main()"]


def begin(place: Path) -> None:
    """The instruments, and one session of each."""
    with Repository.open(place) as repository:
        for number in range(INSTRUMENTS):
            guitar = stores.an_instrument(f"Guitar {number}")
            repository.add_instrument(guitar)
            session_id = repository.begin_session(stores.a_setup(guitar), at=stores.NOON)
            for entry in stores.a_log(frames=FRAMES):
                repository.append(session_id, entry)
            repository.finish_session(session_id, at=stores.NOON)


def grow(place: Path, sessions: int) -> None:
    """Copy the first session of each instrument in turn until there are ``sessions``."""
    connection = sqlite3.connect(place)
    names = [row[1] for row in connection.execute("PRAGMA table_info(sessions)")]
    kept = ", ".join(name for name in names if name not in ("id", "started_at"))
    first = [
        row[0] for row in connection.execute("SELECT id FROM sessions ORDER BY rowid LIMIT 40")
    ]
    (count,) = connection.execute("SELECT count(*) FROM sessions").fetchone()
    with connection:
        for number in range(count, sessions):
            at = stores.NOON + timedelta(hours=number)
            new, old = f"{at:%Y%m%d}-{uuid.uuid4().hex}", first[number % INSTRUMENTS]
            connection.execute(
                f"INSERT INTO sessions (id, started_at, {kept}) "
                f"SELECT ?, ?, {kept} FROM sessions WHERE id = ?",
                (new, at.isoformat(timespec="microseconds"), old),
            )
            for table, columns in (("entries", "kind, document"), ("traces", "frames")):
                connection.execute(
                    f"INSERT INTO {table} (session_id, sequence, {columns}) "
                    f"SELECT ?, sequence, {columns} FROM {table} WHERE session_id = ?",
                    (new, old),
                )
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()


def cpu_s(place: Path, arguments: list[str]) -> float:
    """CPU time of one command on the store at ``place``."""
    environment = {**os.environ, "PITCHBENCH_STORE": str(place)}
    environment |= {"PYTHONPYCACHEPREFIX": str(place.parent), "PYTHONDONTWRITEBYTECODE": ""}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([*PITCHBENCH, *arguments], check=True, capture_output=True, env=environment)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main(folder: Path) -> None:
    places = {size: folder / f"bench-{size}.sqlite" for size in SIZES}
    for size, place in places.items():
        if not place.exists():
            begin(place)
            grow(place, size)
    times: dict[tuple[str, int], float] = {}
    # Stores take turns, so that what else the machine does falls on all of them alike.
    for _ in range(ROUNDS):
        for name, words in COMMANDS.items():
            for size, place in places.items():
                spent = cpu_s(place, [word.format(folder=folder) for word in words])
                times[name, size] = min(spent, times.get((name, size), spent))
    print("| CPU seconds | " + " | ".join(f"{size} sessions" for size in SIZES) + " | growth |")
    print("|---|" + "---|" * (len(SIZES) + 1))
    for name in COMMANDS:
        cells = " | ".join(f"{times[name, size]:.2f}" for size in SIZES)
        growth = times[name, SIZES[-1]] / times[name, SIZES[0]]
        print(f"| {name} | {cells} | {growth:.2f} |")
    megabytes = [place.stat().st_size / 1e6 for place in places.values()]
    print("| file, MB | " + " | ".join(f"{size:.0f}" for size in megabytes) + " | |")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as made:
            main(Path(made))
