"""``pitchbench instrument``: the instruments on record."""

from __future__ import annotations

import shlex
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final, Literal

import click

from pitchbench.commands import completion
from pitchbench.commands.common import (
    ask,
    counted,
    format_option,
    is_plain,
    open_records,
    plain_option,
    printable,
    show_result,
    store_option,
    tell,
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
    instrument_options,
    past_day,
    with_details,
)
from pitchbench.errors import RecordsError
from pitchbench.instrument import Instrument
from pitchbench.intonation.response import Response
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
from pitchbench.report.instrument import described, in_a_line, in_short_words, unsaid

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


@click.group(
    cls=GroupWithExamples,
    examples=EXAMPLES,
    invoke_without_command=True,
    subcommand_metavar="[COMMAND] [ARGS]...",
)
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
        if is_plain():
            for each in PRESETS.values():
                click.echo(f"{each.name}: {in_a_line(each)}")
        else:
            _table((each, "") for each in PRESETS.values())
        return
    with open_records(store, begin=True) as repository:
        if name is None:
            _ask_and_add(repository, like, details)
            return
        instrument = replace(
            with_details(preset(like or "six-string"), details), name=checked_text(name)
        )
        repository.add_instrument(instrument)
        tell(f"On record: {instrument.name}, {in_a_line(instrument)}.")


@command.command("edit")
@click.argument("name", shell_complete=completion.instruments)
@click.option("--rename", metavar="NAME", help="Another name for it.")
@click.option("--forget", multiple=True, type=click.Choice(list(FORGETTABLE)))
@click.option("--undo", is_flag=True, help="As it was before the last change; again: as after it.")
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
    tell(f"{'Changed' if changed else 'As before'}: {instrument.name}.")
    for line in changed:
        tell(f"  {line}")
    if undo:
        tell("--undo once more takes this back; `instrument show --earlier` has what was before.")


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
@plain_option
@store_option
def show(name: str, earlier: bool, output_format: str, plain: bool, store: str | None) -> None:
    """Everything on record about one instrument, and what its moves taught of its bridge."""
    # The session room is slow to load.
    from pitchbench.records.history import filed_before  # noqa: PLC0415
    from pitchbench.session.learning import LEARN_FROM, learned_response  # noqa: PLC0415
    from pitchbench.session.log import Setup  # noqa: PLC0415
    from pitchbench.session.words import filed_words, learned_words  # noqa: PLC0415

    with open_records(store) as repository:
        record = repository.instrument(name)
        sessions = repository.sessions(name, last=LEARN_FROM)
        filed_mm = filed_before(repository, record.instrument)
    setup = Setup(instrument=record.instrument)
    response = learned_response([session.log for session in sessions], setup)
    facts = described(record.instrument)
    if what := unsaid(record.instrument):
        facts.append(("as the preset has it, not measured", what))
    if response.moves:
        facts.append(("bridge", learned_words(response, record.instrument.bridge)))
    if filed := filed_words(filed_mm, record.instrument.bridge):
        facts.append(("filed since", filed))
    was = _earlier(record) if earlier else []
    show_result(
        output_format,
        plain,
        document=lambda: fill(
            InstrumentDocument, record, response=response if response.moves else None
        ),
        lines=lambda: [*facts, *was],
        page=lambda: _show_page(facts, was),
    )


def _show_page(facts: list[tuple[str, str]], was: list[str]) -> None:
    from pitchbench.screen.tables import Page  # noqa: PLC0415  # for terminals alone

    page = Page()
    page.facts(facts)
    for line in was:
        page.say(line, hanging=4)


def _earlier(record: InstrumentRecord) -> list[str]:
    """Each change, the latest first."""
    states = [*record.earlier, Earlier(record.changed_at, record.instrument)]
    return [
        line
        for before, after in reversed(list(pairwise(states)))
        for line in (
            f"changed {after.changed_at.astimezone():%Y-%m-%d %H:%M}:",
            *(f"  {change}" for change in _changes(before.instrument, after.instrument)),
        )
    ]


@command.command("list")
@format_option
@plain_option
@store_option
def list_(output_format: str, plain: bool, store: str | None) -> None:
    """Every instrument by name, with its sessions counted."""
    with open_records(store) as repository:
        summaries = repository.instruments()
    known = [(each.instrument, _sessions(each)) for each in summaries]
    show_result(
        output_format,
        plain,
        document=lambda: fill(InstrumentsDocument, instruments=summaries),
        lines=lambda: [(each.name, f"{in_a_line(each)}; {had}") for each, had in known],
        page=lambda: _table(known),
    )
    if not summaries and output_format != "json":
        tell("No instrument is on record yet: `pitchbench instrument add`.")


def _sessions(summary: InstrumentSummary) -> str:
    last = summary.last_session_at
    return (
        f"{counted(summary.sessions, 'session')}, last {last.astimezone():%Y-%m-%d}"
        if last
        else "no session yet"
    )


def _table(instruments: Iterable[tuple[Instrument, str]]) -> None:
    """A row for each instrument, and what else is said of it."""
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    rows = [(each.name, *in_short_words(each), words) for each, words in instruments]
    headings = ("name", "kind", "tuning", "scale", "bridge", "")
    if rows:
        Page().table([Column(heading, right=False) for heading in headings], rows)


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
            tell(f"Removed for good: {gone.name}.")
            return
        sessions = len(repository.session_ids(name))
        if sessions and not with_sessions:
            raise RecordsError(
                f"{printable(name)!r} has {counted(sessions, 'session')} on record.",
                "Add --with-sessions to remove them too; `pitchbench instrument restore` brings "
                "all back.",
            )
        repository.remove_instrument(name, for_good=for_good)
    if for_good:
        tell(f"Removed for good: {name}.")
        return
    back = f"pitchbench instrument restore {shlex.quote(name)}"
    tell(f"Removed: {name}. Put it back with: {back}")


@command.command("restore")
@click.argument("name", required=False)
@store_option
def restore(name: str | None, store: str | None) -> None:
    """Put a removed instrument back, its sessions with it. Without NAME, list what was removed."""
    with open_records(store) as repository:
        if name is None:
            for gone in repository.removed_instruments():
                what = f"{gone.name}: removed {gone.removed_at.astimezone():%Y-%m-%d}"
                click.echo(printable(f"{what}, {counted(gone.sessions, 'session')}"))
            return
        gone = _removed(repository, name)
        name = repository.restore_instrument(gone.id)
    tell(f"On record again: {name}, {counted(gone.sessions, 'session')}.")


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


# -- the dialogue ----------------------------------------------------------------------------


def _ask_and_add(repository: Repository, like: str | None, details: dict[str, Any]) -> None:
    """Two questions put the instrument on record; the rest may be answered now or never."""
    name = ask("What is it called?", checked_text)
    while repository.has_instrument(name):
        tell("That name is on record already.")
        name = ask("What is it called?", checked_text)
    if like is None:
        for number, each in enumerate(PRESETS.values(), start=1):
            tell(f"  {number:2}  {each.name}: {in_a_line(each)}")
        like = ask("Which of these is it most like?", _preset_name, default="1")
    instrument = replace(with_details(preset(like), details), name=name)
    repository.add_instrument(instrument)
    tell(f"On record: {name}, {in_a_line(instrument)}.")
    if click.confirm("It can be used now. Go through the details?", default=False, err=True):
        changed = _ask_details(instrument)
        repository.change_instrument(name, changed)
        for line in _changes(instrument, changed):
            tell(f"Changed: {line}")


def _ask_details(instrument: Instrument) -> Instrument:
    """Ask for what matters most; Enter keeps what is there."""
    bridge = instrument.bridge
    for question, option, kind, present in (
        ("Tuning?", "tuning", click.STRING, instrument.tuning),
        ("String gauges, string 1 first?", "gauges", click.STRING, _gauges(instrument)),
        ("Strings fitted on (year-month-day or today)?", "strings_fitted", past_day, None),
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
        instrument = ask(question, change, default=default)
    return instrument


def _changed(
    instrument: Instrument, option: str, kind: Any, default: str, answer: str
) -> Instrument:
    """``instrument`` after one answer; the default changes nothing."""
    if answer == default:
        return instrument
    return with_details(instrument, {option: kind(answer)})


def _preset_name(answer: str) -> str:
    """A preset by its number in the list or by its name."""
    names = list(PRESETS)
    number = whole_number(answer)
    if number is not None and 1 <= number <= len(names):
        return names[number - 1]
    return preset(answer.strip()).name


def _scales(instrument: Instrument) -> str:
    """The scale, or one for each string, as `--scale` reads them."""
    return " ".join(f"{mm:g}" for mm in _in_short(instrument.scales_mm))


def _in_short(values: tuple[float, ...]) -> tuple[float, ...]:
    """The first alone where all are the same."""
    return values[:1] if len(set(values)) == 1 else values


def _gauges(instrument: Instrument) -> str:
    return " ".join(f"{s.diameter_mm:g}mm{'w' * s.wound}" for s in instrument.strings)
