"""What nobody should type or send, and a run of the program that holds it to its promises.

Shared by the tests that try such things at random and by the coverage-guided fuzzer
(``tests/benchmarks/fuzz.py``).
"""

from __future__ import annotations

import contextlib
import copy
import io
import json
import os
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import stores
from stores import NOON

from pitchbench.commands import main
from pitchbench.records.model import InstrumentRecord, SessionKind, SessionMeta, SessionRecord
from pitchbench.report.export import export_json

#: The promises: an exit code that is documented, soon, in little memory. Soon is processor time,
#: which does not count what else the machine does; a wait without end is pytest's to stop.
EXIT_CODES = {0, 2, 3, 4, 5}
#: Where a question finds nobody who answers.
INTERRUPTED = 130
SOON_S = 10.0
LITTLE_MB = 500.0

#: Characters that steer a terminal or turn the direction of writing, and a line end.
STEERING = "\x1b[2J\x1b]0;title\x07\x9b31m\u202e\u2066\n\r\x08\x7f"

NASTY_NAMES = (
    STEERING,
    "'; DROP TABLE sessions; --",
    "$(touch pwned)`touch pwned`; touch pwned",
    "{{ 7 * 7 }}{% raw %}<script>alert(1)</script><img src=x onerror=alert(1)>&amp;",
    "=HYPERLINK(A1)",
    "$\\frac$ $x^{",
    "_hidden",
    "%s %n {0} {name}",
    "名前 ελένη " + "x" * 300,
    "\udcff\udcfe",
)

WORDS = (
    *NASTY_NAMES,
    *("", " ", "-", "--", "-x", "--help", "%", "\\", ".", "..", "/", "~"),
    *("-1", "0", "1", "12", "99", "3.5", "1e9", "1e999", "-0", "nan", "inf", "-inf", "1_0", "0x10"),
    *("٣", "2" * 5000, "9" * 30),
    *("E2", "e4", "C-1", "H9", "A#99", "E2 A2", "E2 A2 D3 G3 B3 E4", "x32010", "xxxxxx", "9" * 9),
    *("10 13 17 26w 36w 46w", "10mm", "0w", "-5w", "1e400w", "nanw"),
    *("1-2", "1-1", "6-1", "1-2-3", "steel", "nylon,steel", "tail", "bass", "six-string"),
    *("last", "today", "2026-02-30", "0001-01-01", "9999-12-31", "20260314", "text", "json"),
    *("out.svg", "out.html", "out.csv", "out.json", "out", "a" * 300 + ".svg", "none/x.svg"),
)

#: For a JSON document; ``HUGE`` becomes a number that JSON allows and no double holds.
HUGE = "a number past all bounds"
VALUES: tuple[Any, ...] = (
    *(None, True, False, -1, 0, 1, 7, 10**400, 2**63, -(2**70), 1e308, -1e308, 1e-320, -0.0, HUGE),
    *(
        "",
        "x" * 3000,
        "\ud800",
        "a\0b",
        "NaN",
        "1e999",
        "123",
        "E2",
        "C-1",
        "G9",
        *NASTY_NAMES[:-1],
    ),
    *("9999-12-31T23:59:59-23:59", "0001-01-01T00:00:00+14:00", "2026-01-01T00:00:00"),
    *([], {}, [[]], [1], ["a"], {"kind": "take"}),
)


@dataclass(frozen=True)
class Outcome:
    """How one run within this process ended."""

    code: object
    out: str
    err: str
    seconds: float


def run(*arguments: str | Path, answers: str = "") -> Outcome:
    """Run the program, ``answers`` being all that is typed while it runs; anything but an orderly
    exit is raised here."""
    typed = io.BytesIO(answers.encode("utf-8", "surrogateescape"))
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8") for _ in range(2))
    code: object = None
    begun = time.process_time()
    stdin, sys.stdin = sys.stdin, io.TextIOWrapper(typed, "utf-8", "surrogateescape")
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main([str(word) for word in arguments])
    except SystemExit as ended:
        code = ended.code
    finally:
        sys.stdin = stdin
    seconds = time.process_time() - begun
    told = []
    for stream in (out, err):
        stream.flush()
        told.append(stream.buffer.getvalue().decode())  # type: ignore[attr-defined]
    return Outcome(code, *told, seconds)


def hold_to_promises(outcome: Outcome) -> None:
    """No traceback (it would have been raised), soon, a known exit code, nothing that steers a
    terminal; and where it fails, what is wrong and what to do as the last two lines."""
    assert outcome.seconds < SOON_S, outcome
    assert outcome.code in EXIT_CODES | {INTERRUPTED}, outcome
    steering = {c for c in outcome.out + outcome.err if not c.isprintable()} - {"\n"}
    assert not steering, outcome
    if outcome.code == INTERRUPTED:
        assert outcome.err.endswith("\npitchbench: interrupted.\n"), outcome
    elif outcome.code:
        told = [line for line in outcome.err.splitlines() if line]
        assert told[-2].startswith("pitchbench: "), outcome
        assert all(sentence.endswith((".", "?")) for sentence in told[-2:]), outcome


@contextlib.contextmanager
def little_memory() -> Iterator[None]:
    """Fail if what is done within needs much; on Linux, elsewhere it is not measured."""
    if not Path("/proc/self/clear_refs").exists():
        yield
        return
    Path("/proc/self/clear_refs").write_text("5")  # the peak begins anew
    before = _status_mb("VmRSS")
    yield
    assert _status_mb("VmHWM") - before < LITTLE_MB


def _status_mb(field: str) -> float:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith(f"{field}:"))


# -- exports -------------------------------------------------------------------------------------

NAME = "Bench guitar"
SESSION = "20260314-" + "0123456789abcdef" * 2
SURVEY = "20260415-" + "e" * 32


def an_export() -> Any:
    """Two sessions of one instrument and a survey of its neck, as the document of an export; one
    session and the survey were broken off."""
    guitar, of = stores.an_instrument(NAME), "0123456789abcdef" * 2
    log = stores.a_log(guitar, frames=3)
    later = NOON + timedelta(days=31)
    records = [
        SessionRecord(
            stores.a_setup(guitar), log, SessionMeta(SESSION, of, NOON, None, "0.1.0", source="x")
        ),
        SessionRecord(
            stores.a_setup(guitar),
            log[:20],
            SessionMeta("20260414-" + "f" * 32, of, later, later, "0"),
        ),
    ]
    asked = {"frets": "1,12", "takes": 2}
    records.append(
        SessionRecord(
            stores.a_setup(guitar),
            log[:1],
            SessionMeta(SURVEY, of, later, None, "0", parameters=asked, kind=SessionKind.NECK),
        )
    )
    instruments = [InstrumentRecord(of, guitar, NOON, NOON)]
    return json.loads("".join(export_json(instruments, records)))


def as_text(document: Any) -> str:
    return json.dumps(document).replace(json.dumps(HUGE), "1e999")


def changed(document: Any, keys: Sequence[Any], value: Any) -> Any:
    """A copy of ``document`` with another value where ``keys`` lead."""
    document = copy.deepcopy(document)
    within = document
    for key in keys[:-1]:
        within = within[key]
    within[keys[-1]] = value
    return document


def reading_commands(folder: Path) -> list[list[str]]:
    """Every command that reads what an import may have left in the store; ``silence.wav`` lies in
    ``folder``."""
    silence = str(folder / "silence.wav")
    return [
        ["instrument", "list"],
        ["instrument", "list", "--format", "json"],
        ["instrument", "show", NAME],
        ["instrument", "show", NAME, "--format", "json"],
        ["history"],
        ["history", "--format", "json"],
        ["history", NAME],
        ["history", NAME, "--format", "json"],
        ["sheet", SESSION],
        *(
            ["sheet", SESSION, "--force", "--out", str(folder / f"sheet.{ending}")]
            for ending in ("html", "csv", "json")
        ),
        ["export", "--force", "--out", str(folder / "again.json")],
        ["session", "--resume", SESSION, "--recording", silence, "--keep"],
        ["session", "--instrument", NAME, "--recording", silence],
        ["offset", silence, "--instrument", NAME],
        ["neck", "--session", SURVEY],
        ["neck", "--resume", SURVEY, "--device", "none of that name"],
        ["repeatability", "--session", SESSION],
        ["forecast", "--instrument", NAME, "--scale", "640"],
    ]


def fresh_store(folder: Path) -> Path:
    """Where no store is yet."""
    for file in folder.glob("fuzzed.sqlite*"):
        os.unlink(file)
    return folder / "fuzzed.sqlite"
