"""The loudspeaker: plays sounds through PortAudio, and knows when they are in the room.

The stream stays open, silent, between two sounds: a device that has to wake swallows the first
syllable. Whoever opens the microphone opens the loudspeaker too (`Microphone`), so that one thread
alone speaks to PortAudio; a command without a microphone opens it itself.
"""

from __future__ import annotations

import contextlib
import queue
import time
from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.errors import DeviceError
from pitchbench.sound.portaudio import error_words, load_portaudio, own_stderr

#: What was played is heard for so long after its last sample has left: the room rings on, and
#: drivers tell their delays too short.
_TAIL_S: Final = 0.4

#: No delay that a driver tells is believed beyond this.
_MOST_DELAY_S: Final = 1.0

#: However the device behaves, nothing sounds for longer than its own length and this.
_GRACE_S: Final = 2.0

_RATES_HZ: Final = (48_000, 44_100)

Sound = NDArray[np.float32]


class Loudspeaker:
    """The system's default output.

    Parameters
    ----------
    headphones : whether nobody but the player hears it, so that the microphone need not be kept
        from listening meanwhile.

    Raises
    ------
    DeviceError
        If there is no output, or it accepts no usable rate.
    """

    def __init__(self, *, headphones: bool = False) -> None:
        self.headphones = headphones
        self._over = False
        with own_stderr():
            portaudio = load_portaudio()
            self.rate_hz = _accepted_rate(portaudio)
        #: Whether a stream is open and runs: what is played meanwhile is heard.
        self.open = False
        self._inbox: queue.SimpleQueue[Sound] = queue.SimpleQueue()
        self._rest: Sound = np.empty(0, np.float32)
        self._in_room_until_s = self._over_at_s = 0.0
        self._given = self._taken = 0

    # -- from the main loop ---------------------------------------------------------------------

    def play(self, sound: Sound) -> None:
        """Play mono samples at ``rate_hz``, shape (n,), in place of whatever is being played."""
        if not self.open:
            return
        self._over_at_s = time.monotonic() + len(sound) / self.rate_hz + _GRACE_S
        self._given += 1
        self._inbox.put(sound)

    def hush(self) -> None:
        """Stop what is being played."""
        self.play(np.empty(0, np.float32))

    def end(self) -> None:
        """Stop for good, and let the microphone be listened to at once."""
        self.hush()
        self._over = True

    @property
    def sounding(self) -> bool:
        """Whether what was played is in the room, or about to be."""
        now_s = time.monotonic()
        waits = self._taken != self._given or len(self._rest) > 0
        return (self.open and waits and now_s < self._over_at_s) or now_s < self._in_room_until_s

    @property
    def deafens(self) -> bool:
        """Whether the microphone hears what is played now, and must not listen to it."""
        return not (self.headphones or self._over) and self.sounding

    # -- from the thread that owns PortAudio ----------------------------------------------------

    @contextlib.contextmanager
    def opened(self) -> Iterator[None]:
        """Keep a stream open. Where that fails it stays shut: nobody's work ends for it."""
        with own_stderr():
            portaudio = load_portaudio()
            try:
                stream = portaudio.OutputStream(
                    channels=1,
                    samplerate=self.rate_hz,
                    dtype="float32",
                    callback=self._fill,
                    finished_callback=self._ended,
                )
            except portaudio.PortAudioError:
                yield
                return
            try:
                self._forget()
                with contextlib.suppress(portaudio.PortAudioError):
                    stream.start()
                    self.open = True
                yield
            finally:
                self.open = False
                stream.close(ignore_errors=True)

    def _forget(self) -> None:
        """Let go of what an earlier stream did not play to its end: it is no answer any more."""
        with contextlib.suppress(queue.Empty):
            while True:
                self._inbox.get_nowait()
                self._taken += 1
        self._rest = np.empty(0, np.float32)

    # -- from PortAudio's own thread ------------------------------------------------------------

    def _fill(self, out: NDArray[np.float32], count: int, times: Any, _status: Any) -> None:
        """PortAudio's callback: the next samples, silence where there are none."""
        with contextlib.suppress(queue.Empty):
            while True:
                self._rest = self._inbox.get_nowait()
                self._taken += 1
        piece, self._rest = self._rest[:count], self._rest[count:]
        out[: len(piece), 0] = piece
        out[len(piece) :, 0] = 0.0
        if len(piece):
            delay_s = times.outputBufferDacTime - times.currentTime
            delay_s = min(max(delay_s, 0.0), _MOST_DELAY_S) + count / self.rate_hz
            self._in_room_until_s = time.monotonic() + delay_s + _TAIL_S

    def _ended(self) -> None:
        """The stream has stopped, asked or not: the device may be gone."""
        self.open = False


def _accepted_rate(portaudio: Any) -> int:
    try:
        own_hz = round(portaudio.query_devices(kind="output")["default_samplerate"])
    except (portaudio.PortAudioError, ValueError) as error:
        raise DeviceError(
            "There is no audio output.",
            "Plug in headphones or a loudspeaker, or leave out --speak and --cue.",
        ) from error
    trouble = ""
    for rate_hz in (*_RATES_HZ, own_hz):
        try:
            portaudio.check_output_settings(channels=1, dtype="float32", samplerate=rate_hz)
        except portaudio.PortAudioError as error:
            trouble = error_words(error)
            continue
        return rate_hz
    raise DeviceError(
        f"The audio output cannot be used: {trouble}.",
        "Close other programs that use it, or leave out --speak and --cue.",
    )
