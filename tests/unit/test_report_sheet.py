"""The setup sheet: what stands on it, in text and in HTML."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser

import pytest
import stores
from session_story import Story
from stores import NOON

from pitchbench.commands.instrument_options import with_details
from pitchbench.errors import PitchbenchError
from pitchbench.intonation.bridge import Rotation, move_words
from pitchbench.intonation.verdict import SURE, percent
from pitchbench.pitch.reading import NO_TRACE
from pitchbench.presets import preset
from pitchbench.records.model import SessionMeta, SessionRecord
from pitchbench.report import export
from pitchbench.report.sheet import Words, Workshop, build_sheet, sheet_html, sheet_lines
from pitchbench.report.sheet_drift import drift_part
from pitchbench.report.takes import rounds_of
from pitchbench.session.log import MoveEntry, Outcome, OutcomeEntry, TakeEntry


def a_record(instrument=None, log=None, **meta: object) -> SessionRecord:
    guitar = instrument or stores.an_instrument()
    circumstances = SessionMeta("20260314-" + "a3f91c" + "0" * 26, None, NOON, NOON, "0.1.0")
    entries = stores.a_log(guitar) if log is None else log
    return SessionRecord(stores.a_setup(guitar), entries, replace(circumstances, **meta))


class Page(HTMLParser):
    """Tags with their attributes, and the text outside of styles."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.words.append(data)


def test_the_workshop_stands_above_the_sheet() -> None:
    workshop = Workshop("Bench & Bow", "1 Long Lane\nOldtown", "Anna", "A4")
    lines = sheet_lines(a_record(), words=Words(workshop))
    assert lines[:3] == ["Bench & Bow", "1 Long Lane", "Oldtown"]
    assert "technician: Anna" in lines
    page = sheet_html(a_record(), words=Words(workshop))
    assert '<p dir="auto">Bench &amp; Bow</p>' in page
    assert "size: A4;" in page
    assert "<header>" not in sheet_html(a_record())


def test_the_sheet_says_what_was_found_done_and_left():
    guitar = stores.an_instrument(setback_mm=(1.0,) * 6, owner_mark="Anna 12")
    first = build_sheet(a_record(guitar)).rows[0]
    assert first.found == "+5.3 [+4.2, +6.4]"
    assert first.moves == ("1.9 mm away from the nut, 3.8 turns clockwise",)
    assert first.saddle == "+1.9 mm, setback 2.9 mm"
    assert first.left == "+0.3 [−0.8, +1.4]"
    assert first.outcome == "within tolerance"
    lines = sheet_lines(a_record(guitar))
    for line in (
        "owner: Anna 12",
        "tolerance: ±2 cents at the 12th fret",
        "temperature: 21 °C",
        "pitchbench 0.1.0, session 20260314-a3f91c",
    ):
        assert line in lines


def test_the_sheet_says_what_a_number_rests_on_and_how_sure_it_is():
    story = Story.begin(strings=(6,)).string(6.0).move_and_retune(6).takes(0.1)
    string = story.state.log.strings[5]
    assert string.verdict is not None
    assert string.now is not None
    record = replace(a_record(), setup=story.state.setup, entries=story.entries)
    row = build_sheet(record).rows[5]
    assert row.outcome == f"within tolerance, {percent(string.verdict.p_within)} sure"
    assert string.verdict.p_within >= SURE
    counts = f"{string.now.open.n} open and {string.now.fretted.n} fretted takes"
    words = f"{row.left} from {counts} since the last move, and what was known before it"
    assert any(words in line for line in sheet_lines(record))
    assert "with what was known before the move" in sheet_html(record)


def test_what_was_not_measured_is_not_made_up():
    sheet = build_sheet(a_record(log=(), finished_at=None))
    assert {row.found for row in sheet.rows} == {"not measured"}
    assert {row.outcome for row in sheet.rows} == {"not finished"}
    assert ("date", "2026-03-14 (broken off)") in sheet.facts
    assert "<svg" in sheet_html(a_record(log=()))


def test_a_string_that_was_not_to_be_set_is_no_unfinished_one():
    record = a_record(log=())
    sheet = build_sheet(replace(record, setup=replace(record.setup, strings=(6, 5))))
    assert [row.outcome for row in sheet.rows] == ["left out"] * 4 + ["not finished"] * 2


def test_a_rehearsal_says_that_nothing_was_measured():
    record = a_record(rehearsal=True)
    assert any("nothing on this page was measured" in line for line in sheet_lines(record))
    assert "nothing on this page was measured" in sheet_html(record)
    assert "nothing on this page was measured" not in sheet_html(a_record())


def test_the_move_shown_is_the_one_that_was_made():
    move = next(e for e in stores.a_log() if isinstance(e, MoveEntry))
    assert move_words(replace(move, made_mm=0.95).made) == (
        "0.9 mm away from the nut, 1.9 turns clockwise"
    )
    assert move.move.rotation is Rotation.CLOCKWISE
    assert move_words(replace(move, made_mm=-1.9).made) == (
        "1.9 mm toward the nut, 3.8 turns counterclockwise"
    )


def test_takes_are_shown_against_the_open_note_of_their_round():
    first = a_record().log.strings[0]
    found, left = rounds_of(first)
    assert found.n_open == 2
    assert len(found.offsets_cents) == 2
    # The takes of a_log scatter by at most 0.4 cents each about 5.3 and 0.3.
    assert found.offsets_cents == pytest.approx([5.3] * 2, abs=0.8)
    assert left.offsets_cents == pytest.approx([0.3], abs=0.8)


def test_a_plain_summary_comes_first():
    record = a_record()
    strings = [string for string in record.log.strings if string.found is not None]
    worst = max(abs(string.found.offset_cents) for string in strings)
    lines = sheet_lines(record)
    assert lines[1].startswith(f"Worst string as found {worst:.1f} ± ")
    set_right = sum(string.outcome is Outcome.LEAVE for string in record.log.strings)
    assert f"{set_right} of {len(record.setup.order)} within ±2 cents" in lines[1]
    assert lines[1] in Page(sheet_html(record)).words


def test_the_worst_string_as_left_is_another_one_than_as_found():
    log = stores.a_log()
    end = next(e for e in log if isinstance(e, OutcomeEntry) and e.string == 2)
    log = tuple(replace(e, offset=stores.an_offset(-1.4)) if e is end else e for e in log)
    assert sheet_lines(a_record(log=log))[1].startswith(
        "Worst string as found 6.5 ± 1.1 cents, as left 1.4 ± 1.1 cents; "
    )


def test_what_only_a_preset_says_is_no_fact_of_the_instrument():
    guitar = replace(preset("six-string"), name="Lent")
    facts = dict(build_sheet(a_record(guitar)).facts)
    assert not {"strings", "action, relief"} & facts.keys()
    assert {row.wire for row in build_sheet(a_record(guitar)).rows} == {""}
    said = with_details(guitar, {"relief": 0.2, "strings_fitted": date(2026, 1, 10)})
    facts = dict(build_sheet(a_record(said)).facts)
    assert facts["action, relief"] == "0.2 mm"
    assert "fitted 2026-01-10" in facts["strings"]
    assert all(row.wire for row in build_sheet(a_record(said)).rows)


def test_the_page_says_what_people_say():
    shop = Workshop("Bench & Co", "Hill 3", "Anna")
    words = Words(shop, "buzzes", "a new nut", date(2027, 3, 31))
    page = Page(sheet_html(a_record(), words=words)).words
    for text in ("Bench & Co", "Hill 3", "Anna", "buzzes", "a new nut"):
        assert text in page
    assert "With new strings, or by 2027-03-31." in page
    assert "With new strings, or by 2026-06-12." in Page(sheet_html(a_record())).words
    assert "Next check" not in Page(sheet_html(a_record(rehearsal=True))).words


def test_the_page_needs_nothing_but_itself():
    page = Page(sheet_html(a_record()))
    names = {tag for tag, _ in page.tags}
    assert not names & {"script", "link", "img", "iframe", "object", "embed", "a", "form"}
    for _, attributes in page.tags:
        for name, value in attributes.items():
            assert not name.startswith("on")
            if name in ("src", "href", "xlink:href"):
                assert value.startswith("#")
    assert "@import" not in sheet_html(a_record())
    assert not re.search(r"url\((?!#)", sheet_html(a_record()))


def test_names_come_out_as_text():
    evil = "<script>alert('x')</script> \"&' {{ 7*7 }} אבג \u202e"
    guitar = stores.an_instrument(evil, owner_mark=evil, notes=evil, kind=evil, string_set=evil)
    page = Page(sheet_html(a_record(guitar, source=evil)))
    assert "script" not in {tag for tag, _ in page.tags}
    assert sum(evil.split("\u202e", maxsplit=1)[0].strip() in word for word in page.words) >= 6
    assert "{{ 7*7 }}" in "".join(page.words)


def test_the_figure_has_a_title_a_description_and_a_table():
    page = sheet_html(a_record())
    assert re.search(r'<svg[^>]*role="img"[^>]*aria-labelledby="takes-title takes-desc"', page)
    assert re.search(r'<title id="takes-title">Takes of every string', page)
    assert re.search(r'<desc id="takes-desc">.*tolerance of 2 cents', page)
    assert "<summary>The figure as a table</summary>" in page


def test_how_a_string_settles_is_that_of_its_last_open_pluck() -> None:
    record = a_record()
    part = drift_part(record)
    assert part is not None
    assert [row.string for row in part.rows] == [
        "1: E4",
        "2: B3",
        "3: G3",
        "4: D3",
        "5: A2",
        "6: E2",
    ]
    for string, (_, drift), row in zip(record.log.strings, part.plucks, part.rows, strict=True):
        last = [take for take in string.accepted if take.fret == 0][-1]
        assert drift.reading is last.reading
        assert (row.attack, row.settled) == ("+6.0", "0.80")


def test_nothing_is_drawn_where_no_pluck_has_frames() -> None:
    record = a_record()
    bare = [
        replace(
            entry, take=replace(entry.take, reading=replace(entry.take.reading, trace=NO_TRACE))
        )
        if isinstance(entry, TakeEntry)
        else entry
        for entry in record.entries
    ]
    assert drift_part(a_record(log=tuple(bare))) is None


def test_the_same_session_gives_the_same_page():
    assert sheet_html(a_record()) == sheet_html(a_record())


def test_without_a_browser_a_pdf_is_refused_in_a_sentence(monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(PitchbenchError, match="no browser"):
        export.html_to_pdf("<p>page</p>")
