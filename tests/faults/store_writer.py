"""A bench that records a made-up session, for tests that disturb it. Not a test itself.

    python store_writer.py PLACE COUNT      record COUNT entries, print each number once committed
    python store_writer.py --fork record    for each line "PLACE" on stdin fork such a bench; print
                                            "pid N", then its numbers, and "gone" when it has ended
    python store_writer.py --fork rehearse  the same with `pitchbench rehearse --keep` and its lines
    python store_writer.py --fork command   the same with the command line that a line holds in JSON

Forking spares each of hundreds of benches the second that loading everything takes.
"""

from __future__ import annotations

import importlib
import itertools
import json
import os
import sys
import traceback
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import stores

from pitchbench.commands import main
from pitchbench.errors import PitchbenchError
from pitchbench.records.repository import Repository


def say(text: str) -> None:
    os.write(1, f"{text}\n".encode())


def record(place: str, count: int | None) -> int:
    """Record entries, say the session's id and then each entry's number after its commit."""
    log = itertools.cycle(stores.a_log())
    try:
        with Repository.open(place) as repository:
            session_id = repository.begin_session(stores.a_setup(), at=stores.NOON)
            say(f"session {session_id}")
            for number in itertools.count(1) if count is None else range(1, count + 1):
                repository.append(session_id, next(log))
                say(f"{number}")
    except PitchbenchError as error:
        print(error.what, error.remedy, sep="\n", file=sys.stderr)
        return int(error.exit_code)
    return 0


def rehearse(place: str) -> int:
    """Rehearse one string, kept, in plain lines; the seed differs from bench to bench."""
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)  # our own lines are no keys for it
    sys.stdin = open(0, closefd=False)  # noqa: SIM115
    words = ["--plain", "--keep", "--strings", "6", "--seed", str(os.getpid()), "--store", place]
    try:
        main(["rehearse", *words])
    except SystemExit as end:
        return int(end.code or 0)
    return 0


def command(line: str) -> int:
    """One command of pitchbench; what it says is of no interest."""
    os.dup2(os.open(os.devnull, os.O_RDWR), 2)
    sys.stdout = sys.stderr
    try:
        main(json.loads(line))
    except SystemExit as end:
        return int(end.code or 0)
    return 0


def fork_for_each_line(job: Callable[[str], int]) -> None:
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            say(f"pid {os.getpid()}")
            try:
                code = job(line.strip())
            except BaseException:
                traceback.print_exc()
                code = 1
            os._exit(code)
        os.waitpid(pid, 0)
        say("gone")


if __name__ == "__main__":
    if sys.argv[1:] == ["--fork", "record"]:
        fork_for_each_line(lambda place: record(place, None))
    elif sys.argv[1:] == ["--fork", "rehearse"]:
        import pitchbench.commands.rehearse  # noqa: F401  # once, before forking

        fork_for_each_line(rehearse)
    elif sys.argv[1:] == ["--fork", "command"]:
        for name in ("instrument", "import", "export", "records"):
            importlib.import_module(f"pitchbench.commands.{name}")
        fork_for_each_line(command)
    else:
        sys.exit(record(sys.argv[1], int(sys.argv[2])))
