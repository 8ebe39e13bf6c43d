"""``pitchbench forecast``: what a change of strings, tuning, action or scale will do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Literal

import click

from pitchbench.belief import Belief
from pitchbench.commands.common import (
    ExamplesFirst,
    a4_option,
    format_option,
    open_records,
    plain_option,
    show_result,
    store_option,
)
from pitchbench.commands.instrument_options import filed_on_record, instrument_options, with_details
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.intonation.bridge import Move, move_interval_words, move_words
from pitchbench.lengths import decimal, span_words
from pitchbench.notes import Note
from pitchbench.presets import preset
from pitchbench.report.document import NonNegative, Positive, fill
from pitchbench.report.readings import MoveDocument, move_document
from pitchbench.strings.forecast import (
    PLUCK_MM,
    Forecast,
    StringCondition,
    StringForecast,
    Warned,
    forecast,
)
from pitchbench.units import NEWTONS_PER_LBF

EXAMPLES = """\
  pitchbench forecast --tuning "D2 G2 C3 F3 A3 D4"          a whole tone down, same strings
  pitchbench forecast --gauges "11 14 18 28w 38w 49w"      a heavier set
  pitchbench forecast --instrument "Blue bass" --action 2.0  lower action on one on record
  pitchbench forecast --preset bass-four --scale "838 846 855 864"
  pitchbench forecast --tuning "C2 G2 C3 F3 A3 D4" --measured 6=1.2
"""

_FRET: Final = 12

#: An offset typed in by hand is taken to be as sure as three careful takes make it.
_TYPED_U_CENTS: Final = 1.0


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@instrument_options(
    "preset_name", "name", "tuning", "gauges", "action", "scale", "capo", gauges="--strings"
)
@click.option(
    "--measured",
    metavar="STRING=CENTS",
    multiple=True,
    help="Offset at the 12th fret as it is now; may be given once per string.",
)
@click.option("--lbf", is_flag=True, help="Tension in pounds-force rather than newtons (text).")
@a4_option
@format_option
@plain_option
@store_option
def command(
    *,
    preset_name: str | None,
    name: str | None,
    measured: tuple[str, ...],
    lbf: bool,
    a4: float,
    output_format: str,
    plain: bool,
    store: str | None,
    **changes: Any,
) -> None:
    """Say what new strings, another tuning, action or scale will do to tension and offsets."""
    before, anchors, filed_mm = _on_record(preset_name, name, store)
    anchors |= dict(_read_measured(word, before) for word in measured)
    after = with_details(before, changes)
    made = forecast(before, after, fret=_FRET, a4_hz=a4, anchors=anchors, filed_mm=filed_mm)
    show_result(
        output_format,
        plain,
        document=lambda: _document(made, a4),
        lines=lambda: _plain_lines(made, lbf),
        page=lambda: _page(made, lbf),
    )


def _on_record(
    preset_name: str | None, name: str | None, store: str | None
) -> tuple[Instrument, dict[int, Belief], tuple[float, ...]]:
    """The instrument as it is; where it is on record, with the offsets last measured on it and what
    was filed off its break points."""
    if name is None:
        return preset(preset_name or "six-string"), {}, ()
    if preset_name is not None:
        raise PitchbenchError("Both --preset and --instrument were given.", "Give one of the two.")
    # The session room is slow to load.
    from pitchbench.records.history import LOOK_BACK, last_measured  # noqa: PLC0415

    with open_records(store) as repository:
        instrument = repository.instrument(name).instrument
        sessions = repository.sessions(name, last=LOOK_BACK)
        filed_mm = filed_on_record(repository, instrument)
    return instrument, last_measured(instrument, sessions, fret=_FRET), filed_mm


def _read_measured(word: str, instrument: Instrument) -> tuple[int, Belief]:
    """One "6=4.2": string number and offset."""
    number, _, cents = word.partition("=")
    try:
        string, offset = int(number), float(decimal(cents))
    except ValueError:
        string, offset = 0, 0.0
    if not 1 <= string <= len(instrument.strings) or not abs(offset) <= 50.0:
        raise PitchbenchError(
            f"--measured {word!r} makes no sense here.",
            f"Write string=cents, such as 6=4.2, with strings 1 to {len(instrument.strings)} "
            "and at most 50 cents.",
        )
    return string, Belief.normal(offset, _TYPED_U_CENTS)


def _page(made: Forecast, lbf: bool) -> None:
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    page = Page()
    scale = span_words(made.before.scales_mm)
    page.say(f"{made.before.name}, {scale}, offsets at fret {made.fret}", strong=True)
    page.gap()
    columns = [
        Column("string"),
        Column("note", right=False),
        Column(f"tension {'lbf' if lbf else 'N'}", right=False),
        Column("offset changes, cents", right=False),
        Column("saddle, to take it back", right=False),
    ]
    force = f"{_force(made.tension_before_n, lbf)} -> {_force(made.tension_after_n, lbf)}"
    page.table(columns, [*(_row(each, lbf) for each in made.strings), ("all", "", force, "", "")])
    anchored = [string for string in made.strings if string.measured]
    if anchored:
        page.gap()
        page.say("From the offsets measured to those expected, saddles left where they are:")
        page.facts((f"string {each.number}", _expected_words(each)) for each in anchored)
        mean = ", or the mean of those on one saddle" if made.after.bridge.pairs else ""
        move = (
            "all that is asked of the saddle" if made.after.bridge.is_filed else "the saddle move"
        )
        page.say(f"For these strings {move} above brings the expected offset{mean} to nothing.")
    page.gap()
    page.say(f"How each string behaves (a {PLUCK_MM:g} mm pluck starts so much sharp; 1 K warmer):")
    page.facts((f"string {each.number}", _behaviour_words(each)) for each in made.strings)
    if minded := [*_warnings(made), *_cautions(made)]:
        page.gap()
        page.say("Mind:")
        page.items(minded)
    page.gap()
    page.say(
        "Ranges hold the true value about 19 times in 20, by our judgement of the physics; they "
        "suppose that relief and action are brought back. Measure again afterwards."
    )


def _row(string: StringForecast, lbf: bool) -> tuple[str, ...]:
    before, after = string.before, string.after
    note = (
        f"{before.spec.note} -> {after.spec.note}"
        if before.spec.note != after.spec.note
        else str(after.spec.note)
    )
    low, high = string.change.interval()
    return (
        str(string.number),
        note,
        f"{_force(before.tension_n, lbf)} -> {_force(after.tension_n, lbf)}",
        f"{string.change.centre:+z.1f} ({low:+z.1f} to {high:+z.1f})",
        _move_words(string.move),
    )


def _plain_lines(made: Forecast, lbf: bool) -> list[str]:
    unit = "lbf" if lbf else "N"
    lines = [
        f"instrument: {made.before.name}",
        f"scale before: {span_words(made.before.scales_mm)}",
        f"scale after: {span_words(made.after.scales_mm)}",
        f"fret: {made.fret}",
        f"tension of all strings before: {_force(made.tension_before_n, lbf)} {unit}",
        f"tension of all strings after: {_force(made.tension_after_n, lbf)} {unit}",
    ]
    for string in made.strings:
        label = f"string {string.number}"
        low, high = string.change.interval()
        before, after = string.before, string.after
        tension = f"{_force(before.tension_n, lbf)} to {_force(after.tension_n, lbf)} {unit}"
        change = f"{string.change.centre:+z.1f} cents, from {low:+z.1f} to {high:+z.1f}"
        lines += [
            f"{label} note: {before.spec.note} to {after.spec.note}",
            f"{label} tension: {tension}",
            f"{label} offset change: {change}",
        ]
        if string.measured:
            lines.append(f"{label} offset: {_expected_words(string)}")
        lines += [
            f"{label} saddle: {_move_words(string.move)}",
            f"{label} behaviour: {_behaviour_words(string)}",
        ]
    lines += [f"mind: {text}" for text in (*_warnings(made), *_cautions(made))]
    return lines


def _force(newtons: float, lbf: bool) -> str:
    return f"{newtons / NEWTONS_PER_LBF:.1f}" if lbf else f"{newtons:.0f}"


def _expected_words(string: StringForecast) -> str:
    assert string.measured is not None
    assert string.expected is not None
    low, high = string.expected.interval()
    return (
        f"{string.measured.centre:+z.1f} to "
        f"{string.expected.centre:+z.1f} cents ({low:+z.1f} to {high:+z.1f})"
    )


def _from_to(before: str, after: str) -> str:
    """Both, where they differ."""
    return after if before == after else f"{before} to {after}"


def _behaviour_words(string: StringForecast) -> str:
    before, after = string.before, string.after
    sharp = _from_to(f"{before.attack_cents:.1f}", f"{after.attack_cents:.1f}")
    stiffness = _from_to(f"{before.stiffness_b:.1e}", f"{after.stiffness_b:.1e}")
    words = f"{sharp} cents sharp, stiffness B {stiffness}"
    if after.kelvin_cents is None:
        return words
    return f"{words}, {after.kelvin_cents:.1f} cents flatter per kelvin"


def _move_words(move: Move | None) -> str:
    if move is None:
        return "more than a saddle can do"
    if _stays(move):
        return "stays"
    low, _ = move.onward95_mm
    between = move_interval_words(move)
    if low < -0.05:
        return f"not foreseeable: {between}"
    return f"{move_words(move.whole if move.out_of_travel else move)} ({between})"


def _stays(move: Move) -> bool:
    return move.onward95_mm[1] < 0.05


def _cautions(made: Forecast) -> list[str]:
    """What to mind where a saddle is moved."""
    moves = [string.move for string in made.strings if string.move and not _stays(string.move)]
    return list(dict.fromkeys(words for move in moves for words in move.cautions))


def _warnings(made: Forecast) -> list[str]:
    return [warned.text for warned in made.warnings] + [
        f"String {string.number}: {warned.text}"
        for string in made.strings
        for warned in string.warnings
    ]


# -- document ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class ConditionDocument:
    """A string before or after the change."""

    note: Note
    diameter_mm: Positive
    wound: bool
    scale_mm: Positive
    tension_n: Positive
    tension_lbf: Positive
    breaking_share: NonNegative | None
    stretch_kappa: Positive
    stiffness_b: NonNegative
    attack_cents: float
    cents_per_kelvin: float | None


@dataclass(frozen=True)
class ForecastStringDocument:
    """What becomes of one string."""

    string: int
    before: ConditionDocument
    after: ConditionDocument
    offset_change_cents: float
    u_cents: NonNegative
    interval95_cents: tuple[float, float]
    measured_offset_cents: float | None
    expected_offset_cents: float | None
    expected95_cents: tuple[float, float] | None
    move: MoveDocument | None
    warnings: tuple[Warned, ...]


@dataclass(frozen=True)
class ForecastDocument:
    """What `pitchbench forecast --format json` prints."""

    schema: Literal["pitchbench.forecast/1"]
    instrument: str
    a4_hz: Positive
    fret: int
    scale_before_mm: Positive
    scale_after_mm: Positive
    tension_before_n: Positive
    tension_after_n: Positive
    strings: tuple[ForecastStringDocument, ...]
    warnings: tuple[Warned, ...]


def _document(made: Forecast, a4_hz: float) -> ForecastDocument:
    strings = [
        fill(
            ForecastStringDocument,
            string,
            string=string.number,
            before=_condition(string.before),
            after=_condition(string.after),
            offset_change_cents=string.change.centre,
            u_cents=string.change.u,
            interval95_cents=string.change.interval(),
            measured_offset_cents=string.measured and string.measured.centre,
            expected_offset_cents=string.expected and string.expected.centre,
            expected95_cents=string.expected and string.expected.interval(),
            move=string.move and move_document(string.move),
        )
        for string in made.strings
    ]
    return fill(
        ForecastDocument,
        made,
        instrument=made.before.name,
        a4_hz=a4_hz,
        scale_before_mm=made.before.scale_mm,
        scale_after_mm=made.after.scale_mm,
        strings=strings,
    )


def _condition(condition: StringCondition) -> ConditionDocument:
    return fill(
        ConditionDocument,
        condition,
        condition.spec,
        tension_lbf=condition.tension_n / NEWTONS_PER_LBF,
        cents_per_kelvin=condition.kelvin_cents,
    )
