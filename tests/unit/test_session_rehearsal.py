"""The virtual player: how it plays, tunes and turns screws; whole jobs are in test_rehearsal_*."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from session_story import Story, setup_of

from pitchbench.instrument import Instrument
from pitchbench.intonation.bridge import Move
from pitchbench.pitch.listener import Heard, Listener
from pitchbench.pitch.reading import Reason
from pitchbench.presets import preset
from pitchbench.session import rehearsed_survey
from pitchbench.session.job import Command, KeyPressed
from pitchbench.session.log import Outcome, Step
from pitchbench.session.pacing import Reader
from pitchbench.session.rehearsal import (
    Habits,
    Rehearsal,
    TrueMove,
    VirtualPlayer,
    _out_of_tune,
    blocks_in_room,
    rehearse,
    words_to_read,
)
from pitchbench.session.rehearsed_survey import rehearse_survey
from pitchbench.session.state import State
from pitchbench.session.teaching import begin_taught
from pitchbench.sound.source import Block
from pitchbench.strings.virtual import VirtualInstrument

RATE_HZ = 8000


@dataclass
class Plucked:
    """What the player did to a string."""

    string: int
    fret: int
    said: dict[str, float] = field(default_factory=dict)


class Bench(VirtualInstrument):
    """A virtual instrument that makes no sound, and remembers what was done to it."""

    def __init__(self, instrument: Instrument | None = None) -> None:
        super().__init__(instrument or preset("six-string"), seed=3, rate_hz=RATE_HZ)
        self.plucked: list[Plucked] = []
        self.tuned: list[tuple[int, float]] = []
        self.turned_mm: list[float] = []

    def pluck(self, string: int, fret: int = 0, **said: float) -> np.ndarray:  # type: ignore[override]
        self.plucked.append(Plucked(string, fret, said))
        return np.ones(10, np.float32)

    def tune(self, string: int, cents: float = 0.0) -> None:
        self.tuned.append((string, cents))
        super().tune(string, cents)

    def move_saddle(self, string: int, mm: float) -> float:
        self.turned_mm.append(mm)
        return super().move_saddle(string, mm)


def player(bench: Bench, state: State, habits: Habits | None = None) -> VirtualPlayer:
    return VirtualPlayer(bench, lambda: state, seed=1, habits=habits)


@pytest.mark.parametrize(("fret", "sd"), [(0, 0.3), (12, 2.0)])
def test_plucks_scatter_as_people_do_and_one_in_twenty_is_bad(fret: int, sd: float) -> None:
    """Refretting by 2 cents (Mottola), the rest as the habits say; half of the bad ones are damped
    at once, the others hardly touched."""
    bench = Bench()
    who = player(bench, Story.begin().state)
    quiet_s = [(len(who._pluck(6, fret)) - 10) / RATE_HZ for _ in range(4000)]
    assert all((each.string, each.fret) == (6, fret) for each in bench.plucked)
    said = {name: np.array([each.said[name] for each in bench.plucked])
            for name in ("detune_cents", "ring_s", "amplitude_mm")}  # fmt: skip
    # 4000 draws tell a standard deviation to 1.1 %, and a share of a twentieth to 7 %.
    assert np.std(said["detune_cents"]) == pytest.approx(sd, rel=0.05)
    assert np.mean(said["detune_cents"]) == pytest.approx(0.0, abs=0.07 * sd)
    damped, faint = said["ring_s"] == 0.08, said["amplitude_mm"] == 0.05
    assert np.mean(damped) == pytest.approx(0.025, rel=0.4)
    assert np.mean(faint) == pytest.approx(0.025, rel=0.4)
    assert not np.any(damped & faint)
    assert np.all(said["ring_s"][faint] == 0.5)
    good = ~(damped | faint)
    for values, low, high in (
        (said["ring_s"][good], 1.6, 2.5),
        (said["amplitude_mm"][good], 0.9, 1.6),
        (np.array(quiet_s), 0.45, 0.8),
    ):
        # Even draws come within a hundredth of either end.
        assert low <= values.min() < low + 0.01 * (high - low) + 1e-3
        assert high >= values.max() > high - 0.01 * (high - low) - 1e-3


def test_strings_are_tuned_to_a_cent() -> None:
    bench = Bench()
    who = player(bench, Story.begin().state)
    for _ in range(1000):
        who._tune(6)
    cents = np.array([cents for _, cents in bench.tuned])
    # 1000 draws tell a standard deviation to 2.2 %.
    assert np.std(cents) == pytest.approx(1.0, rel=0.1)
    assert np.mean(cents) == pytest.approx(0.0, abs=0.15)


def a_move(bench: Bench, mm: float) -> Move:
    return Move(6, mm, (mm - 0.1, mm + 0.1), bench.instrument.bridge)


def test_screws_are_turned_about_as_told_and_the_string_is_brought_up_most_of_the_way() -> None:
    bench = Bench()
    who = player(bench, Story.begin().state)
    for n in range(300):
        who._move(a_move(bench, 1.0 if n % 2 else -1.0), 12)
    share = np.array(bench.turned_mm) * np.tile([-1.0, 1.0], 150)
    # 300 draws tell a standard deviation to 4 %.
    assert np.mean(share) == pytest.approx(1.0, abs=0.01)
    assert np.std(share) == pytest.approx(0.04, rel=0.2)
    assert [cents for _, cents in bench.tuned[0::3]] == [-300.0] * 300, "slackened first"
    left = np.array([cents for _, cents in bench.tuned[2::3]])
    assert np.mean(left) == pytest.approx(-200.0, abs=5.0)
    assert np.std(left) == pytest.approx(20.0, rel=0.2)


def test_the_truth_of_a_move_is_kept_beside_what_was_told() -> None:
    bench = Bench()
    bench.tune(6)
    who = player(bench, Story.begin().state)
    who._move(a_move(bench, 1.0), 12)
    (told,) = who.moves
    assert (told.string, told.advised_mm) == (6, 1.0)
    assert told.made_mm == pytest.approx(bench.turned_mm[0], abs=0.01)
    # A millimetre away is 2.7 cents flatter by geometry, and this bridge may do a tenth less.
    change = told.true_after_cents - told.true_before_cents
    assert change == pytest.approx(-2.7 * told.made_mm, rel=0.2)


def test_whoever_goes_the_wrong_way_does_so_once() -> None:
    bench = Bench()
    who = player(bench, Story.begin().state, Habits(wrong_way=True))
    for _ in range(2):
        who._move(a_move(bench, 1.0), 12)
    assert bench.turned_mm[0] < -0.8
    assert bench.turned_mm[1] > 0.8


def test_all_strings_of_a_saddle_are_slackened_and_tuned_again() -> None:
    bench = Bench(preset("paired-saddles"))
    beside = bench.instrument.bridge.beside(6)
    assert len(beside) == 1
    player(bench, Story.begin().state)._move(a_move(bench, 1.0), 12)
    numbers = [number for number, _ in bench.tuned]
    assert numbers == [6, *beside, *beside, 6, 6]


def test_what_is_asked_is_done() -> None:
    def done(state: State) -> tuple[Bench, list[tuple[int, int]]]:
        bench = Bench()
        player(bench, state)._act(state)
        return bench, [(each.string, each.fret) for each in bench.plucked]

    story = Story.begin(strings=(6,))
    bench, plucked = done(story.state)
    assert (bench.tuned, plucked) == ([], [(6, 0)]), "as it was found"
    bench, plucked = done(story.play(6, 0, -30.0).state)
    assert ([number for number, _ in bench.tuned], plucked) == ([6], [(6, 0)])
    assert abs(bench.tuned[0][1]) < 4.0
    bench, plucked = done(story.play(6).state)
    assert (bench.tuned, plucked) == ([], [(6, 12)])
    story.takes(12.0)
    assert story.state.log.step is Step.MOVE
    bench = Bench()
    who = player(bench, story.state)
    who._act(story.state)
    assert len(who.moves) == 1
    who._act(story.state)
    assert len(who.moves) == 1, "advice is followed once"
    assert [(each.string, each.fret) for each in bench.plucked] == [(6, 0), (6, 0)]


def test_out_of_tune_is_what_was_said_of_the_last_pluck_of_this_string() -> None:
    assert not _out_of_tune(Story.begin().state)
    assert _out_of_tune(Story.begin().play(6, 0, -30.0).state)
    assert not _out_of_tune(Story.begin().play(6, 0, reason=Reason.TOO_SHORT).state)
    assert not _out_of_tune(Story.begin().play(6, 0, -30.0).play(6, 12).state), "fretted too early"
    assert not _out_of_tune(Story.begin().play(6, 0, -30.0).key(Command.NEXT).state)
    assert not _out_of_tune(Story.begin().play(6).state)


def test_who_needs_too_many_plucks_gives_up() -> None:
    bench = Bench()
    story = Story.begin(strings=(6, 5))
    blocks = list(player(bench, story.state).blocks())
    assert len(bench.plucked) == 2 * 80 - 1
    assert [block.start for block in blocks[:3]] == [0, 1024, 2048]
    assert all(len(block.samples) <= 1024 for block in blocks)
    # Six tenths of a second of quiet before the first pluck.
    quiet = np.concatenate([block.samples for block in blocks])[: round(0.6 * RATE_HZ)]
    assert np.abs(quiet).max() < 0.1
    heard = list(blocks_in_room(bench, np.full(10, 2.0, np.float32), 7))
    assert [(block.start, float(block.samples.max())) for block in heard] == [(7, 1.0)]
    (low,) = blocks_in_room(bench, np.full(10, -2.0, np.float32), 7)
    assert low.samples.min() == -1.0


def test_words_to_read_are_those_that_are_new_on_the_screen() -> None:
    taught, reader = begin_taught(setup_of(strings=(6,))), Reader()
    first = words_to_read(taught, reader)
    alone = Reader().words([taught.asks, taught.why, taught.says])
    assert first > alone > 0, "before the work there is a list of what to look at"
    assert words_to_read(taught, reader) == 0
    began = taught.advance(KeyPressed(Command.ACCEPT))
    assert words_to_read(began, Reader()) == Reader().words([began.asks, began.why, began.says])
    story = Story(begin_taught(setup_of(strings=(6,)))).string(12.0)
    advised = story.state
    assert advised.log.step is Step.MOVE
    cautions = advised.log.string.advice.cautions
    by_hand = Reader().words([advised.why, advised.says, *cautions], anew=advised.asks)
    assert words_to_read(advised, Reader()) == by_hand
    retune = replace(advised, log=replace(advised.log, step=Step.RETUNE))
    by_hand = Reader().words([retune.why, retune.says, *cautions], anew=retune.asks)
    assert words_to_read(retune, Reader()) == by_hand
    plain = replace(advised, log=replace(advised.log, step=Step.OPEN))
    assert words_to_read(plain, Reader()) < by_hand


def test_moves_are_told_string_by_string() -> None:
    moves = tuple(TrueMove(n, 5.0, 1.0, 1.0, 2.3) for n in (6, 5, 6))
    done = Rehearsal(begin_taught(setup_of()), {}, {}, moves, Bench())
    assert done.moves_of(6) == [moves[0], moves[2]]
    assert done.moves_of(5) == [moves[1]]
    # A shared saddle has its moves, whichever of its strings they were asked of.
    courses = Rehearsal(begin_taught(setup_of("twelve-string")), {}, {}, moves, Bench())
    assert courses.moves_of(6) == courses.moves_of(5) == list(moves)
    assert courses.moves_of(4) == []


def test_a_survey_is_of_the_first_string_and_of_frets_that_the_nut_reaches() -> None:
    """Nothing is heard of it here: after sixty plucks the player gives up."""
    bench = Bench()
    survey = rehearse_survey(bench, setup_of(strings=(5, 6)), seed=1)
    assert survey.plan.setup.strings == (5,)
    assert survey.plan.frets == (1, 2, 3, 5, 7, 12)
    assert survey.plan.takes == 2
    assert not survey.finished
    assert [(each.string, each.fret) for each in bench.plucked] == [(5, 0)] * 60
    assert bench.tuned == [(5, 0.0)]


def test_a_survey_goes_as_far_as_the_neck_does() -> None:
    for highest, frets in ((12, (1, 2, 3, 5, 7, 12)), (11, (1, 2, 3, 5, 7))):
        short = replace(preset("six-string"), frets=highest)
        assert rehearse_survey(Bench(short), setup_of(short), seed=1).plan.frets == frets


def test_the_sound_of_a_survey_is_one_stream_from_its_first_sample_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Time is the number of a sample: where one is missing, there is a gap."""
    blocks: list[Block] = []

    class Watched(Listener):
        def feed(self, block: Block) -> Iterator[Heard]:
            blocks.append(block)
            return super().feed(block)

    monkeypatch.setattr(rehearsed_survey, "Listener", Watched)
    rehearse_survey(Bench(), setup_of(strings=(6,)), seed=1)
    ends = [block.start + len(block.samples) for block in blocks]
    assert [block.start for block in blocks] == [0, *ends[:-1]]
    # Sixty plucks, which here are ten samples each, with 0.7 s of quiet before and after.
    assert ends[-1] == 60 * (10 + 2 * 5600)


def test_nothing_that_was_filed_is_filed_back_and_all_is_measured_before() -> None:
    """By the best estimate string 2 of this ukulele went 0.8 mm away and then 0.2 mm back."""
    done = rehearse(setup_of("ukulele"), seed=4)
    assert done.state.log.step is Step.FINISHED
    strings = done.state.log.strings
    assert any(string.moves for string in strings)
    for string in strings:
        assert string.outcome in (Outcome.LEAVE, Outcome.BORDER)
        assert len({move.made_mm > 0.0 for move in string.moves}) <= 1
        assert all(0.0 < abs(m.move.mm) < abs(m.move.asked_mm) <= 1.0 for m in string.moves)
    first = done.state.log.moves[0].at_s
    assert all(string.accepted[0].reading.onset_s < first for string in strings)
    # In truth as well no string is worse off than it was found.
    assert all(
        abs(done.true_left_cents[n]) < abs(cents) + 0.2
        for n, cents in done.true_found_cents.items()
    )
