"""The virtual microphone as a fixture, and an input that is less kind."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Iterator

import pytest
from virtual_mic import VirtualMic, missing, virtual_mic


@pytest.fixture
def vmic() -> Iterator[VirtualMic]:
    """A private virtual microphone at 48 kHz."""
    lacking = missing()
    if lacking:
        pytest.skip(f"live tests need a user-space sound server; {lacking}")
    with virtual_mic() as mic:
        yield mic


@pytest.fixture
def jack(vmic: VirtualMic) -> Iterator[dict[str, str]]:
    """The environment in which JACK, a sound server whose inputs know one rate, 32 kHz, refuse all
    others, and do not wait for who is late, is heard as the device "jack, ALSA"."""
    if not shutil.which("jackd"):
        pytest.skip("jackd is not installed")
    name = f"pitchbench{os.getpid()}"
    env = {**vmic.env, "JACK_DEFAULT_SERVER": name, "JACK_NO_AUDIO_RESERVATION": "1"}
    # For its usual 2048 ports it takes 105 MB of /dev/shm, and dies where a container has 64.
    words = ["jackd", "-n", name, "-r", "--no-mlock", "--port-max", "16"]
    words += ["-d", "dummy", "-r", "32000", "-p", "256"]
    server = subprocess.Popen(words, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    time.sleep(1.0)
    try:
        yield env
    finally:
        server.terminate()
        server.wait()
