"""`pitchbench stretch`: a recording of a string that is pulled, on record, and who shows that."""

from __future__ import annotations

import io
import re
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from documents import parsed
from recordings import Ran

from pitchbench.errors import ExitCode
from pitchbench.presets import preset
from pitchbench.records.model import SessionKind
from pitchbench.records.repository import Repository
from pitchbench.session.log import Step, StepEntry
from pitchbench.strings.virtual import VirtualInstrument

Capsys = pytest.CaptureFixture[str]

#: What each pull costs in the recording: half as much as the one before.
COSTS = (6.0, 3.0, 1.5)
NAME = "Pulled guitar"
OPTIONS = ("--strings", "6", "--tolerance", "2")


class YearsLater(date):
    """The calendar of a later day."""

    @classmethod
    def today(cls) -> YearsLater:
        return cls(2999, 1, 2)


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """String 6 plucked twice, pulled, plucked twice, and so on; the last pull costs 1.5 cents."""
    virtual = VirtualInstrument(preset("six-string"), seed=4, gives_cents=COSTS[0])
    quiet = np.zeros(round(0.7 * virtual.rate_hz), np.float32)
    sound: list[Any] = []
    for pull in range(len(COSTS) + 1):
        if pull:
            assert virtual.pull(6) == COSTS[pull - 1]
        for _ in range(2):
            sound += [quiet, virtual.pluck(6, 0, ring_s=2.0)]
    samples = np.concatenate([*sound, quiet])
    path = tmp_path_factory.mktemp("sound") / "pulled.flac"
    soundfile.write(path, samples + virtual.room(len(samples)), virtual.rate_hz)
    return path


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capsys) -> Path:
    """A store with one instrument, which the environment names."""
    path = tmp_path / "records.sqlite"
    monkeypatch.setenv("PITCHBENCH_STORE", str(path))
    assert Ran(capsys, "instrument", "add", NAME, "--like", "six-string").code == 0
    return path


def kept(capsys: Capsys, recording: Path, *options: str) -> Any:
    ran = Ran(
        capsys,
        *("stretch", "--instrument", NAME, *OPTIONS, "--recording", str(recording), "--keep"),
        *(*options, "--format", "json"),
    )
    assert ran.code == 0, ran.err
    return parsed(ran.out)


def test_it_says_what_each_pull_costs_and_when_a_string_is_stretched(
    capsys: Capsys, recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PITCHBENCH_STORE", str(tmp_path / "none.sqlite"))
    ran = Ran(capsys, "stretch", *OPTIONS, "--recording", str(recording), "--format", "json")
    assert ran.code == 0, ran.err
    document = parsed(ran.out)
    assert (document["schema"], document["finished"]) == ("pitchbench.stretch/1", True)
    (string,) = document["strings"]
    assert (string["string"], string["pulls"], string["plucks"]) == (6, 3, 8)
    low, high = string["per_pull_interval95_cents"]
    assert low < 1.5 < high
    assert high < 2.0
    assert string["lost_cents"] == pytest.approx(sum(COSTS), abs=0.3)
    assert string["stretched"] is True
    assert "caution: Pull gently" in ran.err
    assert ran.err.count("do: Pull string 6 gently") == 3
    assert not (tmp_path / "none.sqlite").exists(), "a recording is not put on record unasked"


def test_plain_lines_say_the_same(capsys: Capsys, recording: Path, store: Path) -> None:
    ran = Ran(capsys, "stretch", *OPTIONS, "--recording", str(recording), "--plain")
    last, mind = ran.out.splitlines()[-2:]
    assert re.match(
        r"string 6, E2: stretched: the last of 3 pulls cost 1\.\d ± \d\.\d cents;", last
    )
    assert "eye protection" in mind


def test_it_is_on_record_and_history_sheet_and_export_show_it(
    capsys: Capsys, recording: Path, store: Path, tmp_path: Path
) -> None:
    document = kept(capsys, recording)
    with Repository.open(store) as repository:
        (record,) = repository.sessions(NAME, kind=SessionKind.STRETCH)
        assert repository.sessions(NAME) == [], "it is no session that sets the intonation"
    assert record.meta.id == document["session"]
    assert record.meta.finished_at is not None
    pulls = [e for e in record.entries if isinstance(e, StepEntry) and e.step is Step.STRETCH]
    assert len(pulls) == 3
    listed = Ran(capsys, "history").out
    assert re.search(rf"^{record.meta.short_id}: .*stretching of strings$", listed, re.M)
    history = Ran(capsys, "history", NAME)
    assert re.search(r"^stretched \d{4}-\d\d-\d\d, string 6, E2: stretched: ", history.out, re.M)
    told = parsed(Ran(capsys, "history", NAME, "--format", "json").out)["stretched"]
    assert told["strings"] == document["strings"]
    export = tmp_path / "all.json"
    assert Ran(capsys, "export", "--out", str(export)).code == 0
    other = tmp_path / "other.sqlite"
    assert Ran(capsys, "import", str(export), "--store", str(other)).code == 0
    again = Ran(capsys, "history", NAME, "--store", str(other), "--format", "json")
    assert parsed(again.out)["stretched"] == told


def test_the_sheet_and_the_checks_of_a_later_session_know_it(
    capsys: Capsys, recording: Path, store: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    kept(capsys, recording)
    quiet = tmp_path / "quiet.wav"
    soundfile.write(quiet, np.zeros(48_000), 48_000)
    session = ("session", "--instrument", NAME, "--recording", str(quiet), "--keep")
    assert Ran(capsys, *session).code == ExitCode.NO_READING
    day = r"\d{4}-\d\d-\d\d"
    line = rf"^strings stretched: 1 of 6 on {day}$"
    assert re.search(line, Ran(capsys, "sheet", NAME).out, re.M)
    monkeypatch.setattr("sys.stdin", io.StringIO("q\n"))
    asked = Ran(capsys, *session, "--checks")
    assert "string set?" in asked.err
    assert "strings stretched?" not in asked.err
    sheet = Ran(capsys, "sheet", NAME).out
    assert re.search(rf"^strings stretched: before 1 of 6 on {day}$", sheet, re.M)
    assert len(re.findall("^strings stretched", sheet, re.M)) == 1
    # Other strings since: what was known of the old ones says nothing.
    monkeypatch.setattr("pitchbench.commands.instrument_options.date", YearsLater)
    assert Ran(capsys, "instrument", "edit", NAME, "--strings-fitted", "2999-01-01").code == 0
    Ran(capsys, *session)
    assert "strings stretched" not in Ran(capsys, "sheet", NAME).out


def test_one_broken_off_is_gone_on_with(
    capsys: Capsys, recording: Path, store: Path, tmp_path: Path
) -> None:
    sound, rate_hz = soundfile.read(recording, dtype="float32")
    # Four plucks of 2.7 s each, cut in the quiet after them.
    cut = round((4 * 2.7 + 0.35) * rate_hz)
    parts = (tmp_path / "first.wav", tmp_path / "second.wav")
    for part, samples in zip(parts, (sound[:cut], sound[cut:]), strict=True):
        soundfile.write(part, samples, rate_hz, subtype="FLOAT")
    first = kept(capsys, parts[0])
    assert not first["finished"]
    today = Ran(capsys, "today").out
    assert f"pitchbench stretch --resume {first['session'][:15]}" in today
    ran = Ran(
        capsys,
        *("stretch", "--resume", "--keep", "--recording", str(parts[1]), "--format", "json"),
    )
    second = parsed(ran.out)
    assert second["session"] == first["session"]
    assert second["finished"]
    assert second["strings"][0]["pulls"] == 3
    again = Ran(capsys, "stretch", "--resume", "--recording", str(parts[1]))
    assert again.code == 5
    assert "There is no stretching of strings to go on with." in again.err


@pytest.mark.parametrize("command", ["session", "stretch"])
def test_what_is_gone_on_with_is_as_it_began(command: str, capsys: Capsys, store: Path) -> None:
    begun = ("--instrument", NAME, *OPTIONS, "--scale", "650", "--a4", "442")
    heard = ("--recording", "samples/e2-soft-medium-hard.flac")
    # A session takes nothing from a string that is out of tune, as it is at this a'.
    code = ExitCode.NO_READING if command == "session" else ExitCode.DONE
    assert Ran(capsys, command, *begun, *heard, "--keep").code == code
    again = (command, "--resume", *heard, "--no-keep")
    for option, value in (
        ("--preset", "bass-four"),
        ("--tuning", "D2 G2 C3 F3 A3 D4"),
        ("--strings", "1"),
        ("--a4", "415"),
        ("--tolerance", "0.2"),
        ("--scale", "640"),
    ):
        ran = Ran(capsys, *again, option, value)
        assert (ran.code, ran.out) == (2, ""), option
        assert f" began otherwise than {option} says." in ran.err
    assert Ran(capsys, *again, "--instrument", "Nobody").code == 5
    assert Ran(capsys, *again, *begun, "--tuning", "E2 A2 D3 G3 B3 E4").code == code


def test_what_is_denied_is_named_as_it_was_typed(capsys: Capsys, store: Path) -> None:
    heard = ("--recording", "samples/e2-soft-medium-hard.flac", "--keep")
    assert Ran(capsys, "session", *heard, "--left-handed").code == 0
    again = Ran(capsys, "session", "--resume", *heard, "--right-handed")
    assert " began otherwise than --right-handed says." in again.err


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("--strings", "9"), 2, "no string 9"),
        (("--preset", "lute"), 2, "no built-in instrument"),
        (("--tolerance", "nan"), 2, "--tolerance"),
        (("--recording", "/nowhere/a.wav"), 2, "There is no file"),
        (("--recording", "a.wav", "--device", "2"), 2, "--device says nothing of a recording."),
        (("--resume", "no-such"), 5, "no stretching of strings 'no-such'"),
        (("--instrument", "x", "--preset", "nylon"), 2, "Give one of them"),
    ],
)
def test_bad_input_is_two_sentences_and_an_exit_code(
    capsys: Capsys, store: Path, arguments: tuple[str, ...], code: int, words: str
) -> None:
    ran = Ran(capsys, "stretch", *arguments)
    assert (ran.code, ran.out) == (code, "")
    assert words in ran.err
    assert "Traceback" not in ran.err
