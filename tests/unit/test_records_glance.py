"""What the first page says of the records is what the store says, at once and whatever happens."""

from __future__ import annotations

import sqlite3
import stat
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from recordings import Ran

from pitchbench.instrument import Instrument
from pitchbench.presets import preset
from pitchbench.records.glance import Glance, LastSession, glance
from pitchbench.records.model import SessionKind
from pitchbench.records.places import SCHEMA_VERSION, STORE_VARIABLE
from pitchbench.records.repository import Repository
from pitchbench.session.log import Setup

FIRST = datetime(2026, 3, 14, 19, 30, tzinfo=UTC)


def bass() -> Instrument:
    return replace(preset("bass-four"), name="Blue bass")


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "my records#1?.sqlite"
    monkeypatch.setenv(STORE_VARIABLE, str(path))
    return path


def a_session(repository: Repository, day: int, **how: object) -> str:
    return repository.begin_session(
        Setup(instrument=bass()), at=FIRST + timedelta(days=day), source="test", **how
    )


def test_the_first_page_says_where_to_begin_and_creates_nothing(
    capsys: pytest.CaptureFixture[str], store: Path
) -> None:
    ran = Ran(capsys)
    assert (ran.code, ran.err) == (0, "")
    for command in ("pitchbench rehearse", "pitchbench inputs --check", "pitchbench session"):
        assert f"\n  {command} " in ran.out
    assert "Nothing is on record yet." in ran.out
    assert max(map(len, ran.out.splitlines())) <= 80
    assert not store.exists()


def test_it_says_what_was_broken_off_and_how_to_go_on(
    capsys: pytest.CaptureFixture[str], store: Path
) -> None:
    with Repository.open() as repository:
        repository.add_instrument(bass())
        finished = a_session(repository, 0)
        repository.finish_session(finished, at=FIRST + timedelta(hours=1))
        assert glance().last == LastSession(
            finished[:15], "Blue bass", "2026-03-14", False, "setup"
        )
        broken_off = a_session(repository, 1)
        a_session(repository, 2, rehearsal=True)
        # While it is open, and is being written to.
        with repository._writing():
            assert glance().last is not None
        last = glance().last
        assert last == LastSession(broken_off[:15], "Blue bass", "2026-03-15", True, "setup")
        assert repository.last_unfinished() == broken_off
        assert repository.find_session(last.short_id) == broken_off
    # And closed.
    assert glance().instruments == ("Blue bass",)
    assert [each.short_id for each in glance().recent] == [broken_off[:15], finished[:15]]
    out = Ran(capsys).out
    assert f"broken off. Go on with it:\n  pitchbench session --resume {last.short_id}\n" in out
    shown = Ran(capsys, "instrument")
    assert (shown.code, shown.err) == (0, "")
    assert "On record: Blue bass." in shown.out
    assert "\n  pitchbench instrument add " in shown.out
    with Repository.open() as repository:
        a_session(repository, 3, kind=SessionKind.NECK)
    assert "  pitchbench neck --resume " in Ran(capsys).out
    with Repository.open() as repository:
        a_session(repository, 4, kind=SessionKind.STRETCH)
    assert "  pitchbench stretch --resume " in Ran(capsys).out


@pytest.mark.parametrize(
    ("kind", "shown"),
    [
        (SessionKind.SETUP, "sheet {}"),
        (SessionKind.NECK, "neck --session {}"),
        (SessionKind.STRETCH, "history 'Blue bass'"),
    ],
)
def test_a_finished_one_is_shown_by_what_shows_its_kind(
    capsys: pytest.CaptureFixture[str], store: Path, kind: SessionKind, shown: str
) -> None:
    with Repository.open() as repository:
        session = a_session(repository, 0, kind=kind)
        repository.finish_session(session, at=FIRST)
    assert f"  pitchbench {shown.format(session[:15])}\n" in Ran(capsys).out


def test_a_narrow_terminal_breaks_no_word(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, store: Path
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    for words in ((), ("instrument",)):
        assert max(map(len, Ran(capsys, *words).out.splitlines())) <= 40


@pytest.mark.parametrize("trouble", ["garbage", "empty", "folder", "no rights", "locked", "server"])
def test_trouble_with_the_records_is_no_trouble_here(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    store: Path,
    trouble: str,
) -> None:
    if trouble == "garbage":
        store.write_bytes(b"no database at all" * 100)
    elif trouble == "empty":
        store.touch()
    elif trouble == "folder":
        store.mkdir()
    elif trouble == "server":
        monkeypatch.setenv(STORE_VARIABLE, "postgresql://nobody@192.0.2.1/records")
    else:
        with Repository.open() as repository:
            a_session(repository, 0)
        if trouble == "no rights":
            store.chmod(0)
        else:
            holder = sqlite3.connect(store, isolation_level=None)
            holder.execute("PRAGMA locking_mode=EXCLUSIVE")
            holder.execute("BEGIN EXCLUSIVE")
    ran = Ran(capsys)
    assert (ran.code, ran.err) == (0, "")
    assert "pitchbench rehearse" in ran.out
    if trouble == "no rights":
        store.chmod(stat.S_IRUSR | stat.S_IWUSR)


def test_records_of_a_newer_form_are_not_offered(
    capsys: pytest.CaptureFixture[str], store: Path
) -> None:
    """Every command would refuse them; the one that is named instead says why."""
    with Repository.open() as repository:
        repository.add_instrument(bass())
        a_session(repository, 0)
        assert glance().last is not None
        with repository._engine.begin() as connection:
            connection.exec_driver_sql(f"UPDATE schema_version SET version = {SCHEMA_VERSION + 1}")
    assert glance() == Glance(seen=False)
    assert "pitchbench today" in Ran(capsys).out
    assert "--resume" not in Ran(capsys).out
    assert "newer pitchbench" in Ran(capsys, "today").err


def test_it_loads_no_database_library(store: Path) -> None:
    code = "from pitchbench.commands import main\ntry: main([])\nfinally:\n"
    code += "  import sys; print(*sys.modules, file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not set(done.stderr.split()) & {"sqlalchemy", "numpy", "scipy", "rich", "cattrs"}


def test_records_that_cannot_be_looked_into_are_not_called_none(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    place = tmp_path / "records.sqlite"
    monkeypatch.setenv(STORE_VARIABLE, str(place))
    assert "Nothing is on record yet." in Ran(capsys).out
    place.write_bytes(b"no database at all, or one that is damaged")
    assert not glance().seen
    assert "Nothing is on record" not in Ran(capsys).out
    assert "None is on record" not in Ran(capsys, "instrument").out


@pytest.mark.skipif(sys.platform == "win32", reason="a shell of Unix closes the stream")
@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
def test_a_stream_that_is_closed_is_no_trouble(closed: str, tmp_path: Path) -> None:
    """As of what a service manager starts; nor does the next file opened stand in for it."""
    place = tmp_path / "records.sqlite"
    program = f"{sys.executable} -c 'import pitchbench.commands as c; c.main()'"
    words = f"{program} instrument add Blue --like bass-four --store {place} {closed}"
    assert subprocess.run(["sh", "-c", words], check=False).returncode == 0
    with Repository.open(str(place)) as repository:
        assert repository.has_instrument("Blue")
