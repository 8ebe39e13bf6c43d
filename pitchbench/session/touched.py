"""A harmonic touched where a note should be fretted, or taken for another string's: what is said.

Who touches the string at the 12th fret, instead of pressing it down, hears the same note and would
be told "leave it" whatever the saddle does. How sure it is comes from `intonation/harmonics.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pitchbench.intonation.harmonics import (
    BEFOREHAND,
    HARMONIC_AT_FRET,
    IN_DOUBT,
    LIKELIER,
    ONCE_TOLD,
    TOUCHED_AT_FRET,
    touched_harmonic,
    touched_takes,
)
from pitchbench.pitch.reading import Reading
from pitchbench.session.log import Ignored, Log, SessionTake, StringState, TakeFate
from pitchbench.session.takes import in_this_tuning
from pitchbench.session.words import place
from pitchbench.units import cents_between

#: A harmonic is looked for within this of the just interval above the open string.
_NEAR_CENTS: Final = 60.0

#: A take less likely than this to be touched shows that its player presses the string down.
_FRETTED: Final = 0.5

#: What shows that a string was pressed down all the same.
_WAY_OUT: Final = "; if you do, press harder once, for a fretted note goes sharp then"

#: A string touched so often in a row, as it seems, may be fretted and set perfectly: a way out is
#: said, to press harder. A fretted note is then sharper by this at least.
_SEEMS_PERFECT: Final = 2
_PRESSED_CENTS: Final = 1.0


@dataclass(frozen=True)
class Doubt:
    """Whether a take that should be fretted may be a touched harmonic.

    ``counts`` tells whether it may enter an average, ``struck`` which takes before it may no more;
    ``why`` is what is said, empty where there is no doubt.
    """

    counts: bool = True
    cause: Ignored | None = None
    why: str = ""
    struck: tuple[int, ...] = ()


def doubt(log: Log, reading: Reading, fret: int, *, once: bool = False) -> Doubt:
    """Whether ``reading``, heard where ``fret`` is asked for on the current string, may count; what
    counts and yet no advice may rest on is said each time, or with ``once`` asked about once."""
    string = log.string
    here = _in_tuning(string, string.tuning)
    opens = _readings(in_this_tuning(string), 0)
    told = _told(here)
    refused = [take for take in told if take.fate is TakeFate.IGNORED]
    accepted = [take for take in here if take.fret == fret and take.fate is TakeFate.ACCEPTED]
    # What was refused still tells how the string sounds when this hand touches it.
    earlier = accepted + [take for take in refused if take.fret == fret]
    if fret not in HARMONIC_AT_FRET or not opens:
        return Doubt()
    where = place(log.setup, log.current, fret)
    has_fretted = _has_fretted(here, opens, fret)
    found = touched_takes(
        [*_readings(earlier, fret), reading],
        opens,
        fret=fret,
        beforehand=ONCE_TOLD if has_fretted else BEFOREHAND,
    )
    if len(earlier) in found.which:
        counted = [k for k, take in enumerate(earlier) if take.fate is TakeFate.ACCEPTED]
        struck = tuple(earlier[k].number for k in counted if k in found.which)
        why = f"a harmonic touched instead of fretted: press the string down at {where}"
        why += _WAY_OUT * (len(refused) + 1 >= _SEEMS_PERFECT)
        return Doubt(False, Ignored.TOUCHED_HARMONIC, why, struck)
    asked_to = any(take.why.endswith(_WAY_OUT) for take in told)
    if asked_to and not has_fretted and _sharper(reading, told[-1]):
        why = "pressed harder, so it is fretted: now press as in playing"
        return Doubt(False, Ignored.PRESSED_HARDER, why)
    if found.probability >= IN_DOUBT and not told:
        why = (
            "Is that fretted, or a harmonic touched? It sounds as the open string's own would: "
            f"press the string down at {where}"
        )
        return Doubt(True, Ignored.TOUCHED_HARMONIC, why)
    counting = [*_readings(accepted, fret), reading]
    if not once and not has_fretted and _likely(counting, opens, fret):
        why = f"No advice rests on what sounds touched: press the string down at {where}{_WAY_OUT}"
        return Doubt(True, Ignored.TOUCHED_HARMONIC, why)
    return Doubt()


def likely_touched(log: Log, string: StringState) -> bool:
    """Whether the last fretted takes of ``string`` are likelier touched harmonics: then no advice
    rests on them. Who has pressed the string down since that was said is believed."""
    fret = log.setup.fret
    fretted = [take for take in string.in_this_round if take.fret == fret]
    if not fretted or fret not in HARMONIC_AT_FRET:
        return False
    here = _in_tuning(string, fretted[-1].tuning)
    counting = [take for take in here if take.fate is TakeFate.ACCEPTED]
    opens = _readings(counting, 0)
    return _likely(_readings(counting, fret), opens, fret) and not _has_fretted(here, opens, fret)


def shows_fretted(log: Log, reading: Reading, fret: int) -> bool:
    """Whether ``reading`` by itself shows that whoever plays presses the current string down."""
    opens = _readings(in_this_tuning(log.string), 0)
    return bool(opens) and _probability(reading, opens, fret) < _FRETTED


def of_the_open(log: Log, reading: Reading) -> str:
    """What is said of a harmonic of the current open string that would be taken for another string
    or for no note; nothing where it is none."""
    string = log.string
    opens = [
        take.reading
        for take in string.takes
        if take.round == string.round and take.fret == 0 and isinstance(take.reading, Reading)
    ][-1:]
    open_hz = opens[0].pitch_hz if opens else log.setup.open_hz(log.current)
    for number, fret in TOUCHED_AT_FRET.items():
        if abs(cents_between(reading.pitch_hz, number * open_hz)) > _NEAR_CENTS:
            continue
        found = touched_harmonic([reading], opens, number=number)
        if number in reading.undertones or (found and found.probability >= IN_DOUBT):
            stopped = f"press it at {place(log.setup, log.current)}"
            asked = stopped if log.wanted_fret else "pluck it open"
            where = f"{place(log.setup, log.current, fret)} of string {log.current}"
            return f"a harmonic touched at {where}: {asked}"
    return ""


def _in_tuning(string: StringState, tuning: int) -> list[SessionTake]:
    """The plucks of a known note since the saddle was last moved, in one tuning."""
    return [
        take
        for take in string.takes
        if (take.round, take.tuning) == (string.round, tuning) and take.fret is not None
    ]


def _told(here: Sequence[SessionTake]) -> list[SessionTake]:
    """The plucks of which it was said that they may be, or are, touched harmonics."""
    return [take for take in here if take.cause is Ignored.TOUCHED_HARMONIC]


def _has_fretted(here: Sequence[SessionTake], opens: list[Reading], fret: int) -> bool:
    """Whether one was fretted after that was said."""
    told = _told(here)
    return bool(told) and any(
        _probability(take.reading, opens, fret) < _FRETTED
        for take in here
        if take.fret == fret and take.number > told[0].number and isinstance(take.reading, Reading)
    )


def _likely(takes: list[Reading], opens: list[Reading], fret: int) -> bool:
    return touched_takes(takes, opens, fret=fret).probability >= LIKELIER


def _probability(reading: Reading, opens: list[Reading], fret: int) -> float:
    return touched_takes([reading], opens, fret=fret).probability


def _readings(takes: tuple[SessionTake, ...] | list[SessionTake], fret: int) -> list[Reading]:
    return [t.reading for t in takes if t.fret == fret and isinstance(t.reading, Reading)]


def _sharper(reading: Reading, touched: SessionTake) -> bool:
    touched_hz = touched.reading.pitch_hz
    assert touched_hz is not None
    return cents_between(reading.pitch_hz, touched_hz) > _PRESSED_CENTS
