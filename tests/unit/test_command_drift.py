"""`pitchbench drift`: plucks of known strength on the virtual instrument."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
from documents import validator
from numpy.typing import NDArray
from recordings import RATE_HZ, Note, Ran, record

from pitchbench.presets import preset
from pitchbench.refit import with_gauges
from pitchbench.strings.virtual import VirtualInstrument

Capsys = pytest.CaptureFixture[str]
STRENGTHS_MM = (0.8, 1.6, 3.2)


@pytest.fixture(scope="module")
def strengths(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The low E of a guitar, plucked softly, less softly and hard."""
    virtual = VirtualInstrument(preset("six-string"), seed=3, rate_hz=RATE_HZ)
    pause = np.zeros(RATE_HZ // 2, np.float32)
    pieces = [pause]
    for amplitude_mm in STRENGTHS_MM:
        pieces += [virtual.pluck(6, 0, amplitude_mm=amplitude_mm, ring_s=3.0), pause]
    sound = np.concatenate(pieces)
    path = tmp_path_factory.mktemp("sound") / "low-e.wav"
    soundfile.write(path, 0.5 * (sound + virtual.room(sound.size)), RATE_HZ, subtype="PCM_24")
    return path


def test_the_attack_gives_back_how_hard_it_was_plucked(capsys: Capsys, strengths: Path) -> None:
    ran = Ran(
        capsys, "drift", strengths, "--preset", "six-string", "--string", "6", "--format", "json"
    )
    assert (ran.code, ran.err) == (0, "")
    document = ran.document
    assert document["schema"] == "pitchbench.drift/1"
    plucks = document["plucks"]
    # The place of each pluck is not known to a tenth, and the attack is read a moment after it.
    found_mm = [pluck["pluck_mm"] for pluck in plucks]
    assert found_mm == pytest.approx(STRENGTHS_MM, rel=0.2)
    for pluck in plucks:
        # The string theory against what partials say: the estimate of B is good to some per cent.
        assert pluck["stiffness_to_theory"] == pytest.approx(1.0, abs=0.15)
        assert pluck["flags"] == []
        assert len(pluck["course_s"]) == len(pluck["course_cents"]) > 20
        assert "partials" not in pluck
    assert document["flags"] == []
    assert document["explanation"][0].startswith("E2 starts ")
    assert "yet all 3 plucks settle" in document["explanation"][0]


def test_an_instrument_on_record_gives_the_same(
    capsys: Capsys, strengths: Path, tmp_path: Path
) -> None:
    store = ("--store", tmp_path / "records.db")
    assert Ran(capsys, "instrument", "add", "mine", "--like", "six-string", *store).code == 0
    asked = ("drift", strengths, "--string", "6", "--format", "json")
    on_record = Ran(capsys, *asked, "--instrument", "mine", *store).document
    assert on_record["string"] == Ran(capsys, *asked, "--preset", "six-string").document["string"]
    assert Ran(capsys, *asked, "--instrument", "yours", *store).code == 5


def test_without_an_instrument_nothing_is_said_of_physics(capsys: Capsys, strengths: Path) -> None:
    document = Ran(capsys, "drift", strengths, "--format", "json", "--partials").document
    assert document["string"] is None
    assert {pluck["pluck_mm"] for pluck in document["plucks"]} == {None}
    first = document["plucks"][0]["partials"][0]
    assert first["number"] == 1
    assert abs(first["law_cents"]) < 1.0


def test_the_wrong_string_is_noticed(capsys: Capsys, strengths: Path) -> None:
    """A low E was played, and the D string named."""
    named = ("--preset", "six-string", "--string", "4")
    said = "E2: not the note of the string and fret that were named, 146.8 Hz, and not held against"
    assert said in Ran(capsys, "drift", strengths, *named).out
    document = Ran(capsys, "drift", strengths, *named, "--format", "json").document
    assert {pluck["stiffness_to_theory"] for pluck in document["plucks"]} == {None}
    assert "stiffness_off_theory" not in document["flags"]


def test_another_gauge_is_noticed(capsys: Capsys, tmp_path: Path) -> None:
    """B goes with the square of the diameter at one pitch: 14 instead of 10 makes it double."""
    heavy = with_gauges(preset("six-string"), "14 18 22 32w 42w 54w")
    record(tmp_path / "heavy.wav", VirtualInstrument(heavy, seed=3), [Note(1)] * 2)
    ran = Ran(
        capsys, "drift", tmp_path / "heavy.wav", "--preset", "six-string", "--string", "1",
        "--format", "json",
    )  # fmt: skip
    assert "stiffness_off_theory" in ran.document["flags"]


def test_plucks_at_another_fret_are_not_held_against_the_open_string(capsys: Capsys) -> None:
    """Samples of our own: A2 open and at the 12th fret in turn."""
    sample = Path("samples/a2-open-and-12th-sharp.flac")
    ran = Ran(capsys, "drift", sample, "--preset", "six-string", "--string", "5",
              "--format", "json")  # fmt: skip
    held = [pluck["stiffness_to_theory"] for pluck in ran.document["plucks"]]
    assert held[::2] == [pytest.approx(1.0, abs=0.15)] * 3
    assert held[1::2] == [None] * 3
    assert "stiffness_off_theory" not in ran.document["flags"]


def test_a_note_a_fret_away_is_not_held_against_the_one_that_was_named(capsys: Capsys) -> None:
    """Samples of our own: G string, frets 0, 1, 3, 5 and 7."""
    sample = Path("samples/g3-neck-low-frets.flac")
    named = ("--preset", "six-string", "--string", "3", "--format", "json")
    third = Ran(capsys, "drift", sample, *named, "--fret", "3").document
    held = [pluck["stiffness_to_theory"] is not None for pluck in third["plucks"]]
    assert held == [pluck["note"] == "A#3" for pluck in third["plucks"]]
    assert any(each.startswith("G3, G#3, C4, D4: not the note of") for each in third["explanation"])
    second = Ran(capsys, "drift", sample, *named, "--fret", "2").document
    assert "stiffness_off_theory" not in second["flags"]


def test_near_and_far_without_a_magnet_differ_by_nothing(capsys: Capsys, tmp_path: Path) -> None:
    virtual = VirtualInstrument(preset("six-string"), seed=3)
    for name in ("near", "far"):
        record(tmp_path / f"{name}.wav", virtual, [Note(4)] * 2)
    ran = Ran(
        capsys, "drift", "--near", tmp_path / "near.wav", "--far", tmp_path / "far.wav",
        "--format", "json",
    )  # fmt: skip
    magnet = ran.document["magnet"]
    assert not magnet["pulls"]
    assert magnet["change_cents"] == pytest.approx(0.0, abs=0.3)
    assert "magnet_pull" not in ran.document["flags"]


def test_near_and_far_a_cent_and_a_half_apart_is_a_pull(capsys: Capsys, tmp_path: Path) -> None:
    virtual = VirtualInstrument(preset("six-string"), seed=3)
    for name, cents in (("near", -1.5), ("far", 0.0)):
        record(tmp_path / f"{name}.wav", virtual, [Note(4, 0, cents)] * 3)
    ran = Ran(capsys, "drift", "--near", tmp_path / "near.wav", "--far", tmp_path / "far.wav")
    assert ran.out.startswith("seen: With the pickup near the note is −1.5 cents from where it is")
    assert "the magnet pulls the string" in ran.out.splitlines()[0]


def beating(share: float, rate_hz: float) -> NDArray[np.float64]:
    """Three seconds of an A string that swings in two directions ``rate_hz`` apart."""
    rng = np.random.default_rng(1)
    time_s = np.arange(3 * RATE_HZ) / RATE_HZ
    sound = np.zeros(time_s.size)
    for k in range(1, 16):
        f_hz = k * 110.0 * np.sqrt((1 + 6e-5 * k * k) / (1 + 6e-5))
        fall = 0.08 / k**1.2 * np.exp(-time_s * (0.4 + 0.15 * k))
        sound += fall * np.sin(2 * np.pi * f_hz * time_s + rng.uniform(0, 6))
        other_hz = f_hz * (1 + rate_hz / 110.0)
        sound += share * fall * np.sin(2 * np.pi * other_hz * time_s + rng.uniform(0, 6))
    silence = np.zeros(RATE_HZ // 2)
    whole = np.concatenate([silence, sound, silence])
    return whole + rng.normal(0.0, 1.5e-4, whole.size)


@pytest.mark.parametrize(
    ("share", "rate_hz", "flags"),
    [
        (0.0, 1.0, set()),
        (0.3, 0.3, set()),  # by 0.8 cents, as real strings do
        (0.6, 0.4, {"wandering"}),  # by 6.7
        (0.3, 1.0, {"beating"}),
        (0.3, 2.0, {"beating"}),
    ],
)
def test_beating_polarisations_are_heard(
    capsys: Capsys, tmp_path: Path, share: float, rate_hz: float, flags: set[str]
) -> None:
    soundfile.write(tmp_path / "a.wav", beating(share, rate_hz), RATE_HZ, subtype="PCM_24")
    (pluck,) = Ran(capsys, "drift", tmp_path / "a.wav", "--format", "json").document["plucks"]
    assert set(pluck["flags"]) == flags
    if "beating" in flags:
        # A third of what three seconds resolve.
        assert pluck["beat_hz"] == pytest.approx(rate_hz, abs=0.1)


def uneven() -> NDArray[np.float64]:
    """Three seconds of a D string whose partials lie up to 15 cents off the law."""
    time_s = np.arange(3 * RATE_HZ) / RATE_HZ
    off_cents = np.array([0, 14, -15, 13, -12, 14, -15, 12])
    sound = sum(
        0.08 / k * np.exp(-time_s * (0.4 + 0.1 * k))
        * np.sin(2 * np.pi * 146.83 * k * 2 ** (cents / 1200) * time_s + k * k)
        for k, cents in enumerate(off_cents, start=1)
    )  # fmt: skip
    whole = np.concatenate([np.zeros(RATE_HZ // 2), sound, np.zeros(RATE_HZ // 2)])
    return whole + np.random.default_rng(2).normal(0.0, 1.5e-4, whole.size)


def test_each_finding_names_the_notes_that_show_it(capsys: Capsys, tmp_path: Path) -> None:
    """The beat of one string is no answer to what another one does."""
    sounds = {"beats": beating(0.3, 2.0), "wanders": beating(0.6, 0.4), "uneven": uneven()}
    for name, sound in sounds.items():
        # The string that beats is tuned a fourth lower: the same sound, played more slowly.
        rate_hz = RATE_HZ * 3 // 4 if name == "beats" else RATE_HZ
        soundfile.write(tmp_path / f"{name}.wav", sound, rate_hz, subtype="PCM_24")
    seen = Ran(capsys, "drift", tmp_path, "--format", "json").document["explanation"]
    for words in (
        "E2: the level swings 1.5 times a second: ",
        "A2: the pitch wanders in the tail, more than nine of ten real notes do: ",
        "D3: the partials lie ",
    ):
        assert sum(each.startswith(words) for each in seen) == 1, seen


def test_plain_lines(capsys: Capsys, strengths: Path) -> None:
    ran = Ran(capsys, "drift", strengths, "--partials")
    lines = ran.out.splitlines()
    assert lines[0].startswith("seen: E2 starts ")
    assert sum(line.startswith("pluck 1 partial ") for line in lines) >= 4
    assert any(line.startswith("pluck 3: at ") for line in lines)
    assert all(" Hz ± " in line for line in lines if re.match(r"pluck \d: at ", line))


@pytest.mark.parametrize(
    ("ending", "begins"), [("svg", b"<?xml"), ("png", b"\x89PNG"), ("pdf", b"%PDF")]
)
def test_the_figure_is_drawn_and_kept(
    capsys: Capsys, strengths: Path, tmp_path: Path, ending: str, begins: bytes
) -> None:
    out = tmp_path / f"drift.{ending}"
    assert Ran(capsys, "drift", strengths, "--out", out).code == 0
    kept = out.read_bytes()
    assert kept.startswith(begins)
    if ending == "svg":
        assert b"<title>From attack to tail</title>" in kept
    again = Ran(capsys, "drift", strengths, "--out", out)
    assert (again.code, out.read_bytes()) == (2, kept)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("a.wav", "--string", "6"), "--string says nothing without an instrument."),
        (("a.wav", "--fret", "3"), "--fret says nothing without an instrument."),
        (("a.wav", "--record", "b.wav"), "--record says nothing of recordings."),
        (("--jobs", "2"), "--jobs says nothing by ear."),
        (("a.wav", "--device", "2", "--speak"), "--device and --speak say nothing of recordings."),
        (("--near", "a.wav", "--far", "b.wav", "--plucks", "3"), "--plucks says nothing of"),
        (("a.wav", "--preset", "six-string"), "It is not said which string was played."),
        (("a.wav", "--preset", "six-string", "--string", "9"), "has no string 9."),
        (("a.wav", "./a.wav"), "a.wav' was given twice."),
        (("--near", "a.wav", "--far", "a.wav"), "a.wav' was given twice."),
        (("--near", "a.wav"), "--near and --far belong together."),
        (("a.wav", "--out", "a.gif"), "ends in nothing that can be drawn."),
        (("a.wav", "--preset", "six-string", "--instrument", "x", "--string", "1"), "both given."),
    ],
)
def test_wrong_usage_is_told(capsys: Capsys, arguments: tuple[str, ...], says: str) -> None:
    ran = Ran(capsys, "drift", *arguments)
    assert ran.code == 2
    assert says in ran.err


def test_silence_is_told(capsys: Capsys, strengths: Path, tmp_path: Path) -> None:
    """Beside other recordings as well: a player of them would be missed."""
    silent = tmp_path / "a.wav"
    soundfile.write(silent, np.zeros(RATE_HZ), RATE_HZ)
    assert Ran(capsys, "drift", silent).code == 3
    ran = Ran(capsys, "drift", silent, "--format", "json")
    assert (ran.code, ran.document["schema"]) == (3, "pitchbench.readings/1")
    assert ran.document["lacks"] == "No pluck was heard."
    for command in ("drift", "repeatability", "offset"):
        assert f"{silent} holds no pluck.\n" in Ran(capsys, command, silent, strengths).err


def test_the_schema_would_notice(capsys: Capsys, strengths: Path) -> None:
    """Every document that a test looks at is held against its schema (tests/documents.py)."""
    document = Ran(capsys, "drift", strengths, "--format", "json", "--partials").document
    document["plucks"][0]["strength"] = "fierce"
    document["plucks"][1]["pitch_hz"] = None
    del document["plucks"][2]["course_s"]
    document["extra"] = 1
    errors = validator(document["schema"]).iter_errors(document)
    assert {".".join(map(str, error.absolute_path)) for error in errors} == {
        "",
        "plucks.0.strength",
        "plucks.1.pitch_hz",
        "plucks.2",
    }
