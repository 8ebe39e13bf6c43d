"""Keeping what was heard: a source that writes another source to a file while it hands it on."""

from __future__ import annotations

import contextlib
import io
import os
import tempfile
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

#: What is written; a name that promises another kind would be believed by other programs.
_ENDINGS: Final = (".flac", ".wav")

_FULL_SCALE: Final = 2**23
_SILENCE: Final = 48_000

#: More than is ever written at once, so that a disk that had no room for it has none for this.
_MUCH: Final = 2**20


class Recorder:
    """Hands on another source's blocks and writes them to a file, so that they can be replayed.

    A replay by :class:`~pitchbench.sound.recording.Recording` gives exactly the samples that were
    handed on. A file whose name ends in ``.wav`` holds 32-bit floats and the samples pass
    untouched; one in ``.flac`` is 24-bit FLAC, and the samples are rounded to 24 bits (144 dB
    below full scale, far under any microphone's noise) BEFORE they are handed on as well.

    Gaps are written as silence, so that time is kept, and noted beside the file (``gaps.py``).

    Where the file cannot be written any further the blocks go on without it, and ``trouble`` says
    why: takes matter more than their sound. It is kept as far as it came; one that holds no sound
    yet is removed.

    The file is open from the first block until the source ends, the iterator is closed, an error
    passes through or :meth:`close` is called. Only a lost input leaves it open: calling
    :meth:`blocks` again goes on in the same file. It is a context manager for that case.

    Parameters
    ----------
    source : what to listen to; its blocks all have ``source.rate_hz``.
    path : the file to write; there is none of that name yet.

    Raises
    ------
    PitchbenchError
        If the name has another ending, the file exists or cannot be begun, or the disk is full.
    """

    def __init__(self, source: Source, path: str | os.PathLike[str]) -> None:
        self.source = source
        self.trouble: PitchbenchError | None = None
        self.path = Path(path)
        if self.path.suffix.lower() not in _ENDINGS:
            raise PitchbenchError(
                f"{str(self.path)!r} ends in nothing that sound is kept in.",
                "Let the name end in .flac or .wav.",
            )
        self._exact = _is_exact(self.path)
        self._file: soundfile.SoundFile | None = None
        # Where the source's time line stood at the first sample, and where it goes on.
        self._origin = 0
        self._next: int | None = None
        self._create()

    @property
    def name(self) -> str:
        """The name of the source that is recorded."""
        return self.source.name

    @property
    def rate_hz(self) -> int:
        """Sampling rate of the source that is recorded."""
        return self.source.rate_hz

    def blocks(self) -> Iterator[Block]:
        """Yield the source's blocks, each already in the file while that can be written."""
        lost = False
        try:
            for block in self.source.blocks():
                kept = block if self._exact else replace(block, samples=_rounded(block.samples))
                if self.trouble is None:
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
        if self._file is None:
            return
        file, self._file = self._file, None
        try:
            file.close()
        except soundfile.SoundFileError as error:
            self.trouble = self.trouble or self._broken_off(error)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def _create(self) -> None:
        try:
            # "x" so that two programs cannot both believe that the name was free.
            self.path.open("xb").close()
        except FileExistsError as error:
            raise PitchbenchError(
                f"{str(self.path)!r} exists already.", "Give another name for the recording."
            ) from error
        except OSError as error:
            raise _cannot_write(self.path, error) from error
        try:
            gaps_path(self.path).unlink(missing_ok=True)
            self._file = _begun(_place(self.path), self.source.rate_hz, exact=self._exact)
        except (OSError, soundfile.SoundFileError) as error:
            raise self._broken_off(error) from error

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
            self.trouble = self._broken_off(error)
        self._next = block.start + len(block.samples)

    def _put(self, samples: NDArray[np.float32]) -> None:
        assert self._file is not None
        _put(self._file, samples, exact=self._exact)

    def _broken_off(self, error: Exception) -> PitchbenchError:
        """What to say when the file cannot be written any further."""
        if self._file is not None:
            with contextlib.suppress(soundfile.SoundFileError):  # which ends it none the less
                self._file.close()
            self._file = None
        reason = _cannot_write(self.path, error)
        if _holds_sound(self.path):
            return RecordsError(
                reason.what, f"The recording holds what came before. {reason.remedy}"
            )
        for left in (self.path, gaps_path(self.path)):
            with contextlib.suppress(OSError):
                left.unlink(missing_ok=True)
        return reason


def encoded(samples: NDArray[np.float32], rate_hz: int, path: Path) -> bytes:
    """What a file called ``path`` holds that is a recording of ``samples``."""
    exact, file = _is_exact(path), io.BytesIO()
    with _begun(file, rate_hz, exact=exact) as sound:
        _put(sound, samples if exact else _rounded(samples), exact=exact)
    return file.getvalue()


def _is_exact(path: Path) -> bool:
    return path.suffix.lower() == ".wav"


def _place(path: Path) -> Path | bytes:
    """As bytes, as recordings are opened too."""
    return path if os.name == "nt" else os.fsencode(path)


def _begun(file: Path | bytes | io.BytesIO, rate_hz: int, *, exact: bool) -> soundfile.SoundFile:
    subtype, kind = ("FLOAT", "WAV") if exact else ("PCM_24", "FLAC")
    return soundfile.SoundFile(file, "w", rate_hz, channels=1, subtype=subtype, format=kind)


def _put(file: soundfile.SoundFile, samples: NDArray[np.float32], *, exact: bool) -> None:
    # As integers: libsndfile scales floats by 2^23 - 1 on the way in but 2^-23 on the way out,
    # which would change every sample.
    file.write(samples if exact else (samples * np.float32(_FULL_SCALE)).astype(np.int32) << 8)


def _holds_sound(path: Path) -> bool:
    """Whether a file that was broken off can be read at its beginning."""
    try:
        with soundfile.SoundFile(_place(path)) as file:
            return len(file.read(1)) > 0
    except (OSError, soundfile.SoundFileError):
        return False


def _rounded(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """``samples`` as 24-bit values; every one of them is exact in float32."""
    steps = np.rint(samples * np.float32(_FULL_SCALE))
    return np.asarray(np.clip(steps, -_FULL_SCALE, _FULL_SCALE - 1) / np.float32(_FULL_SCALE))


def _cannot_write(path: Path, error: Exception) -> PitchbenchError:
    reason = getattr(error, "strerror", None) or getattr(error, "error_string", None) or error
    try:
        # libsndfile says "System error" and no more; whoever else writes there is told which.
        with tempfile.TemporaryFile(dir=path.parent) as file:
            file.write(bytes(_MUCH))
    except OSError as system:
        reason = system.strerror
    return RecordsError(
        f"The recording {str(path)!r} cannot be written: {str(reason).rstrip('.')}.",
        "Choose a folder with room that you may write to.",
    )
