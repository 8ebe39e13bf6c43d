"""`pitchbench repeatability --session`: takes on record, by player, each against its own tuning."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
import stores
from recordings import Ran
from survey_story import Played, plan

from pitchbench.intonation.repeatability import precision
from pitchbench.pitch.reading import Reason
from pitchbench.records.model import SessionKind
from pitchbench.records.repository import Repository
from pitchbench.session.survey import begin

Capsys = pytest.CaptureFixture[str]

#: What the finger adds to each fretted take, cents: one player steady, one not, 3 cents apart.
STEADY = (0.2, -0.2, 0.1, -0.1)
UNSTEADY = (5.0, 1.0, 4.5, 1.5)
#: How far off the open string was tuned by each, which no finger can help.
TUNED = {"anna": 1.5, "ben": -2.5}


@pytest.fixture
def store(tmp_path: Path) -> str:
    """A store with one survey of the low E by each player."""
    place = str(tmp_path / "store")
    with Repository.open(place) as repository:
        for hour, (player, detunes) in enumerate((("anna", STEADY), ("ben", UNSTEADY))):
            story = Played(begin(plan(strings=(6,), frets=(7, 12), takes=4)))
            for detune in detunes:
                for fret in (0, 7, 12):
                    story.note(6, fret, TUNED[player] + (detune if fret else 0.0))
            _keep(repository, story, player, hour)
    return place


def _keep(repository: Repository, story: Played, player: str, hour: int) -> str:
    session = repository.begin_session(
        story.survey.setup,
        at=stores.NOON + timedelta(hours=hour),
        source=f"{player}'s microphone",
        kind=SessionKind.NECK,
    )
    for entry in story.survey.entries:
        repository.append(session, entry)
    return session


def ids(store: str) -> list[str]:
    with Repository.open(store) as repository:
        return repository.session_ids()


def test_players_notes_and_takes_are_those_on_record(capsys: Capsys, store: str) -> None:
    anna, ben = ids(store)
    ran = Ran(
        capsys, "repeatability", "--session", f"anna={anna}", "--session", f"ben={ben[:20]}",
        "--store", store, "--format", "json",
    )  # fmt: skip
    assert (ran.code, ran.err) == (0, "")
    document = ran.document
    assert [(p["player"], p["takes"]) for p in document["players"]] == [("anna", 12), ("ben", 12)]
    assert (document["open_notes"], document["fretted_from"]) == (["E2"], "own_open_string")
    assert [note["note"] for note in document["notes"]] == ["E2", "B2", "E3"]
    truth = precision([STEADY, UNSTEADY])
    for note in document["notes"][1:]:
        assert note["repeatability_sd_cents"] == pytest.approx(truth.repeatability_sd)
        assert note["between_sd_cents"] == pytest.approx(truth.between_sd)
    # Each tuned the string anew, so nothing is said of how their open notes differ.
    assert document["notes"][0]["mean_cents"] == pytest.approx(0.0, abs=1e-6)
    assert document["habit"] == "fretting"


def test_without_a_name_the_session_is_the_player(capsys: Capsys, store: str) -> None:
    ran = Ran(capsys, "repeatability", "--session", "last", "--store", store)
    assert ran.code == 0
    assert f"player {ids(store)[1][:15]}: 12 takes" in ran.out


def test_a_string_tuned_anew_is_another_note(capsys: Capsys, store: str) -> None:
    story = Played(begin(plan(strings=(6,), frets=(5, 12), takes=3)))
    for _ in range(2):
        story.note(6).note(6, 12, 1.0)
    story.hz(None, Reason.TOO_SHORT)
    story.note(6, 0, -20.0)
    for _ in range(2):
        story.note(6, 0, 3.0).note(6, 12, 4.0)
    with Repository.open(store) as repository:
        _keep(repository, story, "cleo", 9)
    ran = Ran(
        capsys, "repeatability", "--session", "cleo=last", "--store", store, "--format", "json"
    )
    notes = {note["note"]: note for note in ran.document["notes"]}
    assert list(notes) == ["E2", "E2, 2nd tuning", "E3", "E3, 2nd tuning"]
    # No take differs from another of its tuning, though three cents lie between the tunings.
    assert [note["repeatability_sd_cents"] for note in notes.values()] == pytest.approx([0.0] * 4)
    assert notes["E3, 2nd tuning"]["mean_cents"] == pytest.approx(1.0)
    rejected = [r for r in ran.document["readings"] if r["status"] == "rejected"]
    assert [r["reason"] for r in rejected] == ["too_short"]


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (("--session", "last", "--session", "anna=last"), 2, "was given twice."),
        (("a.wav", "--session", "last"), 2, "Recordings and sessions were both given."),
        (("--session", "1999"), 5, "There is no session '1999' on record."),
    ],
)
def test_wrong_usage_is_told(
    capsys: Capsys, store: str, arguments: tuple[str, ...], code: int, says: str
) -> None:
    ran = Ran(capsys, "repeatability", *arguments, "--store", store)
    assert (ran.code, ran.out) == (code, "")
    assert says in ran.err


def test_a_session_that_sets_the_intonation_counts_as_well(capsys: Capsys, tmp_path: Path) -> None:
    place = str(tmp_path / "bench")
    with Repository.open(place) as repository:
        session = repository.begin_session(stores.a_setup(), at=stores.NOON, source="test")
        for entry in stores.a_log():
            repository.append(session, entry)
    document = Ran(
        capsys, "repeatability", "--session", "last", "--store", place, "--format", "json"
    ).document
    # Strings with odd numbers were moved: what was played after that is another note.
    assert {"E4", "E5", "E5, 2nd tuning", "B3", "B4"} <= {n["note"] for n in document["notes"]}
