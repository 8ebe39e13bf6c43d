"""A session that speaks, with a real voice through a real loudspeaker that the microphone hears.

The loudspeaker is a sink of its own, fed back into the microphone as much quieter as a laptop's is
in its own microphone. What it plays is listened to all along, so that it is known when it sounded.
"""

from __future__ import annotations

import contextlib
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np
import pytest
from guided_bench import PITCHBENCH, RING_S, Bench, Hands, Session, ahead, bench
from virtual_mic import VirtualMic

from pitchbench.session.log import Outcome, OutcomeEntry, TakeFate
from pitchbench.session.voice import Voice

pytestmark = [
    pytest.mark.live,
    pytest.mark.timeout(300),
    pytest.mark.skipif(not shutil.which("espeak-ng"), reason="espeak-ng is not installed"),
]

#: A voice of half of full scale, and notes that peak at a tenth: in the microphone the voice is as
#: loud as the notes. A laptop's own loudspeaker is heard about so by its microphone (from memory).
FED_BACK_DB: Final = -12.0

#: Louder than this is no silence; the sink itself is exactly silent.
SOUND: Final = 1e-3

_PART: Final = 960  # 20 ms


class Ear:
    """Hears the loudspeaker all along: how loud it was, and when."""

    def __init__(self, vmic: VirtualMic) -> None:
        command = ["parec", "--device=speaker.monitor", "--format=float32le", "--channels=1",
                   "--rate=48000", "--latency-msec=20"]  # fmt: skip
        self.heard: list[tuple[float, float]] = []
        self._process = subprocess.Popen(command, env=vmic.env, stdout=subprocess.PIPE)
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        while part := self._process.stdout.read(4 * _PART):
            level = float(np.abs(np.frombuffer(part, np.float32)).max(initial=0.0))
            self.heard.append((time.monotonic(), level))

    def loudest(self, begin_s: float, end_s: float) -> float:
        """The loudest that was heard between two times of the clock."""
        return max((level for at, level in self.heard if begin_s <= at <= end_s), default=0.0)

    def hear_out(self, seconds: float = 1.0, *, since_s: float | None = None) -> None:
        """Return once something has been heard, now or a moment ago or since then, and nothing for
        so long: the half second that the program is deaf afterwards, and a little."""
        began = time.monotonic() - 0.5 if since_s is None else since_s
        while time.monotonic() < began + 30.0:
            now = time.monotonic()
            if self.loudest(began, now) > SOUND > self.loudest(now - seconds, now):
                return
            time.sleep(0.02)
        pytest.fail("it did not speak, or never stopped")

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        self._thread.join()
        assert self._process.stdout is not None
        self._process.stdout.close()


@contextlib.contextmanager
def speaking(
    vmic: VirtualMic, folder: Path, *options: str
) -> Iterator[tuple[Bench, Ear, list[tuple[float, float]]]]:
    """A session that speaks, at a bench whose hands wait until it has finished; with the times
    between which each of their notes rang."""
    vmic.add_loudspeaker(FED_BACK_DB)
    ear = Ear(vmic)
    rang: list[tuple[float, float]] = []
    try:
        with bench(vmic, folder, options=options) as running:

            def answer(asked: str) -> None:
                if rang or not spoken(running.session):
                    running.session.wait_for("^spoken: ")
                ear.hear_out()
                began = time.monotonic()
                running.hands.answer(asked)
                rang.append((began, began + RING_S))

            running.answer = answer  # type: ignore[method-assign]
            yield running, ear, rang
    finally:
        ear.close()


def spoken(session: Session) -> list[str]:
    return [line.removeprefix("spoken: ") for line in session.lines if line.startswith("spoken: ")]


def first_spoken(session: Session) -> str:
    """The first that is spoken. On a slow machine that may be before the sound input is open, and
    so before anybody waits for it."""
    return spoken(session)[0] if spoken(session) else session.wait_for("^spoken: ")


def test_a_string_is_set_by_ear_alone(vmic: VirtualMic, tmp_path: Path) -> None:
    sound = tmp_path / "evening.flac"
    with speaking(vmic, tmp_path, "--speak", "--record", str(sound)) as (running, ear, rang):
        running.play_until(r"^done: String 6: leave it")
        running.session.wait_for("^Kept on record")
        ended = time.monotonic()
        assert running.session.process.wait(20) == 0
        said, takes, entries = spoken(running.session), running.takes(), running.kept()
        true_cents = running.hands.instrument.true_offset_cents(running.string)
        text = running.session.text()
    # The string is right, and nothing that was spoken has become a take: each is a pluck.
    assert abs(true_cents) < 1.5, text
    assert [e.outcome for e in entries if isinstance(e, OutcomeEntry)] == [Outcome.LEAVE]
    assert len(takes) == len(running.hands.played), text
    assert TakeFate.REJECTED not in {take.fate for take in takes}, text
    # The words: in full at first, short from then on, and the move in turns.
    assert said[0] == "I do not listen while I speak. Pluck string six open to begin."
    assert sum("lightly at the twelfth fret" in words for words in said) == 1
    assert any(re.fullmatch(r"[\w ]+\. Fret twelve\.", words) for words in said), said
    assert any(re.match(r"[A-Z]\w+( point \w+)? (sharp|flat)", words) for words in said), said
    (move,) = [words for words in said if "lacken" in words]
    assert re.search(r"turns (counter)?clockwise", move)
    last = r"String six, [\w ]+: leave it\. Tune the instrument once more and play it\."
    assert re.fullmatch(last, said[-1]), said
    # The sound: there was some for every word, and none while a note rang.
    first = rang[0][0]
    assert ear.loudest(first - 10.0, first) > 0.3
    for (_, end), (following, _) in pairwise(rang):
        assert ear.loudest(end, following) > 0.3
    assert ear.loudest(rang[-1][1], ended) > 0.3
    for began, end in rang:
        assert ear.loudest(began, end) < SOUND
    # The recording has a gap wherever it spoke, so listening to it again gives the same takes.
    again = [*PITCHBENCH, "session", "--plain", "--strings", "6", "--recording", sound]
    done = subprocess.run(again, capture_output=True, text=True, check=True)
    assert taken(done.stdout) == taken(text)


def taken(text: str) -> list[str]:
    """The lines of the takes."""
    return re.findall(r"^take .*", text, re.M)


def test_a_pluck_while_it_speaks_is_no_take_and_the_next_one_is(
    vmic: VirtualMic, tmp_path: Path
) -> None:
    with speaking(vmic, tmp_path, "--speak") as (running, ear, _):
        running.hands.instrument.tune(6)
        first_spoken(running.session)
        began = time.monotonic()
        running.hands.pluck(6, 0)
        ear.hear_out(since_s=began)  # on a slow machine the words may be over before the note
        assert running.takes() == []
        running.hands.pluck(6, 0)
        running.session.wait_for("^take 1: accepted, open E2")
        assert running.session.end() == 130


def test_with_headphones_it_listens_on_and_falls_silent(vmic: VirtualMic, tmp_path: Path) -> None:
    vmic.add_loudspeaker(-120.0)  # worn by the player: the microphone hears nothing of them
    ear = Ear(vmic)
    try:
        with bench(vmic, tmp_path, options=["--speak", "--headphones"]) as running:
            running.hands.instrument.tune(6)
            said = first_spoken(running.session)
            assert "do not listen" not in said
            began = time.monotonic()
            running.hands.pluck(6, 0)
            assert ear.loudest(began - 1.0, began + 0.5) > 0.3
            # From when the pluck is recognised on there is silence.
            assert ear.loudest(began + 0.8, began + RING_S) < SOUND
            running.session.wait_for("^take 1: accepted, open E2")
    finally:
        ear.close()


def test_tones_are_counted_and_no_takes(vmic: VirtualMic, tmp_path: Path) -> None:
    with speaking(vmic, tmp_path, "--cue") as (running, ear, _):
        running.hands.instrument.tune(6)
        damped = Hands(vmic, tmp_path, running.hands.instrument, ring_s=0.2)
        for hands, fate, tones in ((running.hands, "accepted", 1), (damped, "rejected", 2)):
            hands.pluck(6, 0)
            running.session.wait_for(f"^take .: {fate}")
            began = time.monotonic()
            ear.hear_out()
            loud = np.array([level for at, level in ear.heard if at > began - 0.5]) > 0.02
            # Between two tones there are at least two parts of 20 ms that hold none.
            assert np.count_nonzero(loud[1:] & ~loud[:-1]) == tones
        assert running.session.end() == 130
        assert len(running.takes()) == 2


def test_a_rehearsal_is_heard_out_to_its_last_word(vmic: VirtualMic) -> None:
    vmic.add_loudspeaker(FED_BACK_DB)
    words = "rehearse --plain --speak --cue --strings 6 --tolerance 15 --seed 4"
    session = Session([*PITCHBENCH, *words.split()], vmic.env)
    try:
        session.wait_for("^result: string 6")
        assert session.process.wait(20) == 0
    finally:
        session.close()
    assert "do: Tune the instrument once more and play it." in session.lines
    assert spoken(session)[-1].endswith("Tune the instrument once more and play it.")


#: Is cut off in the middle of a sound, and opened again.
CUT_OFF = """
import time
import numpy as np
from pitchbench.sound.loudspeaker import Loudspeaker
speaker = Loudspeaker()
sound = 0.3 * np.sin(0.05 * np.arange(3 * speaker.rate_hz)).astype(np.float32)
with speaker.opened():
    speaker.play(sound)
    time.sleep(1.0)
time.sleep(1.5)
print("again", flush=True)
with speaker.opened():
    time.sleep(1.5)
    assert not speaker.sounding
"""


def test_what_a_lost_output_cut_off_is_not_played_when_it_is_back(vmic: VirtualMic) -> None:
    vmic.add_loudspeaker(FED_BACK_DB)
    ear = Ear(vmic)
    session = Session([sys.executable, "-c", CUT_OFF], vmic.env)
    try:
        session.wait_for("^again")
        again = time.monotonic()
        assert session.process.wait(20) == 0, session.text()
        assert ear.loudest(again - 3.5, again - 1.0) > 0.2
        assert ear.loudest(again, time.monotonic()) < SOUND
    finally:
        session.close()
        ear.close()


def test_a_voice_that_failed_is_asked_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def said() -> int:
        while (sound := voice.speak("Fret twelve.")) is None:
            time.sleep(0.01)
        return len(sound)

    program = tmp_path / "espeak-ng"
    program.symlink_to(shutil.which("espeak-ng") or "")
    monkeypatch.setenv("PATH", str(tmp_path))
    with Voice(48_000) as voice:
        program.rename(tmp_path / "gone")
        assert said() == 0
        (tmp_path / "gone").rename(program)
        assert said() > 10_000


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_ends_at_once_while_it_speaks(
    vmic: VirtualMic, tmp_path: Path, number: signal.Signals
) -> None:
    with speaking(vmic, tmp_path, "--speak") as (running, _, _):
        first_spoken(running.session)
        time.sleep(0.3)
        with ahead(running.session.process.pid):
            began = time.monotonic()
            assert running.session.end(number) == 130
            assert time.monotonic() - began < 2.0


def test_without_a_voice_one_sentence_says_so(vmic: VirtualMic, tmp_path: Path) -> None:
    env = {**vmic.env, "PATH": str(tmp_path)}
    session = Session([*PITCHBENCH, "session", "--plain", "--speak", "--no-keep"], env)
    try:
        session.wait_for("This system has no voice that pitchbench knows")
        assert session.process.wait(20) == 2
    finally:
        session.close()
