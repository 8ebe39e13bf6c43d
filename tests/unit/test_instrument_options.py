"""One option, one name: what the commands are told of an instrument, and what was said before."""

from __future__ import annotations

import click
import pytest
from recordings import Ran

from pitchbench.commands import REGISTRY, cli
from pitchbench.commands.instrument_options import known_options, with_details
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import ScrewHeads
from pitchbench.presets import preset
from pitchbench.refit import with_gauges

Capsys = pytest.CaptureFixture[str]

#: Which command knows which option by an older name.
OLDER = {
    ("offset", "--pitch-per-turn"): "--screw-pitch",
    ("neck", "--pitch-per-turn"): "--screw-pitch",
    ("forecast", "--strings"): "--gauges",
}


@pytest.mark.parametrize(("command", "older"), OLDER)
def test_older_names_work_and_are_not_shown(capsys: Capsys, command: str, older: str) -> None:
    shown = Ran(capsys, command, "--help").out
    assert OLDER[command, older] in shown
    assert older not in shown
    leaf = cli.get_command(click.Context(cli), command)
    assert leaf is not None
    (option,) = [each for each in leaf.params if older in each.opts]
    assert option.opts == [OLDER[command, older], older]


@pytest.mark.parametrize("spelling", ["--screw-pitch", "--pitch-per-turn"])
def test_both_spellings_say_the_same(spelling: str) -> None:
    @click.command()
    @known_options()
    def heard(**said: object) -> object:
        return said["screw_pitch"]

    assert heard.main([spelling, "0.7"], standalone_mode=False) == 0.7


def test_the_same_words_for_gauges(capsys: Capsys) -> None:
    gauges = "11 14 18 28w 38w 49w"
    now, before = (Ran(capsys, "forecast", name, gauges).out for name in ("--gauges", "--strings"))
    assert now == before
    assert "string 1 tension" in now


def test_strings_are_which_strings_wherever_they_are_shown(capsys: Capsys) -> None:
    for name in REGISTRY:
        command = cli.get_command(click.Context(cli), name)
        assert command is not None
        for option in command.params:
            if option.opts[0] == "--strings":
                assert "in this order" in (getattr(option, "help", "") or ""), name


def test_details_not_given_leave_things_as_they_are() -> None:
    guitar = preset("six-string")
    assert with_details(guitar, {"scale": None, "screw_heads": None}) == guitar
    changed = with_details(guitar, {"scale": (628.0,), "screw_pitch": 0.5, "screw_heads": "tail"})
    assert changed.scale_mm == 628.0
    assert changed.bridge.screw_pitch_mm == 0.5
    assert changed.bridge.screw_heads is ScrewHeads.TAIL


def test_each_list_of_pairs_is_spoken_of_as_what_it_is() -> None:
    for option, words in (("pairs", "share a saddle"), ("courses", "are played as one")):
        for text in ("1-2 2-3", "1-9"):
            with pytest.raises(PitchbenchError) as refused:
                with_details(preset("six-string"), {option: text})
            assert words in str(refused.value)


def test_the_first_string_lends_a_new_set_nothing_of_its_own() -> None:
    strict = with_details(preset("six-string"), {"tolerance": (3.0, 2.0, 2.0, 2.0, 2.0, 2.0)})
    seven = with_details(
        strict, {"tuning": "B1 E2 A2 D3 G3 B3 E4", "gauges": "10 13 17 26w 36w 46w 62w"}
    )
    assert len(seven.strings) == 7
    assert {spec.tolerance_cents for spec in seven.strings} == {None}


def test_another_number_of_strings_has_no_courses_or_saddles_of_the_old_one() -> None:
    """Strings of a course ask for a muted partner; the E and the B of a six-string are none."""
    six = {"tuning": "E3 A3 D4 G4 B3 E4", "gauges": "10 14 9 12 18 27w"}
    octaves = with_details(preset("twelve-string"), six)
    assert (octaves.courses, octaves.bridge.pairs) == ((), ())
    said = with_details(preset("twelve-string"), {**six, "pairs": "1-2", "courses": "3-4"})
    assert (said.courses, said.bridge.pairs) == (((3, 4),), ((1, 2),))
    six_on_a_bar = with_details(preset("banjo-five"), six)
    assert six_on_a_bar.bridge.pairs == ((1, 2, 3, 4, 5, 6),)


def test_a_wrong_number_of_strings_says_what_would_do() -> None:
    with pytest.raises(PitchbenchError, match="--tuning and --gauges together"):
        with_details(preset("six-string"), {"tuning": "G4 C4 E4 A4"})


def test_there_may_be_no_courses_and_how_is_said(capsys: Capsys) -> None:
    for option in ("pairs", "courses"):
        with pytest.raises(PitchbenchError, match='or "" for none'):
            with_details(preset("twelve-string"), {option: "none"})
        alone = with_details(preset("twelve-string"), {option: ""})
        assert () in (alone.courses, alone.bridge.pairs)
    words = " ".join(Ran(capsys, "instrument", "add", "--help").out.split())
    assert words.count('"" if none are.') == 2


@pytest.mark.parametrize("gauges", ["45 65 85 105", ".045 .065 .085 .105"])
def test_steel_too_thick_to_be_plain_is_wound(gauges: str) -> None:
    """As the sets of basses are written; a plain .026 is made, and nylon is plain up to .043."""
    wound = with_gauges(preset("bass-four"), gauges)
    assert wound.strings == with_gauges(preset("bass-four"), "45w 65w 85w 105w").strings
    wires = with_gauges(preset("six-string"), "10 13 17 26 36 46").strings
    assert [wire.wound for wire in wires] == [False] * 4 + [True] * 2
    nylon = with_gauges(preset("nylon"), "28 32 40 29w 35w 43w").strings
    assert [wire.wound for wire in nylon] == [False] * 3 + [True] * 3
