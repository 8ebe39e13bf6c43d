"""Two strings set by sound alone, read from the screen as a person reads it, without a key.

`pitchbench session` runs in tmux and hears the virtual device. The test is the hands: it reads the
request from the captured screen and plays the answer into the microphone.
"""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile
from guided_bench import Hands
from virtual_mic import VirtualMic

from pitchbench.presets import preset
from pitchbench.strings.virtual import VirtualInstrument

pytestmark = [pytest.mark.live, pytest.mark.timeout(600)]

RATE_HZ = 48_000
STRINGS = (6, 5)
#: This instrument's strings 6 and 5 are found far off, so that both must be moved.
SEED = 4


class TmuxScreen:
    """A program in a tmux server of its own."""

    def __init__(self, command: list[str], folder: Path, env: dict[str, str]) -> None:
        self._tmux = ["tmux", "-S", str(folder / "tmux"), "-f", "/dev/null"]
        self._env = {**env, "TERM": "screen-256color", "LC_ALL": "C.UTF-8"}
        self._run("new-session", "-d", "-x", "80", "-y", "24", *command)
        self._run("set-option", "-g", "remain-on-exit", "on")

    def _run(self, *arguments: str) -> str:
        done = subprocess.run(
            [*self._tmux, *arguments], env=self._env, capture_output=True, text=True, check=True
        )
        return done.stdout

    def lines(self) -> list[str]:
        return self._run("capture-pane", "-p").splitlines()

    def request(self) -> str:
        """The one thing to do, from the second line on."""
        lines = self.lines()
        if len(lines) < 2 or not lines[1].startswith("▸ "):
            return ""
        words = [lines[1][2:]]
        for line in lines[2:]:
            if not line.startswith("  ") or re.search(r"[█▀▄]", line) or not line.strip():
                break
            words.append(line.strip())
        return " ".join(words)

    def send(self, keys: str) -> None:
        self._run("send-keys", keys)

    def close(self) -> None:
        self._run("kill-server")


@contextlib.contextmanager
def session(vmic: VirtualMic, folder: Path) -> Iterator[TmuxScreen]:
    """`pitchbench session` on the screen, in a room that is never digitally silent."""
    room = folder / "room.wav"
    quiet = VirtualInstrument(preset("six-string"), seed=13).room(600 * RATE_HZ)
    soundfile.write(room, quiet, RATE_HZ, subtype="FLOAT")
    command = [
        *(sys.executable, "-c", "from pitchbench.commands import main; main()", "session"),
        *("--strings", ",".join(str(number) for number in STRINGS)),
        *("--store", str(folder / "records.sqlite")),
    ]
    screen = TmuxScreen(command, folder, vmic.env)
    noise = vmic.start_playing(room)
    try:
        yield screen
    finally:
        screen.close()
        noise.kill()
        noise.wait()


def settled_request(screen: TmuxScreen, seconds: float = 20.0) -> str:
    """The request once no note rings: the same in two glances, and not about the present note."""
    end = time.monotonic() + seconds
    before = ""
    while time.monotonic() < end:
        asked = screen.request()
        if asked and asked == before and not re.match("Let it ring|Damp", asked):
            return asked
        before = asked
        time.sleep(0.25)
    pytest.fail("no request came:\n" + "\n".join(screen.lines()))


def test_two_strings_are_set_by_sound_without_a_key(vmic: VirtualMic, tmp_path: Path) -> None:
    hands = Hands(vmic, tmp_path, VirtualInstrument(preset("six-string"), seed=SEED))
    found = {string: hands.instrument.true_offset_cents(string) for string in STRINGS}
    assert all(abs(cents) > 4.0 for cents in found.values()), "both must need a move"
    with session(vmic, tmp_path) as screen:
        asked = settled_request(screen)
        while "Tune the instrument once more" not in asked:
            assert hands.plucks < 90, "\n".join(screen.lines())
            hands.answer(asked)
            asked = settled_request(screen)
        lines = screen.lines()
        assert lines[0].startswith("finished")
        for string in STRINGS:
            result = next(line for line in lines if line.startswith(f"string  {string}"))
            assert "leave it" in result
            shown = float(re.search(r"left +([+−]?[\d.]+)", result)[1].replace("−", "-"))  # type: ignore[index]
            true_cents = hands.instrument.true_offset_cents(string)
            assert abs(true_cents) < 2.0
            # The hands scatter by 0.3 cents; what is shown is the mean of two takes or more.
            assert shown == pytest.approx(true_cents, abs=0.7)
        # Only now a key, to leave.
        screen.send("q")
        time.sleep(1.0)
        assert any(line.startswith("string  6") for line in screen.lines())
