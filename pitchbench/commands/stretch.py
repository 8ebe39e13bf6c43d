"""``pitchbench stretch``: are the strings stretched? Pluck, pull, pluck again."""

from __future__ import annotations

import contextlib
from typing import Any

import click

from pitchbench.commands.common import (
    ExamplesFirst,
    a4_option,
    format_option,
    open_records,
    plain_option,
    show_result,
    store_option,
)
from pitchbench.commands.guided import (
    Start,
    keeping_of,
    refuse_silence,
    shown,
    string_numbers,
    work_on,
    worked,
)
from pitchbench.commands.instrument_options import Said, known_instrument, known_options
from pitchbench.commands.live import Sound, guided_options, listening_to
from pitchbench.commands.resuming import broken_off
from pitchbench.commands.telling import Told, telling, telling_options
from pitchbench.presets import preset
from pitchbench.records.model import SessionKind
from pitchbench.report.stretch import stretch_document, stretch_lines
from pitchbench.screen.pictures import STRETCH
from pitchbench.session.log import Setup
from pitchbench.session.stretch import CAUTION, Stretch, begin, resume

EXAMPLES = """\
  pitchbench stretch                              a six-string guitar, default input
  pitchbench stretch --instrument "Blue bass"     kept: history and sheet show it
  pitchbench stretch --strings 3,2,1              three strings
  pitchbench stretch --resume                     go on with the last one broken off
  pitchbench stretch --recording evening.flac     the same again from its sound
"""


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@known_options("tuning", "tolerance")
@click.option("--strings", type=string_numbers, metavar="6,5,...",
              help="Strings to stretch, in this order [all].")  # fmt: skip
@a4_option
@guided_options
@click.option("--keep/--no-keep", default=None, help="On record or not [yes if live or resumed].")
@store_option
@plain_option
@telling_options
@format_option
def command(
    *,
    strings: tuple[int, ...] | None,
    a4: float,
    sound: Sound,
    resumed: str | None,
    keep: bool | None,
    plain: bool,
    told: Told,
    output_format: str,
    **rest: Any,
) -> None:
    """Are the strings stretched? Pluck each, pull it by hand, pluck it again.

    It says what each pull costs in cents, and what is lost by itself, and goes on to the next
    string when a pull costs less than the string's tolerance. Pull gently; wear eye protection.
    """
    said = Said(**rest)
    keep = (sound.recording is None or resumed is not None) if keep is None else keep
    with contextlib.ExitStack() as stack:
        teller = stack.enter_context(telling(STRETCH, told))
        repository = None
        if keep or resumed:
            repository = stack.enter_context(open_records(said.store, begin=resumed is None))
        start: Start[Stretch]
        if resumed is not None:
            assert repository is not None
            kept = broken_off(stack, repository, resumed, SessionKind.STRETCH)
            start = Start(resume(kept.setup, kept.entries), kept.meta.id, len(kept.entries))
        else:
            instrument = said.instrument(preset("six-string"))
            setup = Setup(known_instrument(instrument, (), said).instrument, a4_hz=a4)
            start = Start(begin(work_on(setup, strings)))
        source, hearing = stack.enter_context(listening_to(sound, teller))
        keeping = None
        if repository is not None and keep:
            keeping = keeping_of(
                stack, repository, start, source, {}, record=sound.record, kind=SessionKind.STRETCH
            )
        with shown(STRETCH, output_format, plain, source) as view:
            job = worked(
                source,
                start.job,
                view,
                keeping,
                store=said.store,
                hearing=hearing,
                teller=teller,
            )
    session = None if keeping is None else keeping.session_id
    show_result(
        output_format,
        plain,
        document=lambda: stretch_document(job, session=session, source=source.name),
        lines=lambda: [*stretch_lines(job), ("mind", CAUTION)],
        page=lambda: _page(job),
    )
    refuse_silence(sound.recording, job.entries[start.kept :])


def _page(job: Stretch) -> None:
    from pitchbench.screen.tables import Page  # noqa: PLC0415  # for terminals alone

    Page().labelled(stretch_lines(job))
