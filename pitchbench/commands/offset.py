"""``pitchbench offset``: open against fretted in recordings, and what to do about it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import partial
from pathlib import Path
from statistics import median
from typing import Any, Final

import click

from pitchbench.belief import half95
from pitchbench.commands.bench import Bench, Said, bench_for, bench_options
from pitchbench.commands.common import (
    TOLERANCE,
    WholeQuantity,
    show_result,
)
from pitchbench.commands.listening import (
    Listened,
    ManyFiles,
    listen_to,
    listening_options,
    named_instrument,
    refuse_twice,
)
from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.intonation.bridge import Move, move_interval_words, move_words, plan_move
from pitchbench.intonation.classify import NEAR_CENTS, OUT_OF_TUNE_CENTS, Sounded, tell_apart
from pitchbench.intonation.offset import DEFAULT_PRIOR, Group, Offset, Take, estimate_offset
from pitchbench.intonation.verdict import Decision, MoreTakes, Verdict, judge
from pitchbench.notes import Note, nearest_note
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.report.readings import (
    reading_document,
)
from pitchbench.session.words import offset_words, ordinal, rejected_words
from pitchbench.units import cents_between, fret_ratio

EXAMPLES = """\
  pitchbench offset low-e.wav --string E2               plucks in any order, told apart by pitch
  pitchbench offset low-e.wav --scale 628 --pitch-per-turn 0.5 --screw-heads tail
  pitchbench offset --open open*.wav --fretted 12th*.wav     which is which, said outright
  pitchbench offset b.wav --string B0 --instrument "Blue bass"   scale and bridge on record
"""

_SCHEMA: Final = "pitchbench.offset/1"

FRET: Final = WholeQuantity("N", 1, 24, "the fret that was played")

#: As many takes, open and fretted together, as are worth making (as in a session).
_MOST_TAKES: Final = 16

#: So near the nut the saddle has a quarter of its leverage at the 12th fret at most.
_NEAR_THE_NUT: Final = 4


class Role(StrEnum):
    """What a pluck counts as."""

    OPEN = "open"
    FRETTED = "fretted"
    OTHER = "other"


@dataclass(frozen=True, eq=False)
class _Heard:
    """One pluck: where it was recorded, and what it counts as; None until that is told.

    ``at_s`` is on one clock for all files, which are taken to follow one another.
    """

    path: Path
    reading: Reading
    at_s: float
    role: Role | None

    def take(self, fret: int) -> Take:
        """As the statistics see it."""
        return Take(
            fret if self.role is Role.FRETTED else 0,
            self.reading.pitch_hz,
            self.reading.u_cents,
            self.at_s,
        )


@dataclass(frozen=True, eq=False)
class _Lost:
    """One pluck that was rejected."""

    path: Path
    reading: Rejected
    at_s: float


@dataclass(frozen=True, eq=False)
class _Result:
    """All that is shown, in words or as a document."""

    a4_hz: float
    note: Note
    heard: tuple[_Heard | _Lost, ...]
    offset: Offset
    verdict: Verdict
    move: Move | None
    bench: Bench


_PATHS: Final = click.Path(path_type=Path)


@click.command(cls=ManyFiles, several={"--open", "--fretted"}, examples=EXAMPLES)
@click.argument("files", nargs=-1, type=_PATHS, metavar="[FILE]...")
@click.option("--open", "opens", type=_PATHS, multiple=True, metavar="FILE...",
              help="Recordings of the open string alone.")  # fmt: skip
@click.option("--fretted", "fretteds", type=_PATHS, multiple=True, metavar="FILE...",
              help="Recordings of the fretted note alone.")  # fmt: skip
@click.option("--string", "string", metavar="NOTE", help="Open note, such as E2 [inferred].")
@click.option("--fret", type=FRET, default=12, show_default=True, help="Fret that was played.")
@bench_options
@click.option("--tolerance", type=TOLERANCE, help="Offset that may be left alone [2].")
@listening_options
def command(
    *,
    files: tuple[Path, ...],
    opens: tuple[Path, ...],
    fretteds: tuple[Path, ...],
    string: str | None,
    fret: int,
    tolerance: float | None,
    channel: int | None,
    a4: float,
    plain: bool,
    output_format: str,
    **details: Any,
) -> None:
    """How far the fretted note is off, how sure that is, and how to move the saddle.

    Each FILE may hold several plucks of one string, open and fretted, in any order. Files are
    taken to follow one another in the order given, so that a drift of the string shows.
    """
    named = None if string is None else Note.parse(string)
    said_of_it = Said(**details)
    instrument = named_instrument(said_of_it.preset_name, said_of_it.name, said_of_it.store)
    refuse_twice((*files, *opens, *fretteds))
    said = {Role.OPEN: len(opens), Role.FRETTED: len(fretteds)}
    roles = [None] * len(files) + [role for role, count in said.items() for _ in range(count)]
    listened = listen_to((*files, *opens, *fretteds), channel=channel, plain=plain)
    heard = _in_roles(
        _on_one_clock(listened, roles), fret=fret, open_hz=None if named is None else named.hz(a4)
    )  # fmt: skip
    offset = estimate_offset(
        [
            each.take(fret)
            for each in heard
            if isinstance(each, _Heard) and each.role in {Role.OPEN, Role.FRETTED}
        ],
        fret=fret,
        prior=DEFAULT_PRIOR,
    )
    if offset is None:
        raise _nothing_to_compare(heard, named, fret, a4)
    note = named or nearest_note(offset.open.mean_hz, a4)[0]
    bench = bench_for(instrument, [note], said_of_it)
    verdict = judge(
        offset,
        tolerance_cents=bench.instrument.tolerance_cents if tolerance is None else tolerance,
        prior=DEFAULT_PRIOR,
        most_takes=_MOST_TAKES,
    )
    move = _planned(offset, note, bench) if verdict.decision is Decision.MOVE else None
    result = _Result(a4, note, heard, offset, verdict, move, bench)
    if output_format == "json":
        for words in bench.assumed if move else ():
            click.echo(f"Assumed: {words}.", err=True)
    show_result(
        output_format,
        plain,
        document=partial(_document, result),
        lines=partial(_lines, result),
        page=partial(_print_page, result),
    )


# -- from readings to roles --------------------------------------------------------------------


def _on_one_clock(
    listened: Iterable[Listened], roles: Sequence[Role | None]
) -> list[_Heard | _Lost]:
    """Every pluck with the role that was said of its file, None where nothing was said."""
    heard: list[_Heard | _Lost] = []
    began_s = 0.0
    for sound, role in zip(listened, roles, strict=True):
        heard += [
            _Lost(sound.path, r, began_s + r.onset_s)
            if isinstance(r, Rejected)
            else _Heard(sound.path, r, began_s + r.onset_s, role)
            for r in sound.readings
        ]
        began_s += sound.length_s
    return heard


def _in_roles(
    heard: Sequence[_Heard | _Lost], *, fret: int, open_hz: float | None
) -> tuple[_Heard | _Lost, ...]:
    """What each pluck is; ``open_hz`` is the named open note's pitch, None if none was named."""
    settled = [each for each in heard if isinstance(each, _Heard)]
    said = [each for each in settled if each.role is not None]
    place_hz = _said_open_hz(said, fret)
    if place_hz is not None and open_hz is not None:
        near = abs(cents_between(place_hz, open_hz)) <= OUT_OF_TUNE_CENTS
        place_hz = place_hz if near else open_hz
    untold = [each for each in settled if each.role is None]
    frets = tell_apart(
        [Sounded(e.reading.pitch_hz, e.reading.stiffness_b) for e in untold],
        fret=fret,
        open_hz=place_hz or open_hz,
    )
    told = dict(zip(map(id, untold), frets, strict=True))

    def role_of(each: _Heard) -> Role:
        if each.role is not None:
            return each.role if _fits(each, fret, place_hz) else Role.OTHER
        place = told[id(each)]
        return Role.OTHER if place is None else Role.OPEN if place == 0 else Role.FRETTED

    return tuple(
        replace(each, role=role_of(each)) if isinstance(each, _Heard) else each for each in heard
    )


def _said_open_hz(said: Sequence[_Heard], fret: int) -> float | None:
    """The open pitch by the plucks of which it was said what they are; None if there are none."""
    for role, ratio in ((Role.OPEN, 1.0), (Role.FRETTED, fret_ratio(fret))):
        pitches = [each.reading.pitch_hz / ratio for each in said if each.role is role]
        if pitches:
            return median(pitches)
    return None


def _fits(each: _Heard, fret: int, open_hz: float | None) -> bool:
    """Whether a pluck can be the note that its file was said to hold."""
    assert open_hz is not None
    place_hz = open_hz * (fret_ratio(fret) if each.role is Role.FRETTED else 1.0)
    return abs(cents_between(each.reading.pitch_hz, place_hz)) <= NEAR_CENTS


def _nothing_to_compare(
    heard: Sequence[_Heard | _Lost], named: Note | None, fret: int, a4_hz: float
) -> PitchbenchError:
    """Which note is missing, and what was heard instead."""
    settled = [each for each in heard if isinstance(each, _Heard)]
    have = {each.role for each in settled}
    string = "same string" if named is None else f"{named} string"
    fretted = f"{ordinal(fret)} fret of the {string}"
    if Role.OPEN in have:
        missing = f"no reading of the {fretted}"
    elif Role.FRETTED in have:
        missing = f"no reading of the open {string}"
    else:
        missing = f"no reading of the open {string} and none of the {ordinal(fret)} fret"
    notes = Counter(nearest_note(each.reading.pitch_hz, a4_hz)[0].name for each in settled)
    counts = [f"{note} {count} time{'s' * (count != 1)}" for note, count in notes.items()]
    rejected = Counter(
        each.reading.reason.replace("_", " ") for each in heard if isinstance(each, _Lost)
    )
    counts += [f"{count} rejected ({reason})" for reason, count in rejected.items()]
    return PitchbenchError(
        f"There is {missing}; heard: {', '.join(counts) or 'no pluck at all'}.",
        "Record both notes of one string, two seconds each; where the pitch does not tell them "
        "apart, say which is which with --open and --fretted.",
        ExitCode.NO_READING,
    )


# -- the instrument ----------------------------------------------------------------------------


def _planned(offset: Offset, note: Note, bench: Bench) -> Move:
    instrument = bench.instrument
    string = next((n for n, s in enumerate(instrument.strings, start=1) if s.note == note), 0)
    if not string:  # the setback on record is then of some other string
        instrument = replace(instrument, setback_mm=())
    try:
        return plan_move(offset, instrument, string)
    except ValueError as error:
        raise PitchbenchError(
            f"No saddle position cures {offset.offset_cents:+.1f} cents at the "
            f"{ordinal(offset.fret)} fret.",
            "Compare at the 12th fret first; if that one is good, look at the nut.",
        ) from error


# -- document ----------------------------------------------------------------------------------


def _document(result: _Result) -> dict[str, Any]:
    offset, verdict = result.offset, result.verdict
    return {
        "schema": _SCHEMA,
        "a4_hz": result.a4_hz,
        "string": result.note.name,
        "fret": offset.fret,
        "open": _group_document(offset.open),
        "fretted": _group_document(offset.fretted),
        "offset_cents": offset.offset_cents,
        "u_cents": offset.u_cents,
        "interval95_cents": list(offset.interval95_cents),
        "drift_cents_per_min": offset.drift_cents_per_min,
        "tolerance_cents": verdict.tolerance_cents,
        "verdict": str(verdict.decision),
        "p_within": verdict.p_within,
        "border": verdict.border,
        "explanation": verdict.explanation,
        "more_takes": _more_document(verdict.more_takes),
        "move": None if result.move is None else result.move.document(),
        "scale_mm": result.bench.instrument.scale_mm,
        "bridge": str(result.bench.instrument.bridge.kind),
        "assumed": list(result.bench.assumed),
        "readings": [
            {
                **reading_document(str(each.path), each.reading, a4_hz=result.a4_hz),
                "role": str(each.role) if isinstance(each, _Heard) else None,
                "stray": isinstance(each, _Heard) and _stray(each, offset),
            }
            for each in result.heard
        ],
    }


def _group_document(group: Group) -> dict[str, Any]:
    return {"n": group.n, "mean_hz": group.mean_hz, "spread_cents": group.spread_cents}


def _more_document(more: MoreTakes | None) -> dict[str, int] | None:
    return None if more is None else {"open": more.open, "fretted": more.fretted}


def _stray(each: _Heard, offset: Offset) -> bool:
    """Whether the take stands out from the rest of its group."""
    return each.role in {Role.OPEN, Role.FRETTED} and any(
        take.at_s == each.at_s for take in offset.stray
    )


# -- words -------------------------------------------------------------------------------------


def _what_to_do(result: _Result) -> str:
    """The one sentence that the whole command is for."""
    if result.move is not None:
        seen = ", seen from the screw head" if result.move.rotation else ""
        return f"Move the saddle {move_words(result.move)}{seen}."
    if result.verdict.decision is Decision.LEAVE:
        return "Leave the saddle where it is."
    if result.verdict.border:
        return "On the border: more takes would hardly decide it."
    return "Take more before you touch the saddle."


def _lines(result: _Result) -> list[tuple[str, str]]:
    """Label and words of every line, the sentence that says what to do first."""
    lines = [("do", _what_to_do(result)), ("why", result.verdict.explanation)]
    lines += _figures(result)
    lines += [
        (f"take {number}", _take_words(each, result))
        for number, each in enumerate(result.heard, start=1)
    ]
    return lines + [("mind", words) for words in _cautions(result)]


def _figures(result: _Result) -> list[tuple[str, str]]:
    offset, move = result.offset, result.move
    low, high = offset.interval95_cents
    lines = [
        (
            f"offset at the {ordinal(offset.fret)} fret",
            f"{offset_words(offset)}, 95 % between {low:+.1f} and {high:+.1f}",
        )
    ]
    if move is not None:
        between = move_interval_words(move, between=" and ")
        lines.append(("move", f"{move_words(move)}, 95 % between {between}"))
    lines += [
        (f"open {result.note}", _group_words(offset.open)),
        (f"{ordinal(offset.fret)} fret", _group_words(offset.fretted)),
    ]
    if offset.drift_cents_per_min:
        drift = f"{offset.drift_cents_per_min:+.2f} cents per minute, taken off"
        lines.append(("drift of the string", drift))
    if move is not None and result.bench.assumed:
        lines.append(("assumed", "; ".join(result.bench.assumed)))
    return lines


def _group_words(group: Group) -> str:
    takes = f"{group.n} take{'s' * (group.n != 1)}, {group.mean_hz:.3f} Hz"
    if group.spread_cents is None:
        return f"{takes}, spread not known: a usual one is assumed"
    return f"{takes}, spread {group.spread_cents:.1f} cents"


def _take_words(each: _Heard | _Lost, result: _Result) -> str:
    words = [_role_words(each, result), f"at {each.reading.onset_s:.2f} s of {each.path.name}"]
    if isinstance(each, _Heard):
        cents, half = _off_cents(each, result), half95(each.reading.u_cents)
        words += [f"{each.reading.pitch_hz:.3f} Hz", f"{cents:+.2f} ± {half:.2f} cents"]
    return ", ".join(words)


def _role_words(each: _Heard | _Lost, result: _Result) -> str:
    if isinstance(each, _Lost):
        return f"rejected, {rejected_words(each.reading.reason)}"
    if each.role is Role.OTHER:
        return "not counted, another note or string"
    words = "open" if each.role is Role.OPEN else f"{ordinal(result.offset.fret)} fret"
    return f"{words}, stands out from the others" if _stray(each, result.offset) else words


def _off_cents(each: _Heard, result: _Result) -> float:
    """Open and other notes from the nearest note, fretted ones from the open mean and the fret."""
    if each.role is Role.FRETTED:
        octave = cents_between(each.reading.pitch_hz, result.offset.open.mean_hz)
        return octave - 100.0 * result.offset.fret
    if each.role is Role.OPEN:
        return cents_between(each.reading.pitch_hz, result.note.hz(result.a4_hz))
    return nearest_note(each.reading.pitch_hz, result.a4_hz)[1]


def _cautions(result: _Result) -> tuple[str, ...]:
    if result.move is None:
        return ()
    cautions = result.move.cautions
    if result.offset.fret <= _NEAR_THE_NUT:
        return (
            "So near the nut a saddle does little: compare at the 12th fret first, and if that "
            "one is good, it is the nut.",
            *cautions,
        )
    return cautions


def _print_page(result: _Result) -> None:
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    page = Page()
    page.say(_what_to_do(result), strong=True)
    page.say(result.verdict.explanation)
    page.gap()
    for label, words in _figures(result):
        page.say(f"{label}: {words}", hanging=2)
    page.gap()
    page.table(
        [
            Column("at s"),
            Column("Hz"),
            Column("cents"),
            Column("±", from_width=50),
            Column("", right=False),
        ],
        [_row(each, result) for each in result.heard],
    )
    page.say(
        "fretted in cents from the open mean and the fret, others from the note; ± holds 95 %",
    )
    if cautions := _cautions(result):
        page.gap()
        for words in cautions:
            page.say(f"- {words}", hanging=2)


def _row(each: _Heard | _Lost, result: _Result) -> list[str]:
    if isinstance(each, _Lost):
        return [f"{each.at_s:.2f}", "-", "-", "-", _role_words(each, result)]
    return [
        f"{each.at_s:.2f}",
        f"{each.reading.pitch_hz:.3f}",
        f"{_off_cents(each, result):+.2f}",
        f"{half95(each.reading.u_cents):.2f}",
        _role_words(each, result),
    ]
