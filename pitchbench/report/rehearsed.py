"""What a rehearsal came to beside the truth: what was right, and the fault that was practised."""

from __future__ import annotations

from typing import Final

from pitchbench.belief import half_figures
from pitchbench.intonation.offset import Offset
from pitchbench.report.on_record import neck_heard
from pitchbench.session.findings import Finding, findings
from pitchbench.session.log import Log, Outcome
from pitchbench.session.rehearsal import Rehearsal
from pitchbench.session.survey import Survey
from pitchbench.strings.faults import Fault

#: What each fault is called.
FAULTS: Final = {
    Fault.OLD_STRING: "an old, uneven string",
    Fault.WRONG_WAY: "a saddle moved the wrong way",
    Fault.HIGH_NUT: "nut slots that are too high",
    Fault.BACKLASH: "screws that turn before their saddles follow",
    Fault.DEAD_FRET: "a dead fret",
}

#: What would find a fault that was not found.
_WHAT_WOULD_FIND: Final = {
    Fault.OLD_STRING: "compare it with a new string of the same gauge",
    Fault.WRONG_WAY: "it takes a move that is clearly larger than the takes scatter",
    Fault.HIGH_NUT: "play the first three frets with `pitchbench neck`",
    Fault.BACKLASH: "it takes more moves, so all strings, and frettings that scatter less",
    Fault.DEAD_FRET: "play the frets beside it and hear which notes die",
}

#: Headings of the table.
COLUMNS: Final = ("string", "found", "in truth", "moves", "left", "in truth", "right?")


def found_in(rehearsal: Rehearsal, survey: Survey | None) -> tuple[Finding, ...]:
    """Every sign of a fault, in the session and in a survey of the neck; from what was heard."""
    found = findings(rehearsal.state.log)
    uneven = {each.string for each in found if each.fault is Fault.OLD_STRING}
    nut = [] if survey is None else _nut(survey)
    # An uneven string's first frets say nothing of the nut: another string comes first.
    return (*found, *(each for each in nut if each.string not in uneven))


def _nut(survey: Survey) -> list[Finding]:
    result = neck_heard(survey.log, "rehearsal")
    return [
        Finding(
            Fault.HIGH_NUT,
            string.number,
            f"the first frets are sharp, {string.neck.nut.centre:.1f} ± "
            f"{half_figures(string.neck.nut.half())} cents of it by the nut: its slot is too high; "
            "lowering it is for a qualified repairer and cannot be undone",
        )
        for string in (() if result is None else result.strings)
        # Ordinary slots leave the first frets a little sharp.
        if string.neck.nut.centre - string.neck.nut.half() > survey.setup.tolerance_cents
    ]


def truth_rows(rehearsal: Rehearsal) -> list[tuple[str, ...]]:
    """A row of the table for each string: what was said, and beside it what is so, in cents."""
    log = rehearsal.state.log
    rows: list[tuple[str, ...]] = []
    for number in log.setup.order:
        string = log.strings[number - 1]
        right = [m.advised_mm * m.true_before_cents > 0.0 for m in rehearsal.moves_of(number)]
        # The player moves a saddle; the log knows of it once the string is heard again.
        unheard = len(right) > len(string.moves)
        moves = f"{len(right)}" if all(right) else f"{len(right)}, {right.count(False)} wrong"
        true_left = rehearsal.true_left_cents[number]
        rows.append(
            (
                f"{number} {log.setup.instrument.string(number).note}",
                _said(string.found),
                f"{rehearsal.true_found_cents[number]:+z.1f}",
                moves,
                _said(None if unheard else string.now),
                f"{true_left:+z.1f}",
                "moved, not heard since" if unheard else _right(log, number, true_left),
            )
        )
    return rows


def _said(offset: Offset | None) -> str:
    if offset is None:
        return "-"
    return f"{offset.offset_cents:+z.1f} ±{half_figures(offset.belief.half())}"


def _right(log: Log, number: int, true_cents: float) -> str:
    """Whether the string is as it was said to be left."""
    string = log.strings[number - 1]
    if string.now is None:
        return "not measured"
    beyond = abs(true_cents) - string.tolerance_cents
    where = "yes, within" if beyond <= 0.0 else f"no, {beyond:.1f} beyond"
    if string.outcome is not Outcome.LEAVE:
        where = f"{string.outcome or 'not finished'}"
    held = abs(true_cents - string.now.offset_cents) <= string.now.belief.half()
    return where if held else f"{where}; ± too small"


def truth_lines(rehearsal: Rehearsal) -> list[tuple[str, str]]:
    """The table as lines, label and words."""
    rows = [
        f"string {string}: found {found}, in truth {true_found}; moves {moves}; left {left}, in "
        f"truth {true_left}; right: {right}"
        for string, found, true_found, moves, left, true_left, right in truth_rows(rehearsal)
    ]
    return [("truth", row) for row in rows]


def fault_lines(fault: Fault | None, found: tuple[Finding, ...]) -> list[tuple[str, str]]:
    """What was practised, and what the program found, label and words."""
    lines = [("practised", FAULTS[fault])] if fault is not None else []
    for each in found:
        where = "" if each.string is None else f"string {each.string}: "
        lines.append(("sign of a fault", f"{where}{FAULTS[each.fault]}: {each.words}"))
    if fault is not None:
        known = fault in {each.fault for each in found}
        lines.append(("found", "yes" if known else f"no: {_WHAT_WOULD_FIND[fault]}"))
    return lines
