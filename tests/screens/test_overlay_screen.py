"""The screen of plucks laid over each other: its whole text at three sizes, and its plain lines.

After an intended change: PITCHBENCH_REWRITE_GOLDENS=1 pytest tests/screens/test_overlay_screen.py,
then read the difference.
"""

from __future__ import annotations

import pytest
from overlay_story import heard, overlaid
from test_goldens import GOLDENS, SIZES, VARIANTS, compare

from pitchbench.pitch.listener import LivePitch, ReadingReady
from pitchbench.pitch.reading import Reason, Rejected
from pitchbench.screen.overlay import OverlayLines, render
from pitchbench.screen.theme import Palette, make_theme
from pitchbench.session.job import Command, InputLost, KeyPressed
from pitchbench.session.overlay import Overlay


def _states() -> dict[str, Overlay]:
    events = heard()
    finals = [n for n, e in enumerate(events) if isinstance(e, ReadingReady) and e.final]
    live = next(n for n in range(finals[1] + 30, finals[2]) if isinstance(events[n], LivePitch))
    done = overlaid()
    rejected = done.advance(ReadingReady(Rejected(12.0, 0.3, Reason.TOO_SHORT), final=True))
    return {
        "begin": Overlay(),
        "first": overlaid(finals[0] + 1),
        "ringing": overlaid(live + 1),
        "three": done,
        "rejected": rejected,
        "input lost": done.advance(InputLost("unplugged")),
        "help": done.advance(KeyPressed(Command.HELP)),
    }


STATES = _states()


def drawn(overlay: Overlay, width: int, height: int, variant: str = "monochrome") -> list[str]:
    theme = make_theme(Palette.MONOCHROME, ascii_only=variant == "ascii")
    lines = render(overlay, width, height, theme)
    assert len(lines) == height
    assert max(line.cell_len for line in lines) <= width
    return [line.plain.rstrip() for line in lines]


@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_every_screen_is_as_it_was_last_looked_at(width: int, height: int, variant: str) -> None:
    path = GOLDENS / f"overlay-{width}x{height}-{variant}.txt"
    screens = {
        name: "\n".join(drawn(overlay, width, height, variant)) for name, overlay in STATES.items()
    }
    compare(path, screens)


@pytest.mark.parametrize(("width", "height"), [(60, 15), (100, 30), (200, 60), (40, 40)])
def test_other_windows_are_filled_without_spilling(width: int, height: int) -> None:
    for overlay in STATES.values():
        drawn(overlay, width, height)


def test_the_highest_stands_highest_and_all_end_at_the_settled_pitch() -> None:
    lines = drawn(STATES["three"], 80, 24)
    first_row = {
        figure: next(n for n, line in enumerate(lines[2:20]) if figure in line[6:])
        for figure in "123"
    }
    assert first_row["3"] < first_row["2"] < first_row["1"]
    zero = next(line for line in lines if line.startswith("  0.0 "))
    assert {"1", "2", "3"} <= set(zero)


def test_many_plucks_leave_the_picture_its_room() -> None:
    overlay = STATES["three"]
    for _ in range(9):
        overlay = overlay.advance(ReadingReady(overlay.plucks[0].reading, final=True))
    lines = drawn(overlay, 80, 24)
    table = [line for line in lines if " E2 " in line]
    assert table[-1].startswith("12 E2")
    assert len(table) <= 8


def test_plain_lines_say_the_same() -> None:
    lines: list[str] = []
    view = OverlayLines(lines.append)
    overlay = Overlay()
    view(overlay, overlay)
    for event in heard():
        following = overlay.advance(event)
        view(overlay, following)
        overlay = following
    view(overlay, overlay.advance(KeyPressed(Command.STRIKE)))
    ask = "do: Pluck a string and let it ring."
    assert [line.split(":")[0] for line in lines] == ["do", *["pluck 1 E2", "do"], *[
        "pluck 2 E2 hard", "do", "pluck 3 E2 hard", "do", "note", "do"]]  # fmt: skip
    assert lines[0] == ask
    assert lines[-2] == "note: Pluck 3 is struck out."
