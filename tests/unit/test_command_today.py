"""``pitchbench today``: right at each moment of a day with two benches on one store."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import stores
from click.testing import CliRunner
from documents import parsed
from sqlalchemy import update

from pitchbench.commands import cli
from pitchbench.records.model import SessionKind
from pitchbench.records.repository import Repository
from pitchbench.records.schema import sessions
from pitchbench.session.log import OutcomeEntry


def today(place: str) -> dict[str, Any]:
    done = CliRunner().invoke(cli, ["today", "--format", "json", "--store", place])
    assert done.exit_code == 0, done.output
    return parsed(done.stdout)


def names(works: list[dict[str, Any]]) -> list[str]:
    return [work["instrument"] for work in works]


def string_done(repository: Repository, session_id: str, count: int = 1) -> None:
    """Entries of the made-up session up to so many strings finished."""
    for entry in stores.a_log():
        repository.append(session_id, entry)
        count -= isinstance(entry, OutcomeEntry)
        if count == 0:
            return


def test_a_day_of_two_benches(store_place: str) -> None:
    now = datetime.now(UTC)
    guitars = [stores.an_instrument(name) for name in ("Red", "Blue", "Green")]
    guitars = [replace(guitar, strings_fitted=now.date()) for guitar in guitars]
    red, blue, green = map(stores.a_setup, guitars)
    with Repository.open(store_place) as one, Repository.open(store_place) as other:
        for guitar in guitars:
            one.add_instrument(guitar)
        assert [due["instrument"] for due in today(store_place)["checks_due"]] == [
            "Blue", "Green", "Red",
        ]  # fmt: skip
        assert today(store_place)["checks_due"][0]["reasons"] == ["never set on this record"]

        # Two at once; what is in hand is not asked for.
        on_red = one.begin_session(red, at=now)
        other.begin_session(blue, at=now)
        string_done(one, on_red, 2)
        said = today(store_place)
        assert sorted(names(said["in_hand"])) == ["Blue", "Red"]
        (work,) = (work for work in said["in_hand"] if work["instrument"] == "Red")
        assert (work["strings_done"], work["strings"], work["go_on"]) == (2, 6, None)
        assert [due["instrument"] for due in said["checks_due"]] == ["Green"]

        # One is left, the other's bench is switched off.
        one.let_go(on_red)
        assert names(today(store_place)["in_hand"]) == ["Blue"]
        with other._engine.begin() as connection:
            connection.execute(update(sessions).values(held_at=now - timedelta(minutes=31)))
        said = today(store_place)
        assert said["in_hand"] == []
        assert sorted(names(said["broken_off"])) == ["Blue", "Red"]
        (work,) = (work for work in said["broken_off"] if work["instrument"] == "Red")
        where = "URL" if "://" in store_place else store_place
        assert work["go_on"] == f"pitchbench session --resume {on_red[:15]} --store {where}"

        # Gone on with, and finished.
        string_done(other, on_red, 6)
        assert names(today(store_place)["in_hand"]) == ["Red"]
        other.finish_session(on_red, at=datetime.now(UTC))
        said = today(store_place)
        assert (names(said["done"]), names(said["broken_off"])) == (["Red"], ["Blue"])
        assert [due["instrument"] for due in said["checks_due"]] == ["Blue", "Green"]

        # What was begun anew and finished is over with; a survey is another kind of work.
        again = one.begin_session(blue, at=now + timedelta(seconds=1))
        string_done(one, again, 6)
        one.finish_session(again, at=datetime.now(UTC))
        one.let_go(one.begin_session(green, at=now, kind=SessionKind.NECK))
        said = today(store_place)
        assert names(said["broken_off"]) == ["Green"]
        assert said["broken_off"][0]["go_on"].startswith("pitchbench neck --resume ")
        assert sorted(names(said["done"])) == ["Blue", "Red"]

        # Removed is off the list; what was done yesterday is not today's, nor what a bench whose
        # clock is ahead did tomorrow.
        one.remove_instrument("Red")
        for days in (-1, 1):
            with other._engine.begin() as connection:
                done_then = update(sessions).where(sessions.c.id == again)
                connection.execute(done_then.values(finished_at=now + timedelta(days=days)))
            assert today(store_place)["done"] == []


def test_it_is_said_in_lines(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PITCHBENCH_STORE", str(tmp_path / "store.sqlite"))
    run = CliRunner().invoke
    assert "Nothing is in hand" in run(cli, ["today"]).stderr
    with Repository.open() as repository:
        repository.add_instrument(stores.an_instrument("Red\x1b[31m"))
        setup = stores.a_setup(stores.an_instrument("Red\x1b[31m"))
        session_id = repository.begin_session(setup, at=datetime.now(UTC) - timedelta(hours=1))
        repository.let_go(session_id)
    lines = run(cli, ["today"]).stdout.splitlines()
    assert lines[0].startswith("today: 20")
    assert lines[1].startswith("broken off: Red")
    assert "0 of 6 strings done" in lines[1]
    assert lines[2] == f"  go on with: pitchbench session --resume {session_id[:15]}"
    assert lines[3].startswith("check due: Red")
    assert "\x1b" not in "".join(lines)
