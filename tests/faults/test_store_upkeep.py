"""Looking after a store, on a file and on a server: what is wrong with it is named, what can be
read is saved, and a backup taken while sessions run is brought back."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
import stores
from click.testing import CliRunner, Result
from documents import parsed
from stores import NOON, read_export

from pitchbench.commands import cli
from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.records.check import check
from pitchbench.records.files import whole_file
from pitchbench.records.repository import Repository
from pitchbench.report.export import export_json

FROZEN = Path(__file__).parents[1] / "unit" / "data" / "store-form-1.sqlite"
WRITER = Path(__file__).with_name("store_writer.py")


def run(*words: str) -> Result:
    result = CliRunner().invoke(cli, list(words))
    if isinstance(result.exception, PitchbenchError):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result


def fill(place: str, sessions: int = 3) -> list[str]:
    """An instrument that was changed and another that was removed; the ids of the sessions."""
    guitar = stores.an_instrument("Bass")
    ids = []
    with Repository.open(place) as repository:
        repository.add_instrument(stores.an_instrument("Gone"), at=NOON)
        repository.begin_session(stores.a_setup(stores.an_instrument("Gone")), at=NOON)
        repository.remove_instrument("Gone", at=NOON)
        repository.add_instrument(stores.an_instrument("Bass", action_mm=1.0), at=NOON)
        repository.change_instrument("Bass", guitar, at=NOON)
        for day in range(sessions):
            ids.append(repository.begin_session(stores.a_setup(guitar), at=NOON + timedelta(day)))
            for entry in stores.a_log(frames=400)[:9]:
                repository.append(ids[-1], entry)
    return ids


def everything(place: str) -> str:
    with Repository.open(place) as repository:
        instruments = [line.record for line in repository.instruments()]
        text = "".join(export_json(instruments, map(repository.session, repository.session_ids())))
        return text + repr(repository.removed_instruments())


def finding(place: str, *words: str) -> list[str]:
    """What a check finds, which ends it with 5 and is said in its document too."""
    words = ("records", "check", "--store", place, *words)
    done = CliRunner().invoke(cli, [*words, "--format", "json"])
    document = json.loads(done.stdout[: done.stdout.rindex("}") + 1])
    assert parsed(json.dumps(document))["whole"] is (not document["findings"])
    if document["findings"]:
        assert isinstance(done.exception, PitchbenchError)
        assert done.exception.exit_code == ExitCode.RECORDS
    found: list[str] = document["findings"]
    return found


def test_a_store_without_faults_is_called_whole(store_place: str) -> None:
    fill(store_place)
    assert finding(store_place) == []
    said = run("records", "check", "--store", store_place).stdout
    assert "read: 1 instrument, 3 sessions, 27 entries" in said
    assert said.endswith("whole: yes\n")


@pytest.mark.parametrize(
    ("damage", "named"),
    [
        ("UPDATE instruments SET document = '{}'", "instrument 'Bass' cannot be read"),
        ("UPDATE instruments SET earlier = 'x'", "what instrument 'Bass' was earlier"),
        ("UPDATE sessions SET setup = '[1]'", "cannot be read"),
        ('UPDATE entries SET document = \'{"kind": "gossip"}\' WHERE sequence = 3', "entry 3"),
        (
            "UPDATE entries SET document = replace(document, '\"u_cents\":0.08', '\"u_cents\":NaN')"
            " WHERE sequence = 4",
            "entry 4 cannot be read: NaN is no number",
        ),
        ("DELETE FROM entries WHERE sequence = 2", "entry 2 is missing"),
        ("UPDATE traces SET frames = substr(frames, 1, 9)", "frames of a take"),
        ("UPDATE removed SET sessions = substr(sessions, 1, 9)", "removed instrument 'Gone'"),
    ],
)
def test_what_is_wrong_is_named(store_place: str, damage: str, named: str) -> None:
    fill(store_place)
    with Repository.open(store_place) as repository, repository._engine.begin() as connection:
        connection.exec_driver_sql(damage)
    assert any(named in each for each in finding(store_place))


def test_rows_that_belong_to_nothing_are_named(tmp_path: Path) -> None:
    place = tmp_path / "store.sqlite"
    fill(str(place))
    with closing(sqlite3.connect(place, isolation_level=None)) as connection:
        connection.execute("DELETE FROM sessions WHERE id LIKE '20260315%'")  # keys not looked at
    assert finding(str(place)) == [
        "9 rows of entries belong to nothing that is there",
        "4 rows of traces belong to nothing that is there",
    ]


@pytest.mark.parametrize(
    ("change", "form", "named"),
    [
        ("UPDATE schema_version SET version = 99", 99, "form 99, of a newer pitchbench"),
        ("DELETE FROM schema_version", None, "does not say of what form it is"),
        ("UPDATE schema_version SET version = 0", None, "does not say of what form it is"),
    ],
)
def test_what_was_not_looked_at_is_not_called_whole(
    store_place: str, change: str, form: int | None, named: str
) -> None:
    fill(store_place)
    with Repository.open(store_place) as repository, repository._engine.begin() as connection:
        connection.exec_driver_sql(change)
    (said,) = finding(store_place)
    assert named in said
    assert "nothing in it was looked at" in said
    found = check(store_place)
    assert (found.form, found.entries) == (form, 0)


@pytest.mark.parametrize("where", [0.25, 0.5, 0.8])
def test_a_damaged_file_is_named_left_alone_and_saved_as_far_as_it_goes(
    tmp_path: Path, where: float
) -> None:
    place, saved = tmp_path / "store.sqlite", tmp_path / "saved.json"
    ids = fill(str(place), sessions=12)
    content = bytearray(place.read_bytes())
    page = round(where * len(content) / 4096) * 4096
    content[page : page + 3 * 4096] = b"\xa5" * (3 * 4096)
    place.write_bytes(content)
    before = hashlib.sha256(place.read_bytes()).digest()
    assert any("damaged" in each for each in finding(str(place), "--save", str(saved)))
    assert hashlib.sha256(place.read_bytes()).digest() == before
    rescued = read_export(saved.read_text())
    assert [each.instrument.name for each in rescued.instruments] == ["Bass"]
    # Three pages of some eighty hold a session or two; all others are whole.
    whole = [each.meta.id for each in rescued.sessions if len(each.entries) == 9]
    assert len(whole) >= 9
    assert set(whole) <= set(ids)
    fresh = str(tmp_path / "fresh.sqlite")
    run("import", str(saved), "--store", fresh)
    assert finding(fresh) == []


def test_a_file_that_is_no_store_is_said(tmp_path: Path) -> None:
    place = tmp_path / "letter.txt"
    place.write_text("Dear customer, " * 500)
    assert "no store" in finding(str(place))[-1]
    assert place.read_text() == "Dear customer, " * 500
    with pytest.raises(PitchbenchError, match="There are no records"):
        run("records", "check", "--store", str(tmp_path / "none.sqlite"))
    assert not (tmp_path / "none.sqlite").exists()


def test_a_backup_is_a_store_and_comes_back_into_either_kind(
    store_place: str, tmp_path: Path
) -> None:
    backup = tmp_path / "backup.sqlite"
    fill(store_place)
    before = everything(store_place)
    run("records", "backup", str(backup), "--store", store_place)
    assert sorted(path.suffix for path in tmp_path.glob("backup*")) == [".sqlite"]
    held = hashlib.sha256(backup.read_bytes()).digest()
    run("instrument", "remove", "Bass", "--with-sessions", "--store", store_place)
    assert everything(store_place) != before
    with pytest.raises(PitchbenchError, match="would replace"):
        run("records", "restore", str(backup), "--store", store_place)
    other = str(tmp_path / "other.sqlite")
    for words in (["--store", other], ["--store", store_place, "--force"]):
        run("records", "restore", str(backup), *words)
        assert everything(words[1]) == before
        assert finding(words[1]) == []
    assert hashlib.sha256(backup.read_bytes()).digest() == held
    assert everything(str(backup)) == before


def test_a_store_in_use_comes_back_with_its_last_session(tmp_path: Path) -> None:
    """What a bench that has it open wrote last lies in the log beside the file alone."""
    used, place = tmp_path / "used.sqlite", str(tmp_path / "store.sqlite")
    ids = fill(str(used))
    with Repository.open(used) as repository:
        repository.instruments()  # its connection stays open
        last = repository.begin_session(stores.a_setup(), at=NOON + timedelta(9))
        assert used.with_name("used.sqlite-wal").stat().st_size > 0
        run("records", "restore", str(used), "--store", place)
        assert repository.session_ids() == [*ids, last]
    with Repository.open(place) as restored:
        assert restored.session_ids() == [*ids, last]


def test_a_damaged_backup_replaces_nothing(tmp_path: Path) -> None:
    place, backup = str(tmp_path / "store.sqlite"), tmp_path / "backup.sqlite"
    fill(place)
    run("records", "backup", str(backup), "--store", place)
    content = bytearray(backup.read_bytes())
    content[-8192:] = b"\xa5" * 8192
    backup.write_bytes(content)
    before = everything(place)
    with pytest.raises(PitchbenchError, match="cannot be brought back"):
        run("records", "restore", str(backup), "--store", place, "--force")
    assert everything(place) == before


def test_a_backup_is_refused_whatever_its_damage_is_called(tmp_path: Path) -> None:
    """What people call their instruments is no word of ours."""
    place, backup = str(tmp_path / "store.sqlite"), str(tmp_path / "backup.sqlite")
    fill(place)
    run("records", "backup", backup, "--store", place)
    with closing(sqlite3.connect(backup, isolation_level=None)) as connection:
        connection.execute("UPDATE instruments SET name = 'migrated bass', document = '{}'")
    before = everything(place)
    with pytest.raises(PitchbenchError, match="instrument 'migrated bass' cannot be read"):
        run("records", "restore", backup, "--store", place, "--force")
    assert everything(place) == before


@pytest.mark.parametrize("damaged", [False, True])
def test_an_older_backup_comes_back_if_it_is_whole(tmp_path: Path, damaged: bool) -> None:
    place, backup = str(tmp_path / "store.sqlite"), tmp_path / "backup.sqlite"
    shutil.copyfile(FROZEN, backup)
    (said,) = finding(str(backup))
    assert "form 1: open it once with any command to migrate it" in said
    if damaged:
        with closing(sqlite3.connect(backup, isolation_level=None)) as connection:
            connection.execute("UPDATE instruments SET document = '{}'")
        with pytest.raises(PitchbenchError, match="instrument 'Frozen guitar' cannot be read"):
            run("records", "restore", str(backup), "--store", place)
    else:
        run("records", "restore", str(backup), "--store", place)
    with Repository.open(place) as repository:
        names = [line.instrument.name for line in repository.instruments()]
        assert names == ([] if damaged else ["Frozen guitar"])


def test_a_backup_while_a_session_runs_is_whole(store_place: str, tmp_path: Path) -> None:
    """Entries go in as fast as they can meanwhile: the backup holds a log without holes, as long as
    it was at some moment."""
    fill(store_place)
    words = [sys.executable, WRITER, store_place, "100000"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        session_id = writer.stdout.readline().split()[1]
        try:
            counts = []
            for number in range(4):
                shown = int(writer.stdout.readline())
                backup = str(tmp_path / f"backup-{number}.sqlite")
                run("records", "backup", backup, "--store", store_place)
                assert finding(backup) == []
                with Repository.open(backup) as repository:
                    counts.append(len(repository.session(session_id).entries))
                assert counts[-1] >= shown
        finally:
            writer.kill()
    assert counts[-1] > counts[0]


def test_what_a_killed_copy_left_is_cleared_with_its_journal(tmp_path: Path) -> None:
    """SQLite keeps a journal beside a copy for a moment; a program killed then leaves both, or the
    journal alone, which a kill at random showed once in some hundred."""
    left = [".pitchbench-1.part", ".pitchbench-1.part-journal", ".pitchbench-2.part-journal"]
    for name in (*left, "precious.part-journal"):
        (tmp_path / name).write_bytes(b"half")
    with whole_file(tmp_path / "copy", force=False) as file:
        file.write(b"whole")
    assert {path.name for path in tmp_path.iterdir()} == {"copy", "precious.part-journal"}


@pytest.mark.parametrize(
    ("damage", "commands"),
    [
        ("UPDATE instruments SET document = substr(document, 1, 200)",
         ["instrument list", "instrument show Bass", "export", "today"]),
        ("UPDATE sessions SET setup = '{}'", ["history Bass", "sheet last", "export"]),
        ("UPDATE entries SET document = '[]'", ["history Bass", "sheet last"]),
        ("UPDATE traces SET frames = x'00'", ["export"]),
    ],
)  # fmt: skip
def test_a_damaged_document_is_told_in_two_sentences(
    tmp_path: Path, damage: str, commands: list[str]
) -> None:
    place = str(tmp_path / "records.sqlite")
    fill(place)
    with closing(sqlite3.connect(place)) as connection, connection:
        connection.execute(damage)
    for command in commands:
        with pytest.raises(PitchbenchError, match="Something on record is damaged") as error:
            run(*command.split(), "--store", place)
        assert error.value.exit_code == ExitCode.RECORDS
        assert "records check" in error.value.remedy


def test_half_a_file_is_not_called_safe(tmp_path: Path) -> None:
    place = tmp_path / "records.sqlite"
    fill(str(place))
    place.write_bytes(place.read_bytes()[: place.stat().st_size // 2])
    with pytest.raises(PitchbenchError) as error:
        run("instrument", "list", "--store", str(place))
    assert "records check --save" in error.value.remedy
    assert "safe" not in error.value.remedy


def test_a_store_that_cannot_be_reached_is_not_called_damaged(tmp_path: Path) -> None:
    """What the database itself says while frames are read keeps its own words."""
    place = str(tmp_path / "records.sqlite")
    (session_id, *_) = fill(place)
    with closing(sqlite3.connect(place)) as connection, connection:
        connection.execute("DROP TABLE traces")
    with Repository.open(place) as repository, pytest.raises(PitchbenchError) as error:
        repository.session(session_id)
    assert "no such table" in error.value.what
    assert "damaged" not in error.value.what


@pytest.mark.parametrize("name", ["x" * 300, "~nobody-of-this-name/records.sqlite"])
def test_a_name_that_the_system_does_not_take_is_a_store_that_is_not_there(name: str) -> None:
    with pytest.raises(PitchbenchError, match="There are no records at"):
        run("today", "--store", name)
