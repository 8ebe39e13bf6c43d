"""What cannot be read is refused in two sentences with the right exit code, or read as far as
it goes."""

from __future__ import annotations

import contextlib
import os
import struct
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from recordings import RATE_HZ, Note, Ran, play

from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.presets import preset
from pitchbench.sound.recording import Recording
from pitchbench.strings.virtual import VirtualInstrument

ROOT = Path(__file__).parents[2]


def wav(path: Path, frames: int = 48_000, rate_hz: int = 48_000, subtype: str = "PCM_16") -> Path:
    samples = np.random.default_rng(3).uniform(-0.5, 0.5, frames)
    soundfile.write(path, samples, rate_hz, subtype=subtype)
    return path


def missing(folder: Path) -> Path:
    return folder / "nothing.wav"


def directory(folder: Path) -> Path:
    return folder


def named_pipe(folder: Path) -> Path:
    os.mkfifo(folder / "pipe.wav")
    return folder / "pipe.wav"


def text(folder: Path) -> Path:
    (folder / "text.wav").write_text("This is no sound.\n" * 100)
    return folder / "text.wav"


def headerless(folder: Path) -> Path:
    (folder / "a.raw").write_bytes(bytes(1000))
    return folder / "a.raw"


def cut_header(folder: Path) -> Path:
    path = wav(folder / "cut.wav")
    path.write_bytes(path.read_bytes()[:30])
    return path


def cut_flac_header(folder: Path) -> Path:
    soundfile.write(folder / "cut.flac", np.zeros(1000), 48_000)
    path = folder / "cut.flac"
    path.write_bytes(path.read_bytes()[:20])
    return path


def nothing(folder: Path) -> Path:
    (folder / "nothing.wav").touch()
    return folder / "nothing.wav"


def no_samples(folder: Path) -> Path:
    return wav(folder / "none.wav", frames=0)


def slow(folder: Path) -> Path:
    return wav(folder / "slow.wav", rate_hz=7_999)


def one_hertz(folder: Path) -> Path:
    return wav(folder / "one.wav", rate_hz=1)


def fast(folder: Path) -> Path:
    return wav(folder / "fast.wav", rate_hz=10_000_000)


@pytest.mark.parametrize(
    ("make", "says", "code"),
    [
        (missing, "no file", ExitCode.USAGE),
        (directory, "not a file", ExitCode.USAGE),
        (named_pipe, "not a file", ExitCode.USAGE),
        (text, "not a recording", ExitCode.USAGE),
        (headerless, "not a recording", ExitCode.USAGE),
        (cut_header, "not a recording", ExitCode.USAGE),
        (cut_flac_header, "not a recording", ExitCode.USAGE),
        (nothing, "is empty", ExitCode.NO_READING),
        (no_samples, "no sound at all", ExitCode.NO_READING),
        (slow, "7999 Hz", ExitCode.USAGE),
        (one_hertz, "sampled at 1 Hz", ExitCode.USAGE),
        (fast, "10000000 Hz", ExitCode.USAGE),
    ],
)
def test_refused(tmp_path: Path, make: Callable[[Path], Path], says: str, code: ExitCode) -> None:
    with pytest.raises(PitchbenchError) as error:
        Recording(make(tmp_path))
    assert says in error.value.what
    assert error.value.exit_code == code
    for sentence in (error.value.what, error.value.remedy):
        assert sentence.endswith(".")
        assert "\n" not in sentence


@pytest.mark.parametrize("channel", [0, -1, 3, 10**9])
def test_no_such_channel(tmp_path: Path, channel: int) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.ones((10, 2)) / 2, 48_000)
    with pytest.raises(PitchbenchError, match="no channel") as error:
        Recording(path, channel=channel)
    assert error.value.remedy == "Give a channel from 1 to 2, or none to have it chosen."
    assert error.value.exit_code == ExitCode.USAGE


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e20])
@pytest.mark.parametrize("channels", [1, 2])
def test_samples_that_are_no_numbers(tmp_path: Path, value: float, channels: int) -> None:
    samples = np.zeros((20_000, channels), np.float32)
    samples[15_000, 0] = value
    path = tmp_path / "a.wav"
    soundfile.write(path, samples, 8_000, subtype="FLOAT")
    recording = Recording(path)
    with pytest.raises(PitchbenchError, match=r"no numbers, near 1\.9 s") as error:
        list(recording.blocks())
    assert error.value.exit_code == ExitCode.NO_READING


def test_control_characters_in_a_name_are_shown_not_obeyed(tmp_path: Path) -> None:
    with pytest.raises(PitchbenchError) as error:
        Recording(tmp_path / "a\x1b[2J\nb.wav")
    assert "\x1b" not in str(error.value)
    assert "\n" not in error.value.what


@contextlib.contextmanager
def nobody() -> Iterator[None]:
    """Root may read everything; nobody may not."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_unreadable() -> None:
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        path = wav(Path(folder) / "a.wav")
        path.chmod(0)
        with nobody(), pytest.raises(PitchbenchError, match="cannot be opened") as error:
            Recording(path)
    assert error.value.what.endswith(": Permission denied.")
    assert error.value.exit_code == ExitCode.USAGE


def test_a_name_too_long_for_the_system(tmp_path: Path) -> None:
    with pytest.raises(PitchbenchError, match=r"no file|cannot be opened"):
        Recording(tmp_path / ("a" * 5000 + ".wav"))


@pytest.mark.parametrize("fraction", [0.1, 0.5, 0.9])
def test_a_recording_cut_short_is_read_as_far_as_it_goes(tmp_path: Path, fraction: float) -> None:
    whole = wav(tmp_path / "whole.wav", frames=96_000)
    expected, _ = soundfile.read(whole, dtype="float32")
    for suffix in ("wav", "aiff", "au", "flac"):
        path = tmp_path / f"cut.{suffix}"
        soundfile.write(path, expected, 48_000, subtype="PCM_16")
        whole_one = Recording(path)
        assert sum(len(block.samples) for block in whole_one.blocks()) == 96_000
        assert whole_one.damaged_after_s is None
        path.write_bytes(path.read_bytes()[: int(fraction * path.stat().st_size)])
        recording = Recording(path)
        heard = np.concatenate([block.samples for block in recording.blocks()])
        np.testing.assert_array_equal(heard, expected[: len(heard)])
        # At most the last block of what is there is given up (noise does not compress).
        assert len(heard) >= fraction * len(expected) - 2 * 4096
        assert recording.damaged_after_s == len(heard) / 48_000


def test_an_mp3_file_cut_short_says_so(tmp_path: Path) -> None:
    path = tmp_path / "cut.mp3"
    soundfile.write(path, np.random.default_rng(3).uniform(-0.5, 0.5, 96_000), 48_000)
    whole = Recording(path)
    assert sum(len(block.samples) for block in whole.blocks()) >= 96_000
    assert whole.damaged_after_s is None
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    recording = Recording(path)
    heard = sum(len(block.samples) for block in recording.blocks())
    assert recording.damaged_after_s == heard / 48_000
    assert 0.8 < recording.damaged_after_s < 1.2


def test_what_is_lost_behind_the_sound_is_no_damage(tmp_path: Path) -> None:
    path = wav(tmp_path / "a.wav")
    content = bytearray(path.read_bytes())
    content[4:8] = struct.pack("<I", len(content) + 1000)  # a chunk of remarks, cut off
    path.write_bytes(content)
    recording = Recording(path)
    assert sum(len(block.samples) for block in recording.blocks()) == 48_000
    assert recording.damaged_after_s is None


@pytest.mark.parametrize("claimed", [2**31 - 1, 0x7FFFF000, 2**31, 2**32 - 37, 2**32 - 1])
def test_the_header_of_a_stream_does_not_know_its_length(tmp_path: Path, claimed: int) -> None:
    path = wav(tmp_path / "a.wav")
    content = bytearray(path.read_bytes())
    size_at = content.index(b"data") + 4
    content[size_at : size_at + 4] = struct.pack("<I", claimed)
    path.write_bytes(content)
    recording = Recording(path)
    assert sum(len(block.samples) for block in recording.blocks()) == 48_000
    assert recording.damaged_after_s is None


def test_a_flac_file_whose_writing_was_broken_off_tells_no_length(tmp_path: Path) -> None:
    path, part = tmp_path / "whole.flac", tmp_path / "part.flac"
    with soundfile.SoundFile(path, "w", 48_000, channels=1, subtype="PCM_24") as file:
        file.write(np.random.default_rng(3).uniform(-0.5, 0.5, 96_000))
        part.write_bytes(path.read_bytes())
    recording = Recording(part)
    assert recording.frames == 0
    heard = sum(len(block.samples) for block in recording.blocks())
    assert heard > 80_000
    assert recording.damaged_after_s == heard / 48_000


@pytest.mark.parametrize("claimed", [0, 1, 2**31, 2**32 - 1])
@pytest.mark.parametrize("field", [b"RIFF", b"fmt ", b"data"])
def test_lengths_that_are_not_true(tmp_path: Path, field: bytes, claimed: int) -> None:
    """Each length in the header of a WAV file: read as far as it goes, or refused."""
    path = wav(tmp_path / "a.wav", frames=4_800)
    content = bytearray(path.read_bytes())
    at = content.index(field) + 4
    content[at : at + 4] = struct.pack("<I", claimed)
    path.write_bytes(content)
    with contextlib.suppress(PitchbenchError):
        heard = sum(len(block.samples) for block in Recording(path).blocks())
        assert 0 < heard <= 4_800


@pytest.mark.parametrize("channels", [3, 64, 1024])
def test_many_channels(tmp_path: Path, channels: int) -> None:
    """The one in which something happens is found."""
    samples = np.zeros((9_000, channels))
    samples[:, channels - 2] = np.random.default_rng(3).uniform(-0.5, 0.5, 9_000)
    path = tmp_path / "a.wav"
    soundfile.write(path, samples, 48_000, subtype="FLOAT")
    recording = Recording(path, block_size=65_536)
    assert recording.channel == channels - 1
    heard = np.concatenate([block.samples for block in recording.blocks()])
    np.testing.assert_array_equal(heard, samples[:, channels - 2].astype(np.float32))


def test_a_recording_of_which_nothing_is_left(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    soundfile.write(path, np.random.default_rng(3).uniform(-0.5, 0.5, 48_000), 48_000)
    path.write_bytes(path.read_bytes()[:1000])
    with pytest.raises(PitchbenchError, match="damaged from its very beginning") as error:
        list(Recording(path).blocks())
    assert error.value.exit_code == ExitCode.NO_READING


READERS = ("read", "drift", "offset", "neck", "repeatability")


@pytest.mark.parametrize("command", READERS)
def test_what_was_heard_is_told_to_programs_where_nothing_comes_of_it(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, command: str
) -> None:
    virtual = VirtualInstrument(preset("six-string"), seed=4, rate_hz=RATE_HZ)
    loud = np.clip(50.0 * play(virtual, [Note(5), Note(5, 12)]), -1.0, 1.0)
    soundfile.write(tmp_path / "loud.wav", loud, RATE_HZ)
    ran = Ran(capsys, command, tmp_path / "loud.wav", "--format", "json")
    assert ran.code == ExitCode.NO_READING
    readings = ran.document["plucks" if command == "drift" else "readings"]
    assert [each["reason"] for each in readings] == ["clipped", "clipped"]
    assert ran.document["sounds"][0]["length_s"] == pytest.approx(len(loud) / RATE_HZ)
    if command != "drift":  # whose own form holds that
        assert ran.document["schema"] == "pitchbench.readings/1"
        assert f"{ran.document['lacks']} " in ran.err.replace("\n", " ")
    assert Ran(capsys, command, tmp_path / "loud.wav", "--plain").code == ExitCode.NO_READING


@pytest.mark.parametrize("command", READERS)
def test_a_file_without_a_sample_is_told_to_programs(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, command: str
) -> None:
    path = no_samples(tmp_path)
    ran = Ran(capsys, command, path, "--format", "json")
    assert ran.code == ExitCode.NO_READING
    assert (ran.document["readings"], ran.document["sounds"]) == ([], [])
    assert "no sound at all" in ran.document["lacks"]


@pytest.mark.parametrize("command", READERS)
def test_damage_stands_in_every_document(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, command: str
) -> None:
    name = "g3-neck-low-frets" if command == "neck" else "a2-open-and-12th-sharp"
    whole = ROOT / "samples" / f"{name}.flac"
    path = tmp_path / "cut.flac"
    path.write_bytes(whole.read_bytes()[:180_000])
    for sound, damaged in ((path, True), (whole, False)):
        ran = Ran(capsys, command, sound, "--format", "json")
        assert ran.code == ExitCode.DONE
        (told,) = ran.document["sounds"]
        assert told["file"] == str(sound)
        assert told["damaged_after_s"] == (told["length_s"] if damaged else None)
