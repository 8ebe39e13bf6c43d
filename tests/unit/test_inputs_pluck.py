"""Which pluck `inputs --check` reads: the one that it asked for."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from pitchbench.commands.inputs import one_pluck
from pitchbench.pitch.reading import Reading
from pitchbench.presets import preset
from pitchbench.sound.source import Block
from pitchbench.strings.virtual import VirtualInstrument
from pitchbench.units import cents_between

_BLOCK = 512
_QUIET_S = 3.0
RATE_HZ = 48_000


def _sound(instrument: VirtualInstrument, *notes: tuple[float, int, float]) -> NDArray[np.float32]:
    """A room in which open strings are plucked: at which second, which one, how long it rings."""
    sound = instrument.room(20 * RATE_HZ)
    for at_s, string, ring_s in notes:
        note = instrument.pluck(string, 0, ring_s=ring_s)
        at = round(at_s * RATE_HZ)
        sound[at : at + len(note)] += note
    return sound


def _heard(sound: NDArray[np.float32]) -> Reading | None:
    """What is read of ``sound``, the first seconds of which were to be quiet."""
    starts = range(0, len(sound), _BLOCK)
    blocks = [Block(sound[at : at + _BLOCK], at, RATE_HZ) for at in starts]
    split = round(_QUIET_S * RATE_HZ / _BLOCK)
    heard = one_pluck(blocks[:split], iter(blocks[split:]), RATE_HZ)
    return None if heard is None or not isinstance(heard.reading, Reading) else heard.reading


@pytest.mark.parametrize("at_s", [1.0, 2.6], ids=["over before", "ringing on"])
def test_what_sounds_while_it_should_be_quiet_is_not_the_pluck(at_s: float) -> None:
    instrument = VirtualInstrument(preset("six-string"), seed=4)
    read = _heard(_sound(instrument, (at_s, 5, 1.0), (6.0, 3, 3.0)))
    assert read is not None
    assert read.onset_s == pytest.approx(6.0, abs=0.05)
    assert abs(cents_between(read.pitch_hz, instrument.true_hz(3, 0))) < 1.0


def test_without_another_none_was_heard() -> None:
    instrument = VirtualInstrument(preset("six-string"), seed=4)
    assert _heard(_sound(instrument, (1.0, 5, 1.0))) is None
