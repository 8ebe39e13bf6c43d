"""The engine: threads, keys, lost inputs and signals around the job."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from session_story import Story, setup_of

from pitchbench.ending import LEFT_BEHIND
from pitchbench.errors import PitchbenchError, RecordsError
from pitchbench.presets import preset
from pitchbench.records.documents import to_json
from pitchbench.session import engine
from pitchbench.session.engine import NotKeptError, run
from pitchbench.session.job import Command, KeyPressed
from pitchbench.session.log import Entry, NoteEntry, Step, TakeEntry, TakeFate
from pitchbench.session.rehearsal import Habits, rehearse
from pitchbench.session.state import State, begin, resume
from pitchbench.session.teller import Teller
from pitchbench.sound.microphone import InputLostError
from pitchbench.sound.recording import Recording
from pitchbench.sound.source import Block
from pitchbench.strings.virtual import VirtualInstrument

RATE_HZ = 48_000
BLOCK = 2048


class Played:
    """A source for the engine: notes of a virtual string, with whatever happens in between."""

    def __init__(self, *happenings: object, endless: bool = False) -> None:
        self.instrument = VirtualInstrument(preset("six-string"), seed=3)
        self.happenings = list(happenings)
        self.endless = endless
        self.opened = self.closed = 0
        self._at = 0

    name = "a virtual string"
    rate_hz = RATE_HZ

    def blocks(self) -> Iterator[Block]:
        self.opened += 1
        gap = self.opened > 1
        try:
            while self.happenings or self.endless:
                happening = self.happenings.pop(0) if self.happenings else 0.1
                if isinstance(happening, BaseException):
                    raise happening
                if callable(happening):
                    happening()
                    continue
                sound = self._sound(happening)
                for at in range(0, len(sound), BLOCK):
                    samples = sound[at : at + BLOCK]
                    yield Block(samples, self._at, RATE_HZ, gap)
                    gap = False
                    self._at += len(samples)
        finally:
            self.closed += 1

    def _sound(self, happening: object) -> np.ndarray:
        if isinstance(happening, float):
            return self.instrument.room(round(happening * RATE_HZ))
        string, fret = happening  # type: ignore[misc]
        note = self.instrument.pluck(string, fret, ring_s=1.8)
        note = np.concatenate([note, np.zeros(RATE_HZ // 2, np.float32)])
        return note + self.instrument.room(len(note))


def _in_tune() -> Played:
    source = Played()
    source.instrument.tune(6)
    return source


def _fates(state: State) -> list[TakeFate]:
    return [e.take.fate for e in state.entries if isinstance(e, TakeEntry)]


def test_a_source_is_heard_to_its_end_and_let_go_of() -> None:
    source = _in_tune()
    source.happenings = [0.5, (6, 0), (6, 12), 0.5]
    state = run(source, begin(setup_of()))
    assert _fates(state) == [TakeFate.ACCEPTED, TakeFate.ACCEPTED]
    assert state.log.step is Step.FRETTED
    assert (source.opened, source.closed) == (1, 1)


def test_entries_are_kept_before_they_are_shown_and_each_once() -> None:
    kept: list[Entry] = []
    seen: list[int] = []

    def view(old: State, new: State) -> None:
        assert len(new.entries) == len(kept), "an entry was shown before it was safe"
        assert old.entries == new.entries[: len(old.entries)]
        seen.append(len(new.entries))

    source = _in_tune()
    source.happenings = [0.5, (6, 0), (6, 12), 0.5]
    state = run(source, begin(setup_of()), views=[view], keep=kept.append)
    assert tuple(kept) == state.entries
    assert seen == sorted(seen)


def test_a_lost_input_is_waited_for_and_nothing_is_lost() -> None:
    source = _in_tune()
    source.happenings = [
        0.5, (6, 0), 0.3, InputLostError("cable", "unplugged"),
        InputLostError("cable", "it is not there"), 0.5, (6, 12), 0.5,
    ]  # fmt: skip
    losses: list[str] = []

    def view(old: State, new: State) -> None:
        if new.input_lost != old.input_lost:
            losses.append(new.input_lost or "back")

    state = run(source, begin(setup_of()), views=[view])
    assert losses == ["unplugged", "back"]
    assert _fates(state) == [TakeFate.ACCEPTED, TakeFate.ACCEPTED]
    texts = [e.text for e in state.entries if isinstance(e, NoteEntry)]
    assert "input lost: unplugged" in texts
    assert "input back" in texts


def test_quit_ends_an_endless_source() -> None:
    source = Played(endless=True)
    waiting = [[], [], [KeyPressed(Command.QUIT)]]
    state = run(source, begin(setup_of()), keys=lambda: waiting.pop(0) if waiting else [])
    assert state.quit
    assert source.closed == 1
    assert threading.active_count() == 1, "the listening thread has ended"


def _finished() -> State:
    state = Story.begin(strings=(6,), tolerance_cents=3.0).string(0.5).state
    assert state.finished
    assert not state.quit
    return state


def test_a_finished_job_ends_by_itself_or_stands_until_a_key_leaves_it() -> None:
    """Whatever still sounds."""
    assert not run(Played(endless=True), _finished()).quit
    asked = 0

    def keys() -> list[KeyPressed]:
        nonlocal asked
        asked += 1
        return [KeyPressed(Command.QUIT)] if asked == 3 else []

    assert run(Played(endless=True), _finished(), keys=keys, stays=True).quit
    assert asked == 3


def test_where_a_string_was_passed_over_a_key_can_go_back_before_it_ends() -> None:
    """Plain lines do not stay for what is done, but whoever reads of a key can press it."""
    passed = Story.begin(strings=(6,)).play(6).key(Command.NEXT).state
    assert passed.finished
    assert not run(Played(endless=True), passed).quit, "nobody sits at the keys"
    pressed = iter([[], [], [KeyPressed(Command.PREVIOUS)], [KeyPressed(Command.QUIT)]])
    ended = run(Played(endless=True), passed, keys=lambda: next(pressed))
    assert ended.quit
    assert not ended.finished, "it was taken up again"


def test_where_the_sound_has_ended_a_finished_job_stands_and_no_other() -> None:
    asked = 0

    def keys() -> list[KeyPressed]:
        nonlocal asked
        asked += 1
        return [KeyPressed(Command.QUIT)] if asked == 3 else []

    runner = engine.Runner(_finished())
    engine.stand(runner, keys)
    assert runner.job.quit
    assert asked == 3
    engine.stand(engine.Runner(begin(setup_of())), keys)
    assert asked == 3, "there is nothing to stand"


class Loudspeaker:
    """Sounds until it has been asked four times whether it does."""

    rate_hz, headphones, open = 8000, True, True
    left, ended = 0, False

    @property
    def sounding(self) -> bool:
        self.left = max(0, self.left - 1)
        return self.left > 0

    def play(self, sound: np.ndarray) -> None:
        self.left = 5

    def end(self) -> None:
        self.ended = True


class Voice:
    def speak(self, text: str) -> np.ndarray:
        return np.ones(len(text), np.float32)


def _telling() -> Teller[State]:
    """Tells that all is done, by a clock that goes on by a second each time one looks at it."""
    looked = iter(range(1000))
    return Teller(
        Loudspeaker(),  # type: ignore[arg-type]
        voice=Voice(),  # type: ignore[arg-type]
        spoken=lambda old, new: "All is done." if old is new else "",
        cue=False,
        clock=lambda: float(next(looked)),
    )


def test_what_is_told_at_the_end_is_heard_out_and_no_more() -> None:
    teller, heard = _telling(), []

    def view(old: State, new: State) -> None:
        heard.append(new.speaking and new.speaking.text)

    assert not run(Played(endless=True), _finished(), views=[view], teller=teller).quit
    assert heard == [None, "All is done.", None]
    assert teller.loudspeaker.ended


def test_whoever_leaves_hears_nothing_out() -> None:
    teller = _telling()
    runner = engine.Runner(_finished(), views=[teller])
    assert teller.busy
    engine.hear_out(runner, None, teller)
    assert not teller.busy
    teller(runner.job, runner.job)
    engine.hear_out(runner, lambda: [KeyPressed(Command.QUIT)], teller)
    assert runner.job.quit
    assert teller.busy, "it is not waited for"


def test_trouble_with_the_source_is_raised_as_it_is() -> None:
    trouble = PitchbenchError("The file is damaged.", "Export it again.")
    with pytest.raises(PitchbenchError) as raised:
        run(Played(0.5, trouble), begin(setup_of()))
    assert raised.value is trouble


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_interrupts_and_what_was_heard_is_kept(name: str) -> None:
    number = getattr(signal, name)
    before = signal.getsignal(number)
    kept: list[Entry] = []
    source = _in_tune()
    source.endless = True
    source.happenings = [0.5, (6, 0), 0.5]

    def keep(entry: Entry) -> None:
        again = entry in kept  # it is interrupted before it has said that it is kept
        kept.append(entry)
        if isinstance(entry, TakeEntry) and not again:
            os.kill(os.getpid(), number)

    with pytest.raises(KeyboardInterrupt):
        run(source, begin(setup_of()), keep=keep)
    kept = list(dict.fromkeys(kept))
    assert any(isinstance(e, TakeEntry) for e in kept)
    assert signal.getsignal(number) == before
    assert resume(setup_of(), tuple(kept)).log.strings[5].takes


def test_a_recorded_session_replays_to_the_same_entries(tmp_path: Path) -> None:
    """Through the file, another block size, and a thread: every entry the same, to the last bit."""
    habits = Habits(refret_cents=0.5, bad_pluck_share=0.3)
    setup = setup_of(strings=(6,), tolerance_cents=3.0)
    path = tmp_path / "session.flac"
    live = rehearse(setup, seed=4, habits=habits, record=path, live=True)
    assert live.state.log.step is Step.FINISHED
    # With plucks among them that do not count.
    assert set(_fates(live.state)) > {TakeFate.ACCEPTED}
    again = run(Recording(path, block_size=4096), begin(setup))
    assert [to_json(e, Entry) for e in again.entries] == [
        to_json(e, Entry) for e in live.state.entries
    ]


# ------------------------------------------------------------------- records out of reach


class Records:
    """Keeps entries while it can be reached."""

    def __init__(self) -> None:
        self.kept: list[Entry] = []
        self.reached = True

    def __call__(self, entry: Entry) -> None:
        if not self.reached:
            raise RecordsError("The records are out of reach.", "Wait.")
        self.kept.append(entry)


NOTES = [NoteEntry(float(n), 6, f"note {n}") for n in range(5)]


def test_entries_wait_in_order_and_trouble_is_told_once() -> None:
    records, told = Records(), []
    waiting = engine._Waiting(records, told.append)
    waiting(NOTES[0])
    records.reached = False
    waiting(NOTES[1])
    waiting(NOTES[2])
    assert (records.kept, len(waiting), len(told)) == (NOTES[:1], 2, 1)
    waiting.try_if_due()
    assert len(told) == 1, "still out of reach"
    records.reached = True
    waiting.try_if_due()
    assert records.kept == NOTES[:1], "it was tried just now"
    waiting._tried_at -= 1.0
    waiting.try_if_due()
    assert (records.kept, len(waiting)) == (NOTES[:3], 0)
    assert [each is None for each in told] == [False, True]
    waiting(NOTES[3])
    assert records.kept == NOTES[:4]
    assert len(told) == 2


def test_in_the_end_what_an_interrupt_kept_from_waiting_is_kept_too() -> None:
    records, told = Records(), []
    waiting = engine._Waiting(records, told.append)
    waiting(NOTES[0])
    records.reached = False
    waiting(NOTES[1])
    records.reached = True
    trying = waiting.begin_last_try(NOTES)
    waiting.end_last_try(trying, None)
    assert records.kept == NOTES
    assert waiting.trouble is None
    assert len(told) == 1, "the screen is gone"


@pytest.mark.parametrize("known", [True, False])
def test_records_that_do_not_answer_are_not_waited_for_any_longer(known: bool) -> None:
    answers = threading.Event()

    def keep(entry: Entry) -> None:
        if not known or waiting.trouble is not None:
            answers.wait(20.0)
        raise RecordsError("The disk is full.", "Make room.")

    waiting = engine._Waiting(keep, None)
    if known:
        waiting(NOTES[0])
    began_s = time.monotonic()
    trying = waiting.begin_last_try(NOTES)
    waiting.end_last_try(trying, began_s + 0.2)
    assert 0.15 < time.monotonic() - began_s < 5.0
    assert waiting.trouble is not None
    assert waiting.trouble.what == ("The disk is full." if known else "The records do not answer.")
    answers.set()
    trying.join()


def test_in_the_end_a_time_that_is_over_is_not_waited_for() -> None:
    answers = threading.Event()

    def keep(entry: Entry) -> None:
        answers.wait(20.0)

    waiting = engine._Waiting(keep, None)
    began_s = time.monotonic()
    trying = waiting.begin_last_try(NOTES)
    waiting.end_last_try(trying, began_s - 1.0)
    assert time.monotonic() - began_s < 0.5
    assert waiting.trouble is not None
    answers.set()
    trying.join()


def test_who_asks_for_the_end_has_it_within_two_seconds_whatever_stands_still() -> None:
    """One second is for the device and the records together."""
    answers = threading.Event()
    source = Played(lambda: answers.wait(20.0))
    asked_s: list[float] = []

    def keys() -> list[KeyPressed]:
        asked_s.append(time.monotonic())
        if len(asked_s) == 1:
            return [KeyPressed(Command.NEXT)]
        os.kill(os.getpid(), signal.SIGTERM)
        return []

    def keep(entry: Entry) -> None:
        if len(asked_s) > 1:
            answers.wait(20.0)
        raise RecordsError("The disk is full.", "Make room.")

    with pytest.raises(NotKeptError, match="not on record: The disk is full"):
        run(source, begin(setup_of()), keys=keys, keep=keep)
    assert 0.9 < time.monotonic() - asked_s[1] < 1.9
    behind = [each for each in threading.enumerate() if each.name.startswith(LEFT_BEHIND)]
    assert [each.daemon for each in behind] == [True, True], "a program ends all the same"
    answers.set()
    for each in behind:
        each.join()


def test_a_source_that_does_not_let_go_is_left_behind_after_three_seconds() -> None:
    answers = threading.Event()
    source, began_s = Played(lambda: answers.wait(20.0)), time.monotonic()
    assert run(source, begin(setup_of()), keys=lambda: [KeyPressed(Command.QUIT)]).quit
    assert 2.5 < time.monotonic() - began_s < 5.0
    answers.set()
