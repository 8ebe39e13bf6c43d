"""``pitchbench rehearse``: the whole job on a virtual instrument, no hardware needed."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from pitchbench.commands.common import (
    ExamplesFirst,
    Quantity,
    a4_option,
    fail_at_the_end,
    format_option,
    open_records,
    plain_option,
    seed_option,
    show_result,
    store_option,
    write_line,
)
from pitchbench.commands.guided import (
    Keeping,
    guided_instrument,
    shown,
    work_on,
    work_options,
)
from pitchbench.commands.instrument_options import (
    instrument_options,
    named_instrument,
    with_details,
)
from pitchbench.commands.telling import Told, cue_option, speak_option, telling
from pitchbench.errors import UnfinishedError
from pitchbench.presets import preset
from pitchbench.report.rehearsed import COLUMNS, fault_lines, found_in, truth_lines, truth_rows
from pitchbench.report.session import rehearsal_document
from pitchbench.screen.pictures import REHEARSAL
from pitchbench.screen.plain import result_lines
from pitchbench.screen.tables import Column, Page
from pitchbench.session.log import Setup
from pitchbench.session.pacing import WATCHING_SPEED, Pace
from pitchbench.session.rehearsal import Rehearsal, rehearse
from pitchbench.session.rehearsed_survey import rehearse_survey
from pitchbench.session.teaching import begin_taught
from pitchbench.strings.faults import Fault

SPEED = Quantity("TIMES", 0.1, 1000.0, "how many times faster than life")

EXAMPLES = """\
  pitchbench rehearse                               watch a whole setup of a guitar
  pitchbench rehearse --seed 7 --strings 6,5        two strings of another guitar
  pitchbench rehearse --fault wrong-way             is the mistake found?
  pitchbench rehearse --preset bass-five --plain    as lines, as fast as it goes
  pitchbench rehearse --format json                 results with the truth beside them
"""


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@guided_instrument
@instrument_options("name")
@work_options
@a4_option
@seed_option
@click.option("--speed", type=SPEED, help="Times faster than life [2.5 on a screen, else no wait].")
@click.option("--explain", is_flag=True, help="Say why each time, not only the first.")
@click.option(
    "--fault",
    type=click.Choice([each.value for each in Fault]),
    help="Practise this fault: is it found?",
)
@click.option(
    "--record", type=click.Path(path_type=Path), help="Keep the sound in this file: .flac or .wav."
)
@click.option("--keep", is_flag=True, help="Put the rehearsal on record, marked as one.")
@store_option
@plain_option
@speak_option
@cue_option
@format_option
def command(
    *,
    preset_name: str | None,
    name: str | None,
    strings: tuple[int, ...] | None,
    fret: int,
    a4: float,
    seed: int,
    speed: float | None,
    explain: bool,
    fault: str | None,
    record: Path | None,
    keep: bool,
    store: str | None,
    plain: bool,
    speak: bool,
    cue: bool,
    output_format: str,
    **details: Any,
) -> None:
    """Do the whole job on a virtual instrument with a virtual player.

    The instrument really sounds, sample by sample, and the session hears nothing but samples; a
    player with a human scatter does what the screen asks. Nothing about it is measured from a real
    instrument.
    """
    practised = None if fault is None else Fault(fault)
    known = named_instrument(preset_name, name, store) or preset("six-string")
    instrument = with_details(known, details)
    setup = Setup(instrument=instrument, a4_hz=a4, fret=fret)
    setup = work_on(setup, strings)
    with contextlib.ExitStack() as stack:
        keeping = None
        if keep:
            repository = stack.enter_context(open_records(store, begin=True))
            session_id = repository.begin_session(
                setup,
                at=datetime.now(UTC),
                source=f"rehearsal, seed {seed}",
                rehearsal=True,
                parameters={"seed": seed},
            )
            keeping = Keeping(repository, session_id)
            stack.callback(keeping.tell, store, go_on=False)
        rehearsal = _run(
            setup,
            seed=seed,
            speed=speed,
            explain=explain,
            fault=practised,
            record=record,
            plain=plain,
            told=Told(speak, cue, headphones=True),  # the virtual player does not hear it
            output_format=output_format,
            keeping=keeping,
        )
        if keeping is not None:
            keeping.end(rehearsal.state)
    survey = None
    if practised is not None and rehearsal.state.finished:
        # Some faults show over the neck alone; which one it is must not be known here.
        click.echo("Listening to the neck as well ...", err=True)
        survey = rehearse_survey(rehearsal.instrument, setup, seed=seed)
    found = found_in(rehearsal, survey)
    show_result(
        output_format,
        plain,
        document=lambda: rehearsal_document(rehearsal, seed=seed, fault=practised, findings=found),
        lines=lambda: [*truth_lines(rehearsal), *fault_lines(practised, found)],
        page=lambda: _page(rehearsal, fault_lines(practised, found)),
    )
    if not rehearsal.state.over:
        raise UnfinishedError(
            f"The rehearsal did not finish: the player gave up at string "
            f"{rehearsal.state.log.current}.",
            f"Please report it as a fault, with the options and --seed {seed}.",
        )


def _run(
    setup: Setup,
    *,
    seed: int,
    speed: float | None,
    explain: bool,
    fault: Fault | None,
    record: Path | None,
    plain: bool,
    told: Told,
    output_format: str,
    keeping: Keeping | None,
) -> Rehearsal:
    with contextlib.ExitStack() as stack:
        teller = stack.enter_context(telling(REHEARSAL, told))
        if teller is not None:
            stack.enter_context(teller.loudspeaker.opened())
        view = stack.enter_context(shown(REHEARSAL, output_format, plain))
        if view.live:
            speed = speed or WATCHING_SPEED
            # Something to look at while the instrument is built.
            first = begin_taught(setup, explain=explain)
            for show in view.views:
                show(first, first)
        rehearsal = rehearse(
            setup,
            seed=seed,
            views=view.views,
            keys=view.keys,
            keep=keeping,
            tell_records=view.tell_records,
            rescue=None if keeping is None else keeping.rescue,
            pace=None if speed is None else Pace(speed),
            explain=explain,
            fault=fault,
            record=record,
            live=view.live,
            stays=view.stays,
            teller=teller,
        )
    if not view.live:
        for line in result_lines(rehearsal.state):
            write_line(line, err=output_format == "json")
    if rehearsal.unrecorded is not None:
        fail_at_the_end(rehearsal.unrecorded)
    return rehearsal


def _page(rehearsal: Rehearsal, faults: list[tuple[str, str]]) -> None:
    """What was right, beside the truth, for a teacher to show."""
    page = Page()
    page.gap()
    page.say("What was said, and what is so, in cents", strong=True)
    # Words break, numbers do not.
    columns = [Column(name, right=0 < n < 6) for n, name in enumerate(COLUMNS)]
    page.table(columns, truth_rows(rehearsal))
    page.labelled(faults)
