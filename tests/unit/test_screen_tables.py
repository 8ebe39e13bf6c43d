"""Text on narrow and wide terminals: no line wider than the terminal, no word broken. What goes
into a pipe has one form, however wide the terminal is."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pexpect
import pytest
import stores
from click.testing import CliRunner
from rich.cells import cell_len

from pitchbench.commands import cli
from pitchbench.presets import preset
from pitchbench.records.repository import Repository

SAMPLES = Path(__file__).parents[2] / "samples"
PROGRAM = Path(sys.executable).with_name("pitchbench")

WIDTHS = (40, 80, 120)

#: So wide that nothing has to be broken.
WIDEST = 2000

#: A name of words in two scripts, the second of which has wide characters.
NAME = "Anna's travel guitar 旅行用吉他"

COMMANDS = {
    "history": ["history"],
    "history of one": ["history", NAME],
    "sheet": ["sheet", NAME],
    "instruments": ["instrument", "list"],
    "instrument": ["instrument", "show", NAME, "--earlier"],
    "presets": ["instrument", "add", "--presets"],
    "today": ["today"],
    "guides": ["guide"],
    "guide": ["guide", "clamped-tremolo"],
    "forecast": ["forecast", "--tuning", "C2 G2 C3 F3 A3 D4", "--measured", "6=1.2"],
    "trouble": ["trouble"],
    "trouble hum": ["trouble", "hum"],
    "trouble phone": ["trouble", "phone"],
    "settings": ["settings"],
    "offsets": [
        "offset", str(SAMPLES / "a2-open-and-12th-sharp.flac"),
        str(SAMPLES / "d3-open-and-12th-good.flac"), "--preset", "six-string",
    ],
    "drift": [
        "drift", str(SAMPLES / "e2-soft-medium-hard.flac"),
        "--preset", "six-string", "--string", "6",
    ],
    "repeatability": ["repeatability", str(SAMPLES / "a2-open-and-12th-sharp.flac")],
    "spread of two": [
        "repeatability", "--player", "Anna", str(SAMPLES / "a2-open-and-12th-sharp.flac"),
        "--player", "Ben", str(SAMPLES / "e2-soft-medium-hard.flac"),
    ],
    "read": ["read", str(SAMPLES / "b0-bass.flac")],
    "error": ["history", "No instrument of such a long name is on record here"],
}  # fmt: skip

#: Everything in one program, since a start takes as long as most commands; the terminal is made
#: narrower and wider meanwhile.
CHILD = """
import fcntl, json, struct, sys, termios
from pitchbench.commands import main
def run(name, call, *arguments):
    for columns in json.loads(sys.argv[2]):
        size = struct.pack("HHHH", 60, columns, 0, 0)
        fcntl.ioctl(sys.stdout.fileno(), termios.TIOCSWINSZ, size)
        print(f"<<{columns} {name}>>", flush=True)
        try:
            call(*arguments)
        except SystemExit:
            sys.stdout.flush()
for name, arguments in json.loads(sys.argv[1]).items():
    run(name, main, arguments)
"""

#: The list of inputs and a check of one, of invented devices: none need be here.
INPUTS = """
import numpy as np
from pitchbench.commands.inputs import Check, _page
from pitchbench.sound.noise import analyse_silence
from pitchbench.sound.portaudio import InputDevice
names = ("Invented interface with a long name: microphone array (USB)", "default")
devices = tuple(
    InputDevice(number, name, "ALSA", 2 - number, 48000, number == 1)
    for number, name in enumerate(names)
)
noise = np.random.default_rng(1).normal(0.0, 1e-3, 4 * 48000)
hum = 0.01 * np.sin(2 * np.pi * 50.0 * np.arange(4 * 48000) / 48000)
run("inputs", _page, devices, None)
check = Check(devices[0], 48000, analyse_silence(noise + hum, 48000), asked=True)
run("check", _page, devices, check)
"""


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One instrument with a session that moved saddles, and one that nobody ever set."""
    place = tmp_path_factory.mktemp("records") / "records.sqlite"
    guitar = stores.an_instrument(NAME, notes="The nut was cut by somebody else, long ago.")
    with Repository.open(str(place)) as repository:
        repository.add_instrument(guitar)
        session = repository.begin_session(stores.a_setup(guitar), at=stores.NOON)
        for entry in stores.a_log(guitar):
            repository.append(session, entry)
        repository.add_instrument(preset("twelve-string"))
    change = [PROGRAM, "instrument", "edit", NAME, "--action", "1.9"]
    subprocess.run(change, env={**os.environ, "PITCHBENCH_STORE": str(place)}, check=True)
    return place


@pytest.fixture(scope="module")
def shown(store: Path) -> dict[int, dict[str, str]]:
    """What each command shows on a terminal, by its width and by name."""
    child = pexpect.spawn(
        sys.executable,
        ["-c", CHILD + INPUTS, json.dumps(COMMANDS), json.dumps([*WIDTHS, WIDEST])],
        env={**os.environ, "TERM": "xterm", "NO_COLOR": "1", "PITCHBENCH_STORE": str(store)},
        encoding="utf-8",
        timeout=200,
    )
    child.expect(pexpect.EOF)
    text = re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", str(child.before)).replace("\r", "")
    found: dict[int, dict[str, str]] = {columns: {} for columns in (*WIDTHS, WIDEST)}
    for columns, name, page in re.findall(r"<<(\d+) (.+?)>>\n(.*?)(?=<<\d|\Z)", text, re.S):
        found[int(columns)][name] = page
    return found


def words(text: str) -> set[str]:
    """Without what says that a sentence ends here, which a table does without."""
    return {word.rstrip(";:,.") for word in text.split()}


def hold_together(narrow: str, wide: str, columns: int) -> None:
    assert max(map(cell_len, narrow.splitlines())) <= columns
    unbroken = {word for word in words(wide) if cell_len(word) <= columns - 4}
    broken = words(narrow) - words(wide)
    # What is wider than the terminal has to be broken somewhere.
    pieces = "".join(words(wide) - unbroken)
    assert all(word in pieces for word in broken), broken


@pytest.mark.parametrize("columns", WIDTHS)
@pytest.mark.parametrize("name", [*COMMANDS, "inputs", "check"])
def test_no_word_is_broken(shown: dict[int, dict[str, str]], name: str, columns: int) -> None:
    narrow, wide = shown[columns][name], shown[WIDEST][name]
    assert max(map(cell_len, narrow.splitlines())) <= columns
    # What is wider than the terminal has to be broken somewhere.
    unavoidable = " ".join(word for word in words(wide) if cell_len(word) > columns - 4)
    broken = {word for word in words(narrow) - words(wide) if word not in unavoidable}
    assert not broken


@pytest.mark.parametrize("name", ["history of one", "sheet", "forecast", "instruments", "today"])
def test_what_does_not_fit_as_a_table_is_said_in_sentences(
    shown: dict[int, dict[str, str]], name: str
) -> None:
    """The columns' names stand once in a table, and in each row's sentence."""
    heading = {"today": "instrument ", "forecast": "note ", "instruments": "tuning "}.get(
        name, "found "
    )
    assert shown[80][name].count(heading) == shown[120][name].count(heading) > 0
    assert shown[40][name].count(heading) > shown[120][name].count(heading)


def test_nothing_is_left_out_of_a_narrow_one(shown: dict[int, dict[str, str]]) -> None:
    for name in (
        *("history of one", "sheet", "instrument", "forecast", "today"),
        *("drift", "repeatability"),
    ):
        assert words(shown[WIDEST][name]) <= words(shown[40][name]), name


def test_columns_that_are_not_there_are_not_explained(shown: dict[int, dict[str, str]]) -> None:
    """What lies between players is said where there are several."""
    assert "reprod" in shown[80]["spread of two"]
    assert "reprod" not in shown[80]["repeatability"]


@pytest.mark.parametrize("name", ["history of one", "sheet", "instrument", "today", "instruments"])
def test_into_a_pipe_goes_a_line_for_each_thing(
    store: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PITCHBENCH_STORE", str(store))
    plain = []
    for columns in ("40", "120"):
        monkeypatch.setenv("COLUMNS", columns)
        plain.append(CliRunner().invoke(cli, COMMANDS[name]).stdout)
    assert plain[0] == plain[1]
    lines = plain[0].splitlines()
    labelled = [line for line in lines if re.match(r" *[^:]+: \S", line)]
    assert len(labelled) >= len(lines) - 4  # a sheet has sentences as well
