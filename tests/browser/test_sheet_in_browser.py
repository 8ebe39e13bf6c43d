"""The setup sheet in a real browser: no error, no request, one page on paper, accessible."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
import stores
from paper import AXE, PAPERS, checked_for_access, pages_and_size, words_in
from stores import NOON
from survey_story import Played, plan

from pitchbench.instrument import Instrument
from pitchbench.records.model import SessionMeta, SessionRecord
from pitchbench.report.export import html_to_pdf
from pitchbench.report.sheet import sheet_html
from pitchbench.session.checks import TABLE, Checked, Sort, Stage
from pitchbench.session.log import CheckEntry
from pitchbench.session.survey import begin, wanted

pytestmark = pytest.mark.browser


def a_page(
    instrument: Instrument | None = None, checked: tuple[Checked, ...] = (), **meta: object
) -> str:
    guitar = instrument or stores.an_instrument(
        owner_mark="Anna 12", setback_mm=(1.0,) * 6, notes="Nut slot of string 3 looks high."
    )
    circumstances = SessionMeta("20260314-" + "a3f91c" + "0" * 26, None, NOON, NOON, "0.1.0")
    log = (*(CheckEntry(0.0, each) for each in checked), *stores.a_log(guitar))
    return sheet_html(SessionRecord(stores.a_setup(guitar), log, replace(circumstances, **meta)))


def everything_checked(string_set: str = "010-046") -> tuple[Checked, ...]:
    """Every check answered, before and after."""
    answers = {
        Sort.LENGTH: {"mm": 1.25},
        Sort.AGE: {"words": "2026-03-01"},
        Sort.CHOICE: {"words": "yes"},
        Sort.TEXT: {"words": string_set},
    }
    return tuple(Checked(row.check, stage, **answers[row.sort]) for stage in Stage for row in TABLE)


def a_checked_page() -> str:
    """The usual page with every check."""
    return a_page(checked=everything_checked())


def the_fullest_page() -> str:
    """Ten strings, long names, long notes, every check: the most that one page has to hold."""
    guitar = stores.an_instrument()
    strings = (*guitar.strings, *guitar.strings[-1:] * 4)
    name = "<script>document.title = 'obeyed'</script> גיטרה של דוד " * 2
    full = replace(
        guitar,
        name=name,
        owner_mark="A very long owner's mark, " * 3,
        strings=strings,
        setback_mm=(1.0,) * 10,
        notes="The neck was straightened and the nut replaced. " * 12,
    )
    return a_page(
        full,
        everything_checked("a set with quite a long name"),
        source="microphone with quite a long name: analogue in, left",
        rehearsal=True,
    )


def a_page_with_a_neck(
    strings: tuple[int, ...] = (6, 5), worn_by_cents: float | None = None
) -> str:
    """A session and, after it, a survey of two strings with everything off by 3 cents; with a fret
    of each that is worn by so much there is more to say."""
    story = Played(begin(plan(strings=strings, frets=(1, 3, 5, 7, 9, 12))))
    while not story.survey.over:
        string = story.survey.current
        fret = wanted(story.survey, string) or 0
        worn = worn_by_cents if worn_by_cents and fret == 3 + 2 * (string % 3) else 0.0
        story.note(string, fret, 3.0 - worn if fret else 0.0)
    guitar = stores.an_instrument()
    session = SessionMeta("20260314-" + "a" * 32, None, NOON, NOON, "0.1.0")
    survey = replace(session, id="20260314-" + "b" * 32, started_at=NOON + timedelta(hours=1))
    return sheet_html(
        SessionRecord(stores.a_setup(guitar), stores.a_log(guitar), session),
        SessionRecord(story.survey.setup, story.survey.entries, survey),
    )


@pytest.mark.parametrize(
    "html",
    [a_page, a_checked_page, the_fullest_page, a_page_with_a_neck],
    ids=["usual", "checked", "fullest", "neck"],
)
def test_it_asks_for_nothing_and_complains_of_nothing(page, html):
    page.show(html())
    assert [url for url in page.requests if not url.endswith("/sheet.html")] == []
    assert page.complaints == []


def test_a_name_is_shown_and_not_obeyed(page):
    page.show(the_fullest_page())
    assert page.title().startswith("Setup sheet: <script>")
    assert page.locator("script").count() == 0


@pytest.mark.parametrize("width", [360, 800, 1400])
def test_nothing_sticks_out_and_the_figure_is_seen(page, width):
    page.set_viewport_size({"width": width, "height": 900})
    page.show(a_page())
    box = page.locator("svg").bounding_box()
    assert box["width"] > 0.8 * min(width, 690)
    assert box["height"] > 0.2 * box["width"]
    if width >= 800:  # on a telephone the wide table may be scrolled
        assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize(
    "html", [a_page, a_checked_page, the_fullest_page], ids=["usual", "checked", "fullest"]
)
def test_it_prints_on_one_page(page, html, paper, tmp_path):
    page.show(html())
    out = tmp_path / "sheet.pdf"
    page.pdf(path=str(out), format=paper)
    assert pages_and_size(out) == (1, PAPERS[paper])


@pytest.mark.parametrize("paper", PAPERS)
def test_a_survey_of_the_neck_takes_a_second_page(page, paper, tmp_path):
    page.show(a_page_with_a_neck())
    out = tmp_path / "sheet.pdf"
    page.pdf(path=str(out), format=paper)
    assert pages_and_size(out) == (2, PAPERS[paper])
    second = words_in(out, "-f", "2", "-l", "2")
    assert second.startswith("The neck, surveyed 2026-03-14")
    assert "String 6, E2: nut" in second
    assert "From attack to tail, 2026-03-14: each string's last open pluck" in second


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize(
    ("worn_by_cents", "drawn"), [(None, True), (20.0, False)], ids=["sound", "worn"]
)
def test_how_strings_settle_is_drawn_where_there_is_room(
    page, paper, worn_by_cents, drawn, tmp_path
):
    """Six strings surveyed: there is always a second page, and never a third."""
    page.show(a_page_with_a_neck((1, 2, 3, 4, 5, 6), worn_by_cents))
    out = tmp_path / "sheet.pdf"
    page.pdf(path=str(out), format=paper)
    assert pages_and_size(out) == (2, PAPERS[paper])
    second = words_in(out, "-f", "2", "-l", "2")
    assert ("stands out by" in second) == (not drawn)
    assert ("From attack to tail" in second) == drawn


def test_our_own_way_to_pdf_gives_one_page_with_the_words(tmp_path):
    out = tmp_path / "sheet.pdf"
    out.write_bytes(html_to_pdf(a_page()))
    assert pages_and_size(out)[0] == 1
    text = words_in(out, "-layout")
    assert "+5.3 [+4.2, +6.4]" in text
    assert "Nut slot of string 3 looks high." in text


@pytest.mark.skipif(AXE is None, reason="PITCHBENCH_AXE does not say where axe-core is")
@pytest.mark.parametrize(
    "html",
    [a_page, a_checked_page, the_fullest_page, a_page_with_a_neck],
    ids=["usual", "checked", "fullest", "neck"],
)
def test_it_passes_an_accessibility_check(page, html):
    page.show(html())
    result = checked_for_access(page)
    assert len(result["passes"]) > 10
    assert [(v["id"], v["help"]) for v in result["violations"]] == []


@pytest.mark.skipif(AXE is None, reason="PITCHBENCH_AXE does not say where axe-core is")
def test_the_accessibility_check_would_notice(page):
    page.show(a_page().replace('<html lang="en">', "<html>").replace('role="img"', 'role="imgg"'))
    result = checked_for_access(page)
    assert {"html-has-lang"} <= {violation["id"] for violation in result["violations"]}
