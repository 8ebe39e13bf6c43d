"""`pitchbench offset`: what it finds in recordings whose true offset is known."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pexpect
import pytest
import realset
import soundfile
from recordings import RATE_HZ, Note, Ran, record

from pitchbench.analysis.listening import listen_to
from pitchbench.analysis.offset import compare, decide
from pitchbench.intonation.verdict import Notice
from pitchbench.notes import nearest_note
from pitchbench.presets import preset
from pitchbench.records.repository import Repository
from pitchbench.report.offset import noticed
from pitchbench.strings.virtual import VirtualInstrument

Capsys = pytest.CaptureFixture[str]

#: What a finger adds, take by take: a spread of 1 cent about zero.
FRETTINGS = (-0.9, 1.1, -0.2)


def a_guitar(seed: int = 21, name: str = "six-string") -> VirtualInstrument:
    return VirtualInstrument(preset(name), seed=seed, rate_hz=RATE_HZ)


def set_to(virtual: VirtualInstrument, string: int, offset_cents: float) -> None:
    """Move a saddle until the true offset is about ``offset_cents``, the string tuned."""
    for _ in range(4):
        error = virtual.true_offset_cents(string) - offset_cents
        virtual.move_saddle(string, error * virtual.instrument.scale_mm / 1731.2)
        virtual.tune(string)


def in_turn(string: int, frettings: tuple[float, ...] = FRETTINGS) -> list[Note]:
    """Open and 12th fret in turn."""
    pairs = [(Note(string), Note(string, 12, detune_cents=finger)) for finger in frettings]
    return [note for pair in pairs for note in pair]


def on_a_terminal(*words: object, size: tuple[int, int] = (24, 80)) -> str:
    """What the program shows on a terminal of so many lines and columns."""
    child = pexpect.spawn(
        sys.executable,
        ["-m", "pitchbench", *map(str, words)],
        dimensions=size,
        env={"TERM": "xterm", "LC_ALL": "C.UTF-8", "NO_COLOR": "1", "PATH": ""},
        encoding="utf-8",
        timeout=60,
    )
    child.expect(pexpect.EOF)
    return child.before.replace("\x1b[1m", "").replace("\x1b[2m", "").replace("\x1b[0m", "")


@pytest.fixture(scope="module")
def sharp(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, float]:
    """An A2 string about 8 cents sharp at the 12th fret, and its true offset."""
    virtual = a_guitar()
    set_to(virtual, 5, 8.0)
    path = tmp_path_factory.mktemp("sound") / "sharp.wav"
    record(path, virtual, in_turn(5))
    return path, virtual.true_offset_cents(5)


def test_a_sharp_string_is_to_be_moved_away_from_the_nut(
    capsys: Capsys, sharp: tuple[Path, float]
) -> None:
    path, true_cents = sharp
    ran = Ran(capsys, "offset", path, "--string", "A2", "--scale", "648", "--format", "json")
    document = ran.document
    assert ran.code == 0
    assert (document["string"], document["fret"]) == ("A2", 12)
    assert (document["open"]["n"], document["fretted"]["n"]) == (3, 3)
    # The frettings' mean is 0 and the readings themselves are good to a tenth; three frettings are
    # drawn a little to where saddles are usually found.
    assert document["offset_cents"] == pytest.approx(true_cents, abs=0.5)
    low, high = document["interval95_cents"]
    assert low < true_cents < high
    # The spread of the three frettings, 1.01 cents.
    assert document["fretted"]["spread_cents"] == pytest.approx(1.01, abs=0.15)
    assert (document["verdict"], document["more_takes"]) == ("move", None)
    assert document["move"]["direction"] == "away_from_nut"
    # docs/definitions.md, section 3: to cancel +10 cents 3.776 mm, +5 cents 1.880 at 648 mm.
    assert document["move"]["mm"] == pytest.approx(0.377 * document["offset_cents"], rel=0.01)
    assert (document["move"]["turns"], document["move"]["rotation"]) == (None, None)
    assert [r["role"] for r in document["readings"]] == ["open", "fretted"] * 3


def test_the_move_that_it_advises_sets_the_string(capsys: Capsys, tmp_path: Path) -> None:
    virtual = a_guitar(seed=5)
    set_to(virtual, 6, -9.0)
    record(tmp_path / "flat.wav", virtual, in_turn(6))
    found = Ran(capsys, "offset", tmp_path / "flat.wav", "--format", "json").document
    assert found["move"]["direction"] == "toward_nut"
    virtual.move_saddle(6, -found["move"]["mm"])
    virtual.tune(6)
    # Geometry leaves out the string's stretch, some per cent of the nine cents.
    assert virtual.true_offset_cents(6) == pytest.approx(0.0, abs=0.7)
    record(tmp_path / "set.wav", virtual, in_turn(6, (-0.4, 0.5, -0.1, 0.2, -0.3)))
    left = Ran(capsys, "offset", tmp_path / "set.wav", "--format", "json").document
    assert (left["verdict"], left["move"], left["more_takes"]) == ("leave", None, None)


@pytest.mark.parametrize(
    ("heads", "rotation"), [("tail", "clockwise"), ("neck", "counterclockwise")]
)
def test_turns_and_rotation_follow_the_screw(
    capsys: Capsys, sharp: tuple[Path, float], heads: str, rotation: str
) -> None:
    options = ("--screw-pitch", "0.5", "--screw-heads", heads)
    move = Ran(capsys, "offset", sharp[0], *options, "--format", "json").document["move"]
    assert move["turns"] == pytest.approx(2.0 * move["mm"])
    assert move["rotation"] == rotation
    plain = Ran(capsys, "offset", sharp[0], *options).out.splitlines()
    assert plain[0].startswith("do: Move the saddle ")
    assert f"turns {rotation}, seen from the screw head." in plain[0]
    assert any(line.startswith("mind: Slacken the string") for line in plain)


@pytest.mark.parametrize(
    ("options", "begins"),
    [
        (("--bridge", "sliding-wood"), "do: Slide the bridge under it "),
        # A fixed one has 1 mm each way; eight cents ask for about three.
        (("--bridge", "fixed-saddle"), "do: The saddle cannot go so far: 2."),
        (("--preset", "steel-acoustic"), "do: The saddle cannot go so far: 2."),
    ],
)
def test_what_a_hand_does_follows_the_bridge(
    capsys: Capsys, sharp: tuple[Path, float], options: tuple[str, ...], begins: str
) -> None:
    plain = Ran(capsys, "offset", sharp[0], *options).out.splitlines()
    assert plain[0].startswith(begins)
    assert ("mind: Out of travel: check the strings, relief, action and nut first." in plain) == (
        "cannot go" in begins
    )


def test_a_string_that_the_instrument_does_not_have(
    capsys: Capsys, sharp: tuple[Path, float]
) -> None:
    """An A2, five semitones from the nearest string of a banjo; named, it is judged all the same,
    and what is assumed is said."""
    ran = Ran(capsys, "offset", sharp[0], "--preset", "banjo-five")
    assert (ran.code, ran.out) == (2, "")
    assert "The instrument has no A2 string." in ran.err
    assert "Its strings are D4, B3, G3, D3, G4;" in ran.err
    named = Ran(capsys, "offset", sharp[0], "--preset", "banjo-five", "--string", "A2").out
    assert "assumed: the scale and bridge of an instrument that has no A2 string" in named
    assert "assumed" not in Ran(capsys, "offset", sharp[0], "--preset", "six-string").out


def test_two_takes_near_the_border_ask_for_more(capsys: Capsys, tmp_path: Path) -> None:
    virtual = a_guitar(seed=8)
    set_to(virtual, 4, 2.5)
    record(tmp_path / "few.wav", virtual, in_turn(4, (-1.0, 1.0)))
    ran = Ran(capsys, "offset", tmp_path / "few.wav", "--format", "json")
    assert ran.code == 0
    assert (ran.document["verdict"], ran.document["move"]) == ("take_more", None)
    assert ran.document["more_takes"]["fretted"] >= 1
    assert "do: Take more" in Ran(capsys, "offset", tmp_path / "few.wav").out


def test_one_take_of_each_says_that_the_spread_is_assumed(capsys: Capsys, tmp_path: Path) -> None:
    virtual = a_guitar(seed=8)
    record(tmp_path / "one.wav", virtual, in_turn(3, (0.0,)))
    ran = Ran(capsys, "offset", tmp_path / "one.wav", "--format", "json")
    assert ran.document["open"]["spread_cents"] is None
    low, high = ran.document["interval95_cents"]
    # One fretting may be 2 cents (1 sigma) off the mean of many: at least 4 cents either way.
    assert high - low > 8.0


def test_order_and_files_do_not_matter(
    capsys: Capsys, sharp: tuple[Path, float], tmp_path: Path
) -> None:
    """Told apart by pitch, or by what is said; all open ones first, or in turn."""
    virtual = a_guitar()
    set_to(virtual, 5, 8.0)
    fretted = [Note(5, 12, detune_cents=finger) for finger in FRETTINGS]
    names = [tmp_path / name for name in ("f1.wav", "o1.wav", "f2.wav", "o2.wav")]
    for name, notes in zip(
        names, (fretted[:2], [Note(5)] * 2, fretted[2:], [Note(5)]), strict=True
    ):
        record(name, virtual, notes)
    f1, o1, f2, o2 = names
    told = Ran(capsys, "offset", *names, "--format", "json").document
    said = Ran(capsys, "offset", "--open", o1, o2, "--fretted", f1, f2, "--format", "json").document
    repeated = Ran(
        capsys, "offset", "--open", o1, "--fretted", f1, "--open", o2, "--fretted", f2,
        "--format", "json",
    ).document  # fmt: skip
    in_turn_cents = Ran(capsys, "offset", sharp[0], "--format", "json").document["offset_cents"]
    assert [r["role"] for r in told["readings"]] == ["fretted"] * 2 + ["open"] * 2 + [
        "fretted",
        "open",
    ]
    for document in (told, said, repeated):
        assert (document["open"]["n"], document["fretted"]["n"]) == (3, 3)
        # The plucks differ a little by chance; a fretting taken for another would move it by 0.3.
        assert document["offset_cents"] == pytest.approx(in_turn_cents, abs=0.2)
    assert said["offset_cents"] == pytest.approx(repeated["offset_cents"], abs=1e-9)


def test_a_drop_tuned_string_and_the_open_string_of_its_octave(
    capsys: Capsys, tmp_path: Path
) -> None:
    """In C2 G2 C3 F3 A3 D4 the sixth string's 12th fret and the open fourth sound alike."""
    virtual = a_guitar(seed=13, name="six-string-drop-c")
    set_to(virtual, 4, 6.0)
    record(tmp_path / "low.wav", virtual, [Note(6), Note(6)])
    record(tmp_path / "string4.wav", virtual, in_turn(4, (-0.5, 0.5, 0.0)))
    files = (tmp_path / "low.wav", tmp_path / "string4.wav")
    expected = ["other"] * 2 + ["open", "fretted"] * 3
    for options in (["--string", "C3"], []):  # without the name, stiffness tells
        document = Ran(capsys, "offset", *files, *options, "--format", "json").document
        assert document["string"] == "C3"
        assert [r["role"] for r in document["readings"]] == expected
        assert document["offset_cents"] == pytest.approx(virtual.true_offset_cents(4), abs=0.3)
    # Of the sixth string there is no fretted take.
    said = Ran(capsys, "offset", "--open", files[0])
    assert "There is no reading of the 12th fret; heard: C2 2 times." in said.err
    said = Ran(capsys, "offset", "--open", files[0], "--string", "C2")
    assert said.code == 3
    assert "There is no reading of the 12th fret of the C2 string; heard: C2 2 times." in said.err


def test_the_open_string_of_the_octave_is_no_fretted_take(capsys: Capsys, tmp_path: Path) -> None:
    virtual = a_guitar(seed=13, name="six-string-drop-c")
    true_cents = virtual.true_offset_cents(6)
    assert abs(true_cents) > 2.0  # and the open C3 is in tune, so it would pull this toward zero
    record(tmp_path / "mixed.wav", virtual, [Note(6), Note(6, 12), Note(4)] * 2)
    document = Ran(
        capsys, "offset", tmp_path / "mixed.wav", "--string", "C2", "--format", "json"
    ).document
    assert [r["role"] for r in document["readings"]] == ["open", "fretted", "other"] * 2
    assert document["offset_cents"] == pytest.approx(true_cents, abs=0.3)


def test_a_file_that_does_not_hold_what_was_said_of_it(capsys: Capsys, tmp_path: Path) -> None:
    virtual = a_guitar()
    record(tmp_path / "open.wav", virtual, [Note(5), Note(5), Note(4)])
    record(tmp_path / "12th.wav", virtual, in_turn(5)[1::2])
    said = ("--open", tmp_path / "open.wav", "--fretted", tmp_path / "12th.wav")
    roles = [
        r["role"] for r in Ran(capsys, "offset", *said, "--format", "json").document["readings"]
    ]
    assert roles == ["open", "open", "other"] + ["fretted"] * 3
    wrong = Ran(capsys, "offset", *said, "--string", "E2")
    assert wrong.code == 3
    assert "heard: A2 2 times, D3 1 time, A3 3 times." in wrong.err


@pytest.mark.parametrize(
    ("notes", "missing"),
    [
        ([Note(5), Note(5)], "no reading of the 12th fret of the A2 string; heard: A2 2 times."),
        ([Note(5, 12)], "no reading of the open A2 string; heard: A3 1 time."),
        ([Note(3), Note(5, ring_s=0.25)], "and none of the 12th fret; heard: G3 1 time, 1 reject"),
    ],
)
def test_what_is_missing_is_said(
    capsys: Capsys, tmp_path: Path, notes: list[Note], missing: str
) -> None:
    record(tmp_path / "a.wav", a_guitar(), notes)
    ran = Ran(capsys, "offset", tmp_path / "a.wav", "--string", "A2", "--format", "json")
    assert ran.code == 3
    assert missing in ran.err
    assert missing in ran.document["lacks"]
    assert ran.err.count(".\n") == 2


def test_what_is_left_out_is_said(capsys: Capsys, tmp_path: Path) -> None:
    virtual = a_guitar(seed=13, name="six-string-drop-c")
    record(tmp_path / "mixed.wav", virtual, [Note(6), Note(6, 12), Note(4)] * 2 + [Note(3)])
    ran = Ran(capsys, "offset", tmp_path / "mixed.wav", "--string", "C2", "--format", "json")
    left_out = [None, None, "another_string"] * 2 + ["another_note"]
    assert [r["left_out"] for r in ran.document["readings"]] == left_out
    plain = Ran(capsys, "offset", tmp_path / "mixed.wav", "--string", "C2", "--plain").out
    assert plain.count("not counted, another string by its stiffness") == 2
    assert plain.count("not counted, another note") == 1


def test_touched_harmonics_alone_are_no_fretted_note(capsys: Capsys, tmp_path: Path) -> None:
    virtual = a_guitar(seed=3)
    assert abs(virtual.true_offset_cents(5)) > 2.0  # so "leave it" would be wrong
    record(tmp_path / "touched.wav", virtual, [Note(5), Note(5, touched=2)] * 3)
    for options in ([], ["--string", "A2"]):
        ran = Ran(capsys, "offset", tmp_path / "touched.wav", *options, "--format", "json")
        assert (ran.code, len(ran.document["readings"])) == (3, 6)
        of = " of the A2 string" * bool(options)
        assert f"There is no reading of the 12th fret{of}: what sounds in its place" in ran.err
        assert "a harmonic of the open string, touched and not pressed down" in ran.err
        assert "Press the string down behind the 12th fret" in ran.err


def test_a_harmonic_at_another_fret_is_another_note(capsys: Capsys, tmp_path: Path) -> None:
    virtual = a_guitar(seed=3)
    record(tmp_path / "low.wav", virtual, [Note(6), Note(6, touched=3), Note(6, touched=4)] * 2)
    ran = Ran(capsys, "offset", tmp_path / "low.wav", "--string", "E2")
    assert ran.code == 3
    assert "There is no reading of the 12th fret of the E2 string" in ran.err


def test_no_advice_rests_on_a_take_that_is_likelier_touched(capsys: Capsys, tmp_path: Path) -> None:
    """A single take without any offset, of a finger that left nothing of the odd partials: touched,
    or a string that is set well. Nobody can tell."""
    virtual = a_guitar(seed=3)
    record(tmp_path / "one.wav", virtual, [Note(5), Note(5, touched=2, left_db=-90.0)])
    ran = Ran(capsys, "offset", tmp_path / "one.wav", "--string", "A2")
    assert ran.code == 0
    assert "do: Press the string down at the 12th fret and play it again.\n" in ran.out
    assert "Was the string pressed down to the fret?" in ran.out
    document = Ran(capsys, "offset", tmp_path / "one.wav", "--format", "json").document
    assert 0.5 < document["p_touched_harmonic"] < 0.999
    assert "touched harmonic, which says nothing of the saddle" in document["explanation"]
    said = document["verdict"], document["more_takes"], document["move"], document["border"]
    assert said == ("take_more", None, None, False)


def test_what_may_be_touched_is_asked_about_whatever_is_advised(capsys: Capsys) -> None:
    """An ideal string that is set right, and three frettings within half a cent."""
    ran = Ran(capsys, "offset", SAMPLES / "d3-open-and-12th-good.flac", "--string", "D3")
    assert "do: Leave the saddle where it is.\n" in ran.out
    assert "Was the string pressed down to the fret?" in ran.out


def test_real_harmonics_get_no_advice_and_real_fretted_notes_no_doubt(
    capsys: Capsys, tmp_path: Path
) -> None:
    """Of a real open string half a period later added to itself the even partials are left."""
    heard = {}
    for note in realset.notes():
        open_hz = note.late_f1_hz
        if open_hz is None or open_hz > 120.0:
            continue
        open_one, rate_hz = soundfile.read(note.path)
        half = rate_hz / open_hz / 2.0
        at = np.arange(len(open_one))
        touched = (open_one + np.interp(at - half, at, open_one, left=0.0)) / 2.0
        path = tmp_path / f"{note.path.stem}.wav"
        soundfile.write(path, np.concatenate([open_one, touched] * 2), rate_hz)
        ran = Ran(capsys, "offset", path, "--string", nearest_note(open_hz, 440.0)[0].name)
        heard[note.path.stem] = ran.code, "Was the string pressed down to the fret?" in ran.out
        assert "Leave the saddle" not in ran.out, note.path.stem
        assert "Move the saddle" not in ran.out, note.path.stem
    assert len(heard) > 5
    assert all(code == 3 or asked for code, asked in heard.values()), heard
    pair = {n.path.name: n.path for n in realset.notes()}
    files = [pair["spaghetti__e2_vl1_rr1.flac"], pair["spaghetti__e3_vl3_rr1.flac"]]
    document = Ran(capsys, "offset", *files, "--string", "E1", "--format", "json").document
    assert document["p_touched_harmonic"] < 0.05


def test_a_fretted_note_over_the_ringing_open_string_is_not_counted(
    capsys: Capsys, tmp_path: Path
) -> None:
    """The open string rings for a second before the note is plucked on another string, an octave
    up, while it rings on: neither an open take an octave down nor a fretted one."""
    virtual = a_guitar()
    low, high = virtual.pluck(5, 0, ring_s=4.0), virtual.pluck(5, 12, ring_s=3.0)
    low[RATE_HZ : 4 * RATE_HZ] += high
    sound = np.concatenate((np.zeros(RATE_HZ // 2), low, np.zeros(RATE_HZ // 2)))
    sound += virtual.room(len(sound))
    soundfile.write(tmp_path / "over.wav", sound, RATE_HZ)
    ran = Ran(capsys, "offset", tmp_path / "over.wav", "--string", "A2")
    assert ran.code == 3
    assert "heard: A2 1 time, 1 rejected (two strings ringing)" in ran.err


@pytest.mark.filterwarnings("ignore:overflow encountered in exp:RuntimeWarning")  # of no concern
def test_recordings_of_a_real_open_string_alone_give_no_verdict(capsys: Capsys) -> None:
    """By its microphone one of these has a tick, where an octave was read that was never played."""
    groups: dict[float, list[Path]] = {}
    for note in realset.notes():
        groups.setdefault(note.note_hz, []).append(note.path)
    for note_hz, paths in groups.items():
        name = nearest_note(note_hz, 440.0)[0].name
        ran = Ran(capsys, "offset", *paths, "--string", name)
        assert (ran.code, ran.out) == (3, ""), name
        assert (
            f"no reading of the 12th fret of the {name} string" in ran.err or "none of" in ran.err
        )


# -- the instrument ----------------------------------------------------------------------------


def test_an_assumed_scale_is_said(capsys: Capsys, sharp: tuple[Path, float]) -> None:
    ran = Ran(capsys, "offset", sharp[0], "--format", "json")
    assert ran.document["scale_mm"] == 648.0
    assert "a scale of 648 mm" in ran.document["assumed"][0]
    assert "a scale of 648 mm" in ran.err
    said = Ran(capsys, "offset", sharp[0], "--scale", "700", "--bridge", "bass", "--format", "json")
    assert (said.document["assumed"], said.err) == ([], "")
    # Millimetres grow with the scale.
    ratio = said.document["move"]["mm"] / ran.document["move"]["mm"]
    assert ratio == pytest.approx(700 / 648)


def test_below_any_guitar_a_bass_is_assumed(capsys: Capsys, tmp_path: Path) -> None:
    virtual = a_guitar(seed=4, name="bass-five")
    record(tmp_path / "b.wav", virtual, in_turn(5, (0.0, 0.5, -0.5)))
    document = Ran(capsys, "offset", tmp_path / "b.wav", "--format", "json").document
    assert (document["string"], document["scale_mm"]) == ("B0", 864.0)
    # Three frettings that scatter by a cent say no more of this string than the ± does.
    off = abs(document["offset_cents"] - virtual.true_offset_cents(5))
    assert off < 2.0 * document["u_cents"] < 3.0


def test_an_instrument_on_record_says_scale_bridge_and_tolerance(
    capsys: Capsys, sharp: tuple[Path, float], tmp_path: Path
) -> None:
    store = tmp_path / "records.sqlite"
    ours = replace(preset("post-bar"), name="Bench", scale_mm=628.0, tolerance_cents=3.0)
    with Repository.open(store) as repository:
        repository.add_instrument(ours)
    options = ("--instrument", "Bench", "--store", store, "--format", "json")
    document = Ran(capsys, "offset", sharp[0], *options).document
    assert (document["scale_mm"], document["bridge"]) == (628.0, "post-bar")
    assert document["tolerance_cents"] == 3.0
    assert document["assumed"] == []
    stricter = Ran(capsys, "offset", sharp[0], *options, "--tolerance", "1").document
    assert stricter["tolerance_cents"] == 1.0
    assert Ran(capsys, "offset", sharp[0], *options, "--preset", "nylon").code == 2


def test_a_fixed_saddle_is_filed_short_of_the_mark(capsys: Capsys, tmp_path: Path) -> None:
    virtual = a_guitar()
    set_to(virtual, 5, 2.2)
    record(tmp_path / "a.wav", virtual, in_turn(5, (-0.2, 0.2, 0.1, -0.1, 0.0)))
    options = (tmp_path / "a.wav", "--bridge", "fixed-saddle", "--tolerance", "0.5")
    document = Ran(capsys, "offset", *options, "--format", "json").document
    move = document["move"]
    assert move["turns"] is None
    assert 0.0 < move["mm"] == move["interval95_mm"][0] < move["asked_mm"] < 1.0
    plain = Ran(capsys, "offset", *options, "--plain").out.splitlines()
    assert plain[0] == (
        f"do: File the break point {move['mm']:.1f} mm away from the nut "
        f"(short of the mark: {move['asked_mm']:.1f} mm is asked in all)."
    )
    minded = " ".join(line for line in plain if line.startswith("mind: "))
    for words in ("Measure all strings before", "Take the string off", "cannot be undone", "mask"):
        assert words in minded
    # Where a screw moves it, it goes all the way.
    screwed = Ran(capsys, "offset", options[0], "--tolerance", "0.5", "--format", "json").document
    assert screwed["move"]["mm"] == screwed["move"]["asked_mm"] == move["asked_mm"]
    assert Ran(capsys, "offset", *options[:3], "--format", "json").document["move"] is None


def test_all_is_said_alike_where_more_is_asked_of_a_saddle_than_it_can_go(
    capsys: Capsys, sharp: tuple[Path, float], tmp_path: Path
) -> None:
    virtual = a_guitar()
    set_to(virtual, 5, 3.0)
    record(tmp_path / "a.wav", virtual, in_turn(5, (-0.4, 0.4, 0.2, -0.2, 0.0, 0.3, -0.3)))
    options = ("offset", tmp_path / "a.wav", "--bridge", "fixed-saddle", "--tolerance", "0.5")
    move = Ran(capsys, *options, "--format", "json").document["move"]
    assert move["mm"] < 1.0 < move["asked_mm"]
    assert not move["out_of_travel"]
    said = [words for words in Ran(capsys, *options).out.splitlines() if "asked in all" in words]
    assert [words.split(":")[0] for words in said] == ["do", "move"]
    assert all(f"{move['mm']:.1f} mm away from the nut (short" in words for words in said)
    # A third of eight cents is all that is left to be filed: that will not do, and it says so.
    options = ("offset", sharp[0], "--bridge", "fixed-saddle")
    document = Ran(capsys, *options, "--format", "json").document
    asked_mm = document["move"]["asked_mm"]
    assert document["move"]["out_of_travel"]
    assert document["p_moved"] < 0.05
    said = Ran(capsys, *options).out
    assert "\nmove: " not in said
    assert f"\nasked: {asked_mm:.1f} mm away from the nut, 95 %" in said


def test_near_the_nut_it_says_to_look_elsewhere_first(capsys: Capsys, tmp_path: Path) -> None:
    virtual = a_guitar(seed=6)
    notes = [note for _ in range(3) for note in (Note(5), Note(5, 1, detune_cents=18.0))]
    record(tmp_path / "first.wav", virtual, notes)
    ran = Ran(capsys, "offset", tmp_path / "first.wav", "--fret", "1", "--string", "A2")
    assert ran.code in {0, 2}  # 2 where no saddle position could cure it
    assert "it is the nut" in ran.out or "look at the nut" in ran.err


# -- on a terminal -----------------------------------------------------------------------------


@pytest.mark.parametrize(("lines", "columns"), [(24, 80), (12, 40)])
def test_what_to_do_comes_first_and_fits(
    sharp: tuple[Path, float], lines: int, columns: int
) -> None:
    shown = on_a_terminal("offset", sharp[0], size=(lines, columns))
    assert shown.startswith("Move the saddle ")
    assert max(map(len, shown.splitlines())) <= columns
    # Nothing is shown without its uncertainty, however narrow the terminal.
    (heading,) = (line.split() for line in shown.splitlines() if line.startswith(" at s"))
    assert heading[-2:] == ["cents", "±"]


def test_what_stands_out_is_said_in_every_form(capsys: Capsys, tmp_path: Path) -> None:
    """All open takes before all fretted ones: a drift of the string would pass for an offset."""
    virtual = a_guitar()
    set_to(virtual, 5, 8.0)
    notes = in_turn(5)
    record(tmp_path / "apart.wav", virtual, [*notes[::2], *notes[1::2]])
    usual = ("offset", tmp_path / "apart.wav", "--string", "A2")
    assert "not_by_turns" in Ran(capsys, *usual, "--format", "json").document["notices"]
    for plain in ((), ("--plain",)):
        said = " ".join(Ran(capsys, *usual, *plain).out.split())
        assert "let the two notes take turns" in said


def test_of_a_string_that_slips_each_number_says_what_it_is(capsys: Capsys, tmp_path: Path) -> None:
    virtual = a_guitar()
    set_to(virtual, 5, 6.0)
    slipping = [replace(note, detune_cents=2.0 * k) for k, note in enumerate(in_turn(5))]
    record(tmp_path / "slips.wav", virtual, slipping)
    usual = ("offset", tmp_path / "slips.wav", "--string", "A2")
    document = Ran(capsys, *usual, "--format", "json").document
    for role in ("open", "fretted"):
        pitches = [r["pitch_hz"] for r in document["readings"] if r["role"] == role]
        cents = 1200.0 * np.log2(pitches)
        assert document[role]["spread_cents"] == pytest.approx(np.std(cents, ddof=1), abs=1e-6)
        assert document[role]["mean_hz"] == pytest.approx(2.0 ** (cents.mean() / 1200.0), rel=1e-9)
    played = 1200.0 * np.log2(document["fretted"]["mean_hz"] / document["open"]["mean_hz"]) - 1200.0
    pairs = sum(pair["weight"] * pair["offset_cents"] for pair in document["pairs"])
    assert pairs == pytest.approx(played, abs=0.5)  # 2 cents too much: the drift is in both
    # Takes this close together hardly tell a drift from their scatter: little of it is taken off.
    assert 0.0 < document["drift_taken_off_cents"] < 1.0
    assert document["drift_cents_per_min"] > 10.0
    assert "slipping" in document["notices"]
    said = " ".join(Ran(capsys, *usual, "--plain").out.split())
    assert f"{document['drift_taken_off_cents']:+.2f} cents of it taken off the offset" in said
    assert "see what lets it slip" in said


@pytest.mark.parametrize(
    ("cents", "sure", "said"),
    [(9.0, True, "is bent sharp and hardly counts"), (4.0, False, "may be bent sharp and counts")],
)
def test_a_take_that_counts_less_is_named_whichever_it_is(
    capsys: Capsys, tmp_path: Path, cents: float, sure: bool, said: str
) -> None:
    virtual = a_guitar()
    set_to(virtual, 5, 0.0)
    frettings = (-0.9, 0.6, -0.2, cents, 0.4, -0.5, 0.8)
    record(tmp_path / "bent.wav", virtual, in_turn(5, frettings))
    usual = ("offset", tmp_path / "bent.wav", "--string", "A2")
    document = Ran(capsys, *usual, "--format", "json").document
    p_bent = [each["p_bent"] for each in document["readings"]]
    (bent,) = [n for n, p in enumerate(p_bent) if p > 0.2]
    assert bent == 7, "the fourth fretted one"
    assert (p_bent[bent] > 0.9) is sure
    assert p_bent[::2] == [0.0] * 7, "the open ones"
    assert document["notices"] == ["bent" if sure else "may_be_bent"]
    # It is the one that keeps the offset from the mean of all.
    assert abs(document["offset_cents"] - virtual.true_offset_cents(5)) < 0.6
    for plain in ((), ("--plain",)):
        words = " ".join(Ran(capsys, *usual, *plain).out.split())
        where = document["readings"][bent]["onset_s"]
        assert f"The fretted take at {where:.2f} s of bent.wav, " in words
        assert said in words


def test_a_named_string_that_sounds_otherwise_is_asked_about(
    capsys: Capsys, sharp: tuple[Path, float]
) -> None:
    for name, note, off_cents in (("A2", "A2", 0.0), ("G2", "G2", 200.0)):
        usual = ("offset", sharp[0], "--string", name)
        document = Ran(capsys, *usual, "--format", "json").document
        assert document["string"] == note
        assert document["open_off_cents"] == pytest.approx(off_cents, abs=5.0)
        assert ("out_of_tune" in document["notices"]) is (name == "G2")
        words = Ran(capsys, *usual, "--plain").out
        assert (" cents sharp of G2, the string that was named: is it" in words) is (name == "G2")


def test_a_string_that_slips_is_named_as_the_trouble(capsys: Capsys, tmp_path: Path) -> None:
    """More takes would not help: it falls by 4 cents from each take to the next."""
    virtual = VirtualInstrument(preset("six-string"), seed=3)
    falling = [Note(5, 12 * (k % 2), detune_cents=-4.0 * k) for k in range(8)]
    record(tmp_path / "slips.wav", virtual, falling)
    record(tmp_path / "holds.wav", virtual, [Note(5, 12 * (k % 2)) for k in range(8)])
    words = "The string goes flat by"
    assert words in Ran(capsys, "offset", tmp_path / "slips.wav", "--string", "A2").out
    assert words not in Ran(capsys, "offset", tmp_path / "holds.wav", "--string", "A2").out


SAMPLES = Path(__file__).parents[2] / "samples"
DOWN = ("--preset", "six-string", "--tuning", "D2 G2 C3 F3 A3 D4", "--capo", "2")


def test_a_capo_says_which_string_a_note_is(capsys: Capsys) -> None:
    """The notes are those that it makes, however the string is named, or where none is."""
    sound = SAMPLES / "a2-open-and-12th-sharp.flac"
    answers = []
    for named in ((), ("--string", "5"), ("--string", "A2")):
        document = Ran(capsys, "offset", sound, *DOWN, *named, "--format", "json").document
        answers.append((document["string"], document["offset_cents"], document["move"]))
    assert answers[0] == answers[1] == answers[2]
    low = ("--preset", "six-string", "--capo", "5")
    files = (sound, SAMPLES / "d3-open-and-12th-good.flac")
    ran = Ran(capsys, "offset", *files, *low)
    assert "string 6, A2: 5.9" in ran.out
    assert "string 5, D3: 0.0" in ran.out
    ran = Ran(capsys, "offset", sound, "--capo", "2:1-5")
    assert ran.code == 2
    assert "Name it with --preset" in ran.err
    # The table says where its cents are, counted on the neck.
    assert "cents at the 17th fret" in on_a_terminal("offset", *files, *low)


def test_a_capo_counts_whatever_the_string_is_called(capsys: Capsys) -> None:
    """Named by a note that none has under it, or with no instrument said: the length is what the
    capo leaves all the same, and the fret is counted on the neck."""
    sound = SAMPLES / "a2-open-and-12th-sharp.flac"
    said = (
        (*DOWN, "--string", "A2"),
        (*DOWN, "--string", "G2"),
        ("--preset", "six-string", "--capo", "2", "--string", "A2"),
        ("--capo", "2"),
    )
    ran = [Ran(capsys, "offset", sound, *each, "--plain").out for each in said]
    for out in ran:
        assert "Move the saddle 2.0 mm away from the nut" in out
        assert "offset at the 14th fret" in out
    assert "assumed: the scale and bridge of an instrument that has no G2 string" in ran[1]


def test_a_capo_over_some_strings_does_not_say_how_long_a_strange_string_is(
    capsys: Capsys,
) -> None:
    sound = SAMPLES / "a2-open-and-12th-sharp.flac"
    some = ("--preset", "six-string", "--capo", "2:1-5")
    ran = Ran(capsys, "offset", sound, *some, "--string", "A2")
    assert (ran.code, ran.out) == (2, "")
    assert "The instrument has no A2 string." in ran.err
    assert "Its strings are F#4, C#4, A3, E3, B2, E2;" in ran.err


def test_that_one_string_of_several_was_chosen_is_said(tmp_path: Path, capsys: Capsys) -> None:
    both = tmp_path / "both.wav"
    record(both, a_guitar(), [*in_turn(6), *in_turn(5)])
    for form in ([], ["--format", "json"]):
        ran = Ran(capsys, "offset", both, *form)
        assert "is the string, of all notes that were heard (say it with --string" in ran.out
    named = Ran(capsys, "offset", both, "--string", "A2")
    assert "of all notes" not in named.out


def test_partials_that_disagree_are_noticed(sharp: tuple[Path, float]) -> None:
    """As those of an old string do: the lowest pair 3 cents from the others."""
    (listened,) = listen_to([sharp[0]])
    even = compare([listened], [None], a4_hz=440.0)
    lowest, *others = even.offset.pairs
    pairs = (replace(lowest, offset_cents=lowest.offset_cents + 3.0), *others)
    for comparison, uneven in (
        (even, False),
        (replace(even, offset=replace(even.offset, pairs=pairs)), True),
    ):
        result = decide(comparison, preset("six-string"))
        assert (Notice.PARTIALS_DISAGREE in result.verdict.notices) is uneven
        assert any("The lowest partials say" in words for words in noticed(result)) is uneven
