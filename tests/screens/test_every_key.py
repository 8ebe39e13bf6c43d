"""Every key at every step in a pseudo-terminal: none is swallowed, not even after Esc."""

from __future__ import annotations

import sys
from pathlib import Path

from states import STATES
from terminal import HERE, Terminal

from pitchbench.screen.keyhelp import COMMAND_OF_KEY, WATCHING_COMMANDS
from pitchbench.session.job import Command

#: Every key of a rehearsal but the one that leaves, with the Esc key before and after opening help.
PRESSED = [key for each in "h?arxnpu+-,.fl " for key in ("\x1b", each)] + ["\x1b[C"]
KEYS = "".join(PRESSED)
SENT = [(COMMAND_OF_KEY | WATCHING_COMMANDS)[key] for key in PRESSED]


def test_every_key_arrives_at_every_step(tmp_path: Path) -> None:
    log = tmp_path / "keys.txt"
    child = [sys.executable, str(HERE / "keys_child.py"), str(log), str(len(SENT))]
    terminal = Terminal(child)
    told: list[str] = []

    def arrived(seconds: float) -> bool:
        """Whether all of ``told`` comes to stand in the file, in that order."""

        def holds() -> bool:
            lines = log.read_text(encoding="utf-8").splitlines() if log.exists() else []
            return lines[: len(told)] == told

        return terminal.wait_until(holds, seconds)

    for name in STATES:
        told.append(name)
        assert arrived(60.0), name
        terminal.send(KEYS)
        told += [f"{name} {command}" for command in SENT]
        assert arrived(30.0), name
    assert Command.LEAVE_HELP in SENT
    terminal.was_given_back(status=0)
