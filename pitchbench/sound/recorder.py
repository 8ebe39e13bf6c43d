"""Keeping what was heard: a source that writes another source to a file while it hands it on."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Final, Self

import numpy as np
import soundfile
from numpy.typing import NDArray

from pitchbench.errors import PitchbenchError, RecordsError
from pitchbench.sound.gaps import Gap, gaps_path, note_gap
from pitchbench.sound.microphone import InputLostError
from pitchbench.sound.source import Block, Source

_FULL_SCALE: Final = 2**23
_SILENCE: Final = 48_000


class Recorder:
    """Hands on another source's blocks and writes them to a file, so that they can be replayed.

    A replay by :class:`~pitchbench.sound.recording.Recording` gives exactly the samples that were
    handed on. A file whose name ends in ``.wav`` holds 32-bit floats and the samples pass
    untouched; any other is written as 24-bit FLAC, and the samples are rounded to 24 bits (144 dB
    below full scale, far under any microphone's noise) BEFORE they are handed on as well.

    Gaps are written as silence, so that time is kept, and noted beside the file (``gaps.py``).

    The file is open from the first block until the source ends, the iterator is closed, an error
    passes through or :meth:`close` is called. Only a lost input leaves it open: calling
    :meth:`blocks` again goes on in the same file. It is a context manager for that case.

    Parameters
    ----------
    source : what to listen to; its blocks all have ``source.rate_hz``.
    path : the file to write.
    overwrite : whether an existing file may be replaced.

    Raises
    ------
    PitchbenchError
        If the file exists and may not be replaced, cannot be written, or the disk is full.
    """

    def __init__(
        self, source: Source, path: str | os.PathLike[str], *, overwrite: bool = False
    ) -> None:
        self.source = source
        self.path = Path(path)
        self._exact = self.path.suffix.lower() == ".wav"
        self._file: soundfile.SoundFile | None = None
        # Where the source's time line stood at the first sample, and where it goes on.
        self._origin = 0
        self._next: int | None = None
        self._create(overwrite)

    @property
    def name(self) -> str:
        """The name of the source that is recorded."""
        return self.source.name

    @property
    def rate_hz(self) -> int:
        """Sampling rate of the source that is recorded."""
        return self.source.rate_hz

    def blocks(self) -> Iterator[Block]:
        """Yield the source's blocks, each already in the file."""
        lost = False
        try:
            for block in self.source.blocks():
                kept = block if self._exact else replace(block, samples=_rounded(block.samples))
                self._write(kept)
                yield kept
        except InputLostError:
            lost = True
            raise
        finally:
            if not lost:
                self.close()

    def close(self) -> None:
        """Finish the file; it cannot be written to any more."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def _create(self, overwrite: bool) -> None:
        subtype, kind = ("FLOAT", "WAV") if self._exact else ("PCM_24", "FLAC")
        try:
            # "x" so that two programs cannot both believe that the name was free.
            self.path.open("wb" if overwrite else "xb").close()
            gaps_path(self.path).unlink(missing_ok=True)
            # As bytes, as recordings are opened too.
            place = self.path if os.name == "nt" else os.fsencode(self.path)
            self._file = soundfile.SoundFile(
                place, "w", self.source.rate_hz, channels=1, subtype=subtype, format=kind
            )
        except FileExistsError as error:
            raise PitchbenchError(
                f"{str(self.path)!r} exists already.", "Give another name for the recording."
            ) from error
        except (OSError, soundfile.SoundFileError) as error:
            raise _cannot_write(self.path, error) from error

    def _write(self, block: Block) -> None:
        if self._file is None:
            raise PitchbenchError(
                f"The recording {str(self.path)!r} is finished.", "Start another one."
            )
        if self._next is None:
            self._origin = self._next = block.start
        lost = max(0, block.start - self._next)
        try:
            if self._next > self._origin and (block.gap or lost):
                note_gap(self.path, Gap(self._next - self._origin, lost))
                for begin in range(0, lost, _SILENCE):
                    self._put(np.zeros(min(_SILENCE, lost - begin), np.float32))
            self._put(block.samples)
        except (OSError, soundfile.SoundFileError) as error:
            raise _cannot_write(self.path, error) from error
        self._next = block.start + len(block.samples)

    def _put(self, samples: NDArray[np.float32]) -> None:
        assert self._file is not None
        if self._exact:
            self._file.write(samples)
        else:
            # As integers: libsndfile scales floats by 2^23 - 1 on the way in but 2^-23 on the way
            # out, which would change every sample.
            self._file.write((samples * np.float32(_FULL_SCALE)).astype(np.int32) << 8)


def _rounded(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """``samples`` as 24-bit values; every one of them is exact in float32."""
    steps = np.rint(samples * np.float32(_FULL_SCALE))
    return np.asarray(np.clip(steps, -_FULL_SCALE, _FULL_SCALE - 1) / np.float32(_FULL_SCALE))


def _cannot_write(path: Path, error: Exception) -> PitchbenchError:
    reason = getattr(error, "strerror", None) or getattr(error, "error_string", None) or error
    return RecordsError(
        f"The recording {str(path)!r} cannot be written: {str(reason).rstrip('.')}.",
        "Choose a folder with room that you may write to.",
    )
