"""The virtual microphone as a fixture."""

from __future__ import annotations

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
