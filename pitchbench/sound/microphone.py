"""The microphone as a source. The only file that knows PortAudio, and only once a device is opened.

Live audio has two habits that shape this file. A device that is unplugged raises nothing: its
blocks just stop, so a watchdog has to notice. And PortAudio's C code writes to file descriptor 2,
straight across whatever screen stands there, so that descriptor is led elsewhere meanwhile.
"""

from __future__ import annotations

import contextlib
import io
import os
import queue
import sys
import time
from collections.abc import Generator, Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.errors import DeviceError
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


@dataclass(frozen=True)
class InputDevice:
    """An input that PortAudio knows; ``number`` may change whenever something is plugged in."""

    number: int
    name: str
    host_api: str
    channels: int
    rate_hz: int
    default: bool

    @property
    def full_name(self) -> str:
        """Name and host API, which together nearly always tell inputs apart."""
        return f"{self.name}, {self.host_api}"


def list_inputs() -> tuple[InputDevice, ...]:
    """Every audio input there is now.

    Raises
    ------
    DeviceError
        If PortAudio is missing or does not start.
    """
    with own_stderr():
        return _inputs(_portaudio())


@dataclass(frozen=True, eq=False)
class _Heard:
    """The yield of one callback: samples, their index, whether some are missing before them, and
    when it came (``_now_s``)."""

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
    ) -> None:
        self.block_size = block_size
        self.channel = channel
        with own_stderr():
            portaudio = _portaudio()
            self.device = choose_input(_inputs(portaudio), device)
            if not 1 <= channel <= self.device.channels:
                raise _trouble(
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
        Where the stream stood still, as it does while the machine sleeps, the input counts as lost.
        """
        with own_stderr():
            portaudio = _portaudio()
            again = self._heard_at is not None
            if again:
                _refresh(portaudio)
                self.device = _same_input(_inputs(portaudio), self.device)
            inbox = _Inbox(self.channel - 1, round(QUEUE_S * self._rate_hz / self.block_size))
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
                    raise InputLostError(self.name, _words(error)) from error
                raise _trouble(
                    f"The input {self.name!r} cannot be opened: {_words(error)}.",
                    "Close other programs that use it, or choose another input.",
                ) from error
            try:
                stream.start()
                yield from self._listen(stream, inbox)
            except portaudio.PortAudioError as error:
                raise InputLostError(self.name, _words(error)) from error
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

    def __init__(self, column: int, most_blocks: int) -> None:
        self.queue: queue.Queue[_Heard] = queue.Queue(max(most_blocks, 8))
        self._column = column
        self._position = 0
        self._gap = False

    def take(self, frames: NDArray[np.float32], count: int, _time: Any, status: Any) -> None:
        """PortAudio's callback: copy, stamp, hand over, return."""
        self._gap = self._gap or bool(status.input_overflow)
        try:
            samples = frames[:, self._column].copy()
            self.queue.put_nowait(_Heard(samples, self._position, self._gap, _now_s()))
            self._gap = False
        except queue.Full:
            self._gap = True
        self._position += count


def _now_s() -> float:
    """A clock that nobody sets, and that goes on while the machine sleeps where there is one."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()


def choose_input(inputs: tuple[InputDevice, ...], wanted: str | int | None) -> InputDevice:
    """The input that ``wanted`` means: a number, a name or part of it, or None for the default.

    Raises
    ------
    DeviceError
        If it means none of them, or several.
    """
    if not inputs:
        raise _trouble(
            "There is no audio input.",
            "Plug in a microphone or an audio interface, or close other programs that hold it, "
            "then try again.",
        )
    if wanted is None:
        fitting = [device for device in inputs if device.default] or [inputs[0]]
    elif isinstance(wanted, int) or wanted.isdecimal():
        fitting = [device for device in inputs if str(device.number) == str(wanted)]
    else:
        text = wanted.casefold()
        fitting = [
            device
            for device in inputs
            if text in {device.name.casefold(), device.full_name.casefold()}
        ] or [device for device in inputs if text in device.full_name.casefold()]
    if len(fitting) == 1:
        return fitting[0]
    fault = f"{len(fitting)} inputs fit" if fitting else "No input fits"
    choices = "; ".join(f"{device.number} {device.full_name!r}" for device in fitting or inputs)
    raise _trouble(f"{fault} {wanted!r}.", f"Choose one of these by its number: {choices}.")


@contextlib.contextmanager
def own_stderr() -> Iterator[None]:
    """Keep file descriptor 2 to ourselves: what C code writes there goes nowhere meanwhile.

    ``sys.stderr`` goes on to where it went before, unless something else (a screen, a test) has
    taken it over already. Everything is put back on every way out.
    """
    try:
        real = os.dup(2)
    except OSError:  # closed: nothing can be written across the screen
        yield
        return
    before = sys.stderr
    ours: io.TextIOWrapper | None = None
    try:
        if isinstance(before, io.TextIOWrapper) and _descriptor(before) == 2:
            before.flush()
            ours = open(  # noqa: SIM115  # closed below, without closing the descriptor
                real,
                "w",
                encoding=before.encoding,
                errors=before.errors,
                buffering=1,
                closefd=False,
            )
            sys.stderr = ours
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        os.close(nowhere)
        yield
    finally:
        os.dup2(real, 2)
        if ours is not None:
            ours.close()
            if sys.stderr is ours:
                sys.stderr = before
        os.close(real)


def _descriptor(stream: io.TextIOWrapper) -> int | None:
    try:
        return stream.fileno()
    except (OSError, ValueError):
        return None


def _portaudio() -> Any:
    """The sounddevice module; the first import starts PortAudio."""
    try:
        import sounddevice  # noqa: PLC0415  # nothing else needs it, and it may be missing
    except OSError as error:
        raise _trouble(
            "The PortAudio library, which live audio needs, is not installed.",
            "On Debian or Ubuntu: apt install libportaudio2. On Fedora: dnf install portaudio.",
        ) from error
    except Exception as error:
        # sounddevice's own error class cannot be named here: its import has just failed.
        raise _trouble(
            f"PortAudio does not start: {_words(error)}.", "Check the system's sound settings."
        ) from error
    return sounddevice


def _refresh(portaudio: Any) -> None:
    """Start PortAudio anew, since it lists the devices only when it starts."""
    portaudio._terminate()
    portaudio._initialize()


def _inputs(portaudio: Any) -> tuple[InputDevice, ...]:
    try:
        default = portaudio.query_devices(kind="input")["index"]
    except (portaudio.PortAudioError, ValueError):
        default = None
    host_apis = portaudio.query_hostapis()
    return tuple(
        InputDevice(
            number=device["index"],
            name=device["name"],
            host_api=host_apis[device["hostapi"]]["name"],
            channels=device["max_input_channels"],
            rate_hz=round(device["default_samplerate"]),
            default=device["index"] == default,
        )
        for device in portaudio.query_devices()
        if device["max_input_channels"] > 0
    )


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
    raise _trouble(
        f"The input {device.name!r} accepts no usable sampling rate, or is in use.",
        "Close other programs that use it, or choose another input.",
    )


def _words(error: Exception) -> str:
    """What PortAudio said, without its error number."""
    return str(error.args[0] if error.args else error).rstrip(".")


def _trouble(what: str, remedy: str) -> DeviceError:
    return DeviceError(what, remedy)
