"""Recordings of open and fretted plucks to an offset, a verdict and a saddle move."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import median
from typing import Final

from pitchbench.analysis.heard import Heard, Plucks, how_often
from pitchbench.belief import Belief
from pitchbench.errors import NoReadingError
from pitchbench.instrument import Instrument
from pitchbench.intonation.bridge import Leverage, Move, filed_off, plan_move
from pitchbench.intonation.classify import (
    NEAR_CENTS,
    OUT_OF_TUNE_CENTS,
    LeftOut,
    Sounded,
    Told,
    tell_apart,
)
from pitchbench.intonation.deciding import WORTH_SAYING, judge
from pitchbench.intonation.harmonics import LIKELIER, touched_takes
from pitchbench.intonation.knowledge import BENT_SHARE, Density, Knowledge, from_takes, mean_of
from pitchbench.intonation.offset import DEFAULT_PRIOR, Offset, estimate_offset
from pitchbench.intonation.pairs import compare_partials, disagreement_words
from pitchbench.intonation.take import Take
from pitchbench.intonation.verdict import Decision, Notice, Verdict
from pitchbench.notes import Note, nearest_note, ordinal
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.units import cents_between, fret_ratio

#: A string that has settled loses a cent or two a minute (common practice, no source); by more than
#: this it slips.
_SLIPS_CENTS_PER_MIN: Final = 10.0

#: A fretted take is spoken of that is so likely bent: four times as likely as before it was heard.
_MAY_BE_BENT: Final = 4.0 * BENT_SHARE

#: A string that was named and sounds more than a semitone off is another one, or tuned otherwise.
_ANOTHER_STRING_CENTS: Final = 100.0


class NothingToCompareError(NoReadingError):
    """One of the two notes of a string was not heard.

    Parameters
    ----------
    what, remedy : as of any error.
    missing : which, without a full stop: "no reading of the open A2 string".
    """

    def __init__(self, what: str, remedy: str, *, missing: str) -> None:
        super().__init__(what, remedy)
        self.missing = missing


class Role(StrEnum):
    """What a pluck counts as."""

    OPEN = "open"
    FRETTED = "fretted"
    OTHER = "other"


@dataclass(frozen=True, eq=False)
class ComparedPluck(Heard):
    """One pluck and what it counts as; None until that is told.

    ``at_s`` is on one clock for all files, which are taken to follow one another; ``left_out`` says
    why it counts as neither note.
    """

    reading: Reading
    at_s: float
    role: Role | None
    left_out: LeftOut | None = None

    @property
    def counts(self) -> bool:
        """Whether it enters the comparison."""
        return self.role in {Role.OPEN, Role.FRETTED}

    def take(self, fret: int) -> Take:
        """As the statistics see it."""
        return Take.of(self.reading, fret=fret if self.role is Role.FRETTED else 0, at_s=self.at_s)


@dataclass(frozen=True, eq=False)
class LostPluck(Heard):
    """One pluck that was rejected."""

    reading: Rejected
    at_s: float


@dataclass(frozen=True, eq=False)
class Comparison:
    """Open against fretted, as it was heard: ``note`` is the open string, named or inferred;
    ``known`` is what the takes say, ``offset`` the same in numbers, ``p_touched_harmonic`` the
    probability that the fretted takes are touched harmonics."""

    a4_hz: float
    note: Note
    plucks: tuple[ComparedPluck | LostPluck, ...]
    offset: Offset
    known: Knowledge
    p_touched_harmonic: float

    def stray(self, pluck: ComparedPluck) -> bool:
        """Whether a take stands out from the rest of its group."""
        return pluck.counts and any(take.at_s == pluck.at_s for take in self.offset.stray)

    @property
    def likely_touched(self) -> bool:
        """Whether the fretted takes are likelier touched harmonics: they say nothing then."""
        return self.p_touched_harmonic >= LIKELIER

    @property
    def other_notes(self) -> bool:
        """Whether notes were heard that are neither of the two, as those of another string."""
        return any(
            isinstance(each, ComparedPluck) and each.left_out is LeftOut.ANOTHER_NOTE
            for each in self.plucks
        )

    @property
    def open_off_cents(self) -> float:
        """How far the open takes lie above the note of the string."""
        return cents_between(self.offset.open.mean_hz, self.note.hz(self.a4_hz))

    def p_bent(self, pluck: ComparedPluck) -> float:
        """Probability that a fretted take is no plain one, as those that are bent sharp: it counts
        so much less. 1 of takes that nothing later agrees with, 0 of all that are not fretted."""
        at = sorted(
            each.at_s
            for each in self.plucks
            if isinstance(each, ComparedPluck) and each.role is Role.FRETTED
        )
        if pluck.role is not Role.FRETTED:
            return 0.0
        from_last, p_bent = at[::-1].index(pluck.at_s), self.known.p_bent[::-1]
        return p_bent[from_last] if from_last < len(p_bent) else 1.0

    def bent(self, *, sure: bool) -> list[ComparedPluck]:
        """The fretted takes that are bent, or those that may be: they hardly count, or less."""
        low, high = (WORTH_SAYING, 1.0) if sure else (_MAY_BE_BENT, WORTH_SAYING)
        settled = [each for each in self.plucks if isinstance(each, ComparedPluck)]
        return [each for each in settled if low < self.p_bent(each) <= high]

    def off_cents(self, pluck: ComparedPluck) -> float:
        """Open and other notes from the nearest note, fretted ones from the open mean and the
        fret."""
        if pluck.role is Role.FRETTED:
            octave = cents_between(pluck.reading.pitch_hz, self.offset.open.mean_hz)
            return octave - 100.0 * self.offset.fret
        if pluck.role is Role.OPEN:
            return cents_between(pluck.reading.pitch_hz, self.note.hz(self.a4_hz))
        return nearest_note(pluck.reading.pitch_hz, self.a4_hz)[1]


@dataclass(frozen=True, eq=False)
class JudgedOffset(Comparison):
    """A comparison, and whether it is good enough."""

    verdict: Verdict


@dataclass(frozen=True, eq=False)
class OffsetResult(JudgedOffset):
    """A judged comparison, and what it comes to on an instrument.

    Parameters
    ----------
    move : None unless the verdict is to move.
    assumed : in words, what nobody said of the instrument.
    mean : what the strings on its saddle come to together, of which the verdict is then; None where
        it was judged by itself.
    moved_mm : the saddle's travel until now, since the instrument's record was made.
    waits_for : the strings on its saddle of which nothing is known yet.
    """

    instrument: Instrument
    move: Move | None
    assumed: tuple[str, ...] = ()
    mean: Belief | None = None
    moved_mm: float = 0.0
    waits_for: tuple[int, ...] = ()

    @property
    def p_within(self) -> float:
        """Probability that the string's own offset lies within the tolerance; the verdict's is that
        of the ``mean``."""
        own, within = self.known.offset, self.verdict.tolerance_cents
        return self.verdict.p_within if own is None else own.within(-within, within)

    @property
    def left_at_best_cents(self) -> float | None:
        """What stays on the string where the mean of its saddle is set right, which is all that a
        move of it cures; None where that mean is not known."""
        if self.mean is None or self.waits_for or self.likely_touched:
            return None
        return self.offset.offset_cents - self.mean.centre

    @property
    def neck_fret(self) -> int:
        """The fret of the neck at which the fretted note was stopped."""
        return self.instrument.neck_fret(self.instrument.number_of(self.note), self.offset.fret)


def compare(
    sounds: Iterable[Plucks],
    roles: Sequence[Role | None],
    *,
    string: Note | None = None,
    fret: int = 12,
    a4_hz: float,
) -> Comparison:
    """How far the fretted note is off.

    Parameters
    ----------
    sounds : recordings of one string, taken to follow one another.
    roles : what each of them holds alone; None where its plucks are to be told apart by pitch.
    string : the open note; None where it is to be inferred.

    Raises
    ------
    NothingToCompareError
        If either note is missing.
    """
    plucks = on_one_clock(sounds, roles)
    return compare_plucks(plucks, string=string, fret=fret, a4_hz=a4_hz)


def compare_plucks(
    plucks: Sequence[ComparedPluck | LostPluck],
    *,
    string: Note | None = None,
    fret: int = 12,
    a4_hz: float,
) -> Comparison:
    """As `compare`, of plucks that are on one clock already, each with the role that was said."""
    open_hz = None if string is None else string.hz(a4_hz)
    heard = _in_roles(plucks, fret=fret, open_hz=open_hz)
    heard, p_touched = _without_harmonics(heard, fret)
    takes = [each.take(fret) for each in heard if isinstance(each, ComparedPluck) and each.counts]
    means = estimate_offset(takes, fret=fret, prior=DEFAULT_PRIOR)
    compared = compare_partials(takes, fret=fret)
    known = replace(from_takes(compared.takes, fret=fret), choice_u_cents=compared.u_cents)
    if means is None or known.offset is None:
        raise _nothing_to_compare(heard, string, fret, a4_hz)
    offset = replace(
        means,
        belief=known.offset.belief,
        pairs=compared.pairs,
        drift_taken_off_cents=known.drift_cents,
    )
    note = string or nearest_note(offset.open.mean_hz, a4_hz)[0]
    return Comparison(a4_hz, note, heard, offset, known, p_touched)


def judged(
    comparison: Comparison,
    *,
    tolerance_cents: float,
    beside: Sequence[Density] = (),
    filed: bool = False,
    reach_cents: tuple[float, float] = (-math.inf, math.inf),
) -> JudgedOffset:
    """Whether to leave it, to move the saddle, or to take more; by the mean with the offsets of the
    strings ``beside`` it on its saddle, as a session does; ``filed`` and ``reach_cents`` as of
    `judge`."""
    verdict = judge(
        comparison.known,
        tolerance_cents=tolerance_cents,
        beside=beside,
        filed=filed,
        reach_cents=reach_cents,
    )
    assert verdict is not None
    verdict = replace(
        verdict, notices=tuple(dict.fromkeys((*verdict.notices, *_noticed(comparison))))
    )
    if comparison.likely_touched:  # how many more takes decide it is not known: it is the hand
        verdict = replace(verdict, decision=Decision.TAKE_MORE, border=False, plucks_to_go=None)
    return JudgedOffset(**vars(comparison), verdict=verdict)


def _noticed(comparison: Comparison) -> list[Notice]:
    """What stands out in recordings: any of their takes may be bent, not only the one just played,
    and who played them tuned no string as a session asks for."""
    slips = abs(comparison.offset.drift_cents_per_min or 0.0) > _SLIPS_CENTS_PER_MIN
    seen = {
        Notice.BENT: any(comparison.bent(sure=True)),
        Notice.MAY_BE_BENT: any(comparison.bent(sure=False)),
        Notice.SLIPPING: slips,
        Notice.OUT_OF_TUNE: abs(comparison.open_off_cents) > _ANOTHER_STRING_CENTS,
        Notice.PARTIALS_DISAGREE: bool(disagreement_words(comparison.offset.pairs)),
    }
    return [notice for notice, is_seen in seen.items() if is_seen]


def decide(
    comparison: Comparison,
    instrument: Instrument,
    *,
    assumed: tuple[str, ...] = (),
    beside: Sequence[Density] = (),
    filed_mm: Sequence[float] = (),
) -> OffsetResult:
    """Whether to move the saddle of ``instrument``, and how far; ``beside`` as in `judged`,
    ``filed_mm`` what was filed off its break points before, string 1 first.

    Raises
    ------
    PitchbenchError
        If no place of the saddle cures such an offset.
    """
    string = instrument.number_of(comparison.note)
    within = instrument.tolerance_of(string)
    filed = instrument.bridge.is_filed
    if not string:  # the setback on record is then of some other string
        instrument = replace(instrument, setback_mm=())
    moved_mm = filed_off(filed_mm, string)
    reach_cents = Leverage(instrument, string, comparison.offset.fret, moved_mm).reach_cents()
    found = judged(
        comparison, tolerance_cents=within, beside=beside, filed=filed, reach_cents=reach_cents
    )
    own = comparison.known.offset
    mean = mean_of(own, *beside).belief if own is not None and beside else None
    result = OffsetResult(
        **vars(found),
        instrument=instrument,
        move=None,
        mean=mean,
        assumed=assumed,
        moved_mm=moved_mm,
    )
    return decided(result, found.verdict.decision)


def decided(result: OffsetResult, decision: Decision) -> OffsetResult:
    """``result`` with this decision, and its move where there is one to make."""
    if decision is not result.verdict.decision:
        result = replace(result, verdict=replace(result.verdict, decision=decision, border=False))
    move = _planned(result) if decision is Decision.MOVE else None
    return replace(result, move=move)


def waiting(result: OffsetResult, strings: tuple[int, ...]) -> OffsetResult:
    """``result`` of a saddle that waits for these strings: takes of its own do not decide it."""
    verdict = replace(
        result.verdict,
        decision=Decision.TAKE_MORE,
        border=False,
        p_moved=None,
        plucks_to_go=None,
    )
    return replace(result, verdict=verdict, move=None, waits_for=strings)


def on_one_clock(
    listened: Iterable[Plucks], roles: Sequence[Role | None]
) -> list[ComparedPluck | LostPluck]:
    """Every pluck with the role that was said of its file, None where nothing was said."""
    heard: list[ComparedPluck | LostPluck] = []
    began_s = 0.0
    for sound, role in zip(listened, roles, strict=True):
        heard += [
            LostPluck(sound.source, r, began_s + r.onset_s)
            if isinstance(r, Rejected)
            else ComparedPluck(sound.source, r, began_s + r.onset_s, role)
            for r in sound.readings
        ]
        began_s += sound.length_s
    return heard


def _in_roles(
    heard: Sequence[ComparedPluck | LostPluck], *, fret: int, open_hz: float | None
) -> tuple[ComparedPluck | LostPluck, ...]:
    """What each pluck is; ``open_hz`` is the named open note's pitch, None if none was named."""
    settled = [each for each in heard if isinstance(each, ComparedPluck)]
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

    def in_role(each: ComparedPluck) -> ComparedPluck:
        place = told[id(each)]
        role = Role.OTHER if place.fret is None else Role.FRETTED if place.fret else Role.OPEN
        return replace(each, role=role, left_out=place.left_out)

    return tuple(in_role(each) if isinstance(each, ComparedPluck) else each for each in heard)


def _without_harmonics(
    heard: tuple[ComparedPluck | LostPluck, ...], fret: int
) -> tuple[tuple[ComparedPluck | LostPluck, ...], float]:
    """Fretted takes that are touched harmonics of the open string do not count.

    Returns the plucks, and the probability that the fretted ones are such.
    """
    settled = [each for each in heard if isinstance(each, ComparedPluck)]
    takes = [each.reading for each in settled if each.role is Role.FRETTED]
    opens = [each.reading for each in settled if each.role is Role.OPEN]
    found = touched_takes(takes, opens, fret=fret)
    left_out = {id(takes[k]) for k in found.which}
    heard = tuple(
        replace(each, role=Role.OTHER, left_out=LeftOut.TOUCHED_HARMONIC)
        if isinstance(each, ComparedPluck) and id(each.reading) in left_out
        else each
        for each in heard
    )
    return heard, found.probability


def _said_open_hz(said: Sequence[ComparedPluck], fret: int) -> float | None:
    """The open pitch by the plucks of which it was said what they are; None if there are none."""
    for role, ratio in ((Role.OPEN, 1.0), (Role.FRETTED, fret_ratio(fret))):
        pitches = [each.reading.pitch_hz / ratio for each in said if each.role is role]
        if pitches:
            return median(pitches)
    return None


def _fits(each: ComparedPluck, fret: int, open_hz: float | None) -> bool:
    """Whether a pluck can be the note that its file was said to hold."""
    assert open_hz is not None
    place_hz = open_hz * (fret_ratio(fret) if each.role is Role.FRETTED else 1.0)
    return abs(cents_between(each.reading.pitch_hz, place_hz)) <= NEAR_CENTS


def _nothing_to_compare(
    heard: Sequence[ComparedPluck | LostPluck], named: Note | None, fret: int, a4_hz: float
) -> NothingToCompareError:
    """What there is to say where nothing can be compared."""
    settled = [each for each in heard if isinstance(each, ComparedPluck)]
    have = {each.role for each in settled}
    string = "open string" if named is None else f"open {named} string"
    fretted = f"{ordinal(fret)} fret" + ("" if named is None else f" of the {named} string")
    if Role.OPEN in have:
        missing = f"no reading of the {fretted}"
    elif Role.FRETTED in have:
        missing = f"no reading of the {string}"
    else:
        missing = f"no reading of the {string} and none of the {ordinal(fret)} fret"
    counts = how_often(nearest_note(each.reading.pitch_hz, a4_hz)[0].name for each in settled)
    rejected = Counter(
        each.reading.reason.replace("_", " ") for each in heard if isinstance(each, LostPluck)
    )
    counts += [f"{count} rejected ({reason})" for reason, count in rejected.items()]
    if any(each.left_out is LeftOut.TOUCHED_HARMONIC for each in settled):
        return NothingToCompareError(
            f"There is {missing}: what sounds in its place is a harmonic of the open string, "
            f"touched and not pressed down; heard: {', '.join(counts)}.",
            f"Press the string down behind the {ordinal(fret)} fret, as in playing, and pluck it.",
            missing=missing,
        )
    return NothingToCompareError(
        f"There is {missing}; heard: {', '.join(counts)}." if counts else "No pluck was heard.",
        "Record both notes of one string, two seconds each; where the pitch does not tell them "
        "apart, say which is which with --open and --fretted.",
        missing=missing,
    )


def _planned(result: OffsetResult) -> Move:
    instrument, offset = result.instrument, result.offset
    string = instrument.number_of(result.note)
    if result.mean is not None:
        offset = replace(offset, belief=result.mean)
    move = plan_move(offset, instrument, string, moved_mm=result.moved_mm)
    return move.within_travel(offset.offset_cents, instrument.tolerance_of(string))
