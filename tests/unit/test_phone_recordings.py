"""Files of telephones and video cameras: written with FFmpeg, they read like the WAV."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from recordings import RATE_HZ, Note, Ran, play

from pitchbench.analysis.listening import listen_to
from pitchbench.errors import ExitCode, ReadError
from pitchbench.pitch.reading import Reading, Reason, Rejected
from pitchbench.presets import preset
from pitchbench.sound.recording import Recording
from pitchbench.strings.virtual import VirtualInstrument
from pitchbench.units import cents_between

pytest.importorskip("av")

import phone_files
from phone_files import AAC, LOSSLESS, LOSSY, MOVIE, OPUS, SPEECH, Form

Capsys = pytest.CaptureFixture[str]
Sound = NDArray[np.float32]


@pytest.fixture(scope="module")
def sound() -> Sound:
    """The low E string, open and at the 12th fret."""
    guitar = VirtualInstrument(preset("six-string"), seed=5, rate_hz=RATE_HZ)
    return play(guitar, [Note(6), Note(6, 12)])


@pytest.fixture(scope="module")
def wav(sound: Sound, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("wav") / "whole.wav"
    soundfile.write(path, sound, RATE_HZ, subtype="PCM_24")
    return path


@pytest.fixture(scope="module")
def as_wav(wav: Path) -> tuple[Reading | Rejected, ...]:
    """What the WAV reads like."""
    return read(wav)


def read(path: Path) -> tuple[Reading | Rejected, ...]:
    (heard,) = listen_to([path])
    assert heard.damaged_after_s is None
    return heard.readings


def samples(path: Path, channel: int | None = None) -> Sound:
    """End to end; no gap."""
    blocks = list(Recording(path, channel=channel).blocks())
    assert not any(block.gap for block in blocks)
    return np.concatenate([block.samples for block in blocks])


# -- whole files -------------------------------------------------------------------------------


@pytest.mark.parametrize("form", [*LOSSY, *LOSSLESS], ids=str)
def test_it_reads_like_the_wav(
    tmp_path: Path, sound: Sound, as_wav: tuple[Reading, ...], form: Form
) -> None:
    here = read(phone_files.write(tmp_path / "a", sound, RATE_HZ, form))
    assert [type(reading) for reading in here] == [Reading, Reading]
    for one, other in zip(as_wav, here, strict=True):
        apart = abs(cents_between(other.pitch_hz, one.pitch_hz))
        assert apart < 2.0 * other.u_cents
        # A wide ± may not excuse it: half of the tolerance of a string is the most.
        assert apart < 1.0
    began = [reading.onset_s for reading in here]
    # Codecs put silence in front, or take some of it away: the times between plucks stay.
    assert began[1] - began[0] == pytest.approx(as_wav[1].onset_s - as_wav[0].onset_s, abs=0.03)


@pytest.mark.parametrize("form", SPEECH, ids=str)
def test_what_codes_speech_may_lose_a_reading_but_makes_no_wrong_one(
    tmp_path: Path, sound: Sound, as_wav: tuple[Reading, ...], form: Form
) -> None:
    here = read(phone_files.write(tmp_path / "a", sound, RATE_HZ, form))
    assert len(here) >= 2
    for reading in here:
        if isinstance(reading, Reading):
            apart = [abs(cents_between(reading.pitch_hz, one.pitch_hz)) for one in as_wav]
            assert min(apart) < 2.0 * reading.u_cents


@pytest.mark.parametrize("form", LOSSLESS, ids=str)
def test_what_loses_nothing_gives_the_same_samples(
    tmp_path: Path, sound: Sound, form: Form
) -> None:
    path = phone_files.write(tmp_path / "a", sound, RATE_HZ, form)
    # Half a step of 16 bits, which is the least that these hold.
    np.testing.assert_allclose(samples(path), sound, rtol=0, atol=2.0**-16)


def test_the_sound_of_a_video_is_taken(tmp_path: Path, sound: Sound) -> None:
    alone = phone_files.write(tmp_path / "alone", sound, RATE_HZ, MOVIE)
    film = phone_files.write(tmp_path / "film", sound, RATE_HZ, MOVIE, pictures=True)
    np.testing.assert_array_equal(samples(film), samples(alone))


@pytest.mark.parametrize("form", [AAC, OPUS, LOSSLESS[1]], ids=str)
def test_of_two_channels_the_liveliest_is_taken(tmp_path: Path, sound: Sound, form: Form) -> None:
    both = np.stack((np.zeros_like(sound), sound), axis=1)
    path = phone_files.write(tmp_path / "a", both, RATE_HZ, form)
    recording = Recording(path)
    assert (recording.channels, recording.channel) == (2, 2)
    # Joint coding lets a little through.
    assert np.abs(samples(path, channel=1)).max() < 0.05 * np.abs(samples(path, channel=2)).max()


@pytest.mark.parametrize("size", [100, 4096, 65_536])
def test_the_samples_do_not_depend_on_the_block_size(
    tmp_path: Path, sound: Sound, size: int
) -> None:
    path = phone_files.write(tmp_path / "a", sound, RATE_HZ, AAC)
    blocks = list(Recording(path, block_size=size).blocks())
    assert {len(block.samples) for block in blocks[:-1]} == {size}
    assert [block.start for block in blocks] == list(range(0, size * len(blocks), size))
    np.testing.assert_array_equal(np.concatenate([b.samples for b in blocks]), samples(path))


@pytest.mark.parametrize("form", [AAC, OPUS, MOVIE], ids=str)
def test_lost_packets_are_a_gap_and_void_the_pluck(
    tmp_path: Path, sound: Sound, form: Form
) -> None:
    """As if the telephone had been too busy for a moment while the second note rang."""
    packets_per_s = 50 if form is OPUS else form.rate_hz / 1024
    lose = range(round(3.6 * packets_per_s), round(3.8 * packets_per_s))
    path = phone_files.write(tmp_path / "a", sound, RATE_HZ, form, lose=lose)
    blocks = list(Recording(path).blocks())
    (after,) = [k for k, block in enumerate(blocks) if block.gap]
    before = blocks[after - 1]
    lost_s = (blocks[after].start - before.start - len(before.samples)) / form.rate_hz
    # Of the packet after a lost one nothing may be usable.
    assert lost_s == pytest.approx(0.2, abs=0.05)
    first, second = read(path)
    assert isinstance(first, Reading)
    assert isinstance(second, Rejected)
    assert second.reason is Reason.GAP


# -- what cannot be read -----------------------------------------------------------------------


def test_without_pyav_one_sentence_says_what_to_install(
    capsys: Capsys, tmp_path: Path, sound: Sound, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = phone_files.write(tmp_path / "a", sound, RATE_HZ, AAC)
    opus = phone_files.write(tmp_path / "a", sound, RATE_HZ, LOSSY[7])
    monkeypatch.setitem(sys.modules, "av", None)  # as if it were not installed
    ran = Ran(capsys, "read", path)
    assert (ran.code, ran.out) == (ExitCode.USAGE, "")
    assert "In the folder of pitchbench: .venv/bin/pip install '.[phone]'.\n" in ran.err
    # Opus in Ogg needs none of it.
    assert Ran(capsys, "read", opus).code == 0


def test_pictures_without_sound(capsys: Capsys, tmp_path: Path) -> None:
    path = phone_files.write_silent_film(tmp_path / "film.mp4")
    ran = Ran(capsys, "read", path)
    assert ran.code == ExitCode.NO_READING
    assert "holds pictures but no sound." in ran.err


def test_cut_off_without_its_table_of_contents(
    capsys: Capsys, tmp_path: Path, sound: Sound
) -> None:
    path = phone_files.write(tmp_path / "a", sound, RATE_HZ, MOVIE)
    path.write_bytes(path.read_bytes()[:-2000])
    ran = Ran(capsys, "read", path)
    assert ran.code == ExitCode.USAGE
    assert "damaged or cut short" in ran.err


@pytest.mark.parametrize("form", [MOVIE, OPUS, LOSSY[5]], ids=str)
def test_cut_short_it_is_read_as_far_as_it_goes(
    capsys: Capsys, tmp_path: Path, sound: Sound, form: Form
) -> None:
    # With the table of contents in front, as a file that is made to be sent has it.
    options = {"movflags": "faststart"} if form is MOVIE else {}
    path = phone_files.write(tmp_path / "a", sound, RATE_HZ, form, **options)
    whole = samples(path)
    content = path.read_bytes()
    path.write_bytes(content[: len(content) * 6 // 10])
    recording = Recording(path)
    part = np.concatenate([block.samples for block in recording.blocks()])
    # The last frame of a codec whose frames overlap lacks the next one.
    sure = len(part) - 2048
    np.testing.assert_array_equal(part[:sure], whole[:sure])
    assert 0.4 < len(part) / len(whole) < 0.7
    assert recording.damaged_after_s == len(part) / form.rate_hz
    ran = Ran(capsys, "read", path)
    assert ran.code == 0
    assert "is damaged: only its first" in ran.err


def test_a_list_of_other_files_is_no_recording(tmp_path: Path, sound: Sound) -> None:
    """FFmpeg would follow such lists wherever they lead."""
    phone_files.write(tmp_path / "a", sound, RATE_HZ, AAC)
    for name, text in (
        ("a.mp4", "ffconcat version 1.0\nfile a.m4a\n"),
        ("b.mp4", "#EXTM3U\n#EXT-X-TARGETDURATION:5\n#EXTINF:5,\na.m4a\n#EXT-X-ENDLIST\n"),
    ):
        (tmp_path / name).write_text(text)
        with pytest.raises(ReadError, match="is not a recording"):
            Recording(tmp_path / name)
