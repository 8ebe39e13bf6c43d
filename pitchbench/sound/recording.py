"""Recordings as a source: what libsndfile reads, and the files of telephones and video cameras."""

from __future__ import annotations

import contextlib
import io
import os
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import chain
from pathlib import Path
from typing import Any, Final, Protocol

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

#: Times in video files are often rounded to milliseconds and never missing by more than a few; what
#: is lost comes in whole packets, of which the shortest in use hold 20 ms.
_LOST_S: Final = Fraction(15, 1000)
#: A file that ends so much sooner than it says was cut short; encoders pad by less.
_CUT_SHORT_S: Final = 0.5

#: What libsndfile notes of a chunk of samples (WAV, AIFF, AU) that the file is too short for.
_TOO_LONG: Final = re.compile(r"(?:data|SSND|Data Size)\s*: (\d+) \(should be (\d+)\)", re.ASCII)
#: Programs that write into a pipe cannot know the length, and put down as much as the field holds,
#: with a sign or without, less what they round off.
_UNKNOWN_LENGTH: Final = 2**31 - 2**16


class Recording:
    """A sound file, read as a stream: memory does not grow with its length.

    WAV, FLAC, Ogg (Opus too), AIFF, MP3 and the like are read by libsndfile; MP4 and QuickTime
    (.m4a, .mp4, .mov, .3gp), Matroska (.webm), Windows Media (.wma), AMR, bare AAC and AVI by
    FFmpeg, where PyAV is installed. Of a video it is the sound.

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
        If the file is missing, no file, no audio, at a rate outside 8 to 192 kHz, without that
        channel, or of a kind for which something must be installed first.
    NoReadingError
        If it is empty or holds no sound; from :meth:`blocks`, if it holds samples that are no
        numbers.
    """

    def __init__(
        self, path: str | os.PathLike[str], *, channel: int | None = None, block_size: int = 4096
    ) -> None:
        self.path = Path(path)
        self.block_size = block_size
        with _opened(self.path) as sound:
            self._rate_hz = sound.rate_hz
            self.channels = sound.channels
            #: Length in frames, as far as the file's header tells; 0 where it does not.
            self.frames = sound.frames
        self._check(channel)
        self._channel = 1 if self.channels == 1 else channel
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
        for each in self._stretches(self.block_size):
            samples = np.ascontiguousarray(each.frames[:, column])
            yield Block(samples, each.start, self._rate_hz, each.gap)

    def _check(self, channel: int | None) -> None:
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

    def _liveliest_channel(self) -> int:
        total = np.zeros(self.channels)
        squares = np.zeros(self.channels)
        count = 0
        for each in self._stretches(_READ_FRAMES):
            total += each.frames.sum(axis=0, dtype=np.float64)
            squares += np.square(each.frames, dtype=np.float64).sum(axis=0)
            count += len(each.frames)
        variance = squares - total**2 / max(count, 1)
        return int(np.argmax(variance)) + 1

    def _stretches(self, size: int) -> Iterator[_Stretch]:
        """All that can be read, at most ``size`` frames at a time."""
        end = 0
        with _opened(self.path) as sound:
            try:
                for each in sound.stretches(min(size, _MOST_SAMPLES // self.channels)):
                    self._check_numbers(each)
                    yield each
                    end = each.start + len(each.frames)
            except _DamageError as error:
                if end == 0:
                    raise _damaged_all_through(self.path) from error
                self.damaged_after_s = end / self._rate_hz

    def _check_numbers(self, each: _Stretch) -> None:
        if not np.abs(each.frames).max() <= _LARGEST_SAMPLE:
            number = (np.abs(each.frames) <= _LARGEST_SAMPLE).reshape(len(each.frames), -1)
            at = each.start + int(np.argmin(number.all(axis=1)))
            raise NoReadingError(
                f"{str(self.path)!r} holds samples that are no numbers, near "
                f"{at / self._rate_hz:.1f} s.",
                "Export it again from the program that made it.",
            )


@dataclass(frozen=True, eq=False)
class _Stretch:
    """Consecutive frames, float32, shape (n, channels); ``start`` and ``gap`` as of a block."""

    start: int
    frames: NDArray[np.float32]
    gap: bool


class _DamageError(Exception):
    """Here a file stops making sense, or stops too soon."""


class _Sound(Protocol):
    """A file that is open, whatever reads it."""

    rate_hz: int
    channels: int
    frames: int

    def stretches(self, size: int) -> Iterator[_Stretch]:
        """All of it from its beginning, ``size`` frames at a time, or fewer before a gap; once."""
        ...


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[_Sound]:
    """The file, open for reading."""
    kind = _kind_of_container(_beginning(path))
    if kind is None:
        with _sound_file(path) as file:
            yield _SoundFile(path, file)
        return
    with _container(path, kind) as container:
        yield _Container(path, container)


def _beginning(path: Path) -> bytes:
    """The first bytes of the file."""
    try:
        if not path.exists():
            raise ReadError(f"There is no file {str(path)!r}.", "Check the name.")
        if not path.is_file():
            raise ReadError(f"{str(path)!r} is not a file.", "Give a sound file.")
        with path.open("rb") as file:
            beginning = file.read(16)
    except OSError as error:
        raise ReadError(
            f"{str(path)!r} cannot be opened: {error.strerror}.", "Check who may read it."
        ) from error
    if not beginning:
        raise NoReadingError(f"{str(path)!r} is empty.", "Record again.")
    return beginning


# -- what libsndfile reads -------------------------------------------------------------------------


class _SoundFile:
    """What libsndfile reads, with the gaps that were noted beside it."""

    def __init__(self, path: Path, file: soundfile.SoundFile) -> None:
        self._file = file
        self._gaps = read_gaps(path)
        self.rate_hz = int(file.samplerate)
        self.channels = int(file.channels)
        self._most = int(file.frames)
        if not self._most:
            raise _no_sound(path)
        # A FLAC file whose writing was broken off tells no length: libsndfile says its largest.
        self.frames = 0 if self._most == sys.maxsize else self._most
        claimed = _TOO_LONG.search(file.extra_info)
        self._cut_short = claimed is not None and (
            int(claimed[2]) < int(claimed[1]) < _UNKNOWN_LENGTH
        )

    def stretches(self, size: int) -> Iterator[_Stretch]:
        position, gap = 0, False
        for seam in (*self._gaps, Gap(sys.maxsize, 0)):
            while position < seam.start:
                frames = self._read(min(size, seam.start - position))
                if not len(frames):
                    # An MP3 file says how long it was, and nothing when it ends before that.
                    lacks = self._most - position
                    if self._cut_short or lacks > _CUT_SHORT_S * self.rate_hz:
                        raise _DamageError
                    return
                yield _Stretch(position, frames, gap)
                position, gap = position + len(frames), False
            # What was written over a gap is silence, and no sound to listen to.
            position, gap = position + seam.lost, True
            if seam.lost:
                self._file.seek(min(position, self._most))

    def _read(self, frames: int) -> NDArray[np.float32]:
        try:
            read: NDArray[np.float32] = self._file.read(frames, dtype="float32", always_2d=True)
        except soundfile.SoundFileRuntimeError as error:
            raise _DamageError from error
        return read


def _sound_file(path: Path) -> soundfile.SoundFile:
    try:
        # As bytes, since a name may come from a system with another encoding; Windows has no such.
        return soundfile.SoundFile(path if os.name == "nt" else os.fsencode(path))
    except (soundfile.SoundFileError, TypeError, ValueError) as error:
        # TypeError: a headerless format, of which nobody knows the rate.
        raise ReadError(
            f"{str(path)!r} is not a recording that can be read, or its beginning is damaged.",
            "Give a WAV, FLAC, Ogg, AIFF, MP3, M4A, MP4, MOV, 3GP, WebM or WMA file.",
        ) from error


# -- what FFmpeg reads -----------------------------------------------------------------------------


class _Container:
    """What FFmpeg reads of the files of telephones and video cameras: their first sound."""

    def __init__(self, path: Path, container: Any) -> None:
        self._path = path
        streams = container.streams.audio
        stream = next((each for each in streams if each.codec_context is not None), None)
        if stream is None:
            raise _nothing_to_hear(path, container)
        # One thread, and no guessing at what is damaged: the same file gives the same samples.
        stream.codec_context.thread_count = 1
        stream.codec_context.options = {"err_detect": "explode"}
        decoded = self._decoded(container.decode(stream))
        try:
            first = next(decoded, None)
        except _DamageError as error:
            raise _damaged_all_through(path) from error
        if first is None:
            raise _no_sound(path)
        self._decoded_frames = chain([first], decoded)
        # As decoded: what the header says of a stream may be half of the rate or of the channels.
        self.rate_hz = int(first.sample_rate)
        self.channels = int(first.layout.nb_channels)
        self.frames = round(self.rate_hz * _announced_s(container, stream))

    def stretches(self, size: int) -> Iterator[_Stretch]:
        start, gap = 0, False
        held = np.empty((0, self.channels), np.float32)
        damage: _DamageError | None = None
        try:
            for lost, frames in self._runs():
                if lost:
                    if len(held):
                        yield _Stretch(start, held, gap)
                    start, gap, held = start + len(held) + lost, True, held[:0]
                held = np.concatenate((held, frames))
                while len(held) >= size:
                    yield _Stretch(start, held[:size], gap)
                    start, gap, held = start + size, False, held[size:]
        except _DamageError as error:
            damage = error
        if len(held):
            yield _Stretch(start, held, gap)
        if damage or start + len(held) < self.frames - _CUT_SHORT_S * self.rate_hz:
            raise damage or _DamageError

    def _runs(self) -> Iterator[tuple[int, NDArray[np.float32]]]:
        """Frames of samples, and how many are missing before them by the file's own clock."""
        expected_s: Fraction | None = None
        for frame in self._decoded_frames:
            if (frame.sample_rate, frame.layout.nb_channels) != (self.rate_hz, self.channels):
                raise _DamageError
            at_s = None if frame.pts is None else frame.pts * frame.time_base
            lost_s = at_s - expected_s if at_s is not None and expected_s is not None else 0
            yield round(lost_s * self.rate_hz) if lost_s > _LOST_S else 0, _as_floats(frame)
            expected_s = None if at_s is None else at_s + Fraction(frame.samples, self.rate_hz)

    @staticmethod
    def _decoded(frames: Iterator[Any]) -> Iterator[Any]:
        """The frames; what FFmpeg cannot make sense of is damage."""
        import av  # noqa: PLC0415  # was found already

        try:
            for frame in frames:
                if frame.is_corrupt:
                    raise _DamageError
                if frame.samples:
                    yield frame
        except (av.FFmpegError, OSError, ValueError) as error:
            raise _DamageError from error


@contextlib.contextmanager
def _container(path: Path, kind: str) -> Iterator[Any]:
    """The file as FFmpeg opens it: as this kind and no other, by itself alone.

    FFmpeg knows kinds that are lists of other files or of addresses. So the kind is told from the
    first bytes here, and the file is handed over open, not by its name.
    """
    try:
        import av  # noqa: PLC0415  # optional, and large: only for such files
    except ImportError as error:
        raise ReadError(
            f"{str(path)!r} is of a kind that telephones and video cameras make, which needs PyAV.",
            "In the folder of pitchbench: .venv/bin/pip install '.[phone]'.",
        ) from error
    with _SeekableFile(path) as file:
        try:
            container = av.open(file, format=kind, metadata_errors="replace")
        except (av.FFmpegError, OSError, ValueError) as error:
            raise ReadError(
                f"{str(path)!r} is not a recording that can be read: it is damaged or cut short.",
                "Have it sent again, whole; a recording that was interrupted may lack its table "
                "of contents.",
            ) from error
        with container:
            yield container


class _SeekableFile(io.FileIO):
    """A file for FFmpeg, which takes a negative place for "no" where an exception would be printed:
    a damaged table of contents leads anywhere."""

    def seek(self, offset: int, whence: int = os.SEEK_SET, /) -> int:
        try:
            return super().seek(offset, whence)
        except (OSError, OverflowError):
            return -1


def _kind_of_container(beginning: bytes) -> str | None:
    """FFmpeg's name for the kind of file that begins so; None where libsndfile should read it."""
    if beginning[4:8] in {b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip"}:
        return "mov"
    if beginning.startswith(b"\x1aE\xdf\xa3"):
        return "matroska"
    if beginning.startswith(b"0&\xb2u\x8ef\xcf\x11\xa6\xd9\x00\xaa\x00b\xcel"):
        return "asf"
    if beginning.startswith(b"#!AMR"):
        return "amr"
    if beginning.startswith(b"RIFF") and beginning[8:12] == b"AVI ":
        return "avi"
    # ADTS: twelve ones, and layer 0, which MP3 has not (ISO/IEC 13818-7, 6.2).
    return "aac" if beginning[:1] == b"\xff" and beginning[1:2] in b"\xf0\xf1\xf8\xf9" else None


def _announced_s(container: Any, stream: Any) -> float:
    """How long the file says that its sound is, in s; 0 where it does not."""
    if container.format.name in {"aac", "amr"}:  # FFmpeg then guesses from the size of the file
        return 0.0
    if stream.duration is not None:
        return max(0.0, float(stream.duration * stream.time_base))
    alone = len(container.streams) == 1
    return max(0.0, container.duration / 1e6) if alone and container.duration else 0.0


def _as_floats(frame: Any) -> NDArray[np.float32]:
    """The samples of a decoded frame, shape (n, channels), full scale ±1."""
    values: NDArray[Any] = frame.to_ndarray()
    channels = int(frame.layout.nb_channels)
    values = values.T if frame.format.is_planar else values.reshape(-1, channels)
    if values.dtype == np.uint8:
        values = values.astype(np.int16) - 128
        return (values / np.float32(128)).astype(np.float32)
    if np.issubdtype(values.dtype, np.integer):
        return (values / float(2 ** (8 * values.itemsize - 1))).astype(np.float32)
    return values.astype(np.float32)


def _nothing_to_hear(path: Path, container: Any) -> NoReadingError | ReadError:
    if container.streams.audio:
        return ReadError(
            f"The sound of {str(path)!r} is coded in a way that cannot be read here.",
            "Have it sent as WAV, FLAC or M4A.",
        )
    return NoReadingError(
        f"{str(path)!r} holds pictures but no sound.",
        "Record again with the microphone switched on.",
    )


def _no_sound(path: Path) -> NoReadingError:
    return NoReadingError(
        f"{str(path)!r} holds no sound at all.",
        "Record again, and check that the file grows while you do.",
    )


def _damaged_all_through(path: Path) -> NoReadingError:
    return NoReadingError(
        f"{str(path)!r} is damaged from its very beginning.",
        "Record again, or export it again from the program that made it.",
    )
