"""What-if: tension, offsets and saddles after a change, with their ranges and warnings."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from documents import parsed
from stores import a_setup, an_offset

from pitchbench.belief import Belief
from pitchbench.commands import cli
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.intonation.bridge import Direction, Rotation
from pitchbench.presets import PRESETS, preset
from pitchbench.records.repository import Repository
from pitchbench.refit import with_capo, with_gauges, with_tuning
from pitchbench.session.log import Outcome, OutcomeEntry
from pitchbench.strings.forecast import Forecast, Hazard, forecast
from pitchbench.strings.virtual import VirtualInstrument

TONE_DOWN = "D2 G2 C3 F3 A3 D4"


def hazards(made: Forecast) -> set[Hazard]:
    return {w.hazard for w in made.warnings} | {
        w.hazard for string in made.strings for w in string.warnings
    }


def test_nothing_changed_changes_nothing() -> None:
    guitar = preset("six-string")
    made = forecast(guitar, guitar)
    for string in made.strings:
        assert string.change.centre == 0
        assert string.change.u == 0
        assert string.move is not None
        assert string.move.mm == 0
    assert not hazards(made)


def test_down_two_semitones() -> None:
    """T x 0.794, kappa x 1.26, b x 1.12 (so B x 1.26): derived; definitions, section 5."""
    guitar = preset("six-string")
    for string in forecast(guitar, with_tuning(guitar, TONE_DOWN)).strings:
        assert string.after.tension_n / string.before.tension_n == pytest.approx(0.794, abs=5e-4)
        kappas = string.after.stretch_kappa / string.before.stretch_kappa
        assert kappas == pytest.approx(1.26, abs=5e-3)
        assert string.after.stiffness_b / string.before.stiffness_b == pytest.approx(1.26, abs=5e-3)


def test_slacker_strings_go_sharper_and_the_saddle_back() -> None:
    guitar = preset("six-string")
    made = forecast(guitar, with_tuning(guitar, TONE_DOWN))
    for string in made.strings:
        assert string.change.interval()[0] > 0
        assert string.move is not None
        assert string.move.direction is Direction.AWAY_FROM_NUT
        assert string.move.rotation is Rotation.CLOCKWISE  # heads at the tail
        assert string.move.turns == pytest.approx(string.move.mm / 0.5)
    assert Hazard.RELIEF in hazards(made)


def test_action_by_the_quadratic_law() -> None:
    """Q12 = 2 (a/s)^2 without a nut height or a finger: C kappa (Q' - Q)/2 cents (derived)."""
    guitar = replace(preset("six-string"), action_mm=1.5)
    made = forecast(guitar, replace(guitar, action_mm=2.5))
    string = made.strings[0]
    q = [2.0 * (action / guitar.scale_mm) ** 2 for action in (1.5, 2.5)]
    by_hand = 1731.234 * string.before.stretch_kappa * (q[1] - q[0]) / 2.0
    # The law puts the string straight on the fretboard; the finger behind the fret adds a little.
    assert string.change.centre == pytest.approx(by_hand, rel=0.15)


@pytest.mark.parametrize(
    "change",
    [
        lambda guitar: with_tuning(guitar, TONE_DOWN),
        lambda guitar: replace(guitar, action_mm=2.6),
        lambda guitar: with_gauges(guitar, "11 14 18 28w 38w 49w"),
    ],
    ids=["tuning", "action", "gauges"],
)
def test_what_the_virtual_instrument_does_lies_in_the_range(change) -> None:
    """The virtual string has one clamped end, which is the edge of what is allowed for."""
    guitar = preset("six-string")
    changed: Instrument = change(guitar)
    made = forecast(guitar, changed)
    inside = 0
    for string in range(1, 7):
        offsets = []
        for instrument in (guitar, changed):
            virtual = VirtualInstrument(instrument, seed=1)
            # The same saddle and nut for both, not those that were drawn.
            virtual._string(string).setback_mm = 2.0
            virtual._string(string).nut_setback_mm = 0.0
            virtual.tune(string)
            offsets.append(virtual.true_offset_cents(string))
        low, high = made.strings[string - 1].change.interval()
        inside += low <= offsets[1] - offsets[0] <= high
    assert inside == 6


def test_a_measured_offset_anchors_the_expectation() -> None:
    guitar = preset("six-string")
    down = with_tuning(guitar, TONE_DOWN)
    free = forecast(guitar, down).strings[5]
    anchored = forecast(guitar, down, anchors={6: Belief.normal(3.0, 1.0)}).strings[5]
    assert free.expected is None
    assert anchored.expected.centre == pytest.approx(3.0 + free.change.centre)
    assert anchored.expected.u == pytest.approx((free.change.u**2 + 1.0) ** 0.5)
    assert anchored.move.mm > free.move.mm


def test_what_a_few_takes_left_open_stays_open() -> None:
    """Where nothing changes the range is the measurement's, tails and all; a change widens it."""
    guitar = preset("six-string")
    measured = Belief(-14.3, 1.5, 4.5)
    same = forecast(guitar, guitar, anchors={3: measured}).strings[2].expected
    assert same.interval() == pytest.approx(measured.interval(), abs=1e-6)
    changed = forecast(guitar, with_tuning(guitar, TONE_DOWN), anchors={3: measured}).strings[2]
    assert changed.expected.half() > measured.half()


def test_one_saddle_makes_one_move() -> None:
    """For the mean of the strings that lie on it: one was to go away, the other toward the nut."""
    paired = preset("paired-saddles")
    anchors = {1: Belief.normal(9.0, 1.0), 2: Belief.normal(-3.0, 1.0)}
    one, other, apart = forecast(paired, paired, anchors=anchors).strings[:3]
    assert one.move.mm == other.move.mm
    alone = forecast(paired, paired, anchors={1: Belief.normal(3.0, 1.0)}).strings[0]
    # Millimetres per cent grow by 0.08 % with each cent.
    assert one.move.mm == pytest.approx(alone.move.mm, rel=0.02)
    assert apart.move.mm == pytest.approx(0.0)


@pytest.mark.parametrize(
    ("name", "capo"), [("banjo-five", ()), ("paired-saddles", (1, 2, 3, 4, 5))]
)
def test_strings_of_other_lengths_on_one_saddle_make_one_move(
    name: str, capo: tuple[int, ...]
) -> None:
    """The short string of a banjo, or one beside the capo: less travel for the same cents."""
    made = with_capo(preset(name), 2, capo) if capo else preset(name)
    strings = forecast(made, made, anchors={5: Belief.normal(6.0, 1.0)}).strings
    on_it = [strings[number - 1].move for number in (5, *made.bridge.beside(5))]
    assert len({(move.mm, move.interval95_mm) for move in on_it}) == 1
    # It cures the string that was measured: the move is by its length, not by its neighbours'.
    alone = forecast(
        replace(made, bridge=replace(made.bridge, pairs=())),
        replace(made, bridge=replace(made.bridge, pairs=())),
        anchors={5: Belief.normal(6.0, 1.0)},
    ).strings[4]
    assert on_it[0].mm == alone.move.mm


def test_what_a_shared_saddle_is_warned_of_is_its_one_move() -> None:
    """Each string alone would ask for more than the travel on record, both together for nothing."""
    paired = preset("paired-saddles")
    bridge = replace(paired.bridge, travel_toward_nut_mm=1.0, travel_away_mm=1.0)
    paired = replace(paired, bridge=bridge)

    def warned(*cents: float) -> set[Hazard]:
        anchors = {number: Belief.normal(each, 1.0) for number, each in enumerate(cents, start=1)}
        return hazards(forecast(paired, paired, anchors=anchors))

    assert Hazard.TRAVEL not in warned(9.0, -9.0)
    assert Hazard.TRAVEL in warned(9.0, 9.0)


def test_what_is_foreseen_of_a_filed_saddle_is_no_more_than_can_be_filed() -> None:
    filed = preset("steel-acoustic")
    (string,) = forecast(filed, filed, anchors={6: Belief.normal(6.0, 1.0)}).strings[5:]
    assert string.move.mm == string.move.reach_mm == 1.0 < 2.0 < string.move.asked_mm


def test_what_is_foreseen_of_a_filed_saddle_is_short_of_the_mark_in_words_too() -> None:
    asked = ["forecast", "--preset", "steel-acoustic", "--measured", "6=4", "--plain"]
    text = CliRunner().invoke(cli, asked, catch_exceptions=False).output
    (line,) = (line for line in text.splitlines() if line.startswith("string 6 saddle:"))
    assert re.search(r": 0\.\d mm away from the nut \(short of the mark: 1\.\d mm is asked", line)
    # All that is asked is more than there is, though what is sure is not.
    assert "mind: String 6: The saddle would have to go 1." in text


def test_a_saddle_that_cannot_cure_one_of_its_strings_has_no_move() -> None:
    paired = preset("paired-saddles")
    anchors = {1: Belief.normal(150.0, 1.0), 2: Belief.normal(3.0, 1.0)}
    strings = forecast(paired, paired, anchors=anchors).strings
    assert [strings[0].move, strings[1].move] == [None, None]


def test_an_unknown_core_makes_the_range_wider() -> None:
    guitar = preset("six-string")
    known = replace(
        guitar, strings=tuple(replace(s, core_mm=0.43) if s.wound else s for s in guitar.strings)
    )
    vague = forecast(guitar, with_tuning(guitar, TONE_DOWN)).strings[5]
    sure = forecast(known, with_tuning(known, TONE_DOWN)).strings[5]
    assert sure.change.u < vague.change.u


def test_warnings_come_when_due_and_name_the_cure() -> None:
    guitar = preset("six-string")
    up = forecast(guitar, with_tuning(guitar, "A2 D3 G3 C4 E4 A4"))
    assert Hazard.BREAKING in {w.hazard for w in up.strings[0].warnings}
    assert Hazard.TIGHT in hazards(up)
    slack = forecast(guitar, with_tuning(guitar, "B1 E2 A2 D3 F#3 B3"))
    assert Hazard.SLACK in hazards(slack)
    thick = forecast(guitar, preset("six-string-drop-c"))
    assert Hazard.NUT_SLOT in {w.hazard for w in thick.strings[5].warnings}
    floating = preset("clamped-tremolo")
    assert Hazard.FLOAT in hazards(forecast(floating, with_tuning(floating, TONE_DOWN)))
    short = replace(guitar, bridge=replace(guitar.bridge, travel_away_mm=0.1))
    assert Hazard.TRAVEL in hazards(forecast(short, with_tuning(short, TONE_DOWN)))
    # A semitone down is nothing to be warned of, but that the neck will feel it.
    assert hazards(forecast(guitar, with_tuning(guitar, "D#2 G#2 C#3 F#3 A#3 D#4"))) <= {
        Hazard.RELIEF
    }


@pytest.mark.parametrize("instrument", PRESETS.values(), ids=PRESETS.keys())
def test_no_preset_is_near_breaking_as_it_is(instrument: Instrument) -> None:
    for string in forecast(instrument, instrument).strings:
        # A wire's share is decided by note and scale, whatever its gauge: E5 on a mandolin, the
        # octave F4 on a bouzouki and G4 on a twelve-string stand at 0.64, 0.65 and 0.73, and are
        # known for it.
        most = {"mandolin": 0.66, "bouzouki": 0.66, "twelve-string": 0.75}.get(instrument.name, 0.6)
        assert string.before.breaking_share is None or 0.1 < string.before.breaking_share < most


def test_a_measured_offset_beyond_any_saddle_is_said_so() -> None:
    guitar = preset("six-string")
    made = forecast(guitar, guitar, anchors={1: Belief.normal(120.0, 1.0)})
    assert made.strings[0].move is None
    assert Hazard.NOT_BY_SADDLE in hazards(made)


def run(*args: str) -> str:
    result = CliRunner().invoke(cli, ["forecast", *args], catch_exceptions=False)
    assert result.exit_code == 0
    return result.output


def test_json_has_every_string_and_null_for_what_is_not_known() -> None:
    document = parsed(
        run("--preset", "nylon", "--tuning", TONE_DOWN, "--measured", "6=2", "--format", "json")
    )
    assert document["schema"] == "pitchbench.forecast/1"
    assert document["tension_after_n"] < document["tension_before_n"]
    assert [string["string"] for string in document["strings"]] == [1, 2, 3, 4, 5, 6]
    first, last = document["strings"][0], document["strings"][5]
    assert first["after"]["breaking_share"] is None
    assert first["expected_offset_cents"] is None
    assert last["expected_offset_cents"] == pytest.approx(2 + last["offset_change_cents"])
    assert first["move"]["turns"] is None
    assert {w["hazard"] for w in document["warnings"]} == {"relief_will_shift"}


def test_plain_text_has_one_fact_a_line_and_pounds_on_request() -> None:
    lines = run("--gauges", "11 14 18 28w 38w 49w", "--lbf", "--plain").splitlines()
    assert "string 1 tension: 16.2 to 19.6 lbf" in lines
    assert all(": " in line for line in lines)


def test_an_instrument_on_record_brings_its_strings(tmp_path: Path) -> None:
    store = str(tmp_path / "bench.sqlite")
    with Repository.open(store) as repository:
        named = replace(preset("bass-four"), name="Blue bass")
        repository.add_instrument(named, at=datetime(2026, 1, 2, tzinfo=UTC))
    document = parsed(
        run("--instrument", "Blue bass", "--action", "2.0", "--store", store, "--format", "json")
    )
    assert document["instrument"] == "Blue bass"
    assert len(document["strings"]) == 4
    assert all(string["offset_change_cents"] < 0 for string in document["strings"])


def test_the_offsets_last_measured_on_record_are_the_anchors(tmp_path: Path) -> None:
    store = str(tmp_path / "bench.sqlite")
    at = datetime(2026, 1, 2, tzinfo=UTC)
    bass = replace(preset("bass-four"), name="Blue bass")
    with Repository.open(store) as repository:
        repository.add_instrument(bass, at=at)
        session = repository.begin_session(a_setup(bass), at=at)
        repository.append(session, OutcomeEntry(60.0, 4, Outcome.LEAVE, an_offset(1.5)))
    args = ("--instrument", "Blue bass", "--store", store, "--format", "json")
    strings = parsed(run(*args, "--tuning", "D1 G1 C2 F2"))["strings"]
    assert [string["measured_offset_cents"] for string in strings] == [None, None, None, 1.5]
    # A hand-typed offset is newer than the record.
    strings = parsed(run(*args, "--measured", "4=-2"))["strings"]
    assert strings[3]["measured_offset_cents"] == -2.0


@pytest.mark.parametrize(
    "args",
    [
        ["--tuning", "H9"],
        ["--gauges", "10 13"],
        ["--action", "nan"],
        ["--scale", "-3"],
        ["--measured", "7=1"],
        ["--measured", "6=nan"],
        ["--measured", "six"],
        ["--preset", "lute"],
        ["--preset", "nylon", "--instrument", "x"],
    ],
)
def test_bad_options_are_refused_in_two_sentences(args: list[str]) -> None:
    with pytest.raises(PitchbenchError):
        CliRunner().invoke(cli, ["forecast", *args], catch_exceptions=False)


def test_what_to_mind_when_a_saddle_is_moved_is_said_in_text() -> None:
    moved = (
        CliRunner().invoke(cli, ["forecast", "--preset", "six-string", "--measured", "6=6"]).output
    )
    assert "mind: Slacken the string before you move its saddle" in moved
    still = CliRunner().invoke(cli, ["forecast", "--preset", "six-string"]).output
    assert "Slacken the string" not in still
