"""Plucks laid over each other as they come through PortAudio, before a class and for a script."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest
from guided_bench import PITCHBENCH, Session
from test_session_screen import TmuxScreen
from virtual_mic import VirtualMic

pytestmark = [pytest.mark.live, pytest.mark.timeout(240)]

SAMPLE = Path(__file__).parents[2] / "samples" / "e2-soft-medium-hard.flac"
TRUTH = json.loads(SAMPLE.with_name("truth.json").read_text())["recordings"]
PLUCKS = next(r["plucks"] for r in TRUTH if r["file"] == SAMPLE.name)


def test_the_report_is_the_same_as_from_the_recording(vmic: VirtualMic, tmp_path: Path) -> None:
    figure, sound = tmp_path / "class.svg", tmp_path / "heard.flac"
    command = [*PITCHBENCH, "drift", "--plain", "--plucks", "3"]
    listening = Session([*command, "--out", figure, "--record", sound], vmic.env)
    try:
        listening.wait_for("^do: Pluck a string")
        vmic.play(SAMPLE)
        lines = [listening.wait_for(f"^pluck {n} E2") for n in (1, 2, 3)]
        assert [line.split()[3].strip(":") for line in lines[1:]] == ["hard", "hard"]
        listening.wait_for("^seen: E2 starts")
        for number, pluck in enumerate(PLUCKS, start=1):
            line = listening.wait_for(f"^pluck {number}: ")
            # The same string through the device: a tenth of a cent for 16 bits and another start.
            attack = float(line.split("attack ")[1].split()[0])
            assert attack == pytest.approx(pluck["attack_cents"], abs=0.6)
            assert ("soft", "medium", "hard")[number - 1] in line
        listening.wait_for("^Figure: ")
        assert listening.process.wait(20) == 0
    finally:
        listening.close()
    assert "<title>From attack to tail</title>" in figure.read_text()
    assert sound.stat().st_size > 100_000


def test_a_class_sees_every_pluck_and_one_struck_out(vmic: VirtualMic, tmp_path: Path) -> None:
    screen = TmuxScreen([*PITCHBENCH, "drift"], tmp_path, vmic.env)
    try:
        wait_for(screen, "▸ Pluck a string")
        playing = vmic.start_playing(SAMPLE)
        wait_for(screen, "▸ Let it ring")
        wait_for(screen, "3 E2 hard: attack +1")
        assert playing.wait(20) == 0
        screen.send("x")
        wait_for(screen, "Pluck 3 is struck out.")
        wait_for(screen, "2 plucks")
        screen.send("q")
        shown = wait_for(screen, "attack in cents above the settled pitch")
        assert "all 2 plucks settle" in shown
    finally:
        screen.close()


def wait_for(screen: TmuxScreen, words: str) -> str:
    """What stands on the screen once ``words`` do."""
    end = time.monotonic() + 25.0
    while time.monotonic() < end:
        shown = "\n".join(screen.lines())
        if words in shown:
            return shown
        time.sleep(0.1)
    pytest.fail(f"{words!r} never came:\n{shown}")
