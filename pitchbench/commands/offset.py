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
from pitchbench.intonation.bridge import Move, plan_move
from pitchbench.intonation.classify import (
    NEAR_CENTS,
    OUT_OF_TUNE_CENTS,
    LeftOut,
    Sounded,
    Told,
    tell_apart,
)
from pitchbench.intonation.harmonics import HARMONIC_AT_FRET, IN_DOUBT, TOUCHED, touched_harmonic
from pitchbench.intonation.offset import DEFAULT_PRIOR, Group, Offset, Take, estimate_offset
from pitchbench.intonation.verdict import Decision, MoreTakes, Verdict, judge
from pitchbench.notes import Note, nearest_note
from pitchbench.pitch.reading import Reading
from pitchbench.report.readings import (
    COVERAGE_95,
    move_document,
    quality_words,
    reading_document,
    value,
)
from pitchbench.session.words import move_words, offset_words, ordinal
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


_LEFT_OUT_WORDS: Final = {
    LeftOut.ANOTHER_NOTE: "another note",
    LeftOut.ANOTHER_STRING: "another string by its stiffness",
    LeftOut.TOUCHED_HARMONIC: "a touched harmonic",
}


class Role(StrEnum):
    """What a pluck counts as."""

    OPEN = "open"
    FRETTED = "fretted"
    OTHER = "other"


@dataclass(frozen=True, eq=False)
class _Heard:
    """One pluck: where it was recorded, and what it counts as; None where it was rejected.

    ``left_out`` says why a pluck counts as neither note.
    ``at_s`` is on one clock for all files, which are taken to follow one another.
    """

    path: Path
    reading: Reading
    at_s: float
    role: Role | None
    left_out: LeftOut | None = None

    def take(self, fret: int) -> Take:
        """As the statistics see it."""
        assert self.reading.pitch_hz is not None
        assert self.reading.u_cents is not None
        return Take(
            fret if self.role is Role.FRETTED else 0,
            self.reading.pitch_hz,
            self.reading.u_cents,
            self.at_s,
        )


@dataclass(frozen=True, eq=False)
class _Result:
    """All that is shown, in words or as a document."""

    a4_hz: float
    note: Note
    heard: tuple[_Heard, ...]
    offset: Offset
    verdict: Verdict
    move: Move | None
    bench: Bench
    p_touched: float


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
    heard, p_touched = _without_harmonics(heard, fret)
    offset = estimate_offset(
        [each.take(fret) for each in heard if each.role in {Role.OPEN, Role.FRETTED}],
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
    result = _Result(a4, note, heard, offset, verdict, move, bench, p_touched)
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


def _on_one_clock(listened: Iterable[Listened], roles: Sequence[Role | None]) -> list[_Heard]:
    """Every pluck with the role that was said of its file, None where nothing was said."""
    heard: list[_Heard] = []
    began_s = 0.0
    for sound, role in zip(listened, roles, strict=True):
        heard += [_Heard(sound.path, r, began_s + r.onset_s, role) for r in sound.readings]
        began_s += sound.length_s
    return heard


def _in_roles(heard: Sequence[_Heard], *, fret: int, open_hz: float | None) -> tuple[_Heard, ...]:
    """What each pluck is; ``open_hz`` is the named open note's pitch, None if none was named."""
    settled = [each for each in heard if each.reading.settled]
    said = [each for each in settled if each.role is not None]
    place_hz = _said_open_hz(said, fret)
    if place_hz is not None and open_hz is not None:
        near = abs(cents_between(place_hz, open_hz)) <= OUT_OF_TUNE_CENTS
        place_hz = place_hz if near else open_hz
    untold = [each for each in settled if each.role is None]
    places = tell_apart(
        [Sounded.of(e.reading) for e in untold], fret=fret, open_hz=place_hz or open_hz
    )
    told = dict(zip(map(id, untold), places, strict=True))
    for each in said:
        fits = _fits(each, fret, place_hz)
        place = 0 if each.role is Role.OPEN else fret
        told[id(each)] = Told(place) if fits else Told(None, LeftOut.ANOTHER_NOTE)

    def in_role(each: _Heard) -> _Heard:
        if not each.reading.settled:
            return replace(each, role=None)
        place = told[id(each)]
        role = Role.OTHER if place.fret is None else Role.FRETTED if place.fret else Role.OPEN
        return replace(each, role=role, left_out=place.left_out)

    return tuple(map(in_role, heard))


def _without_harmonics(heard: tuple[_Heard, ...], fret: int) -> tuple[tuple[_Heard, ...], float]:
    """Fretted takes that are touched harmonics of the open string do not count.

    Returns the plucks, and the probability that the fretted ones are such.
    """
    takes = [each.reading for each in heard if each.role is Role.FRETTED]
    opens = [each.reading for each in heard if each.role is Role.OPEN]
    if fret not in HARMONIC_AT_FRET or not takes or not opens:
        return heard, 0.0
    found = touched_harmonic(takes, opens, number=HARMONIC_AT_FRET[fret])
    p_touched = 0.0 if found is None else found.probability
    if p_touched >= TOUCHED:
        heard = tuple(
            replace(each, role=Role.OTHER, left_out=LeftOut.TOUCHED_HARMONIC)
            if each.role is Role.FRETTED
            else each
            for each in heard
        )
    return heard, p_touched


def _said_open_hz(said: Sequence[_Heard], fret: int) -> float | None:
    """The open pitch by the plucks of which it was said what they are; None if there are none."""
    for role, ratio in ((Role.OPEN, 1.0), (Role.FRETTED, fret_ratio(fret))):
        pitches = [
            e.reading.pitch_hz / ratio for e in said if e.role is role and e.reading.pitch_hz
        ]
        if pitches:
            return median(pitches)
    return None


def _fits(each: _Heard, fret: int, open_hz: float | None) -> bool:
    """Whether a pluck can be the note that its file was said to hold."""
    assert each.reading.pitch_hz is not None
    assert open_hz is not None
    place_hz = open_hz * (fret_ratio(fret) if each.role is Role.FRETTED else 1.0)
    return abs(cents_between(each.reading.pitch_hz, place_hz)) <= NEAR_CENTS


def _nothing_to_compare(
    heard: Sequence[_Heard], named: Note | None, fret: int, a4_hz: float
) -> PitchbenchError:
    """Which note is missing, and what was heard instead."""
    have = {each.role for each in heard}
    string = "same string" if named is None else f"{named} string"
    fretted = f"{ordinal(fret)} fret of the {string}"
    if Role.OPEN in have:
        missing = f"no reading of the {fretted}"
    elif Role.FRETTED in have:
        missing = f"no reading of the open {string}"
    else:
        missing = f"no reading of the open {string} and none of the {ordinal(fret)} fret"
    notes = Counter(
        nearest_note(each.reading.pitch_hz, a4_hz)[0].name
        for each in heard
        if each.reading.settled and each.reading.pitch_hz is not None
    )
    counts = [f"{note} {count} time{'s' * (count != 1)}" for note, count in notes.items()]
    rejected = Counter(
        str(e.reading.reason).replace("_", " ") for e in heard if e.reading.reason is not None
    )
    counts += [f"{count} rejected ({reason})" for reason, count in rejected.items()]
    if any(each.left_out is LeftOut.TOUCHED_HARMONIC for each in heard):
        return PitchbenchError(
            f"There is {missing}: what sounds in its place is a harmonic of the open string, "
            f"touched and not pressed down; heard: {', '.join(counts)}.",
            f"Press the string down behind the {ordinal(fret)} fret, as in playing, and pluck it.",
            ExitCode.NO_READING,
        )
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
        "move": None if result.move is None else move_document(result.move),
        "scale_mm": result.bench.instrument.scale_mm,
        "bridge": str(result.bench.instrument.bridge.kind),
        "assumed": list(result.bench.assumed),
        "p_touched_harmonic": result.p_touched,
        "readings": [
            {
                **reading_document(str(each.path), each.reading, a4_hz=result.a4_hz),
                "role": None if each.role is None else str(each.role),
                "left_out": None if each.left_out is None else str(each.left_out),
                "stray": _stray(each, offset),
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
        lines.append(("move", f"{move_words(move)}, 95 % between {_interval_words(move)}"))
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


def _interval_words(move: Move) -> str:
    low, high = move.interval95_mm
    return f"{low:.1f} and {high:.1f} mm"


def _group_words(group: Group) -> str:
    takes = f"{group.n} take{'s' * (group.n != 1)}, {group.mean_hz:.3f} Hz"
    if group.spread_cents is None:
        return f"{takes}, spread not known: a usual one is assumed"
    return f"{takes}, spread {group.spread_cents:.1f} cents"


def _take_words(each: _Heard, result: _Result) -> str:
    reading = each.reading
    words = [_role_words(each, result), f"at {reading.onset_s:.2f} s of {each.path.name}"]
    if reading.settled:
        cents, half = _off_cents(each, result), COVERAGE_95 * (reading.u_cents or 0.0)
        words += [f"{value(reading.pitch_hz, 3)} Hz", f"{cents:+.2f} ± {half:.2f} cents"]
    return ", ".join(words)


def _role_words(each: _Heard, result: _Result) -> str:
    if each.role is None:
        return f"rejected, {quality_words(each.reading)}"
    if each.left_out is not None:
        return f"not counted, {_LEFT_OUT_WORDS[each.left_out]}"
    words = "open" if each.role is Role.OPEN else f"{ordinal(result.offset.fret)} fret"
    return f"{words}, stands out from the others" if _stray(each, result.offset) else words


def _off_cents(each: _Heard, result: _Result) -> float:
    """Open and other notes from the nearest note, fretted ones from the open mean and the fret."""
    assert each.reading.pitch_hz is not None
    if each.role is Role.FRETTED:
        octave = cents_between(each.reading.pitch_hz, result.offset.open.mean_hz)
        return octave - 100.0 * result.offset.fret
    if each.role is Role.OPEN:
        return cents_between(each.reading.pitch_hz, result.note.hz(result.a4_hz))
    return nearest_note(each.reading.pitch_hz, result.a4_hz)[1]


def _cautions(result: _Result) -> tuple[str, ...]:
    doubt: tuple[str, ...] = ()
    if result.p_touched >= IN_DOUBT:
        doubt = (
            "The fretted takes agree with the open string as its touched harmonic would. Was the "
            "string pressed down to the fret?",
        )
    if result.move is None:
        return doubt
    cautions = (*doubt, *result.move.cautions)
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


def _row(each: _Heard, result: _Result) -> list[str]:
    reading = each.reading
    cents = _off_cents(each, result) if reading.settled else None
    half = COVERAGE_95 * (reading.u_cents or 0.0) if reading.settled else None
    return [
        value(each.at_s, 2),
        value(reading.pitch_hz if reading.settled else None, 3),
        value(cents, 2, sign=True),
        value(half, 2),
        _role_words(each, result),
    ]
