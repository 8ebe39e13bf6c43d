"""``pitchbench session``: the guided job with a microphone, hands on the instrument."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from pitchbench.commands.checks import Checking
from pitchbench.commands.common import (
    ExamplesFirst,
    a4_option,
    echo_json,
    format_option,
    open_records,
    plain_option,
    printable,
    store_option,
    write_line,
)
from pitchbench.commands.guided import (
    Keeping,
    Start,
    guided_instrument,
    keeping_of,
    refuse_silence,
    shown,
    work_on,
    work_options,
    worked,
)
from pitchbench.commands.instrument_options import filed_on_record, instrument_options, with_details
from pitchbench.commands.live import Sound, guided_options, listening_to
from pitchbench.commands.resuming import broken_off
from pitchbench.commands.telling import Told, telling, telling_options
from pitchbench.errors import PitchbenchError, RecordsError
from pitchbench.instrument import Instrument
from pitchbench.presets import preset
from pitchbench.records.history import changed_since, opening_words, sessions_to_go_by
from pitchbench.records.model import SessionKind, SessionRecord, checked_text
from pitchbench.report.rehearsed import fault_lines
from pitchbench.report.session import session_document
from pitchbench.report.stretch import stretched_words
from pitchbench.screen.pictures import SESSION
from pitchbench.screen.plain import result_lines
from pitchbench.session.checks import Check
from pitchbench.session.engine import View
from pitchbench.session.findings import findings
from pitchbench.session.job import Command, KeyPressed
from pitchbench.session.learning import LEARN_FROM, learned_person, learned_response
from pitchbench.session.log import Setup
from pitchbench.session.state import State, begin, reopened, resume

if TYPE_CHECKING:
    from pitchbench.records.repository import Repository


EXAMPLES = """\
  pitchbench session                                  a six-string guitar, default input
  pitchbench session --instrument "Blue bass"         an instrument on record
  pitchbench session --preset bass-five --device 2    another input, by number or name
  pitchbench session --strings 6,5 --tolerance 1      two strings, more strictly
  pitchbench session --capo 2                         the capo is the nut
  pitchbench session --player Anna                    how Anna plays is known from before
  pitchbench session --checks                         relief, action and so on as well
  pitchbench session --resume                         go on with the last one broken off
  pitchbench session --recording evening.flac         the same session again from its sound
"""


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@guided_instrument
@instrument_options("name")
@work_options
@a4_option
@guided_options
@click.option("--player", metavar="NAME", help="Who plays: what earlier sessions taught is known.")
@click.option("--checks", is_flag=True, help="Ask for relief, action and so on, before and after.")
@click.option("--keep/--no-keep", default=None, help="On record or not [yes if live or resumed].")
@store_option
@plain_option
@click.option("--large/--no-large", default=False, help="Begin in large print (key l).")
@telling_options
@format_option
def command(
    *,
    preset_name: str | None,
    name: str | None,
    strings: tuple[int, ...] | None,
    fret: int,
    a4: float,
    sound: Sound,
    player: str | None,
    resumed: str | None,
    checks: bool,
    keep: bool | None,
    store: str | None,
    plain: bool,
    large: bool,
    told: Told,
    output_format: str,
    **details: Any,
) -> None:
    """Set an instrument's intonation, guided string by string.

    It says one thing to do at a time and goes on by what it hears: tune, pluck open, fret and
    pluck, move the saddle, retune, until each string is right. Everything is kept as it happens.
    """
    _refuse_both(name, preset_name, player, resumed)
    player = None if player is None else checked_text(player)
    keep = (sound.recording is None or resumed is not None) if keep is None else keep
    with contextlib.ExitStack() as stack:
        teller = stack.enter_context(telling(SESSION, told))
        repository = None
        if name is not None or resumed is not None or player is not None:
            begins = name is None and resumed is None
            repository = stack.enter_context(open_records(store, begin=begins))
        if resumed is not None:
            assert repository is not None
            kept = _unchanged(repository, broken_off(stack, repository, resumed, SessionKind.SETUP))
            job = reopened(resume(kept.setup, kept.entries))
            start = Start(job, kept.meta.id, len(kept.entries))
        else:
            setup = _setup(repository, name, preset_name, player, details)
            setup = replace(setup, a4_hz=a4, fret=fret)
            start = Start(begin(work_on(setup, strings)))
        if large:
            start = replace(start, job=start.job.advance(KeyPressed(Command.LARGE_PRINT)))
        source, hearing = stack.enter_context(listening_to(sound, teller))

        def begin_keeping() -> Keeping | None:
            if not keep:
                return None
            records = repository or stack.enter_context(open_records(store, begin=True))
            parameters = {} if player is None else {"player": player}
            return keeping_of(stack, records, start, source, parameters, record=sound.record)

        keeping = None
        checks = checks or bool(start.job.log.checked)
        if checks:
            keeping = begin_keeping()
            known = _stretched(repository, name, start.job.setup.instrument)
            start = replace(start, job=Checking(start.job, keeping, known).before(store))
        with shown(SESSION, output_format, plain, source) as view:
            if view.live:
                # Something to look at while the records are opened.
                for show in view.views:
                    show(start.job, start.job)
            keeping = keeping or begin_keeping()
            views = [] if view.live else [_loss_told(keeping)]
            state = worked(
                source,
                start.job,
                view,
                keeping,
                store=store,
                views=views,
                hearing=hearing,
                teller=teller,
            )
        if checks:
            state = Checking(state, keeping).after()
        if not view.live:
            for line in result_lines(state):
                write_line(line, err=output_format == "json")
    for label, words in fault_lines(None, findings(state.log)):
        write_line(f"{label}: {words}", err=output_format == "json")
    if output_format == "json":
        session_id = None if keeping is None else keeping.session_id
        echo_json(session_document(state, session=session_id, source=source.name))
    refuse_silence(sound.recording, state.entries[start.kept :])


def _refuse_both(
    name: str | None, preset_name: str | None, player: str | None, resumed: str | None
) -> None:
    """Of two options that say the same thing only one can be given."""
    if name is not None and preset_name is not None:
        raise PitchbenchError("--instrument and --preset were both given.", "Give one of them.")
    if player is not None and resumed is not None:
        raise PitchbenchError(
            "--player and --resume were both given.",
            "A session goes on with whoever began it: leave --player out.",
        )


def _unchanged(repository: Repository, kept: SessionRecord) -> SessionRecord:
    """A session goes on with the strings and the screws that it began with, or not at all."""
    # By its id: it may have another name by now, and another one its name.
    for record in repository.instruments_of([kept]):
        if changed := changed_since(record, kept.meta.started_at):
            raise RecordsError(
                f"{printable(record.instrument.name)} was changed on record after session "
                f"{kept.meta.short_id} began: {'; '.join(changed)}.",
                "What was heard and moved belongs to the instrument as it was: begin a new "
                "session.",
            )
    return kept


def _setup(
    repository: Repository | None,
    name: str | None,
    preset_name: str | None,
    player: str | None,
    details: dict[str, Any],
) -> Setup:
    """The instrument, and what earlier sessions teach of it and of who plays; a person is told what
    has changed since the last one."""
    instrument = preset(preset_name or "six-string")
    earlier: list[SessionRecord] = []
    to_go_by: list[SessionRecord] = []
    if repository is not None and name is not None:
        instrument = repository.instrument(name).instrument
        to_go_by = sessions_to_go_by(repository, instrument)
        earlier = repository.sessions(name, last=LEARN_FROM)
    played = earlier
    if repository is not None and player is not None:
        played = repository.sessions_played_by(player, last=LEARN_FROM)
    instrument = with_details(instrument, details)
    if (words := opening_words(instrument, to_go_by)) is not None:
        click.echo(printable(words), err=True)
    person = learned_person(session.log for session in played)
    setup = Setup(instrument=instrument, person=person)
    setup = replace(setup, response=learned_response([each.log for each in earlier], setup))
    if repository is None or name is None:
        return setup
    return replace(setup, filed_mm=filed_on_record(repository, instrument))


def _stretched(
    repository: Repository | None, name: str | None, instrument: Instrument
) -> dict[Check, str]:
    """What is on record of how the strings of a named instrument were stretched."""
    if repository is None or name is None:
        return {}
    last = repository.sessions(name, last=1, kind=SessionKind.STRETCH)
    return {Check.STRETCHED: stretched_words(last[0], instrument)} if last else {}


def _loss_told(keeping: Keeping | None) -> View[State]:
    """A view that says on stderr, once the input is lost, what became of what was heard."""

    def tell(old: State, new: State) -> None:
        if new.input_lost is None or old.input_lost is not None:
            return
        kept = "Nothing is kept." if keeping is None else keeping.words()
        click.echo(
            f"pitchbench: the input is lost: {new.input_lost}. {kept} "
            "The session goes on when the input is back; Ctrl-C ends it.",
            err=True,
        )

    return tell
