"""The screen of a survey: its whole text at three sizes, in monochrome and in ASCII, and its fit.

After an intended change: PITCHBENCH_REWRITE_GOLDENS=1 pytest tests/screens/test_survey_screen.py,
then read the difference.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from survey_story import GUITAR, Played, plan
from test_goldens import GOLDENS, SIZES, VARIANTS, compare

from pitchbench.pitch.listener import LivePitch, PluckStarted
from pitchbench.pitch.reading import Reason
from pitchbench.presets import PRESETS
from pitchbench.refit import with_capo
from pitchbench.screen.survey import render
from pitchbench.screen.theme import Palette, make_theme
from pitchbench.session.fold import read_log
from pitchbench.session.job import Command, InputBack, InputLost
from pitchbench.session.log import Setup
from pitchbench.session.survey import USUAL_FRETS, Plan, Survey, begin
from pitchbench.sound.hearing import InputHeard
from pitchbench.units import fret_ratio, shifted_hz


def _heard(story: Played, string: int, frets: tuple[int, ...]) -> None:
    """Plays notes on a string whose nut is 1.5 cents off and its saddle ``string`` at the 12th."""
    for fret in frets:
        off = 1.5 + (string - 3) * (fret_ratio(fret) - 1.0) if fret else 0.4
        story.note(string, fret, off + 0.3 * (-1) ** fret)


def _states() -> dict[str, Survey]:
    story = Played(begin(plan(strings=(), frets=USUAL_FRETS)))
    states = {"begin": story.survey}
    _heard(story, 6, (0, 1))
    states["heard"] = story.survey
    live_hz = shifted_hz(GUITAR.string(6).note.hz(), 304.0)
    story.then(PluckStarted(50.0)).then(LivePitch(50.9, 50.0, live_hz, 1.0, -20.0))
    states["ringing"] = story.survey
    _heard(story, 6, USUAL_FRETS[1:])
    _heard(story, 5, (0, *USUAL_FRETS))
    _heard(story, 4, (12, 7))
    states["open still to come"] = story.survey
    story.note(4, 0, -23.0)
    states["out of tune"] = story.survey
    story.hz(None, Reason.TOO_SHORT)
    states["rejected"] = story.survey
    story.then(InputLost("unplugged"))
    states["input lost"] = story.survey
    story.then(InputBack())
    large = Played(states["heard"]).key(Command.LARGE_PRINT)
    states["large print"] = large.survey
    states["help"] = Played(states["heard"]).key(Command.HELP).survey
    for string in (4, 3, 2, 1):
        _heard(story, string, (0, *USUAL_FRETS))
    states["done"] = story.survey
    return states


STATES = _states()


def drawn(survey: Survey, width: int, height: int, variant: str = "monochrome") -> list[str]:
    theme = make_theme(Palette.MONOCHROME, ascii_only=variant == "ascii")
    lines = render(survey, width, height, theme)
    assert len(lines) == height
    assert max(line.cell_len for line in lines) <= width
    return [line.plain.rstrip() for line in lines]


def test_every_state_is_what_its_entries_say() -> None:
    for survey in STATES.values():
        assert read_log(survey.setup, survey.entries) == survey.log


@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_every_screen_is_as_it_was_last_looked_at(width: int, height: int, variant: str) -> None:
    path = GOLDENS / f"survey-{width}x{height}-{variant}.txt"
    screens = {
        name: "\n".join(drawn(survey, width, height, variant)) for name, survey in STATES.items()
    }
    compare(path, screens)


@pytest.mark.parametrize("name", PRESETS)
@pytest.mark.parametrize(("width", "height"), [*SIZES, (60, 15), (200, 60)])
def test_every_instrument_fits_and_the_string_at_work_is_seen(
    name: str, width: int, height: int
) -> None:
    instrument = PRESETS[name]
    frets = tuple(fret for fret in USUAL_FRETS if fret <= instrument.frets)
    asked = plan(strings=(), frets=frets)
    survey = begin(replace(asked, setup=replace(asked.setup, instrument=instrument)))
    lines = drawn(survey, width, height)
    assert lines[1].startswith("▸ Pluck string")
    assert any(line.startswith(("▸ ", f"▸{survey.current} ")) for line in lines[2:])
    assert "q quit" in " ".join(lines)


def test_the_picture_in_the_documents_is_what_is_drawn() -> None:
    page = (GOLDENS.parents[2] / "docs" / "neck.md").read_text(encoding="utf-8")
    heard = STATES["heard"].advance(InputHeard("default", None, None, None))
    assert page.split("```\n")[1].splitlines() == drawn(heard, 80, 24)


def test_too_small_a_window_says_so() -> None:
    assert drawn(STATES["begin"], 30, 8)[0] == "too small: needs 40 x 12"


def test_frets_that_were_not_asked_for_are_drawn_where_they_are() -> None:
    story = Played(begin(plan())).note(6).note(6, 7, 3.2)
    text = "\n".join(drawn(story.survey, 80, 24))
    (heads,) = [line.split() for line in text.split("\n") if line.startswith("fret  ")]
    assert heads == ["fret", "5", "7", "12"]
    assert "+3.2" in text


def test_every_fret_on_the_screen_is_that_of_the_neck() -> None:
    """The request, the block letters, the picture and what was heard say the same with a capo."""
    under = with_capo(GUITAR, 2)
    story = Played(begin(Plan(Setup(under, strings=(6,)), (3, 5, 14)))).note(6, 2).note(6, 3, 1.2)
    lines = [line.plain for line in render(story.survey, 80, 30, make_theme(Palette.MONOCHROME))]
    (heading,) = (line for line in lines if line.startswith("fret "))
    (row,) = (line for line in lines if line.startswith("▸ 6"))
    assert heading.split() == ["fret", "3", "5", "14"]
    assert row.index("+1.2") + 3 == heading.index("3")
    assert row.rindex("▸") == heading.index("5")
    assert "▸ String 6: fret the 5th and pluck it." in [line.rstrip() for line in lines]
    assert any("string 6, fret 3" in line for line in lines)
