"""A session with the microphone has no connection to the network and listens to none."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from guided_bench import PITCHBENCH, Session
from sockets import internet_sockets
from virtual_mic import VirtualMic

pytestmark = pytest.mark.live

#: What a session needs to open device and records several times over.
LOOK_S = 2.0


def test_a_session_with_the_microphone_has_no_network(vmic: VirtualMic, tmp_path: Path) -> None:
    session = Session(
        [*PITCHBENCH, "session", "--plain", "--store", tmp_path / "records.sqlite"], vmic.env
    )
    try:
        session.wait_for("^do: ")
        pid, looks, end = session.process.pid, 0, time.monotonic() + LOOK_S
        while time.monotonic() < end:
            assert internet_sockets(pid) == set()
            looks += 1
            time.sleep(0.05)
        assert session.process.poll() is None
        assert looks > 5
    finally:
        session.close()
