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
    echo_json,
    format_option,
    open_records,
    plain_option,
    seed_option,
    store_option,
)
from pitchbench.commands.guided import (
    Keeping,
    guided_instrument,
    shown,
    work_on,
    work_options,
)
from pitchbench.commands.instrument_options import with_details
from pitchbench.commands.telling import cue_option, speak_option, telling
from pitchbench.errors import UnfinishedError
from pitchbench.presets import preset
from pitchbench.report.session import rehearsal_document
from pitchbench.screen.pictures import REHEARSAL
from pitchbench.screen.plain import result_lines
from pitchbench.session.log import Setup
from pitchbench.session.pacing import WATCHING_SPEED, Pace
from pitchbench.session.rehearsal import Rehearsal, rehearse
from pitchbench.session.teaching import begin_taught

SPEED = Quantity("TIMES", 0.1, 1000.0, "how many times faster than life")

EXAMPLES = """\
  pitchbench rehearse                               watch a whole setup of a guitar
  pitchbench rehearse --seed 7 --strings 6,5        two strings of another guitar
  pitchbench rehearse --preset bass-five --plain    as lines, as fast as it goes
  pitchbench rehearse --format json                 results with the truth beside them
"""


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@guided_instrument
@work_options
@a4_option
@seed_option
@click.option("--speed", type=SPEED, help="Times faster than life [2.5 on a screen, else no wait].")
@click.option("--explain", is_flag=True, help="Say why each time, not only the first.")
@click.option("--record", type=click.Path(path_type=Path), help="Keep the sound in this file.")
@click.option("--keep", is_flag=True, help="Put the rehearsal on record, marked as one.")
@store_option
@plain_option
@speak_option
@cue_option
@format_option
def command(
    *,
    preset_name: str | None,
    strings: tuple[int, ...] | None,
    fret: int,
    a4: float,
    seed: int,
    speed: float | None,
    explain: bool,
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
    instrument = with_details(preset(preset_name or "six-string"), details)
    setup = Setup(instrument=instrument, a4_hz=a4, fret=fret)
    setup = work_on(setup, strings)
    how: dict[str, Any] = {
        "seed": seed,
        "speed": speed,
        "explain": explain,
        "record": record,
        "plain": plain,
        "speak": speak,
        "cue": cue,
        "output_format": output_format,
    }
    if not keep:
        rehearsal = _run(setup, **how, keeping=None)
    else:
        with open_records(store) as repository:
            session_id = repository.begin_session(
                setup,
                at=datetime.now(UTC),
                source=f"rehearsal, seed {seed}",
                rehearsal=True,
                parameters={"seed": seed},
            )
            keeping = Keeping(repository, session_id)
            try:
                rehearsal = _run(setup, **how, keeping=keeping)
                keeping.end(rehearsal.state)
            finally:
                click.echo(keeping.words(), err=True)
    if output_format == "json":
        echo_json(rehearsal_document(rehearsal, seed=seed))
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
    record: Path | None,
    plain: bool,
    speak: bool,
    cue: bool,
    output_format: str,
    keeping: Keeping | None,
) -> Rehearsal:
    with contextlib.ExitStack() as stack:
        # The virtual player hears nothing but the request.
        teller = stack.enter_context(
            telling(REHEARSAL, speak=speak, cue=cue, headphones=speak or cue)
        )
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
            pace=None if speed is None else Pace(speed),
            explain=explain,
            record=record,
            live=view.live,
            stays=view.stays,
            teller=teller,
        )
    if not view.live:
        for line in result_lines(rehearsal.state):
            click.echo(line, err=output_format == "json")
    for string in setup.order:
        click.echo(
            f"truth: string {string}, found {rehearsal.true_found_cents[string]:+.1f} cents, "
            f"left {rehearsal.true_left_cents[string]:+.1f} cents",
            err=output_format == "json",
        )
    return rehearsal
