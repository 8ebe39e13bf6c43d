"""Recordings of open and fretted plucks to an offset, a verdict and a saddle move."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import median

from pitchbench.analysis.listening import Heard, Listened
from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.intonation.bridge import Move, plan_move
from pitchbench.intonation.classify import NEAR_CENTS, OUT_OF_TUNE_CENTS, Sounded, tell_apart
from pitchbench.intonation.deciding import judge
from pitchbench.intonation.knowledge import Knowledge, from_takes
from pitchbench.intonation.offset import DEFAULT_PRIOR, Offset, Take, estimate_offset
from pitchbench.intonation.verdict import Decision, Verdict
from pitchbench.notes import Note, nearest_note, ordinal
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.units import cents_between, fret_ratio


class Role(StrEnum):
    """What a pluck counts as."""

    OPEN = "open"
    FRETTED = "fretted"
    OTHER = "other"


@dataclass(frozen=True, eq=False)
class ComparedPluck(Heard):
    """One pluck and what it counts as; None until that is told.

    ``at_s`` is on one clock for all files, which are taken to follow one another.
    """

    reading: Reading
    at_s: float
    role: Role | None

    @property
    def counts(self) -> bool:
        """Whether it enters the comparison."""
        return self.role in {Role.OPEN, Role.FRETTED}

    def take(self, fret: int) -> Take:
        """As the statistics see it."""
        return Take(
            fret if self.role is Role.FRETTED else 0,
            self.reading.pitch_hz,
            self.reading.u_cents,
            self.at_s,
        )


@dataclass(frozen=True, eq=False)
class LostPluck(Heard):
    """One pluck that was rejected."""

    reading: Rejected
    at_s: float


@dataclass(frozen=True, eq=False)
class Comparison:
    """Open against fretted, as it was heard: ``note`` is the open string, named or inferred;
    ``known`` is what the takes say, ``offset`` the same in numbers."""

    a4_hz: float
    note: Note
    plucks: tuple[ComparedPluck | LostPluck, ...]
    offset: Offset
    known: Knowledge

    def stray(self, pluck: ComparedPluck) -> bool:
        """Whether a take stands out from the rest of its group."""
        return pluck.counts and any(take.at_s == pluck.at_s for take in self.offset.stray)

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
class OffsetResult(Comparison):
    """A comparison, and what it comes to on an instrument.

    Parameters
    ----------
    move : None unless the verdict is to move.
    assumed : in words, what nobody said of the instrument.
    """

    instrument: Instrument
    verdict: Verdict
    move: Move | None
    assumed: tuple[str, ...] = ()


def compare(
    sounds: Iterable[Listened],
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
    PitchbenchError
        If either note is missing.
    """
    heard = _in_roles(
        _on_one_clock(sounds, roles),
        fret=fret,
        open_hz=None if string is None else string.hz(a4_hz),
    )
    takes = [each.take(fret) for each in heard if isinstance(each, ComparedPluck) and each.counts]
    means = estimate_offset(takes, fret=fret, prior=DEFAULT_PRIOR)
    known = from_takes(takes, fret=fret)
    if means is None or known.offset is None:
        raise _nothing_to_compare(heard, string, fret, a4_hz)
    offset = replace(means, belief=known.offset.belief)
    note = string or nearest_note(offset.open.mean_hz, a4_hz)[0]
    return Comparison(a4_hz, note, heard, offset, known)


def decide(
    comparison: Comparison,
    instrument: Instrument,
    *,
    tolerance_cents: float | None = None,
    assumed: tuple[str, ...] = (),
) -> OffsetResult:
    """Whether to move the saddle of ``instrument``, and how far; by its own tolerance unless given.

    Raises
    ------
    PitchbenchError
        If no place of the saddle cures such an offset.
    """
    within_cents = instrument.tolerance_cents if tolerance_cents is None else tolerance_cents
    verdict = judge(comparison.known, tolerance_cents=within_cents)
    assert verdict is not None
    move = _planned(comparison, instrument) if verdict.decision is Decision.MOVE else None
    c = comparison
    return OffsetResult(
        c.a4_hz, c.note, c.plucks, c.offset, c.known, instrument, verdict, move, assumed
    )


def _on_one_clock(
    listened: Iterable[Listened], roles: Sequence[Role | None]
) -> list[ComparedPluck | LostPluck]:
    """Every pluck with the role that was said of its file, None where nothing was said."""
    heard: list[ComparedPluck | LostPluck] = []
    began_s = 0.0
    for sound, role in zip(listened, roles, strict=True):
        heard += [
            LostPluck(str(sound.path), r, began_s + r.onset_s)
            if isinstance(r, Rejected)
            else ComparedPluck(str(sound.path), r, began_s + r.onset_s, role)
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
    frets = tell_apart(
        [Sounded(e.reading.pitch_hz, e.reading.stiffness_b) for e in untold],
        fret=fret,
        open_hz=place_hz or open_hz,
    )
    told = dict(zip(map(id, untold), frets, strict=True))

    def role_of(each: ComparedPluck) -> Role:
        if each.role is not None:
            return each.role if _fits(each, fret, place_hz) else Role.OTHER
        place = told[id(each)]
        return Role.OTHER if place is None else Role.OPEN if place == 0 else Role.FRETTED

    return tuple(
        replace(each, role=role_of(each)) if isinstance(each, ComparedPluck) else each
        for each in heard
    )


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
) -> PitchbenchError:
    """Which note is missing, and what was heard instead."""
    settled = [each for each in heard if isinstance(each, ComparedPluck)]
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
        each.reading.reason.replace("_", " ") for each in heard if isinstance(each, LostPluck)
    )
    counts += [f"{count} rejected ({reason})" for reason, count in rejected.items()]
    return PitchbenchError(
        f"There is {missing}; heard: {', '.join(counts) or 'no pluck at all'}.",
        "Record both notes of one string, two seconds each; where the pitch does not tell them "
        "apart, say which is which with --open and --fretted.",
        ExitCode.NO_READING,
    )


def _planned(comparison: Comparison, instrument: Instrument) -> Move:
    offset, note = comparison.offset, comparison.note
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
