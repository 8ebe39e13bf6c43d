"""``pitchbench instrument``: by options, by questions, and what it refuses."""

from __future__ import annotations

from datetime import date

import pytest
import stores
from click.testing import CliRunner
from documents import parsed

from pitchbench.commands import cli
from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.instrument import BridgeKind, Instrument, Material, ScrewHeads
from pitchbench.notes import Note
from pitchbench.presets import PRESETS, preset
from pitchbench.records.documents import from_document
from pitchbench.records.repository import Repository


@pytest.fixture(autouse=True)
def store(monkeypatch, tmp_path):
    place = tmp_path / "records.sqlite"
    monkeypatch.setenv("PITCHBENCH_STORE", str(place))
    return place


def run(*words: str, answers: str | None = None):
    result = CliRunner().invoke(cli, ["instrument", *words], input=answers)
    if isinstance(result.exception, PitchbenchError):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result


def kept(name: str) -> Instrument:
    with Repository.open() as repository:
        return repository.instrument(name).instrument


def test_two_answers_put_an_instrument_on_record():
    result = run("add", answers="Blue bass\nbass-four\n\n")
    assert kept("Blue bass").strings == preset("bass-four").strings
    assert result.stdout == ""


def test_the_second_answer_may_be_a_number_and_a_wrong_one_is_asked_again():
    number = list(PRESETS).index("post-bar") + 1
    run("add", answers=f"Mine\n99\n{number}\nn\n")
    assert kept("Mine").bridge == preset("post-bar").bridge


def test_two_answers_are_enough_even_if_the_dialogue_is_left_then():
    CliRunner().invoke(cli, ["instrument", "add"], input="Mine\n1\n")
    assert kept("Mine").kind == "electric guitar"


def test_the_details_can_be_gone_through():
    answers = (
        "Mine\n1\ny\nD2 A2 D3 G3 B3 E4\n\nnot a day\n2026-02-01\n640\n\nneck\n0.7\n2.1\n\n\nAnna\n"
    )
    run("add", answers=answers)
    guitar = kept("Mine")
    assert guitar.string(6).note == Note.parse("D2")
    assert guitar.strings_fitted == date(2026, 2, 1)
    assert (guitar.scale_mm, guitar.action_mm, guitar.owner_mark) == (640.0, 2.1, "Anna")
    assert guitar.bridge.screw_heads is ScrewHeads.NECK
    assert guitar.bridge.screw_pitch_mm == 0.7
    assert guitar.relief_mm == preset("six-string").relief_mm


def test_everything_can_be_said_by_options():
    words = [
        *("add", "Full", "--like", "six-string", "--tuning", "D2 A2 D3 G3 B3 E4"),
        *("--gauges", "11 14 18 28w 38w 52w", "--cores", "- - - 0.36 0.4 0.45"),
        *("--materials", "steel,steel,steel,bronze-wound steel,bronze-wound steel,steel"),
        *("--scale", "635", "--bridge", "paired-saddles", "--pairs", "1-2 3-4 5-6"),
        *("--screw-pitch", "0.6", "--screw-heads", "neck", "--travel", "2", "4.5"),
        *("--setback", "1 1.5 2 1 1.5 2", "--frets", "21", "--left-handed", "--fretless"),
        *("--tolerance", "1.5", "--action", "1.7", "--relief", "0.15", "--temperature", "20"),
        *("--kind", "old thing", "--owner-mark", "A. 12", "--string-set", "my set"),
        *("--strings-fitted", "2026-02-01", "--notes", "neck <b>moved</b>"),
    ]
    run(*words)
    guitar = kept("Full")
    assert [str(s.note) for s in guitar.strings] == ["E4", "B3", "G3", "D3", "A2", "D2"]
    assert guitar.string(1).diameter_mm == pytest.approx(0.011 * 25.4)
    assert [s.core_mm for s in guitar.strings] == [None, None, None, 0.36, 0.4, 0.45]
    assert guitar.string(4).material is Material.BRONZE_WOUND
    bridge = guitar.bridge
    assert (bridge.kind, bridge.pairs) == (BridgeKind.PAIRED_SADDLES, ((1, 2), (3, 4), (5, 6)))
    assert (bridge.screw_pitch_mm, bridge.screw_heads) == (0.6, ScrewHeads.NECK)
    assert (bridge.travel_toward_nut_mm, bridge.travel_away_mm) == (2.0, 4.5)
    assert guitar.setback_mm == (1.0, 1.5, 2.0, 1.0, 1.5, 2.0)
    assert (guitar.frets, guitar.left_handed, guitar.fretless) == (21, True, True)
    assert (guitar.tolerance_cents, guitar.action_mm, guitar.relief_mm) == (1.5, 1.7, 0.15)
    assert (guitar.temperature_c, guitar.kind) == (20.0, "old thing")
    assert (guitar.owner_mark, guitar.string_set) == ("A. 12", "my set")
    assert (guitar.strings_fitted, guitar.notes) == (date(2026, 2, 1), "neck <b>moved</b>")


def test_an_edit_changes_only_what_is_said():
    run("add", "Mine", "--action", "1.8", "--notes", "keep me")
    run("edit", "Mine", "--action", "2.2", "--rename", "Yours", "--forget", "relief")
    guitar = kept("Yours")
    assert (guitar.action_mm, guitar.relief_mm, guitar.notes) == (2.2, None, "keep me")


def test_tuning_and_gauges_together_may_change_the_number_of_strings():
    notes, gauges = "F#1 B1 E2 A2 D3 G3 B3 E4", "10 13 17 26w 36w 46w 62w 74w"
    run("add", "Eight", "--tuning", notes, "--gauges", gauges)
    guitar = kept("Eight")
    assert len(guitar.strings) == 8
    assert guitar.string(8).wound
    assert guitar.string(8).note == Note.parse("F#1")


def test_show_prints_what_is_known_and_its_json_reads_back():
    run("add", "Mine", "--strings-fitted", "2026-02-01")
    assert "strings fitted: 2026-02-01\n" in run("show", "mine").stdout
    document = parsed(run("show", "mine", "--format", "json").stdout)
    assert document["schema"] == "pitchbench.instrument/1"
    assert from_document(document["instrument"], Instrument) == kept("Mine")


def test_a_name_cannot_steer_the_terminal():
    name = "\x1b[2Jevil\u202e"
    run("add", name)
    for words in (("list",), ("show", name)):
        output = run(*words).output
        assert "\x1b" not in output
        assert "\u202e" not in output
        assert "\\x1b[2Jevil" in output


def test_an_instrument_with_sessions_is_not_removed_by_the_way():
    run("add", "Mine")
    with Repository.open() as repository:
        setup = stores.a_setup(kept("Mine"))
        repository.begin_session(setup, at=stores.NOON)
    with pytest.raises(PitchbenchError, match="1 session on record"):
        run("remove", "Mine")
    run("remove", "Mine", "--with-sessions")
    assert run("list").stdout == ""


@pytest.mark.parametrize(
    "words",
    [
        ["--tuning", "E2 A2"],
        ["--tuning", "H9"],
        ["--gauges", "10"],
        ["--cores", "1 2"],
        ["--cores", "0.2 - - - - -"],
        ["--cores", "- - - x - -"],
        ["--materials", "cheese"],
        ["--materials", "steel,steel"],
        ["--scale", "-3"],
        ["--scale", "nan"],
        ["--pairs", "1-9"],
        ["--pairs", "1-2 2-3"],
        ["--pairs", "x"],
        ["--setback", "1 2 3"],
        ["--action", "200"],
        ["--strings-fitted", "yesterday"],
        ["--notes", "x" * 3000],
        ["--notes", "a\0b"],
        ["--like", "nothing"],
    ],
)
def test_nonsense_is_refused_and_nothing_is_kept(words):
    with pytest.raises(PitchbenchError) as caught:
        run("add", "Mine", *words)
    assert caught.value.exit_code == ExitCode.USAGE
    assert run("list").stdout == ""


@pytest.mark.parametrize(
    ("name", "why"), [("", "is empty"), ("   ", "is empty"), ("\ud800", "cannot be kept")]
)
def test_a_name_that_cannot_be_kept_is_refused(name, why):
    with pytest.raises(PitchbenchError, match=why):
        run("add", name)


def test_what_was_changed_is_said_kept_and_taken_back():
    run("add", "Mine")
    said = run("edit", "Mine", "--action", "2.5", "--owner-mark", "A 7").stderr.splitlines()
    assert said == [
        "Changed: Mine.",
        "  action at the 12th fret: 1.8 mm -> 2.5 mm",
        "  owner: not known -> A 7",
    ]
    assert run("edit", "Mine", "--action", "2.5").stderr == "As before: Mine.\n"
    shown = run("show", "Mine", "--earlier").stdout
    assert shown.splitlines()[-2:] == said[1:]
    (earlier,) = parsed(run("show", "Mine", "--format", "json").stdout)["earlier"]
    assert earlier["instrument"]["action_mm"] == 1.8
    undone = run("edit", "Mine", "--undo").stderr
    assert "--undo once more takes this back" in undone
    assert (kept("Mine").action_mm, kept("Mine").owner_mark) == (1.8, "")
    run("edit", "Mine", "--undo")  # a change as any other, so it is taken back as well
    assert kept("Mine").action_mm == 2.5


def test_what_was_never_changed_has_nothing_to_take_back():
    run("add", "Mine")
    with pytest.raises(PitchbenchError, match="never changed"):
        run("edit", "Mine", "--undo")


def test_a_removed_instrument_is_listed_and_put_back():
    run("add", "Mine")
    with Repository.open() as repository:
        repository.begin_session(stores.a_setup(kept("Mine")), at=stores.NOON)
    assert "restore Mine" in run("remove", "Mine", "--with-sessions").stderr
    assert run("list").stdout == ""
    assert run("restore").stdout.startswith("Mine: removed ")
    assert run("restore").stdout.endswith(", 1 session\n")
    assert run("restore", "mine").stderr == "On record again: Mine, 1 session.\n"
    assert "1 session, last" in run("list").stdout
    with pytest.raises(PitchbenchError, match="was removed") as caught:
        run("restore", "Mine")
    assert caught.value.exit_code == ExitCode.RECORDS


def test_what_was_removed_can_be_removed_for_good():
    run("add", "Mine")
    run("remove", "Mine")
    run("remove", "Mine", "--for-good")
    assert run("restore").stdout == ""
    run("add", "Mine")
    run("remove", "Mine", "--for-good")
    assert run("restore").stdout == ""


def test_what_only_the_preset_says_is_told_from_what_was_said():
    run("add", "Lent", "--like", "bass-four")
    shown = run("show", "Lent").stdout
    assert "as the preset has it, not measured: strings, action, relief" in shown
    run("edit", "Lent", "--action", "2.1", "--relief", "0.2", "--strings-fitted", "2026-01-10")
    assert "not measured" not in run("show", "Lent").stdout


def test_nothing_was_done_on_a_day_to_come():
    run("add", "Lent", "--like", "bass-four")
    with pytest.raises(PitchbenchError, match="9999-01-01 is still to come"):
        run("edit", "Lent", "--strings-fitted", "9999-01-01")


def test_no_strings_are_older_than_anybody_plays():
    run("add", "Lent", "--like", "bass-four", "--strings-fitted", "1950-01-01")
    with pytest.raises(PitchbenchError, match="1850-01-01 is longer ago than strings last"):
        run("edit", "Lent", "--strings-fitted", "1850-01-01")
