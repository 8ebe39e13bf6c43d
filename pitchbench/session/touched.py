"""A harmonic touched where a note should be fretted, or taken for another string's: what is said.

Who touches the string at the 12th fret, instead of pressing it down, hears the same note and would
be told "leave it" whatever the saddle does. How sure it is comes from `intonation/harmonics.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pitchbench.intonation.harmonics import (
    BEFOREHAND,
    HARMONIC_AT_FRET,
    IN_DOUBT,
    ONCE_TOLD,
    TOUCHED_AT_FRET,
    touched_harmonic,
    touched_takes,
)
from pitchbench.pitch.reading import Reading
from pitchbench.session.log import Ignored, Log, SessionTake, TakeFate
from pitchbench.session.takes import in_this_tuning
from pitchbench.session.words import place
from pitchbench.units import cents_between

#: A harmonic is looked for within this of the just interval above the open string.
_NEAR_CENTS: Final = 60.0

#: A take less likely than this to be touched shows that its player presses the string down.
_FRETTED: Final = 0.5

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


def doubt(log: Log, reading: Reading, fret: int) -> Doubt:
    """Whether ``reading``, heard where ``fret`` is asked for on the current string, may count."""
    string = log.string
    here = [
        take
        for take in string.takes
        if (take.round, take.tuning) == (string.round, string.tuning) and take.fret is not None
    ]
    opens = _readings(in_this_tuning(string), 0)
    told = [take for take in here if take.cause is Ignored.TOUCHED_HARMONIC]
    refused = [take for take in told if take.fate is TakeFate.IGNORED]
    # What was refused still tells how the string sounds when this hand touches it.
    earlier = [take for take in here if take.fret == fret and take.fate is TakeFate.ACCEPTED]
    earlier += [take for take in refused if take.fret == fret]
    if fret not in HARMONIC_AT_FRET or not opens:
        return Doubt()
    has_fretted = bool(told) and any(
        _probability(take.reading, opens, fret) < _FRETTED
        for take in here
        if take.fret == fret and take.number > told[0].number and isinstance(take.reading, Reading)
    )
    found = touched_takes(
        [*_readings(earlier, fret), reading],
        opens,
        fret=fret,
        beforehand=ONCE_TOLD if has_fretted else BEFOREHAND,
    )
    if len(earlier) in found.which:
        again = len(refused) + 1 >= _SEEMS_PERFECT
        counted = [k for k, take in enumerate(earlier) if take.fate is TakeFate.ACCEPTED]
        struck = tuple(earlier[k].number for k in counted if k in found.which)
        why = _refused_words(log, fret, again)
        return Doubt(False, Ignored.TOUCHED_HARMONIC, why, struck)
    if len(refused) >= _SEEMS_PERFECT and not has_fretted and _sharper(reading, refused[-1]):
        why = "pressed harder, so it is fretted: now press as in playing"
        return Doubt(False, Ignored.PRESSED_HARDER, why)
    if found.probability >= IN_DOUBT and not told:
        return Doubt(True, Ignored.TOUCHED_HARMONIC, _question(log, fret))
    return Doubt()


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


def _probability(reading: Reading, opens: list[Reading], fret: int) -> float:
    return touched_takes([reading], opens, fret=fret).probability


def _readings(takes: tuple[SessionTake, ...] | list[SessionTake], fret: int) -> list[Reading]:
    return [t.reading for t in takes if t.fret == fret and isinstance(t.reading, Reading)]


def _sharper(reading: Reading, touched: SessionTake) -> bool:
    touched_hz = touched.reading.pitch_hz
    assert touched_hz is not None
    return cents_between(reading.pitch_hz, touched_hz) > _PRESSED_CENTS


def _refused_words(log: Log, fret: int, again: bool) -> str:
    where = place(log.setup, log.current, fret)
    what = f"a harmonic touched instead of fretted: press the string down at {where}"
    if not again:
        return what
    return f"{what}; if you do, press harder once, for a fretted note goes sharp then"


def _question(log: Log, fret: int) -> str:
    return (
        "Is that fretted, or a harmonic touched? It sounds as the open string's own would: press "
        f"the string down at {place(log.setup, log.current, fret)}"
    )
