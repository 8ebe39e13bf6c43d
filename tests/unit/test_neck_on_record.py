"""Surveys of a neck on record: shown again, gone on with, and on the setup sheet."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from contextlib import ExitStack
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import stores
from recordings import Ran
from survey_story import Played, plan

from pitchbench.commands.neck_live import gone_on_with
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Bridge, BridgeKind
from pitchbench.records.model import SessionKind
from pitchbench.records.repository import Repository
from pitchbench.session.job import Command
from pitchbench.session.survey import Plan, begin, wanted
from pitchbench.units import fret_ratio

Capsys = pytest.CaptureFixture[str]

FRETS = (1, 5, 12, 17)
#: Nut and saddle of each string, in cents.
TERMS = {6: (4.0, 1.0), 5: (0.3, 6.0)}


def played(
    *, strings: tuple[int, ...] = (6, 5), filed_mm: tuple[float, ...] = (), **guitar: Any
) -> Played:
    """A survey in which each string shows its terms, and nothing else."""
    asked = plan(strings=(6, 5), frets=FRETS, takes=2)
    instrument = replace(asked.setup.instrument, name="Bench guitar", **guitar)
    setup = replace(asked.setup, instrument=instrument, filed_mm=filed_mm)
    story = Played(begin(Plan(setup, FRETS, takes=2)))
    for string in strings:
        nut, saddle = TERMS[string]
        for _ in range(2):
            for fret in (0, *FRETS):
                off = nut + saddle * (fret_ratio(fret) - 1.0) if fret else 1.0
                story.note(string, fret, off)
    return story


@pytest.fixture
def store(tmp_path: Path) -> str:
    """A store with a session of the Bench guitar."""
    place = str(tmp_path / "store")
    with Repository.open(place) as repository:
        repository.add_instrument(stores.an_instrument())
        session = repository.begin_session(stores.a_setup(), at=stores.NOON, source="test")
        for entry in stores.a_log():
            repository.append(session, entry)
    return place


def put(store: str, story: Played, *, hours: float = 1.0, finished: bool = True) -> str:
    """Keep a survey as the program does; its id."""
    survey = story.survey
    with Repository.open(store) as repository:
        session = repository.begin_session(
            survey.setup,
            at=stores.NOON + timedelta(hours=hours),
            source="default, ALSA",
            parameters={"rate_hz": 48000, "frets": "1,5,12,17", "takes": 2},
            kind=SessionKind.NECK,
        )
        for entry in survey.entries:
            repository.append(session, entry)
        if finished:
            repository.finish_session(session, at=stores.NOON + timedelta(hours=hours + 0.2))
        else:
            repository.let_go(session)
    return session


def test_it_is_shown_again_with_what_was_put_in(capsys: Capsys, store: str) -> None:
    session = put(store, played())
    ran = Ran(capsys, "neck", "--session", "last", "--store", store, "--format", "json")
    assert (ran.code, ran.err) == (0, "")
    document = ran.document
    assert (document["instrument"], document["session"]) == ("Bench guitar", session)
    for string in document["strings"]:
        nut, saddle = TERMS[string["string"]]
        # The offsets are against an open string that was 1 cent sharp.
        assert string["nut_cents"] == pytest.approx(nut - 1.0, abs=1e-6)
        assert string["saddle_cents"] == pytest.approx(saddle, abs=1e-6)
        assert [fret["n"] for fret in string["frets"]] == [2, 2, 2, 2]
    assert {reading["file"] for reading in document["readings"]} == {"default, ALSA"}


def test_a_survey_is_judged_by_what_was_filed_before_it(capsys: Capsys, store: str) -> None:
    saddle = Bridge(BridgeKind.FIXED_SADDLE, None, None, 1.0, 1.0)
    put(store, played(filed_mm=(0.0, 0.0, 0.0, 0.0, 0.79, 0.0), bridge=saddle))
    asked = ("neck", "--session", "last", "--store", store, "--frets", "5,12,17")
    fifth = Ran(capsys, *asked, "--format", "json").document["strings"][0]
    assert (fifth["string"], fifth["move"]["out_of_travel"]) == (5, True)
    assert fifth["move"]["mm"] == pytest.approx(1.0 - 0.79)


def test_history_of_its_instrument_lists_it_with_what_it_found(capsys: Capsys, store: str) -> None:
    story = played()
    session = put(store, story)
    short = Played(begin(story.survey.plan)).note(6).note(6, 5)
    put(store, short, hours=5.0, finished=False)
    told = Ran(capsys, "history", "Bench guitar", "--store", store, "--plain").out
    brief = "5 A2 nut −0.7, saddle +6.0 cents; 6 E2 nut +3.0, saddle +1.0 cents"
    assert f"\nneck survey {session[:15]}: {stores.NOON:%Y-%m-%d}; {brief}\n" in told
    assert f"{stores.NOON:%Y-%m-%d}, broken off; too little heard\n" in told
    asked = ("history", "Bench guitar", "--store", store, "--format", "json")
    whole, broken = Ran(capsys, *asked).document["surveys"]
    assert (whole["id"], whole["capo"], broken["strings"]) == (session, 0, [])
    asked = ("neck", "--session", session, "--store", store, "--format", "json")
    same = Ran(capsys, *asked).document["strings"]
    for mine, own in zip(whole["strings"], same, strict=True):
        assert mine.pop("stands_out") == []
        assert mine == {name: own[name] for name in mine}


def test_struck_takes_and_plucks_that_do_not_count_are_told(capsys: Capsys, store: str) -> None:
    story = played(strings=(6,)).note(5).note(5, 3, 50.0).note(5, 5).note(5, 12)
    story.key(Command.STRIKE).note(5, 12, 2.0)
    put(store, story, finished=False)
    ran = Ran(capsys, "neck", "--session", "last", "--store", store, "--plain")
    assert re.search(r"not counted: at [\d.]+ s of default, ALSA, no note of this string", ran.out)
    assert re.search(r"not counted: .*struck out", ran.out)
    assert "String 5, A2, 12th fret: +2.0" in ran.out


def test_one_that_was_broken_off_goes_on_where_it_was(store: str) -> None:
    session = put(store, played(strings=(6,)), finished=False)
    with Repository.open(store) as repository:
        for words in ("last", session[:15]):
            with ExitStack() as stack:
                start = gone_on_with(stack, repository, words)
            assert start.session_id == session
            assert (start.job.current, wanted(start.job, 5)) == (5, 0)
            assert (start.job.plan.frets, start.job.plan.takes) == (FRETS, 2)
    done = put(store, played(), hours=2.0)
    with Repository.open(store) as repository:
        with ExitStack() as stack, pytest.raises(PitchbenchError, match="finished"):
            gone_on_with(stack, repository, done)
        assert repository.last_unfinished(kind=SessionKind.NECK) == session


def test_without_one_it_is_said(capsys: Capsys, store: str) -> None:
    ran = Ran(capsys, "neck", "--session", "last", "--store", store)
    assert (ran.code, ran.out) == (5, "")
    assert "There is no neck survey 'last' on record." in ran.err
    ran = Ran(capsys, "neck", "--resume", "--store", store)
    assert ran.code == 5
    assert "no neck survey to go on with" in ran.err


@pytest.mark.parametrize(
    "words",
    [
        ("--capo", "2"),
        ("--tuning", "D2 G2 C3 F3 A3 D4"),
        ("--preset", "bass-four"),
        ("--a4", "432"),
    ],
    ids=lambda words: words[0],
)
def test_what_was_heard_is_what_it_was(capsys: Capsys, store: str, words: tuple[str, str]) -> None:
    put(store, played())
    again = ("neck", "--session", "last", "--store", store)
    ran = Ran(capsys, *again, *words)
    assert (ran.code, ran.out) == (2, "")
    assert f" began otherwise than {words[0]} says." in ran.err
    same = ("--instrument", "Bench guitar", "--tuning", "E2 A2 D3 G3 B3 E4", "--a4", "440")
    assert Ran(capsys, *again, *same, "--tolerance", "3").code == 0


def test_a_survey_is_no_session_to_be_set(capsys: Capsys, store: str) -> None:
    survey = put(store, played())
    ran = Ran(capsys, "sheet", survey, "--store", store)
    assert (ran.code, ran.out) == (5, "")
    listed = Ran(capsys, "history", "--store", store).out
    assert re.search(rf"^{survey[:15]}: .*neck survey$", listed, re.M)


def test_the_neck_stands_on_the_sheet_of_the_latest_session(
    capsys: Capsys, store: str, tmp_path: Path
) -> None:
    before = Ran(capsys, "sheet", "last", "--store", store)
    assert "surveyed" not in before.out
    put(store, played())
    text = Ran(capsys, "sheet", "last", "--store", store).out
    assert "the neck, surveyed 2026-03-14, after this session: String 6, E2: nut +3.0" in text
    out = tmp_path / "sheet.html"
    assert Ran(capsys, "sheet", "last", "--store", store, "--out", out).code == 0
    page = out.read_text(encoding="utf-8")
    assert re.search(r'<svg[^>]*role="img"[^>]*aria-labelledby="neck-title neck-desc"', page)
    assert "String 5, A2, 17th fret: +" in page
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    # A later session is another one's sheet; the first one's has no neck any more.
    with Repository.open(store) as repository:
        first = repository.sessions("Bench guitar")[0].meta.id
        repository.begin_session(stores.a_setup(), at=stores.NOON + timedelta(hours=5), source="")
    assert "surveyed" not in Ran(capsys, "sheet", first, "--store", store).out
    assert "surveyed 2026-03-14, before this" in Ran(capsys, "sheet", "last", "--store", store).out


def test_a_survey_of_too_little_adds_nothing(capsys: Capsys, store: str) -> None:
    put(store, Played(played(strings=()).survey).note(6).note(6, 5), finished=False)
    assert "surveyed" not in Ran(capsys, "sheet", "last", "--store", store).out
    assert Ran(capsys, "neck", "--session", "last", "--store", store).code == 3


@pytest.mark.parametrize("command", ["neck", "drift"])
def test_without_an_input_it_is_said_and_nothing_is_begun(command: str, store: str) -> None:
    options = ["--store", store, "--plain"]
    done = subprocess.run(
        [sys.executable, "-c", "from pitchbench.commands import main; main()", command, *options],
        env={**os.environ, "PULSE_SERVER": "unix:/nowhere"},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert (done.returncode, done.stdout) == (4, "")
    assert len(done.stderr.splitlines()) == 2
    with Repository.open(store) as repository:
        assert repository.sessions(kind=SessionKind.NECK) == []
