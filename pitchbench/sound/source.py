"""Sources of sound and the block that each hands on, whatever stands behind it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Block:
    """A run of consecutive mono samples.

    Parameters
    ----------
    samples : float32 array, shape (n,), full scale +-1.
    start : index of the first sample on the stream's own time line; lost samples count.
    rate_hz : sampling rate.
    gap : True where samples were lost just before this block, so that no pluck may span the seam.
    """

    samples: NDArray[np.float32]
    start: int
    rate_hz: int
    gap: bool = False


class Source(Protocol):
    """Anything that yields blocks: a microphone, a recording, a virtual instrument, a recorder."""

    @property
    def name(self) -> str:
        """What a person calls it: the device, or the file."""
        ...

    @property
    def rate_hz(self) -> int:
        """Sampling rate of every block."""
        ...

    def blocks(self) -> Iterator[Block]:
        """Yield blocks in order until the source ends; closing the iterator releases it."""
        ...
