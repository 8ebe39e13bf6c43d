"""The microphone as a source.

A device that is unplugged raises nothing: its blocks just stop, so a watchdog has to notice.
"""

from __future__ import annotations

import queue
import time
from collections.abc import Callable, Generator
from contextlib import nullcontext
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.errors import DeviceError
from pitchbench.sound.loudspeaker import Loudspeaker
from pitchbench.sound.portaudio import (
    InputDevice,
    choose_input,
    error_words,
    inputs_of,
    load_portaudio,
    own_stderr,
    refresh,
)
from pitchbench.sound.source import Block

FALLBACK_RATES_HZ: Final = (48_000, 44_100)

#: How much sound may wait for a listener that is busy; beyond it, samples are lost (and counted).
QUEUE_S: Final = 4.0

# Callbacks come in bursts up to some 50 ms apart, and a busy machine may hold them up for longer
# without losing anything, since system and sound server buffer some seconds. After two seconds
# without one the input is dead, or the machine slept: what comes then may lack a piece, so the
# device is opened anew. The first is awaited longer: a Bluetooth or USB input may take seconds to
# wake. Large blocks at a low rate come more seldom by nature.
_STALLED_S: Final = 2.0
_STALLED_BLOCKS: Final = 3
_FIRST_BLOCK_S: Final = 5.0
_POLL_S: Final = 0.1


class InputLostError(DeviceError):
    """The sound stopped coming: unplugged, or the sound server went away.

    Nothing is broken for good. Call ``blocks()`` of the same source again, every second or so,
    until it yields: the time line goes on, and the first block has ``gap=True``.
    """

    def __init__(self, name: str, reason: str) -> None:
        super().__init__(
            f"The input {name!r} is lost: {reason}.",
            "Plug it in again, or check the sound settings.",
        )
        self.reason = reason


@dataclass(frozen=True, eq=False)
class _Heard:
    """The yield of one callback: samples, their index, whether some are missing before them, and
    when it came (``_now_s``). There are none where they are left out."""

    samples: NDArray[np.float32]
    start: int
    gap: bool
    at_s: float


class Microphone:
    """An audio input as a source of mono blocks.

    Parameters
    ----------
    device : number, or name or part of it (any case); None for the system's default input.
    rate_hz : the rate that is asked for. If the device refuses it, 48000, 44100 and the device's
        own rate are tried in this order.
    block_size : frames per block.
    channel : which of the device's channels to listen to, counted from 1.
    loudspeaker : opened and closed with the input. While it is heard the input is not listened to.

    Raises
    ------
    DeviceError
        If there is no such input, the name fits several, no rate is accepted, or PortAudio is
        missing; from :meth:`blocks`, :class:`InputLostError` once the sound stops coming.
    """

    def __init__(
        self,
        device: str | int | None = None,
        *,
        rate_hz: int = 48_000,
        block_size: int = 512,
        channel: int = 1,
        loudspeaker: Loudspeaker | None = None,
    ) -> None:
        self._loudspeaker = loudspeaker
        self.block_size = block_size
        self.channel = channel
        with own_stderr():
            portaudio = load_portaudio()
            self.device = choose_input(inputs_of(portaudio), device)
            if not 1 <= channel <= self.device.channels:
                raise DeviceError(
                    f"The input {self.device.name!r} has no channel {channel}.",
                    f"Give a channel from 1 to {self.device.channels}.",
                )
            self._rate_hz = _accepted_rate(portaudio, self.device, channel, rate_hz)
        # Where the time line stands, and when (by the clock) it stood there; None before the first
        # opening.
        self._next = 0
        self._heard_at: float | None = None

    @property
    def name(self) -> str:
        """The device's name."""
        return self.device.name

    @property
    def rate_hz(self) -> int:
        """The rate that the device accepted."""
        return self._rate_hz

    def blocks(self) -> Generator[Block, None, None]:
        """Open the device and yield what it hears, without end.

        A block has ``gap=True`` where the device reported an overflow (how much was lost is not
        known), where the listener fell behind by ``QUEUE_S``, and where the device was opened
        again; in the last two ``start`` counts what was lost, by the clock while it was closed.
        What is heard while the loudspeaker plays is left out like samples that were lost.
        Where the stream stood still, as it does while the machine sleeps, the input counts as lost.
        """
        with own_stderr():
            portaudio = load_portaudio()
            again = self._heard_at is not None
            if again:
                refresh(portaudio)
                self.device = _same_input(inputs_of(portaudio), self.device)
            speaker = self._loudspeaker
            inbox = _Inbox(
                self.channel - 1,
                round(QUEUE_S * self._rate_hz / self.block_size),
                None if speaker is None else lambda: speaker.deafens,
            )
            try:
                stream = portaudio.InputStream(
                    device=self.device.number,
                    channels=self.channel,
                    samplerate=self._rate_hz,
                    blocksize=self.block_size,
                    dtype="float32",
                    callback=inbox.take,
                )
            except portaudio.PortAudioError as error:
                if again:
                    raise InputLostError(self.name, error_words(error)) from error
                raise DeviceError(
                    f"The input {self.name!r} cannot be opened: {error_words(error)}.",
                    "Close other programs that use it, or choose another input.",
                ) from error
            try:
                stream.start()
                with nullcontext() if speaker is None else speaker.opened():
                    yield from self._listen(stream, inbox)
            except portaudio.PortAudioError as error:
                raise InputLostError(self.name, error_words(error)) from error
            finally:
                stream.close(ignore_errors=True)

    def _listen(self, stream: Any, inbox: _Inbox) -> Generator[Block, None, None]:
        closed_at, self._heard_at = self._heard_at, _now_s()
        patience_s, offset = _FIRST_BLOCK_S, self._next
        while True:
            try:
                heard = inbox.queue.get(timeout=_POLL_S)
            except queue.Empty:
                if stream.active and _now_s() - self._heard_at < patience_s:
                    continue
                raise InputLostError(self.name, "no sound arrives any more") from None
            stood_s = heard.at_s - self._heard_at
            if stood_s > patience_s:
                raise InputLostError(self.name, f"it stood still for {stood_s:.0f} s")
            self._heard_at = heard.at_s
            if not len(heard.samples):
                continue
            size, gap = len(heard.samples), heard.gap
            patience_s = max(_STALLED_S, _STALLED_BLOCKS * size / self._rate_hz)
            if closed_at is not None:
                away_s = self._heard_at - closed_at
                offset += max(0, round(away_s * self._rate_hz) - size)
                closed_at, gap = None, True
            start = offset + heard.start
            self._next = start + size
            yield Block(heard.samples, start, self._rate_hz, gap)


class _Inbox:
    """Where PortAudio's thread leaves what was heard; it must never wait, so a full queue loses."""

    def __init__(
        self, column: int, most_blocks: int, deaf: Callable[[], bool] | None = None
    ) -> None:
        self.queue: queue.Queue[_Heard] = queue.Queue(max(most_blocks, 8))
        self._column = column
        self._position = 0
        self._gap = False
        self._deaf = deaf

    def take(self, frames: NDArray[np.float32], count: int, _time: Any, status: Any) -> None:
        """PortAudio's callback: copy, stamp, hand over, return."""
        self._gap = self._gap or bool(status.input_overflow)
        left_out = self._deaf is not None and self._deaf()
        try:
            samples = frames[: 0 if left_out else count, self._column].copy()
            self.queue.put_nowait(_Heard(samples, self._position, self._gap, _now_s()))
            self._gap = left_out
        except queue.Full:
            self._gap = True
        self._position += count


def _now_s() -> float:
    """A clock that nobody sets, and that goes on while the machine sleeps where there is one."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()


def _same_input(inputs: tuple[InputDevice, ...], lost: InputDevice) -> InputDevice:
    """The lost input under its present number: never another one, which might hear another room."""
    for device in inputs:
        if device.full_name == lost.full_name:
            return device
    raise InputLostError(lost.name, "it is not there")


def _accepted_rate(portaudio: Any, device: InputDevice, channels: int, asked_hz: int) -> int:
    for rate_hz in (asked_hz, *FALLBACK_RATES_HZ, device.rate_hz):
        try:
            portaudio.check_input_settings(
                device=device.number, channels=channels, dtype="float32", samplerate=rate_hz
            )
        except portaudio.PortAudioError:
            continue
        return rate_hz
    raise DeviceError(
        f"The input {device.name!r} accepts no usable sampling rate, or is in use.",
        "Close other programs that use it, or choose another input.",
    )
