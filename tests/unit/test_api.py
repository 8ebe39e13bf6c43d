"""``import pitchbench as pb``: what a program gets, what it costs, and what it is told."""

from __future__ import annotations

import ast
import doctest
import inspect
import json
import pickle
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.testing import assert_array_equal

import pitchbench as pb
from pitchbench.commands import main
from pitchbench.session.engine import NotKeptError
from pitchbench.session.overlay import Overlay

ROOT = Path(__file__).parents[2]
SHARP = ROOT / "samples" / "a2-open-and-12th-sharp.flac"

#: What `import pitchbench` may not bring along, nor `pitchbench --help`.
HEAVY = {"matplotlib", "msgspec", "numpy", "scipy", "sounddevice", "soundfile", "sqlalchemy"}


@pytest.fixture(scope="module")
def plucks() -> pb.Plucks:
    return pb.read(SHARP)


# -- what is there, and what it costs ------------------------------------------------------------


def loaded_after(code: str) -> set[str]:
    """What a fresh process has loaded after ``code``."""
    code += "\nimport sys; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_the_import_alone_loads_nothing() -> None:
    before = loaded_after("import importlib, typing")
    loaded = loaded_after("import pitchbench; dir(pitchbench); pitchbench.__version__")
    assert {each for each in loaded - before if not each.startswith("_")} == {"pitchbench"}


@pytest.mark.parametrize(
    ("name", "home"), [("Note", "notes"), ("PitchbenchError", "errors"), ("preset", "presets")]
)
def test_a_name_loads_its_own_room(name: str, home: str) -> None:
    loaded = loaded_after(f"import pitchbench; pitchbench.{name}")
    assert f"pitchbench.{home}" in loaded
    assert not loaded & HEAVY


def test_reading_loads_neither_device_nor_figures_nor_records() -> None:
    loaded = loaded_after("import pitchbench as pb; pb.read, pb.listen, pb.offset, pb.forecast")
    assert "pitchbench.api" in loaded
    assert not loaded & {"click", "matplotlib", "msgspec", "rich", "sounddevice", "sqlalchemy"}


def test_every_name_is_there_and_told_to_those_who_only_read() -> None:
    assert {"__version__", *pb.__all__} == set(dir(pb))
    tree = ast.parse(Path(pb.__file__).read_text(encoding="utf-8"))
    told = {
        alias.name: (node.module, alias.asname)
        for block in ast.walk(tree)
        if isinstance(block, ast.If)
        for node in ast.walk(block)
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert set(told) == set(pb.__all__)
    for name, (module, shown_as) in told.items():
        assert shown_as == name
        assert getattr(import_module(module), name) is getattr(pb, name)


def test_another_name_is_refused() -> None:
    with pytest.raises(AttributeError, match=r"'pitchbench' has no attribute 'tune'"):
        pb.tune  # noqa: B018


# -- documented ----------------------------------------------------------------------------------

FUNCTIONS = [name for name in pb.__all__ if inspect.isfunction(getattr(pb, name))]


@pytest.mark.parametrize("name", FUNCTIONS)
def test_the_example_in_each_docstring_runs(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    function = getattr(pb, name)
    (test,) = doctest.DocTestFinder(recurse=False).find(
        function, name, globs=dict(vars(import_module(function.__module__)))
    )
    assert test.examples
    assert doctest.DocTestRunner().run(test).failed == 0


@pytest.mark.parametrize("name", FUNCTIONS)
def test_each_docstring_says_what_goes_in_and_what_goes_wrong(name: str) -> None:
    function = getattr(pb, name)
    told = inspect.getdoc(function) or ""
    assert "\nRaises\n------\n" in told
    said = told.partition("\nParameters\n----------\n")[2].partition("\n\n")[0]
    for parameter in inspect.signature(function).parameters:
        assert parameter in said or parameter in told.partition("\n\n")[0], parameter


# -- read ----------------------------------------------------------------------------------------


def same(one: Any, other: Any) -> bool:
    """Whether two results hold the same, bit for bit."""
    if isinstance(one, np.ndarray):
        return np.array_equal(one, other, equal_nan=True)
    if is_dataclass(one):
        names = [each.name for each in fields(one)]
        return type(one) is type(other) and all(
            same(getattr(one, each), getattr(other, each)) for each in names
        )
    if isinstance(one, tuple | list):
        return len(one) == len(other) and all(map(same, one, other))
    return bool(one == other)


@pytest.mark.parametrize("channels", [0, 1, 2])
def test_an_array_reads_as_the_file_does(plucks: pb.Plucks, channels: int) -> None:
    sound, rate_hz = soundfile.read(SHARP, dtype="float32")
    if channels:  # silence beside it is not listened to
        sound = np.column_stack([np.zeros_like(sound)] * (channels - 1) + [sound])
    for read in (
        pb.read(sound, rate_hz),
        pb.read(sound.astype(np.float64), rate_hz, channel=channels or None),
    ):
        assert same(tuple(read), tuple(plucks))
        assert read.length_s == plucks.length_s


TONE = np.zeros(48_000, np.float32)


@pytest.mark.parametrize(
    ("sound", "options", "words"),
    [
        (TONE, {}, "sampling rate of the samples is not known"),
        (TONE, {"sr": 7_999}, "at 7999 Hz"),
        (TONE, {"sr": float("nan")}, "at nan Hz"),
        (TONE, {"sr": 44_100.5}, "at 44100.5 Hz"),
        (TONE, {"sr": 48_000, "channel": 2}, "no channel 2"),
        (TONE.reshape(1, 1, -1), {"sr": 48_000}, r"the shape \(1, 1, 48000\)"),
        (TONE[:0], {"sr": 48_000}, r"the shape \(0,\)"),
        (np.stack([TONE, TONE]), {"sr": 48_000}, r"\(2, 48000\) has more channels than samples"),
        (TONE.reshape(1, -1), {"sr": 48_000}, "has more channels than samples"),
        (np.float32(0.1), {"sr": 48_000}, r"the shape \(\)"),
        (TONE.astype(np.int16), {"sr": 48_000}, "type int16"),
        (np.where(np.arange(9) == 4, np.nan, 0.0), {"sr": 48_000}, "no numbers"),
        (np.where(np.arange(9) == 4, np.inf, 0.0), {"sr": 48_000}, "no numbers"),
        (["not", "a", "sound"], {"sr": 48_000}, "type <U5"),
        ("not-there.wav", {}, "no file 'not-there.wav'"),
        (SHARP, {"sr": 44_100}, "its own sampling rate"),
        (SHARP, {"channel": 2}, "no channel 2"),
    ],
)
def test_what_cannot_be_read_is_refused_with_words(
    sound: Any, options: dict[str, Any], words: str
) -> None:
    with pytest.raises(pb.ReadError, match=words) as caught:
        pb.read(sound, **options)
    assert isinstance(caught.value, pb.PitchbenchError)
    assert caught.value.remedy.endswith(".")


def test_an_empty_file_holds_no_reading(tmp_path: Path) -> None:
    (tmp_path / "empty.wav").touch()
    with pytest.raises(pb.NoReadingError, match="is empty"):
        pb.read(tmp_path / "empty.wav")


def test_a_damaged_file_gives_what_comes_before_the_damage(tmp_path: Path) -> None:
    sound = bytearray(SHARP.read_bytes())
    sound[len(sound) // 2 : len(sound) // 2 + 4000] = bytes(4000)
    (tmp_path / "cut.flac").write_bytes(sound)
    with pytest.warns(UserWarning, match=r"cut.flac' is damaged: only its first \d+\.\d s"):
        before = pb.read(tmp_path / "cut.flac")
    assert 1 <= len(before) < 6


# -- the same answers as the commands give -------------------------------------------------------


def printed_by(words: list[str], capsys: pytest.CaptureFixture[str]) -> Any:
    """The document that a command prints."""
    with pytest.raises(SystemExit):
        main([*words, "--format", "json"])
    return json.loads(capsys.readouterr().out)


def test_offset_and_move_are_what_the_command_prints(
    plucks: pb.Plucks, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--string", "A2", "--scale", "648", "--screw-pitch", "0.5"]
    printed = printed_by(["offset", str(SHARP), *words], capsys)
    result = pb.offset(plucks, "A2")
    move = pb.saddle_move(result, 648, screw_pitch_mm=0.5)
    assert result.offset.offset_cents == printed["offset_cents"]
    assert list(result.offset.interval95_cents) == printed["interval95_cents"]
    assert result.verdict.decision == printed["verdict"]
    assert move.size_mm == printed["move"]["mm"]
    assert move.turns == printed["move"]["turns"]
    assert same(pb.saddle_move(result.offset, 648, screw_pitch_mm=0.5), move)


def test_no_more_is_asked_to_be_filed_than_can_be_done(
    plucks: pb.Plucks, capsys: pytest.CaptureFixture[str]
) -> None:
    """By the program as by its commands: short of the mark, and within the travel."""
    words = ["--string", "A2", "--scale", "648", "--bridge", "fixed-saddle"]
    printed = printed_by(["offset", str(SHARP), *words], capsys)["move"]
    move = pb.saddle_move(pb.offset(plucks, "A2"), 648, bridge="fixed-saddle")
    assert move.out_of_travel is printed["out_of_travel"] is True
    assert move.size_mm == printed["mm"] == 1.0
    assert move.asked_mm == printed["asked_mm"] > 2.0


def test_a_recording_is_as_long_for_a_program_as_for_the_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Each pluck a file of its own with silence behind it, and sharper than the one before: what is
    # taken off for drift goes by the time between them.
    sound, rate_hz = soundfile.read(SHARP)
    files = []
    for k, pluck in enumerate(pb.read(SHARP)):
        start = int((pluck.onset_s - 0.15) * rate_hz)
        sounding = sound[start : start + int(2.25 * rate_hz)]
        at = np.arange(len(sounding)) * 2.0 ** (2.0 * k / 1200.0)
        sharper = np.interp(at[at < len(sounding)], np.arange(len(sounding)), sounding)
        files.append(str(tmp_path / f"{k}.wav"))
        soundfile.write(files[-1], np.r_[sharper, np.zeros(20 * rate_hz)], rate_hz, "PCM_24")
    printed = printed_by(["offset", *files, "--string", "A2"], capsys)
    result = pb.offset([pb.read(file) for file in files], "A2")
    assert 2.0 < result.offset.drift_cents_per_min < 8.0
    assert result.offset.drift_cents_per_min == printed["drift_cents_per_min"]
    assert result.offset.offset_cents == printed["offset_cents"]
    assert result.verdict.decision == printed["verdict"]


def test_open_and_fretted_may_be_given_apart(
    plucks: pb.Plucks,
) -> None:
    apart = pb.offset(open=plucks[::2], fretted=plucks[1::2])
    assert (apart.note.name, apart.offset.open.n, apart.offset.fretted.n) == ("A2", 3, 3)
    # Said apart, the fretted ones follow the open ones, so a drift of the string is seen otherwise.
    assert apart.offset.offset_cents == pytest.approx(
        pb.offset(plucks).offset.offset_cents, abs=0.05
    )
    roles = [pluck.role for pluck in pb.offset(plucks).plucks if hasattr(pluck, "role")]
    assert roles == [pb.Role.OPEN, pb.Role.FRETTED] * 3


def test_recordings_follow_one_another(plucks: pb.Plucks) -> None:
    result = pb.offset([plucks, [], plucks], "A2")
    at_s = [pluck.at_s for pluck in result.plucks]
    assert at_s == sorted(at_s)
    assert (result.offset.open.n, result.offset.fretted.n) == (6, 6)


@pytest.mark.parametrize(
    ("ask", "words"),
    [
        (lambda r: pb.offset([*r, *r]), "not in the order of time"),
        (lambda r: pb.offset([*r, r]), "given together"),
        (lambda r: pb.offset(r, "H2"), "'H2' is not a note"),
        (lambda r: pb.offset(r, 5), "'5' is not a note"),
        (lambda _: pb.offset(str(SHARP)), "Readings are wanted here, not str"),
        (lambda _: pb.offset(open=SHARP), "not PosixPath"),
        (lambda _: pb.offset([SHARP]), "not PosixPath"),
        (lambda _: pb.offset(110.0), "not float"),
        (lambda _: pb.offset(TONE), "not float32"),
        (lambda _: pb.offset([[110.0]]), "not float"),
        (lambda _: pb.drift(str(SHARP)), "Readings are wanted here, not str"),
        (lambda r: pb.drift(r[0]), "not Reading"),
        (lambda _: pb.drift(None), "not NoneType"),
        (lambda _: pb.neck({"A2": str(SHARP)}), "not str"),
        (lambda r: pb.neck({5: r}), "'5' is not a note"),
        (pb.neck, "Readings of each string are wanted here, not Listened"),
        (
            lambda _: pb.repeatability(str(SHARP)),
            "Readings of each player are wanted here, not str",
        ),
        (lambda r: pb.offset(r, fret=0), "fret '0' makes no sense"),
        (
            lambda r: pb.offset(r, a4_hz=float("nan")),
            "a4_hz 'nan' makes no sense here. Give the pitch of A4",
        ),
        (lambda r: pb.offset(r, tolerance_cents=-1.0), "tolerance_cents '-1.0' makes no"),
        (lambda r: pb.offset(r, tolerance_cents=float("inf")), "tolerance_cents 'inf' makes no"),
        (lambda r: pb.offset(r, fret=12.5), "fret '12.5' makes no sense"),
        (lambda r: pb.offset(r, fret=float("nan")), "fret 'nan' makes no sense"),
        (lambda r: pb.offset(r, a4_hz=4400.0), "a4_hz '4400.0' makes no sense"),
        (lambda r: pb.saddle_move(pb.offset(r), setback_mm=float("nan")), "setback_mm 'nan'"),
        (lambda r: pb.saddle_move(pb.offset(r), setback_mm=1e4), "setback_mm '10000.0'"),
        (lambda _: pb.saddle_move(5.9), "An offset is wanted here, not float"),
        (lambda _: pb.saddle_move(None), "not NoneType"),
        (lambda r: pb.neck({"A2": r}, "six-string"), "An instrument is wanted here, not str"),
        (lambda r: pb.neck({"A2": r}, weights=[1, 2]), "Weights are wanted here, not list"),
        (lambda r: pb.neck({"A2": r}, tolerance_cents=float("nan")), "tolerance_cents 'nan'"),
        (lambda r: pb.drift(r, "six-string", 5), "An instrument is wanted here, not str"),
        (lambda r: pb.drift(r, None, 5), "nothing without its instrument"),
        (lambda _: pb.forecast("six-string", "six-string"), "An instrument is wanted"),
        (
            lambda _: pb.forecast(pb.preset("nylon"), pb.preset("nylon"), fret=0),
            "fret '0' makes no sense",
        ),
        (
            lambda _: pb.forecast(pb.preset("nylon"), pb.preset("nylon"), a4_hz=0),
            "a4_hz '0' makes no sense",
        ),
        (lambda r: pb.saddle_move(pb.offset(r), 6.48), "scale of 6.48 mm"),
        (lambda r: pb.saddle_move(pb.offset(r), screw_pitch_mm=5.0), "screw of 5 mm"),
        (lambda r: pb.saddle_move(pb.offset(r), bridge="trapeze"), "'trapeze' is not a known"),
        (
            lambda r: pb.saddle_move(pb.offset(r), bridge="fixed-saddle", screw_pitch_mm=0.5),
            "No screw moves the saddles of a bridge of the kind fixed-saddle",
        ),
        (lambda r: pb.saddle_move(pb.offset(r), screw_heads="up"), "'up' is not a known"),
        (lambda r: pb.drift(r, fret=-1), "fret '-1' makes no sense"),
        (lambda r: pb.neck({"A": r}), "'A' is not a note"),
        (lambda r: pb.neck({"A2": r}, weights={23: 1}), "Fret 23 does not sound: those of .* 1 to"),
        (lambda r: pb.neck({"A2": r}, weights={1.5: 1}), "Fret 1.5 does not sound"),
        (lambda r: pb.neck({"A2": r}, weights={1: -1, 12: 1}), "-1 is no weight of fret 1"),
        (lambda r: pb.drift(r, pb.preset("six-string")), "no string None"),
        (lambda r: pb.drift(r, pb.preset("six-string"), 7), "no string 7"),
        (
            lambda r: pb.forecast(pb.preset("six-string"), pb.preset("bass-four")),
            "6 strings before the change and 4 after",
        ),
        (lambda r: pb.repeatability({"anna": r}, within_cents=0.0), "within_cents '0.0' makes"),
    ],
)
def test_what_makes_no_sense_is_refused_with_words(
    plucks: pb.Plucks, ask: Callable[[Any], object], words: str
) -> None:
    with pytest.raises(pb.PitchbenchError, match=words):
        ask(plucks)


@pytest.mark.parametrize(
    "ask",
    [
        lambda: pb.offset([]),
        lambda: pb.neck({}),
        lambda: pb.drift([], near=pb.read(SHARP)[:1]),
        lambda: pb.repeatability({}),
        lambda: pb.repeatability({"anna": pb.read(SHARP)[:2]}),
    ],
)
def test_too_little_to_say_is_an_error_of_its_own(ask: Callable[[], object]) -> None:
    with pytest.raises(pb.NoReadingError):
        ask()


# -- between processes ---------------------------------------------------------------------------


def test_results_survive_the_way_between_processes(
    plucks: pb.Plucks,
) -> None:
    offset = pb.offset(plucks, "A2")
    quiet = pb.Rejected(onset_s=0.5, ring_s=0.2, reason=pb.Reason.TOO_SHORT)
    now = pb.preset("six-string")
    for result in (
        plucks,
        quiet,
        offset,
        pb.saddle_move(offset),
        pb.drift(plucks),
        pb.repeatability({"anna": plucks}),
        pb.forecast(now, now),
    ):
        assert same(pickle.loads(pickle.dumps(result)), result)
    back = pickle.loads(pickle.dumps(plucks[0]))
    assert_array_equal(back.trace.pitch_hz, plucks[0].trace.pitch_hz)


@pytest.mark.parametrize(
    "error",
    [
        pb.PitchbenchError("It is wrong.", "Do this."),
        pb.ReadError("It is wrong.", "Do this."),
        pb.NoReadingError("It is wrong.", "Do this."),
        pb.DeviceError("It is wrong.", "Do this."),
        pb.RecordsError("It is wrong.", "Do this."),
        pb.InputLostError("usb", "unplugged"),
        NotKeptError(Overlay(a4_hz=440.0, enough=None), 2, pb.RecordsError("Full.", "Make room.")),
    ],
    ids=lambda error: type(error).__name__,
)
@pytest.mark.parametrize("protocol", range(pickle.HIGHEST_PROTOCOL + 1))
def test_errors_survive_it_too(error: pb.PitchbenchError, protocol: int) -> None:
    back = pickle.loads(pickle.dumps(error, protocol))
    assert type(back) is type(error)
    assert str(back) == str(error) == f"{error.what} {error.remedy}"
    assert back.exit_code is error.exit_code
    assert set(vars(back)) == set(vars(error))


# -- from one end to the other -------------------------------------------------------------------


def test_it_works_without_a_warning_wherever_the_recording_lies(tmp_path: Path) -> None:
    shutil.copy(SHARP, tmp_path)
    code = f"""
import pitchbench as pb
readings = pb.read({SHARP.name!r})
move = pb.saddle_move(pb.offset(readings, "A2"), 648)
assert move.direction is pb.Direction.AWAY_FROM_NUT
print(move.mm)
"""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        cwd=tmp_path, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert 1.5 < float(done.stdout) < 4.0
