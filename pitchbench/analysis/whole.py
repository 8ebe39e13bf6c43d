"""Recordings of a whole instrument: which string each pluck is of, and each string by itself."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pitchbench.analysis.heard import Plucks
from pitchbench.analysis.offset import (
    ComparedPluck,
    Comparison,
    LostPluck,
    NothingToCompareError,
    OffsetResult,
    Role,
    compare_plucks,
    decide,
    decided,
    on_one_clock,
    waiting,
)
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Instrument, StringSpec
from pitchbench.intonation.bridge_line import FEWEST, Asked, BridgeLine, best_line
from pitchbench.intonation.classify import NEAR_CENTS
from pitchbench.intonation.knowledge import Density
from pitchbench.intonation.verdict import Decision
from pitchbench.notes import Note, ordinal
from pitchbench.units import cents_between, fret_ratio

#: What a string lacks, in short, that no pluck can be of.
NOT_HEARD: Final = "not heard"

_Plucks = tuple[ComparedPluck | LostPluck, ...]

#: A baritone is a fifth lower at the most, and a capo seldom sits beyond the 7th fret (common
#: practice, no source).
_MOST_SEMITONES: Final = 7

#: Another tuning is spoken of where it explains so much of what was heard, and so much more than
#: the one that was said: one string that is tuned otherwise is a sixth of six.
_EXPLAINED: Final = 0.9
_MORE_EXPLAINED: Final = 0.25


@dataclass(frozen=True, eq=False)
class StringOffset:
    """One string of an instrument: what it comes to, or in a sentence why it comes to nothing; in
    ``lacks_short`` without a full stop and without what was heard instead."""

    string: int
    note: Note
    plucks: _Plucks
    result: OffsetResult | None
    lacks: str | None
    lacks_short: str | None


@dataclass(frozen=True, eq=False)
class WholeInstrument:
    """Every string of an instrument, string 1 first, and the plucks that are of none of them;
    ``line`` is where a bridge in one piece should go; None where it is none, where no string asks
    for a move, and where too few were judged. ``semitones_off`` is by how much higher all strings
    seem to be tuned than was said; 0 where they do not.

    Strings that are tuned alike count as the first of them: their pitches do not tell them apart.
    """

    a4_hz: float
    fret: int
    instrument: Instrument
    assumed: tuple[str, ...]
    strings: tuple[StringOffset, ...]
    strange: _Plucks
    line: BridgeLine | None = None
    semitones_off: int = 0


def strings_in(
    sounds: Iterable[Plucks],
    roles: Sequence[Role | None],
    instrument: Instrument,
    *,
    fret: int = 12,
    a4_hz: float,
) -> dict[int | None, _Plucks]:
    """The plucks of each string that was heard, by its number; under None those of no string.

    A note that two strings have, such as the open D3 and the 12th fret of a D2, is of the one that
    is played about the same time: people go from string to string.

    Parameters
    ----------
    sounds : recordings, taken to follow one another.
    roles : what each of them holds alone; None where open and fretted are told apart by pitch.
    """
    heard = on_one_clock(sounds, roles)
    could_be = [_could_be(each, instrument, fret, a4_hz) for each in heard]
    told = [(e.at_s, c[0]) for e, c in zip(heard, could_be, strict=True) if len(c) == 1]
    of: dict[int | None, list[ComparedPluck | LostPluck]] = {}
    for each, strings in zip(heard, could_be, strict=True):
        beside = [(abs(at_s - each.at_s), n) for at_s, n in told if n in strings]
        string = min(beside)[1] if beside else next(iter(strings), None)
        of.setdefault(string, []).append(each)
    return {string: tuple(plucks) for string, plucks in of.items()}


def decide_strings(
    heard: dict[int | None, _Plucks],
    instrument: Instrument,
    *,
    fret: int = 12,
    a4_hz: float,
    assumed: tuple[str, ...] = (),
    filed_mm: Sequence[float] = (),
) -> WholeInstrument:
    """Each string by itself, from what `strings_in` found; those that share a saddle by their mean,
    as long as it is no bridge in one piece, whose place is another matter. ``filed_mm`` as of
    `analysis.offset.decide`."""

    compared: dict[int, Comparison] = {}
    lacks: dict[int, tuple[str, str]] = {}
    notes = {number: spec.note for number, spec in _unlike(instrument)}
    for number, note in notes.items():
        if not (plucks := heard.get(number, ())):
            lacks[number] = _not_heard(note, fret, instrument, heard)
            continue
        try:
            compared[number] = compare_plucks(plucks, string=note, fret=fret, a4_hz=a4_hz)
        except NothingToCompareError as error:
            lacks[number] = error.what, error.missing
    results: dict[int, OffsetResult] = {}
    for number, comparison in compared.items():
        beside = _beside(number, compared, instrument)
        try:
            results[number] = decide(comparison, instrument, beside=beside, filed_mm=filed_mm)
        except PitchbenchError as error:
            lacks[number] = error.what, error.what
    results = _one_answer_a_saddle(results, instrument)
    found = tuple(
        StringOffset(
            number,
            note,
            heard.get(number, ()),
            results.get(number),
            *lacks.get(number, (None,) * 2),
        )
        for number, note in notes.items()
    )
    line = _line(found, instrument, fret) if instrument.in_one_piece else None
    if line is not None:
        found = tuple(_not_moved_alone(each) for each in found)
    off = _semitones_off([p for each in heard.values() for p in each], instrument, fret, a4_hz)
    return WholeInstrument(a4_hz, fret, instrument, assumed, found, heard.get(None, ()), line, off)


def _beside(
    string: int, compared: Mapping[int, Comparison], instrument: Instrument
) -> list[Density]:
    """What is believed of the offsets of the other strings on its saddle, as cents of this one: a
    longer string needs more travel for the same cents."""
    if _goes_by_line(compared, instrument):
        return []
    told = [n for n, each in compared.items() if not each.likely_touched]
    scale_mm = instrument.scale_of(string)
    return [
        offset.scaled(instrument.scale_of(other) / scale_mm)
        for other in instrument.bridge.beside(string)
        if other in told
        if (offset := compared[other].known.offset) is not None
    ]


def _goes_by_line(compared: Mapping[int, Comparison], instrument: Instrument) -> bool:
    """Whether its bridge is one piece, of whose strings enough are known to say where it goes."""
    told = sum(not each.likely_touched for each in compared.values())
    return instrument.in_one_piece and told >= FEWEST


def _one_answer_a_saddle(
    results: Mapping[int, OffsetResult], instrument: Instrument
) -> dict[int, OffsetResult]:
    """A saddle waits for all its strings, and goes for all of them."""
    if _goes_by_line(results, instrument):
        return dict(results)
    answers = dict(results)
    known = {instrument.string(n).note for n in results}
    for string, result in results.items():
        beside = instrument.bridge.beside(string)
        on_it = [results[n] for n in beside if n in results]
        unknown = tuple(n for n in beside if instrument.string(n).note not in known)
        if unknown:
            answers[string] = waiting(result, unknown)
        elif any(each.mean is not None for each in on_it):
            said = {each.verdict.decision for each in (result, *on_it)}
            first = (Decision.TAKE_MORE, Decision.MOVE, Decision.LEAVE)
            answers[string] = decided(result, next(each for each in first if each in said))
    return answers


def _semitones_off(
    plucks: Sequence[ComparedPluck | LostPluck], instrument: Instrument, fret: int, a4_hz: float
) -> int:
    """By how many semitones all strings seem to be tuned otherwise than was said."""
    settled = [each for each in plucks if isinstance(each, ComparedPluck)]

    def explained(semitones: int) -> int:
        tuned_hz = a4_hz * fret_ratio(semitones)
        return sum(bool(_could_be(each, instrument, fret, tuned_hz)) for each in settled)

    # The nearest comes first, and of two that explain as much it is the one.
    best = max(sorted(range(-_MOST_SEMITONES, _MOST_SEMITONES + 1), key=abs), key=explained)
    enough = explained(best) >= _EXPLAINED * len(settled)
    more = explained(best) - explained(0) >= _MORE_EXPLAINED * len(settled)
    return best if enough and more and settled else 0


def _not_heard(
    note: Note, fret: int, instrument: Instrument, heard: dict[int | None, _Plucks]
) -> tuple[str, str]:
    """What a string lacks of which nothing was heard, in a sentence and in short: one that was may
    sound ``note`` at ``fret``, as the string below an octave string does."""
    alike = [n for n, spec in _unlike(instrument) if n in heard and spec.note.up(fret) == note]
    if not alike:
        return "It was not heard.", NOT_HEARD
    place = f"string {alike[0]} at the {ordinal(fret)} fret"
    what = f"Its open note is that of {place}: record the two apart."
    return what, f"not told from string {alike[0]}"


def _line(strings: Sequence[StringOffset], instrument: Instrument, fret: int) -> BridgeLine | None:
    """Where the bridge should go, if any string asks for a move and enough were judged."""
    judged = [
        (each.string, each.result)
        for each in strings
        if each.result is not None and not each.result.likely_touched
    ]
    if len(judged) < FEWEST or not any(result.move for _, result in judged):
        return None
    asked = [
        Asked(n, result.offset.offset_cents, result.offset.u_cents, instrument.tolerance_of(n))
        for n, result in judged
    ]
    return best_line(asked, instrument, fret=fret)


def _not_moved_alone(each: StringOffset) -> StringOffset:
    """The string without what a move of its own would promise: the bridge makes another."""
    if each.result is None:
        return each
    verdict = replace(each.result.verdict, p_moved=None)
    return replace(each, result=replace(each.result, verdict=verdict))


def _unlike(instrument: Instrument) -> list[tuple[int, StringSpec]]:
    """The strings with their numbers; of those that are tuned alike the first."""
    first = {spec.note: n for n, spec in reversed([*enumerate(instrument.strings, start=1)])}
    return [(n, instrument.string(n)) for n in sorted(first.values())]


def _could_be(
    each: ComparedPluck | LostPluck, instrument: Instrument, fret: int, a4_hz: float
) -> list[int]:
    """The strings of which a pluck may be, the likeliest by its pitch first."""
    pitch_hz = each.reading.pitch_hz
    if pitch_hz is None:
        return []
    role = each.role if isinstance(each, ComparedPluck) else None
    ratios = {None: (1.0, fret_ratio(fret)), Role.OPEN: (1.0,)}.get(role, (fret_ratio(fret),))
    off = [
        (min(abs(cents_between(pitch_hz, spec.note.hz(a4_hz) * ratio)) for ratio in ratios), n)
        for n, spec in _unlike(instrument)
    ]
    near = min(NEAR_CENTS, 50.0 * fret)
    return [n for cents, n in sorted(off) if cents <= near]
