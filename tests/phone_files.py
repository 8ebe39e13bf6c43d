"""Files as telephones and video cameras make them, written with FFmpeg through PyAV."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Form:
    """How sound is packed: the ending of the name, FFmpeg's names for container and codec."""

    suffix: str
    container: str
    codec: str
    rate_hz: int
    bit_rate: int | None = None

    def __str__(self) -> str:
        bits = f"-{self.bit_rate // 1000}k" if self.bit_rate else ""
        return f"{self.suffix}-{self.codec}-{self.rate_hz // 1000}kHz{bits}"


AAC = Form("m4a", "ipod", "aac", 48_000, 64_000)
AAC_16K = Form("m4a", "ipod", "aac", 16_000, 32_000)
OPUS = Form("webm", "webm", "libopus", 48_000, 64_000)
MOVIE = Form("mp4", "mp4", "aac", 44_100, 96_000)
AMR = Form("3gp", "3gp", "libopencore_amrnb", 8_000, 12_200)
LOSSY = (
    AAC,
    AAC_16K,
    OPUS,
    MOVIE,
    Form("mov", "mov", "aac", 48_000, 128_000),
    Form("wma", "asf", "wmav2", 44_100, 96_000),
    Form("aac", "adts", "aac", 44_100, 96_000),
    Form("opus", "opus", "libopus", 48_000, 64_000),  # libsndfile reads this one
    Form("avi", "avi", "libmp3lame", 44_100, 128_000),
)
LOSSLESS = (
    Form("m4a", "ipod", "alac", 48_000),
    Form("mov", "mov", "pcm_s16le", 48_000),
    Form("mov", "mov", "pcm_f32le", 48_000),
    Form("mka", "matroska", "flac", 48_000),
)
#: What a telephone call sounds like.
SPEECH = (AMR, Form("amr", "amr", "libopencore_amrnb", 8_000, 12_200))


def write(
    path: Path,
    sound: NDArray[np.float32],
    rate_hz: int,
    form: Form,
    *,
    pictures: bool = False,
    lose: range = range(0),
    **options: str,
) -> Path:
    """Write ``sound``, shape (n,) or (n, 2), to ``path`` with the form's ending; the path so made.

    ``pictures`` puts a video before it; the packets of sound counted in ``lose`` are left out.
    """
    path = path.with_suffix(f".{form.suffix}")
    columns = np.atleast_2d(sound.T).astype(np.float32)
    layout = "stereo" if len(columns) == 2 else "mono"
    frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(columns), "fltp", layout)
    frame.sample_rate, frame.pts, frame.time_base = rate_hz, 0, Fraction(1, rate_hz)
    with av.open(str(path), "w", format=form.container, options=options) as file:
        video = _video(file) if pictures else None
        stream = file.add_stream(form.codec, rate=form.rate_hz, layout=layout)
        if form.bit_rate:
            stream.bit_rate = form.bit_rate
        to_form = av.AudioResampler(stream.codec_context.format, layout, form.rate_hz)
        if video:
            _film(file, video, len(sound) / rate_hz)
        packets = [
            packet
            for part in (*to_form.resample(frame), *to_form.resample(None), None)
            for packet in stream.encode(part)
        ]
        for number, packet in enumerate(packets):
            if number not in lose:
                file.mux(packet)
    return path


def write_silent_film(path: Path) -> Path:
    """A video without any sound."""
    with av.open(str(path), "w") as file:
        _film(file, _video(file), 1.0)
    return path


def _video(file: Any) -> Any:
    video = file.add_stream("mpeg4", rate=10)
    video.width, video.height, video.pix_fmt = 64, 48, "yuv420p"
    return video


def _film(file: Any, video: Any, length_s: float) -> None:
    for number in range(round(10 * length_s)):
        picture = av.VideoFrame.from_ndarray(np.full((48, 64, 3), number % 256, np.uint8))
        file.mux(video.encode(picture))
    file.mux(video.encode(None))
