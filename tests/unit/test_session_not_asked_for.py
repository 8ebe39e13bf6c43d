"""A string that is set although nobody asked for it counts everywhere, and everywhere alike."""

from __future__ import annotations

from datetime import date

import pytest
from click.testing import CliRunner
from documents import parsed
from session_story import Story
from stores import NOON

from pitchbench.commands import cli
from pitchbench.presets import preset
from pitchbench.records.history import check_reasons
from pitchbench.records.model import SessionMeta, SessionRecord
from pitchbench.records.repository import Repository
from pitchbench.report.session import session_document
from pitchbench.report.sheet import build_sheet
from pitchbench.screen.plain import result_lines
from pitchbench.screen.strip import receipt
from pitchbench.screen.theme import Palette, make_theme
from pitchbench.session.job import Command
from pitchbench.session.log import Outcome


def also_set() -> Story:
    """Of a session of string 1 string 5 is set as well, which was played twice before."""
    story = Story.begin(strings=(1,)).play(1).play(5).play(5).takes(0.2)
    assert story.outcomes()[5] is Outcome.LEAVE
    return story.string(0.1)


def record_of(story: Story) -> SessionRecord:
    meta = SessionMeta("20260314-" + "a" * 32, None, NOON, NOON, "0.1.0")
    return SessionRecord(story.state.setup, story.entries, meta)


def test_it_is_told_at_the_end_and_on_every_page() -> None:
    story = also_set()
    record = record_of(story)
    assert story.state.log.finished
    assert story.state.log.order == (1, 5)
    results = [line for line in result_lines(story.state) if line.startswith("result: ")]
    assert [line[:16] for line in results] == ["result: string 1", "result: string 5"]
    document = session_document(story.state, session=None, source="test")
    assert [string.string for string in document.strings] == [1, 5]
    sheet = build_sheet(record)
    assert sheet.summary.endswith("2 of 2 within ±2 cents")
    left_out = [row.string for row in sheet.rows if row.outcome == "left out"]
    assert left_out == [2, 3, 4, 6]
    reasons = check_reasons(preset("six-string"), [record], today=date(2026, 3, 15))
    assert reasons == ("strings 2, 3, 4 and 6 never set on this record",)


def test_it_is_in_the_receipt_of_the_screen() -> None:
    story = also_set()
    lines = [line.plain for line in receipt(story.state, make_theme(Palette.MONOCHROME), 80)]
    assert [line.split()[1] for line in lines if line.startswith("string")] == ["5", "1"]


def test_one_that_was_only_turned_to_is_left_out() -> None:
    """It was never in tune, so nothing of it counts; the key for the next string dismisses it."""
    story = Story.begin(strings=(1,)).play(1).play(5, cents=-15.0).play(5, cents=-15.0)
    assert story.state.log.current == 5
    story.key(Command.NEXT)
    assert story.outcomes()[5] is Outcome.PASSED_OVER
    assert story.state.log.order == (1,)
    assert build_sheet(record_of(story)).rows[4].outcome == "left out"


@pytest.fixture
def kept(tmp_path, monkeypatch) -> Story:
    monkeypatch.setenv("PITCHBENCH_STORE", str(tmp_path / "records.sqlite"))
    story = also_set()
    with Repository.open() as repository:
        repository.add_instrument(story.state.setup.instrument)
        session_id = repository.begin_session(story.state.setup, at=NOON)
        for entry in story.entries:
            repository.append(session_id, entry)
        repository.let_go(session_id)
    return story


def test_today_and_history_count_it_too(kept: Story) -> None:
    def said(*words: str) -> str:
        done = CliRunner().invoke(cli, list(words))
        assert done.exit_code == 0, done.output
        return done.stdout

    (work,) = parsed(said("today", "--format", "json"))["broken_off"]
    assert (work["strings_done"], work["strings"]) == (2, 2)
    name = kept.state.setup.instrument.name
    lines = said("history", name, "--plain").splitlines()
    assert "reason: strings 2, 3, 4 and 6 never set on this record" in lines
    ends = {line.split()[1]: line.rpartition("; ")[2] for line in lines if line[:9] == "  string "}
    others = dict.fromkeys("2346", "left out")
    assert ends == {"1": "leave it", "5": "leave it", **others}
    (due,) = parsed(said("today", "--format", "json"))["checks_due"]
    assert due["reasons"][-1] == "strings 2, 3, 4 and 6 never set on this record"
