"""What lies between sessions: results, changes, trends, and whether a check is due."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
import stores
from click.testing import CliRunner
from documents import parsed
from stores import NOON

from pitchbench.commands import cli
from pitchbench.commands.history import _trend_line
from pitchbench.errors import PitchbenchError, RecordsError
from pitchbench.instrument import Bridge, BridgeKind, Material, ScrewHeads
from pitchbench.notes import Note
from pitchbench.presets import PRESETS
from pitchbench.records.glance import glance
from pitchbench.records.history import (
    Trend,
    changed_since,
    changes,
    check_reasons,
    last_measured,
    misdated_words,
    opening_words,
    season_words,
    trends,
)
from pitchbench.records.model import InstrumentRecord, SessionMeta, SessionRecord
from pitchbench.records.repository import Repository
from pitchbench.report.sheet import build_sheet
from pitchbench.session.log import (
    MoveEntry,
    Outcome,
    OutcomeEntry,
    TakeFate,
    ToleranceEntry,
    VerdictEntry,
)
from pitchbench.strings.forecast import forecast

GUITAR = stores.an_instrument()


def a_session(days: float = 0, instrument=GUITAR, log=None) -> SessionRecord:
    at = NOON + timedelta(days=days)
    meta = SessionMeta(f"{at:%Y%m%d}-" + "a" * 32, None, at, at, "0.1.0")
    return SessionRecord(
        stores.a_setup(instrument), stores.a_log(instrument) if log is None else log, meta
    )


# -- results ---------------------------------------------------------------------------------------


def test_results_keep_as_found_and_as_left_apart():
    first, second, *_ = a_session().log.strings
    assert first.found.offset_cents == pytest.approx(5.3)
    assert first.now.offset_cents == 0.3
    assert (first.travel_mm, first.outcome) == (1.9, Outcome.LEAVE)
    assert second.found.offset_cents == second.now.offset_cents == -0.6
    assert second.moves == ()


def test_a_string_moved_last_was_not_measured_since():
    log = stores.a_log()
    moved = next(i for i, entry in enumerate(log) if type(entry).__name__ == "MoveEntry")
    first = a_session(log=log[: moved + 1]).log.strings[0]
    assert first.found.offset_cents == pytest.approx(5.3)
    assert first.now is None
    assert first.outcome is None


def test_a_struck_take_counts_no_more():
    first = a_session().log.strings[0]
    assert [take.fate for take in first.takes].count(TakeFate.STRUCK) == 1
    assert len(first.in_this_round) == 3


def test_the_tolerance_is_the_one_in_force_at_the_end():
    assert a_session(log=(ToleranceEntry(1.0, 3.0),)).log.tolerance_cents == 3.0
    assert a_session(log=()).log.tolerance_cents == 2.0


# -- changes ---------------------------------------------------------------------------------------


def with_string(number: int, **change: object):
    strings = list(GUITAR.strings)
    strings[number - 1] = replace(strings[number - 1], **change)
    return replace(GUITAR, strings=tuple(strings))


@pytest.mark.parametrize(
    ("after", "words"),
    [
        (with_string(6, note=Note.parse("D2")), "string 6 tuned E2 → D2, expect sharper"),
        (with_string(1, note=Note.parse("F4")), "string 1 tuned E4 → F4, expect flatter"),
        (with_string(1, diameter_mm=0.28), "string 1 gauge 0.254 → 0.28 mm, expect another"),
        (with_string(1, diameter_mm=0.23), "string 1 gauge 0.254 → 0.23 mm, expect another"),
        (
            with_string(3, wound=True, material=Material.NICKEL_WOUND),
            "string 3 plain steel → wound nickel-wound steel, expect another offset",
        ),
        (replace(GUITAR, action_mm=2.1), "action 1.8 → 2.1 mm, expect sharper"),
        (replace(GUITAR, action_mm=1.7), "action 1.8 → 1.7 mm, expect flatter"),
        (replace(GUITAR, relief_mm=0.3), "relief 0.2 → 0.3 mm, expect the action"),
        (replace(GUITAR, scale_mm=635.0), "scale 648 mm → 635 mm, start afresh"),
        (replace(GUITAR, bridge=Bridge(BridgeKind.POST_BAR)), "bridge screw-saddles → post-bar"),
        (replace(GUITAR, strings_fitted=date(2026, 3, 1)), "strings fitted 2026-03-01"),
        (replace(GUITAR, temperature_c=30.0), "temperature 21 → 30 °C"),
        (replace(GUITAR, strings=GUITAR.strings[:5]), "5 strings instead of 6"),
    ],
)
def test_each_change_is_named_with_what_to_expect(after, words):
    (found,) = changes(GUITAR, after)
    assert found.startswith(words)


@pytest.mark.parametrize("name", PRESETS)
def test_no_way_is_told_that_the_forecast_does_not_bear_out(name):
    """Not even where it is not sure: nobody shall be told one thing here and another there."""
    now = replace(PRESETS[name], action_mm=2.0, relief_mm=0.2)

    def with_strings(change):
        return replace(now, strings=tuple(map(change, now.strings)))

    lower, higher, thicker, both = (
        with_strings(lambda spec: replace(spec, note=spec.note.up(-2))),
        with_strings(lambda spec: replace(spec, note=spec.note.up(1))),
        with_strings(lambda spec: replace(spec, diameter_mm=1.15 * spec.diameter_mm)),
        with_strings(
            lambda spec: replace(spec, note=spec.note.up(-2), diameter_mm=1.15 * spec.diameter_mm)
        ),
    )
    up, down = replace(now, action_mm=2.5), replace(now, action_mm=1.5)
    for after, way in ((lower, 1), (up, 1), (higher, -1), (down, -1)):
        word = "sharper" if way > 0 else "flatter"
        assert all(f"expect {word} fretted" in words for words in changes(now, after))
        assert all(way * string.change.centre > 0.0 for string in forecast(now, after).strings)
    for after in (thicker, both, replace(now, relief_mm=0.4)):
        assert changes(now, after)
        assert not any("sharper" in words or "flatter" in words for words in changes(now, after))


@pytest.mark.parametrize(
    "after",
    [
        GUITAR,
        replace(GUITAR, action_mm=1.85, relief_mm=0.22, temperature_c=25.0),
        replace(GUITAR, action_mm=None, relief_mm=None, temperature_c=None, strings_fitted=None),
        replace(GUITAR, notes="polished", name="Other name"),
        with_string(1, diameter_mm=0.2545),
    ],
)
def test_what_matters_not_is_not_named(after):
    assert changes(GUITAR, after) == ()


@pytest.mark.parametrize(
    ("before", "after", "other"),
    [
        (date(2026, 1, 15), date(2026, 7, 15), True),
        (date(2026, 1, 15), date(2027, 1, 20), False),
        (date(2025, 7, 15), date(2027, 1, 15), True),
        (date(2026, 12, 15), date(2027, 2, 1), False),
    ],
)
def test_seasons_go_by_the_time_of_year(before, after, other):
    assert (season_words(before, after) is not None) is other


# -- is a check due --------------------------------------------------------------------------------

SOON = date(2026, 3, 20)


def test_nothing_is_due_soon_after_a_finished_session():
    assert check_reasons(GUITAR, [a_session()], today=SOON) == ()
    words = opening_words(GUITAR, [a_session()], today=SOON)
    assert words == ("Bench guitar was last set on 2026-03-14; nothing on record changed since.")


def test_an_instrument_never_set_is_due_and_opens_with_nothing():
    assert check_reasons(GUITAR, [], today=SOON) == ("never set on this record",)
    assert opening_words(GUITAR, []) is None


def test_a_retuned_instrument_is_due_and_the_session_opens_with_that():
    lower = with_string(6, note=Note.parse("D2"))
    words = opening_words(lower, [a_session()], today=SOON)
    assert "since then: string 6 tuned E2 → D2, expect sharper" in words


def test_old_strings_make_it_due():
    assert check_reasons(GUITAR, [a_session(100)], today=date(2026, 7, 8)) == ()
    (reason,) = check_reasons(GUITAR, [a_session(100)], today=date(2026, 7, 20))
    assert reason.startswith("strings 6 months old")


def test_another_season_makes_it_due():
    guitar = replace(GUITAR, strings_fitted=None)
    (reason,) = check_reasons(guitar, [a_session(instrument=guitar)], today=date(2026, 8, 1))
    assert reason.startswith("another season (March, now August)")


@pytest.mark.parametrize(
    ("fitted", "due"),
    [
        (None, date(2026, 6, 12)),  # 90 days after 2026-03-14
        (date(2025, 11, 1), date(2026, 5, 1)),  # 181 days old
        (date(2026, 3, 14), date(2026, 6, 12)),
    ],
)
def test_a_check_is_due_from_the_day_on_that_the_sheet_says(fitted, due):
    guitar = replace(GUITAR, strings_fitted=fitted)
    session = a_session(instrument=guitar)
    assert dict(build_sheet(session).said)["Next check"] == f"With new strings, or by {due}."
    assert check_reasons(guitar, [session], today=due - timedelta(days=1)) == ()
    assert len(check_reasons(guitar, [session], today=due)) == 1


def test_the_day_on_the_sheet_is_never_before_it():
    """Where the strings were old already, or are to be fitted still, the season alone counts."""
    for fitted in (date(2024, 1, 1), date(2026, 12, 1)):
        guitar = replace(GUITAR, strings_fitted=fitted)
        said = dict(build_sheet(a_session(instrument=guitar)).said)
        assert said["Next check"] == "With new strings, or by 2026-06-12."


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        (Outcome.BORDER, "string 2 was left on the border"),
        (Outcome.OUT_OF_TRAVEL, "string 2 was left with its saddle out of travel"),
        (Outcome.DOES_NOT_SETTLE, "string 2 was left because it did not settle"),
        (Outcome.PASSED_OVER, "string 2 not finished last time"),
    ],
)
def test_what_was_left_undone_makes_it_due(outcome, words):
    log = (*stores.a_log(), OutcomeEntry(900.0, 2, outcome, None))
    assert check_reasons(GUITAR, [a_session(log=log)], today=SOON) == (words,)


def test_a_session_broken_off_makes_it_due():
    (reason,) = check_reasons(GUITAR, [a_session(log=())], today=SOON)
    assert reason == "strings 1, 2, 3, 4, 5 and 6 not finished last time"
    (reason,) = check_reasons(GUITAR, [a_session(log=stores.a_log()[:-3])], today=SOON)
    assert reason == "string 6 not finished last time"


def test_a_session_of_some_strings_leaves_the_others_as_they_were():
    whole, short = a_session(), of_strings(a_session(), 1)
    assert check_reasons(GUITAR, [whole, short], today=SOON) == ()
    (reason,) = check_reasons(GUITAR, [short], today=SOON)
    assert reason == "strings 2, 3, 4, 5 and 6 never set on this record"


def of_strings(record: SessionRecord, *numbers: int) -> SessionRecord:
    """``record`` as a session of these strings alone."""
    log = tuple(e for e in record.entries if getattr(e, "string", None) in numbers)
    return replace(record, setup=replace(record.setup, strings=numbers), entries=log)


def test_what_changed_stays_on_the_list_until_each_string_it_concerns_was_set_again():
    heavier = tuple(
        replace(spec, diameter_mm=spec.diameter_mm + 0.05 * (number in (1, 2)))
        for number, spec in enumerate(GUITAR.strings, start=1)
    )
    after = replace(GUITAR, strings=heavier, action_mm=2.4)
    whole, first = a_session(), of_strings(a_session(2, after), 1)
    gauge_1, gauge_2, action = check_reasons(after, [whole], today=SOON)
    assert gauge_1.startswith("string 1 gauge")
    assert gauge_2.startswith("string 2 gauge")
    assert check_reasons(after, [whole, first], today=SOON) == (gauge_2, action)
    assert action in opening_words(after, [whole, first], today=SOON)
    rest = of_strings(a_session(3, after), 6, 5, 4, 3, 2)
    assert check_reasons(after, [whole, first, rest], today=SOON) == ()


def test_a_height_is_held_against_the_one_that_each_string_was_set_at():
    """Put back after one string was set, it is another one to that string alone."""
    higher = replace(GUITAR, action_mm=2.4)
    sessions = [a_session(), of_strings(a_session(2, higher), 1)]
    (reason,) = check_reasons(GUITAR, sessions, today=SOON)
    assert reason.startswith("action 2.4 → 1.8 mm")
    # Of several the longest way is told, once.
    (reason,) = check_reasons(replace(GUITAR, action_mm=2.7), sessions, today=SOON)
    assert reason.startswith("action 1.8 → 2.7 mm")


def test_the_season_is_that_of_the_string_set_longest_ago():
    guitar = replace(GUITAR, strings_fitted=None)
    sessions = [a_session(instrument=guitar), of_strings(a_session(100, guitar), 1)]
    (reason,) = check_reasons(guitar, sessions, today=date(2026, 6, 25))
    assert reason.startswith("another season (March, now June)")


def test_sessions_of_another_number_of_strings_say_that_alone():
    seven = replace(GUITAR, strings=(*GUITAR.strings, GUITAR.strings[-1]))
    (reason,) = check_reasons(seven, [a_session()], today=SOON)
    assert reason.startswith("7 strings instead of 6")
    (reason,) = check_reasons(seven, [a_session(), of_strings(a_session(1, seven), 7)], today=SOON)
    assert reason == "strings 1, 2, 3, 4, 5 and 6 never set on this record"


# -- what is known of each string ------------------------------------------------------------------


def test_the_offset_of_each_string_is_that_of_the_last_session_that_measured_it():
    log = tuple(stores.a_verdict(n, 1.0, 1.0) for n in (1, 2))
    log += (OutcomeEntry(2.0, 1, Outcome.LEAVE, stores.an_offset(1.1)),)
    short = a_session(1, log=log[:1] + log[2:])
    short = replace(short, setup=replace(short.setup, strings=(1,)))
    found = last_measured(GUITAR, [a_session(), short], fret=12)
    assert sorted(found) == [1, 2, 3, 4, 5, 6]
    assert (found[1].centre, found[3].centre) == (1.1, 0.3)
    # Of string 2 nothing is known where it was heard again and not finished.
    assert sorted(last_measured(GUITAR, [a_session(), a_session(1, log=log)], fret=12)) == [
        1, 3, 4, 5, 6,
    ]  # fmt: skip


def test_an_offset_stands_no_more_once_something_that_bears_on_it_has_changed():
    move = next(entry for entry in stores.a_log() if isinstance(entry, MoveEntry))
    moved = of_strings(a_session(1, log=(replace(move, string=2),)), 2)
    assert sorted(last_measured(GUITAR, [a_session(), moved], fret=12)) == [1, 3, 4, 5, 6]
    assert sorted(last_measured(with_string(4, diameter_mm=0.7), [a_session()], fret=12)) == [
        1, 2, 3, 5, 6,
    ]  # fmt: skip
    for after in (
        replace(GUITAR, action_mm=2.4),
        replace(GUITAR, strings_fitted=date(2026, 3, 16)),
        replace(GUITAR, strings=GUITAR.strings[:5]),
    ):
        assert last_measured(after, [a_session()], fret=12) == {}
    assert last_measured(GUITAR, [a_session()], fret=5) == {}


# -- the trend -------------------------------------------------------------------------------------


def a_log_with(found: float, left: float):
    """Every string found and left so, moved in between."""
    move = next(entry for entry in stores.a_log() if isinstance(entry, MoveEntry))
    return tuple(
        entry
        for number in range(1, 7)
        for entry in (
            stores.a_verdict(number, found, 1.0),
            replace(move, string=number),
            OutcomeEntry(2.0, number, Outcome.LEAVE, stores.an_offset(left)),
        )
    )


def test_the_trend_is_the_drift_between_sessions_per_month():
    # +1 cent in one month, then +2 in two: exactly 1 cent per month. The sum of t^2 / v is
    # (1 + 4) / (0.5^2 + 0.5^2) = 10, so u = 1 / sqrt(10).
    month = 365.25 / 12
    logs = {0: a_log_with(7.0, 0.0), 1: a_log_with(1.0, 0.2), 3: a_log_with(2.2, -5.0)}
    first = trends([a_session(months * month, log=log) for months, log in logs.items()])[0]
    assert first.cents_per_month == pytest.approx(1.0)
    assert first.u_cents_per_month == pytest.approx(10**-0.5)
    assert first.months == pytest.approx(3.0)


def test_new_strings_begin_a_new_trend():
    fresh = replace(GUITAR, strings_fitted=date(2026, 4, 1))
    assert trends([a_session(0), a_session(30, fresh)]) == ()
    assert trends([a_session(0), a_session(30)]) != ()


def test_offsets_of_other_frets_have_no_trend():
    at_19 = a_session(0)
    at_19 = replace(at_19, setup=replace(at_19.setup, fret=19))
    assert trends([at_19, a_session(30)]) == ()


def test_strings_of_unknown_age_have_no_trend():
    unknown = replace(GUITAR, strings_fitted=None)
    assert trends([a_session(0, unknown), a_session(30, unknown)]) == ()


def test_a_session_whose_date_cannot_be_is_left_out_of_the_trend():
    """Fitted on 10 January 2026; the clock of one stood at 1970, that of another was ahead."""
    sound = [a_session(days) for days in (0, 30)]
    at_1970 = datetime(1970, 1, 1, 0, 5, tzinfo=UTC)
    early = replace(a_session(), meta=replace(a_session().meta, started_at=at_1970))
    late = a_session(3000)
    day = (NOON + timedelta(days=31)).date()
    assert trends([early, *sound, late], today=day) == trends(sound, today=day) != ()
    assert [misdated_words(each, today=day) for each in (early, *sound, late)] == [
        "before its strings were fitted (2026-01-10)", None, None, "it is still to come",
    ]  # fmt: skip


def test_a_session_whose_date_cannot_be_tells_no_season_and_is_named():
    """The clock was ahead; by its date it would be the last one, and of another season."""
    late = a_session(100)
    day = NOON.date()
    (reason,) = check_reasons(GUITAR, [late], today=day)
    assert reason == f"session {late.meta.short_id} of {late.meta.day} is misdated: " + (
        "it is still to come"
    )
    assert reason in (opening_words(GUITAR, [late], today=day) or "")
    assert check_reasons(GUITAR, [late], today=late.meta.day) == ()


# -- the command -----------------------------------------------------------------------------------


@pytest.fixture
def store(monkeypatch, tmp_path):
    monkeypatch.setenv("PITCHBENCH_STORE", str(tmp_path / "s.sqlite"))
    with Repository.open() as repository:
        repository.add_instrument(GUITAR)
        for days, height in ((0, 1.8), (30, 2.0)):
            guitar = replace(GUITAR, action_mm=height)
            at = NOON + timedelta(days=days)
            session_id = repository.begin_session(stores.a_setup(guitar), at=at)
            for entry in stores.a_log():
                repository.append(session_id, entry)
            repository.finish_session(session_id, at=at)
        repository.begin_session(stores.a_setup(), at=NOON, rehearsal=True)


def history(*words: str) -> str:
    result = CliRunner().invoke(cli, ["history", *words])
    assert result.exit_code == 0, result.output
    return result.stdout


def test_history_tells_sessions_and_what_changed(store):
    text = history("bench guitar")
    assert "Bench guitar: 2 sessions shown" in text
    assert "  changed before it: action 1.8 → 2 mm, expect sharper fretted notes" in text
    assert "reason: action 2 → 1.8 mm, expect flatter fretted notes" in text
    assert "string 1 E4: found +5.3 [+4.2, +6.4]; moved 1.9 mm away from the nut" in text
    assert "trend as the strings age: string 1 " in text


def test_history_says_which_session_is_misdated_and_no_trend_is_sure(store):
    with Repository.open() as repository:
        for days in (-20_000, 30):
            at = NOON + timedelta(days=days)
            setup = stores.a_setup(replace(GUITAR, strings_fitted=date(2026, 1, 10)))
            session_id = repository.begin_session(setup, at=at)
            for entry in stores.a_log():
                repository.append(session_id, entry)
    text = history("bench guitar")
    assert "  misdated: before its strings were fitted (2026-01-10), so it is left" in text
    assert text.count("misdated") == 1
    assert " cents per month over 1.0 months" in text
    document = parsed(history("bench guitar", "--format", "json"))
    assert [each["misdated"] is None for each in document["sessions"]] == [False, True, True, True]
    assert "± 0.01 cents per month" in _trend_line(Trend(1, -0.01, 0.0001, 681.8))


def test_how_many_sessions_are_shown_does_not_change_what_is_due(store):
    with Repository.open() as repository:
        setup = replace(stores.a_setup(replace(GUITAR, action_mm=2.0)), strings=(1,))
        session_id = repository.begin_session(setup, at=NOON + timedelta(days=31))
        for entry in of_strings(a_session(), 1).entries:
            repository.append(session_id, entry)
        repository.finish_session(session_id, at=NOON + timedelta(days=31))

    def due(*words: str) -> list[str]:
        lines = history("bench guitar", *words).splitlines()
        return [line for line in lines if line.startswith(("check due", "reason"))]

    assert due("--last", "1") == due()
    assert not any("never set" in line for line in due())


def test_history_without_a_name_lists_the_latest_sessions(store):
    assert [line.split(":")[1][:11] for line in history().splitlines()] == [
        " 2026-04-13",
        " 2026-03-14",
    ]
    assert len(history("--last", "1").splitlines()) == 1
    assert "rehearsal" in history("--rehearsals")


def test_an_old_name_leads_to_the_present_one_in_every_command(store):
    with Repository.open() as repository:
        repository.change_instrument("Bench guitar", replace(GUITAR, name="Blue", action_mm=2.6))
    for words in (
        ["history", "Bench guitar"],
        ["sheet", "Bench guitar"],
        ["instrument", "show", "Bench guitar"],
        ["forecast", "--instrument", "Bench guitar"],
        ["session", "--instrument", "Bench guitar", "--recording", "none.wav"],
    ):
        error = CliRunner().invoke(cli, words).exception
        assert isinstance(error, RecordsError), words
        assert error.remedy == "It is called 'Blue' now."
    assert "reason: action 2 → 2.6 mm" in history("blue")


def test_name_and_owner_are_read_as_they_are_now_all_else_as_it_was(store, tmp_path):
    changed = replace(GUITAR, name="Blue", owner_mark="Anna", action_mm=2.6, notes="polished")
    with Repository.open() as repository:
        repository.change_instrument("Bench guitar", changed)

    def sheet(*words: str) -> str:
        result = CliRunner().invoke(cli, ["sheet", "last", *words])
        assert result.exit_code == 0, result.output
        return result.stdout

    page, table = tmp_path / "sheet.html", tmp_path / "sheet.csv"
    sheet("--out", str(page))
    sheet("--out", str(table))
    for text in (sheet(), page.read_text(encoding="utf-8")):
        assert "Setup sheet: Blue" in text
        assert "Anna" in text
        assert "2 mm at the 12th fret" in text
        assert "polished" not in text
    assert "Bench guitar" in table.read_text(encoding="utf-8")
    assert all(line.endswith(", Blue, finished") for line in history().splitlines())
    assert glance().last.instrument == "Blue"


def test_no_check_is_promised_before_the_session(store):
    """The latest one is of 2026-04-13."""
    error = CliRunner().invoke(cli, ["sheet", "last", "--next-check", "2026-04-12"]).exception
    assert isinstance(error, PitchbenchError)
    assert str(error) == (
        "--next-check 2026-04-12 is before the session, which was on 2026-04-13. "
        "Give a day after it."
    )
    error = CliRunner().invoke(cli, ["sheet", "last", "--next-check", "tomorrow"]).exception
    assert str(error) == "'tomorrow' is not a day. Write year-month-day, such as 2026-03-14."
    result = CliRunner().invoke(cli, ["sheet", "last", "--next-check", "2026-05-01"])
    assert "or by 2026-05-01." in result.stdout


def test_a_forecast_starts_from_what_was_measured_of_each_string(store):
    with Repository.open() as repository:
        guitar = replace(GUITAR, action_mm=2.0)
        repository.change_instrument("Bench guitar", guitar)
        setup = replace(stores.a_setup(guitar), strings=(1,))
        session_id = repository.begin_session(setup, at=NOON + timedelta(days=31))
        repository.append(session_id, OutcomeEntry(2.0, 1, Outcome.LEAVE, stores.an_offset(1.1)))
        repository.finish_session(session_id, at=NOON + timedelta(days=31))
    result = CliRunner().invoke(
        cli, ["forecast", "--instrument", "Bench guitar", "--format", "json", "--action", "2.2"]
    )
    measured = [each["measured_offset_cents"] for each in parsed(result.stdout)["strings"]]
    assert measured == [1.1, -0.6, 0.3, -0.6, 0.3, -0.6]


def test_kept_rehearsals_alone_are_pointed_to(monkeypatch, tmp_path):
    """And their sheet is found by the name that the session had, though none is on record."""
    monkeypatch.setenv("PITCHBENCH_STORE", str(tmp_path / "r.sqlite"))
    assert "yet: `pitchbench session`" in CliRunner().invoke(cli, ["history"]).stderr
    with Repository.open() as repository:
        kept = repository.begin_session(stores.a_setup(), at=NOON, rehearsal=True)
        for entry in stores.a_log():
            repository.append(kept, entry)
    assert (
        "alone are on record: `pitchbench history --rehearsals`"
        in CliRunner().invoke(cli, ["history"]).stderr
    )
    name = stores.a_setup().instrument.name
    by_name, by_id = (CliRunner().invoke(cli, ["sheet", which]).stdout for which in (name, kept))
    assert by_name == by_id
    assert name in by_name


def test_history_speaks_json(store):
    document = parsed(history("Bench guitar", "--format", "json"))
    assert document["schema"] == "pitchbench.history/1"
    assert document["check_due"] is True
    first = document["sessions"][0]["strings"][0]
    assert first["moves_mm"] == [1.9]
    assert first["left_cents"] == 0.3
    assert len(document["trends"]) == 6
    assert parsed(history("--format", "json"))["schema"] == "pitchbench.sessions/1"


def test_a_verdict_is_shown_as_it_was_recorded_not_as_it_would_be_judged_now():
    entry = next(e for e in stores.a_log() if isinstance(e, VerdictEntry))
    odd = replace(entry, offset=stores.an_offset(123.0))
    assert a_session(log=(odd,)).log.strings[0].found.offset_cents == 123.0


# -- going on --------------------------------------------------------------------------------------


def test_a_session_is_not_gone_on_with_on_other_screws_or_strings():
    """Turns by the old screw would move the saddle the wrong way, with no word about it."""
    heads = ScrewHeads.NECK if GUITAR.bridge.screw_heads is ScrewHeads.TAIL else ScrewHeads.TAIL
    changed = {
        "screws are said to be otherwise": replace(
            GUITAR, bridge=replace(GUITAR.bridge, screw_heads=heads)
        ),
        "strings fitted": replace(GUITAR, strings_fitted=date(2026, 11, 1)),
    }
    record = InstrumentRecord("a" * 32, GUITAR, NOON, NOON)
    begun, later = NOON + timedelta(hours=1), NOON + timedelta(hours=2)
    assert changed_since(record, begun) == ()
    for words, instrument in changed.items():
        after = record.changed(instrument, later)
        (told,) = changed_since(after, begun)
        assert words in told
        # One that began afterwards has it right.
        assert changed_since(after, later + timedelta(hours=1)) == ()
    assert changed_since(record.changed(replace(GUITAR, notes="buzzes"), later), begun) == ()


def test_history_says_where_a_session_compared(tmp_path):
    store = str(tmp_path / "store.sqlite")
    with Repository.open(store) as repository:
        for fret, at in ((19, NOON), (12, NOON + timedelta(days=1))):
            repository.begin_session(replace(stores.a_setup(GUITAR), fret=fret), at=at)
    lines = CliRunner().invoke(cli, ["history", GUITAR.name, "--store", store]).output.splitlines()
    first, second = (line for line in lines if line.startswith("session "))
    assert first.endswith("at the 19th fret")
    assert "fret" not in second
