"""A full disk, a folder that may not be written: a sentence, exit code 5, nothing corrupted."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
import soundfile
import stores

from pitchbench.errors import PitchbenchError
from pitchbench.records.documents import to_json
from pitchbench.records.repository import Repository
from pitchbench.session.log import Entry

SAMPLES = Path(__file__).parents[2] / "samples"
WRITER = Path(__file__).with_name("store_writer.py")
PITCHBENCH = [sys.executable, "-c", "from pitchbench.commands import main; main()"]

#: Root may write anywhere; without these two rights of its it is held to the permissions.
HELD_TO_PERMISSIONS = (
    ["setpriv", "--bounding-set=-dac_override,-dac_read_search", "--inh-caps=-all"]
    if os.geteuid() == 0
    else []
)


def check_refusal(done: subprocess.CompletedProcess[str]) -> None:
    assert done.returncode == 5, done.stderr
    assert "Traceback" not in done.stderr
    what, remedy = done.stderr.splitlines()
    assert what.endswith(".")
    assert remedy.endswith(".")


def check_whole(place: Path, shown: list[str]) -> None:
    """Everything that was shown is in the store at ``place``, and the file is sound."""
    with sqlite3.connect(place) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    connection.close()
    session_id, numbers = shown[0].removeprefix("session "), shown[1:]
    with Repository.open(place) as repository:
        entries = repository.session(session_id).entries
        log = stores.a_log()
        expected = tuple(log[i % len(log)] for i in range(len(numbers)))
        assert to_json(entries, tuple[Entry, ...]) == to_json(expected, tuple[Entry, ...])
        repository.append(session_id, log[0])  # and it can go on once there is room


def test_a_file_that_may_not_grow_any_more(tmp_path):
    place = tmp_path / "records.sqlite"
    limited = ["prlimit", "--fsize=400000", sys.executable, WRITER, place, "10000"]
    done = subprocess.run(limited, capture_output=True, text=True, check=False)
    check_refusal(done)
    shown = done.stdout.splitlines()
    assert len(shown) > 10
    check_whole(place, shown)


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 600 kB; only root may mount one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", folder]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("mounting a small disk needs root")
    yield folder
    subprocess.run(["umount", folder], check=True)


def test_a_full_disk(small_disk, tmp_path):
    place = small_disk / "records.sqlite"
    writer = [sys.executable, WRITER, place, "10000"]
    done = subprocess.run(writer, capture_output=True, text=True, check=False)
    check_refusal(done)
    assert "full" in done.stderr
    shown = done.stdout.splitlines()
    assert len(shown) > 10
    # Reading works even now, and so does a command that reads.
    command = [*PITCHBENCH, "history", "--store", str(place)]
    assert subprocess.run(command, capture_output=True, check=False).returncode == 0
    roomier = tmp_path / "roomier"
    roomier.mkdir()
    for file in small_disk.iterdir():
        shutil.copy(file, roomier)
    check_whole(roomier / "records.sqlite", shown)


def test_a_backup_for_which_there_is_no_room(small_disk, tmp_path):
    place, backup = tmp_path / "records.sqlite", small_disk / "backup.sqlite"
    subprocess.run([sys.executable, WRITER, place, "2000"], capture_output=True, check=True)
    command = [*PITCHBENCH, "records", "backup", str(backup), "--store", str(place)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    check_refusal(done)
    assert f"The records cannot be copied to {str(backup)!r}: " in done.stderr
    assert "records check" not in done.stderr
    assert list(small_disk.iterdir()) == []


def filled(disk: Path) -> Path:
    """A file that takes what room there is."""
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(bytes(1024))
    return filler


@pytest.mark.parametrize("name", ["chord.wav", "chord.flac"])
def test_a_chord_for_which_there_is_no_room(small_disk, name):
    """What is there stays, nothing else is left, and the result was shown before."""
    neck = ["neck", *sorted(SAMPLES.glob("g3-neck-*.flac")), "--string", "G3", "--preset"]
    command = [*PITCHBENCH, *neck, "six-string", "--chord", "xxx0xx", "--hear", small_disk / name]
    (small_disk / name).write_text("dear to somebody")
    filler = filled(small_disk)
    done = subprocess.run([*command, "--force"], capture_output=True, text=True, check=False)
    assert (done.returncode, "chord xxx0xx" in done.stdout) == (5, True), done
    assert f"{str(small_disk / name)!r} cannot be written: No space left on device." in done.stderr
    assert (small_disk / name).read_text() == "dear to somebody"
    assert {*small_disk.iterdir()} == {filler, small_disk / name}


@pytest.mark.parametrize("name", ["sound.wav", "sound.flac"])
@pytest.mark.parametrize("room", [0, 100_000])
def test_sound_for_which_there_is_no_room(small_disk, name, room):
    """It is kept as far as it came, and what is heard goes on without it, which is said at once and
    in the end; where it comes nowhere, no file is left."""
    sound = small_disk / name
    filler = filled(small_disk)
    os.truncate(filler, filler.stat().st_size - room)
    command = [*PITCHBENCH, "session", "--recording", SAMPLES / "a2-open-and-12th-sharp.flac"]
    command += ["--strings", "5", "--preset", "six-string", "--no-keep", "--record", sound]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    check_refusal(done)
    assert f"{str(sound)!r} cannot be written: No space left on device." in done.stderr
    assert ("The recording holds what came before." in done.stderr) == (room > 0)
    assert {*small_disk.iterdir()} == ({filler, sound} if room else {filler})
    heard = done.stdout.splitlines()
    said = f"sound: Kept no further: The recording {str(sound)!r} cannot be written: No space left"
    if room or name.endswith(".flac"):  # of which nothing is written before there is sound
        (at,) = (place for place, line in enumerate(heard) if line.startswith(said))
        del heard[at]
        whole = subprocess.run(command[:-2], capture_output=True, text=True, check=False)
        assert whole.returncode == 3, "its open string is out of tune throughout"
        assert heard == whole.stdout.splitlines()
    if room:
        assert len(soundfile.SoundFile(sound).read(4800)) == 4800


def a_session_on_record(place: Path) -> None:
    with Repository.open(place) as repository:
        repository.add_instrument(stores.an_instrument())
        session_id = repository.begin_session(stores.a_setup(), at=stores.NOON)
        for entry in stores.a_log(frames=3):
            repository.append(session_id, entry)


def remounted(disk: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", disk], check=True)


def with_store(place: Path, *words: str | Path) -> subprocess.CompletedProcess[str]:
    command = [*PITCHBENCH, *words, "--store", place]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("how", ["full", "write-protected"])
@pytest.mark.parametrize("kind", ["store", "backup"])
def test_records_can_be_read_where_nothing_can_be_written(small_disk, tmp_path, how, kind):
    """They can be looked at, checked and brought elsewhere; what would write is refused."""
    place, export = tmp_path / "records.sqlite", tmp_path / "export.json"
    a_session_on_record(place)
    if kind == "backup":
        assert with_store(place, "records", "backup", small_disk / place.name).returncode == 0
    else:
        shutil.copy(place, small_disk)
    place = small_disk / place.name
    before = place.read_bytes()
    if how == "full":
        filled(small_disk)
    else:
        remounted(small_disk, "ro")
    for words in (
        *(["history"], ["today"], ["instrument", "list"], ["sheet", "last"], ["records", "check"]),
        ["export", "--out", export],
        ["records", "backup", tmp_path / "backup.sqlite"],
    ):
        done = with_store(place, *words)
        assert done.returncode == 0, done
    assert "Bench guitar" in export.read_text()
    refused = with_store(place, "instrument", "add", "X")
    check_refusal(refused)
    assert "the disk is full or write-protected" in refused.stderr
    assert place.read_bytes() == before


def test_records_that_were_opened_on_a_full_disk_are_written_once_there_is_room(small_disk):
    place = small_disk / "records.sqlite"
    with Repository.open(place) as repository:
        repository.add_instrument(stores.an_instrument())
    filler = filled(small_disk)
    with Repository.open(place) as repository:
        with pytest.raises(PitchbenchError, match="full"):
            repository.remove_instrument("Bench guitar")
        assert repository.has_instrument("Bench guitar")
        filler.unlink()
        repository.remove_instrument("Bench guitar")
        assert not repository.has_instrument("Bench guitar")


@pytest.mark.parametrize(
    "words",
    [
        ("session", "--recording", SAMPLES / "a2-open-and-12th-sharp.flac", "--strings", "5"),
        ("stretch", "--recording", SAMPLES / "a2-open-and-12th-sharp.flac", "--strings", "5"),
        ("rehearse", "--seed", "11", "--strings", "3"),
    ],
    ids=lambda words: words[0],
)
def test_a_store_that_gets_full_ends_nothing_and_hides_no_result(
    small_disk, tmp_path, monkeypatch, words
):
    """What does not go on record any more is heard to its end, shown, and in a file."""
    monkeypatch.chdir(tmp_path)
    place, elsewhere = small_disk / "records.sqlite", tmp_path / "elsewhere.sqlite"
    with Repository.open(place):
        filler = filled(small_disk)
        os.truncate(filler, filler.stat().st_size - 80_000)
    done = with_store(place, *words, "--keep", "--format", "json")
    assert done.returncode == 5, done
    assert "\nrecords: Not on record yet, tried again every second: " in done.stderr
    assert "Kept on record" not in done.stderr
    assert json.loads(done.stdout)["strings"][0]["string"] == int(words[-1])
    (file,) = tmp_path.glob("pitchbench-session-*.json")
    assert done.stderr.splitlines()[-1].startswith(f"The whole session is in {str(file)!r}: ")
    assert with_store(elsewhere, "import", file).returncode == 0
    with Repository.open(elsewhere) as repository:
        (session_id,) = repository.session_ids()
        assert len(repository.session(session_id).entries) > 5


def test_a_sound_store_is_not_called_damaged_where_it_cannot_be_looked_into(small_disk, tmp_path):
    """What was kept last is in the log, which cannot be read there; without it the store would seem
    whole, and to bring a backup back would lose what is newer."""
    place = tmp_path / "records.sqlite"
    with Repository.open(place) as repository:  # in the end the log is written into the file
        repository.add_instrument(stores.an_instrument())
        for end in ("", "-wal"):
            shutil.copy(f"{place}{end}", small_disk)
    assert Path(small_disk, "records.sqlite-wal").stat().st_size > 0
    remounted(small_disk, "ro")
    done = with_store(small_disk / place.name, "records", "check")
    check_refusal(done)
    assert "cannot be used" in done.stderr
    assert "whole" not in done.stdout + done.stderr
    assert "restore" not in done.stderr


def test_a_folder_that_may_not_be_written(tmp_path):
    folder = tmp_path / "folder"
    folder.mkdir()
    folder.chmod(0o555)
    for store in (folder / "records.sqlite", folder / "deeper" / "records.sqlite"):
        command = [*HELD_TO_PERMISSIONS, *PITCHBENCH, "instrument", "add", "X", "--store", store]
        check_refusal(subprocess.run(command, capture_output=True, text=True, check=False))
    assert list(folder.iterdir()) == []


def test_a_store_that_may_only_be_read(tmp_path):
    place = tmp_path / "records.sqlite"
    with Repository.open(place) as repository:
        repository.add_instrument(stores.an_instrument())
    place.chmod(0o444)
    tmp_path.chmod(0o555)
    before = place.read_bytes()
    command = [*HELD_TO_PERMISSIONS, *PITCHBENCH, "instrument", "add", "X", "--store", place]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    tmp_path.chmod(0o755)
    check_refusal(done)
    assert "nothing can be written there, the disk is full or write-protected" in done.stderr
    assert place.read_bytes() == before


def test_a_folder_in_the_place_of_the_store(tmp_path):
    command = [*PITCHBENCH, "instrument", "list", "--store", tmp_path]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    check_refusal(done)
    assert "is a folder, not a file of records" in done.stderr


def test_a_sheet_that_cannot_be_written(tmp_path):
    place = tmp_path / "records.sqlite"
    with Repository.open(place) as repository:
        repository.begin_session(stores.a_setup(), at=stores.NOON)
    out = tmp_path / "missing" / "sheet.csv"
    command = [*PITCHBENCH, "sheet", "last", "--out", out, "--store", place]
    check_refusal(subprocess.run(command, capture_output=True, text=True, check=False))
