"""A neck surveyed by sound alone through PortAudio: recognised, kept, killed, gone on with, shown.

The hands play what the program asks on a virtual instrument, into the virtual microphone.
"""

from __future__ import annotations

import re
import subprocess
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
import soundfile
from documents import parsed
from guided_bench import PITCHBENCH, RATE_HZ, Hands, Session, room_noise
from test_session_screen import TmuxScreen
from virtual_mic import VirtualMic

from pitchbench.presets import preset
from pitchbench.records.model import SessionKind
from pitchbench.records.repository import Repository
from pitchbench.session.log import TakeEntry
from pitchbench.strings.virtual import VirtualInstrument
from pitchbench.units import cents_between

pytestmark = [pytest.mark.live, pytest.mark.timeout(300)]

FRETS = (1, 7, 12, 17)


class Surveyor:
    """The hands of a survey: they do what the program asks, and nothing else."""

    def __init__(self, vmic: VirtualMic, folder: Path) -> None:
        self.vmic = vmic
        self.store = folder / "records.sqlite"
        instrument = VirtualInstrument(preset("six-string"), seed=4)
        for string in (6, 5):
            instrument.tune(string)
        self.hands = Hands(vmic, folder, instrument)
        self._room = folder / "room.wav"
        soundfile.write(self._room, room_noise(150), RATE_HZ, subtype="FLOAT")
        self._noise: subprocess.Popen[bytes] | None = None
        self.make_room()
        with Repository.open(self.store) as repository:
            repository.add_instrument(preset("six-string"))

    def make_room(self) -> None:
        """Let the room be heard from now on: where there is none, an input counts as muted."""
        self.leave_room()
        self._noise = self.vmic.start_playing(self._room)

    def leave_room(self) -> None:
        """Let nothing be heard but what is played."""
        if self._noise is not None:
            self._noise.kill()
            self._noise.wait()

    def command(self, *options: str) -> list[str]:
        return [*PITCHBENCH, "neck", *options, "--store", str(self.store)]

    def begin(self, *options: str) -> Session:
        return Session(self.command("--plain", *options), self.vmic.env)

    def play(self, asked: str) -> None:
        """Do what is asked for."""
        string = int(re.search(r"tring (\d)", asked)[1])  # type: ignore[index]
        fret = re.search(r"fret the (\d+)", asked)
        self.hands.pluck(string, int(fret[1]) if fret else 0)

    def play_until(self, session: Session, pattern: str, asked: str = "") -> str:
        """Play what is asked, beginning with ``asked``, until a line fits ``pattern``."""
        if asked:
            self.play(asked)
        for _ in range(30):
            line = session.wait_for(rf"^do: .*tring \d|{pattern}")
            if re.search(pattern, line):
                return line
            self.play(line)
        pytest.fail(session.text())

    def document(self, session: str = "last") -> Any:
        done = subprocess.run(
            self.command("--session", session, "--format", "json"),
            env=self.vmic.env,
            capture_output=True,
            text=True,
            check=True,
        )
        return parsed(done.stdout)

    def agrees(self, document: Any, strings: Sequence[int]) -> None:
        """Every reading and every offset is the virtual instrument's own."""
        readings = sorted(document["readings"], key=lambda reading: reading["onset_s"])
        for reading, played in zip(readings, self.hands.played, strict=True):
            assert reading["fret"] == played.fret
            error = cents_between(reading["pitch_hz"], played.true_hz)
            assert abs(error) < max(0.3, 4.0 * reading["u_cents"])
        assert [each["string"] for each in document["strings"]] == sorted(strings)
        for string in document["strings"]:
            assert [fret["fret"] for fret in string["frets"]] == list(FRETS)
            for fret in string["frets"]:
                truly = self.hands.instrument.true_offset_cents(string["string"], fret["fret"])
                # A reading may be uncertain by half a cent; the least of these offsets is 3 cents.
                assert fret["offset_cents"] == pytest.approx(truly, abs=1.2)


@pytest.fixture
def surveyor(vmic: VirtualMic, tmp_path: Path) -> Iterator[Surveyor]:
    at_work = Surveyor(vmic, tmp_path)
    yield at_work
    at_work.leave_room()


@pytest.fixture
def open_sessions() -> Iterator[list[Session]]:
    """Whatever is in it is ended after the test."""
    sessions: list[Session] = []
    yield sessions
    for session in sessions:
        session.close()


def test_a_neck_is_surveyed_killed_and_gone_on_with(
    surveyor: Surveyor, open_sessions: list[Session]
) -> None:
    options = ("--instrument", "six-string", "--string", "E2", "--string", "A2")
    first = surveyor.begin(*options, "--frets", ",".join(map(str, FRETS)))
    open_sessions.append(first)
    first.wait_for("notes: open and frets 1, 7, 12, 17")
    surveyor.play_until(first, r"^do: .* fret the 12th")
    # Unplugged in the middle, and plugged in again: it says so and goes on.
    surveyor.vmic.remove_device()
    first.wait_for("^note: input lost")
    surveyor.vmic.restore_device()
    surveyor.make_room()
    first.wait_for("^note: input back")
    asked = surveyor.play_until(
        first, "^do: Pluck string 5", first.wait_for("^do: String 6: fret the 12th")
    )
    surveyor.play_until(first, "^take 6: accepted, String 5", asked)
    first.process.kill()
    first.process.wait(20)

    with Repository.open(surveyor.store) as repository:
        kept = repository.last_unfinished(kind=SessionKind.NECK)
        assert kept is not None
        entries = repository.session(kept).entries
    assert sum(isinstance(entry, TakeEntry) for entry in entries) == 6

    second = surveyor.begin("--resume")
    open_sessions.append(second)
    asked = second.wait_for("^do: String 5: fret the 1st")
    line = surveyor.play_until(second, "^do: String 5, A2:", asked)
    assert "saddle" in line
    second.wait_for("^mind: A string can snap")
    assert second.process.wait(20) == 0

    document = surveyor.document()
    assert document["session"] == kept
    surveyor.agrees(document, (5, 6))
    with Repository.open(surveyor.store) as repository:
        assert repository.session(kept).meta.finished_at is not None


def test_it_is_seen_and_played_on_a_screen_without_a_key(
    surveyor: Surveyor, tmp_path: Path
) -> None:
    command = surveyor.command("--string", "E2", "--frets", ",".join(map(str, FRETS)))
    screen = TmuxScreen(command, tmp_path, surveyor.vmic.env)
    try:
        asked = wait_for_request(screen, "Pluck string 6")
        played = 0
        while "All notes are heard" not in asked:
            surveyor.play(asked)
            played += 1
            assert played <= 5, "\n".join(screen.lines())
            asked = wait_for_request(screen, r"(?!Let it ring|Damp)", other_than=asked)
        shown = "\n".join(screen.lines())
        assert "5 of 5 notes" in shown
        screen.send("q")
        result = wait_for_text(screen, r"String 6, E2: nut")
        assert "Kept on record as session" in result
    finally:
        screen.close()
    document = surveyor.document()
    surveyor.agrees(document, (6,))
    for fret in document["strings"][0]["frets"]:
        assert f"{fret['offset_cents']:+.1f}" in shown


def wait_for_request(screen: TmuxScreen, pattern: str, *, other_than: str = "") -> str:
    """The request on the screen once it fits and is another one than before."""
    end = time.monotonic() + 20.0
    while time.monotonic() < end:
        asked = screen.request()
        if asked and asked != other_than and re.match(pattern, asked):
            return asked
        time.sleep(0.2)
    pytest.fail("no request came:\n" + "\n".join(screen.lines()))


def wait_for_text(screen: TmuxScreen, pattern: str) -> str:
    """What stands on the screen once it fits."""
    end = time.monotonic() + 20.0
    while time.monotonic() < end:
        text = "\n".join(screen.lines())
        if re.search(pattern, text):
            return text
        time.sleep(0.2)
    pytest.fail("it never came:\n" + "\n".join(screen.lines()))
