"""What nobody should give to `read` and `offset`, and people do: two sentences and the right exit
code, never a traceback, never a settled pitch that is wrong."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
import stores
from absurd import hold_to_promises, little_memory, run
from recordings import RATE_HZ, Note, Ran, play

from pitchbench.presets import preset
from pitchbench.records.model import SessionMeta, SessionRecord
from pitchbench.report.export import export_json
from pitchbench.strings.virtual import VirtualInstrument
from pitchbench.units import cents_between

Capsys = pytest.CaptureFixture[str]
COMMANDS = ("read", "offset")


def a_guitar(seed: int = 1) -> VirtualInstrument:
    return VirtualInstrument(preset("six-string"), seed=seed, rate_hz=RATE_HZ)


def empty(folder: Path) -> Path:
    (folder / "empty.wav").touch()
    return folder / "empty.wav"


def no_samples(folder: Path) -> Path:
    soundfile.write(folder / "none.wav", np.zeros(0), RATE_HZ)
    return folder / "none.wav"


def cut_in_the_header(folder: Path) -> Path:
    soundfile.write(folder / "cut.wav", np.zeros(1000), RATE_HZ)
    (folder / "cut.wav").write_bytes((folder / "cut.wav").read_bytes()[:30])
    return folder / "cut.wav"


def cut_after_the_header(folder: Path) -> Path:
    noise = np.random.default_rng(1).uniform(-0.5, 0.5, RATE_HZ)
    soundfile.write(folder / "cut.flac", noise, RATE_HZ)
    (folder / "cut.flac").write_bytes((folder / "cut.flac").read_bytes()[:900])
    return folder / "cut.flac"


def silent(folder: Path) -> Path:
    soundfile.write(folder / "silent.wav", np.zeros(3 * RATE_HZ), RATE_HZ)
    return folder / "silent.wav"


def constant(folder: Path) -> Path:
    soundfile.write(folder / "constant.wav", np.full(3 * RATE_HZ, 0.5), RATE_HZ)
    return folder / "constant.wav"


def noise(folder: Path) -> Path:
    hiss = 0.1 * np.random.default_rng(2).standard_normal(5 * RATE_HZ)
    soundfile.write(folder / "noise.wav", hiss, RATE_HZ)
    return folder / "noise.wav"


def knocks(folder: Path) -> Path:
    sound = a_guitar().room(6 * RATE_HZ)
    burst = np.random.default_rng(3).standard_normal(2000) * np.exp(-np.arange(2000) / 300)
    for start in (1, 2, 4):
        sound[start * RATE_HZ : start * RATE_HZ + 2000] += (0.3 * burst).astype(np.float32)
    soundfile.write(folder / "knocks.wav", sound, RATE_HZ)
    return folder / "knocks.wav"


def one_sample(folder: Path) -> Path:
    soundfile.write(folder / "one.wav", np.array([0.5]), RATE_HZ)
    return folder / "one.wav"


def no_numbers(folder: Path) -> Path:
    samples = np.zeros(RATE_HZ, np.float32)
    samples[30_000] = np.nan
    soundfile.write(folder / "nan.wav", samples, RATE_HZ, subtype="FLOAT")
    return folder / "nan.wav"


def text(folder: Path) -> Path:
    (folder / "notes.txt").write_text("E2 A2 D3\n")
    return folder / "notes.txt"


def image(folder: Path) -> Path:
    (folder / "scan.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(1000))
    return folder / "scan.png"


def directory(folder: Path) -> Path:
    return folder


def missing(folder: Path) -> Path:
    return folder / "nowhere.wav"


def two_sentences(stderr: str) -> None:
    """What is wrong, and as the last thing what to do about it."""
    assert "Traceback" not in stderr
    told = [line for line in stderr.splitlines() if line]
    assert told[-2].startswith("pitchbench: ")
    for sentence in told[-2:]:
        assert sentence.endswith(".")
    assert told[-1].split()[0] in {"Check", "Choose", "Export", "Give", "Record", "Write"}


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize(
    ("make", "code"),
    [
        (empty, 3),
        (no_samples, 3),
        (cut_in_the_header, 2),
        (cut_after_the_header, 3),
        (silent, 3),
        (constant, 3),
        (noise, 3),
        (knocks, 3),
        (one_sample, 3),
        (no_numbers, 3),
        (text, 2),
        (image, 2),
        (directory, 2),
        (missing, 2),
    ],
)
def test_a_file_that_holds_no_note(
    capsys: Capsys, tmp_path: Path, command: str, make: Callable[[Path], Path], code: int
) -> None:
    ran = Ran(capsys, command, make(tmp_path), "--format", "json")
    assert ran.code == code
    two_sentences(ran.err)


@pytest.mark.parametrize(
    ("command", "options"),
    [
        ("read", ["--a4", "0"]),
        ("read", ["--a4", "nan"]),
        ("read", ["--channel", "0"]),
        ("read", ["--channel", "-1"]),
        ("read", ["--channel", "99"]),
        ("offset", ["--scale", "-3"]),
        ("offset", ["--scale", "inf"]),
        ("offset", ["--scale", "long"]),
        ("offset", ["--string", "H9"]),
        ("offset", ["--string", ""]),
        ("offset", ["--string", "C99"]),
        ("offset", ["--fret", "99"]),
        ("offset", ["--fret", "0"]),
        ("offset", ["--fret", "12.5"]),
        ("offset", ["--screw-pitch", "0"]),
        ("offset", ["--screw-pitch", "-0.5"]),
        ("offset", ["--tolerance", "nan"]),
        ("offset", ["--tolerance", "0"]),
        ("offset", ["--a4", "44O"]),
        ("offset", ["--preset", "harp"]),
    ],
)
def test_an_absurd_option(capsys: Capsys, tmp_path: Path, command: str, options: list[str]) -> None:
    ran = Ran(capsys, command, silent(tmp_path), *options)
    assert (ran.code, ran.out) == (2, "")
    two_sentences(ran.err)


@pytest.mark.parametrize("command", COMMANDS)
def test_no_file_at_all(capsys: Capsys, command: str) -> None:
    ran = Ran(capsys, command)
    assert ran.code == 2
    two_sentences(ran.err)


def test_a_file_given_twice_would_look_surer_than_it_is(capsys: Capsys, tmp_path: Path) -> None:
    path = silent(tmp_path)
    ran = Ran(capsys, "offset", path, "--open", path)
    assert ran.code == 2
    two_sentences(ran.err)


def test_a_wrong_file_among_good_ones_is_told_before_the_work(
    capsys: Capsys, tmp_path: Path
) -> None:
    ran = Ran(capsys, "read", silent(tmp_path), missing(tmp_path))
    assert (ran.code, ran.out) == (2, "")
    two_sentences(ran.err)


@pytest.mark.parametrize("limit", [0.25, 0.5, 0.9])
def test_a_clipped_note_is_rejected_or_right(capsys: Capsys, tmp_path: Path, limit: float) -> None:
    """Cut at a quarter, a half, and nine tenths of the peak, at the converter's full scale."""
    virtual = a_guitar(seed=2)
    sound = play(virtual, [Note(5), Note(2)])
    clipped = np.clip(sound / (limit * np.abs(sound).max()), -1.0, 1.0)
    soundfile.write(tmp_path / "clipped.wav", clipped, RATE_HZ)
    readings = Ran(capsys, "read", tmp_path / "clipped.wav", "--format", "json").document[
        "readings"
    ]
    assert len(readings) == 2
    true_hz = [virtual.true_hz(5, 0), virtual.true_hz(2, 0)]
    for reading, hz in zip(readings, true_hz, strict=True):
        if reading["status"] == "settled":
            # 99.7 % and no less: a note that is off by more must say so.
            assert abs(cents_between(reading["pitch_hz"], hz)) < max(0.2, 3 * reading["u_cents"])
        else:
            assert reading["reason"] == "clipped"
    # At nine tenths only the pick's first moment is cut, which no reading looks at.
    if limit <= 0.5:
        assert "clipped" in [reading["reason"] for reading in readings]


def test_control_characters_in_a_name_do_not_reach_the_terminal(
    capsys: Capsys, tmp_path: Path
) -> None:
    path = tmp_path / "a\x1b[2Jb.wav"
    soundfile.write(path, play(a_guitar(), [Note(5), Note(5, 12)]), RATE_HZ)
    for command in COMMANDS:
        ran = Ran(capsys, command, path)
        assert ran.code == 0
        assert "\x1b" not in ran.out + ran.err


_MEASURED = """\
import sys
from pathlib import Path
from pitchbench.commands import main
try:
    main(sys.argv[1:])
finally:
    status = Path("/proc/self/status").read_text().splitlines()
    print(*(line.split()[1] for line in status if line.startswith("VmHWM")), file=sys.stderr)
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs Linux to measure")
def test_ten_minutes_need_no_more_memory_than_one(tmp_path: Path) -> None:
    """Ten minutes at 22.05 kHz are 53 MB as float32: a program that gathered them would show it."""
    rate_hz = 22_050
    virtual = VirtualInstrument(preset("six-string"), seed=1, rate_hz=rate_hz)
    notes = play(virtual, [Note(5), Note(5, 12)])
    minute = np.concatenate([notes, virtual.room(60 * rate_hz - len(notes))])
    peak_mb = {}
    for minutes in (1, 10):
        path = tmp_path / f"{minutes}.flac"
        soundfile.write(path, np.tile(minute, minutes), rate_hz)
        done = subprocess.run(
            [sys.executable, "-c", _MEASURED, "read", str(path)],
            capture_output=True,
            text=True,
            check=True,
        )
        assert done.stdout.count("pluck ") == 2 * minutes
        told = done.stderr.splitlines()
        assert told[0] == f"Listening to {minutes}.flac, {60 * minutes} s"
        peak_mb[minutes] = int(told[-1]) / 1024
    assert peak_mb[10] - peak_mb[1] < 20.0


def test_a_thousand_channels_need_little_memory(tmp_path: Path) -> None:
    """Two seconds of them are 400 MB as float32."""
    path = tmp_path / "many.wav"
    soundfile.write(path, np.zeros((1, 1024)), RATE_HZ, subtype="PCM_U8")
    header = bytearray(path.read_bytes()[:-1024])
    size = 2 * RATE_HZ * 1024
    for field, claimed in ((b"RIFF", len(header) - 8 + size), (b"data", size)):
        at = header.index(field) + 4
        header[at : at + 4] = claimed.to_bytes(4, "little")
    path.write_bytes(header)
    os.truncate(path, len(header) + size)
    with little_memory():
        outcome = run("read", path)
    hold_to_promises(outcome)
    assert outcome.code == 3


def test_a_reader_that_goes_away_is_no_error(tmp_path: Path) -> None:
    """As with `| head -1`, and as if it had gone before the first word."""
    soundfile.write(tmp_path / "a.wav", play(a_guitar(), [Note(5)] * 2), RATE_HZ)
    program = Path(sys.executable).with_name("pitchbench")
    for reader in ("head -1", "true"):
        script = f'"$0" read "$1" | {reader}; echo "ended with ${{PIPESTATUS[0]}}"'
        done = subprocess.run(
            ["bash", "-c", script, program, tmp_path / "a.wav"],
            capture_output=True,
            text=True,
            check=True,
        )
        assert done.stderr == ""
        assert done.stdout.splitlines()[-1] == "ended with 0"


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs Linux to measure")
def test_an_import_is_not_held_in_memory(tmp_path: Path) -> None:
    """It is read session by session: held whole, it took six times its size."""
    setup, log = stores.a_setup(), stores.a_log(frames=400)
    peak_mb, size_mb = {}, {}
    for sessions in (2, 30):
        ids = (f"20260314-{number:032x}" for number in range(sessions))
        records = (
            SessionRecord(setup, log, SessionMeta(each, None, stores.NOON, None, "0.1.0"))
            for each in ids
        )
        path = tmp_path / f"{sessions}.json"
        path.write_text("".join(export_json([], records)))
        size_mb[sessions] = path.stat().st_size / 1e6
        words = ["import", str(path), "--store", str(tmp_path / f"{sessions}.sqlite")]
        done = subprocess.run(
            [sys.executable, "-c", _MEASURED, *words], capture_output=True, text=True, check=True
        )
        peak_mb[sessions] = int(done.stderr.split()[-1]) / 1024
    # What remains is the file as the system maps it, which it drops when it needs the room.
    assert peak_mb[30] - peak_mb[2] < 1.5 * size_mb[30]
