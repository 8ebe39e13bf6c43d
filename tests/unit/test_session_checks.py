"""The checks around a session: asked before and after, kept, gone on with, and told."""

from __future__ import annotations

import os
import re
import select
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pexpect
import pytest
import soundfile
import stores
from documents import parsed
from stores import NOON, read_export

from pitchbench.commands import main
from pitchbench.errors import PitchbenchError
from pitchbench.lengths import LengthUnit, show_lengths_in
from pitchbench.presets import PRESETS, preset
from pitchbench.records.model import SessionMeta, SessionRecord
from pitchbench.records.repository import Repository
from pitchbench.refit import with_scale
from pitchbench.report.export import export_json
from pitchbench.report.sheet import sheet_html, sheet_lines
from pitchbench.screen.keys import drop_typed
from pitchbench.session.checks import (
    TABLE,
    Check,
    Checked,
    Family,
    Sort,
    Stage,
    asked_of,
    checked_words,
    compared,
    family_of,
    row_of,
    usual_words,
)
from pitchbench.session.fold import read_log
from pitchbench.session.log import CheckEntry

PITCHBENCH = str(Path(sys.executable).with_name("pitchbench"))
QUICK = ("--strings", "6", "--tolerance", "4")
ROOT = Path(__file__).parents[2]
BEFORE, AFTER = Stage


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sound of a rehearsal of string 6, to its end."""
    path = tmp_path_factory.mktemp("sound") / "job.flac"
    with pytest.raises(SystemExit):
        main(["rehearse", "--seed", "1", *QUICK, "--record", str(path), "--format", "json"])
    return path


@pytest.fixture(scope="module")
def beginning(recording: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Its first five seconds: one pluck, and the session is not finished."""
    path = tmp_path_factory.mktemp("sound") / "beginning.flac"
    sound, rate_hz = soundfile.read(recording, frames=5 * 48_000)
    soundfile.write(path, sound, rate_hz)
    return path


def checking(sound: Path, *answers: str, **options: Any) -> subprocess.CompletedProcess[str]:
    """A session of a recording, to whose questions the answers are typed."""
    arguments = options.get("arguments", ("--checks", *QUICK))
    kept = ("--recording", str(sound), "--keep", "--store", str(options["store"]))
    return subprocess.run(
        [PITCHBENCH, "session", *arguments, *kept, "--format", "json"],
        input="".join(f"{answer}\n" for answer in answers),
        capture_output=True,
        text=True,
        check=False,
    )


def asked(words: str) -> list[str]:
    """The checks that were asked for, as often as they were."""
    return re.findall(r"^([\w, ]+)\? ", words, re.M)


def the_session(store: Path) -> SessionRecord:
    with Repository.open(store) as repository:
        (record,) = repository.sessions()
    return record


# -- the table ---------------------------------------------------------------------------------


def test_every_check_stands_in_the_table_once_and_what_is_usual_can_be_typed() -> None:
    assert [row.check for row in TABLE] == list(Check)
    for row in TABLE:
        low_mm, high_mm = row.range_mm
        for usual_low_mm, usual_high_mm in row.usual_mm.values():
            assert low_mm < usual_low_mm < usual_high_mm < high_mm
        assert bool(row.choices) is (row.sort is Sort.CHOICE)


def test_the_work_that_can_hurt_has_its_caution() -> None:
    assert "truss rod only in small steps" in row_of(Check.RELIEF).caution
    assert "qualified repairer" in row_of(Check.RELIEF).caution
    assert "qualified repairer" in row_of(Check.NUT).caution
    for check in (Check.STRETCHED, Check.ACTION_BASS, Check.FLOAT):
        assert "eye protection" in row_of(check).caution


def test_only_what_makes_sense_on_an_instrument_is_asked() -> None:
    left_out = {
        name: set(Check) - {row.check for row in asked_of(instrument)}
        for name, instrument in PRESETS.items()
    }
    assert left_out["six-string"] == left_out["steel-acoustic"] == {Check.FLOAT}
    assert left_out["clamped-tremolo"] == set()
    assert left_out["nylon"] == left_out["ukulele"] == {Check.FLOAT, Check.PICKUP}


def test_what_is_usual_depends_on_the_instrument() -> None:
    families = {name: family_of(instrument) for name, instrument in PRESETS.items()}
    assert families["eight-string"] is families["clamped-tremolo"] is Family.ELECTRIC
    assert families["bass-five"] is families["bass-six"] is Family.BASS
    assert (families["nylon"], families["steel-acoustic"]) == (Family.CLASSICAL, Family.ACOUSTIC)
    others = {name for name, family in families.items() if family is None}
    assert others == {"ukulele", "mandolin", "bouzouki", "banjo-five"}
    assert usual_words(Check.RELIEF, preset("bass-four")) == "0.2 to 0.5 mm"
    assert usual_words(Check.RELIEF, preset("mandolin")) == ""
    assert usual_words(Check.FLOAT, preset("clamped-tremolo")) == ""


@pytest.mark.parametrize(("scale_mm", "family"), [(550.0, Family.ELECTRIC), (549.0, None)])
def test_a_guitar_has_a_scale_of_550_mm_or_more(scale_mm: float, family: Family | None) -> None:
    assert family_of(with_scale(preset("six-string"), scale_mm)) is family


def test_the_presets_of_guitars_and_basses_lie_near_what_is_usual() -> None:
    """Their action is common practice too: the mean of the outer strings'."""
    for instrument in PRESETS.values():
        family = family_of(instrument)
        if family is None or instrument.action_mm is None:
            continue
        bass, treble = (
            row_of(check).usual_mm[family] for check in (Check.ACTION_BASS, Check.ACTION_TREBLE)
        )
        # Nobody's action is set more exactly than to a quarter of a millimetre or so.
        low_mm, high_mm = ((bass[end] + treble[end]) / 2 for end in (0, 1))
        assert low_mm - 0.25 <= instrument.action_mm <= high_mm + 0.25, instrument.name


def test_the_page_on_the_session_has_the_same_table() -> None:
    page = (ROOT / "docs" / "session.md").read_text(encoding="utf-8")
    section = page.partition("## The checks\n")[2].partition("\n## ")[0]
    head, _, *rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in section.splitlines()
        if line.startswith("|")
    ]
    assert head[2:] == list(Family)
    assert rows == [
        [row.check, row.question]
        + ["{:g} to {:g} mm".format(*row.usual_mm[f]) if f in row.usual_mm else "" for f in Family]
        for row in TABLE
    ]


# -- what they come to -------------------------------------------------------------------------


def test_before_stands_beside_after_and_what_was_skipped_is_left_out() -> None:
    answers = (
        Checked(Check.NUT, BEFORE),
        Checked(Check.RELIEF, BEFORE, mm=0.4),
        Checked(Check.STRING_SET, BEFORE, words="010-046"),
        Checked(Check.RELIEF, AFTER, mm=0.3),
        Checked(Check.RELIEF, AFTER, mm=0.2),
        Checked(Check.STRING_SET, AFTER),
    )
    log = read_log(stores.a_setup(), [CheckEntry(1.0, checked) for checked in answers])
    assert log.checked == answers
    assert [(p.check, p.before, p.after) for p in compared(log.checked)] == [
        (Check.STRING_SET, answers[2], None),
        (Check.RELIEF, answers[1], answers[4]),
    ]


def test_a_height_of_nothing_is_an_answer() -> None:
    (pair,) = compared([Checked(Check.RELIEF, BEFORE, mm=0.0)])
    assert checked_words(pair.before) == "0.00 mm"


def test_answers_are_shown_in_the_unit_that_is_preferred() -> None:
    relief = Checked(Check.RELIEF, BEFORE, mm=0.254)
    show_lengths_in(LengthUnit.INCH)
    try:
        assert checked_words(relief) == "0.010 in"
        assert usual_words(Check.RELIEF, preset("six-string")) == "0.004 to 0.012 in"
    finally:
        show_lengths_in(LengthUnit.MM)


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        ("2026-03-01", "fitted 2026-03-01, 13 days old"),
        ("2026-03-13", "fitted 2026-03-13, 1 day old"),
        ("3 weeks", "about 3 weeks"),
    ],
)
def test_the_age_of_strings_is_counted_from_the_day(words: str, shown: str) -> None:
    assert checked_words(Checked(Check.STRING_AGE, BEFORE, words=words), NOON.date()) == shown


# -- the sheet, records and exports ------------------------------------------------------------


def a_record(*answers: Checked) -> SessionRecord:
    entries = stores.a_log(stores.an_instrument())
    meta = SessionMeta("20260314-" + "a3f91c" + "0" * 26, None, NOON, NOON, "0.1.0")
    checked = tuple(CheckEntry(0.0, each) for each in answers)
    return SessionRecord(stores.a_setup(), (*checked, *entries), meta)


ANSWERS = (
    Checked(Check.STRING_SET, BEFORE, words="<b>010</b>"),
    Checked(Check.STRING_AGE, BEFORE, words="2026-03-01"),
    Checked(Check.RELIEF, BEFORE, mm=0.41),
    Checked(Check.NUT, BEFORE),
    Checked(Check.RELIEF, AFTER, mm=0.22),
)


def test_the_sheet_shows_before_beside_after_and_not_what_the_record_said() -> None:
    lines = sheet_lines(a_record(*ANSWERS))
    assert "relief: before 0.41 mm, after 0.22 mm, usual 0.1 to 0.3 mm" in lines
    assert "string age: before fitted 2026-03-01, 13 days old" in lines
    assert "usual: common practice, from memory, no source" in lines
    assert not [line for line in lines if line.startswith(("nut", "pickup"))]
    # The record has a set, its day and a relief; what was seen on the day counts for more.
    assert not [line for line in lines if line.startswith("strings:")]
    assert "action, relief: 1.8 mm at the 12th fret" in lines
    page = sheet_html(a_record(*ANSWERS))
    assert "&lt;b&gt;010&lt;/b&gt;" in page
    assert "<b>010" not in page
    assert '<th scope="row">relief</th><td dir="auto">0.41 mm</td><td dir="auto">0.22 mm' in page


def test_a_sheet_without_checks_says_nothing_of_them() -> None:
    skipped = [Checked(row.check, stage) for stage in Stage for row in TABLE]
    for record in (a_record(), a_record(*skipped)):
        assert "usual" not in " ".join(sheet_lines(record))
        assert "Looked at besides" not in sheet_html(record)
        assert any(line.startswith("strings: 10 to 46") for line in sheet_lines(record))


def test_exports_carry_them_into_another_store(tmp_path: Path) -> None:
    text = "".join(export_json([], [a_record(*ANSWERS)]))
    (read,) = read_export(text).sessions
    assert read.log.checked == ANSWERS
    with Repository.open(tmp_path / "other.sqlite") as repository:
        repository.take_in([], [read])
        kept = repository.session(read.meta.id)
    assert kept.log.checked == ANSWERS
    assert "".join(export_json([], [kept])) == text


@pytest.mark.parametrize(
    ("was", "is_"),
    [
        ('"mm":0.41', '"mm":1e300'),
        ('"mm":0.41', '"mm":"nan"'),
        ('"check":"relief"', '"check":"mood"'),
        ('"stage":"before"', '"stage":"later"'),
        ("2026-03-01", "x" * 5000),
    ],
)
def test_a_check_that_makes_no_sense_is_not_taken_in(was: str, is_: str) -> None:
    text = "".join(export_json([], [a_record(*ANSWERS)])).replace(" ", "")
    assert was in text
    with pytest.raises(PitchbenchError):
        read_export(text.replace(was, is_))


# -- the dialogue ------------------------------------------------------------------------------


def test_it_is_asked_before_the_first_pluck_and_after_the_last_string(
    recording: Path, tmp_path: Path
) -> None:
    store = tmp_path / "records.sqlite"
    before = ["010-046", "3 weeks", "y", "0.3", "0.08in", "1.6", "", ""]
    after = ["", "", "", "0.2", "q"]
    ran = checking(recording, *before, *after, store=store)
    assert ran.returncode == 0, ran.stderr
    document = parsed(ran.stdout)
    assert document["finished"]
    rows = [tuple(row.values()) for row in document["checks"]]
    assert rows == [
        ("string set", None, "010-046", None, None),
        ("string age", None, "3 weeks", None, None),
        ("strings stretched", None, "yes", None, None),
        ("relief", 0.3, None, 0.2, None),
        ("action, bass side", pytest.approx(2.032), None, None, None),
        ("action, treble side", 1.6, None, None, None),
    ]
    first, last = ran.stderr.index("Before the first pluck"), ran.stderr.index("After the last")
    assert first < ran.stderr.index("take 1: accepted") < ran.stderr.index("finished") < last
    assert "before: 0.30 mm" in ran.stderr[last:]
    assert "usual 0.1 to 0.3 mm" in ran.stderr
    assert "common practice, from memory, no source" in " ".join(ran.stderr.split())
    assert ran.stderr.count("caution: Turn a truss rod only in small steps") == 1
    record = the_session(store)
    assert record.meta.finished_at is not None
    assert [each.stage for each in record.log.checked] == [BEFORE] * 8 + [AFTER] * 8
    shown = subprocess.run(
        [PITCHBENCH, "history", "six-string", "--store", str(store)],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert "  relief: before 0.30 mm, after 0.20 mm, usual 0.1 to 0.3 mm" in shown


def test_nonsense_is_asked_for_again_with_a_sentence(beginning: Path, tmp_path: Path) -> None:
    answers = ["", "2999-01-01", "old", "2026-02-30", "2026-03-01", "perhaps", "no"]
    answers += ["thick", "nan", "99", "-1e999", "-0.1", "q"]
    ran = checking(beginning, *answers, store=tmp_path / "records.sqlite")
    assert ran.returncode == 0, ran.stderr
    assert "2999-01-01 is still to come." in ran.stderr
    assert "'old' is neither a day nor an age. Write 2026-03-14, today or 3 weeks." in ran.stderr
    assert "'perhaps' is no answer here. Write one of: yes, no." in ran.stderr
    for nonsense in ("thick", "nan", "99", "-1e999"):
        assert f"'{nonsense}' makes no sense here. Give the gap under the string" in ran.stderr
    assert asked(ran.stderr).count("strings stretched") == 2
    said = [each for each in the_session(tmp_path / "records.sqlite").log.checked if each.said]
    assert said == [
        Checked(Check.STRING_AGE, BEFORE, words="2026-03-01"),
        Checked(Check.STRETCHED, BEFORE, words="no"),
        Checked(Check.RELIEF, BEFORE, mm=-0.1),  # a neck may be bent back
    ]


def test_where_nobody_is_there_to_answer_the_session_begins(
    beginning: Path, tmp_path: Path
) -> None:
    ran = checking(beginning, store=tmp_path / "records.sqlite")
    assert ran.returncode == 0, ran.stderr
    assert parsed(ran.stdout)["checks"] == []
    assert "take 1: accepted" in ran.stderr


def test_nobody_is_asked_unless_it_was_wished(beginning: Path, tmp_path: Path) -> None:
    ran = checking(beginning, "0.3", store=tmp_path / "records.sqlite", arguments=QUICK)
    assert parsed(ran.stdout)["checks"] == []
    assert asked(ran.stderr) == []


def test_going_on_asks_nothing_twice(recording: Path, beginning: Path, tmp_path: Path) -> None:
    store = tmp_path / "records.sqlite"
    first = checking(beginning, "010-046", "q", store=store)
    assert "After the last string" not in first.stderr, "it is not over yet"
    second = checking(recording, "", "", "", "0.2", "q", store=store, arguments=("--resume",))
    assert second.returncode == 0, second.stderr
    assert "Before the first pluck" not in second.stderr
    document = parsed(second.stdout)
    assert document["session"] == parsed(first.stdout)["session"]
    assert document["finished"]
    rows = {row["check"]: row for row in document["checks"]}
    assert rows.keys() == {"string set", "relief"}
    assert (rows["string set"]["before"], rows["relief"]["after_mm"]) == ("010-046", 0.2)


class Asking:
    """A session with checks on a real terminal."""

    def __init__(self, store: Path, sound: Path, *arguments: str) -> None:
        command = ["session", *arguments, "--recording", str(sound), "--keep", "--store"]
        self.child = pexpect.spawn(
            PITCHBENCH,
            [*command, str(store)],
            env={**os.environ, "TERM": "xterm-256color", "LC_ALL": "C.UTF-8"},
            dimensions=(24, 80),
            encoding="utf-8",
            timeout=120,  # two cores may have other work
        )

    def answer(self, check: str, words: str) -> None:
        self.child.expect_exact(f"{check}? ")
        self.child.sendline(words)

    def ended(self) -> int | None:
        self.child.expect(pexpect.EOF)
        self.child.close()
        return self.child.exitstatus


def test_an_answer_is_on_record_before_the_next_question(beginning: Path, tmp_path: Path) -> None:
    """Killed in the middle of the questions, nothing said is lost and the rest is asked."""
    store = tmp_path / "records.sqlite"
    asking = Asking(store, beginning, "--checks", *QUICK)
    asking.answer("string set", "010-046")
    asking.answer("string age", "3 weeks")
    asking.child.expect_exact("strings stretched? ")
    asking.child.kill(signal.SIGKILL)
    asking.ended()
    assert [each.words for each in the_session(store).log.checked] == ["010-046", "3 weeks"]
    ran = checking(beginning, "yes", "q", store=store, arguments=("--resume",))
    assert asked(ran.stderr) == ["strings stretched", "relief"]


def test_ctrl_c_among_the_questions_says_how_to_go_on(beginning: Path, tmp_path: Path) -> None:
    store = tmp_path / "records.sqlite"
    asking = Asking(store, beginning, "--checks", *QUICK)
    asking.answer("string set", "010-046")
    asking.child.expect_exact("string age? ")
    asking.child.sendintr()
    asking.child.expect_exact("Go on with: pitchbench session --resume")
    assert asking.ended() == 130
    record = the_session(store)
    assert [each.words for each in record.log.checked] == ["010-046"]
    with Repository.open(store) as repository:
        (work,) = repository.work_unfinished()
    assert work.held_at is None, "no bench has it in hand"


def test_after_the_screen_has_closed_the_questions_come(recording: Path, tmp_path: Path) -> None:
    """Ctrl-C leaves out the rest of them, since all else is done."""
    store = tmp_path / "records.sqlite"
    asking = Asking(store, recording, "--checks", *QUICK)
    asking.answer("string set", "q")
    asking.child.expect_exact("Tune the instrument once more and play it.")
    asking.child.send("q")
    asking.answer("string set", "011-052")
    asking.child.expect_exact("string age? ")
    asking.child.sendintr()
    assert asking.ended() == 0
    record = the_session(store)
    assert record.meta.finished_at is not None
    after = [each for each in record.log.checked if each.stage is AFTER]
    assert [each.words for each in after if each.said] == ["011-052"]


def test_keys_that_the_screen_left_unread_answer_no_question(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    ours, theirs = os.openpty()
    with os.fdopen(theirs) as terminal, os.fdopen(ours, "wb", buffering=0) as typing:
        monkeypatch.setattr("sys.stdin", terminal)
        typing.write(b"q\n")
        assert select.select([terminal], [], [], 1.0)[0], "it is there to be read"
        drop_typed()
        assert not select.select([terminal], [], [], 0.1)[0]
