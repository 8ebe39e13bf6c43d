"""The state table in docs/session.md is what the session does."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from session_story import Story

from pitchbench.pitch.reading import Reason
from pitchbench.presets import preset
from pitchbench.session.job import Command
from pitchbench.session.log import Outcome, Step

DOCUMENT = Path(__file__).parents[2] / "docs" / "session.md"

#: Departures with which ten takes can neither leave a string of 1.8 cents nor aim a move well.
UNSURE = (3.8, -3.8, 2.3, -2.3, 3.0, -3.0)


def before() -> Story:
    return Story.begin(strings=(6, 5), most_takes=10)


def tune() -> Story:
    return before().play(6, 0, -20.0)


def opened() -> Story:
    """At OPEN: taken to be in tune without a pluck."""
    return tune().key(Command.ACCEPT)


def fretted() -> Story:
    return before().play(6)


def move() -> Story:
    return before().string(6.0)


def retune() -> Story:
    return move().play(6, 0, -150.0)


def border() -> Story:
    return before().play(6).takes(1.8, UNSURE)


#: Departures of a person who scatters more than the strings before let expect.
WIDE = (3.0, -3.0, 2.0, -2.0)


def last_round() -> Story:
    """String 6 was left after few steady takes; string 5 showed how much the person scatters."""
    story = Story.begin(strings=(6, 5)).play(6).takes(0.8).play(5).takes(6.0, WIDE)
    return story.move_and_retune(5).takes(0.0, WIDE)


def out_of_travel() -> Story:
    guitar = preset("six-string")
    short = replace(guitar, bridge=replace(guitar.bridge, travel_away_mm=1.0))
    story = Story.begin(short, strings=(6, 5)).string(6.0)
    assert story.outcomes()[6] is Outcome.OUT_OF_TRAVEL
    return story


def _fretted(story: Story, departures: tuple[float, ...]) -> Story:
    for departure in departures:
        story.play(6, 12, 1.8 + departure)
    return story


def _misses(story: Story) -> Story:
    for _ in range(4):
        story.play(6, 12, 3.0, reason=Reason.NEVER_SETTLED)
    return story


Play = Callable[[], Story]

#: Step, what is heard, the story that leads there and lets it be heard, the string and step after.
ROWS: list[tuple[Step, str, Play, str, int, Step]] = [
    (Step.BEFORE, "an open string near its note, out of tune", tune, "tune", 6, Step.TUNE),
    (Step.BEFORE, "an open string in tune", fretted, "fret the 12th", 6, Step.FRETTED),
    (
        Step.BEFORE, "key: accept", lambda: before().key(Command.ACCEPT),
        "tune", 6, Step.TUNE,
    ),
    (
        Step.TUNE, "the string, out of tune", lambda: tune().play(6, 0, 8.0),
        "tune", 6, Step.TUNE,
    ),
    (
        Step.TUNE, "the string within 3 cents", lambda: tune().play(6, 0, -2.0),
        "fret the 12th", 6, Step.FRETTED,
    ),
    (
        Step.TUNE, "another string's open note, twice", lambda: tune().play(5).play(5),
        "the other string, if in tune: fret the 12th", 5, Step.FRETTED,
    ),
    (
        Step.TUNE, "key: accept", lambda: tune().key(Command.ACCEPT),
        "pluck open", 6, Step.OPEN,
    ),
    (
        Step.FRETTED, "the fretted note, undecided", lambda: fretted().play(6, 12, 6.1),
        "fret the 12th", 6, Step.FRETTED,
    ),
    (
        Step.FRETTED, "the fifth fretted note in a row, undecided",
        lambda: _fretted(fretted(), UNSURE[:5]),
        "pluck open", 6, Step.OPEN,
    ),
    (
        Step.OPEN, "the open note, undecided", lambda: opened().play(6),
        "fret the 12th", 6, Step.FRETTED,
    ),
    (
        Step.OPEN, "the open note more than 10 cents off", lambda: opened().play(6, 0, -12.0),
        "tune", 6, Step.TUNE,
    ),
    (
        Step.OPEN, "the fretted note, unasked", lambda: opened().play(6, 12, 6.0),
        "taken as well: pluck open", 6, Step.OPEN,
    ),
    (
        Step.FRETTED, "the take that decides: within the tolerance",
        lambda: before().string(0.1),
        "next string: tune", 5, Step.TUNE,
    ),
    (
        Step.FRETTED, "the take that decides: outside", move,
        "move the saddle", 6, Step.MOVE,
    ),
    (
        Step.FRETTED, "the take that decides: outside, and no travel left", out_of_travel,
        "out of travel; next string: tune", 5, Step.TUNE,
    ),
    (
        Step.FRETTED, "the most takes are in, undecided", border,
        "on the border", 6, Step.BORDER,
    ),
    (
        Step.FRETTED, "four plucks in a row that never settle", lambda: _misses(fretted()),
        "does not settle; next string: tune", 5, Step.TUNE,
    ),
    (
        Step.FRETTED, "key: next string", lambda: fretted().key(Command.NEXT),
        "passed over; next string: tune", 5, Step.TUNE,
    ),
    (
        Step.MOVE, "the string slackened, while it rings",
        lambda: (s := move()).live(s.target_hz(6) * 0.9),
        "retune", 6, Step.RETUNE,
    ),
    (
        Step.MOVE, "the open note at another pitch, out of tune", retune,
        "retune", 6, Step.RETUNE,
    ),
    (
        Step.MOVE, "the open note as before", lambda: move().play(6),
        "move the saddle; asks for it once more", 6, Step.MOVE,
    ),
    (
        Step.MOVE, "the open note as before, again", lambda: move().play(6).play(6),
        "new round: fret the 12th", 6, Step.FRETTED,
    ),
    (
        Step.MOVE, "key: accept", lambda: move().key(Command.ACCEPT),
        "retune", 6, Step.RETUNE,
    ),
    (
        Step.MOVE, "key: strike out", lambda: move().key(Command.STRIKE),
        "undecided again: fret the 12th", 6, Step.FRETTED,
    ),
    (
        Step.RETUNE, "the string below or above its note", lambda: retune().play(6, 0, 9.0),
        "retune", 6, Step.RETUNE,
    ),
    (
        Step.RETUNE, "the string within 3 cents", lambda: retune().play(6),
        "new round: fret the 12th", 6, Step.FRETTED,
    ),
    (
        Step.BORDER, "the next string's open note", lambda: border().play(5),
        "left on the border; the next string, if in tune: fret the 12th", 5, Step.FRETTED,
    ),
    (
        Step.BORDER, "the string slackened", lambda: (s := border()).live(s.target_hz(6) * 0.9),
        "retune", 6, Step.RETUNE,
    ),
    (
        Step.BORDER, "its open note, twice in a row", lambda: border().play(6).play(6),
        "fret the 12th", 6, Step.FRETTED,
    ),
    (
        Step.BORDER, "key: accept", lambda: border().key(Command.ACCEPT),
        "left on the border; next string: tune", 5, Step.TUNE,
    ),
    (
        Step.LAST_ROUND, "the open string, out of tune", lambda: last_round().play(6, 0, -8.0),
        "all strings once more, same string", 6, Step.LAST_ROUND,
    ),
    (
        Step.LAST_ROUND, "takes that are now outside", lambda: last_round().string(9.0),
        "move the saddle", 6, Step.MOVE,
    ),
    (
        Step.LAST_ROUND, "takes that make it sure", lambda: last_round().string(0.6),
        "all strings once more, next string that is not sure", 5, Step.LAST_ROUND,
    ),
    (
        Step.LAST_ROUND, "takes that make the last one sure",
        lambda: last_round().string(0.6).string(0.3),
        "finished", 5, Step.FINISHED,
    ),
]  # fmt: skip


def table() -> str:
    """The table as it stands in the document."""
    return "\n".join(f"| {step} | {heard} | {after} |" for step, heard, _, after, _, _ in ROWS)


def test_the_document_holds_this_table() -> None:
    assert table() in DOCUMENT.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("heard", "play", "string", "step"),
    [(heard, play, string, step) for _, heard, play, _, string, step in ROWS],
    ids=[f"{step}-{heard}" for step, heard, *_ in ROWS],
)
def test_the_session_follows_the_table(heard: str, play: Play, string: int, step: Step) -> None:
    state = play().state
    assert (state.log.current, state.log.step) == (string, step)


@pytest.mark.parametrize("step", [step for step in Step if step not in (Step.SURVEY, Step.STRETCH)])
def test_every_step_is_in_the_table(step: Step) -> None:
    assert step in {row[0] for row in ROWS} | {row[-1] for row in ROWS}


@pytest.mark.parametrize(
    ("play", "step"),
    [
        (before, Step.BEFORE), (tune, Step.TUNE), (opened, Step.OPEN), (fretted, Step.FRETTED),
        (move, Step.MOVE), (retune, Step.RETUNE), (border, Step.BORDER),
        (last_round, Step.LAST_ROUND),
    ],
)  # fmt: skip
def test_the_stories_stand_where_the_table_starts(play: Play, step: Step) -> None:
    assert play().state.log.step is step


def test_in_the_last_round_the_take_that_shows_a_string_in_tune_begins_its_tuning() -> None:
    """What was heard before it was tuned again is another tuning; what follows is of the same."""
    story = last_round()
    before = {take.tuning for take in story.state.log.strings[5].takes}
    story.play(6, 0, -8.0)
    assert story.state.log.strings[5].tuning == max(before)
    story.play(6, 0, 0.2).play(6, 12, 0.6).play(6, 0, 0.1)
    late = [take.tuning for take in story.state.log.strings[5].takes[-3:]]
    assert late == [max(before) + 1] * 3


if __name__ == "__main__":
    print(table())
