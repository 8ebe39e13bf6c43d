"""The screen of the stretching: its whole text at three sizes, in monochrome and in ASCII.

After an intended change: PITCHBENCH_REWRITE_GOLDENS=1 pytest tests/screens/test_stretch_screen.py,
then read the difference.
"""

from __future__ import annotations

import pytest
from stretch_story import Stretched, begun
from test_goldens import GOLDENS, SIZES, VARIANTS, compare

from pitchbench.pitch.listener import LivePitch, PluckStarted
from pitchbench.pitch.reading import Reason
from pitchbench.presets import PRESETS
from pitchbench.screen.stretch import render
from pitchbench.screen.theme import Palette, make_theme
from pitchbench.session.fold import read_log
from pitchbench.session.job import Command, InputLost
from pitchbench.session.log import Setup
from pitchbench.session.stretch import Stretch, begin
from pitchbench.units import shifted_hz


def _states() -> dict[str, Stretch]:
    story = begun(6, 5, 4, 3, 2, 1)
    states = {"begin": story.job}
    states["plucked"] = story.pluck(0.4).job
    states["pull"] = story.pluck(0.2).job
    states["help"] = Stretched(story.job).key(Command.HELP).job
    states["large print"] = Stretched(story.job).key(Command.LARGE_PRINT).job
    ringing = Stretched(story.job).then(PluckStarted(50.0))
    live_hz = shifted_hz(story.job.setup.open_hz(6), -11.0)
    states["ringing"] = ringing.then(LivePitch(50.9, 50.0, live_hz, 1.0, -20.0)).job
    states["input lost"] = Stretched(story.job).then(InputLost("unplugged")).job
    states["ignored"] = Stretched(story.job).pluck(-460.0).job
    states["rejected"] = Stretched(story.job).rejected(Reason.TOO_SHORT).job
    story.pluck(-14.2).pluck(-14.4)
    states["pull again"] = story.job
    states["tuned meanwhile"] = Stretched(story.job).pluck(0.3).job
    story.pluck(-15.3).pluck(-15.5).pluck(-15.3).pluck(-15.4)
    states["next string"] = story.job
    while not story.job.finished:
        story.pluck(-0.2 * (len(story.job.entries) % 2))
    states["done"] = story.job
    return states


STATES = _states()


def drawn(stretch: Stretch, width: int, height: int, variant: str = "monochrome") -> list[str]:
    theme = make_theme(Palette.MONOCHROME, ascii_only=variant == "ascii")
    lines = render(stretch, width, height, theme)
    assert len(lines) == height
    assert max(line.cell_len for line in lines) <= width
    return [line.plain.rstrip() for line in lines]


def test_every_state_is_what_its_entries_say() -> None:
    for stretch in STATES.values():
        assert read_log(stretch.setup, stretch.entries) == stretch.log


@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_every_screen_is_as_it_was_last_looked_at(width: int, height: int, variant: str) -> None:
    path = GOLDENS / f"stretch-{width}x{height}-{variant}.txt"
    screens = {
        name: "\n".join(drawn(stretch, width, height, variant)) for name, stretch in STATES.items()
    }
    compare(path, screens)


@pytest.mark.parametrize(("width", "height"), [*SIZES, (60, 15), (200, 60)])
def test_where_a_pull_is_asked_for_its_danger_is_named(width: int, height: int) -> None:
    for name in ("pull", "pull again", "large print", "ignored", "rejected"):
        text = " ".join(" ".join(drawn(STATES[name], width, height)).split())
        assert "Pull string 6 gently" in text, name
        assert "ear eye protection" in text, name


@pytest.mark.parametrize("name", PRESETS)
@pytest.mark.parametrize(("width", "height"), [*SIZES, (60, 15), (200, 60)])
def test_every_instrument_fits_and_the_string_at_work_is_seen(
    name: str, width: int, height: int
) -> None:
    stretch = begin(Setup(PRESETS[name]))
    lines = drawn(stretch, width, height)
    assert lines[1].startswith("▸ Pluck string")
    assert any(line.startswith(f"▸ {stretch.current} ") for line in lines[2:])
    assert "q quit" in " ".join(lines)
