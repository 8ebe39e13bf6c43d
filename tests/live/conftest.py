"""The virtual microphone as a fixture; where it must be there, its absence is a failure."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from virtual_mic import VirtualMic, missing, virtual_mic


@pytest.fixture
def vmic() -> Iterator[VirtualMic]:
    """A private virtual microphone at 48 kHz.

    Without PulseAudio the test is skipped, but fails under ``CI`` or ``PITCHBENCH_REQUIRE_LIVE=1``.
    """
    lacking = missing()
    if lacking:
        if os.environ.get("PITCHBENCH_REQUIRE_LIVE") == "1" or os.environ.get("CI"):
            pytest.fail(f"live tests are required here, but {lacking}")
        pytest.skip(f"live tests need a user-space sound server; {lacking}")
    with virtual_mic() as mic:
        yield mic
