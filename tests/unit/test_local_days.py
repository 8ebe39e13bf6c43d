"""What people read as a date is the day where they are; JSON keeps UTC."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
import stores
from click.testing import CliRunner
from documents import parsed

from pitchbench.commands import cli
from pitchbench.records.glance import glance
from pitchbench.records.history import opening_words
from pitchbench.records.model import SessionKind
from pitchbench.records.repository import Repository
from pitchbench.report.sheet import sheet_html

#: Half past nine in the evening of the 14th where clocks are five hours behind.
EVENING = datetime(2026, 3, 15, 2, 30, tzinfo=UTC)


@pytest.fixture(params=[("EST5", "2026-03-14", "21:30"), ("JST-9", "2026-03-15", "11:30")])
def here(request, monkeypatch: pytest.MonkeyPatch, tmp_path) -> Iterator[tuple[str, str]]:
    """The day and the hour of the session at a bench in one part of the world."""
    zone, day, hour = request.param
    monkeypatch.setenv("TZ", zone)
    monkeypatch.setenv("PITCHBENCH_STORE", str(tmp_path / "records.sqlite"))
    time.tzset()
    guitar = stores.an_instrument(strings_fitted=None)
    with Repository.open() as repository:
        repository.add_instrument(guitar, at=EVENING)
        repository.change_instrument(guitar.name, replace(guitar, notes="x"), at=EVENING)
        for kind in (SessionKind.STRETCH, SessionKind.SETUP):
            kept = repository.begin_session(stores.a_setup(guitar), at=EVENING, kind=kind)
            for entry in stores.a_log(guitar):
                repository.append(kept, entry)
            repository.finish_session(kept, at=EVENING)
    yield day, hour
    monkeypatch.undo()
    time.tzset()


def said(*words: str) -> str:
    done = CliRunner().invoke(cli, list(words))
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone is the system's there")
def test_every_day_is_that_of_the_bench(here: tuple[str, str]) -> None:
    day, hour = here
    name = stores.an_instrument().name
    assert f"date: {day}" in said("sheet", "last").splitlines()
    assert all(f": {day} {hour}, " in line for line in said("history").splitlines())
    lines = said("history", name).splitlines()
    assert any(line.startswith("session ") and f": {day}" in line for line in lines)
    assert any(line.startswith(f"stretched {day}, ") for line in lines)
    assert f"last {day}" in said("instrument", "list")
    assert f"changed {day} {hour}:" in said("instrument", "show", name, "--earlier")
    assert f", {day}. See it:" in said()
    said("instrument", "remove", name, "--with-sessions")
    assert f"removed {date.today()}" in said("instrument", "restore")


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone is the system's there")
def test_so_are_the_session_s_own_name_and_its_first_words(here: tuple[str, str]) -> None:
    day, _ = here
    with Repository.open() as repository:
        record = repository.session(repository.find_session("last", kind=SessionKind.SETUP))
    assert record.meta.id.startswith(day.replace("-", ""))
    assert glance().last.day == day
    words = opening_words(record.setup.instrument, [record], today=date(2026, 3, 20))
    assert f"was last set on {day};" in words
    assert f"Takes of every string, {day}" in sheet_html(record, record)
    document = parsed(said("history", "--format", "json"))
    assert document["sessions"][0]["started_at"] == "2026-03-15T02:30:00+00:00"
