"""Recordings as a source: WAV, FLAC, Ogg, AIFF and whatever else libsndfile reads."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import numpy as np
import soundfile
from numpy.typing import NDArray

from pitchbench.errors import NoReadingError, ReadError
from pitchbench.sound.gaps import Gap, read_gaps
from pitchbench.sound.source import Block

LOWEST_RATE_HZ: Final = 8_000
HIGHEST_RATE_HZ: Final = 192_000

# Float files may rightly pass full scale, and some hold integers as floats, at most 2^31. Beyond
# lies damage; not-a-number fails the same comparison.
_LARGEST_SAMPLE: Final = 2.0**31
_READ_FRAMES: Final = 65_536
# A file may have a thousand channels; of so many, fewer frames are held at a time.
_MOST_SAMPLES: Final = 1 << 22


class Recording:
    """A sound file, read as a stream: memory does not grow with its length.

    Parameters
    ----------
    path : the file.
    channel : which channel to listen to, counted from 1. None takes the one in which most happens
        (the largest variance over the whole file, found by reading it once more), so that a
        silent, inverted or merely offset second channel cannot spoil the reading.
    block_size : frames per block; the last block, and one before a gap, may be shorter.

    Raises
    ------
    ReadError
        If the file is missing, no file, no audio, at a rate outside 8 to 192 kHz or without that
        channel.
    NoReadingError
        If it is empty; from :meth:`blocks`, if it holds samples that are no numbers.
    """

    def __init__(
        self, path: str | os.PathLike[str], *, channel: int | None = None, block_size: int = 4096
    ) -> None:
        self.path = Path(path)
        self.block_size = block_size
        with _opened(self.path) as file:
            self._rate_hz = int(file.samplerate)
            self.channels = int(file.channels)
            #: Length in frames, as far as the file's header tells.
            self.frames = int(file.frames)
        self._check(self.frames, channel)
        self._channel = 1 if self.channels == 1 else channel
        self._gaps = read_gaps(self.path)
        #: How many seconds could be read before damage stopped it; None as long as there is none.
        self.damaged_after_s: float | None = None

    @property
    def name(self) -> str:
        """The file's name without its folder."""
        return self.path.name

    @property
    def rate_hz(self) -> int:
        """Sampling rate of the file."""
        return self._rate_hz

    @property
    def channel(self) -> int:
        """The channel that is listened to, counted from 1."""
        if self._channel is None:
            self._channel = self._liveliest_channel()
        return self._channel

    def blocks(self) -> Iterator[Block]:
        """Yield the samples of one channel in order.

        A file that turns out damaged or cut short ends where the damage begins, and
        ``damaged_after_s`` says where; what came before it is worth reading.
        """
        column = self.channel - 1
        position, gap = 0, False
        with _opened(self.path) as file:
            for seam in (*self._gaps, Gap(sys.maxsize, 0)):
                while position < seam.start:
                    frames = self._read(file, min(self.block_size, seam.start - position), position)
                    if not len(frames):
                        return
                    samples = np.ascontiguousarray(frames[:, column])
                    yield Block(samples, position, self._rate_hz, gap)
                    position, gap = position + len(samples), False
                # What was written over a gap is silence, and no sound to listen to.
                position, gap = position + seam.lost, True
                if seam.lost:
                    file.seek(min(position, file.frames))

    def _check(self, frames: int, channel: int | None) -> None:
        if not LOWEST_RATE_HZ <= self._rate_hz <= HIGHEST_RATE_HZ:
            raise ReadError(
                f"{str(self.path)!r} is sampled at {self._rate_hz} Hz.",
                "Give a recording at 8 to 192 kHz.",
            )
        if channel is not None and not 1 <= channel <= self.channels:
            raise ReadError(
                f"{str(self.path)!r} has no channel {channel}.",
                f"Give a channel from 1 to {self.channels}, or none to have it chosen.",
            )
        if frames == 0:
            raise NoReadingError(
                f"{str(self.path)!r} holds no sound at all.",
                "Record again, and check that the file grows while you do.",
            )

    def _liveliest_channel(self) -> int:
        total = np.zeros(self.channels)
        squares = np.zeros(self.channels)
        count = 0
        with _opened(self.path) as file:
            while len(frames := self._read(file, _READ_FRAMES, count)):
                total += frames.sum(axis=0, dtype=np.float64)
                squares += np.square(frames, dtype=np.float64).sum(axis=0)
                count += len(frames)
        variance = squares - total**2 / max(count, 1)
        return int(np.argmax(variance)) + 1

    def _read(self, file: soundfile.SoundFile, frames: int, position: int) -> NDArray[np.float32]:
        """At most the next ``frames`` frames, shape (n, channels); n = 0 at the end and where it
        breaks."""
        frames = min(frames, _MOST_SAMPLES // self.channels)
        try:
            samples: NDArray[np.float32] = file.read(frames, dtype="float32", always_2d=True)
        except soundfile.SoundFileRuntimeError as error:
            if position == 0:
                raise NoReadingError(
                    f"{str(self.path)!r} is damaged from its very beginning.",
                    "Record again, or export it again from the program that made it.",
                ) from error
            self.damaged_after_s = position / self._rate_hz
            return np.empty((0, self.channels), np.float32)
        if len(samples) and not np.abs(samples).max() <= _LARGEST_SAMPLE:
            raise NoReadingError(
                f"{str(self.path)!r} holds samples that are no numbers, near "
                f"{position / self._rate_hz:.1f} s.",
                "Export it again from the program that made it.",
            )
        return samples


def _opened(path: Path) -> soundfile.SoundFile:
    """The file, open for reading."""
    try:
        if not path.exists():
            raise ReadError(f"There is no file {str(path)!r}.", "Check the name.")
        if not path.is_file():
            raise ReadError(f"{str(path)!r} is not a file.", "Give a sound file.")
        with path.open("rb") as file:
            empty = not file.read(1)
    except OSError as error:
        raise ReadError(
            f"{str(path)!r} cannot be opened: {error.strerror}.", "Check who may read it."
        ) from error
    if empty:
        raise NoReadingError(f"{str(path)!r} is empty.", "Record again.")
    try:
        # As bytes, since a name may come from a system with another encoding; Windows has no such.
        return soundfile.SoundFile(path if os.name == "nt" else os.fsencode(path))
    except (soundfile.SoundFileError, TypeError, ValueError) as error:
        # TypeError: a headerless format, of which nobody knows the rate.
        raise ReadError(
            f"{str(path)!r} is not a recording that can be read, or its beginning is damaged.",
            "Give a WAV, FLAC, Ogg or AIFF file.",
        ) from error
