"""Names on the live screen of the whole program: shown, never obeyed."""

from __future__ import annotations

import sys
from pathlib import Path

import stores
from terminal import Terminal

from pitchbench.records.repository import Repository

SHARP = Path(__file__).parents[2] / "samples" / "a2-open-and-12th-sharp.flac"
#: Sets the terminal's title, asks what it is, rings, turns the writing, begins another line.
NAME = "bass \x1b]0;hijacked\x07 \x1b[c \x9b5n \u202e \n \x07end"


def test_a_name_does_not_steer_the_terminal(tmp_path: Path) -> None:
    store = tmp_path / "records.sqlite"
    with Repository.open(store) as repository:
        repository.add_instrument(stores.an_instrument(NAME))
    program = Path(sys.executable).with_name("pitchbench")
    words = ["session", "--instrument", NAME, "--recording", SHARP, "--strings", 5]
    command = [str(word) for word in (program, *words, "--store", store)]
    terminal = Terminal(command, columns=120, lines=40)
    terminal.wait_for_end(60.0)
    shown = terminal.output.decode("utf-8")
    assert "bass ?]0;hijacked? ?[c ?5n ? ? ?end" in shown
    assert "status 3" in shown, "its open string is out of tune throughout"
    for sequence in ("\x1b]0;hijacked", "\x1b[c", "\x9b", "\x07", "\u202e"):
        assert sequence not in shown
