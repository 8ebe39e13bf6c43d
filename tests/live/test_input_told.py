"""A session says how its input stands: its name, its level, and within five seconds what is wrong
with it and what to do."""

from __future__ import annotations

import re
import shutil
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from guided_bench import PITCHBENCH, RATE_HZ, Session, bench, room_noise
from test_drift_live import wait_for
from test_session_screen import TmuxScreen
from virtual_mic import VirtualMic

from pitchbench.presets import preset
from pitchbench.session.job import NO_NOTE
from pitchbench.session.voice import Voice
from pitchbench.strings.virtual import VirtualInstrument

pytestmark = [pytest.mark.live, pytest.mark.timeout(240)]

#: What is promised, and half a second for the test's own ways.
WITHIN_S = 5.5


def note(folder: Path, peak: float, *, ring_s: float = 2.5, times: int = 1) -> Path:
    """A file with the open string 6, so loud, plucked so many times."""
    sound = VirtualInstrument(preset("six-string"), seed=3).pluck(6, 0, ring_s=ring_s)
    sound = np.tile(np.clip(sound * peak / np.abs(sound).max(), -1.0, 1.0), times)
    path = folder / f"note-{peak}-{times}.wav"
    soundfile.write(path, sound.astype(np.float32), RATE_HZ, subtype="FLOAT")
    return path


def test_muted_and_heard_again(vmic: VirtualMic, tmp_path: Path) -> None:
    with bench(vmic, tmp_path) as running:
        vmic.mute()
        began = time.monotonic()
        asked = running.session.wait_for("^do: Unmute the input default, or plug it in")
        assert time.monotonic() - began < WITHIN_S
        assert "dead silent" in asked
        assert "input: default, silent" in running.session.lines
        vmic.mute(False)
        running.session.wait_for("^input: default, heard")
        running.session.wait_for("^do: Pluck string 6 open")
        # Nothing was lost by it.
        running.hands.instrument.tune(6)
        running.hands.pluck(6, 0)
        running.session.wait_for("^take 1: accepted, open E2")


def test_far_too_quiet_and_too_loud(vmic: VirtualMic, tmp_path: Path) -> None:
    floor = tmp_path / "floor.wav"
    quiet = 1e-6 * np.random.default_rng(2).standard_normal(90 * RATE_HZ)
    soundfile.write(floor, quiet.astype(np.float32), RATE_HZ, subtype="FLOAT")
    noise = vmic.start_playing(floor)
    session = Session([*PITCHBENCH, "session", "--plain", "--no-keep"], vmic.env)
    try:
        session.wait_for("^do: ")
        time.sleep(1.0)
        playing = vmic.start_playing(note(tmp_path, 5e-4, ring_s=6.0))
        began = time.monotonic()
        session.wait_for("^input: default, far too quiet")
        assert time.monotonic() - began < WITHIN_S
        session.wait_for("^do: Turn the input default up, or go nearer: it is far too quiet")
        assert playing.wait(20) == 0
        began = time.monotonic()
        playing = vmic.start_playing(note(tmp_path, 4.0))
        session.wait_for("^input: default, too loud: turn it down")
        assert time.monotonic() - began < WITHIN_S
        assert playing.wait(20) == 0
    finally:
        session.close()
        noise.kill()
        noise.wait()


@pytest.mark.parametrize("chosen", ["muted", "an empty socket"])
def test_the_wrong_input(vmic: VirtualMic, tmp_path: Path, chosen: str) -> None:
    """Another input has the sound: it is named, with what to type."""
    vmic.add_input("interface")
    floor = tmp_path / "floor.wav"
    quiet = 1e-6 * np.random.default_rng(2).standard_normal(90 * RATE_HZ)
    quiet *= chosen != "muted"
    soundfile.write(floor, quiet.astype(np.float32), RATE_HZ, subtype="FLOAT")
    noise = vmic.start_playing(floor)
    played = vmic.start_playing(note(tmp_path, 0.3, times=12), "interface")
    command = [*PITCHBENCH, "session", "--plain", "--no-keep", "--device", "default"]
    session = Session(command, vmic.env)
    try:
        session.wait_for("^do: ")
        began = time.monotonic()
        asked = session.wait_for("^do: .* choose interface with --device")
        assert time.monotonic() - began < WITHIN_S
        assert asked.startswith("do: Unmute" if chosen == "muted" else "do: Play into")
        number = re.search(r"--device (\d+)", asked)[1]  # type: ignore[index]
    finally:
        session.close()
        for player in (noise, played):
            player.kill()
            player.wait()
    # The number that is named is the input that has the sound.
    playing = vmic.start_playing(note(tmp_path, 0.3), "interface")
    session = Session([*command[:-1], number], vmic.env)
    try:
        session.wait_for("^input: interface, heard")
    finally:
        session.close()
        playing.kill()
        playing.wait()


@pytest.mark.parametrize("command", ["session", "neck", "drift"])
def test_name_and_level_stand_on_the_screen(vmic: VirtualMic, tmp_path: Path, command: str) -> None:
    room = tmp_path / "room.wav"
    soundfile.write(room, room_noise(60), RATE_HZ, subtype="FLOAT")
    noise = vmic.start_playing(room)
    options = [] if command == "drift" else ["--no-keep"]
    screen = TmuxScreen([*PITCHBENCH, command, *options], tmp_path, vmic.env)
    try:
        wait_for(screen, "heard · default")
        assert "█" not in line(screen)
        loud = vmic.start_playing(note(tmp_path, 0.5))
        levels = set()
        while loud.poll() is None:
            levels.add(line(screen).count("█"))
        # Half of full scale is 54 dB above the 60 that the bar shows, in ten cells; what is told
        # may be 3 dB old.
        assert max(levels) in (8, 9)
        vmic.mute()
        wait_for(screen, "▸ Unmute the input default")
        wait_for(screen, "input silent · default")
    finally:
        screen.close()
        noise.kill()
        noise.wait()


def line(screen: TmuxScreen) -> str:
    """The line of the input."""
    return next((line for line in screen.lines() if line.startswith("input ")), "")


@pytest.mark.skipif(not shutil.which("espeak-ng"), reason="espeak-ng is not installed")
def test_talk_at_the_bench_is_named_and_no_take(vmic: VirtualMic, tmp_path: Path) -> None:
    path = tmp_path / "talk.wav"
    with Voice(RATE_HZ) as voice:
        while (talk := voice.speak("Is the bass ready, or shall I come back tomorrow?")) is None:
            time.sleep(0.05)
    soundfile.write(path, 0.6 * talk, RATE_HZ, subtype="FLOAT")
    with bench(vmic, tmp_path) as running:
        running.hands.instrument.tune(6)
        running.hands.pluck(6, 0)
        running.session.wait_for("^take 1: accepted, open E2")
        vmic.play(path)
        told = running.session.wait_for("^heard: ")
        assert told == f"heard: {NO_NOTE}"
        running.hands.pluck(6, 12)
        running.session.wait_for("^take 2: accepted, string 6 at the 12th fret")
        assert running.session.end() == 130
        assert len(running.takes()) == 2
