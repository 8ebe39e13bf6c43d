"""The soak, for a few seconds: the real thing, and every pluck accounted for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from soak import _slope, missing, soak, write_row


@pytest.mark.live
@pytest.mark.timeout(120)
@pytest.mark.parametrize(("rate_hz", "channels"), [(44_100, 2)])
def test_some_seconds_of_plucking(rate_hz: int, channels: int) -> None:
    if lacking := missing():
        pytest.skip(f"live tests need a user-space sound server; {lacking}")
    done = soak(0.2, rate_hz=rate_hz, channels=channels)
    assert (done.gaps, done.lost) == (0, 0)
    assert done.heard_s > 12.0
    assert len(done.taken) == len(done.played) >= 4
    assert done.fates.total() == done.fates["accepted"] + sum(done.reasons.values())
    assert all(done.reasons)
    # Whole notes are mostly read to a tenth of a cent; one that is not must say so itself.
    assert done.dishonest == []
    # A seventh of a core, as measured; a half would be another program.
    assert done.cpu.mean < 0.5


def test_a_slope_and_its_uncertainty() -> None:
    """Held against a known slope, for noise whose neighbours hang together as those of a process's
    memory do; taken for independent, they would make it seem far surer."""
    chance = np.random.default_rng(6)
    t_s = np.arange(0.0, 1800.0, 5.0)
    off = []
    for _ in range(200):
        noise = np.zeros(len(t_s))
        for n in range(1, len(noise)):
            noise[n] = 0.8 * noise[n - 1] + chance.normal()
        found = _slope(t_s, 100.0 + 4.0 * t_s / 3600 + noise)
        off.append((found.per_hour - 4.0) / found.u_per_hour)
    # Of 200 values of unit spread, the spread is known to 5 %; the correlation is estimated low.
    assert 0.85 < np.std(off) < 1.35


def test_a_run_replaces_its_own_row(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text("A\n<!-- soak -->\n| one | 1 |\n| two | 2 |\n<!-- /soak -->\nB\n")
    write_row("| one | 3 |", page)
    write_row("| six | 6 |", page)
    assert page.read_text() == (
        "A\n<!-- soak -->\n| two | 2 |\n| one | 3 |\n| six | 6 |\n<!-- /soak -->\nB\n"
    )
