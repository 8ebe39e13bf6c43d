"""One long recording of a whole instrument; folders and patterns of recordings."""

from __future__ import annotations

import json
import re
import sys
from dataclasses import replace
from pathlib import Path

import pexpect
import pytest
from recordings import RATE_HZ, Note, Ran, record

import pitchbench as pb
from pitchbench.analysis.offset import OffsetResult, Role
from pitchbench.analysis.whole import StringOffset, WholeInstrument, decide_strings
from pitchbench.instrument import Bridge, BridgeKind
from pitchbench.intonation.verdict import Decision
from pitchbench.presets import preset
from pitchbench.refit import with_tuning
from pitchbench.report.offset import what_to_do
from pitchbench.report.whole import in_short, row
from pitchbench.strings.virtual import VirtualInstrument

Capsys = pytest.CaptureFixture[str]

SAMPLE = Path(__file__).parents[2] / "samples" / "a2-open-and-12th-sharp.flac"

#: True offsets of the strings that are played, cents, and what the finger adds, take by take.
OFFSETS = {6: 9.0, 5: 0.0, 3: -8.0}
FINGER = (0.7, -0.6, -0.1)


def set_to(virtual: VirtualInstrument, string: int, offset_cents: float) -> None:
    for _ in range(4):
        error = virtual.true_offset_cents(string) - offset_cents
        virtual.move_saddle(string, error * virtual.instrument.scale_mm / 1731.2)
        virtual.tune(string)


def played(*strings: int, takes: int = 3) -> list[Note]:
    """String after string, open and 12th fret in turn."""
    return [
        Note(n, fret, ring_s=1.6, detune_cents=finger if fret else 0.0)
        for n in strings
        for finger in FINGER[:takes]
        for fret in (0, 12)
    ]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, VirtualInstrument]:
    """Four strings of six, one without its 12th fret, and a note that is no string's."""
    virtual = VirtualInstrument(preset("six-string"), seed=4, rate_hz=RATE_HZ)
    for string, cents in OFFSETS.items():
        set_to(virtual, string, cents)
    path = tmp_path_factory.mktemp("whole") / "all.wav"
    record(path, virtual, [*played(6, 5, 3), Note(4, ring_s=1.6), Note(1, 1, ring_s=1.6)])
    return path, virtual


@pytest.mark.parametrize(("semitones", "said"), [(-2, "2 semitones lower"), (2, "--capo 2")])
def test_another_tuning_or_a_capo_is_thought_of(
    capsys: Capsys, tmp_path: Path, semitones: int, said: str
) -> None:
    """The strings are played as they are; it is told that they are tuned two semitones off."""
    notes = [spec.note.up(-semitones) for spec in preset("six-string").strings]
    tuning = " ".join(str(note) for note in reversed(notes))
    virtual = VirtualInstrument(preset("six-string"), seed=4, rate_hz=RATE_HZ)
    record(tmp_path / "all.wav", virtual, played(6, 5, 4, 3, 2, 1, takes=1))
    ran = Ran(capsys, "offset", tmp_path / "all.wav", "--tuning", tuning, "--plain")
    assert said in ran.out + ran.err
    right = Ran(capsys, "offset", tmp_path / "all.wav", "--preset", "six-string", "--plain")
    assert "semitone" not in right.out + right.err
    # One string tuned otherwise is what it is.
    dropped = with_tuning(preset("six-string"), "D2 A2 D3 G3 B3 E4")
    of = VirtualInstrument(dropped, seed=4, rate_hz=RATE_HZ)
    record(tmp_path / "drop.wav", of, played(6, 5, 4, 3, 2, 1, takes=1))
    drop = Ran(capsys, "offset", tmp_path / "drop.wav", "--preset", "six-string", "--plain")
    assert "semitone" not in drop.out + drop.err


def test_every_string_has_its_verdict(
    capsys: Capsys, whole: tuple[Path, VirtualInstrument]
) -> None:
    path, virtual = whole
    ran = Ran(capsys, "offset", path, "--preset", "six-string", "--format", "json")
    assert ran.code == 0
    document = ran.document
    assert (document["schema"], document["instrument"]) == ("pitchbench.offsets/1", "six-string")
    assert document["semitones_off"] == 0
    strings = {each["string"]: each for each in document["strings"]}
    assert list(strings) == [1, 2, 3, 4, 5, 6]
    for n in (3, 5, 6):
        offset = strings[n]["offset"]
        assert offset["string"] == str(virtual.instrument.string(n).note)
        assert (offset["open"]["n"], offset["fretted"]["n"]) == (3, 3)
        low, high = offset["interval95_cents"]
        assert low < virtual.true_offset_cents(n) < high
        assert strings[n]["lacks"] is None
    assert strings[6]["offset"]["move"]["direction"] == "away_from_nut"
    assert strings[3]["offset"]["move"]["direction"] == "toward_nut"
    assert strings[5]["offset"]["move"] is None
    for n, lacks in ((1, "not heard"), (2, "not heard"), (4, "no reading of the 12th fret")):
        assert strings[n]["offset"] is None
        assert lacks in strings[n]["lacks"]
    assert [each["note"] for each in document["of_no_string"]] == ["F4"]


def test_two_strings_on_one_saddle_get_one_move_the_mean(
    capsys: Capsys, whole: tuple[Path, VirtualInstrument]
) -> None:
    """Strings 6 and 5, 9 cents and none off; of 3 and 4 string 3 alone was heard well: it would be
    moved by itself, and waits."""
    path, _ = whole
    asked = ("offset", path, "--preset", "paired-saddles")
    document = Ran(capsys, *asked, "--format", "json").document
    waits, saddle = sorted(document["saddles"], key=lambda each: each["strings"])
    three = document["strings"][2]["offset"]
    assert (waits["strings"], waits["waits_for"]) == ([3, 4], [4])
    assert (waits["verdict"], waits["move"]) == ("take_more", None)
    assert three["verdict"] == "take_more"
    assert {three[key] for key in ("move", "p_moved", "more_takes")} == {None}
    assert re.search(r"cents: within 2 cents with \d+ % probability\.$", three["explanation"])
    assert saddle["waits_for"] == []
    assert (saddle["strings"], saddle["verdict"]) == ([5, 6], "move")
    assert saddle["move"]["mm"] == pytest.approx(4.5 * 648.0 / 1731.2, abs=0.2)
    assert saddle["move"]["out_of_travel"] is False
    assert saddle["move"]["cautions"]
    # It is made once, by neither string; and what is said of a string is its own.
    five, six = (document["strings"][n - 1] for n in (5, 6))
    for string in (five, six):
        assert (string["offset"]["verdict"], string["offset"]["move"]) == ("move", None)
        assert string["mean"]["offset_cents"] == pytest.approx(4.5, abs=0.5)
        assert string["mean"]["p_within"] < 0.1 < 0.5 < string["mean"]["p_moved"]
        assert string["offset"]["p_moved"] is None
    assert six["offset"]["p_within"] < 0.01 < 0.5 < five["offset"]["p_within"]
    # Half of their difference stays on either.
    left = [string["left_at_best_cents"] for string in (five, six)]
    assert left == pytest.approx([-4.5, 4.5], abs=0.6)
    assert document["strings"][2]["mean"] is None
    out = Ran(capsys, *asked, "--plain").out
    assert out.startswith("do: Move 1 saddle, 1 saddle waits, 1 string could not be judged,")
    assert "flat. The saddle waits for string 4, which shares it and is not known yet." in out
    said = re.search(r"one saddle: strings 5 and 6 go by the mean of what they ask for; (.*)", out)
    n, most = max(zip((5, 6), left, strict=True), key=lambda each: abs(each[1]))
    assert said is not None
    assert said[1].replace("−", "-") == (
        f"at best it leaves {most:+.1f} cents on string {n} and no more on the other"
    )
    assert ": the mean within 2 cents with " in out
    assert "cents, the mean of its saddle +4." in out


def test_a_saddle_waits_for_all_its_strings(capsys: Capsys, tmp_path: Path) -> None:
    """String 6 would be moved by itself; string 5 was played once."""
    virtual = VirtualInstrument(preset("six-string"), seed=4, rate_hz=RATE_HZ)
    for string in (6, 5):
        set_to(virtual, string, 9.0)
    record(tmp_path / "two.wav", virtual, [*played(6), *played(5, takes=1)])
    said = []
    for kind in ("six-string", "paired-saddles"):
        ran = Ran(capsys, "offset", tmp_path / "two.wav", "--preset", kind, "--format", "json")
        strings = {each["string"]: each["offset"] for each in ran.document["strings"]}
        said.append((strings[6]["verdict"], strings[5]["verdict"]))
    assert said == [("move", "take_more"), ("take_more", "take_more")]


def test_each_string_comes_to_what_it_comes_to_alone(
    capsys: Capsys, whole: tuple[Path, VirtualInstrument]
) -> None:
    path, _ = whole
    options = (path, "--preset", "six-string", "--format", "json")
    together = Ran(capsys, "offset", *options).document["strings"][5]["offset"]
    alone = Ran(capsys, "offset", *options, "--string", "E2").document
    for key in ("offset_cents", "u_cents", "verdict", "move"):
        assert together[key] == alone[key]


def test_lines_say_what_there_is_to_do_first(
    capsys: Capsys, whole: tuple[Path, VirtualInstrument]
) -> None:
    lines = Ran(capsys, "offset", whole[0], "--preset", "six-string").out.splitlines()
    assert lines[0].startswith("do: Move 2 saddles, ")
    said = dict(line.split(": ", 1) for line in lines)
    assert "Move the saddle" in said["string 6, E2"]
    assert "away from the nut" in said["string 6, E2"]
    assert "toward the nut" in said["string 3, G3"]
    assert said["string 2, B3"] == "It was not heard."
    assert sum(line.startswith("mind: Slacken the string") for line in lines) == 1


def test_what_is_filed_is_told_so_and_what_cannot_go_so_far_is_not_counted_as_a_move(
    capsys: Capsys, whole: tuple[Path, VirtualInstrument]
) -> None:
    """A steel-string guitar's saddle has 1 mm each way, and 8 cents ask for 3; three takes say that
    surely of one of the two."""
    lines = Ran(
        capsys, "offset", whole[0], "--preset", "steel-acoustic", "--plain"
    ).out.splitlines()
    assert lines[0].startswith("do: 1 saddle cannot go so far, take more of 2 strings, ")
    assert sum("The saddle cannot go so far" in line for line in lines) == 1
    heard = pb.offset(pb.read(SAMPLE), "A2").plucks
    filed = replace(
        preset("six-string"),
        bridge=Bridge(BridgeKind.FIXED_SADDLE, travel_toward_nut_mm=9.0, travel_away_mm=9.0),
    )
    told = decide_strings({5: heard}, filed, a4_hz=440.0)
    assert in_short(told).startswith("File 1 break point, ")
    (last,) = (row(each)[-1] for each in told.strings if each.string == 5)
    assert re.fullmatch(r"file \d\.\d mm away from the nut \(short of the mark: .* in all\)", last)


def test_a_row_says_in_short_what_is_lacking() -> None:
    found = pb.offset(pb.read(SAMPLE), "A2")
    opens = tuple(each for each in found.plucks if getattr(each, "role", None) is Role.OPEN)
    whole = decide_strings({5: opens}, preset("six-string"), a4_hz=440.0)
    last = {each.string: row(each)[-1] for each in whole.strings}
    assert last[5] == "no reading of the 12th fret of the A2 string"
    assert last[6] == "not heard"
    assert "; heard: A2 " in (whole.strings[4].lacks or "")


@pytest.mark.parametrize("columns", [40, 80, 120])
def test_the_table_fits_and_breaks_no_word(
    whole: tuple[Path, VirtualInstrument], columns: int
) -> None:
    program = "from pitchbench.commands import main; main()"
    child = pexpect.spawn(
        sys.executable,
        ["-c", program, "offset", str(whole[0]), "--preset", "six-string"],
        dimensions=(40, columns),
        env={"TERM": "xterm", "LC_ALL": "C.UTF-8", "NO_COLOR": "1", "PATH": ""},
        encoding="utf-8",
        timeout=120,
    )
    child.expect(pexpect.EOF)
    # Without the bar that shows how far it has listened.
    shown = re.sub(r"\x1b\[[0-9;?]*[a-z]", "", child.before, flags=re.I).split("\r\n")
    shown = [line for line in shown if "Listening" not in line]
    assert max(map(len, shown)) <= columns
    for string in ("6 E2", "5 A2", "4 D3", "3 G3", "2 B3", "1 E4"):
        assert sum(line.startswith(string) for line in shown) == 1
    words = " ".join(" ".join(shown).split())
    assert "counterclockwise" in words or "clockwise" in words


def test_one_string_alone_is_told_as_before(capsys: Capsys, tmp_path: Path) -> None:
    virtual = VirtualInstrument(preset("six-string"), seed=4, rate_hz=RATE_HZ)
    record(tmp_path / "a.wav", virtual, played(5, takes=1))
    options = ("--preset", "six-string", "--format", "json")
    assert Ran(capsys, "offset", tmp_path / "a.wav", *options).document["schema"] == (
        "pitchbench.offset/1"
    )


def test_a_note_that_two_strings_have_is_of_the_one_played_around_it(
    capsys: Capsys, tmp_path: Path
) -> None:
    """Drop D: the 12th fret of the lowest string is the open D string."""
    dropped = with_tuning(preset("six-string"), "D2 A2 D3 G3 B3 E4")
    virtual = VirtualInstrument(dropped, seed=4, rate_hz=RATE_HZ)
    record(tmp_path / "a.wav", virtual, played(6, 5, 4))
    options = ("--tuning", "D2 A2 D3 G3 B3 E4", "--format", "json")
    document = Ran(capsys, "offset", tmp_path / "a.wav", *options).document
    for string in (4, 5, 6):
        offset = document["strings"][string - 1]["offset"]
        assert (offset["open"]["n"], offset["fretted"]["n"]) == (3, 3)
        assert offset["offset_cents"] == pytest.approx(
            virtual.true_offset_cents(string), abs=3.0 * offset["u_cents"]
        )
        # Three steady takes of each note: a hand that is not known is taken to spread by 2 cents.
        assert offset["u_cents"] < 2.0


def test_an_octave_string_is_not_told_from_the_string_below_it(
    capsys: Capsys, tmp_path: Path
) -> None:
    """The open E3 is the 12th fret of E2: that the former was not heard would not be true."""
    virtual = VirtualInstrument(preset("twelve-string"), seed=2, rate_hz=RATE_HZ)
    record(tmp_path / "twelve.wav", virtual, played(11, 12, 9, takes=1))
    ran = Ran(
        capsys, "offset", tmp_path / "twelve.wav", "--preset", "twelve-string", "--format", "json"
    )
    lacks = {each["string"]: each["lacks"] for each in ran.document["strings"]}
    assert lacks[12] == "Its open note is that of string 11 at the 12th fret: record the two apart."
    assert lacks[11] is None
    assert lacks[5] == "It was not heard."


def test_no_string_with_both_notes(capsys: Capsys, tmp_path: Path) -> None:
    virtual = VirtualInstrument(preset("six-string"), seed=4, rate_hz=RATE_HZ)
    record(tmp_path / "a.wav", virtual, [Note(6), Note(5)])
    ran = Ran(capsys, "offset", tmp_path / "a.wav", "--preset", "six-string")
    assert ran.code == 3
    # Those that were heard first, the others in a word.
    assert "No string can be judged: string 5: There is no reading of the 12th" in ran.err
    assert "; strings 1, 2, 3 and 4: not heard.\n" in ran.err
    assert ".;" not in ran.err


def test_an_octave_string_is_not_called_silent_where_nothing_can_be_judged(
    capsys: Capsys, tmp_path: Path
) -> None:
    """The open E3 alone is taken for the 12th fret of E2: what was played is told to be kept
    apart, after the strings that plucks were put to."""
    virtual = VirtualInstrument(preset("twelve-string"), seed=2, rate_hz=RATE_HZ)
    record(tmp_path / "octave.wav", virtual, [Note(12), Note(9)])
    ran = Ran(capsys, "offset", tmp_path / "octave.wav", "--preset", "twelve-string")
    assert ran.code == 3
    apart = "string 12: Its open note is that of string 11 at the 12th fret: record the two apart"
    assert apart in ran.err
    assert ran.err.index("string 9: ") < ran.err.index("string 11: There") < ran.err.index(apart)
    assert ran.err.index(apart) < ran.err.index("not heard.\n")


# -- folders and patterns ----------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("from-anna")
    virtual = VirtualInstrument(preset("six-string"), seed=4, rate_hz=RATE_HZ)
    for name in ("take 10.wav", "take 2.wav", "Take 1.WAV"):
        record(folder / name, virtual, [Note(6, ring_s=1.2)])
    (folder / "notes.txt").write_text("no sound")
    (folder / ".hidden.wav").write_bytes(b"")
    (folder / "older").mkdir()
    return folder


def heard(capsys: Capsys, *named: str | Path) -> list[str]:
    document = json.loads(Ran(capsys, "read", *named, "--format", "json").out)
    return [Path(each["file"]).name for each in document["sounds"]]


def test_a_folder_stands_for_its_recordings_in_order(capsys: Capsys, folder: Path) -> None:
    assert heard(capsys, folder) == ["Take 1.WAV", "take 2.wav", "take 10.wav"]


def test_a_pattern_in_quotes_is_expanded(capsys: Capsys, folder: Path) -> None:
    assert heard(capsys, folder / "take*.wav") == ["take 2.wav", "take 10.wav"]
    assert heard(capsys, folder / "take ?.wav", folder / "*.WAV") == ["take 2.wav", "Take 1.WAV"]


def test_a_file_whose_name_looks_like_a_pattern_is_that_file(
    capsys: Capsys, folder: Path, tmp_path: Path
) -> None:
    (tmp_path / "[1].wav").write_bytes((folder / "take 2.wav").read_bytes())
    assert heard(capsys, tmp_path / "[1].wav") == ["[1].wav"]


def test_nothing_there(capsys: Capsys, folder: Path) -> None:
    for named, says in (
        (folder / "older", "There is no recording in"),
        (folder / "*.mp3", "Nothing"),
    ):
        ran = Ran(capsys, "read", named)
        assert (ran.code, ran.out) == (2, "")
        assert says in ran.err


def test_what_is_no_name_at_all(capsys: Capsys) -> None:
    for named in ("x" * 5000, "[" + "x" * 5000 + "]*"):
        ran = Ran(capsys, "read", named)
        assert (ran.code, ran.out) == (2, "")


# -- on the border -----------------------------------------------------------------------------


def test_a_string_on_the_border_is_not_told_to_be_left_or_moved() -> None:
    """Neither is sure: both chances are said, and it is counted apart."""
    takes = pb.read(SAMPLE)
    guitar = preset("six-string")
    found = pb.offset(takes, "A2")
    for decision in (Decision.LEAVE, Decision.MOVE):
        verdict = replace(found.verdict, decision=decision, border=True, p_within=0.55, p_moved=0.7)
        result = OffsetResult(**{**vars(found), "verdict": verdict}, instrument=guitar, move=None)
        assert what_to_do(result) == (
            "On the border: 55 % good if left, 70 % if moved; more takes would hardly decide it."
        )
        string = StringOffset(5, guitar.string(5).note, found.plucks, result, None, None)
        whole = WholeInstrument(440.0, 12, guitar, (), (string,), ())
        assert in_short(whole) == "1 is on the border."
        assert row(string)[-1] == what_to_do(result)
