"""What is set once for all: option over environment over file, and what is wrong with a file."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from recordings import Ran

from pitchbench.commands import REGISTRY, cli
from pitchbench.commands.defaults import SETTINGS, default_map, settings_file, unknown_variables
from pitchbench.records.repository import Repository

Capsys = pytest.CaptureFixture[str]
SAMPLE = Path(__file__).parents[2] / "samples" / "d3-open-and-12th-good.flac"


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A settings file of our own invention."""
    path = tmp_path / "settings.toml"
    path.write_text('a4 = 442\ntechnician = "Anna"\n[workshop]\nname = "Bench and Bow"\n')
    monkeypatch.setenv("PITCHBENCH_CONFIG", str(path))
    return path


def a4_of(capsys: Capsys, *options: str) -> float:
    ran = Ran(capsys, "read", SAMPLE, "--format", "json", *options)
    return float(ran.document["a4_hz"])


def test_option_over_environment_over_file(
    capsys: Capsys, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert a4_of(capsys) == 442.0
    monkeypatch.setenv("PITCHBENCH_A4", "415")
    assert a4_of(capsys) == 415.0
    assert a4_of(capsys, "--a4", "443") == 443.0
    monkeypatch.setenv("PITCHBENCH_CONFIG", os.devnull)
    monkeypatch.delenv("PITCHBENCH_A4")
    assert a4_of(capsys) == 440.0


@pytest.mark.parametrize(
    ("given", "read"),
    [
        ("true", "yes"),
        ("TRUE", "yes"),
        ("1", "yes"),
        ("yes", "yes"),
        ("false", "no"),
        ("0", "no"),
        ("No", "no"),
    ],
)
def test_yes_and_no_are_said_in_an_environment_as_in_the_file(
    capsys: Capsys, file: Path, monkeypatch: pytest.MonkeyPatch, given: str, read: str
) -> None:
    monkeypatch.setenv("PITCHBENCH_SPEAK", given)
    assert f"speak: {read}, from PITCHBENCH_SPEAK" in Ran(capsys, "settings").out.splitlines()


def test_a_variable_that_is_none_is_told_with_the_nearest(
    capsys: Capsys, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = Ran(capsys, "settings")
    for name in ("TOLERENCE", "STROE", "WORKSHOP"):
        monkeypatch.setenv(f"PITCHBENCH_{name}", "1")
    for name in ("FUZZ", "STORE", "THEME"):
        monkeypatch.setenv(f"PITCHBENCH_{name}", "")
    ran = Ran(capsys, "settings")
    assert (ran.code, ran.out) == (0, before.out)
    assert ran.err.splitlines() == [
        f"pitchbench knows no variable PITCHBENCH_{name}: did you mean PITCHBENCH_{nearest}?"
        for name, nearest in (
            ("STROE", "STORE"),
            ("TOLERENCE", "TOLERANCE"),
            ("WORKSHOP", "WORKSHOP_NAME"),
        )
    ]


def test_no_variable_that_is_read_anywhere_is_taken_for_a_misspelt_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    root = SAMPLE.parents[1]
    folders = (root / name for name in ("pitchbench", "tests", "docs", ".ci"))
    pages = [
        path
        for folder in folders
        for path in folder.rglob("*")
        if path.is_file() and path.suffix != ".pyc"
    ]
    text = " ".join(page.read_text(encoding="utf-8", errors="ignore") for page in pages)
    read = {*re.findall(r"\bPITCHBENCH_[A-Z0-9_]*[A-Z0-9]", text)}
    assert {"PITCHBENCH_STORE", "PITCHBENCH_KILLS", "PITCHBENCH_UNITS"} <= read
    for name in read:
        monkeypatch.setenv(name, "")
    assert list(unknown_variables()) == []


def test_the_page_lists_every_setting() -> None:
    page = (SAMPLE.parents[1] / "docs" / "commands.md").read_text(encoding="utf-8")
    (listed,) = re.findall(r"```\n(input = .*?)```", page, re.S)
    known = tomllib.loads(listed)
    assert {*(known.keys() - {"workshop"}), *(f"workshop.{key}" for key in known["workshop"])} == {
        *SETTINGS
    }


def test_it_is_shown_which_value_comes_from_where(
    capsys: Capsys, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PITCHBENCH_TOLERANCE", "1.5")
    lines = dict(line.split(": ", 1) for line in Ran(capsys, "settings").out.splitlines())
    assert lines["file"] == str(file)
    assert lines["a4"] == "442, from the file"
    assert lines["tolerance"] == "1.5, from PITCHBENCH_TOLERANCE"
    assert lines["workshop.name"] == "Bench and Bow, from the file"
    assert lines["input"].startswith("not set")
    document = Ran(capsys, "settings", "--format", "json").document
    shown = {each["key"]: each for each in document["settings"]}
    assert list(shown) == list(SETTINGS)
    assert (shown["a4"]["value"], shown["a4"]["origin"]) == ("442", "file")
    assert shown["tolerance"]["variable"] == "PITCHBENCH_TOLERANCE"
    assert shown["input"]["value"] is None


@pytest.mark.parametrize(
    ("text", "says", "remedy"),
    [
        ("tolerence = 2", "sets 'tolerence', which is no setting", "Did you mean 'tolerance'?"),
        ("[workshop]\nadress = 'x'", "sets 'workshop.adress'", "'workshop.address'"),
        ("a4 = 0", "'a4' in", "Give the pitch of A4 in Hz, a number from 380 to 480."),
        ("a4 = 'x'", "is 'x', which makes no sense", "Give the pitch of A4"),
        ("a4 = nan", "is nan, which makes no sense", "Give the pitch of A4"),
        ("a4 = true", "is True, which makes no sense", "Give the pitch of A4"),
        ("a4 = [440]", "is [440], which makes no sense", "Give the pitch of A4"),
        ("paper = 'A5'", "'paper' in", "Give one of: A4, letter."),
        ("technician = ''", "'technician' in", "Give a text in quotes."),
        ("a4 = ", "cannot be read as TOML", "Write one setting in a line"),
        ("\udcff", "cannot be read as TOML", "Write one setting in a line"),
    ],
)
def test_what_is_wrong_is_said_with_file_and_key(
    capsys: Capsys, file: Path, text: str, says: str, remedy: str
) -> None:
    file.write_bytes(text.encode("utf-8", "surrogateescape"))
    ran = Ran(capsys, "read", SAMPLE)
    assert (ran.code, ran.out) == (2, "")
    assert says in ran.err
    assert remedy in ran.err
    assert str(file) in ran.err


def test_a_file_that_is_named_and_missing(
    capsys: Capsys, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PITCHBENCH_CONFIG", str(tmp_path / "none.toml"))
    ran = Ran(capsys, "settings")
    assert ran.code == 2
    assert "Check PITCHBENCH_CONFIG." in ran.err


def test_without_a_file_all_is_as_it_was(
    capsys: Capsys, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("PITCHBENCH_CONFIG")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert not settings_file().exists()
    assert "not written yet" in Ran(capsys, "settings").out


def test_an_instrument_on_record_keeps_its_tolerance(
    capsys: Capsys, file: Path, tmp_path: Path
) -> None:
    store = str(tmp_path / "records.sqlite")
    file.write_text("tolerance = 3.5\n")
    Ran(capsys, "instrument", "add", "New", "--like", "six-string", "--store", store)
    file.write_text("tolerance = 1.5\n")
    Ran(capsys, "instrument", "edit", "New", "--notes", "none", "--store", store)
    with Repository.open(store) as repository:
        assert repository.instrument("New").instrument.tolerance_cents == 3.5
    sample = SAMPLE.with_name("a2-open-and-12th-sharp.flac")
    options = ("offset", sample, "--string", "A2", "--format", "json")
    named = Ran(capsys, *options, "--instrument", "New", "--store", store).document
    assert named["tolerance_cents"] == 3.5
    assert Ran(capsys, *options).document["tolerance_cents"] == 1.5
    assert Ran(capsys, *options, "--tolerance", "2.5").document["tolerance_cents"] == 2.5


@pytest.mark.parametrize("key", ["speak", "cue", "headphones", "large"])
def test_what_is_set_can_be_done_without_for_once(file: Path, key: str) -> None:
    file.write_text(f"{key} = true\n")
    session = cli.get_command(click.Context(cli), "session")
    assert session is not None
    for typed, wanted in (([], True), ([f"--no-{key}"], False)):
        defaults = default_map([*REGISTRY], typed)["session"]
        parsed = session.make_context("session", [*typed], default_map=defaults)
        assert parsed.params[key] is wanted


def test_what_is_set_is_held_against_nobody(capsys: Capsys, file: Path) -> None:
    """A recording goes by faster than anything can be told of it, and headphones say nothing by
    themselves: only who asks for that is told so."""
    file.write_text("speak = true\ncue = true\nheadphones = true\n")
    again = ("session", "--recording", file.with_name("none.wav"))
    assert "There is no file" in Ran(capsys, *again).err
    assert "--cue says nothing of a recording." in Ran(capsys, *again, "--cue").err
    file.write_text("headphones = true\n")
    assert "There is no file" in Ran(capsys, *again).err
    assert "says nothing of a recording" in Ran(capsys, *again, "--headphones").err
    assert "says nothing by itself" in Ran(capsys, "session", "--headphones").err


def test_every_setting_has_something_that_obeys_it() -> None:
    """An option of that name, or the setup sheet."""
    context = click.Context(cli)
    commands = [cli, *(cli.get_command(context, name) for name in REGISTRY)]
    options = {param.name for command in commands if command for param in command.params}
    for key, setting in SETTINGS.items():
        of_the_sheet = key in ("technician", "paper") or key.startswith("workshop.")
        assert of_the_sheet or setting.option in options, key


def test_help_shows_what_is_set(file: Path) -> None:
    assert "[default: 442" in CliRunner().invoke(cli, ["read", "--help"]).output
