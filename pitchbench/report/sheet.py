"""The setup sheet: what was found, done and left, on one page for the owner of the instrument."""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass
from datetime import date
from typing import Final

from markupsafe import Markup

from pitchbench.analysis.neck import NeckResult
from pitchbench.belief import half_figures
from pitchbench.errors import printable
from pitchbench.instrument import Instrument
from pitchbench.intonation.bridge import move_words
from pitchbench.intonation.offset import Offset
from pitchbench.intonation.tolerance import tolerance_words
from pitchbench.intonation.verdict import percent
from pitchbench.lengths import length_figures, length_unit, length_words, span_words
from pitchbench.notes import strings_words
from pitchbench.records.history import check_due_by
from pitchbench.records.model import SessionRecord
from pitchbench.report.checks import CheckRow, check_rows, check_words
from pitchbench.report.neck_words import offset_words, term_words
from pitchbench.report.on_record import neck_on_record
from pitchbench.report.sheet_drift import drift_part
from pitchbench.report.takes import RoundTakes, rounds_of
from pitchbench.session.checks import Check, compared
from pitchbench.session.log import Log, Outcome, Setup, StringState
from pitchbench.session.words import left_words, places, rests_words

#: Nothing on record for this cell.
NOT_MEASURED: Final = "not measured"

#: Lines of table and notes that a Letter page holds in type of the usual size.
_COMFORTABLE_LINES: Final = 18

#: Lines that a string takes in the figure of the neck, and how many of figure and list leave room
#: for one more figure on a Letter page.
_STRING_LINES: Final = 4
_LINES_BESIDE_DRIFT: Final = 38

#: The checks that say what the instrument's record says too.
_STRINGS: Final = frozenset({Check.STRING_SET, Check.STRING_AGE})
_ACTION: Final = frozenset({Check.ACTION_BASS, Check.ACTION_TREBLE})

_REHEARSAL: Final = "Rehearsal on a virtual instrument: nothing on this page was measured."


@dataclass(frozen=True)
class Workshop:
    """Whose sheet it is, as its owner has set it; what is empty does not stand on the page.

    ``address`` may have several lines; ``paper`` is a size that CSS knows.
    """

    name: str = ""
    address: str = ""
    technician: str = ""
    paper: str = ""

    @property
    def head(self) -> tuple[str, ...]:
        """The lines above the title."""
        return tuple(filter(None, [self.name, *self.address.splitlines()]))


@dataclass(frozen=True)
class Words:
    """What stands on the page besides the session; empty where nothing was said.

    Parameters
    ----------
    workshop : whose page it is.
    remarks : what the customer said.
    recommendation : what is advised.
    stretched : what is on record of how its strings were stretched.
    next_check : until when; None for when history and today will call one due (`check_due_by`).
    """

    workshop: Workshop = Workshop()
    remarks: str = ""
    recommendation: str = ""
    next_check: date | None = None
    stretched: str = ""


#: Nothing was said.
NOTHING_SAID: Final = Words()


@dataclass(frozen=True)
class Row:
    """One string's line of the sheet, in words; ``moves`` one per move. What was found and left
    stands with its interval, and where there is less room with half of it."""

    string: int
    note: str
    wire: str
    found: str
    found_half: str
    moves: tuple[str, ...]
    saddle: str
    left: str
    left_half: str
    rests: str
    outcome: str


@dataclass(frozen=True)
class TakesRow:
    """One string's line of the table beside the figure."""

    string: int
    when: str
    n_open: int
    offsets: str
    offset: str


@dataclass(frozen=True)
class NeckPart:
    """The page's part on the neck: heading, how many strings are drawn, what they show, and every
    fret in words."""

    heading: str
    strings: int
    found: tuple[str, ...]
    frets: tuple[str, ...]

    @property
    def half_a_page(self) -> bool:
        """Whether so much of a Letter page is left that one more figure goes below."""
        lines = sum(len(words) // 110 + 1 for words in self.found)
        return _STRING_LINES * self.strings + lines <= _LINES_BESIDE_DRIFT


@dataclass(frozen=True)
class Sheet:
    """Everything that stands on the page; ``facts`` are labels and values in reading order."""

    workshop: Workshop
    title: str
    warning: str
    summary: str
    facts: tuple[tuple[str, str], ...]
    rows: tuple[Row, ...]
    takes: tuple[TakesRow, ...]
    checks: tuple[CheckRow, ...]
    said: tuple[tuple[str, str], ...]
    method: tuple[str, str]
    version: str

    @property
    def full(self) -> bool:
        """Whether the page must be set in smaller type to stay one page on A4 and on Letter."""
        table_lines = sum(max(2, 2 * len(row.moves)) for row in self.rows)
        note_lines = sum(len(text) // 100 + text.count("\n") + 1 for _, text in self.said)
        lines = table_lines + note_lines + len(self.workshop.head) + len(self.checks)
        return lines > _COMFORTABLE_LINES


def build_sheet(record: SessionRecord, words: Words = NOTHING_SAID) -> Sheet:
    """The sheet of one session; its readings' frames are not needed."""
    setup, log, meta = record.setup, record.log, record.meta
    tolerance = tolerance_words([string.tolerance_cents for string in log.strings])
    instrument = setup.instrument
    return Sheet(
        workshop=words.workshop,
        title=f"Setup sheet: {instrument.name}",
        warning=_REHEARSAL if meta.rehearsal else "",
        summary=_summary(record, tolerance),
        facts=_facts(record, tolerance, words),
        rows=tuple(_row(log, string) for string in log.strings),
        takes=tuple(row for string in log.strings for row in _takes_rows(string)),
        checks=check_rows(record),
        said=_said(record, words),
        method=_method(setup, tolerance),
        version=f"pitchbench {meta.program_version}, session {meta.short_id}",
    )


def _summary(record: SessionRecord, tolerance: str) -> str:
    """ "Worst string as found 14.9 ± 1.2 cents, as left 0.4 ± 1.6 cents; 6 of 6 within ±2 cents":
    what came of it, of whichever string is the worst."""
    strings = [record.log.strings[number - 1] for number in record.log.order]
    within = sum(string.outcome is Outcome.LEAVE for string in strings)
    counted = f"{within} of {len(strings)} within ±{tolerance}"
    pairs = [(s.found, s.now) for s in strings if s.found is not None and s.now is not None]
    if not pairs:
        return counted
    worst = [max(each, key=lambda o: abs(o.offset_cents)) for each in zip(*pairs, strict=True)]
    found, left = (f"{abs(o.offset_cents):.1f} ± {half_figures(o.belief.half())}" for o in worst)
    return f"Worst string as found {found} cents, as left {left} cents; {counted}"


def _said(record: SessionRecord, words: Words) -> tuple[tuple[str, str], ...]:
    """What people said, under headings."""
    due = words.next_check or check_due_by(record.setup.instrument, record.meta.day)
    check = "" if record.meta.rehearsal else f"With new strings, or by {due}."
    said = [
        ("Customer's remarks", words.remarks),
        ("Notes", record.setup.instrument.notes),
        ("Recommendation", words.recommendation),
        ("Next check", check),
    ]
    return tuple((heading, text) for heading, text in said if text)


def sheet_html(
    record: SessionRecord, survey: SessionRecord | None = None, words: Words = NOTHING_SAID
) -> str:
    """The sheet as one HTML page that needs nothing else: no script, no link, no other file.

    ``survey`` is a survey of the same neck, which goes on a second sheet of paper, and with it how
    each string settles, if there is room and the frames of the plucks are known.
    """
    # Only a page needs them, and they take longer to load than all the rest.
    import jinja2  # noqa: PLC0415

    from pitchbench.report.figures import (  # noqa: PLC0415
        Course,
        drift_inline,
        neck_inline,
        takes_figure,
    )

    sheet = build_sheet(record, words)
    figure = takes_figure(
        record.log,
        title=f"Takes of every string, {record.meta.day}",
    )
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("pitchbench.report"),
        autoescape=True,
        finalize=_written_out,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    neck, neck_figure, drift, drift_figure = None, "", None, ""
    if survey is not None and (result := neck_on_record(survey)) is not None:
        neck = _neck_part(result, record, survey)
        neck_figure = neck_inline(
            result.necks,
            result.judged.instrument,
            tolerance_cents=result.judged.tolerance_cents,
            title=neck.heading,
        )
        if neck.half_a_page and (drift := drift_part(record)) is not None:
            courses = [
                Course(name, each.time_s, each.cents, each.reading.settle_s)
                for name, each in drift.plucks
            ]
            drift_figure = drift_inline(courses, title=drift.heading)
    # The figures are our own markup; the names in them were escaped where they were made.
    return environment.get_template("sheet.html").render(
        sheet=sheet,
        figure=Markup(figure),
        neck=neck,
        neck_figure=Markup(neck_figure),
        drift=drift,
        drift_figure=Markup(drift_figure),
    )


def _written_out(value: object) -> object:
    """Control characters in a name are shown, the lines of notes apart."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return "\n".join(map(printable, value.splitlines()))
    return value


@dataclass(frozen=True)
class InWords:
    """The sheet as text: ``facts`` and ``said`` are labels and values; ``method`` comes last."""

    head: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    rows: tuple[Row, ...]
    said: tuple[tuple[str, str], ...]
    method: tuple[str, ...]


def sheet_in_words(
    record: SessionRecord, survey: SessionRecord | None = None, words: Words = NOTHING_SAID
) -> InWords:
    """The sheet as text; ``survey`` as for the page."""
    sheet = build_sheet(record, words)
    said = check_words(sheet.checks)
    said += [(heading.lower(), text) for heading, text in sheet.said]
    if survey is not None and (result := neck_on_record(survey)) is not None:
        neck = _neck_part(result, record, survey)
        said += [(neck.heading.lower(), words) for words in neck.found]
    return InWords(
        head=(*sheet.workshop.head, sheet.title, *filter(None, (sheet.warning, sheet.summary))),
        facts=sheet.facts,
        rows=sheet.rows,
        said=tuple(said),
        method=(*sheet.method, sheet.version),
    )


def sheet_lines(
    record: SessionRecord, survey: SessionRecord | None = None, words: Words = NOTHING_SAID
) -> list[str]:
    """The sheet as plain lines, label before value; ``survey`` as for the page."""
    sheet = sheet_in_words(record, survey, words)
    return [
        *sheet.head,
        *map(": ".join, sheet.facts),
        *map(_row_line, sheet.rows),
        *map(": ".join, sheet.said),
        *sheet.method,
    ]


def _row_line(row: Row) -> str:
    moves = f"; moved {', then '.join(row.moves)}" if row.moves else ""
    return (
        f"string {row.string}, {row.note}{row.wire and f', {row.wire}'}: "
        f"found {row.found}{moves}; "
        f"left {row.left}{row.rests}; saddle {row.saddle}; {row.outcome}"
    )


def _neck_part(result: NeckResult, record: SessionRecord, survey: SessionRecord) -> NeckPart:
    """No advice: the saddles may have been moved since the neck was surveyed."""
    when = "before" if survey.meta.started_at < record.meta.started_at else "after"
    found = [f"{string.name}: {term_words(string)}" for string in result.strings]
    found += [f"{string.name}: {words}" for string in result.strings for words in string.findings]
    return NeckPart(
        heading=f"The neck, surveyed {survey.meta.day}, {when} this session",
        strings=len(result.necks),
        found=tuple(found),
        frets=tuple(
            f"{label}: {offset}"
            for string in result.strings
            for label, offset in offset_words(string)
        ),
    )


def _facts(record: SessionRecord, tolerance: str, words: Words) -> tuple[tuple[str, str], ...]:
    setup, meta = record.setup, record.meta
    instrument = setup.instrument
    # What was looked at on the day stands below, and counts for more than what is on record.
    looked_at = {pair.check for pair in compared(record.log.checked)}
    ended = "" if meta.finished_at else " (broken off)"
    facts = [
        ("date", f"{meta.day}{ended}"),
        ("owner", instrument.owner_mark),
        ("technician", words.workshop.technician),
        ("instrument", _instrument_words(instrument)),
        ("scales", _scales_words(instrument)),
        ("capo", _capo_words(instrument)),
        ("tuning", f"{instrument.tuning}, A4 = {setup.a4_hz:g} Hz"),
        ("strings", "" if looked_at & _STRINGS else _set_words(instrument)),
        ("strings stretched", "" if Check.STRETCHED in looked_at else words.stretched),
        ("bridge", _bridge_words(instrument)),
        ("action, relief", _heights(instrument, looked_at)),
        ("temperature", _degrees(instrument.temperature_c)),
        ("tolerance", f"±{tolerance} at {places(setup)}"),
        ("tolerances", _tolerances_words(record.log)),
        ("listened to", meta.source),
    ]
    return tuple((label, value) for label, value in facts if value)


def _capo_words(instrument: Instrument) -> str:
    if not instrument.capo:
        return ""
    of = f" of {strings_words(instrument.capo_strings)}" if instrument.capo_strings else ""
    return f"fret {instrument.capo}, which is the nut{of}"


def _instrument_words(instrument: Instrument) -> str:
    hand = ", left-handed" if instrument.left_handed else ""
    frets = "fretless" if instrument.fretless else f"{instrument.frets} frets"
    return f"{instrument.kind}, scale {span_words(instrument.scales_mm)}, {frets}{hand}"


def _tolerances_words(log: Log) -> str:
    """Each string's own; nothing where they all have one."""
    cents = [string.tolerance_cents for string in log.strings]
    if len(set(cents)) == 1:
        return ""
    return f"{' '.join(f'{each:g}' for each in cents)} cents, string 1 first"


def _scales_words(instrument: Instrument) -> str:
    """Each string's own; nothing where they all have one."""
    if len(set(instrument.scales_mm)) == 1:
        return ""
    scales = " ".join(length_figures(mm, None) for mm in instrument.scales_mm)
    return f"{scales} {length_unit()}, string 1 first"


def _set_words(instrument: Instrument) -> str:
    if not instrument.is_said("strings"):
        return ""
    fitted = instrument.strings_fitted
    parts = [instrument.string_set, f"fitted {fitted:%Y-%m-%d}" if fitted else ""]
    return ", ".join(part for part in parts if part)


def _bridge_words(instrument: Instrument) -> str:
    bridge = instrument.bridge
    if not bridge.screw_pitch_mm or not bridge.screw_heads:
        return str(bridge.kind)
    pitch = length_words(bridge.screw_pitch_mm, None)
    return f"{bridge.kind}, {pitch} per turn, heads on the {bridge.screw_heads} side"


def _heights(instrument: Instrument, looked_at: Set[Check]) -> str:
    action, relief = (
        "" if mm is None else length_words(mm, None)
        for mm in (instrument.action_mm, instrument.relief_mm)
    )
    said = [
        words
        for what, words, checks in (
            ("action", action and f"{action} at the 12th fret", _ACTION),
            ("relief", relief, {Check.RELIEF}),
        )
        if words and instrument.is_said(what) and not looked_at & checks
    ]
    return ", ".join(said)


def _degrees(celsius: float | None) -> str:
    return "" if celsius is None else f"{celsius:g} °C"


def _row(log: Log, result: StringState) -> Row:
    instrument = log.setup.instrument
    return Row(
        string=result.number,
        note=str(instrument.string(result.number).note),
        wire=_wire(instrument, result.number),
        found=interval_words(result.found),
        found_half=half_words(result.found),
        moves=tuple(move_words(entry.made) for entry in result.moves),
        saddle=_saddle(instrument, result),
        left=interval_words(result.now),
        left_half=half_words(result.now),
        rests="" if result.now is None else f" from {rests_words(result.now)}",
        outcome=_outcome(log, result),
    )


def _outcome(log: Log, result: StringState) -> str:
    word = left_words(log, result)
    if result.outcome is Outcome.LEAVE:
        # What the bench calls "leave it" the owner reads as a result.
        word = "within tolerance"
    if result.verdict is None or result.outcome not in (Outcome.LEAVE, Outcome.BORDER):
        return word
    return f"{word}, {percent(result.verdict.p_within)} sure"


def _wire(instrument: Instrument, number: int) -> str:
    if not instrument.is_said("strings"):
        return ""
    spec = instrument.string(number)
    return f"{length_words(spec.diameter_mm, 2)} {'wound' if spec.wound else 'plain'}"


def interval_words(offset: Offset | None) -> str:
    """ "+5.3 [+4.2, +6.4]": an offset with its 95 % interval in cents."""
    if offset is None:
        return NOT_MEASURED
    low, high = offset.interval95_cents
    return _printed(f"{offset.offset_cents:+z.1f} [{low:+z.1f}, {high:+z.1f}]")


def half_words(offset: Offset | None) -> str:
    """ "+5.3 ± 1.1": an offset and half of its 95 % interval in cents."""
    if offset is None:
        return NOT_MEASURED
    return _printed(f"{offset.offset_cents:+z.1f} ± {half_figures(offset.belief.half())}")


def _printed(figures: str) -> str:
    """With the minus sign of print."""
    return figures.replace("-", "−")


def _saddle(instrument: Instrument, result: StringState) -> str:
    """Net travel, and the setback that results where the one at the start is known."""
    travel = length_words(result.travel_mm, sign=True) if result.moves else length_words(0.0, 0)
    if not instrument.setback_mm:
        return _printed(travel)
    setback_mm = instrument.setback_mm[result.number - 1] + result.travel_mm
    return _printed(f"{travel}, setback {length_words(setback_mm)}")


def _takes_rows(result: StringState) -> list[TakesRow]:
    return [
        _takes_row(result.number, when, takes)
        for when, takes in zip(("as found", "as left"), rounds_of(result), strict=True)
        if takes is not None
    ]


def _takes_row(string: int, when: str, takes: RoundTakes) -> TakesRow:
    offsets = _printed(" ".join(f"{cents:+z.1f}" for cents in takes.offsets_cents))
    judged = interval_words(takes.offset)
    if takes.offset is not None and takes.offset.carried_over:
        judged += ", with what was known before the move"
    return TakesRow(string, when, takes.n_open, offsets, judged)


def _method(setup: Setup, tolerance: str) -> tuple[str, str]:
    fret = setup.fret
    return (
        f"Each string plucked open and at {places(setup)}; of every pluck the attack is "
        "left out and the pitch that the note settles to is read.",
        f"Offset = 1200 log2(fretted / open) − {100 * fret:d} cents, + is sharp; brackets or ± "
        f"hold it with 95 % probability; a string is left that lies within ±{tolerance} as "
        "surely; on the border is one that does so less surely, and more takes would hardly "
        "decide it.",
    )
