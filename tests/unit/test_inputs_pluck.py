"""Which pluck `inputs --check` reads: the one that it asked for."""

from __future__ import annotations

import re

import numpy as np
import pytest
from numpy.typing import NDArray

from pitchbench.commands.inputs import STRING_ADDS, Check, check_lines, one_pluck
from pitchbench.pitch.reading import Reading
from pitchbench.presets import preset
from pitchbench.sound.noise import analyse_silence
from pitchbench.sound.portaudio import InputDevice
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


def _checked(sound: NDArray[np.float32]) -> Check:
    """An input that gives ``sound``, the first seconds of which were to be quiet."""
    starts = range(0, len(sound), _BLOCK)
    blocks = [Block(sound[at : at + _BLOCK], at, RATE_HZ) for at in starts]
    split = round(_QUIET_S * RATE_HZ / _BLOCK)
    silence = analyse_silence(sound[: split * _BLOCK], RATE_HZ)
    heard = one_pluck(blocks[:split], iter(blocks[split:]), RATE_HZ)
    return Check(InputDevice(0, "a", "b", 1, RATE_HZ, True), RATE_HZ, silence, True, heard)


def _heard(sound: NDArray[np.float32]) -> Reading | None:
    """What is read of ``sound``, the first seconds of which were to be quiet."""
    heard = _checked(sound).pluck
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


def test_what_noise_and_string_do_to_the_pitch_is_told_apart() -> None:
    """A room with hum: the ± of the noise is a part of the ± of the note, and what the note stands
    above is named as what was heard before it."""
    instrument = VirtualInstrument(preset("six-string"), seed=4)
    sound = _sound(instrument, (6.0, 5, 3.0))
    hum = 0.01 * np.sin(2.0 * np.pi * 50.0 * np.arange(len(sound)) / RATE_HZ)
    check = _checked((sound + hum).astype(np.float32))
    lines = dict(line.split(": ", 1) for line in check_lines(check))
    assert lines["pluck"].endswith(" dB above noise and hum")
    noise = lines["± by the noise alone"]
    assert noise.endswith(STRING_ADDS)
    whole, of_noise = re.findall(r"([\d.]+) cents", lines["± to expect of such a note"])
    assert 0.0 < float(of_noise) < float(whole)
    least, most = re.findall(r"([\d.]+) cents for", noise)
    assert float(least) <= float(of_noise) <= float(most)


def test_what_sounded_in_the_quiet_is_no_part_of_the_pluck() -> None:
    """A string that rings while it should be quiet counts as noise, far above that of the pluck."""
    instrument = VirtualInstrument(preset("six-string"), seed=4)
    check = _checked(_sound(instrument, (0.0, 6, 2.8), (6.0, 6, 5.0)))
    lines = dict(line.split(": ", 1) for line in check_lines(check))
    assert re.fullmatch(r"[\d.]+ cents", lines["± to expect of such a note"])
