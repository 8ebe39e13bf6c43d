"""`pitchbench repeatability`: players whose scatter is known, on the virtual instrument."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from recordings import Note, Ran, record

from pitchbench.commands import REGISTRY
from pitchbench.intonation.repeatability import precision
from pitchbench.presets import preset
from pitchbench.strings.virtual import VirtualInstrument

Capsys = pytest.CaptureFixture[str]

#: What the finger adds to each fretted take, cents: one player steady, one not, 3 cents apart.
STEADY = (0.2, -0.2, 0.1, -0.1)
UNSTEADY = (5.0, 1.0, 4.5, 1.5)


def test_it_is_in_the_registry() -> None:
    assert "repeatability" in REGISTRY


@pytest.fixture(scope="module")
def players(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two players on one guitar's D string, four open and four fretted takes each."""
    folder = tmp_path_factory.mktemp("sound")
    virtual = VirtualInstrument(preset("six-string"), seed=4)
    paths = []
    for name, detunes in (("anna", STEADY), ("ben", UNSTEADY)):
        notes = [Note(4, fret, d * (fret > 0), 1.6) for d in detunes for fret in (0, 12)]
        record(folder / f"{name}.wav", virtual, notes)
        paths.append(folder / f"{name}.wav")
    return paths


def test_json_finds_what_was_put_in(capsys: Capsys, players: list[Path]) -> None:
    ran = Ran(capsys, "repeatability", *players, "--format", "json")
    assert (ran.code, ran.err) == (0, "")
    document = ran.document
    assert document["schema"] == "pitchbench.repeatability/1"
    assert document["open_notes"] == ["D3"]
    assert document["fretted_from"] == "own_open_string"
    fretted = document["notes"][1]
    assert (fretted["note"], fretted["takes"], fretted["players"]) == ("D4", 8, 2)
    truth = precision([STEADY, UNSTEADY])
    # Readings are good to some tenths of a cent on such short notes; the effects are 1.5 and 2.
    for key, true in (
        ("repeatability_sd_cents", truth.repeatability_sd),
        ("between_sd_cents", truth.between_sd),
        ("reproducibility_sd_cents", truth.reproducibility_sd),
    ):
        assert fretted[key] == pytest.approx(true, abs=0.3)
    assert document["notes"][0]["repeatability_sd_cents"] < 0.3
    assert document["habit"] == "fretting"
    spreads = {p["player"]: p["spread_cents"] for p in document["players"]}
    assert spreads["ben"] > 3 * spreads["anna"]
    assert document["fretted"]["takes_needed"] > document["open"]["takes_needed"]


def test_players_can_be_named(capsys: Capsys, players: list[Path]) -> None:
    ran = Ran(
        capsys, "repeatability", "--player", "Cleo", *players, "--format", "json", "--string", "D3"
    )
    assert [(p["player"], p["takes"]) for p in ran.document["players"]] == [("Cleo", 16)]
    assert ran.document["notes"][0]["reproducibility_sd_cents"] is None
    assert ran.document["assumed"] == []


def test_plain_lines_begin_with_what_it_limits(capsys: Capsys, players: list[Path]) -> None:
    ran = Ran(capsys, "repeatability", *players)
    lines = ran.out.splitlines()
    assert lines[0].startswith("result: With this fretting, plus or minus 1 cent needs ")
    assert any(line.startswith("player ben: 8 takes, spread ") for line in lines)
    assert "assumed: D3 is the open string (say it with --string)" in lines


@pytest.mark.parametrize(
    ("ending", "begins"), [("svg", b"<?xml"), ("png", b"\x89PNG"), ("pdf", b"%PDF")]
)
def test_a_figure_is_never_overwritten_unasked(
    capsys: Capsys, players: list[Path], tmp_path: Path, ending: str, begins: bytes
) -> None:
    out = tmp_path / f"spread.{ending}"
    ran = Ran(capsys, "repeatability", players[0], "--out", out)
    assert (ran.code, ran.err) == (0, f"Figure: {out}\n")
    assert out.read_bytes().startswith(begins)
    again = Ran(capsys, "repeatability", players[0], "--out", out)
    assert again.code == 2
    assert "exists already" in again.err
    assert Ran(capsys, "repeatability", players[0], "--out", out, "--force").code == 0


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "No recording was named."),
        (("--player", "anna"), "--player is followed by a name and at least one file."),
        (("a.wav", "a.wav"), "was given twice."),
        (("x/a.wav", "y/a.wav"), "Two files are called 'a'"),
        (("--session", "last", "--string", "E2"), "--string says nothing of a session on record."),
        (("a.wav", "--out", "a.bmp"), "ends in nothing that can be drawn."),
    ],
)
def test_wrong_usage_is_told(capsys: Capsys, arguments: tuple[str, ...], says: str) -> None:
    ran = Ran(capsys, "repeatability", *arguments)
    assert ran.code == 2
    assert says in ran.err


def test_a_recording_under_another_name_is_no_other_player(
    capsys: Capsys, players: list[Path], tmp_path: Path
) -> None:
    other = tmp_path / "other.wav"
    other.symlink_to(players[0].absolute())
    ran = Ran(capsys, "repeatability", players[0], other)
    assert ran.code == 2
    assert f"'{players[0]}' was given twice." in ran.err


def test_one_take_of_each_note_is_not_enough(capsys: Capsys, tmp_path: Path) -> None:
    record(tmp_path / "a.wav", VirtualInstrument(preset("six-string"), seed=4), [Note(4)])
    ran = Ran(capsys, "repeatability", tmp_path / "a.wav")
    assert ran.code == 3
    assert "No player plays any note twice." in ran.err


@pytest.mark.parametrize("form", ["text", "json"])
def test_a_string_that_was_not_played_is_told(
    capsys: Capsys, players: list[Path], form: str
) -> None:
    ran = Ran(capsys, "repeatability", players[0], "--string", "E4", "--format", form)
    assert ran.code == 3
    assert len(ran.document["readings"]) == 8 if form == "json" else ran.out == ""
    assert "no reading of the open E4 string; heard: D3 4 times, D4 4 times." in ran.err


def test_truth_of_the_fixture() -> None:
    """The unsteady player really is the less steady one, by the plain standard deviation."""
    assert np.std(UNSTEADY, ddof=1) > 8 * np.std(STEADY, ddof=1)


@pytest.mark.parametrize("gain", [5.0, 40.0])
def test_a_rejected_take_is_told_with_its_reason_and_not_counted(
    capsys: Capsys, players: list[Path], tmp_path: Path, gain: float
) -> None:
    sound, rate_hz = soundfile.read(players[0])
    first = slice(round(0.55 * rate_hz), round(2.3 * rate_hz))
    sound[first] = np.clip(gain * sound[first], -0.5, 0.5)
    soundfile.write(tmp_path / "loud.wav", sound, rate_hz)
    lines = Ran(capsys, "repeatability", tmp_path / "loud.wav").out.splitlines()
    assert lines[-1].startswith("rejected: at 0.")
    assert "too loud for the input" in lines[-1]
    assert any(line.startswith("note D3: open, 3 takes") for line in lines)
