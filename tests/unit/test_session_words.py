"""The same numbers get the same word, on the screen, on the sheet, and after another tolerance."""

from __future__ import annotations

import re
from datetime import UTC, datetime

from session_story import Story

from pitchbench.records.model import SessionMeta, SessionRecord
from pitchbench.report.sheet import build_sheet
from pitchbench.session.job import Command
from pitchbench.session.log import Log, Outcome, Step

#: Departures that twelve takes do not decide on.
UNEVEN = (3.8, -3.8, 2.3, -2.3, 3.0, -3.0)


def _outcomes(log: Log) -> list[tuple[float, Outcome | None]]:
    return [
        (string.verdict.p_within, string.outcome)
        for string in log.strings
        if string.verdict is not None and string.outcome in (Outcome.LEAVE, Outcome.BORDER)
    ]


def _sheet_words(story: Story) -> list[str]:
    meta = SessionMeta(
        "20260301-" + "0" * 32, None, datetime(2026, 3, 1, tzinfo=UTC), None, "t", ""
    )
    record = SessionRecord(story.state.setup, story.entries, meta)
    return [row.outcome for row in build_sheet(record).rows]


def _two_strings() -> Story:
    """String 6 left surely, string 5 on the border."""
    story = Story.begin(strings=(6, 5), most_takes=12).play(6).takes(0.2).play(5)
    story.takes(1.7, UNEVEN)
    assert story.state.log.step is Step.BORDER
    return story.key(Command.ACCEPT)


def test_leave_and_border_are_told_apart_by_the_number_that_is_shown() -> None:
    story = _two_strings()
    outcomes = _outcomes(story.state.log)
    assert {outcome for _, outcome in outcomes} == {Outcome.LEAVE, Outcome.BORDER}
    for p, outcome in outcomes:
        assert (p >= 0.95) is (outcome is Outcome.LEAVE)
    for words in _sheet_words(story):
        if found := re.fullmatch(r"(.*), (over 99|\d+) % sure", words):
            whole = int(found[2].removeprefix("over "))
            assert found[1] == ("within tolerance" if whole >= 95 else "on the border")


def test_words_follow_a_tolerance_that_is_changed_by_key() -> None:
    story = _two_strings()
    assert story.outcomes()[5] is Outcome.BORDER
    for _ in range(8):
        story.key(Command.TOLERANCE_UP)
    assert story.outcomes()[5] is Outcome.LEAVE
    assert story.outcomes()[6] is Outcome.LEAVE
    assert all(p >= 0.95 for p, _ in _outcomes(story.state.log))
    assert all(s.verdict.tolerance_cents == 6.0 for s in story.state.log.strings if s.verdict)
    for _ in range(11):
        story.key(Command.TOLERANCE_DOWN)
    assert story.state.log.tolerance_cents == 0.5
    assert all((p >= 0.95) is (out is Outcome.LEAVE) for p, out in _outcomes(story.state.log))
    assert "on the border" in " ".join(_sheet_words(story))
