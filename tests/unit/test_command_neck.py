"""`pitchbench neck`: a nut too high, a fret worn and a saddle off, each named from recordings."""

from __future__ import annotations

import math
import re
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pexpect
import pytest
import soundfile
from recordings import RATE_HZ, Note, Ran, record
from reference.partial_freq import partial_freq

from pitchbench.presets import preset
from pitchbench.strings.virtual import VirtualInstrument
from pitchbench.units import cents_between, fret_ratio

Capsys = pytest.CaptureFixture[str]

FRETS = (1, 3, 5, 7, 9, 12, 15, 17)

#: What a finger adds to the two takes of a note: a spread of 0.7 cents about zero.
FRETTINGS = (0.5, -0.5)

NUT_HIGH, FRET_BAD, SADDLE_OFF = 6, 4, 2


@dataclass(frozen=True)
class Guitar:
    """A virtual guitar, recorded: the file of each string, and what its fingers found."""

    virtual: VirtualInstrument
    files: dict[int, Path]
    added_cents: dict[int, dict[int, float]]

    def true_cents(self, string: int, fret: int) -> float:
        return self.virtual.true_offset_cents(string, fret) + self.added_cents[string].get(fret, 0)

    def true_terms(self, string: int, frets: tuple[int, ...] = FRETS) -> tuple[float, float]:
        """Nut and saddle by unweighted least squares through the true offsets."""
        lever = [fret_ratio(fret) - 1.0 for fret in frets]
        saddle, nut = np.polyfit(lever, [self.true_cents(string, fret) for fret in frets], 1)
        return float(nut), float(saddle)


def set_to(virtual: VirtualInstrument, string: int, offset_cents: float) -> None:
    """Move a saddle until the true offset at the 12th is about ``offset_cents``, string tuned."""
    for _ in range(4):
        error = virtual.true_offset_cents(string) - offset_cents
        virtual.move_saddle(string, error * virtual.instrument.scale_mm / 1731.2)
        virtual.tune(string)


@pytest.fixture(scope="module")
def guitar(tmp_path_factory: pytest.TempPathFactory) -> Guitar:
    """Low E: nut too high by 6 cents everywhere. D: the 7th fret 9 cents sharp by itself. B: the
    saddle 10 cents off. Two takes of each note, from the top of the neck down."""
    virtual = VirtualInstrument(preset("six-string"), seed=4, rate_hz=RATE_HZ)
    set_to(virtual, NUT_HIGH, 1.0)
    set_to(virtual, FRET_BAD, 1.0)
    set_to(virtual, SADDLE_OFF, 10.0)
    added = {NUT_HIGH: dict.fromkeys(FRETS, 6.0), FRET_BAD: {7: 9.0}, SADDLE_OFF: {}}
    folder = tmp_path_factory.mktemp("neck")
    files = {}
    for string, extra in added.items():
        notes = [
            Note(string, fret, detune_cents=extra.get(fret, 0.0) + finger * bool(fret), ring_s=1.5)
            for finger in FRETTINGS
            for fret in (*reversed(FRETS), 0)
        ]
        files[string] = folder / f"string-{string}.wav"
        record(files[string], virtual, notes)
    return Guitar(virtual, files, added)


@pytest.fixture
def document(capsys: Capsys, guitar: Guitar) -> dict[str, Any]:
    """All three strings, told apart by the lowest note of each file."""
    options = ("--preset", "six-string", "--chord", "1-x-3-x-12-x", "--format", "json")
    ran = Ran(capsys, "neck", *guitar.files.values(), *options)
    assert ran.code == 0
    return ran.document


def of_string(document: dict[str, Any], number: int) -> dict[str, Any]:
    return next(each for each in document["strings"] if each["string"] == number)


def test_each_ill_is_named_for_what_it_is(document: dict[str, Any], guitar: Guitar) -> None:
    assert [each["note"] for each in document["strings"]] == ["B3", "D3", "E2"]

    nut = of_string(document, NUT_HIGH)
    assert nut["verdict"] == "nut_first"
    assert [words[:7] for words in nut["findings"]] == ["The nut"]
    assert "qualified repairer" in nut["findings"][0]

    fret = of_string(document, FRET_BAD)
    assert [f["fret"] for f in fret["frets"] if f["stands_out"]] == [7]
    # What it is off is over the frets that are listed, and with the others.
    used = [f for f in fret["frets"] if f["fret"] in fret["frets_used"]]
    assert [f["fret"] for f in fret["frets"] if f not in used] == [7]
    for which, frets in (("", used), ("_with_all", fret["frets"])):
        before, after = (
            math.sqrt(np.mean([f[cents] ** 2 for f in frets]))
            for cents in ("offset_cents", "after_cents")
        )
        assert fret[f"off_before{which}_cents"] == pytest.approx(before)
        assert fret[f"off_after{which}_cents"] == pytest.approx(after)
    assert [words[:17] for words in fret["findings"]] == ["Fret 7 stands out"]

    saddle = of_string(document, SADDLE_OFF)
    assert saddle["verdict"] == "move"
    assert saddle["move"]["direction"] == "away_from_nut"
    assert saddle["findings"] == []


def test_with_a_capo_on_every_fret_is_that_of_the_neck(
    capsys: Capsys, guitar: Guitar, tmp_path: Path
) -> None:
    """What the D string does with a bad 7th fret, said to be a C string under a capo: then it is
    the 9th, in words, lines, document and by what is typed."""
    asked = (
        "neck", guitar.files[FRET_BAD], "--tuning", "D2 G2 C3 F3 A3 D4", "--capo", "2",
        "--string", "D3", "--preset", "six-string",
    )  # fmt: skip
    picture = tmp_path / "neck.svg"
    lines = Ran(capsys, *asked, "--out", picture).out.splitlines()
    assert [line for line in lines if "Fret 9 stands out" in line]
    assert "That is without the 9th, which stands out: with it" in lines[0]
    assert next(line for line in lines if ": capo " in line).endswith("at the 14th")
    assert [line[:22] for line in lines if "saddle, stands out" in line] == [
        "String 4, D3, 9th fret"
    ]
    assert picture.stat().st_size
    (string,) = (document := Ran(capsys, *asked, "--format", "json").document)["strings"]
    assert document["capo"] == 2
    bad = [(f["fret"], f["neck_fret"]) for f in string["frets"] if f["stands_out"]]
    assert bad == [(7, 9)]
    assert {r["neck_fret"] - r["fret"] for r in document["readings"] if r["fret"]} == {2}
    # Typed as it is read: what the 3rd and the 19th fret of the neck are off by, 1 and 17 here.
    two = Ran(capsys, *asked, "--weights", "3:1,19:1", "--format", "json").document["strings"][0]
    off = [f["offset_cents"] for f in string["frets"] if f["neck_fret"] in (3, 19)]
    assert two["off_before_cents"] == pytest.approx(math.hypot(*off) / math.sqrt(2.0))
    assert "Fret 2 does not sound" in Ran(capsys, *asked, "--weights", "2:1,3:1").err


def test_a_short_string_that_none_of_the_frets_used_lies_on_is_judged_by_all(
    capsys: Capsys, tmp_path: Path
) -> None:
    virtual = VirtualInstrument(preset("banjo-five"), seed=4, rate_hz=RATE_HZ)
    virtual.tune(5)
    record(tmp_path / "g.wav", virtual, [Note(5), Note(5, 1), Note(5, 3), Note(5, 12)])
    asked = ("neck", tmp_path / "g.wav", "--preset", "banjo-five", "--frets")
    short = Ran(capsys, *asked, "1,3").out
    assert "none of these frets: String 5, G4: judged by all that were heard" in short
    assert "not heard" not in short
    assert [re.sub(":.*", "", line) for line in short.splitlines() if "fret:" in line] == [
        f"String 5, G4, {which} fret" for which in ("6th", "8th", "17th")
    ]
    assert "not heard: of the frets asked for, 7: worked out" in Ran(capsys, *asked, "7,17").out


CHORDS = [f"samples/chords-{string}.flac" for string in ("e2", "a2", "d3")]


def test_two_strings_on_one_saddle_get_one_move(capsys: Capsys) -> None:
    """By themselves the E string asks for 3.2 mm one way, the A string for 1.7 mm the other."""
    asked = ("neck", *CHORDS[:2], "--preset", "paired-saddles", "--spread", "0.5")
    out = Ran(capsys, *asked).out
    assert out.count("share it, and no move of it helps them all") == 2
    assert "move the saddle" not in out
    # What is left where it is, is after it what it was.
    for each in Ran(capsys, *asked, "--format", "json").document["strings"]:
        assert (each["verdict"], each["move"]) == ("leave", None)
        for of in ("cents", "most95_cents", "with_all_cents"):
            assert each[f"off_after_{of}"] == each[f"off_before_{of}"]
    # At the 12th alone, and to be within a cent, the mean is worth it.
    ran = Ran(capsys, *asked, "--frets", "12", "--tolerance", "1", "--format", "json")
    a, e = ran.document["strings"]
    assert (a["verdict"], a["move"]) == (e["verdict"], e["move"]) != ("leave", None)
    # A program is told that it is one move.
    assert [a["shares_saddle_with"], e["shares_saddle_with"]] == [[6], [5]]
    assert a["move"]["mm"] == pytest.approx((3.2 - 1.7) / 2.0, abs=0.05)
    assert e["off_after_cents"] == pytest.approx(a["off_after_cents"], abs=0.2)
    out = Ran(capsys, *asked, "--frets", "12", "--tolerance", "1").out
    assert out.count("Strings 5 and 6 share it: this is the mean of what they ask for.") == 2
    out = Ran(capsys, *asked[:2], *asked[3:]).out
    assert "The saddle is that of string 5 too: hear all before you move it." in out


def test_no_move_is_promised_that_the_saddle_cannot_make(capsys: Capsys) -> None:
    """A millimetre is all there is to be filed, on record or not."""
    asked = ("neck", CHORDS[0], "--spread", "0.5", "--format", "json")
    free, *filed = (
        Ran(capsys, *asked, *more).document["strings"][0]
        for more in ((), ("--preset", "steel-acoustic"), ("--bridge", "fixed-saddle"))
    )
    assert free["off_after_cents"] < 0.2
    for each in filed:
        assert each["move"]["out_of_travel"]
        # The saddle does a third of what is asked of it.
        left = 1.0 - 1.0 / each["move"]["asked_mm"]
        assert each["move"]["mm"] <= 1.0
        assert each["off_after_cents"] == pytest.approx(left * each["off_before_cents"], abs=0.2)
        assert each["off_after_cents"] <= each["off_after_most95_cents"]
    out = Ran(capsys, *asked[:4], "--preset", "steel-acoustic").out
    assert out.startswith("do: String 6, E2: the saddle cannot go so far: 3.2 mm away")
    assert "at the end of its travel" in out


def test_what_is_sure_and_fits_is_filed_and_it_says_what_all_of_the_travel_would_leave(
    capsys: Capsys,
) -> None:
    asked = ("neck", CHORDS[0], "--spread", "2.7", "--bridge", "fixed-saddle")
    string = Ran(capsys, *asked, "--format", "json").document["strings"][0]
    move = string["move"]
    assert 0.0 < move["mm"] < 1.0 < move["asked_mm"]
    assert not move["out_of_travel"]
    do = Ran(capsys, *asked).out.splitlines()[0]
    assert f"file the break point {move['mm']:.1f} mm away from the nut (short of the mark: " in do
    assert f", {string['off_after_cents']:.1f} at the end of its travel, " in do


@pytest.mark.parametrize(
    ("kind", "does"),
    [("sliding-wood", "slide the bridge under it"), ("screw-saddles", "move the saddle")],
)
def test_it_says_what_a_hand_does_at_this_bridge(capsys: Capsys, kind: str, does: str) -> None:
    out = Ran(capsys, "neck", CHORDS[0], "--spread", "0.5", "--bridge", kind).out
    assert out.startswith(f"do: String E2: {does} 3.2 mm away from the nut")


def test_the_move_of_a_sliding_bridge_leaves_to_a_repairer_what_is_for_one(capsys: Capsys) -> None:
    """A session goes by the cautions of the move as well."""
    asked = ("neck", CHORDS[0], "--spread", "0.5", "--bridge", "sliding-wood", "--format", "json")
    minded = " ".join(Ran(capsys, *asked).document["strings"][0]["move"]["cautions"])
    for words in ("feet flat on the top", "glued", "sound post", "to a qualified repairer"):
        assert words in minded


def test_a_touched_harmonic_is_no_note_of_the_12th_fret(capsys: Capsys, tmp_path: Path) -> None:
    """Else it stands out, and a good fret is blamed for it."""
    virtual = VirtualInstrument(preset("six-string"), seed=4, rate_hz=RATE_HZ)
    set_to(virtual, 4, 10.0)
    notes = [Note(4), *(Note(4, fret) for fret in FRETS if fret != 12), Note(4, touched=2)]
    said = []
    for name, more in (("touched", []), ("both", [Note(4, 12)])):
        record(tmp_path / f"{name}.wav", virtual, notes + more)
        ran = Ran(capsys, "neck", tmp_path / f"{name}.wav", "--string", "D3", "--format", "json")
        (string,) = ran.document["strings"]
        assert not any("Fret 12" in words for words in string["findings"])
        said.append({f["fret"]: f["n"] for f in string["frets"]}.get(12, 0))
    assert said == [0, 1]
    out = Ran(capsys, "neck", tmp_path / "both.wav", "--string", "D3", "--plain").out
    assert "likely a harmonic touched at the 12th fret: press the string down there" in out
    record(tmp_path / "alone.wav", virtual, [Note(4), Note(4, touched=2)] * 2)
    ran = Ran(capsys, "neck", tmp_path / "alone.wav", "--string", "D3")
    assert "open 2 times, 2 not counted, likely a harmonic touched at the 12th fret" in ran.err


def test_every_offset_and_every_term_is_right(document: dict[str, Any], guitar: Guitar) -> None:
    for number in guitar.files:
        string = of_string(document, number)
        assert [(f["fret"], f["n"]) for f in string["frets"]] == [(fret, 2) for fret in FRETS]
        assert string["open"]["n"] == 2
        for fret in string["frets"]:
            # The two fingers cancel; readings of a note of 1.5 s are good to some tenths.
            assert fret["offset_cents"] == pytest.approx(
                guitar.true_cents(number, fret["fret"]), abs=0.4
            )
        sound = tuple(fret for fret in FRETS if number != FRET_BAD or fret != 7)
        nut, off = guitar.true_terms(number, sound)
        # The ills are 6 and 10 cents.
        assert string["nut_cents"] == pytest.approx(nut, abs=0.6)
        assert string["saddle_cents"] == pytest.approx(off, abs=0.6)
        assert string["stiffness_b"] == pytest.approx(
            guitar.virtual.true_stiffness_b(number), rel=0.3
        )


def test_the_move_does_what_was_foretold(document: dict[str, Any], tmp_path: Path) -> None:
    string = of_string(document, SADDLE_OFF)
    virtual = VirtualInstrument(preset("six-string"), seed=4, rate_hz=RATE_HZ)
    set_to(virtual, SADDLE_OFF, 10.0)
    virtual.move_saddle(SADDLE_OFF, string["move"]["mm"])
    virtual.tune(SADDLE_OFF)
    left = [virtual.true_offset_cents(SADDLE_OFF, fret) for fret in FRETS]
    rms = math.sqrt(sum(cents**2 for cents in left) / len(left))
    assert string["off_before_cents"] > 8.0
    # Geometry leaves out the string's stretch, some per cent of the ten cents.
    assert rms == pytest.approx(string["off_after_cents"], abs=0.5)
    assert rms < string["off_before_cents"] / 5


def test_a_chord_beats_as_its_partials_do(document: dict[str, Any], guitar: Guitar) -> None:
    (chord,) = document["chords"]
    assert [note["note"] for note in chord["notes"]] == ["F2", "F3", "B4"]
    (octave,) = chord["intervals"]
    assert (octave["name"], octave["lower"], octave["upper"]) == ("octave", "F2", "F3")

    def sounding_hz(string: int, fret: int) -> float:
        """With the open string in tune, as the chord supposes."""
        open_hz = preset("six-string").string(string).note.hz()
        return open_hz * 2.0 ** ((100.0 * fret + guitar.true_cents(string, fret)) / 1200.0)

    b = guitar.virtual.true_stiffness_b(NUT_HIGH, 1)
    second_hz = 2.0 * sounding_hz(NUT_HIGH, 1) * math.sqrt((1.0 + 4.0 * b) / (1.0 + b))
    beats_hz = abs(second_hz - sounding_hz(FRET_BAD, 3))
    # Half a cent at 175 Hz.
    assert octave["beats_before_hz"] == pytest.approx(beats_hz, abs=0.05)
    assert octave["beats_before_hz"] > 0.3


def test_strings_that_were_not_recorded_are_left_out_of_a_chord(
    capsys: Capsys, guitar: Guitar
) -> None:
    ran = Ran(capsys, "neck", guitar.files[2], "--preset", "six-string", "--chord", "x32010")
    assert ran.code == 0
    assert "chord x32010: without A2, D3, G3, E4, not recorded" in ran.out


def test_chords_are_heard_before_and_after(capsys: Capsys, guitar: Guitar, tmp_path: Path) -> None:
    """F2 and F3 of the shape beat; the sound holds their partials where the document puts them."""
    place = tmp_path / "chords.wav"
    options = ("--preset", "six-string", "--chord", "1-x-3-x-x-x", "--format", "json")
    ran = Ran(capsys, "neck", guitar.files[6], guitar.files[4], *options, "--hear", place)
    assert (ran.code, str(place) in ran.err) == (0, True)
    sound, rate_hz = soundfile.read(place)
    assert len(sound) == 2 * 5.5 * rate_hz
    low, high = ran.document["chords"][0]["notes"]
    for begin, when in ((0.1, "before_cents"), (5.6, "after_cents")):
        part = sound[int(begin * rate_hz) :][: 4 * rate_hz]
        # The first partial of the low note stands alone.
        expected_hz = 440.0 * 2.0 ** ((41 - 69) / 12 + low[when] / 1200.0)
        assert partial_freq(part, rate_hz, expected_hz, 0.0, 4.0) == pytest.approx(
            expected_hz, abs=0.01
        )
    assert high["note"] == "F3"
    assert Ran(capsys, "neck", guitar.files[6], *options, "--hear", place).code == 2


def test_files_follow_their_strings(capsys: Capsys, guitar: Guitar) -> None:
    ran = Ran(
        capsys, "neck", "--string", "E2", guitar.files[6], "--string", "B3", guitar.files[2],
        "--plain",
    )  # fmt: skip
    assert ran.code == 0
    do = [line for line in ran.out.splitlines() if line.startswith("do: ")]
    assert [line.split(":")[1] for line in do] == [" String B3", " String E2"]
    assert "found: String E2: The nut: +" in ran.out
    assert "one file is one string: B3 string-2.wav; E2 string-6.wav" in ran.out
    assert "assumed: a scale of 648 mm" in ran.out
    assert sum(line.startswith("mind: A string can snap") for line in ran.out.splitlines()) == 1


def test_the_frets_that_a_player_uses_decide(capsys: Capsys, guitar: Guitar) -> None:
    def move_mm(*options: str) -> float:
        ran = Ran(
            capsys, "neck", guitar.files[6], "--string", "E2", "--format", "json", *options
        )  # fmt: skip
        mm: float = ran.document["strings"][0]["move"]["mm"]
        return mm

    # A nut that adds 6 cents everywhere asks for more of the saddle the lower the player stays.
    assert move_mm("--frets", "5,7") > move_mm() > move_mm("--weights", "15:1,17:2")


def test_the_best_compromise_for_what_is_played(capsys: Capsys, guitar: Guitar) -> None:
    options = ("--preset", "six-string", "--play", "open chords", "--play", "up to fret 5")
    ran = Ran(capsys, "neck", *guitar.files.values(), *options, "--format", "json")
    best = ran.document["compromise"]
    assert best["best"]["cents"] < best["at_the_12th"]["cents"] < best["now"]["cents"]
    assert best["with_the_nut"]["cents"] < best["best"]["cents"]
    setting = next(each for each in best["strings"] if each["string"] == 6)
    # The nut adds 6 cents at every fret: the open string carries its share, more than the doubt.
    assert setting["tuned_cents"] < -2.0 * setting["tuned_u_cents"]
    plain = Ran(capsys, "neck", *guitar.files.values(), *options, "--plain").out
    assert "compromise: String 6, E2: saddle" in plain
    assert "work for a qualified repairer" in plain


def test_a_compromise_has_its_cautions_and_files_no_more_than_is_sure(capsys: Capsys) -> None:
    """Of takes that by themselves ask for more takes, and for no move."""
    played = ("neck", *CHORDS[1:], "--play", "open chords", "--preset")
    plain = Ran(capsys, *played, "six-string", "--plain").out
    assert plain.count(": take more before you touch the saddle") == 2
    document = Ran(capsys, *played, "six-string", "--format", "json").document
    cautions = document["compromise"]["cautions"]
    assert any(words.startswith("Slacken the string") for words in cautions)
    assert [f"mind: {words}" for words in cautions] == plain.splitlines()[-len(cautions) :]
    filed = Ran(capsys, *played, "steel-acoustic", "--format", "json").document["compromise"]
    assert [each["move_mm"] for each in filed["strings"]] == [0.0, 0.0]
    assert all(abs(each["asked_mm"]) > 1.0 for each in filed["strings"])
    assert filed["best"] != filed["at_the_12th"]
    assert "mm is asked in all, open string" in Ran(capsys, *played, "steel-acoustic").out


def test_one_take_of_each_says_so(capsys: Capsys, guitar: Guitar, tmp_path: Path) -> None:
    notes = [Note(1, fret, ring_s=1.2) for fret in (0, 5, 12)]
    virtual = VirtualInstrument(preset("six-string"), seed=9, rate_hz=RATE_HZ)
    set_to(virtual, 1, 3.5)
    record(tmp_path / "e.wav", virtual, notes)
    ran = Ran(capsys, "neck", tmp_path / "e.wav", "--string", "E4", "--frets", "12")
    assert "take more before you touch the saddle" in ran.out
    assert "more takes: play each note two or three times" in ran.out
    assert "mind:" not in ran.out
    known = Ran(
        capsys, "neck", tmp_path / "e.wav", "--string", "E4", "--frets", "12", "--spread", "0.3"
    )
    assert "move the saddle" in known.out


# -- pictures ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ending", "head"), [("svg", b"<?xml"), ("png", b"\x89PNG"), ("pdf", b"%PDF")]
)
def test_the_figure_is_written(
    capsys: Capsys, guitar: Guitar, tmp_path: Path, ending: str, head: bytes
) -> None:
    place = tmp_path / f"neck.{ending}"
    ran = Ran(capsys, "neck", guitar.files[4], "--string", "D3", "--out", place)
    assert ran.code == 0
    assert str(place) in ran.err
    assert place.read_bytes().startswith(head)
    again = Ran(capsys, "neck", guitar.files[4], "--string", "D3", "--out", place)
    assert again.code == 2


@pytest.mark.parametrize("columns", [80, 40])
def test_on_a_terminal_it_fits_and_says_what_to_do_first(guitar: Guitar, columns: int) -> None:
    child = pexpect.spawn(
        sys.executable,
        ["-c", "import sys; sys.stderr = open('/dev/null', 'w'); "
         "from pitchbench.commands import main; main()",
         "neck", str(guitar.files[4]), "--string", "D3"],
        dimensions=(24, columns),
        env={"TERM": "xterm", "LC_ALL": "C.UTF-8", "NO_COLOR": "1", "PATH": ""},
        encoding="utf-8",
        timeout=60,
    )  # fmt: skip
    child.expect(pexpect.EOF)
    shown = child.before.replace("\x1b[1m", "").replace("\x1b[2m", "").replace("\x1b[0m", "")
    assert shown.startswith("String D3: ")
    assert max(map(len, shown.splitlines())) <= columns
    assert "Fret 7 stands out" in " ".join(shown.split())


# -- what cannot be done -----------------------------------------------------------------------


@pytest.fixture(scope="module")
def frets_alone(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("alone") / "alone.wav"
    virtual = VirtualInstrument(preset("six-string"), seed=9, rate_hz=RATE_HZ)
    virtual.tune(3)
    record(path, virtual, [Note(3, fret, ring_s=1.2) for fret in (3, 12)])
    return path


def test_what_was_rejected_is_said(capsys: Capsys, tmp_path: Path) -> None:
    """A fret of which no pluck could be read is missing from the list: here stands why."""
    virtual = VirtualInstrument(preset("six-string"), seed=4, rate_hz=RATE_HZ)
    notes = [Note(3, fret, ring_s=1.5) for fret in (0, 12, 5, 0, 12, 5)]
    record(tmp_path / "g.wav", virtual, [*notes, Note(3, 7, ring_s=0.15)])
    ran = Ran(capsys, "neck", tmp_path / "g.wav", "--string", "G3", "--plain")
    (line,) = (line for line in ran.out.splitlines() if line.startswith("rejected: "))
    assert "too short: let it ring" in line


def test_without_the_open_string_nothing_can_be_told(capsys: Capsys, frets_alone: Path) -> None:
    ran = Ran(capsys, "neck", frets_alone, "--string", "G3")
    assert (ran.code, ran.out) == (3, "")
    assert "G3: fret 3 1 time, fret 12 1 time" in ran.err
    lost = Ran(capsys, "neck", frets_alone, "--preset", "six-string")
    assert lost.code == 3
    assert "The lowest note in" in lost.err
    assert "A#3" in lost.err


def test_silence(capsys: Capsys, tmp_path: Path) -> None:
    virtual = VirtualInstrument(preset("six-string"), seed=9, rate_hz=RATE_HZ)
    record(tmp_path / "quiet.wav", virtual, [])
    ran = Ran(capsys, "neck", tmp_path / "quiet.wav", "--format", "json")
    assert (ran.code, ran.document["readings"]) == (3, [])


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("x.wav", "--session", "last"), "More than one of"),
        (("--frets", "12", "--no-keep"), "String 6 has too few of these frets"),
        (("--frets", "1,3", "--capo", "2", "--no-keep"), "Fret 1 does not sound"),
        (("--frets", "5,12", "--preset", "banjo-five", "--no-keep"), "String 5 has too few"),
        (("--string", "C4", "--no-keep"), "no C4 string"),
        (("x.wav", "--frets", "1", "--weights", "1:1"), "both given"),
        (("--weights", "24:1", "--no-keep"), "Fret 24 does not sound: those of the neck that do"),
        (("x.wav", "--frets", "0"), "no fret"),
        (("x.wav", "--frets", "1,two"), "no fret"),
        (("x.wav", "--weights", "12:-1"), "no weight"),
        (("x.wav", "--weights", "12"), "no weight"),
        (("x.wav", "--chord", "x32010"), "all strings"),
        (("x.wav", "--chord", "x3", "--preset", "six-string"), "no chord shape"),
        (("x.wav", "--play", "open chords"), "all strings"),
        (("x.wav", "--play", "jazz", "--preset", "nylon"), "nothing that is known"),
        (("x.wav", "--out", "x.gif"), "drawn"),
        (("x.wav", "--hear", "x.wav"), "no chord to hear"),
        (("x.wav", "--chord", "x32010", "--preset", "nylon", "--hear", "x.mp3"), "as sound"),
        (("x.wav", "x.wav"), "twice"),
        (("x.wav", "--preset", "nylon", "--instrument", "mine"), "both given"),
        (("x.wav", "--keep"), "--keep says nothing of recordings."),
        (("x.wav", "--record", "y.wav", "--takes", "2"), "--record and --takes say nothing of"),
        (("--session", "last", "--speak"), "--speak says nothing of a survey on record."),
        (
            ("--session", "last", "--channel", "2", "--jobs", "2"),
            "--channel and --jobs say nothing",
        ),
        (("--jobs", "2"), "--jobs says nothing by ear."),
        (("--resume", "--string", "E2"), "--string says nothing of a survey on record."),
        (("x.wav", "--tuning", "E2 H9"), "not a note"),
        (("x.wav", "--spread", "nan"), "makes no sense"),
        (("--string",), "requires an argument"),
    ],
)
def test_wrong_usage_is_told(capsys: Capsys, options: tuple[str, ...], says: str) -> None:
    ran = Ran(capsys, "neck", *options)
    assert (ran.code, ran.out) == (2, "")
    assert says in ran.err


def test_a_string_that_the_instrument_has_not(capsys: Capsys, frets_alone: Path) -> None:
    ran = Ran(capsys, "neck", frets_alone, "--string", "C#3", "--preset", "six-string")
    assert ran.code == 2
    assert "no C#3 string" in ran.err


def test_the_recordings_hold_what_they_should(guitar: Guitar) -> None:
    """The ills are there: a check on this test's own instrument."""
    assert guitar.true_terms(NUT_HIGH)[0] > 5.0
    assert guitar.true_cents(SADDLE_OFF, 12) == pytest.approx(10.0, abs=0.5)
    assert abs(cents_between(guitar.virtual.true_open_hz(6), 82.4069)) < 0.1


def test_frets_that_were_asked_for_and_not_heard_are_said(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Samples of our own: the 1st and the 12th fret are among what was played, the 2nd is not."""
    samples = sorted(Path("samples").glob("g3-neck-*.flac"))
    said = ("neck", *samples, "--string", "G3", "--scale", "648", "--frets")
    assert "not heard: of the frets asked for, 2, 6: worked out" in Ran(capsys, *said, "2,6,12").out
    assert "not heard" not in Ran(capsys, *said, "1,12").out
