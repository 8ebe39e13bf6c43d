"""Samples that a program holds already, as a source."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pitchbench.errors import ReadError
from pitchbench.sound.recording import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from pitchbench.sound.source import Block

#: Nobody waits for a block of what is there already; large ones cost less each.
_BLOCK_SIZE: Final = 1 << 16


class Samples:
    """An array as a source of mono blocks.

    Parameters
    ----------
    sound : float samples, full scale ±1, shape (n,) or (n, channels).
    rate_hz : sampling rate, 8000 to 192000.
    channel : which column, counted from 1. None takes the one in which most happens (the largest
        variance), as a recording does.

    Raises
    ------
    ReadError
        If it is no such array, holds what is no number, or lacks that channel.
    """

    name = "samples"

    def __init__(self, sound: ArrayLike, rate_hz: float, *, channel: int | None = None) -> None:
        held: NDArray[Any] = np.asarray(sound)
        if held.ndim not in (1, 2) or not held.size:
            raise ReadError(
                f"Sound of the shape {held.shape} cannot be read.",
                "Give samples of the shape (n,) or (n, channels).",
            )
        if held.ndim == 2 and held.shape[0] < held.shape[1]:
            raise ReadError(
                f"Sound of the shape {held.shape} has more channels than samples.",
                "Give samples of the shape (n, channels): turn it round with `.T`.",
            )
        if not np.issubdtype(held.dtype, np.floating):
            raise ReadError(
                f"Samples of the type {held.dtype} have no known full scale.",
                "Give floats between -1 and 1: divide 16-bit samples by 32768.",
            )
        columns = held.reshape(len(held), -1)
        if not np.isfinite(columns).all():
            raise ReadError(
                "There are samples that are no numbers.", "Give finite floats between -1 and 1."
            )
        if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ or rate_hz != int(rate_hz):
            raise ReadError(
                f"Sound at {rate_hz} Hz cannot be read.",
                "Give the sampling rate in whole Hz, 8000 to 192000.",
            )
        if channel is not None and not 1 <= channel <= columns.shape[1]:
            raise ReadError(
                f"There is no channel {channel}.",
                f"Give a channel from 1 to {columns.shape[1]}, or none to have it chosen.",
            )
        liveliest = int(np.argmax(columns.var(axis=0, dtype=np.float64))) + 1
        self.channel = channel or liveliest
        self.rate_hz = int(rate_hz)
        self._column = columns[:, self.channel - 1]

    @property
    def length_s(self) -> float:
        """How long they sound."""
        return len(self._column) / self.rate_hz

    def blocks(self) -> Iterator[Block]:
        """Yield the samples of one channel in order."""
        for start in range(0, len(self._column), _BLOCK_SIZE):
            samples = self._column[start : start + _BLOCK_SIZE].astype(np.float32)
            yield Block(samples, start, self.rate_hz)
