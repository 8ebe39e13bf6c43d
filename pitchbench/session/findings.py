"""What the sound and the outcome of moves say of faults: nothing that only a rehearsal knows."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from statistics import median
from typing import Final

from pitchbench.belief import Belief, half_figures
from pitchbench.intonation.response import Effect, effect, fell_short_mm
from pitchbench.pitch.reading import Reading
from pitchbench.session import saddles
from pitchbench.session.log import Log, Outcome, StringState
from pitchbench.session.words import cents_words, place
from pitchbench.strings.faults import Fault

#: Partials farther off the law of a stiff string than this, the second to the sixth, rms in cents,
#: are those of no ordinary string: in twenty notes of real guitars and basses it was 0.7 to 9.8
#: (the set of docs/accuracy.md). A body pulls partials off the law as well, so less says nothing.
_OFF_LAW_CENTS: Final = 12.0

#: A fretted note dies about twice as fast as the open one; a dead one so many times, and within so
#: many seconds to 1/e (common practice, no source; no real one of the twenty notes was so quick).
_DEAD_RATIO: Final = 5.0
_DEAD_S: Final = 0.3

#: Slack that an ordinary screw has: a quarter of a turn (common practice, no source).
_SLACK_MM: Final = 0.125

_FEWEST_TAKES: Final = 2
_FEWEST_MOVES: Final = 2

#: So many standard uncertainties make it sure.
_SURE_SIGMAS: Final = 2.5


@dataclass(frozen=True)
class Finding:
    """A sign of a fault; ``string`` is None where it is of the whole instrument."""

    fault: Fault
    string: int | None
    words: str


def findings(log: Log) -> tuple[Finding, ...]:
    """Every sign of a fault that a session shows, strings first."""
    found = [finding for string in log.strings for finding in _of_string(log, string)]
    lost = _lost(log) if log.setup.instrument.bridge.screw_pitch_mm else None
    if lost is not None and lost.centre - _SURE_SIGMAS * lost.u > _SLACK_MM:
        words = (
            f"the first turns move nothing: {lost.centre:.1f} ± {half_figures(lost.half())} mm are "
            "lost before the saddles follow; end every move in the same direction"
        )
        found.append(Finding(Fault.BACKLASH, None, words))
    return tuple(found)


def _lost(log: Log) -> Belief | None:
    """How much less far than told the saddles went where a screw was, or may have been, turned
    back: the mean over all such moves."""
    made = [move for string in log.strings for move in saddles.made_moves(log, string)]
    turned_back = [move for move in made if move.reversed is not False]
    short = [fell_short_mm(move, log.setup.instrument) for move in turned_back]
    # One that went the other way is another matter.
    short = [
        each
        for each, move in zip(short, turned_back, strict=True)
        if each.centre - _SURE_SIGMAS * each.u < abs(move.screw_mm)
    ]
    if len(short) < _FEWEST_MOVES:
        return None
    weight = [each.u**-2.0 for each in short]
    centre = math.fsum(w * each.centre for w, each in zip(weight, short, strict=True)) / sum(weight)
    return Belief.normal(centre, sum(weight) ** -0.5)


def _of_string(log: Log, string: StringState) -> Iterator[Finding]:
    instrument, number = log.setup.instrument, string.number
    response = saddles.learned(log, but=number)
    for made in saddles.made_moves(log, string):
        did = effect(made, instrument, response, tolerance_cents=string.tolerance_cents)
        if made.other_way or did in (Effect.OTHER_WAY, Effect.WORSE):
            values = f"{cents_words(made.before)} before, {cents_words(made.after)} after"
            words = f"its saddle went the other way than advised ({values})"
            yield Finding(Fault.WRONG_WAY, number, words)
    opens, fretteds = (_readings(string, fret) for fret in (0, log.setup.fret))
    off_law_cents = max(map(_off_law_cents, (opens, fretteds)))
    if off_law_cents > _OFF_LAW_CENTS:
        words = (
            f"its partials lie {off_law_cents:.0f} cents off those of an even string: it is old, "
            "damaged or badly made; fit another before anything is set"
        )
        yield Finding(Fault.OLD_STRING, number, words)
    elif string.outcome is Outcome.DOES_NOT_SETTLE:
        yield Finding(Fault.OLD_STRING, number, "it does not settle: old, damaged or badly wound")
    open_s, fretted_s = (_decay_s(readings) for readings in (opens, fretteds))
    if open_s is not None and fretted_s is not None:
        ratio = open_s / fretted_s
        if fretted_s < _DEAD_S and ratio > _DEAD_RATIO:
            causes = (
                "a soft finger, or a dead spot of the neck, which is"
                if instrument.fretless
                else "a worn or loose fret, a string that touches the next one, or a dead spot of "
                "the neck;"
            )
            words = (
                f"at {place(log.setup, number)} it dies {ratio:.0f} times as fast as open: "
                f"{causes} for a qualified repairer"
            )
            yield Finding(Fault.DEAD_FRET, number, words)


def _readings(string: StringState, fret: int) -> list[Reading]:
    takes = (take for take in string.accepted if take.fret == fret)
    return [take.reading for take in takes if isinstance(take.reading, Reading)]


def _off_law_cents(readings: list[Reading]) -> float:
    """How far the partials of a note lie off the law, rms; 0 where too little was heard."""
    low = [[p.law_cents for p in r.partials if 2 <= p.number <= 6] for r in readings]
    rms = [math.hypot(*cents) / math.sqrt(len(cents)) for cents in low if len(cents) > 2]
    return median(rms) if len(rms) >= _FEWEST_TAKES else 0.0


def _decay_s(readings: list[Reading]) -> float | None:
    """How long the first partial takes to fall to 1/e."""
    decays = [r.partials[0].decay_s for r in readings if r.partials and r.partials[0].number == 1]
    known = [decay for decay in decays if decay is not None]
    return median(known) if len(known) >= _FEWEST_TAKES else None
