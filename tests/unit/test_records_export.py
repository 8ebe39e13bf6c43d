"""Exports: JSON that validates, moves whole and merges; CSV that reads back."""

from __future__ import annotations

import csv
import io
import json
import math
import os
import stat
import subprocess
import sys
import tempfile
import urllib.request
import webbrowser
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import jsonschema
import pytest
import stores
from click.testing import CliRunner
from documents import parsed, validator
from hypothesis import given, settings
from hypothesis import strategies as st
from stores import NOON, read_export

from pitchbench.commands import cli
from pitchbench.errors import ExitCode, PitchbenchError, printable
from pitchbench.pitch.reading import Reading, Reason, Rejected
from pitchbench.records.documents import from_document, from_json, to_document, to_json
from pitchbench.records.model import InstrumentRecord, SessionMeta, SessionRecord
from pitchbench.records.repository import Repository
from pitchbench.report.export import export_json, takes_csv, write_file
from pitchbench.session.log import Entry, NoteEntry, TakeEntry, TakeFate

ID = "20260314-" + "0123456789abcdef" * 2


def a_record(log: tuple[Entry, ...] | None = None, name: str = "Bench guitar") -> SessionRecord:
    guitar = stores.an_instrument(name)
    meta = SessionMeta(ID, None, NOON, NOON + timedelta(hours=1), "0.1.0", parameters={"x": 1.5})
    return SessionRecord(stores.a_setup(guitar), stores.a_log() if log is None else log, meta)


def an_instrument_record(name: str = "Bench guitar") -> InstrumentRecord:
    return InstrumentRecord("0123456789abcdef" * 2, stores.an_instrument(name), NOON, NOON)


def exported(*records: SessionRecord) -> str:
    return "".join(export_json([an_instrument_record()], records))


# -- hypothesis: any log whatever ----------------------------------------------------------------

numbers = st.floats(allow_nan=False, allow_infinity=False)
texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=40)


@st.composite
def take_entries(draw) -> TakeEntry:
    """A pluck with any numbers, any text and any frames, some of them without a pitch."""
    frames = draw(st.integers(1, 6))
    reading = stores.a_reading(draw(st.floats(20.0, 2000.0)), draw(numbers), frames)
    for moment in draw(st.sets(st.integers(0, frames - 1))):
        reading.trace.pitch_hz[moment] = draw(st.sampled_from([math.nan, 1e-300, -0.0, 5e300]))
    names = ("u_cents", "attack_cents", "wander_cents")
    reading = replace(reading, **{name: draw(numbers) for name in names})
    if draw(st.booleans()):
        known = {**vars(reading), **{name: draw(st.none() | numbers) for name in names}}
        reading = Rejected(reason=draw(st.sampled_from(Reason)), **known)
    entry = stores.a_take(
        draw(st.integers(1, 10**6)),
        draw(st.integers(1, 6)),
        draw(st.none() | st.integers(0, 24)),
        draw(st.integers(0, 5)),
        reading,
    )
    why, fate = draw(texts), draw(st.sampled_from(TakeFate))
    return replace(entry, at_s=draw(numbers), take=replace(entry.take, why=why, fate=fate))


logs = st.lists(take_entries() | st.sampled_from(stores.a_log()), max_size=5).map(tuple)


@given(log=logs, name=texts.filter(str.strip))
@settings(deadline=None, max_examples=60)
def test_any_session_comes_back_from_json_exactly(log, name):
    record = a_record(log, name.strip())
    (back,) = read_export(exported(record)).sessions
    assert to_json(back.entries, tuple[Entry, ...]) == to_json(log, tuple[Entry, ...])
    assert back.setup == record.setup
    assert back.meta == record.meta


@pytest.fixture(scope="module")
def one_store(tmp_path_factory):
    with Repository.open(tmp_path_factory.mktemp("store") / "s.sqlite") as repository:
        yield repository


@given(log=logs, name=texts.filter(str.strip))
@settings(deadline=None, max_examples=30)
def test_any_session_comes_back_from_the_store_exactly(one_store, log, name):
    record = a_record(log, name.strip())
    session_id = one_store.begin_session(record.setup, at=NOON)
    for entry in log:
        one_store.append(session_id, entry)
    back = one_store.session(session_id)
    assert to_json(back.entries, tuple[Entry, ...]) == to_json(log, tuple[Entry, ...])
    assert back.setup == record.setup


@given(log=logs, name=texts.filter(str.strip))
@settings(deadline=None, max_examples=60)
def test_any_session_comes_back_from_csv_number_by_number(log, name):
    record = a_record(log, name.strip())
    rows = list(csv.DictReader(io.StringIO(takes_csv(record), newline="")))
    takes = [e.take for e in log if isinstance(e, TakeEntry)]
    # In the order of play, which is that of their numbers; here these are drawn at random.
    takes.sort(key=lambda take: (take.number, take.string))
    assert len(rows) == len(takes)
    for row, take in zip(rows, takes, strict=True):
        del row["fate"]  # a strike entry that hypothesis put in may have changed it
        assert int(row["take"]) == take.number
        for column, said in (("instrument", name.strip()), ("why", take.why)):
            assert row[column] in {printable(said), f"'{printable(said)}"}
        for column in ("pitch_hz", "u_cents", "attack_cents", "wander_cents", "onset_s"):
            value = getattr(take.reading, column)
            assert row[column] == ("" if value is None else repr(value))


@given(value=logs)
@settings(deadline=None, max_examples=30)
def test_documents_are_stable(value):
    once = to_json(value, tuple[Entry, ...])
    assert to_json(from_json(once, tuple[Entry, ...]), tuple[Entry, ...]) == once


def test_a_pluck_is_one_flat_object_whatever_became_of_it():
    reading = stores.a_reading(110.0, 1.0)
    rejected = Rejected(1.0, 0.2, Reason.TOO_SHORT, pitch_hz=110.0)
    flat = to_document(reading)
    assert list(flat) == list(to_document(rejected))
    assert (flat["reason"], to_document(rejected)["reason"]) == (None, "too_short")
    back = [from_document(to_document(each), Reading | Rejected) for each in (reading, rejected)]
    assert [type(each) for each in back] == [Reading, Rejected]
    assert [to_document(each) for each in back] == [flat, to_document(rejected)]


def test_an_older_reading_whose_tail_was_never_heard_is_read_as_never_settled():
    flat = {**to_document(stores.a_reading(110.0, 1.0)), "wander_cents": None}
    back = from_document(flat, Reading | Rejected)
    assert isinstance(back, Rejected)
    assert (back.reason, back.pitch_hz, back.wander_cents) == (Reason.NEVER_SETTLED, 110.0, None)


@pytest.mark.parametrize("missing", ["pitch_hz", "u_cents", "settle_s"])
def test_a_reading_without_its_numbers_is_refused(missing):
    flat = {**to_document(stores.a_reading(110.0, 1.0)), missing: None}
    with pytest.raises(Exception, match="Reading"):
        from_document(flat, Reading | Rejected)


# -- the schema ----------------------------------------------------------------------------------


def test_an_export_validates():
    assert parsed(exported(a_record()))["sessions"]


@pytest.mark.parametrize(
    "damage",
    [
        lambda d: d.pop("schema"),
        lambda d: d["sessions"][0].pop("setup"),
        lambda d: d["sessions"][0]["entries"][2]["take"]["reading"].update(pitch_hz="A"),
        lambda d: d["sessions"][0]["entries"][0].update(kind="gossip"),
        lambda d: d["instruments"][0]["instrument"].update(pitch=1),
    ],
)
def test_a_damaged_export_does_not_validate(damage):
    document = json.loads(exported(a_record()))
    damage(document)
    with pytest.raises(jsonschema.ValidationError):
        validator("pitchbench.export/1").validate(document)


# -- taking in -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{}",
        "[1]",
        "null",
        "[" * 100_000,
        '{"schema": "pitchbench.export/2"}',
        '{"schema": "pitchbench.export/1"}',
        '{"schema": "pitchbench.export/1", "instruments": [{}], "sessions": []}',
        '{"schema": "pitchbench.export/1", "instruments": 3, "sessions": [NaN]}',
        exported(a_record())[:-40],
    ],
)
def test_what_is_no_export_is_refused_in_a_sentence(text):
    with pytest.raises(PitchbenchError, match="cannot be taken in") as caught:
        read_export(text)
    assert caught.value.exit_code == ExitCode.RECORDS


@pytest.mark.parametrize(
    "damage",
    [
        lambda d: d["sessions"][0]["meta"].update(id="../../etc/passwd"),
        lambda d: d["sessions"][0]["meta"].update(started_at="2026-03-14T12:00:00"),
        lambda d: d["sessions"][0]["meta"].update(started_at="9999-12-31T23:30:00Z"),
        lambda d: d["sessions"][0]["meta"].update(started_at="0001-01-01T00:30:00Z"),
        lambda d: d["sessions"][0]["setup"]["instrument"].update(name="a\0b"),
        lambda d: d["sessions"][0]["setup"]["instrument"].update(strings=[]),
        lambda d: d["sessions"][0]["entries"][2]["take"].update(string=7),
        lambda d: d["sessions"][0]["entries"][2]["take"].update(string=0),
        lambda d: d["sessions"][0]["entries"][2]["take"]["reading"]["trace"].update(time_s=[]),
        lambda d: d["sessions"][0]["entries"][0].update(kind="gossip"),
        lambda d: d["instruments"][0].update(id="x"),
        lambda d: d["instruments"][0]["instrument"].update(setback_mm=[1.0]),
        lambda d: d["sessions"][0]["setup"].update(filed_mm=[1.0]),
    ],
)
def test_what_would_do_harm_is_refused(damage):
    document = json.loads(exported(a_record()))
    damage(document)
    with pytest.raises(PitchbenchError):
        read_export(json.dumps(document))


def run(*words: str, input_: str | None = None):
    result = CliRunner().invoke(cli, list(words), input=input_)
    if isinstance(result.exception, PitchbenchError):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result


def fill(place: str, name: str) -> None:
    guitar = stores.an_instrument(name)
    with Repository.open(place) as repository:
        repository.add_instrument(guitar, at=NOON)
        session_id = repository.begin_session(stores.a_setup(guitar), at=NOON)
        for entry in stores.a_log()[:8]:
            repository.append(session_id, entry)


def test_two_benches_become_one_without_duplicates(store_place, tmp_path):
    other = str(tmp_path / "other.sqlite")
    fill(store_place, "Here")
    fill(other, "There")
    export = run("export", "--store", other).stdout
    first = run("import", "-", "--store", store_place, input_=export)
    assert "1 of 1 instrument, 1 of 1 session." in first.stderr
    again = run("import", "-", "--store", store_place, input_=export)
    assert "0 of 1 instrument, 0 of 1 session;" in again.stderr
    with Repository.open(store_place) as repository:
        names = [line.instrument.name for line in repository.instruments()]
        assert names == ["Here", "There"]
        (record,) = repository.sessions("There")
        assert len(record.entries) == 8
        assert repository.instruments()[1].sessions == 1


def test_a_store_moved_to_a_new_machine_exports_the_same(tmp_path):
    old, new = str(tmp_path / "old.sqlite"), str(tmp_path / "new.sqlite")
    fill(old, "One")
    export = run("export", "--store", old).stdout
    run("import", "-", "--store", new, input_=export)
    assert run("export", "--store", new).stdout == export


def test_another_instrument_of_the_same_name_gets_a_number(tmp_path):
    one, other = str(tmp_path / "one.sqlite"), str(tmp_path / "other.sqlite")
    fill(one, "Bass")
    fill(other, "Bass")
    run("import", "-", "--store", one, input_=run("export", "--store", other).stdout)
    with Repository.open(one) as repository:
        assert len(repository.sessions("Bass")) == 1
        assert len(repository.sessions("Bass (2)")) == 1


def test_the_later_change_of_an_instrument_wins(tmp_path):
    one, other = str(tmp_path / "one.sqlite"), str(tmp_path / "other.sqlite")
    fill(one, "Bass")
    all_new = run("import", "-", "--store", other, input_=run("export", "--store", one).stdout)
    assert all_new.stderr == "Taken in: 1 of 1 instrument, 1 of 1 session.\n", "no others"
    run("instrument", "edit", "Bass", "--action", "3.3", "--store", other)
    export = run("export", "--store", other).stdout
    said = run("import", "-", "--store", one, input_=export).stderr
    assert "1 of 1 instrument, 0 of 1 session; of the others nothing was new" in said
    with Repository.open(one) as repository:
        assert repository.instrument("Bass").instrument.action_mm == 3.3
    run("instrument", "edit", "Bass", "--action", "1.1", "--store", one)
    said = run("import", "-", "--store", one, input_=export).stderr
    assert "0 of 1 instrument, 0 of 1 session;" in said
    with Repository.open(one) as repository:
        assert repository.instrument("Bass").instrument.action_mm == 1.1


def test_a_session_that_was_finished_elsewhere_is_taken_in(tmp_path):
    """Nothing but its end is new; an earlier end is none."""
    one, other = str(tmp_path / "one.sqlite"), str(tmp_path / "other.sqlite")
    fill(one, "Bass")
    exports = [run("export", "--store", one).stdout]
    run("import", "-", "--store", other, input_=exports[0])
    for minutes in (30, 40):
        with Repository.open(other) as repository:
            (session_id,) = repository.session_ids()
            repository.finish_session(session_id, at=NOON + timedelta(minutes=minutes))
        exports.append(run("export", "--store", other).stdout)
    for export, count in zip([*exports, *exports], (0, 1, 1, 0, 0, 0), strict=True):
        said = run("import", "-", "--store", one, input_=export).stderr
        assert f"0 of 1 instrument, {count} of 1 session;" in said
    assert run("export", "--store", one).stdout == exports[-1]


def test_an_export_of_one_instrument_holds_only_that(tmp_path):
    place = str(tmp_path / "s.sqlite")
    fill(place, "One")
    fill(place, "Two")
    document = parsed(run("export", "one", "--store", place).stdout)
    assert [i["instrument"]["name"] for i in document["instruments"]] == ["One"]
    assert len(document["sessions"]) == 1


def test_files_are_not_replaced_unless_told(tmp_path):
    place, out = str(tmp_path / "s.sqlite"), tmp_path / "out.json"
    fill(place, "One")
    out.write_text("precious")
    for words in (["export"], ["sheet", "last"]):
        with pytest.raises(PitchbenchError, match="exists already") as caught:
            run(*words, "--out", str(out), "--store", place)
        assert caught.value.exit_code == ExitCode.USAGE
        assert out.read_text() == "precious"
        run(*words, "--out", str(out), "--force", "--store", place)
        assert json.loads(out.read_text())["schema"] == "pitchbench.export/2"
        out.write_text("precious")
    assert [p.name for p in tmp_path.glob("*.part")] == []


def test_a_sheet_by_the_name_of_its_instrument_in_the_browser(tmp_path, monkeypatch):
    """What stands in for the browser notes which page it was given."""
    place, shown = str(tmp_path / "s.sqlite"), tmp_path / "shown"
    fill(place, "One")
    fill(place, "Two")
    browser = tmp_path / "browser"
    browser.write_text(f'#!/bin/sh\necho "$1" > {shown}\n')
    browser.chmod(0o755)
    monkeypatch.setenv("BROWSER", str(browser))
    monkeypatch.setattr(webbrowser, "_tryorder", None)  # forget the browsers of this process
    monkeypatch.setattr(webbrowser, "_browsers", {})
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    run("sheet", "One", "--open", "--remarks", "buzzes", "--store", place)
    page = Path(urllib.request.url2pathname(shown.read_text().strip().removeprefix("file://")))
    assert "Setup sheet: One" in page.read_text()
    assert "buzzes" in page.read_text()
    assert page.parent.stat().st_mode & 0o077 == 0
    with pytest.raises(PitchbenchError, match="shows no such file"):
        run("sheet", "One", "--open", "--out", str(tmp_path / "a.csv"), "--store", place)
    with pytest.raises(PitchbenchError, match="no session 'Three'"):
        run("sheet", "Three", "--store", place)


def test_a_file_is_on_the_disk_before_it_has_its_name(tmp_path, monkeypatch):
    """A power cut must not leave an empty file under the name of a whole one."""
    out, synced = tmp_path / "out.json", []
    really_sync = os.fsync

    def look_and_sync(descriptor):
        there = sorted(p.stat().st_size for p in tmp_path.iterdir() if p.is_file())
        is_folder = stat.S_ISDIR(os.fstat(descriptor).st_mode)
        synced.append((is_folder, out.exists(), there))
        really_sync(descriptor)

    monkeypatch.setattr(os, "fsync", look_and_sync)
    write_file(out, [b"one", b"two"], force=False)
    # First all that is in it, then the folder that holds its name.
    assert synced == [(False, False, [6]), (True, True, [6])]


def test_what_a_killed_export_left_is_cleared_by_the_next_one(tmp_path):
    """Only what nobody writes any more, and only what is ours."""
    killed = """
import os, signal, sys
from pathlib import Path
from pitchbench.report.export import write_file
def pieces():
    yield b"x" * 5000
    os.kill(os.getpid(), signal.SIGKILL)
write_file(Path(sys.argv[1]), pieces(), force=False)
"""
    for _ in range(2):
        subprocess.run([sys.executable, "-c", killed, tmp_path / "one.json"], check=False)
        (left,) = tmp_path.iterdir()
        assert left.name.endswith(".part")
    (tmp_path / "mine.part").write_text("somebody's")

    def another_one_meanwhile():
        write_file(tmp_path / "three.json", [b"three"], force=False)
        yield b"two"

    write_file(tmp_path / "two.json", another_one_meanwhile(), force=False)
    found = {path.name: path.read_text() for path in tmp_path.iterdir()}
    assert found == {"mine.part": "somebody's", "two.json": "two", "three.json": "three"}


@pytest.mark.parametrize("number", [math.nan, math.inf])
def test_what_is_no_number_stays_out_of_an_export_and_is_named(number, tmp_path, store_place):
    """JSON knows no NaN: a file that held one could not be read by anything else, nor by us."""
    fill(store_place, "One")
    with Repository.open(store_place) as repository:
        session_id = repository.session_ids()[0]
        repository.append(session_id, NoteEntry(number, None, "by mistake"))
    with pytest.raises(PitchbenchError, match=f"session {session_id[:15]}") as caught:
        run("export", "--out", str(tmp_path / "out.json"), "--store", store_place)
    assert caught.value.exit_code == ExitCode.RECORDS
    assert list(tmp_path.glob("*.json*")) == list(tmp_path.glob(".*.part")) == []


def test_a_name_cannot_become_a_formula_in_a_spreadsheet():
    rows = list(csv.DictReader(io.StringIO(takes_csv(a_record(name='=HYPERLINK("x")')))))
    assert rows[0]["instrument"] == '\'=HYPERLINK("x")'


def test_a_struck_take_says_so_in_csv():
    rows = list(csv.DictReader(io.StringIO(takes_csv(a_record()))))
    assert {row["fate"] for row in rows} == {"accepted", "struck out", "rejected"}
