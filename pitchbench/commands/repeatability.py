"""``pitchbench repeatability``: how far takes of the same note spread, and what that limits."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Final

import click

from pitchbench import ranges
from pitchbench.analysis.heard import Listened
from pitchbench.analysis.repeatability import StudyResult, study_takes, takes_in
from pitchbench.commands import completion
from pitchbench.commands.common import (
    FOR_RECORDINGS,
    Quantity,
    open_records,
    refuse_idle,
    show_result,
)
from pitchbench.commands.listening import (
    ManyFiles,
    listen,
    listening_options,
    recordings_meant,
    refuse_twice,
    shown_all_the_same,
)
from pitchbench.commands.pictures import check_picture, picture_options, write_picture
from pitchbench.errors import PitchbenchError
from pitchbench.intonation.repeatability import Precision
from pitchbench.notes import Note
from pitchbench.records.model import SessionRecord
from pitchbench.report.on_record import takes_on_record
from pitchbench.report.readings import value
from pitchbench.report.repeatability import (
    plucking_words,
    spread_words,
    study_document,
    study_lines,
    study_sentences,
)

EXAMPLES = """\
  pitchbench repeatability anna.wav ben.wav                  one recording for each player
  pitchbench repeatability --player anna a1.wav a2.wav --player ben b.wav    several for each
  pitchbench repeatability anna.wav --string A2 --within 2   what plus or minus 2 cents needs
  pitchbench repeatability anna.wav ben.wav --out spread.png    with a figure
  pitchbench repeatability --session anna=20260314-a3f91c --session ben=last    from the records
"""

WITHIN: Final = Quantity("CENTS", *ranges.WITHIN)


@click.command(cls=ManyFiles, several={"--player": 1}, examples=EXAMPLES)
@click.argument(
    "files",
    nargs=-1,
    type=click.Path(path_type=Path),
    metavar="[FILE]...",
    callback=recordings_meant,
)
@click.option(
    "--player",
    "named",
    type=(str, click.Path(path_type=Path)),
    multiple=True,
    metavar="NAME FILE...",
    help="A player and the recordings of that player.",
)
@click.option(
    "--string",
    "strings",
    multiple=True,
    metavar="NOTE",
    help="Note of an open string that was played; more than once for several [the lowest].",
)
@click.option(
    "--within",
    type=WITHIN,
    default=1.0,
    show_default=True,
    help="How near the mean of the takes should be to the truth.",
)
@click.option(
    "--session",
    "sessions",
    multiple=True,
    metavar="[PLAYER=]SESSION",
    shell_complete=completion.sessions,
    help="A session on record, or a survey of a neck, and who played: anna=20260314-a3f91c.",
)
@picture_options
@listening_options
def command(
    *,
    files: tuple[Path, ...],
    named: tuple[tuple[str, Path], ...],
    strings: tuple[str, ...],
    sessions: tuple[str, ...],
    within: float,
    store: str | None,
    out: Path | None,
    force: bool,
    channel: int | None,
    jobs: int | None,
    a4: float,
    plain: bool,
    output_format: str,
) -> None:
    """How far takes of the same note spread, within one player and between players.

    Each FILE is one player's, called by the name of the file. Every note should be played several
    times, the hand taken off in between. Notes are told apart by pitch. A session on record is one
    player's too.
    """
    check_picture(out, force=force)
    if sessions and (files or named):
        raise PitchbenchError("Recordings and sessions were both given.", "Give one of them.")
    sounds: list[Listened] = []
    with shown_all_the_same(sounds, output_format, a4_hz=a4):
        if sessions:
            refuse_idle(["strings", "channel", "jobs"], "of a session on record", FOR_RECORDINGS)
            takes = takes_on_record(_on_record(sessions, store))
        else:
            players, paths = zip(*_by_player(files, named), strict=True)
            strings_said = [Note.parse(text) for text in strings]
            sounds += listen(paths, channel=channel, jobs=jobs, plain=plain)
            takes = takes_in(zip(players, sounds, strict=True), strings_said, a4_hz=a4)
        result = study_takes(takes, within_cents=within, a4_hz=a4)
    show_result(
        output_format,
        plain,
        document=partial(study_document, result, sounds),
        lines=partial(study_lines, result),
        page=partial(_print_page, result),
    )
    if out is not None:
        _draw(result, out, force=force)


def _by_player(
    files: Sequence[Path], named: Sequence[tuple[str, Path]]
) -> tuple[tuple[str, Path], ...]:
    by_player = (*((path.stem, path) for path in files), *named)
    if not by_player:
        raise PitchbenchError("No recording was named.", "Give one sound file for each player.")
    refuse_twice([path for _, path in by_player])
    stems = [path.stem for path in files]
    for stem in stems:
        if stems.count(stem) > 1:
            raise PitchbenchError(
                f"Two files are called {stem!r}, so that it is not clear who played which.",
                "Name the players: --player NAME FILE.",
            )
    return by_player


def _on_record(sessions: Sequence[str], store: str | None) -> list[tuple[str, SessionRecord]]:
    """Who played each session: who is named before the "=", else the session's own id."""
    found: dict[str, tuple[str, SessionRecord]] = {}
    with open_records(store) as repository:
        for words in sessions:
            player, _, name = words.rpartition("=")
            record = repository.session(repository.find_session(name), traces_too=False)
            if record.meta.id in found:
                raise PitchbenchError(
                    f"Session {record.meta.short_id} was given twice.", "Give each session once."
                )
            found[record.meta.id] = (player or record.meta.short_id, record)
    return list(found.values())


def _print_page(result: StudyResult) -> None:
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    found = result.study
    several = len(found.players) > 1
    page = Page()
    for place, words in enumerate(study_sentences(result)):
        page.say(words, strong=place == 0)
    page.gap()
    page.table(
        [
            Column("note"),
            Column(""),
            Column("takes"),
            Column("players"),
            Column("mean"),
            Column("repeat"),
            *([Column("between"), Column("reprod")] if several else []),
        ],
        [_row(note, p, result, several=several) for note, p in found.notes.items()],
    )
    page.say(
        "cents; repeat: spread between takes of one player (one standard deviation)"
        + ("; between: between the players' own means; reprod: both together" if several else "")
    )
    page.gap()
    for player, spread in found.players.items():
        page.say(f"{player}: {spread_words(result.takes_of(player), spread)}", hanging=2)
    if found.plucking is not None:
        page.say(f"plucking: {plucking_words(found.plucking)}", hanging=2)
    for words in result.takes.assumed:
        page.say(f"assumed: {words}", hanging=2)
    rejected = sum(each.note is None for each in result.takes.heard)
    if rejected:
        page.say(f"{rejected} rejected: `pitchbench read` says why")


def _row(note: str, found: Precision, result: StudyResult, *, several: bool) -> list[str]:
    between = [value(found.between_sd, 2), value(found.reproducibility_sd, 2)]
    return [
        note,
        "open" if note in result.takes.opens else "fretted",
        str(found.takes),
        str(found.players),
        value(found.mean, 2, sign=True),
        value(found.repeatability_sd, 2),
        *(between if several else []),
    ]


def _draw(result: StudyResult, out: Path, *, force: bool) -> None:
    from pitchbench.report.figures import Cell, spread_figure  # noqa: PLC0415  # matplotlib is slow

    means = {note: found.mean for note, found in result.study.notes.items()}
    places = dict.fromkeys((take.player, take.note) for take in result.takes.played)
    cells = [
        Cell(
            player,
            f"{note} {'open' if note in result.takes.opens else 'fretted'}",
            tuple(
                take.cents - means[note]
                for take in result.takes.played
                if (take.player, take.note) == (player, note)
            ),
        )
        for player, note in places
    ]
    write_picture(out, spread_figure(cells, title="Every take of every player"), force=force)
