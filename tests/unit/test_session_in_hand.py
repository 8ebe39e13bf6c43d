"""A session is in hand at one bench at a time; who lets go of it, or is killed, leaves it free."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import stores
from recordings import Ran, set_string_6
from sqlalchemy import update

from pitchbench.commands.guided import Keeping
from pitchbench.errors import RecordsError
from pitchbench.presets import preset
from pitchbench.records import engines, hand
from pitchbench.records.hand import claimed, held, in_hand
from pitchbench.records.model import SessionKind
from pitchbench.records.repository import Repository
from pitchbench.records.schema import sessions
from pitchbench.session.log import NoteEntry, Setup, Step

Capsys = pytest.CaptureFixture[str]


@pytest.fixture(autouse=True)
def quicker(monkeypatch: pytest.MonkeyPatch) -> None:
    """Told every tenth of a second, and in hand for two: both cores may have other work."""
    monkeypatch.setattr(hand, "_BEAT_S", 0.1)
    monkeypatch.setattr(hand, "_LOOK_S", 0.05)
    monkeypatch.setattr(hand, "_IN_HAND", timedelta(seconds=2.0))


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return set_string_6(tmp_path_factory.mktemp("sound") / "session.flac")


def begun(repository: Repository, kind: SessionKind = SessionKind.SETUP, **ago: float) -> str:
    """A session that was begun and killed at once."""
    at = datetime.now(UTC) - timedelta(**ago)
    setup = Setup(preset("six-string"), strings=(6,), tolerance_cents=5.0)
    return repository.begin_session(setup, at=at, kind=kind)


def run(*words: str) -> subprocess.CompletedProcess[str]:
    """The program in a process of its own, while this one has something in hand."""
    command = [str(Path(sys.executable).with_name("pitchbench")), *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)


def until(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 20.0
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.02)


def test_it_is_told_as_long_as_it_lasts_and_then_let_go(store_place: str) -> None:
    with Repository.open(store_place) as repository:
        session = begun(repository, minutes=5)
        with suppress(KeyboardInterrupt), held(repository, session):
            until(lambda: in_hand(repository.held_at(session), datetime.now(UTC)))
            first = repository.held_at(session)
            until(lambda: repository.held_at(session) != first)
            raise KeyboardInterrupt  # Ctrl-C lets go as well
        assert repository.held_at(session) is None


def test_what_is_told_and_what_is_kept_take_turns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Told a thousand times a second, and yet nothing that is kept finds the file locked by it."""
    monkeypatch.setattr(hand, "_BEAT_S", 0.001)

    monkeypatch.setattr(engines, "_TURN_S", None)  # there is no such time to wait
    with Repository.open(tmp_path / "a.sqlite") as repository:
        session = begun(repository)
        keeping = Keeping(repository, session)
        with held(repository, session):
            for at_s in range(100):
                keeping(NoteEntry(float(at_s), None, "heard"))
        assert len(repository.session(session).entries) == 100


def test_of_two_that_claim_it_at_once_one_gets_it(store_place: str) -> None:
    got: list[bool] = []

    def claim(repository: Repository, session: str, over: threading.Barrier) -> None:
        with ExitStack() as stack:
            got.append(claimed(repository, session))
            if got[-1]:
                stack.enter_context(held(repository, session))
            over.wait(60.0)

    with Repository.open(store_place) as one, Repository.open(store_place) as other:
        for free in (True, False):  # let go, or killed five minutes ago
            session, over = begun(one, minutes=5), threading.Barrier(2)
            if free:
                one.let_go(session)
            both = [
                threading.Thread(target=claim, args=(each, session, over)) for each in (one, other)
            ]
            for each in both:
                each.start()
            for each in both:
                each.join()
    assert sorted(got[:2]) == sorted(got[2:]) == [False, True]


def test_who_was_killed_a_moment_ago_lets_go_by_telling_nothing(store_place: str) -> None:
    with Repository.open(store_place) as repository:
        session = begun(repository)
        assert in_hand(repository.held_at(session), datetime.now(UTC))
        assert claimed(repository, session)
        # And where the other bench's clock is an hour ahead.
        ahead = update(sessions).values(held_at=datetime.now(UTC) + timedelta(hours=1))
        with repository._engine.begin() as connection:
            connection.execute(ahead)
        assert claimed(repository, session)


def test_nobody_writes_into_the_log_of_another(store_place: str) -> None:
    """A bench that slept meanwhile, its lid closed, finds that another one has gone on."""
    first, second, third, *_ = stores.a_log()
    with Repository.open(store_place) as one, Repository.open(store_place) as other:
        session = begun(one)
        slept, went_on = Keeping(one, session), Keeping(other, session)
        slept(first)
        with pytest.raises(RecordsError, match="Another program has changed this session"):
            went_on(second)
        went_on = Keeping(other, session, kept=1)
        went_on(second)
        with pytest.raises(RecordsError, match="Another program has changed this session"):
            slept(third)
        went_on(third)
        kept = [entry.at_s for entry in one.session(session).entries]
        assert kept == [first.at_s, second.at_s, third.at_s]


@pytest.mark.parametrize(
    ("command", "kind"), [("session", SessionKind.SETUP), ("stretch", SessionKind.STRETCH)]
)
def test_one_that_is_in_hand_is_refused_or_passed_over(
    tmp_path: Path, recording: Path, command: str, kind: SessionKind
) -> None:
    place = str(tmp_path / "records.sqlite")
    asked = (command, "--recording", str(recording), "--store", place, "--plain", "--resume")
    with Repository.open(place) as repository:
        session = begun(repository, kind)
        with held(repository, session):
            for words in ("last", session):
                ran = run(*asked, words)
                assert (ran.returncode, ran.stdout) == (5, "")
                assert f" {session[:15]} is in hand, here or at another bench." in ran.stderr
            earlier = begun(repository, kind, hours=1)
            assert f"Kept on record as session {earlier[:15]}." in run(*asked, "last").stderr
        assert repository.session(session).entries == ()


def test_a_survey_that_is_in_hand_is_refused(tmp_path: Path) -> None:
    place = str(tmp_path / "records.sqlite")
    with Repository.open(place) as repository:
        survey = begun(repository, SessionKind.NECK)
        with held(repository, survey):
            ran = run("neck", "--resume", "--store", place, "--plain")
    assert (ran.returncode, ran.stdout) == (5, "")
    assert "is in hand, here or at another bench." in ran.stderr


def test_what_goes_on_with_a_kept_session_is_kept(
    capsys: Capsys, tmp_path: Path, recording: Path
) -> None:
    place = str(tmp_path / "records.sqlite")
    asked = ("session", "--recording", str(recording), "--store", place, "--plain", "--resume")
    with Repository.open(place) as repository:
        session = begun(repository)
        assert Ran(capsys, *asked, "--no-keep").code == 0
        assert repository.session(session).entries == ()
        ran = Ran(capsys, *asked)
        assert f"Kept on record as session {session[:15]}." in ran.err
        record = repository.session(session)
        assert record.log.step is Step.FINISHED
        assert record.meta.finished_at is not None
        assert repository.held_at(session) is None
