"""aubio's YIN beside our readings: a general-purpose library asked about the same stretch of sound.

aubio is an optional extra, so it is imported only when it is asked. Its "yinfast" is used and not
its "yinfft", which reads low notes tens of cents sharp. Like every method that goes by the period,
it reads stiff strings sharp: a second opinion, not the truth.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.analysis.heard import Listened
from pitchbench.errors import PitchbenchError
from pitchbench.pitch.reading import Reading
from pitchbench.sound.recording import Recording

METHOD: Final = "yinfast"
_HOP: Final = 512
#: The window holds this many periods and is at least so long.
_PERIODS: Final = 4.0
_LEAST_WINDOW: Final = 4096
_FEWEST_FRAMES: Final = 5


def load_aubio() -> Any:
    """The module aubio.

    Raises
    ------
    PitchbenchError
        If it is not installed.
    """
    try:
        import aubio  # noqa: PLC0415  # optional, and GPL: only when asked for
    except ImportError as error:
        raise PitchbenchError(
            "A second opinion needs aubio, which is not installed.",
            "In the folder of pitchbench: .venv/bin/pip install '.[aubio]'.",
        ) from error
    return aubio


def second_opinions(listened: Listened) -> tuple[float | None, ...]:
    """aubio's settled pitch of each reading in Hz; None where it was rejected or is too short.

    The recording is gone through once more, one tail in memory at a time.
    """
    settled = [reading for reading in listened.readings if isinstance(reading, Reading)]
    pitches = {
        id(reading): settled_pitch_hz(tail, listened.rate_hz, near_hz=reading.pitch_hz)
        for reading, tail in zip(settled, _tails(listened, settled), strict=True)
    }
    return tuple(pitches.get(id(reading)) for reading in listened.readings)


def settled_pitch_hz(tail: NDArray[np.float32], rate_hz: int, *, near_hz: float) -> float | None:
    """Median of aubio's pitch over ``tail``, shape (n,); None where that is too short.

    ``near_hz`` sets the window, and nothing else.
    """
    periods = math.ceil(math.log2(_PERIODS * rate_hz / near_hz))
    window = max(_LEAST_WINDOW, 2**periods)
    tracker = load_aubio().pitch(METHOD, window, _HOP, rate_hz)
    tracker.set_unit("Hz")
    ends = range(_HOP, len(tail) + 1, _HOP)
    # It takes contiguous float32 of exactly the hop's length.
    pitch_hz = np.array([tracker(np.ascontiguousarray(tail[e - _HOP : e]))[0] for e in ends])
    full = pitch_hz[
        window // _HOP :
    ]  # before that its window still holds the silence it began with
    voiced = full[full > 0.0]
    return float(np.median(voiced)) if len(voiced) >= _FEWEST_FRAMES else None


def _tails(listened: Listened, readings: list[Reading]) -> Iterator[NDArray[np.float32]]:
    """The stable tail of each reading, in order."""
    blocks = Recording(listened.path, channel=listened.channel).blocks()
    held: list[NDArray[np.float32]] = []
    start = end = 0
    for reading in readings:
        first = round((reading.onset_s + reading.settle_s) * listened.rate_hz)
        last = round((reading.onset_s + reading.ring_s) * listened.rate_hz)
        while end < last and (block := next(blocks, None)) is not None:
            if block.start != end:  # samples were lost: no tail spans that
                held, start = [], block.start
            held.append(block.samples)
            end = block.start + len(block.samples)
            while held and start + len(held[0]) <= first:
                start += len(held.pop(0))
        sound = np.concatenate(held) if held else np.empty(0, np.float32)
        yield sound[max(0, first - start) : max(0, last - start)]
