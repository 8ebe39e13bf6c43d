"""Make the frozen store of the present form, with what the program says of it: run once when a form
is released, never again.

PYTHONPATH=tests python tests/unit/data/make_frozen_store.py

Three files: ``store-form-N.sqlite.gz``, the same as one export in ``store-form-N.export.json.gz``,
and in ``store-form-N.said.json.gz`` what the program said of each session (``tests/frozen.py``).
All sessions but the rehearsal are played note by note, so every number in them is invented; the
rehearsal is a virtual instrument's.
"""

from __future__ import annotations

import gzip
import json
import sqlite3
import tempfile
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import frozen
import stores
from session_story import Story, setup_of
from survey_story import Played

from pitchbench.instrument import Instrument
from pitchbench.pitch.listener import ReadingReady
from pitchbench.pitch.reading import NO_TRACE, Partial, Reading, Reason, Rejected
from pitchbench.presets import preset
from pitchbench.records.model import SessionKind
from pitchbench.records.places import SCHEMA_VERSION
from pitchbench.records.repository import Repository
from pitchbench.report.export import export_json
from pitchbench.session import survey
from pitchbench.session.job import Command, InputBack, InputLost
from pitchbench.session.learning import learned_person, learned_response
from pitchbench.session.log import Entry, Outcome, Setup, Step, TakeEntry
from pitchbench.session.rehearsal import rehearse
from pitchbench.session.state import begin, resume

HERE = Path(__file__).parent
BEGAN = datetime(2026, 11, 2, 9, 0, tzinfo=UTC)

#: Departures of the fretted takes that no number of takes below the most can decide.
UNSURE = (3.8, -3.8, 2.3, -2.3, 3.0, -3.0)

#: Departures of a person who scatters more than the strings before let expect.
WIDE = (3.0, -3.0, 2.0, -2.0)

SCREWS = replace(preset("six-string"), name="Frozen screws", owner_mark="F 1", notes="ρ = 7,8")
PAIRS = replace(preset("paired-saddles"), name="Frozen pairs", tolerance_cents=2.5)
FIXED = replace(preset("steel-acoustic"), name="Frozen fixed", setback_mm=(2.0,) * 5 + (3.5,))

Told = Callable[[Any], Story]


# ------------------------------------------------------------------------------ sessions


def whole_job(story: Story) -> Story:
    """All six strings; every sort of pluck, key and trouble on the way; finished."""
    story.event(InputBack())
    story.sound(50.0, reason=Reason.TOO_QUIET).sound(61.0)
    story.play(6, 0, -40.0).live(story.target_hz(6) * 0.99).play(6, 0, 1.0)
    for reason in (Reason.CLIPPED, Reason.TOO_SHORT, Reason.TOO_QUIET, Reason.GAP):
        story.play(6, 12, 6.0, reason=reason)
    story.sound(200.0).play(3)
    story.event(InputLost("unplugged")).event(InputBack())
    story.takes(6.0)
    story.play(6, 0, -180.0).play(6, 0, 0.3).takes(0.3)  # 6: moved as advised
    story.play(5).takes(-7.0)
    story.key(Command.LESS).key(Command.LESS).key(Command.MORE)
    story.play(5, 0, 0.1).play(5, 0, 0.2)  # 5: moved by less than advised, not slackened
    story.takes(-1.0)
    if story.state.log.step is Step.MOVE:
        story.move_and_retune(5).takes(0.0)
    story.play(4).key(Command.TOLERANCE_UP).key(Command.TOLERANCE_UP).key(Command.NEXT)
    story.play(3)
    for _ in range(4):
        story.play(3, 12, 5.0, reason=Reason.NEVER_SETTLED)
    story.key(Command.TOLERANCE_DOWN).play(2).takes(0.2).play(1).takes(0.4)
    for _ in range(12):  # what is asked for once more
        if story.state.log.step is Step.FINISHED:
            break
        story.string(0.2)
        if story.state.log.step is Step.BORDER:
            story.key(Command.ACCEPT)
    return story


def struck_and_again(story: Story) -> Story:
    """Takes struck out by key and by number, a string begun again, there and back; unfinished."""
    story.play(6).play(6, 12, 3.0).play(6).play(6, 12, 9.0).key(Command.STRIKE)
    story.takes(3.0).key(Command.STRIKE, 1).takes(3.2)
    story.key(Command.NEXT).play(5).play(5, 12, 0.5).key(Command.AGAIN)
    story.play(5).takes(0.1)
    return story.key(Command.PREVIOUS)


def again_and_stopped(story: Story) -> Story:
    """A string that was judged and moved is begun again: nothing counts of it for now."""
    story.play(6).takes(9.0).move_and_retune(6).takes(6.0)
    return story.key(Command.AGAIN)


def struck_and_finished(story: Story) -> Story:
    """Takes of two finished strings are struck out afterwards, one after its saddle was moved."""
    story.play(6).takes(6.0).move_and_retune(6).takes(0.2)
    story.play(5).takes(0.3)
    for turn in range(20):
        if story.state.log.step is Step.FINISHED:
            break
        story.string(0.1 + 0.01 * turn)
    fretted = [e.take for e in story.entries if isinstance(e, TakeEntry) and e.take.fret == 12]
    of_five = [take.number for take in fretted if take.string == 5]
    of_six = [take.number for take in fretted if take.string == 6]
    return story.key(Command.STRIKE, of_five[0]).key(Command.STRIKE, of_six[-1])


def verdict_struck(story: Story) -> Story:
    """The take that called for a move is struck out: the move is taken back."""
    story.play(6).takes(1.6, (0.2, 6.0, 0.1, 5.0))
    return story.key(Command.STRIKE)


def stop_at_move(story: Story) -> Story:
    story.play(6).takes(5.0).key(Command.MORE)
    assert story.state.log.step is Step.MOVE
    return story


def stop_at_second_move(story: Story) -> Story:
    story.play(6).takes(9.0).move_and_retune(6).takes(6.0)
    assert (story.state.log.step, story.state.log.string.round) == (Step.MOVE, 1)
    return story


def stop_at_border_after_move(story: Story) -> Story:
    story.play(6).takes(9.0).move_and_retune(6).takes(1.3, (3.5, -3.5))
    assert (story.state.log.step, story.state.log.string.round) == (Step.BORDER, 1)
    return story


def stop_at_retune(story: Story) -> Story:
    story.play(6).takes(-6.0).key(Command.LESS).play(6, 0, -200.0).play(6, 0, -30.0)
    assert story.state.log.step is Step.RETUNE
    return story


def stop_at_open(story: Story) -> Story:
    story.play(6).takes(0.2).play(5, 0, -20.0).key(Command.ACCEPT)
    assert (story.state.log.step, story.state.log.current) == (Step.OPEN, 5)
    return story


def stop_at_open_after_move(story: Story) -> Story:
    story.play(6).takes(6.0).play(6, 0, -150.0).key(Command.ACCEPT)
    assert (story.state.log.step, story.state.log.string.round) == (Step.OPEN, 1)
    return story


def stop_at_fretted(story: Story) -> Story:
    story.play(6).play(6, 12, 4.0)
    assert story.state.log.wanted_fret in (0, 12)
    return story.play(6, 0, 15.0).play(6, 0, 0.5).play(6, 12, 4.2)


def stop_at_border(story: Story) -> Story:
    story.play(6).takes(1.8, UNSURE).play(6, 12, 1.8)
    assert story.state.log.step is Step.BORDER
    return story


def stop_at_tune(story: Story) -> Story:
    story.play(6).takes(0.1).play(5, 0, -60.0).play(5, 12)
    assert story.state.log.step is Step.TUNE
    return story


def border_both_ways(story: Story) -> Story:
    """String 6 on the border is left by key, string 5 moved after all; finished."""
    story.play(6).takes(1.8, UNSURE).key(Command.ACCEPT)
    story.play(5).takes(1.8, UNSURE).play(5, 0, -150.0).play(5, 0, 0.0).takes(0.1)
    for _ in range(8):
        if story.state.log.step is Step.FINISHED:
            break
        story.string(0.1) if story.state.log.step is not Step.BORDER else story.key(Command.ACCEPT)
    return story


def left_at_border_by_playing_on(story: Story) -> Story:
    """The border of string 6 is accepted by playing string 5; stopped there."""
    return story.play(6).takes(1.8, UNSURE).play(5).play(5, 12, 0.3)


def out_of_travel(story: Story) -> Story:
    """String 6 has no room to go, string 5 spreads hopelessly, string 4 is left in between."""
    story.play(6).takes(25.0)
    assert story.outcomes()[6] is Outcome.OUT_OF_TRAVEL
    story.play(5).takes(3.0, (20.0, -20.0, 15.0, -15.0))
    return story.play(4).play(4, 12, 0.4)


def last_round(story: Story) -> Story:
    """Stopped in the last round, the first of its strings heard once more."""
    story.play(6).takes(0.8).play(5).takes(6.0, WIDE).move_and_retune(5).takes(0.0, WIDE)
    assert story.state.log.step is Step.LAST_ROUND
    story.string(0.6)
    assert (story.state.log.step, story.state.log.current) == (Step.LAST_ROUND, 5)
    return story.play(5)


def last_round_moved_again(story: Story) -> Story:
    """A string that the others disturbed is moved in the last round; finished."""
    story.play(6).takes(0.8).play(5).takes(6.0, WIDE).move_and_retune(5).takes(0.0, WIDE)
    assert story.state.log.step is Step.LAST_ROUND
    story.string(9.0).move_and_retune(6).takes(0.2)
    for _ in range(4):
        if story.state.log.step is Step.FINISHED:
            break
        story.string(0.2)
    assert story.state.log.step is Step.FINISHED
    return story


def pair_finished(story: Story) -> Story:
    """Two strings on one saddle end at the best compromise."""
    story.play(6).takes(9.0).play(5).takes(3.0).move_and_retune(5).takes(-3.0)
    return story.play(6).takes(3.0)


def pair_stopped(story: Story) -> Story:
    """Two strings on one saddle, moved by less than told; stopped before the other is heard."""
    story.play(6).takes(9.0).play(5).takes(3.0).key(Command.LESS).move_and_retune(5)
    return story.play(5, 12, -1.0)


def pair_at_move(story: Story) -> Story:
    story.play(6).takes(8.0).play(5).takes(4.0)
    assert story.state.log.step is Step.MOVE
    return story


def filed(story: Story) -> Story:
    """A fixed saddle: millimetres of filing, said to be one step more; finished."""
    story.play(6).takes(2.6, (0.1, -0.1)).key(Command.MORE).move_and_retune(6).takes(0.2)
    for _ in range(8):
        if story.state.log.step is Step.FINISHED:
            break
        story.string(0.1) if story.state.log.step is not Step.BORDER else story.key(Command.ACCEPT)
    return story


def stop_at_filing(story: Story) -> Story:
    """More than can be filed away on string 6; string 5 is slackened to be filed."""
    story.play(6).takes(-6.0)
    assert story.outcomes()[6] is Outcome.OUT_OF_TRAVEL
    return story.play(5).takes(-2.4, (0.1, -0.1)).play(5, 0, -150.0)


def at_the_seventh_fret(story: Story) -> Story:
    """Another fret, another pitch, chosen strings in an order of their own; stopped at a move."""
    return story.play(2).takes(0.3, fret=7).play(4).takes(6.0, fret=7)


def with_frames(story: Kept) -> Story:
    """One take with everything that a reading of sound holds."""
    story.play(6)
    reading = stores.a_reading(story.target_hz(6, 12) * 1.002, story.now_s, frames=20, seed=3)
    return story.heard(reading)


# ------------------------------------------------------------------------------ keeping them


class Kept(Story):
    """A story whose entries are put on record as they come to be, as the engine does."""

    repository: Repository
    session_id: str

    def event(self, event: Any) -> Story:
        known = len(self.state.entries)
        super().event(whole(event))
        for entry in self.state.entries[known:]:
            self.repository.append(self.session_id, entry)
        return self

    def heard(self, reading: Reading) -> Story:
        self.now_s += 3.0
        return self.event(ReadingReady(reading, final=True))


class PlayedWhole(Played):
    """A survey whose readings are whole."""

    def then(self, event: Any) -> Played:
        return super().then(whole(event))


def whole(event: Any) -> Any:
    """The event with every number in its reading that a reading of sound has: all of them where it
    settled, was clipped or torn, the period's pitch alone where it was too short or too quiet."""
    if not isinstance(event, ReadingReady) or event.reading.partials:
        return event
    reading, pitch_hz = event.reading, event.reading.pitch_hz
    assert pitch_hz is not None
    known: dict[str, Any] = {
        "attack_cents": 500.0 / pitch_hz,
        "settle_s": 0.4,
        "tail_s": reading.ring_s - 0.4,
        "wander_cents": 0.06,
        "stiffness_b": reading.stiffness_b or 2e-6 * pitch_hz,
        "snr_db": 42.0,
        "partials": (Partial(1, pitch_hz, 0.1, -20.0, 1.5, 0.0),),
    }
    if isinstance(reading, Rejected):
        if reading.reason in (Reason.TOO_SHORT, Reason.TOO_QUIET):
            return event
        known["u_cents"] = 8.0 if reading.reason is Reason.NEVER_SETTLED else 0.05
    return replace(event, reading=replace(reading, **known))


class Maker:
    """Plays one session after the other, a day apart, and writes down what is said of each."""

    def __init__(self, repository: Repository) -> None:
        self.repository = repository
        self.said: dict[str, Any] = {}
        self.at = BEGAN

    def keep(self, name: str, instrument: Instrument, tell: Told, **changes: Any) -> str:
        changes.setdefault("tolerance_cents", instrument.tolerance_cents)
        return self.play(name, setup_of(instrument, **changes), tell)

    def play(self, name: str, setup: Setup, tell: Told) -> str:
        self.at += timedelta(days=1)
        session_id = self.repository.begin_session(
            setup, at=self.at, source=name, parameters={"rate_hz": 48000}
        )
        return self.go_on(name, session_id, Kept(begin(setup)), tell)

    def resume(self, name: str, session_id: str, tell: Told) -> None:
        """Go on with a session on record, with a new stream of sound."""
        record = self.repository.session(session_id)
        self.go_on(name, session_id, Kept(resume(record.setup, record.entries)), tell)

    def go_on(self, name: str, session_id: str, story: Kept, tell: Told) -> str:
        story.repository, story.session_id = self.repository, session_id
        tell(story)
        if story.state.log.step is Step.FINISHED:
            ended = self.at + timedelta(seconds=story.state.at_s)
            self.repository.finish_session(session_id, at=ended)
        self.says(name, session_id, frozen.live(story.state))
        return session_id

    def survey(self, name: str, tell: Callable[[Played], Any], **more: Any) -> None:
        self.at += timedelta(days=1)
        setup = Setup(SCREWS, strings=(6, 5))
        plan = survey.Plan(setup, **more)
        frets = ",".join(map(str, plan.frets))
        session_id = self.repository.begin_session(
            setup,
            at=self.at,
            source=name,
            kind=SessionKind.NECK,
            parameters={"rate_hz": 48000, "frets": frets, "takes": plan.takes},
        )
        played = PlayedWhole(survey.begin(plan))
        tell(played)
        for entry in played.survey.entries:
            self.repository.append(session_id, entry)
        if played.survey.finished:
            self.repository.finish_session(session_id, at=self.at + timedelta(minutes=9))
        self.says(name, session_id, frozen.live_survey(played.survey))

    def rehearsal(self, name: str, seed: int) -> None:
        self.at += timedelta(days=1)
        setup = Setup(replace(SCREWS, name="six-string"), strings=(6, 5))
        session_id = self.repository.begin_session(
            setup, at=self.at, source=name, rehearsal=True, parameters={"seed": seed}
        )

        def keep(entry: Entry) -> None:
            self.repository.append(session_id, without_frames(entry))

        done = rehearse(setup, seed=seed, keep=keep)
        ended = self.at + timedelta(seconds=done.state.at_s)
        self.repository.finish_session(session_id, at=ended)
        self.says(name, session_id, frozen.live(done.state))

    def says(self, name: str, session_id: str, live: frozen.Said) -> None:
        """What this version says, live at the end and on paper."""
        record = self.repository.session(session_id)
        self.said[session_id] = {
            "story": name,
            "struck_strings": frozen.struck_strings(record),
            "sheet": frozen.sheet(record),
            "live": live,
        }


def without_frames(entry: Entry) -> Entry:
    """The entry without the frames of its take, by far the larger part."""
    if not isinstance(entry, TakeEntry):
        return entry
    reading = replace(entry.take.reading, trace=NO_TRACE)
    return replace(entry, take=replace(entry.take, reading=reading))


def surveyed(played: Played) -> None:
    """Two strings at three frets, twice; one slips, takes are struck out and one begun again."""
    played.note(6).note(6, 5, 1.0).note(6, 7, 2.0).note(6, 12, 3.0).hz(90.0, Reason.TOO_SHORT)
    played.note(6, 0, -25.0).note(6, 0, 0.5).note(6, 5, 1.1).note(6, 12, 9.0)
    played.key(Command.STRIKE).note(6, 12, 3.1).note(6, 7, 1.9).note(4).hz(70.0)
    played.then(InputLost("unplugged")).then(InputBack())
    played.note(5).note(5, 5, 1.0).key(Command.AGAIN)
    for take in range(2):
        for fret in (0, 5, 7, 12):
            played.note(5, fret, 0.1 * fret + 0.2 * take)
    for fret in (0, 5, 7, 12):
        if not played.survey.finished:
            played.note(played.survey.current, fret, 0.2 * fret)


def half_surveyed(played: Played) -> None:
    """Broken off in the middle of the second string, the first passed over for a while."""
    played.note(6).note(6, 3, 2.0).key(Command.NEXT).note(5).note(5, 12, 4.0)


def make(repository: Repository) -> dict[str, Any]:
    """Play every session into the store; what the program says of each, by its id."""
    for instrument in (SCREWS, PAIRS, FIXED):
        repository.add_instrument(instrument, at=BEGAN)
    maker = Maker(repository)
    maker.keep("the whole job", SCREWS, whole_job)
    maker.keep("struck out, and again", SCREWS, struck_and_again, strings=(6, 5))
    maker.keep("again, and stopped", SCREWS, again_and_stopped, strings=(6, 5))
    maker.keep("struck out after the end", SCREWS, struck_and_finished, strings=(6, 5))
    maker.keep("a move struck out", SCREWS, verdict_struck, strings=(6, 5))
    earlier = [record.log for record in repository.sessions(SCREWS.name)]
    learned = setup_of(SCREWS, strings=(6, 5, 4), person=learned_person(earlier))
    learned = replace(learned, response=learned_response(earlier, learned))
    maker.play("stopped at a move, with what was learned", learned, stop_at_move)
    for tell in (
        stop_at_second_move,
        stop_at_retune,
        stop_at_open,
        stop_at_open_after_move,
        stop_at_fretted,
        stop_at_tune,
    ):
        maker.keep(tell.__name__.replace("_", " "), SCREWS, tell, strings=(6, 5, 4))
    maker.keep("last round", SCREWS, last_round, strings=(6, 5))
    maker.keep("last round moved again", SCREWS, last_round_moved_again, strings=(6, 5))
    for tell in (
        stop_at_border,
        stop_at_border_after_move,
        border_both_ways,
        left_at_border_by_playing_on,
    ):
        maker.keep(tell.__name__.replace("_", " "), SCREWS, tell, strings=(6, 5), most_takes=12)
    maker.keep("out of travel", SCREWS, out_of_travel, strings=(6, 5, 4), most_takes=40)
    begun = maker.keep("gone on with", SCREWS, stop_at_open_after_move, strings=(6,))
    maker.resume("gone on with", begun, lambda story: story.play(6).takes(0.2))
    maker.keep("a pair, finished", PAIRS, pair_finished, strings=(6, 5))
    maker.keep("a pair, stopped", PAIRS, pair_stopped, strings=(6, 5))
    maker.keep("a pair at its move", PAIRS, pair_at_move, strings=(6, 5))
    maker.keep("a fixed saddle", FIXED, filed, strings=(6, 5), tolerance_cents=1.0)
    maker.keep("a fixed saddle, no travel left", FIXED, stop_at_filing, strings=(6, 5, 4))
    maker.keep("the 7th fret", SCREWS, at_the_seventh_fret, strings=(2, 4), fret=7, a4_hz=442.0)
    maker.keep("with frames", SCREWS, with_frames, strings=(6,))
    maker.survey("a survey", surveyed, frets=(5, 7, 12), takes=2)
    maker.survey("half a survey", half_surveyed, frets=(3, 12), takes=1)
    maker.rehearsal("a rehearsal, seed 7", 7)
    return maker.said


def main() -> None:
    """Write the three files of the present form."""
    stem = f"store-form-{SCHEMA_VERSION}"
    if list(HERE.glob(f"{stem}.*")):
        raise SystemExit(f"{stem} is frozen")
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder, "store.sqlite")
        with Repository.open(place) as repository:
            said = make(repository)
            records = [repository.session(each) for each in repository.session_ids()]
            export = "".join(export_json(repository.instruments_of(records), records))
        connection = sqlite3.connect(place)
        connection.execute("PRAGMA journal_mode=DELETE")  # everything in the one file
        connection.execute("VACUUM")
        connection.close()
        store = place.read_bytes()
    told = json.dumps(said, indent=1, allow_nan=False, ensure_ascii=False) + "\n"
    files = {"sqlite": store, "export.json": export.encode(), "said.json": told.encode()}
    for ending, content in files.items():
        (HERE / f"{stem}.{ending}.gz").write_bytes(gzip.compress(content, mtime=0))


if __name__ == "__main__":
    main()
