"""A move and a take say the same wherever they are shown: an interval keeps its signs, the turns
are one number on screen, sheet and in the document, and a take is held against what judges it."""

from __future__ import annotations

import re
from statistics import fmean

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from session_story import Story
from states import STATES, guitar
from stores import NOON

from pitchbench.intonation.bridge import DIRECTION_WORDS, Direction, Move, move_interval_words
from pitchbench.records.model import SessionMeta, SessionRecord
from pitchbench.report.session import session_document
from pitchbench.report.sheet import build_sheet
from pitchbench.screen.reference import cents_from_open, current_takes
from pitchbench.screen.saddle import move_lines, travel_words
from pitchbench.screen.theme import Palette, make_theme
from pitchbench.session.job import Command, KeyPressed
from pitchbench.session.log import AdviceEntry, MoveEntry, TakeFate
from pitchbench.session.state import State
from pitchbench.units import cents_between

BRIDGE = guitar().bridge
PITCH_MM = BRIDGE.screw_pitch_mm
AWAY, TOWARD = DIRECTION_WORDS[Direction.AWAY_FROM_NUT], DIRECTION_WORDS[Direction.TOWARD_NUT]
LENGTHS = st.floats(-9.0, 9.0)


def advised(move: Move) -> State:
    """The demo guitar with ``move`` advised, whatever its takes say."""
    return STATES["move"].kept(AdviceEntry(60.0, 4, move))


def read_back(words: str, move: Move) -> list[float]:
    """The signed interval that a reader takes from ``words`` beside the move's direction."""
    ends = re.findall(rf"(\d+\.\d+)(?: mm)?(?: ({AWAY}|{TOWARD}))?", words)
    assert len(ends) == 2, words
    own = DIRECTION_WORDS[move.direction]
    return sorted(float(mm) * (1.0 if (way or own) == AWAY else -1.0) for mm, way in ends)


@given(st.tuples(LENGTHS, LENGTHS).map(sorted), st.floats(0.0, 1.0), st.sampled_from([1, 2]))
def test_any_interval_reads_back_with_its_signs(ends, share, digits):
    low, high = ends
    move = Move(4, low + share * (high - low), (low, high), BRIDGE)
    read = read_back(move_interval_words(move, digits), move)
    # Half of the last digit: what rounding takes away.
    assert read == pytest.approx([low, high], abs=0.5 * 10.0**-digits + 1e-9)


@given(st.tuples(LENGTHS, LENGTHS).map(sorted), LENGTHS)
def test_the_interval_of_a_move_made_otherwise_reads_back_too(ends, made_mm):
    move = Move(4, 0.5 * sum(ends), tuple(ends), BRIDGE).made(made_mm)
    assert read_back(move_interval_words(move), move) == pytest.approx(ends, abs=0.05 + 1e-9)


@settings(deadline=None)
@given(st.tuples(LENGTHS, LENGTHS).map(sorted), st.floats(0.0, 1.0))
def test_the_screen_shows_the_interval_with_its_signs(ends, share):
    low, high = ends
    move = Move(4, low + share * (high - low), (low, high), BRIDGE)
    theme = make_theme(Palette.MONOCHROME, ascii_only=True)
    lines = move_lines(
        advised(move), theme, width=200, height=30
    )  # wide enough that nothing is broken
    text = "\n".join(line.plain for line in lines)
    shown = re.search(r"\(95 %: (.*?)\)", text)
    assert shown is not None, text
    assert read_back(shown[1], move) == pytest.approx([low, high], abs=0.005 + 1e-9)


def turns_in(words: str) -> str:
    found = re.search(r"(\d+\.\d) turns?", words)
    assert found is not None, words
    return found[1]


@settings(deadline=None)
@given(
    LENGTHS.filter(lambda mm: abs(mm) > 0.05),
    st.floats(0.0, 0.5),
    st.lists(st.sampled_from([Command.LESS, Command.MORE]), min_size=1, max_size=6),
)
def test_turns_are_the_same_on_the_screen_on_the_sheet_and_in_the_document(mm, slack_mm, keys):
    move = Move(4, mm, (mm - 0.3, mm + 0.3), BRIDGE, slack_mm=slack_mm)
    state = advised(move)
    for key in keys:
        state = state.advance(KeyPressed(key))
    said_mm = state.log.string.said_mm
    entry = MoveEntry(99.0, 4, move, said_mm, said=True)
    meta = SessionMeta("20260314-" + "a" * 32, None, NOON, NOON, "0.1.0")
    sheet = build_sheet(SessionRecord(state.setup, (entry,), meta))
    document = session_document(state.kept(entry), session=None, source="")
    theme = make_theme(Palette.MONOCHROME, ascii_only=True)
    # Too narrow for block letters, and wide enough that nothing is broken.
    pane = "\n".join(line.plain for line in move_lines(state, theme, width=60, height=30))
    shown = {
        "request": turns_in(state.asks),
        "screen": turns_in(pane),
        "sheet": turns_in(sheet.rows[3].moves[0]),
        "document": f"{document.moves[-1].made_turns:.1f}",
        "screw": f"{abs(entry.made.screw_mm) / PITCH_MM:.1f}",
    }
    assert len(set(shown.values())) == 1, shown


def test_slack_is_turned_as_well_when_less_is_moved_than_advised():
    """0.5 mm of saddle and 0.25 mm of slack on a screw of 0.5 mm: one turn and a half."""
    move = Move(4, 0.75, (0.5, 1.0), BRIDGE, slack_mm=0.25)
    assert move.turns == pytest.approx(2.0)
    assert move.made(0.5).turns == pytest.approx(1.5)
    assert MoveEntry(1.0, 4, move, 0.5, said=True).made.screw_mm == pytest.approx(0.75)
    assert move.made(-0.5).turns == pytest.approx(1.0), "the other way there is no slack to take up"
    assert move.made(0.0).turns == 0.0


def test_after_a_retuning_takes_are_shown_as_they_are_judged():
    """Each tuning's takes are held against its own open note, as the judge does."""
    story = Story.begin().play(6).play(6, 12, 6.0).play(6, 0, 12.0)
    story.play(6, 0, 2.9).play(6, 12, 2.9 + 6.2)
    state = story.state
    accepted = [take for take in current_takes(state) if take.fate is TakeFate.ACCEPTED]
    assert {take.tuning for take in accepted} == {1, 2}
    shown = {
        fret: [cents_from_open(state, take) for take in accepted if take.fret == fret]
        for fret in (0, 12)
    }
    assert shown[12] == pytest.approx([6.0, 6.2], abs=1e-9)
    assert state.log.string.now is not None
    now = state.log.string.now
    # The groups that are judged; the belief itself is drawn a little to where saddles usually are.
    judged = cents_between(now.fretted.mean_hz, now.open.mean_hz) - 1200.0
    assert fmean(shown[12]) - fmean(shown[0]) == pytest.approx(judged, abs=1e-9)
    assert now.offset_cents == pytest.approx(judged, abs=0.3)


def test_what_was_filed_before_stands_with_the_travel() -> None:
    string = STATES["move-filed"].log.string
    before = "filed before: 0.40 mm away from the nut"
    assert travel_words(string, 80) == f"saddle so far: where it was found; {before}"
    assert travel_words(string, 40) == "filed in all: 0.40 mm away from the nut"
