"""``pitchbench drift``: how a note moves from attack to tail, for teaching and finding faults."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any, Final

import click

from pitchbench import ranges
from pitchbench.analysis.drift import (
    DriftPluck,
    DriftResult,
    drift_plucks,
    lay_over,
    pull_of_magnet,
)
from pitchbench.analysis.heard import Listened
from pitchbench.belief import half95, half_figures
from pitchbench.commands.common import (
    FOR_RECORDINGS,
    WholeQuantity,
    refuse_idle,
    refuse_microphone,
    show_result,
)
from pitchbench.commands.guided import shown
from pitchbench.commands.instrument_options import instrument_options, named_instrument
from pitchbench.commands.listening import (
    ManyFiles,
    listen,
    listening_options,
    recordings_meant,
    refuse_twice,
    shown_all_the_same,
)
from pitchbench.commands.live import Sound, input_options, listening_to
from pitchbench.commands.pictures import check_picture, picture_options, write_picture
from pitchbench.commands.telling import Told, telling, telling_options
from pitchbench.errors import RECORD_SO, NoReadingError, PitchbenchError
from pitchbench.pitch.reading import Rejected
from pitchbench.report.drift import drift_document, drift_lines, drift_sentences
from pitchbench.report.readings import note_name, value
from pitchbench.screen.pictures import OVERLAY
from pitchbench.session.engine import run
from pitchbench.session.overlay import Overlay
from pitchbench.session.words import rejected_words
from pitchbench.strings.pluck import SoundingString, sounding_string

EXAMPLES = """\
  pitchbench drift                                               by ear: every pluck as it comes
  pitchbench drift --preset bass-four --string 4 --out class.png    and a figure at the end
  pitchbench drift e2-soft-medium-hard.flac                      plucks laid over each other
  pitchbench drift low-e.wav --preset six-string --string 6      held against the string's physics
  pitchbench drift low-e.wav high-e.wav --out drift.png          a figure for the class
  pitchbench drift --near close.wav --far lowered.wav            does the pickup's magnet pull?
"""

STRING: Final = WholeQuantity("N", 1, 12, "the number of the string, 1 being the highest")
FRET: Final = WholeQuantity("N", *ranges.FRET_OR_OPEN)
PLUCKS: Final = WholeQuantity("N", 1, 1000, "how many plucks are wanted")

_PATHS: Final = click.Path(path_type=Path)


@click.command(cls=ManyFiles, several={"--near": 0, "--far": 0}, examples=EXAMPLES)
@click.argument("files", nargs=-1, type=_PATHS, metavar="[FILE]...", callback=recordings_meant)
@click.option("--near", "nears", type=_PATHS, multiple=True, metavar="FILE...",
              callback=recordings_meant,
              help="Recordings of one note with the pickup near the string.")  # fmt: skip
@click.option("--far", "fars", type=_PATHS, multiple=True, metavar="FILE...",
              callback=recordings_meant,
              help="The same note with the pickup lowered.")  # fmt: skip
@instrument_options("preset_name", "name")
@click.option("--string", "number", type=STRING, help="String that was played, 1 = highest.")
@click.option("--fret", type=FRET, default=0, show_default=True, help="Fret; 0 = open.")
@click.option("--partials", is_flag=True, help="Partial by partial, too.")
@click.option("--plucks", "enough", type=PLUCKS, help="By ear: end after so many [key q].")
@input_options
@telling_options
@picture_options
@listening_options
def command(
    *,
    files: tuple[Path, ...],
    nears: tuple[Path, ...],
    fars: tuple[Path, ...],
    preset_name: str | None,
    name: str | None,
    number: int | None,
    fret: int,
    partials: bool,
    enough: int | None,
    device: str | None,
    rate: int,
    record: Path | None,
    told: Told,
    out: Path | None,
    force: bool,
    channel: int | None,
    jobs: int | None,
    a4: float,
    store: str | None,
    plain: bool,
    output_format: str,
) -> None:
    """How a note moves from attack to tail: sharpness, settling, wander, decay, and faults.

    Several plucks are laid over each other: soft, medium and hard; low strings beside high ones.
    Without FILE it listens, and draws each pluck as it comes.
    """
    check_picture(out, force=force)
    if bool(nears) != bool(fars):
        raise PitchbenchError(
            "--near and --far belong together.", "Give the same note with both pickup heights."
        )
    string = _string(preset_name, name, store, number=number, fret=fret, a4_hz=a4)
    magnet, sounds = None, list[Listened]()
    if paths := (*files, *nears, *fars):
        refuse_microphone("record", "enough", why="of recordings")
        refuse_twice(paths)
        with shown_all_the_same(sounds, output_format, a4_hz=a4):
            sounds += listen(paths, channel=channel, jobs=jobs, plain=plain)
            by_path = [drift_plucks(sound) for sound in sounds]
            heard = list(chain.from_iterable(by_path))
            if not heard:
                raise _nothing(heard)
            if nears:
                far_from = len(files) + len(nears)
                magnet = pull_of_magnet(
                    chain.from_iterable(by_path[len(files) : far_from]),
                    chain.from_iterable(by_path[far_from:]),
                )
    else:
        refuse_idle(["jobs"], "by ear", FOR_RECORDINGS)
        with contextlib.ExitStack() as stack:
            teller = stack.enter_context(telling(OVERLAY, told))
            source, hearing = stack.enter_context(
                listening_to(Sound(device, rate, channel, record), teller)
            )
            view = stack.enter_context(shown(OVERLAY, output_format, plain, source))
            overlay = Overlay(a4_hz=a4, enough=enough)
            overlay = run(
                source, overlay, views=view.views, keys=view.keys, hearing=hearing, teller=teller
            )
        heard = [DriftPluck(source.name, each.reading, each.drift) for each in overlay.plucks]
    result = lay_over(heard, string, magnet=magnet, a4_hz=a4)
    show_result(
        output_format,
        plain,
        document=partial(drift_document, result, sounds, partials=partials),
        lines=partial(drift_lines, result, partials=partials),
        page=partial(_print_page, result, partials=partials),
    )
    if not result.drifts:
        raise _nothing(heard)
    if out is not None:
        _draw(result, out, force=force)


def _nothing(heard: Sequence[DriftPluck]) -> NoReadingError:
    """What there is to say where nothing can be laid over each other."""
    what = "There is no usable reading in what was heard." if heard else "No pluck was heard."
    return NoReadingError(what, RECORD_SO)


def _string(
    preset_name: str | None,
    name: str | None,
    store: str | None,
    *,
    number: int | None,
    fret: int,
    a4_hz: float,
) -> SoundingString | None:
    instrument = named_instrument(preset_name, name, store)
    if instrument is None:
        refuse_idle(
            ["number", "fret"], "without an instrument", "Give --preset or --instrument with it."
        )
        return None
    if number is None:
        raise PitchbenchError(
            "It is not said which string was played.", "Give its number with --string, 1 = highest."
        )
    if number > len(instrument.strings):
        raise PitchbenchError(
            f"{instrument.name} has no string {number}.",
            f"Give a number from 1 to {len(instrument.strings)}.",
        )
    return sounding_string(instrument, number, fret, a4_hz=a4_hz)


def _print_page(result: DriftResult, *, partials: bool) -> None:
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    page = Page()
    for words in drift_sentences(result):
        page.say(words, strong=True)
    page.gap()
    physics = result.string is not None
    columns = [
        Column("pluck"),
        Column("note"),
        Column("Hz"),
        Column("±"),
        Column("attack"),
        Column("settled"),
        Column("wander"),
        Column("decay"),
        *([Column("mm"), Column("B/theory")] if physics else []),
        Column("", right=False),
    ]
    rows = [_row(n, pluck, result) for n, pluck in enumerate(result.plucks, start=1)]
    page.table(columns, rows)
    page.say(
        "± in cents, holds 95 %; attack in cents above the settled pitch, settled after so many s; "
        "wander in cents; decay: s in which the amplitude falls to 37 %"
        + ("; mm: pluck that makes such an attack; B: stiffness" if physics else "")
    )
    if partials:
        for number, pluck in enumerate(result.plucks, start=1):
            _print_partials(page, number, pluck)


def _row(number: int, pluck: DriftPluck, result: DriftResult) -> list[str]:
    reading, drift = pluck.reading, pluck.drift
    physics = [
        value(pluck.pluck_mm, 1),
        value(pluck.stiffness_to_theory, 2),
    ]
    physics = physics if result.string is not None else []
    name = [str(number), note_name(reading, result.a4_hz)]
    if isinstance(reading, Rejected):
        return [*name, *["-"] * 6, *physics, rejected_words(reading.reason)]
    strength = [] if pluck.strength is None else [str(pluck.strength)]
    flags = (flag.replace("_", " ") for flag in pluck.flags)
    return [
        *name,
        f"{reading.pitch_hz:.3f}",
        half_figures(half95(reading.u_cents)),
        f"{reading.attack_cents:+.1f}",
        f"{reading.settle_s:.2f}",
        f"{reading.wander_cents:.2f}",
        value(None if drift is None else drift.decay_s, 2),
        *physics,
        ", ".join([*strength, *flags]),
    ]


def _print_partials(page: Any, number: int, pluck: DriftPluck) -> None:
    from pitchbench.screen.tables import Column  # noqa: PLC0415  # for terminals alone

    page.gap()
    page.say(f"pluck {number}, partial by partial")
    page.table(
        [Column("partial"), Column("Hz"), Column("cents off law"), Column("dB"), Column("decay s")],
        [
            [
                str(p.number),
                value(p.frequency_hz, 2),
                value(p.law_cents, 2, sign=True),
                value(p.level_db, 0),
                value(p.decay_s, 2),
            ]
            for p in pluck.reading.partials
        ],
    )


def _draw(result: DriftResult, out: Path, *, force: bool) -> None:
    from pitchbench.report.figures import Course, drift_figure  # noqa: PLC0415  # slow to load

    courses = [
        Course(
            f"{note_name(pluck.reading, result.a4_hz)} {pluck.strength or ''}".rstrip()
            + f", pluck {number}",
            pluck.drift.time_s,
            pluck.drift.cents,
            pluck.reading.settle_s,
        )
        for number, pluck in enumerate(result.plucks, start=1)
        if pluck.drift is not None
    ]
    figure = drift_figure(courses, title="From attack to tail")
    write_picture(out, figure, force=force)
