"""Strings stretched by sound alone through PortAudio: plucked, pulled, kept, and shown again.

The hands pluck and pull what the program asks for on a virtual instrument, into the virtual
microphone.
"""

from __future__ import annotations

import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
import soundfile
from documents import parsed
from guided_bench import PITCHBENCH, RATE_HZ, Hands, Session, room_noise
from virtual_mic import VirtualMic

from pitchbench.intonation.stretching import SURE_ENOUGH
from pitchbench.presets import preset
from pitchbench.records.repository import Repository
from pitchbench.strings.virtual import VirtualInstrument

pytestmark = [pytest.mark.live, pytest.mark.timeout(300)]

NAME = "Bench guitar"


def test_a_string_is_pulled_until_it_is_stretched(vmic: VirtualMic, tmp_path: Path) -> None:
    """Pulls that cost 6, 3 and 1.5 cents: the third is within the tolerance of 2 cents."""
    store = tmp_path / "records.sqlite"
    with Repository.open(store) as repository:
        repository.add_instrument(replace(preset("six-string"), name=NAME))
    virtual = VirtualInstrument(preset("six-string"), seed=4, gives_cents=6.0)
    virtual.tune(6)
    hands = Hands(vmic, tmp_path, virtual)
    room = tmp_path / "room.wav"
    soundfile.write(room, room_noise(150), RATE_HZ, subtype="FLOAT")
    noise = vmic.start_playing(room)
    options = ("--instrument", NAME, "--strings", "6", "--plain", "--store", str(store))
    session = Session([*PITCHBENCH, "stretch", *options], vmic.env)
    pulled = []
    try:
        session.wait_for("^caution: Pull gently, .*eye protection")
        for _ in range(20):
            asked = session.wait_for("^do: .*string 6|^do: All strings are heard")
            if "All strings" in asked:
                break
            if "Pull" in asked:
                pulled.append(virtual.pull(6))
            hands.pluck(6, 0)
        session.wait_for("^string 6, E2: stretched: the last of 3 pulls cost")
        assert session.process.wait(20) == 0
    finally:
        session.close()
        noise.kill()
        noise.wait()
    assert pulled == [6.0, 3.0, 1.5]
    shown = subprocess.run(
        [*PITCHBENCH, "history", NAME, "--format", "json", "--store", str(store)],
        env=vmic.env,
        capture_output=True,
        text=True,
        check=True,
    )
    (string,) = parsed(shown.stdout)["stretched"]["strings"]
    assert string["plucks"] == len(hands.played)
    low, high = string["per_pull_interval95_cents"]
    # Readings differ a little with how the sound server cuts them: within twice the ± is held.
    assert string["per_pull_cents"] == pytest.approx(1.5, abs=min(high - low, 1.5))
    assert string["p_stretched"] >= SURE_ENOUGH
    assert string["lost_cents"] == pytest.approx(10.5, abs=0.5)
    assert string["stretched"]
