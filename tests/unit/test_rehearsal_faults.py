"""Faults that are practised are found by what is heard, and none is found where there is none."""

from __future__ import annotations

import multiprocessing
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import pytest
from recordings import Ran
from session_story import setup_of

from pitchbench.presets import preset
from pitchbench.records.repository import Repository
from pitchbench.report.rehearsed import COLUMNS, fault_lines, found_in, truth_rows
from pitchbench.session.findings import Finding
from pitchbench.session.log import Outcome
from pitchbench.session.rehearsal import Rehearsal, rehearse
from pitchbench.session.rehearsed_survey import rehearse_survey
from pitchbench.strings.faults import Fault, FaultyInstrument

#: Backlash is little against the scatter of one fretting: it wants every string, and is found with
#: 11 of the first 12 seeds.
ALL = (6, 5, 4, 3, 2, 1)
JOBS: list[tuple[Fault | None, tuple[int, ...], int]] = [
    (Fault.BACKLASH, ALL, 4),
    *((fault, (6,), 6) for fault in Fault if fault is not Fault.BACKLASH),
    # Of a high string that loses much by itself a note is left.
    (Fault.DEAD_FRET, (1,), 1),
    (None, (6,), 6),
    (None, (3, 1), 2),
]


def practised(job: tuple[Fault | None, tuple[int, ...], int]) -> tuple[Rehearsal, list[Finding]]:
    fault, strings, seed = job
    done = rehearse(setup_of(strings=strings), seed=seed, fault=fault)
    survey = rehearse_survey(done.instrument, done.state.setup, seed=seed)
    return done, [*found_in(done, survey)]


def pool() -> ProcessPoolExecutor:
    # Spawned, not forked: other tests of this run may have left threads behind.
    return ProcessPoolExecutor(os.cpu_count(), multiprocessing.get_context("spawn"))


@pytest.mark.timeout(900)
def test_each_fault_is_found_by_what_is_heard_and_no_other() -> None:
    with pool() as workers:
        done = dict(zip(JOBS, workers.map(practised, JOBS), strict=True))
    found = {job: {each.fault for each in findings} for job, (_, findings) in done.items()}
    assert found == {job: {job[0]} - {None} for job in JOBS}
    for (fault, strings, _), (rehearsal, findings) in done.items():
        assert rehearsal.state.finished
        for finding in findings:
            assert finding.string in ({None} if fault is Fault.BACKLASH else {*strings})
    # The one who moved a saddle the wrong way was brought back, and not sent astray.
    wrong_way, _ = done[Fault.WRONG_WAY, (6,), 6]
    assert wrong_way.moves[0].advised_mm * wrong_way.moves[0].made_mm < 0.0
    assert wrong_way.state.log.strings[5].outcome is Outcome.LEAVE
    assert abs(wrong_way.true_left_cents[6]) < 2.0
    assert all(abs(move.advised_mm) < 15.0 for move in wrong_way.moves)
    # What is on record is what the saddle did, not what was advised.
    for told, true in zip(wrong_way.state.log.moves, wrong_way.moves, strict=True):
        assert told.made_mm == pytest.approx(true.made_mm, rel=0.15)
    (row,) = truth_rows(wrong_way)
    assert len(row) == len(COLUMNS)
    assert row[0] == "6 E2"
    assert row[2] == f"{wrong_way.true_found_cents[6]:+.1f}"
    assert row[-1].startswith("yes, within")


def test_a_fault_changes_what_it_is_and_nothing_else() -> None:
    def made(fault: Fault | None) -> FaultyInstrument:
        return FaultyInstrument(preset("six-string"), seed=5, fault=fault, string=6, fret=12)

    def offsets(fault: Fault | None) -> dict[int, float]:
        virtual = made(fault)
        return {fret: virtual.true_offset_cents(6, fret) for fret in (1, 2, 3, 12)}

    sound, high = offsets(None), offsets(Fault.HIGH_NUT)
    assert high[12] == pytest.approx(sound[12], abs=0.01)
    assert high[1] - sound[1] > 5.0
    assert high[1] - sound[1] > high[2] - sound[2] > high[3] - sound[3] > 1.0
    for fault in (Fault.OLD_STRING, Fault.BACKLASH, Fault.DEAD_FRET, Fault.WRONG_WAY):
        assert offsets(fault) == sound
    loose = made(Fault.BACKLASH)
    towards = 1.0 if loose.true_offset_cents(6) > 0 else -1.0
    assert loose.move_saddle(6, 1.0 * towards) == 0.0
    assert loose.move_saddle(6, 1.0 * towards) == towards


def test_what_was_not_found_says_what_would_find_it() -> None:
    found = (Finding(Fault.DEAD_FRET, 6, "it dies"),)
    assert fault_lines(None, ()) == []
    assert fault_lines(None, found) == [("sign of a fault", "string 6: a dead fret: it dies")]
    assert fault_lines(Fault.DEAD_FRET, found)[-1] == ("found", "yes")
    label, words = fault_lines(Fault.BACKLASH, found)[-1]
    assert label == "found"
    assert words.startswith("no: it takes more moves")


@pytest.mark.timeout(300)
def test_an_instrument_on_record_is_rehearsed_and_its_fault_is_named(
    capsys: pytest.CaptureFixture[str], tmp_path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = tmp_path / "records.sqlite"
    monkeypatch.setenv("PITCHBENCH_STORE", str(store))
    with Repository.open(store) as repository:
        repository.add_instrument(replace(preset("bass-four"), name="Blue bass"))
    words = "rehearse --strings 1 --seed 3 --tolerance 4 --fault dead-fret --plain --instrument"
    lines = Ran(capsys, *words.split(), "Blue bass").out.splitlines()
    assert lines[:2] == ["this is: rehearsal, virtual player", "instrument: Blue bass"]
    assert lines[-1] == "found: yes"
    assert "practised: a dead fret" in lines
    assert any(line.startswith("truth: string 1 G2: found ") for line in lines)
    assert any(line.startswith("sign of a fault: string 1: a dead fret: ") for line in lines)
    both = Ran(capsys, *words.split(), "Blue bass", "--preset", "bass-five")
    assert (both.code, both.err.splitlines()[0]) == (
        2,
        "pitchbench: --instrument and --preset were both given.",
    )


@pytest.mark.timeout(300)
def test_scripts_are_told_what_was_practised_and_found(capsys: pytest.CaptureFixture[str]) -> None:
    words = "rehearse --strings 1 --seed 3 --tolerance 4 --format json"
    document = Ran(capsys, *words.split()).document
    assert (document["fault"], document["findings"]) == (None, [])
    (string,) = document["strings"]
    assert abs(string["true_left_cents"] - string["left_cents"]) < 2.0 * string["left_u_cents"]
