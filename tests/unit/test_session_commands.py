"""`rehearse` and `session` on the command line: what they write, where, and how they end."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from documents import parsed

from pitchbench.commands import main
from pitchbench.errors import ExitCode
from pitchbench.intonation.knowledge import ANYBODY
from pitchbench.presets import preset
from pitchbench.records.repository import Repository
from pitchbench.session import rehearsal
from pitchbench.session.log import MoveEntry, Setup

QUICK = ("--strings", "6", "--tolerance", "4")


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty store, which the environment names."""
    path = tmp_path / "records.sqlite"
    monkeypatch.setenv("PITCHBENCH_STORE", str(path))
    return path


class Ran:
    """One run of the program: exit code, stdout, stderr."""

    def __init__(self, capsys: pytest.CaptureFixture[str], *arguments: str) -> None:
        with pytest.raises(SystemExit) as ended:
            main([*arguments])
        self.code = ended.value.code
        self.out, self.err = capsys.readouterr()

    @property
    def document(self) -> dict[str, Any]:
        return parsed(self.out)


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sound of a rehearsal in which string 6 is moved."""
    path = tmp_path_factory.mktemp("sound") / "job.flac"
    with pytest.raises(SystemExit):
        main(["rehearse", "--seed", "9", *QUICK, "--record", str(path), "--format", "json"])
    return path


def test_json_holds_the_truth_beside_each_result_and_nothing_else_is_on_stdout(
    capsys: pytest.CaptureFixture[str], store: Path
) -> None:
    ran = Ran(capsys, "rehearse", "--seed", "2", *QUICK, "--format", "json")
    assert ran.code == 0
    document = ran.document
    assert document["schema"] == "pitchbench.rehearsal/1"
    assert (document["seed"], document["instrument"]) == (2, "six-string")
    assert (document["tolerance_cents"], document["a4_hz"]) == (4.0, 440.0)
    (string,) = document["strings"]
    assert {
        *("string", "note", "found_cents", "left_cents", "true_found_cents", "true_left_cents"),
        *("moves", "plucks", "outcome", "travel_mm", "left_interval95_cents"),
    } <= string.keys()
    assert (string["string"], string["note"]) == (6, "E2")
    low, high = string["left_interval95_cents"]
    assert low < string["left_cents"] < high
    assert "do: Pluck string 6 open to begin." in ran.err
    assert not store.exists(), "a rehearsal is not put on record unasked"


def test_plain_lines_are_the_data_of_text_format(capsys: pytest.CaptureFixture[str]) -> None:
    ran = Ran(capsys, "rehearse", "--seed", "2", *QUICK)
    assert (ran.code, ran.err) == (0, "")
    lines = ran.out.splitlines()
    assert lines[:2] == ["this is: rehearsal, virtual player", "instrument: six-string"]
    assert all(": " in line and "\x1b" not in line for line in lines)
    assert [line.split(":")[0] for line in lines[-2:]] == ["result", "truth"]


def test_the_same_seed_gives_the_same_document(capsys: pytest.CaptureFixture[str]) -> None:
    one = Ran(capsys, "rehearse", "--seed", "5", *QUICK, "--format", "json")
    two = Ran(capsys, "rehearse", "--seed", "5", *QUICK, "--format", "json")
    assert one.out == two.out


def test_a_rehearsal_is_kept_when_asked_and_marked_as_one(
    capsys: pytest.CaptureFixture[str], store: Path
) -> None:
    ran = Ran(capsys, "rehearse", "--seed", "2", *QUICK, "--keep", "--format", "json")
    assert "Kept on record as session" in ran.err
    with Repository.open(store) as repository:
        (record,) = repository.sessions(rehearsals=True)
        assert repository.sessions() == []
    assert record.meta.rehearsal
    assert record.meta.finished_at is not None
    assert len(record.entries) > 10


def test_a_session_from_a_recording_is_the_same_session(
    capsys: pytest.CaptureFixture[str], store: Path, recording: Path
) -> None:
    rehearsed = Ran(capsys, "rehearse", "--seed", "9", *QUICK, "--format", "json").document
    ran = Ran(capsys, "session", *QUICK, "--recording", str(recording), "--format", "json")
    assert ran.code == 0
    document = ran.document
    assert document["schema"] == "pitchbench.session/1"
    assert (document["source"], document["session"]) == ("job.flac", None)
    assert document["finished"]
    for key in ("found_cents", "left_cents", "moves", "plucks", "outcome"):
        assert document["strings"][0][key] == pytest.approx(rehearsed["strings"][0][key], abs=0.01)
    assert document["moves"][0]["direction"] == "away_from_nut"
    assert not store.exists()


def test_a_session_broken_off_is_resumed_and_finished(
    capsys: pytest.CaptureFixture[str], store: Path, recording: Path, tmp_path: Path
) -> None:
    whole = Ran(capsys, "rehearse", "--seed", "9", *QUICK, "--format", "json")
    sound, rate_hz = soundfile.read(recording, dtype="float32")
    # Cut in the quiet before the note that starts last before the middle.
    with_room = rate_hz // 10
    quiet = next(
        at
        for at in range(len(sound) // 2, 0, -with_room)
        if abs(sound[at - with_room : at + with_room]).max() < 0.005
    )
    parts = (tmp_path / "first.wav", tmp_path / "second.wav")
    for part, samples in zip(parts, (sound[:quiet], sound[quiet:]), strict=True):
        soundfile.write(part, samples, rate_hz, subtype="FLOAT")

    first = Ran(
        capsys, *("session", *QUICK, "--keep", "--recording", str(parts[0]), "--format", "json")
    )
    assert not first.document["finished"]
    second = Ran(
        capsys, *("session", "--resume", "--keep", "--recording", str(parts[1]), "--format", "json")
    )
    assert second.document["finished"]
    assert second.document["session"] == first.document["session"]
    one, two = whole.document["strings"][0], second.document["strings"][0]
    # The rehearsal's own readings are of the same plucks, cut differently at most in their silence.
    assert two["left_cents"] == pytest.approx(one["left_cents"], abs=0.05)
    assert (two["moves"], two["outcome"]) == (one["moves"], one["outcome"])
    with Repository.open(store) as repository:
        (record,) = repository.sessions()
    assert record.meta.finished_at is not None
    assert sum(isinstance(e, MoveEntry) for e in record.entries) == one["moves"]
    assert record.log.string.outcome is not None
    again = Ran(capsys, "session", "--resume", "--recording", str(parts[1]))
    assert again.code == 5
    assert "no session to go on with" in again.err


def test_an_instrument_on_record_brings_its_own_tolerance(
    capsys: pytest.CaptureFixture[str], store: Path, recording: Path, tmp_path: Path
) -> None:
    sound, rate_hz = soundfile.read(recording, dtype="float32", frames=5 * 48_000)
    soundfile.write(tmp_path / "short.wav", sound, rate_hz)
    add = Ran(
        capsys, "instrument", "add", "Test guitar", "--like", "six-string", "--tolerance", "4"
    )
    assert add.code == 0
    ran = Ran(
        capsys,
        *("session", "--instrument", "test guitar", "--strings", "6", "--keep"),
        *("--recording", str(tmp_path / "short.wav"), "--format", "json"),
    )
    assert ran.document["tolerance_cents"] == 4.0
    assert ran.document["instrument"] == "Test guitar"


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("rehearse", "--strings", "9"), 2, "no string 9"),
        (("rehearse", "--strings", "6,6"), 2, "--strings '6,6' makes no sense"),
        (("rehearse", "--strings", "E2"), 2, "--strings 'E2' makes no sense"),
        (("rehearse", "--strings", ""), 2, "--strings '' makes no sense"),
        (("rehearse", "--scale", "-3"), 2, "--scale '-3' makes no sense"),
        (("rehearse", "--fret", "0"), 2, "--fret"),
        (("rehearse", "--preset", "nylon", "--fret", "22"), 2, "no fret 22"),
        (("rehearse", "--preset", "lute"), 2, "no built-in instrument"),
        (("rehearse", "--tuning", "H9"), 2, "'H9' is not a note"),
        (("rehearse", "--a4", "4400"), 2, "--a4"),
        (("rehearse", "--tolerance", "nan"), 2, "--tolerance"),
        (("rehearse", "--speed", "0"), 2, "--speed"),
        (("rehearse", "--bridge", "rubber"), 2, "--bridge"),
        (("rehearse", "--record", "/nowhere/a.flac"), 5, "cannot be written"),
        (("rehearse", "--record", "a.mp3"), 2, "ends in nothing that sound is kept in"),
        (("session", "--recording", "/nowhere/a.wav"), 2, "There is no file"),
        (("session", "--preset", "nylon", "--instrument", "x"), 2, "Give one of them"),
        (("session", "--instrument", "x"), 5, "'x'"),
        (("session", "--resume", "no-such"), 5, "no session 'no-such'"),
        (("session", "--rate", "7"), 2, "--rate"),
    ],
)
def test_bad_input_is_two_sentences_and_an_exit_code(
    capsys: pytest.CaptureFixture[str],
    store: Path,
    arguments: tuple[str, ...],
    code: int,
    words: str,
) -> None:
    ran = Ran(capsys, *arguments)
    assert ran.code == code
    assert words in ran.err
    assert "Traceback" not in ran.err
    assert ran.out == ""


@pytest.mark.parametrize("command", ["rehearse", "session"])
def test_help_opens_with_examples(capsys: pytest.CaptureFixture[str], command: str) -> None:
    ran = Ran(capsys, command, "--help")
    assert ran.out.startswith(f"Examples:\n  pitchbench {command}")


def test_a_rehearsal_that_does_not_finish_says_so(
    capsys: pytest.CaptureFixture[str], store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The player gives up after three plucks."""
    monkeypatch.setattr(rehearsal, "_PATIENCE", 3)
    ran = Ran(capsys, "rehearse", "--seed", "2", *QUICK, "--format", "json")
    assert ran.code == 6
    assert "The rehearsal did not finish: the player gave up at string 6." in ran.err
    assert ran.document["finished"] is False, "what there is of it is told all the same"


@pytest.mark.timeout(300)
def test_a_rehearsal_that_once_went_on_for_ever_finishes(
    capsys: pytest.CaptureFixture[str], store: Path
) -> None:
    ran = Ran(capsys, "rehearse", "--seed", "139", "--strings", "2,1", "--format", "json")
    assert ran.code == 0
    assert ran.document["finished"] is True
    assert {string["outcome"] for string in ran.document["strings"]} <= {"leave", "border"}


def test_a_player_is_known_on_any_instrument(
    capsys: pytest.CaptureFixture[str], store: Path, recording: Path
) -> None:
    heard = ("session", "--recording", str(recording), "--keep", *QUICK)
    first = Ran(capsys, *heard, "--player", " Anna ")
    other = Ran(capsys, *heard, "--player", "Ben")
    again = Ran(capsys, *heard, "--player", "Anna")
    nobody = Ran(capsys, *heard)
    assert [ran.code for ran in (first, other, again, nobody)] == [0, 0, 0, 0]
    with Repository.open(store) as repository:
        records = repository.sessions()
        assert [record.meta.player for record in records] == ["Anna", "Ben", "Anna", None]
        learned = [record.setup.person != ANYBODY for record in records]
        assert learned == [False, False, True, False]
        played = repository.sessions_played_by("Anna", last=1)
        assert [record.meta.id for record in played] == [records[2].meta.id]


def test_who_goes_on_with_a_session_is_who_began_it(
    capsys: pytest.CaptureFixture[str], store: Path
) -> None:
    ran = Ran(capsys, "session", "--resume", "--player", "Anna")
    assert ran.code == 2
    assert "--player and --resume were both given." in ran.err


@pytest.mark.parametrize("command", ["session", "stretch"])
def test_a_recording_in_which_nothing_was_plucked_ends_with_its_own_code(
    command: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    silent = tmp_path / "silent.wav"
    soundfile.write(silent, np.zeros(96_000), 48_000)
    with pytest.raises(SystemExit) as ended:
        main([command, "--recording", str(silent), "--strings", "5", "--plain"])
    assert ended.value.code == ExitCode.NO_READING
    assert "No pluck was heard." in capsys.readouterr().err


@pytest.mark.parametrize("command", ["session", "stretch"])
def test_a_recording_that_damage_cuts_short_says_so(
    command: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    cut = tmp_path / "cut.flac"
    soundfile.write(cut, np.random.default_rng(1).normal(0.0, 1e-4, 480_000), 48_000)
    cut.write_bytes(cut.read_bytes()[: cut.stat().st_size // 2])
    with pytest.raises(SystemExit):
        main([command, "--recording", str(cut), "--strings", "5", "--plain"])
    assert "cut.flac is damaged: only its first" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["session", "stretch"])
def test_a_recording_of_another_instrument_ends_with_the_same_code(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A bass where a guitar is expected: all is shown as ever, and a script can tell."""
    ran = Ran(capsys, command, "--recording", "samples/b0-bass.flac", "--format", "json")
    assert ran.code == ExitCode.NO_READING
    assert "Nothing that was heard is a note of the instrument." in ran.err
    assert not ran.document["finished"]


def test_a_recording_of_a_string_that_is_out_of_tune_says_why_nothing_was_measured(
    capsys: pytest.CaptureFixture[str],
) -> None:
    heard = ("--recording", "samples/a2-open-and-12th-sharp.flac", "--strings", "5")
    ran = Ran(capsys, "session", *heard, "--format", "json")
    assert ran.code == ExitCode.NO_READING
    causes = "not in tune yet, the 12th fret instead of the open string"
    assert f"pitchbench: No pluck counts: {causes}.\n" in ran.err


def test_a_capo_that_is_on_may_be_said_again(
    capsys: pytest.CaptureFixture[str], store: Path
) -> None:
    begun = ("--preset", "six-string", "--capo", "2:1-5", "--tuning", "D2 A2 D3 G3 B3 E4")
    heard = ("--recording", "samples/d3-open-and-12th-good.flac")
    Ran(capsys, "session", *begun, *heard, "--keep")
    again = ("session", "--resume", *heard, "--no-keep")
    assert "otherwise" not in Ran(capsys, *again, *begun).err
    assert "began otherwise than --capo says" in Ran(capsys, *again, "--capo", "2").err


def test_an_instrument_that_was_renamed_as_well_has_other_screws_all_the_same(
    capsys: pytest.CaptureFixture[str], store: Path, recording: Path
) -> None:
    six = replace(preset("six-string"), name="Six")
    with Repository.open(store) as repository:
        repository.add_instrument(six)
        session = repository.begin_session(Setup(six, strings=(6,)), at=datetime.now(UTC))
        repository.let_go(session)
    screws = ("--screw-pitch", "1.0", "--screw-heads", "neck")
    assert Ran(capsys, "instrument", "edit", "Six", "--rename", "Seven", *screws).code == 0
    # Another one has its name by now, as the session knows it.
    assert Ran(capsys, "instrument", "add", "Six", "--like", "six-string").code == 0
    ran = Ran(capsys, "session", "--resume", "--recording", str(recording))
    assert ran.code == 5
    assert "Seven was changed on record" in ran.err
    assert "its screws are said to be otherwise" in ran.err
