"""A day at the bench: six instruments of different kinds, from the door to the sheet, on a file and
on a server. The instruments and what is played on them are our own invention."""

from __future__ import annotations

import json
import shlex
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
import stores
from paper import AXE, PAPERS, checked_for_access, pages_and_size, words_in
from recordings import Ran

from pitchbench.records.repository import Repository

pytestmark = pytest.mark.browser

Capsys = pytest.CaptureFixture[str]

#: Name, preset, strings that are rehearsed, seed. Seeds by which little has to be played.
BENCH = (
    ("Slanted seven", "seven-string-slanted", "7", 2),
    ("Twelve", "twelve-string", "9,10", 1),
    ("Low five", "bass-five", "1", 3),
    ("Small one", "ukulele", "4", 4),
    ("Floating", "clamped-tremolo", "2", 1),
    ("Steel", "steel-acoustic", "1", 3),
)

#: What is set for real, from the sound of its rehearsal.
REAL, STRING = "Low five", "1"

#: So that few plucks decide.
QUICK = ("--tolerance", "4")


class Bench:
    """The program, with the records at one place."""

    def __init__(self, capsys: Capsys, place: str) -> None:
        self._capsys = capsys
        self.place = place

    def __call__(self, *arguments: object) -> Ran:
        ran = Ran(self._capsys, *arguments, "--store", self.place)
        assert ran.code == 0, ran.err
        return ran

    def today(self) -> dict[str, Any]:
        return self("today", "--format", "json").document

    def names(self, group: str) -> list[str]:
        return sorted(each["instrument"] for each in self.today()[group])


@pytest.fixture
def other_place(store_place: str, request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """A store of the other kind."""
    if "://" in store_place:
        return str(tmp_path / "other.sqlite")
    return str(request.getfixturevalue("postgresql_url"))


def near(string: dict[str, Any], true_cents: float) -> bool:
    """As near as four standard uncertainties, which chance exceeds once in thousands."""
    return bool(abs(string["left_cents"] - true_cents) < 4.0 * string["left_u_cents"])


def in_two(recording: Path) -> tuple[Path, Path]:
    """Before and after the quietest half second in the middle: nobody breaks off in a note."""
    sound, rate_hz = soundfile.read(recording)
    half_second = rate_hz // 2
    middle = range(len(sound) // 3, 2 * len(sound) // 3, half_second // 5)
    at = min(middle, key=lambda first: float(np.sum(sound[first : first + half_second] ** 2)))
    cut = at + half_second // 2
    paths = recording.with_name("first.flac"), recording.with_name("rest.flac")
    for path, part in zip(paths, (sound[:cut], sound[cut:]), strict=True):
        soundfile.write(path, part, rate_hz)
    return paths


def exported(bench: Bench, path: Path) -> dict[str, Any]:
    bench("export", "--out", path, "--force")
    document: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return document


def test_a_day(
    capsys: Capsys, store_place: str, other_place: str, page: Any, tmp_path: Path
) -> None:
    bench, every = Bench(capsys, store_place), sorted(name for name, *_ in BENCH)

    # They come through the door.
    for name, kind, _, _ in BENCH:
        bench("instrument", "add", name, "--like", kind, "--strings-fitted", "today")
    assert bench.names("checks_due") == every
    assert {due["reasons"][0] for due in bench.today()["checks_due"]} == {
        "never set on this record"
    }

    # Each is rehearsed; a rehearsal is no work done.
    sound = tmp_path / "whole.flac"
    truth: dict[str, Any] = {}
    for name, _, strings, seed in BENCH:
        kept = ("--record", sound) if name == REAL else ()
        asked = ("--instrument", name, "--strings", strings, "--seed", seed, *QUICK, *kept)
        rehearsed = bench("rehearse", *asked, "--keep", "--format", "json").document
        assert rehearsed["finished"]
        for each in rehearsed["strings"]:
            assert near(each, each["true_left_cents"])
        if name == REAL:
            (truth,) = rehearsed["strings"]
    assert bench.names("checks_due") == every
    assert [bench.today()[group] for group in ("in_hand", "broken_off", "done")] == [[], [], []]

    # One is set for real, and broken off.
    first, rest = in_two(sound)
    begun = ("session", "--instrument", REAL, "--strings", STRING, *QUICK, "--keep")
    assert not bench(*begun, "--recording", first, "--format", "json").document["finished"]
    (left,) = bench.today()["broken_off"]
    assert (left["instrument"], left["strings"]) == (REAL, 1)
    assert left["strings_done"] == 0

    # Another bench has one in hand meanwhile; then that is left too.
    with Repository.open(store_place) as other_bench:
        steel = other_bench.instrument("Steel").instrument
        in_hand = other_bench.begin_session(stores.a_setup(steel), at=stores.NOON)
        other_bench.append(in_hand, stores.a_log(steel)[0])
        assert bench.names("in_hand") == ["Steel"]
        assert bench.names("checks_due") == sorted({*every} - {"Steel"})
        other_bench.let_go(in_hand)
    assert bench.names("broken_off") == sorted((REAL, "Steel"))

    # The one is gone on with by the command that the list names.
    command = shlex.split(left["go_on"])[1:]
    command = command[: command.index("--store")]
    resumed = bench(*command, "--keep", "--recording", rest, "--format", "json").document
    assert resumed["finished"]
    (result,) = resumed["strings"]
    assert result["moves"] == truth["moves"] == 1, "it was broken off between move and result"
    assert near(result, truth["true_left_cents"])
    assert bench.names("broken_off") == ["Steel"]
    (done,) = bench.today()["done"]
    assert (done["instrument"], done["strings_done"], done["strings"]) == (REAL, 1, 1)
    (due,) = (each for each in bench.today()["checks_due"] if each["instrument"] == REAL)
    assert due["reasons"] == ["strings 2, 3, 4 and 5 never set on this record"]

    # Each has its sheet, of one page.
    for name in every:
        bench("sheet", name, "--out", tmp_path / "sheet.html", "--force")
        html = (tmp_path / "sheet.html").read_text(encoding="utf-8")
        page.show(html)
        assert page.complaints == []
        assert page.title() == f"Setup sheet: {name}"
        for paper in PAPERS:
            page.pdf(path=str(tmp_path / "sheet.pdf"), format=paper)
            assert pages_and_size(tmp_path / "sheet.pdf") == (1, PAPERS[paper]), name
        if AXE is not None:
            assert checked_for_access(page)["violations"] == [], name
    bench("sheet", REAL, "--out", tmp_path / "own.pdf")
    assert pages_and_size(tmp_path / "own.pdf")[0] == 1
    assert f"Setup sheet: {REAL}" in words_in(tmp_path / "own.pdf")

    # All of it goes to a store of the other kind.
    document = exported(bench, tmp_path / "day.json")
    assert len(document["sessions"]) == len(BENCH) + 2
    elsewhere = Bench(capsys, other_place)
    elsewhere("import", tmp_path / "day.json")
    assert exported(elsewhere, tmp_path / "again.json") == document
    for group in ("done", "checks_due"):
        assert elsewhere.today()[group] == bench.today()[group]
    for name in every:
        assert elsewhere("sheet", name).out == bench("sheet", name).out
        of_it = ("history", name, "--rehearsals", "--format", "json")
        assert elsewhere(*of_it).document == bench(*of_it).document
