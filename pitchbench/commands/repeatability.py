"""``pitchbench repeatability``: how far takes of the same note spread, and what that limits."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import fmean, median
from typing import Any, Final

import click

from pitchbench.commands.common import (
    ExamplesFirst,
    Quantity,
    a4_option,
    echo_json,
    format_option,
    is_plain,
    plain_option,
    printable,
)
from pitchbench.commands.listening import channel_option, listen_to
from pitchbench.commands.pictures import check_picture, picture_options, write_picture
from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.intonation.classify import NEAR_CENTS
from pitchbench.intonation.repeatability import (
    Habit,
    Played,
    Plucking,
    Precision,
    Spread,
    Study,
    study,
    takes_needed,
)
from pitchbench.notes import Note, nearest_note
from pitchbench.pitch.reading import Reading
from pitchbench.report.readings import COVERAGE_95, quality_words, reading_document, value
from pitchbench.units import cents_between

EXAMPLES = """\
  pitchbench repeatability anna.wav ben.wav                  one recording for each player
  pitchbench repeatability --player anna a1.wav a2.wav --player ben b.wav    several for each
  pitchbench repeatability anna.wav --string A2 --within 2   what plus or minus 2 cents needs
  pitchbench repeatability anna.wav ben.wav --out spread.png    with a figure
"""

_SCHEMA: Final = "pitchbench.repeatability/1"

WITHIN: Final = Quantity("CENTS", 0.1, 50.0, "how near the mean of the takes should be, in cents")

#: Pitches with a gap like this between them are of different notes.
_GAP_CENTS: Final = 50.0


class _Players(ExamplesFirst):
    """Lets ``--player NAME`` be followed by several files, as a shell's * gives them."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Repeat the option and the name before each file, which is the form that click knows."""
        spread: list[str] = []
        rest = iter(args)
        name: str | None = None
        for word in rest:
            if word == "--player":
                name = next(rest, "")
                first = next(rest, "")
                if not name or not first or first.startswith("-"):
                    raise PitchbenchError(
                        "--player is followed by a name and at least one file.",
                        "Write --player NAME FILE, then the next player.",
                    )
                spread += ["--player", name, first]
            elif word.startswith("-"):
                name = None
                spread.append(word)
            else:
                spread += [word] if name is None else ["--player", name, word]
        return super().parse_args(ctx, spread)


@dataclass(frozen=True, eq=False)
class _Heard:
    """One pluck, who played it, and which note it is; None where it was rejected."""

    player: str
    path: Path
    reading: Reading
    note: str | None = None


@dataclass(frozen=True, eq=False)
class _Result:
    """All that is shown."""

    a4_hz: float
    within_cents: float
    heard: tuple[_Heard, ...]
    played: tuple[Played, ...]
    study: Study
    opens: tuple[str, ...]
    own_open: bool
    assumed: tuple[str, ...]


@click.command(cls=_Players, examples=EXAMPLES)
@click.argument("files", nargs=-1, type=click.Path(path_type=Path), metavar="[FILE]...")
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
@picture_options
@channel_option
@a4_option
@plain_option
@format_option
def command(
    *,
    files: tuple[Path, ...],
    named: tuple[tuple[str, Path], ...],
    strings: tuple[str, ...],
    within: float,
    out: Path | None,
    force: bool,
    channel: int | None,
    a4: float,
    plain: bool,
    output_format: str,
) -> None:
    """How far takes of the same note spread, within one player and between players.

    Each FILE is one player's, called by the name of the file. Every note should be played several
    times, the hand taken off in between. Notes are told apart by pitch.
    """
    check_picture(out, force=force)
    by_player = _by_player(files, named)
    open_notes = tuple(Note.parse(text) for text in strings)
    listened = listen_to([path for _, path in by_player], channel=channel, plain=plain)
    heard = [
        _Heard(player, path, reading)
        for (player, path), sound in zip(by_player, listened, strict=True)
        for reading in sound.readings
    ]
    result = _result(_with_notes(heard, a4), open_notes, a4_hz=a4, within_cents=within)
    if output_format == "json":
        echo_json(_document(result))
    elif is_plain(plain):
        for label, words in _lines(result):
            click.echo(printable(f"{label}: {words}"))
    else:
        _print_page(result)
    if out is not None:
        _draw(result, out, force=force)


def _by_player(
    files: Sequence[Path], named: Sequence[tuple[str, Path]]
) -> tuple[tuple[str, Path], ...]:
    by_player = (*((path.stem, path) for path in files), *named)
    if not by_player:
        raise PitchbenchError("No recording was named.", "Give one sound file for each player.")
    paths = [path.absolute() for _, path in by_player]
    for path in paths:
        if paths.count(path) > 1:
            raise PitchbenchError(f"{str(path)!r} was given twice.", "Give each file once.")
    stems = [path.stem for path in files]
    for stem in stems:
        if stems.count(stem) > 1:
            raise PitchbenchError(
                f"Two files are called {stem!r}, so that it is not clear who played which.",
                "Name the players: --player NAME FILE.",
            )
    return by_player


# -- from readings to a study ------------------------------------------------------------------


def _with_notes(heard: Iterable[_Heard], a4_hz: float) -> tuple[_Heard, ...]:
    """Every pluck with its note: pitches without a wide gap between them are one note."""
    heard = tuple(heard)
    pitches = sorted(_hz(each) for each in heard if each.reading.settled)
    groups: list[list[float]] = []
    for hz in pitches:
        if groups and cents_between(hz, groups[-1][-1]) < _GAP_CENTS:
            groups[-1].append(hz)
        else:
            groups.append([hz])
    names = {hz: nearest_note(median(group), a4_hz)[0].name for group in groups for hz in group}
    return tuple(
        _Heard(e.player, e.path, e.reading, names[_hz(e)] if e.reading.settled else None)
        for e in heard
    )


def _result(
    heard: tuple[_Heard, ...], strings: Sequence[Note], *, a4_hz: float, within_cents: float
) -> _Result:
    counted = [each for each in heard if each.note is not None]
    cells = [(each.player, each.note) for each in counted]
    if len(set(cells)) == len(cells):
        raise PitchbenchError(
            "No player plays any note twice." if counted else "There is no usable reading.",
            "Record each note at least three times, two seconds each.",
            ExitCode.NO_READING,
        )
    notes = sorted({each.note for each in counted if each.note}, key=Note.parse)
    opens = _open_notes(notes, strings, counted, a4_hz)
    assumed = () if strings else (f"{opens[0]} is the open string (say it with --string)",)
    from_equal = [_from_equal_cents(each, a4_hz) for each in counted]
    own_open = len(opens) == 1 and all(
        (player, opens[0]) in cells for player in {each.player for each in counted}
    )
    zero = {
        player: fmean(
            c
            for c, e in zip(from_equal, counted, strict=True)
            if (e.player, e.note) == (player, opens[0])
        )
        if own_open
        else 0.0
        for player in {each.player for each in counted}
    }
    played = tuple(
        Played(
            player=each.player,
            note=each.note or "",
            fretted=each.note not in opens,
            cents=cents - (zero[each.player] if each.note not in opens else 0.0),
            attack_cents=each.reading.attack_cents,
        )
        for each, cents in sorted(
            zip(counted, from_equal, strict=True), key=lambda pair: Note.parse(pair[0].note or "")
        )
    )
    return _Result(a4_hz, within_cents, heard, played, study(played), opens, own_open, assumed)


def _open_notes(
    notes: Sequence[str], strings: Sequence[Note], counted: Sequence[_Heard], a4_hz: float
) -> tuple[str, ...]:
    """Which of the notes heard are open strings."""
    if not strings:
        return (notes[0],)
    return tuple(
        note
        for note in notes
        if any(
            abs(cents_between(_hz(each), string.hz(a4_hz))) <= NEAR_CENTS
            for each in counted
            for string in strings
            if each.note == note
        )
    )


def _hz(each: _Heard) -> float:
    return each.reading.pitch_hz or 0.0


def _from_equal_cents(each: _Heard, a4_hz: float) -> float:
    return cents_between(_hz(each), Note.parse(each.note or "").hz(a4_hz))


# -- document ----------------------------------------------------------------------------------


def _document(result: _Result) -> dict[str, Any]:
    found = result.study
    return {
        "schema": _SCHEMA,
        "a4_hz": result.a4_hz,
        "within_cents": result.within_cents,
        "open_notes": list(result.opens),
        "fretted_from": "own_open_string" if result.own_open else "equal_temperament",
        "assumed": list(result.assumed),
        "notes": [
            _precision_document(note, precision, fretted=note not in result.opens)
            for note, precision in found.notes.items()
        ],
        "players": [
            {"player": player, "takes": _takes_of(result, player), **_spread_document(spread)}
            for player, spread in found.players.items()
        ],
        "open": {**_spread_document(found.open), "takes_needed": _needed(result, found.open)},
        "fretted": {
            **_spread_document(found.fretted),
            "takes_needed": _needed(result, found.fretted),
        },
        "refretting_cents": found.refretting_cents,
        "refretting_significant": found.refretting_significant,
        "plucking": None if found.plucking is None else _plucking_document(found.plucking),
        "habit": str(found.habit),
        "explanation": _sentences(result),
        "readings": [
            {
                **reading_document(str(each.path), each.reading, a4_hz=result.a4_hz),
                "player": each.player,
                "played_note": each.note,
            }
            for each in result.heard
        ],
    }


def _precision_document(note: str, found: Precision, *, fretted: bool) -> dict[str, Any]:
    return {
        "note": note,
        "fretted": fretted,
        "takes": found.takes,
        "players": found.players,
        "mean_cents": found.mean,
        "repeatability_sd_cents": found.repeatability_sd,
        "dof": found.dof,
        "between_sd_cents": found.between_sd,
        "reproducibility_sd_cents": found.reproducibility_sd,
        "repeatability_limit_cents": _limit(found.repeatability_sd),
        "reproducibility_limit_cents": _limit(found.reproducibility_sd),
    }


def _limit(sd: float | None) -> float | None:
    """What two single takes differ by at most, 19 times in 20 (ISO 5725-6: 1.96 sqrt(2) sd)."""
    return None if sd is None else COVERAGE_95 * 2.0**0.5 * sd


def _spread_document(spread: Spread | None) -> dict[str, Any]:
    return {
        "spread_cents": None if spread is None else spread.cents,
        "dof": 0 if spread is None else spread.dof,
        "interval95_cents": None if spread is None else list(spread.interval95_cents),
    }


def _plucking_document(plucking: Plucking) -> dict[str, Any]:
    return {
        "slope_cents_per_cent": plucking.slope,
        "u_slope_cents_per_cent": plucking.u_slope,
        "attack_sd_cents": plucking.attack_sd_cents,
        "cost_cents": plucking.cost_cents,
        "significant": plucking.significant,
    }


def _takes_of(result: _Result, player: str) -> int:
    return sum(take.player == player for take in result.played)


def _needed(result: _Result, spread: Spread | None) -> int | None:
    return None if spread is None else takes_needed(spread.cents, result.within_cents)


# -- words -------------------------------------------------------------------------------------


def _sentences(result: _Result) -> list[str]:
    """What the study comes to: what it limits, the habit, and the players."""
    found = result.study
    sentences = [
        f"{beginning}, plus or minus {_plain(result.within_cents)} needs {_takes_words(needed)}."
        for beginning, spread, needed in (
            ("With this fretting", found.fretted, _needed(result, found.fretted)),
            ("With open plucks like these", found.open, _needed(result, found.open)),
        )
        if spread is not None
    ]
    sentences.append(_habit_sentence(found))
    shared = [p for p in found.notes.values() if p.between_sd is not None]
    if shared:
        widest = max(p.between_sd or 0.0 for p in shared)
        most = max(p.repeatability_sd or 0.0 for p in shared)
        sentences.append(
            f"Between players a note shifts by up to {widest:.1f} cents, one standard deviation, "
            f"where one player's own takes spread by up to {most:.1f}."
        )
    return sentences


def _plain(cents: float) -> str:
    return f"{cents:g} cent{'s' * (cents != 1.0)}"


def _takes_words(needed: int | None) -> str:
    return "more takes than anyone plays" if needed is None else f"{needed} takes"


def _habit_sentence(found: Study) -> str:
    refretting, plucking = found.refretting_cents, found.plucking
    if found.habit is Habit.FRETTING:
        return (
            f"Fretting costs most: it adds a spread of {refretting:.1f} cents to that of an open "
            "pluck. Press lightly, straight down, just behind the fret."
        )
    if found.habit is Habit.PLUCKING and plucking is not None:
        way = "rises" if plucking.slope > 0 else "falls"
        return (
            f"Uneven plucking costs most: the settled pitch {way} by {abs(plucking.slope):.2f} "
            f"cents per cent of attack sharpness, {plucking.cost_cents:.1f} cents in all. "
            "Pluck gently and evenly."
        )
    if found.habit is Habit.NEITHER:
        return "Neither fretting nor the strength of plucking stands out beyond chance."
    return "There are too few takes to say which habit costs most."


def _lines(result: _Result) -> list[tuple[str, str]]:
    found = result.study
    lines = [("result", words) for words in _sentences(result)]
    lines += [("assumed", words) for words in result.assumed]
    lines += [(f"note {note}", _note_words(note, p, result)) for note, p in found.notes.items()]
    for player, spread in found.players.items():
        lines.append((f"player {player}", _spread_words(_takes_of(result, player), spread)))
    if found.plucking is not None:
        lines.append(("plucking", _plucking_words(found.plucking)))
    lines += [
        (
            "rejected",
            f"at {e.reading.onset_s:.2f} s of {e.path.name}, {quality_words(e.reading)}",
        )
        for e in result.heard
        if e.note is None
    ]
    return lines


def _note_words(note: str, found: Precision, result: _Result) -> str:
    words = [
        "open" if note in result.opens else "fretted",
        f"{found.takes} takes",
        f"{found.players} player{'s' * (found.players != 1)}",
        f"mean {found.mean:+.2f} cents",
    ]
    if found.repeatability_sd is not None:
        words.append(f"repeatability {found.repeatability_sd:.2f} cents")
    if found.reproducibility_sd is not None:
        words.append(f"between players {found.between_sd:.2f} cents")
        words.append(f"reproducibility {found.reproducibility_sd:.2f} cents")
    return ", ".join(words)


def _spread_words(takes: int, spread: Spread | None) -> str:
    if spread is None:
        return f"{takes} takes, no note twice"
    low, high = spread.interval95_cents
    return f"{takes} takes, spread {spread.cents:.2f} cents, 95 % between {low:.2f} and {high:.2f}"


def _plucking_words(plucking: Plucking) -> str:
    surely = "" if plucking.significant else ", which may be chance"
    return (
        f"settled pitch {plucking.slope:+.3f} ± {COVERAGE_95 * plucking.u_slope:.3f} cents per "
        f"cent of attack sharpness{surely}; attacks spread by {plucking.attack_sd_cents:.1f} cents"
    )


def _print_page(result: _Result) -> None:
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    found = result.study
    page = Page()
    for place, words in enumerate(_sentences(result)):
        page.say(words, strong=place == 0)
    page.gap()
    page.table(
        [
            Column("note"),
            Column(""),
            Column("takes"),
            Column("players", from_width=60),
            Column("mean"),
            Column("repeat"),
            Column("between", from_width=60),
            Column("reprod"),
        ],
        [_row(note, p, result) for note, p in found.notes.items()],
    )
    page.say(
        "cents; repeat: spread between takes of one player (one standard deviation); between: "
        "between the players' own means; reprod: both together"
    )
    page.gap()
    for player, spread in found.players.items():
        page.say(f"{player}: {_spread_words(_takes_of(result, player), spread)}", hanging=2)
    if found.plucking is not None:
        page.say(f"plucking: {_plucking_words(found.plucking)}", hanging=2)
    for words in result.assumed:
        page.say(f"assumed: {words}", hanging=2)
    rejected = sum(each.note is None for each in result.heard)
    if rejected:
        page.say(f"{rejected} rejected: `pitchbench read` says why")


def _row(note: str, found: Precision, result: _Result) -> list[str]:
    return [
        note,
        "open" if note in result.opens else "fretted",
        str(found.takes),
        str(found.players),
        value(found.mean, 2, sign=True),
        value(found.repeatability_sd, 2),
        value(found.between_sd, 2),
        value(found.reproducibility_sd, 2),
    ]


def _draw(result: _Result, out: Path, *, force: bool) -> None:
    from pitchbench.report.figures import Cell, spread_figure  # noqa: PLC0415  # matplotlib is slow

    means = {note: found.mean for note, found in result.study.notes.items()}
    places = dict.fromkeys((take.player, take.note) for take in result.played)
    cells = [
        Cell(
            player,
            f"{note} {'open' if note in result.opens else 'fretted'}",
            tuple(
                take.cents - means[note]
                for take in result.played
                if (take.player, take.note) == (player, note)
            ),
        )
        for player, note in places
    ]
    write_picture(out, spread_figure(cells, title="Every take of every player"), force=force)
