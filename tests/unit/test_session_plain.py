"""The plain view: one line per event, the label before the value, nothing else."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

from session_story import Story

from pitchbench.instrument import Bridge, BridgeKind
from pitchbench.pitch.reading import Reason
from pitchbench.presets import preset
from pitchbench.screen.plain import PlainView, result_lines
from pitchbench.session.job import Command, InputBack, InputLost, KeyPressed
from pitchbench.session.state import begin


def _told(story: Story) -> list[str]:
    """What the plain view writes for the events of ``story``."""
    lines: list[str] = []
    view = PlainView(lines.append)
    state = begin(story.state.setup)
    view(state, state)
    for event in story.events:
        old, state = state, state.advance(event)
        view(old, state)
    return lines


def _job() -> Story:
    story = Story.begin(strings=(6, 5))
    story.play(6, 0, -30.0).play(6).play(6, 12, 5.0, reason=Reason.CLIPPED).play(6, 3)
    story.takes(6.0).move_and_retune(6).takes(0.1).string(0.1)
    return story.string(0.1).string(0.1)


def test_every_line_is_a_label_and_a_value_without_control_characters() -> None:
    for line in _told(_job()) + result_lines(_job().state):
        assert re.fullmatch(r"[a-z0-9, %]+: \S.*", line), line
        assert line.isprintable()
        assert not re.search("[─-▟]", line), "no boxes"


def test_the_first_lines_say_the_order_of_work_and_what_to_do() -> None:
    lines = _told(Story.begin())
    assert lines[0] == "instrument: six-string"
    text = "\n".join(lines)
    for word in ("new, stretched", "relief", "floating", "action", "playing position", "gently"):
        assert word in text
    assert lines[-1] == "do: Pluck string 6 open to begin."


def test_everything_the_screen_tells_is_told() -> None:
    text = "\n".join(_told(_job()))
    for part in (
        "heard: String 6 is 30.0 cents flat of E2: bring it up slowly.",
        "rejected, string 6 at the 12th fret: too loud",
        "ignored, a pluck: the 3rd fret instead of the 12th",
        "accepted, string 6 at the 12th fret, 165.",
        "verdict: string 6, 5.",
        "move: string 6, 2.",
        "mm away from the nut",
        "turns clockwise",
        "move, 95 % interval: 1.",
        "travel so far: +0.0 mm",
        "caution: Slacken the string",
        "moved: string 6, +2.",
        "done: String 6: leave it, 0.",
        "step: finished",
    ):
        assert part in text, part


def test_values_carry_their_unit_and_uncertainty() -> None:
    takes = [line for line in _told(_job()) if "accepted" in line]
    assert takes
    for line in takes:
        assert re.search(r"\d Hz, \d+\.\d ± \d+\.\d cents (sharp of|flat of|from) [A-G]#?\d$", line)


def test_after_every_pluck_it_says_what_to_do_and_only_once() -> None:
    lines = _told(_job())
    plucks = [n for n, line in enumerate(lines) if line.startswith("take ")]
    for here, there in itertools.pairwise([*plucks, len(lines)]):
        assert sum(line.startswith("do:") for line in lines[here:there]) == 1


def test_a_string_brought_up_is_told_once_per_side_and_pluck_not_many_times_a_second() -> None:
    story = Story.begin().play(6, 0, -30.0)
    before = len(_told(story))
    for step in range(200):
        story.live(story.target_hz(6) * 2 ** ((-50 + 0.5 * step) / 1200), after_s=0.5 + step / 50)
    told = _told(story)[before:]
    assert len(told) == 3
    assert "flat" in told[0]
    assert "near its pitch" in told[1]
    assert "above its pitch" in told[2]


def test_a_ringing_note_writes_nothing_until_it_is_over() -> None:
    story = Story.begin().play(6)
    before = len(_told(story))
    for step in range(50):
        story.live(story.target_hz(6), after_s=0.5 + step / 20)
    assert _told(story)[before:] == []


def test_keys_and_a_lost_input_are_told() -> None:
    story = Story.begin().play(6).play(6, 12, 3.0).key(Command.STRIKE)
    story.event(KeyPressed(Command.TOLERANCE_UP))
    story.event(InputLost("unplugged")).event(InputBack())
    text = "\n".join(_told(story))
    assert "struck out: take 2 of string 6" in text
    assert "note: tolerance 2.5 cents" in text
    assert "note: input lost: unplugged" in text
    assert "do: Connect the sound input again." in text
    assert "note: input back" in text


def test_results_say_how_each_string_was_found_and_left() -> None:
    lines = result_lines(_job().state)
    assert len(lines) == 3
    assert re.fullmatch(r"bridge: its saddles go \d\.\d\d ± .* learned from 1 move", lines[2])
    assert re.match(r"result: string 6 \(E2\), found \d\.\d ± \d\.\d cents sharp, now ", lines[0])
    assert "leave it, 1 move," in lines[0]
    unfinished = result_lines(Story.begin(strings=(6,)).state)
    assert unfinished == [
        "result: string 6 (E2), found not measured, now not measured, not finished, 0 moves, "
        "saddle travel +0.0 mm"
    ]


def test_each_undo_names_its_own_take() -> None:
    story = Story.begin(strings=(6,)).play(6).play(6, 12, 2.5).play(6, 12, 2.1).play(6, 12, 2.3)
    story.key(Command.AGAIN).key(Command.UNDO).key(Command.UNDO).key(Command.UNDO)
    story.play(6, 12, 2.2).key(Command.UNDO).key(Command.UNDO)
    back = [line for line in _told(story) if line.startswith("taken back: ")]
    assert back == [
        "taken back: the last key",
        "taken back: take 4",
        "taken back: take 3",
        "taken back: take 5",
        "taken back: take 2",
    ]


def test_what_was_filed_before_follows_the_travel() -> None:
    saddle = Bridge(BridgeKind.FIXED_SADDLE, travel_toward_nut_mm=2.0, travel_away_mm=2.0)
    guitar = replace(preset("six-string"), bridge=saddle)
    for filed_mm in ((), (0.0,) * 5 + (0.42,)):
        lines = _told(Story.begin(guitar, strings=(6,), filed_mm=filed_mm).string(4.0))
        said = ["filed before: 0.42 mm away from the nut"] * bool(filed_mm)
        assert [line for line in lines if line.startswith("filed before")] == said
