"""PortAudio: the one file that imports it, and what the system says of its devices.

PortAudio's C code writes to file descriptor 2, straight across whatever screen stands there, so
that descriptor is led elsewhere while a device is open.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from pitchbench.errors import DeviceError


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
        return inputs_of(load_portaudio())


def choose_input(inputs: tuple[InputDevice, ...], wanted: str | int | None) -> InputDevice:
    """The input that ``wanted`` means: a number, a name or part of it, or None for the default.

    Raises
    ------
    DeviceError
        If it means none of them, or several.
    """
    if not inputs:
        raise DeviceError(
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
    raise DeviceError(f"{fault} {wanted!r}.", f"Choose one of these by its number: {choices}.")


@contextlib.contextmanager
def own_stderr() -> Iterator[None]:
    """Keep file descriptor 2 to ourselves: what C code writes there goes nowhere meanwhile.

    ``sys.stderr`` goes on to where it went before, unless something else (a screen, a test) has
    taken it over already. Everything is put back on every way out.
    """
    try:
        led = _Led(os.dup(2))
    except OSError:  # closed: nothing can be written across the screen
        yield
        return
    _all_led.append(led)
    try:
        led.away()
        yield
    finally:
        led.back()


def give_stderr_back() -> None:
    """Put it back in the place of threads that stand still within PortAudio, so that what is said
    at the end is seen."""
    for led in reversed(_all_led.copy()):
        led.back()


class _Led:
    """File descriptor 2 led elsewhere, once, and ``sys.stderr`` led on to ``real``."""

    def __init__(self, real: int) -> None:
        self._real = real
        self._before = sys.stderr
        self._ours: io.TextIOWrapper | None = None

    def away(self) -> None:
        before = self._before
        if isinstance(before, io.TextIOWrapper) and _descriptor(before) == 2:
            before.flush()
            self._ours = open(  # noqa: SIM115  # closed below, without closing the descriptor
                self._real,
                "w",
                encoding=before.encoding,
                errors=before.errors,
                buffering=1,
                closefd=False,
            )
            sys.stderr = self._ours
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        os.close(nowhere)

    def back(self) -> None:
        """Harmless if that was done."""
        if self not in _all_led:
            return
        _all_led.remove(self)
        os.dup2(self._real, 2)
        if self._ours is not None:
            self._ours.close()
            if sys.stderr is self._ours:
                sys.stderr = self._before
        os.close(self._real)


_all_led: Final[list[_Led]] = []


def _descriptor(stream: io.TextIOWrapper) -> int | None:
    try:
        return stream.fileno()
    except (OSError, ValueError):
        return None


def load_portaudio() -> Any:
    """The sounddevice module; the first import starts PortAudio."""
    try:
        import sounddevice  # noqa: PLC0415  # nothing else needs it, and it may be missing
    except OSError as error:
        raise DeviceError(
            "The PortAudio library, which live audio needs, is not installed.",
            "On Debian or Ubuntu: apt install libportaudio2. On Fedora: dnf install portaudio.",
        ) from error
    except Exception as error:
        # sounddevice's own error class cannot be named here: its import has just failed.
        raise DeviceError(
            f"PortAudio does not start: {error_words(error)}.", "Check the system's sound settings."
        ) from error
    return sounddevice


def refresh(portaudio: Any) -> None:
    """Start PortAudio anew, since it lists the devices only when it starts."""
    portaudio._terminate()
    portaudio._initialize()


def inputs_of(portaudio: Any) -> tuple[InputDevice, ...]:
    """The inputs that ``portaudio`` listed when it started."""
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


def error_words(error: Exception) -> str:
    """What PortAudio said, without its error number."""
    return str(error.args[0] if error.args else error).rstrip(".")
