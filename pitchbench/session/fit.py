"""Which string and which note a pluck fits, by its pitch, by what was asked and by stiffness."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from pitchbench.intonation.frets import BETWEEN_FRETS_CENTS
from pitchbench.notes import ordinal
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.session.log import Ignored, Log, Step, StringState
from pitchbench.session.takes import in_this_tuning, open_mean_hz
from pitchbench.session.words import place
from pitchbench.units import cents_between, fret_ratio

#: How far from its place a note may lie and still be that note: offsets of badly set saddles are
#: within it, the next semitone is not. Halved between the frets where the note asked is near.
NEAR_CENTS: Final = 80.0

#: How near another string's pitch a note must be to be taken for that string.
_OTHER_CENTS: Final = 50.0

#: The same while a string is brought up through the pitches of lower strings.
_OTHER_WHILE_TUNING_CENTS: Final = 10.0

#: How far off a string may be when the work starts.
_AS_FOUND_CENTS: Final = 300.0

#: How far off a string may be and still be taken for the one that is being tuned.
_SLACK_CENTS: Final = 1900.0
_OVER_CENTS: Final = 700.0

#: B ~ 1/L^2 makes the fretted note stiffer than the open one by gamma^2 (4 at the 12th fret). Less
#: than the square root of that is nearer to another open string's stiffness than to this one's.
_STIFFNESS_SHARE: Final = 0.5


class Kind(StrEnum):
    """What a pluck is taken for."""

    OPEN = "open"
    FRETTED = "fretted"
    OTHER = "another string"
    NOTHING = "nothing"


@dataclass(frozen=True)
class Match:
    """What a pluck is taken for; ``string`` is the string it fits, ``why`` and ``cause`` say why it
    does not, or is not the open note, of another string."""

    kind: Kind
    string: int
    why: str = ""
    cause: Ignored | None = None


def fit(log: Log, reading: Reading | Rejected) -> Match:
    """What ``reading`` is taken for in ``log``.

    While a string is being tuned almost any pitch may be that string. Once it is in tune, its own
    two notes come first, so that the octave of a C2 is not taken for an open C3 unless the note's
    stiffness says so.
    """
    if reading.pitch_hz is None:
        return Match(Kind.NOTHING, log.current, "no pitch could be measured")
    if log.tuned:
        found = _fit_tuned(log, reading.pitch_hz, reading.stiffness_b)
    else:
        found = fit_tuning(log, reading.pitch_hz)
    if found.kind is Kind.NOTHING and (other := _fretted_elsewhere(log, reading.pitch_hz)):
        why = f"another string ({other}, at {place(log.setup, other)}): play it open to go there"
        return Match(Kind.OTHER, other, why)
    return found


def _fretted_elsewhere(log: Log, pitch_hz: float) -> int | None:
    """The string whose fretted note this is, if the pluck before was of that string: whoever works
    there plays both notes in turn, and never the open one twice in a row."""
    last, fret = log.just_ignored, log.setup.fret
    if last is None or last.cause is not Ignored.ANOTHER_STRING:
        return None
    fretted_hz = log.setup.open_hz(last.string) * fret_ratio(fret)
    near = abs(cents_between(pitch_hz, fretted_hz)) <= _near_cents(fret)
    return last.string if near else None


def fit_live(log: Log, pitch_hz: float) -> Match:
    """What a note that still rings is taken for; its stiffness is not known yet."""
    return _fit_tuned(log, pitch_hz, None) if log.tuned else fit_tuning(log, pitch_hz)


def fit_tuning(log: Log, pitch_hz: float) -> Match:
    """What a pitch is taken for while the string is being tuned."""
    number = log.current
    off_cents = cents_between(pitch_hz, log.setup.open_hz(number))
    if abs(off_cents) <= NEAR_CENTS:
        return Match(Kind.OPEN, number)
    moved = log.step in (Step.MOVE, Step.RETUNE)
    other = _other_open(log, pitch_hz, _OTHER_WHILE_TUNING_CENTS if moved else _OTHER_CENTS)
    if other is not None:
        return Match(Kind.OTHER, other)
    if abs(off_cents - 100.0 * log.setup.fret) <= _near_cents(log.setup.fret):
        played = place(log.setup, number)
        why = f"{played} instead of the open string: bring the open string in tune first"
        return Match(Kind.NOTHING, number, why, Ignored.FRETTED_TOO_EARLY)
    lowest = _AS_FOUND_CENTS if log.step is Step.BEFORE else _SLACK_CENTS
    highest = _AS_FOUND_CENTS if log.step is Step.BEFORE else _OVER_CENTS
    if -lowest <= off_cents <= highest:
        return Match(Kind.OPEN, number)
    why = f"no note of this instrument: pluck string {number} alone"
    return Match(Kind.NOTHING, number, why, Ignored.NO_NOTE_OF_IT)


def _fit_tuned(log: Log, pitch_hz: float, stiffness_b: float | None) -> Match:
    number, fret, string = log.current, log.setup.fret, log.string
    open_hz = open_mean_hz(in_this_tuning(string)) or log.setup.open_hz(number)
    near_cents = _near_cents(fret)
    if abs(cents_between(pitch_hz, open_hz)) <= near_cents:
        return Match(Kind.OPEN, number)
    other = _other_open(log, pitch_hz, _OTHER_CENTS)
    if abs(cents_between(pitch_hz, open_hz * fret_ratio(fret))) <= near_cents:
        if other is not None and _not_stiff_enough(string, fret, stiffness_b):
            return Match(Kind.OTHER, other)
        return Match(Kind.FRETTED, number)
    if other is not None:
        return Match(Kind.OTHER, other)
    return _no_note_asked_for(log, cents_between(pitch_hz, open_hz))


def _no_note_asked_for(log: Log, cents: float) -> Match:
    """A note ``cents`` above the open string that is neither of its two: which fret is it of?"""
    number, setup = log.current, log.setup
    fret = round(cents / 100.0)
    if not 0 < fret <= setup.instrument.frets or abs(cents - 100.0 * fret) > BETWEEN_FRETS_CENTS:
        why = f"no note of this string: pluck string {number} alone"
        return Match(Kind.NOTHING, number, why, Ignored.NO_NOTE_OF_IT)
    neck_fret = setup.instrument.neck_fret(number, setup.fret)
    asked = "open string" if log.wanted_fret == 0 else ordinal(neck_fret)
    remedy = "pluck it open" if log.wanted_fret == 0 else "count the frets once more"
    why = f"{place(setup, number, fret)} instead of the {asked}: {remedy}"
    return Match(Kind.NOTHING, number, why, Ignored.ANOTHER_FRET)


def _near_cents(fret: int) -> float:
    return min(NEAR_CENTS, 50.0 * fret)


def _other_open(log: Log, pitch_hz: float, within_cents: float) -> int | None:
    """The other string whose open note lies nearest, if it lies within ``within_cents``."""
    distances = {
        s.number: abs(cents_between(pitch_hz, log.setup.open_hz(s.number)))
        for s in log.strings
        if s.number != log.current
    }
    if not distances:
        return None
    # Two strings of a course sound alike: the one that is still to be done is meant.
    done = {s.number: s.outcome is not None for s in log.strings}
    nearest = min(distances, key=lambda number: (distances[number], done[number]))
    return nearest if distances[nearest] <= within_cents else None


def _not_stiff_enough(string: StringState, fret: int, stiffness_b: float | None) -> bool:
    """Whether the note is too supple to be this string fretted; False where nothing is known."""
    open_bs = [
        t.reading.stiffness_b for t in string.in_this_round if t.fret == 0 and t.reading.stiffness_b
    ]
    if not open_bs or not stiffness_b:
        return False
    open_b = sorted(open_bs)[len(open_bs) // 2]
    return stiffness_b < _STIFFNESS_SHARE * fret_ratio(fret) ** 2 * open_b
