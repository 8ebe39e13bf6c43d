"""``pitchbench instrument``: the instruments on record."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final, Literal, TypeVar

import click

from pitchbench.commands import completion
from pitchbench.commands.common import (
    echo_json,
    format_option,
    open_records,
    printable,
    store_option,
    whole_number,
)
from pitchbench.commands.help_page import (
    GroupWithExamples,
    instruments_on_record,
    start_page,
)
from pitchbench.commands.instrument_options import (
    ACTION,
    BRIDGES,
    DETAILS,
    HEADS,
    RELIEF,
    SCALE,
    SCREW_PITCH,
    TOLERANCES,
    Day,
    instrument_options,
    with_details,
)
from pitchbench.errors import PitchbenchError, RecordsError
from pitchbench.instrument import Instrument, StringSpec
from pitchbench.intonation.response import Response
from pitchbench.intonation.tolerance import tolerance_words
from pitchbench.lengths import diameter_words, length_figures, length_unit, length_words, span_words
from pitchbench.notes import ordinal
from pitchbench.presets import (
    PRESETS,
    preset,
)
from pitchbench.records.model import (
    Earlier,
    InstrumentRecord,
    InstrumentSummary,
    RemovedInstrument,
    checked_text,
)
from pitchbench.report.document import fill

if TYPE_CHECKING:
    from pitchbench.records.repository import Repository

EXAMPLES = """\
  pitchbench instrument add                      two questions, then it can be used
  pitchbench instrument add "Blue bass" --like bass-four --strings-fitted today
  pitchbench instrument edit "Blue bass" --action 2.1 --tuning "D1 A1 D2 G2"
  pitchbench instrument show "Blue bass"         everything on record about it
  pitchbench instrument list                     all of them, with their sessions counted
  pitchbench instrument restore "Blue bass"      put back what was removed
"""

#: What a person does first, in this order.
_FIRST: Final = [
    ("pitchbench instrument add", "two questions, then it can be used"),
    ("pitchbench instrument list", "what is on record"),
    ("pitchbench session --instrument NAME", "set the intonation of one"),
]

#: What ``--forget`` can unset, and the fields that it sets back.
FORGETTABLE: Final[dict[str, dict[str, Any]]] = {
    "action": {"action_mm": None},
    "relief": {"relief_mm": None},
    "setback": {"setback_mm": ()},
    "strings-fitted": {"strings_fitted": None},
    "temperature": {"temperature_c": None},
}


@dataclass(frozen=True)
class InstrumentDocument:
    """What `pitchbench instrument show --format json` prints."""

    schema: Literal["pitchbench.instrument/1"]
    id: str
    instrument: Instrument
    added_at: datetime
    changed_at: datetime
    earlier: tuple[Earlier, ...]
    response: Response | None


@dataclass(frozen=True)
class InstrumentsDocument:
    """What `pitchbench instrument list --format json` prints."""

    schema: Literal["pitchbench.instruments/1"]
    instruments: tuple[InstrumentSummary, ...]


@click.group(cls=GroupWithExamples, examples=EXAMPLES, invoke_without_command=True)
@click.pass_context
def command(ctx: click.Context) -> None:
    """The instruments on record: scale, strings, bridge, and what was learned of it."""
    if ctx.invoked_subcommand is not None:
        return
    start_page(
        "What is known of your instruments: scale, strings, bridge, and what was learned of it. A "
        "session of one on record knows all that, and keeps its history.",
        _FIRST,
        instruments_on_record,
    )
    click.echo("\nMore: pitchbench instrument --help")


@command.command("add")
@click.argument("name", required=False)
@click.option("--like", metavar="PRESET", shell_complete=completion.presets,
              help="Built-in instrument to start from (see --presets).")  # fmt: skip
@click.option("--presets", is_flag=True, help="List the built-in instruments and stop.")
@instrument_options(*DETAILS)
@store_option
def add(
    name: str | None, like: str | None, presets: bool, store: str | None, **details: Any
) -> None:
    """Put an instrument on record. Without NAME, it asks."""
    if presets:
        for instrument in PRESETS.values():
            click.echo(f"{instrument.name}: {_in_a_line(instrument)}")
        return
    with open_records(store) as repository:
        if name is None:
            _ask_and_add(repository, like, details)
            return
        instrument = replace(
            with_details(preset(like or "six-string"), details), name=checked_text(name)
        )
        repository.add_instrument(instrument)
        click.echo(f"On record: {printable(instrument.name)}, {_in_a_line(instrument)}.", err=True)


@command.command("edit")
@click.argument("name", shell_complete=completion.instruments)
@click.option("--rename", metavar="NAME", help="Another name for it.")
@click.option("--forget", multiple=True, type=click.Choice(list(FORGETTABLE)))
@click.option("--undo", is_flag=True, help="As it was before the last change.")
@instrument_options(*DETAILS)
@store_option
def edit(
    name: str,
    rename: str | None,
    forget: tuple[str, ...],
    undo: bool,
    store: str | None,
    **details: Any,
) -> None:
    """Change what is on record, and say what changed. What was before is kept (show --earlier);
    sessions keep the instrument as it was then."""
    with open_records(store) as repository:
        record = repository.instrument(name)
        before = _before_last_change(record) if undo else record.instrument
        instrument = with_details(before, details)
        for thing in forget:
            instrument = replace(instrument, **FORGETTABLE[thing])
        if rename is not None:
            instrument = replace(instrument, name=checked_text(rename))
        repository.change_instrument(name, instrument)
    changed = _changes(record.instrument, instrument)
    click.echo(f"{'Changed' if changed else 'As before'}: {printable(instrument.name)}.", err=True)
    for line in changed:
        click.echo(f"  {printable(line)}", err=True)


def _before_last_change(record: InstrumentRecord) -> Instrument:
    if not record.earlier:
        raise RecordsError(
            f"{printable(record.instrument.name)!r} was never changed.",
            "See what is on record with `pitchbench instrument show`.",
        )
    return record.earlier[-1].instrument


def _changes(before: Instrument, after: Instrument) -> list[str]:
    """What differs, a line each: label, what was and what is."""
    old, new = dict(described(before)), dict(described(after))
    return [
        f"{label}: {old.get(label, 'not known')} -> {new.get(label, 'not known')}"
        for label in {**old, **new}
        if old.get(label) != new.get(label)
    ]


@command.command("show")
@click.argument("name", shell_complete=completion.instruments)
@click.option("--earlier", is_flag=True, help="What it was before each change, too.")
@format_option
@store_option
def show(name: str, earlier: bool, output_format: str, store: str | None) -> None:
    """Everything on record about one instrument, and what its moves taught of its bridge."""
    # The session room is slow to load.
    from pitchbench.session.learning import LEARN_FROM, learned_response  # noqa: PLC0415
    from pitchbench.session.log import Setup  # noqa: PLC0415
    from pitchbench.session.words import learned_words  # noqa: PLC0415

    with open_records(store) as repository:
        record = repository.instrument(name)
        sessions = repository.sessions(name, last=LEARN_FROM)
    setup = Setup(instrument=record.instrument)
    response = learned_response([session.log for session in sessions], setup)
    if output_format == "json":
        learned = response if response.moves else None
        echo_json(fill(InstrumentDocument, record, response=learned))
        return
    for label, value in described(record.instrument):
        click.echo(f"{label}: {printable(value)}")
    if unsaid := _unsaid(record.instrument):
        click.echo(f"as the preset has it, not measured: {unsaid}")
    if response.moves:
        click.echo(f"bridge: {learned_words(response)}")
    if earlier:
        _show_earlier(record)


def _show_earlier(record: InstrumentRecord) -> None:
    """Each change, the latest first."""
    states = [*record.earlier, Earlier(record.changed_at, record.instrument)]
    for before, after in reversed(list(pairwise(states))):
        click.echo(f"changed {after.changed_at:%Y-%m-%d %H:%M} UTC:")
        for line in _changes(before.instrument, after.instrument):
            click.echo(f"  {printable(line)}")


@command.command("list")
@format_option
@store_option
def list_(output_format: str, store: str | None) -> None:
    """Every instrument by name, with its sessions counted."""
    with open_records(store) as repository:
        summaries = repository.instruments()
    if output_format == "json":
        echo_json(fill(InstrumentsDocument, instruments=summaries))
        return
    for summary in summaries:
        last = summary.last_session_at
        sessions = (
            f"{_counted(summary.sessions)}, last {last:%Y-%m-%d}" if last else "no session yet"
        )
        name = printable(summary.instrument.name)
        click.echo(f"{name}: {_in_a_line(summary.instrument)}; {sessions}")
    if not summaries:
        click.echo("No instrument is on record yet: `pitchbench instrument add`.", err=True)


@command.command("remove")
@click.argument("name", shell_complete=completion.instruments)
@click.option("--with-sessions", is_flag=True, help="Its sessions go too.")
@click.option("--for-good", is_flag=True, help="So that nothing can bring it back.")
@store_option
def remove(name: str, with_sessions: bool, for_good: bool, store: str | None) -> None:
    """Take an instrument off the record; `instrument restore` puts it back."""
    with open_records(store) as repository:
        try:
            name = repository.instrument(name).instrument.name
        except RecordsError:
            if not for_good:
                raise
            gone = _removed(repository, name)
            repository.forget_removed(gone.id)
            click.echo(f"Removed for good: {printable(gone.name)}.", err=True)
            return
        sessions = len(repository.session_ids(name))
        if sessions and not with_sessions:
            raise RecordsError(
                f"{printable(name)!r} has {_counted(sessions)} on record.",
                "Add --with-sessions to remove them too; `pitchbench instrument restore` brings "
                "all back.",
            )
        repository.remove_instrument(name, for_good=for_good)
    if for_good:
        click.echo(f"Removed for good: {printable(name)}.", err=True)
        return
    back = f"pitchbench instrument restore {shlex.quote(name)}"
    click.echo(f"Removed: {printable(name)}. Put it back with: {printable(back)}", err=True)


@command.command("restore")
@click.argument("name", required=False)
@store_option
def restore(name: str | None, store: str | None) -> None:
    """Put a removed instrument back, its sessions with it. Without NAME, list what was removed."""
    with open_records(store) as repository:
        if name is None:
            for gone in repository.removed_instruments():
                what = f"{gone.name}: removed {gone.removed_at:%Y-%m-%d}, {_counted(gone.sessions)}"
                click.echo(printable(what))
            return
        gone = _removed(repository, name)
        name = repository.restore_instrument(gone.id)
    click.echo(f"On record again: {printable(name)}, {_counted(gone.sessions)}.", err=True)


def _removed(repository: Repository, name: str) -> RemovedInstrument:
    """The instrument of that name that was removed last."""
    gone = repository.removed_instruments()
    for fits in (str.__eq__, lambda one, other: one.casefold() == other.casefold()):
        for each in gone:
            if fits(each.name, name):
                return each
    raise RecordsError(
        f"No instrument called {name!r} was removed.",
        "See those that were with `pitchbench instrument restore`.",
    )


def _counted(sessions: int) -> str:
    return f"{sessions} session{'s' * (sessions != 1)}"


# -- the dialogue ----------------------------------------------------------------------------


def _ask_and_add(repository: Repository, like: str | None, details: dict[str, Any]) -> None:
    """Two questions put the instrument on record; the rest may be answered now or never."""
    name = _ask("What is it called?", checked_text)
    while repository.has_instrument(name):
        click.echo("That name is on record already.", err=True)
        name = _ask("What is it called?", checked_text)
    if like is None:
        for number, each in enumerate(PRESETS.values(), start=1):
            click.echo(f"  {number:2}  {each.name}: {_in_a_line(each)}", err=True)
        like = _ask("Which of these is it most like?", _preset_name, default="1")
    instrument = replace(with_details(preset(like), details), name=name)
    repository.add_instrument(instrument)
    click.echo(f"On record: {printable(name)}, {_in_a_line(instrument)}.", err=True)
    if click.confirm("It can be used now. Go through the details?", default=False, err=True):
        changed = _ask_details(instrument)
        repository.change_instrument(name, changed)
        for line in _changes(instrument, changed):
            click.echo(f"Changed: {printable(line)}", err=True)


def _ask_details(instrument: Instrument) -> Instrument:
    """Ask for what matters most; Enter keeps what is there."""
    bridge = instrument.bridge
    for question, option, kind, present in (
        ("Tuning?", "tuning", click.STRING, instrument.tuning),
        ("String gauges, string 1 first?", "gauges", click.STRING, _gauges(instrument)),
        ("Strings fitted on (year-month-day or today)?", "strings_fitted", Day(), None),
        ("Scale, one or string 1, 2, ...?", "scale", SCALE, _scales(instrument)),
        ("Bridge?", "bridge", BRIDGES, bridge.kind),
        ("On which side are the heads of the length screws?", "screw_heads", HEADS, None),
        ("Saddle travel per turn of the screw in mm?", "screw_pitch", SCREW_PITCH, None),
        ("String height over the 12th fret in mm?", "action", ACTION, instrument.action_mm),
        ("Relief in mm?", "relief", RELIEF, instrument.relief_mm),
        (
            "Tolerance in cents: one, string 1, 2, ..., or suggested?",
            "tolerance",
            TOLERANCES,
            " ".join(f"{cents:g}" for cents in _in_short(instrument.tolerances_cents)),
        ),
        ("Whose is it?", "owner_mark", click.STRING, None),
    ):
        default = "keep" if present is None else str(present)
        change = partial(_changed, instrument, option, kind, default)
        instrument = _ask(question, change, default=default)
    return instrument


def _changed(
    instrument: Instrument, option: str, kind: Any, default: str, answer: str
) -> Instrument:
    """``instrument`` after one answer; the default changes nothing."""
    if answer == default:
        return instrument
    return with_details(instrument, {option: kind.convert(answer, None, None)})


_Answer = TypeVar("_Answer")


def _ask(question: str, read: Callable[[str], _Answer], default: str | None = None) -> _Answer:
    """Ask until ``read`` takes the answer. Questions go to stderr, stdout is for data."""
    while True:
        answer = click.prompt(
            question, default=default, err=True, show_default=bool(default), prompt_suffix=" "
        )
        try:
            return read(answer)
        except (PitchbenchError, click.UsageError) as error:
            click.echo(str(error), err=True)


def _preset_name(answer: str) -> str:
    """A preset by its number in the list or by its name."""
    names = list(PRESETS)
    number = whole_number(answer)
    if number is not None and 1 <= number <= len(names):
        return names[number - 1]
    return preset(answer.strip()).name


# -- instrument to words ----------------------------------------------------------------------


def described(instrument: Instrument) -> list[tuple[str, str]]:
    """Label and value of everything that is known of ``instrument``, in reading order."""
    bridge = instrument.bridge
    optional = [
        ("owner", instrument.owner_mark),
        ("string set", instrument.string_set),
        ("strings fitted", instrument.strings_fitted and instrument.strings_fitted.isoformat()),
        ("action at the 12th fret", _mm(instrument.action_mm)),
        ("relief", _mm(instrument.relief_mm)),
        ("screw, saddle travel per turn", _mm(bridge.screw_pitch_mm)),
        ("screw heads", bridge.screw_heads and f"{bridge.screw_heads} side"),
        ("saddle travel left toward the nut", _mm(bridge.travel_toward_nut_mm)),
        ("saddle travel left away from it", _mm(bridge.travel_away_mm)),
        ("strings sharing a saddle", " ".join(f"{one}-{other}" for one, other in bridge.pairs)),
        ("courses", " ".join(f"{one}-{other}" for one, other in instrument.courses)),
        ("at the nut", "clamps, and fine tuners at the bridge" if bridge.locking_nut else ""),
        ("setback, string 1 first", _setback(instrument)),
        (
            "temperature",
            None if instrument.temperature_c is None else f"{instrument.temperature_c:g} °C",
        ),
        ("notes", instrument.notes),
    ]
    frets = "fretless" if instrument.fretless else f"{instrument.frets}"
    return [
        ("name", instrument.name),
        ("kind", instrument.kind),
        ("strings", f"{len(instrument.strings)}"),
        ("tuning, string 1 last", instrument.tuning),
        ("scale", span_words(instrument.scales_mm)),
        ("frets", frets),
        ("held", "left-handed" if instrument.left_handed else "right-handed"),
        ("bridge", str(bridge.kind)),
        ("tolerance", tolerance_words(instrument.tolerances_cents)),
        *((label, value) for label, value in optional if value),
        *(
            (f"string {number}", _string_in_words(spec))
            for number, spec in enumerate(instrument.strings, start=1)
        ),
    ]


def _unsaid(instrument: Instrument) -> str:
    """What nobody has said of this instrument, though it stands above."""
    known = {"strings": True, "action": instrument.action_mm, "relief": instrument.relief_mm}
    return ", ".join(
        what for what, value in known.items() if value and not instrument.is_said(what)
    )


def _string_in_words(spec: StringSpec) -> str:
    core = f", core {diameter_words(spec.core_mm)}" if spec.core_mm else ""
    sort = "wound" if spec.wound else "plain"
    own = f", scale {length_words(spec.scale_mm, None)}" if spec.scale_mm else ""
    left = f", may be {spec.tolerance_cents:g} cents off" if spec.tolerance_cents else ""
    short = f", begins at the {ordinal(spec.nut_fret)} fret" if spec.nut_fret else ""
    wire = f"{diameter_words(spec.diameter_mm)} {sort}, {spec.material}{core}"
    return f"{spec.note}, {wire}{own}{short}{left}"


def _in_a_line(instrument: Instrument) -> str:
    return (
        f"{printable(instrument.kind)}, {instrument.tuning}, {span_words(instrument.scales_mm)}, "
        f"{instrument.bridge.kind}"
    )


def _setback(instrument: Instrument) -> str:
    figures = " ".join(length_figures(mm, None) for mm in instrument.setback_mm)
    return figures and f"{figures} {length_unit()}"


def _scales(instrument: Instrument) -> str:
    """The scale, or one for each string, as `--scale` reads them."""
    return " ".join(f"{mm:g}" for mm in _in_short(instrument.scales_mm))


def _in_short(values: tuple[float, ...]) -> tuple[float, ...]:
    """The first alone where all are the same."""
    return values[:1] if len(set(values)) == 1 else values


def _gauges(instrument: Instrument) -> str:
    return " ".join(f"{s.diameter_mm:g}mm{'w' * s.wound}" for s in instrument.strings)


def _mm(value: float | None) -> str | None:
    return None if value is None else length_words(value, None)
