"""Whether another input has the sound that the chosen one lacks: all of them heard for a moment."""

from __future__ import annotations

import time
from contextlib import ExitStack
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.sound.hearing import OtherInput
from pitchbench.sound.portaudio import InputDevice, inputs_of, load_portaudio, own_stderr

#: How long they are heard: a note that rings is met, and the person does not wait.
_HEARD_S: Final = 0.5

#: A device just opened may click.
_SETTLING_S: Final = 0.1

#: More are not listened to: each takes a moment to open.
_MOST: Final = 8


class _Peak:
    """The highest sample of one input."""

    def __init__(self) -> None:
        self.peak = 0.0
        self._skip_s = _SETTLING_S

    def take(self, frames: NDArray[np.float32], count: int, _time: Any, _status: Any) -> None:
        """PortAudio's callback."""
        if self._skip_s > 0.0:
            self._skip_s -= count / 48_000
        elif count:
            self.peak = max(self.peak, float(np.abs(frames - frames.mean(axis=0)).max()))


def listen_elsewhere(chosen: InputDevice) -> tuple[OtherInput, ...]:
    """The other inputs, each as it was heard for half a second; those that do not open are left
    out."""
    with own_stderr(), ExitStack() as stack:
        portaudio = load_portaudio()
        others = [device for device in inputs_of(portaudio) if device.full_name != chosen.full_name]
        heard: list[tuple[InputDevice, _Peak]] = []
        for device in others[:_MOST]:
            peak = _Peak()
            try:
                stream = portaudio.InputStream(
                    device=device.number,
                    channels=min(device.channels, 2),
                    samplerate=device.rate_hz,
                    dtype="float32",
                    callback=peak.take,
                )
                stack.callback(stream.close, ignore_errors=True)
                stream.start()
            except portaudio.PortAudioError:
                continue
            heard.append((device, peak))
        if heard:
            time.sleep(_SETTLING_S + _HEARD_S)
    return tuple(OtherInput(device.number, device.name, peak.peak) for device, peak in heard)
