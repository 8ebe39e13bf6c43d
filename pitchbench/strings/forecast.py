"""Forecasts of a change of strings, tuning, action or scale, before the work is begun.

The physics is that of ``strings/physics.py``. The end condition of a steel string lies between one
clamp and two, cores are seldom known and a finger is not a ruler; so the model is used for CHANGES,
anchored on a measured offset where there is one, and every expectation carries a range. The doubts
that make up that range are our judgement, written down in ``_doubts``.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from pitchbench.belief import Belief
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import BridgeKind, Instrument, Material, StringSpec, check_instrument
from pitchbench.intonation.bridge import LARGEST_OFFSET_CENTS, Leverage, Move, filed_off, setback_mm
from pitchbench.lengths import length_words
from pitchbench.notes import A4_HZ
from pitchbench.ranges import A4, FRET
from pitchbench.strings.materials import breaking_tension_n, string_properties
from pitchbench.strings.physics import (
    bending_parameter,
    cents_per_kelvin,
    glide_cents,
    inharmonicity,
    neck_of,
    offset_cents,
    stretch_stiffness,
    tension_n,
)

#: The pluck by which attack sharpness is compared, mm.
PLUCK_MM: Final = 2.0

#: From these on a warning is given. The wire's share of its least breaking tension: a plain E4 on
#: a 648 mm scale stands at half of it, whatever its gauge. The rest: common practice, no source.
_NEAR_BREAKING: Final = 0.7
_MUCH_SLACKER: Final = 0.75
_MUCH_TIGHTER: Final = 1.25
_RELIEF_SHIFTS: Final = 0.05
_FLOAT_SHIFTS: Final = 0.01
_NUT_SLOT_MM: Final = 0.08


class Hazard(StrEnum):
    """A danger that a forecast warns of."""

    BREAKING = "near_breaking"
    SLACK = "much_slacker"
    TIGHT = "much_tighter"
    TRAVEL = "travel_too_short"
    NOT_BY_SADDLE = "not_by_the_saddle"
    NUT_SLOT = "nut_slot_too_narrow"
    RELIEF = "relief_will_shift"
    FLOAT = "float_will_shift"


@dataclass(frozen=True)
class Warned:
    """One warning: of what, and in words with what to do."""

    hazard: Hazard
    text: str


@dataclass(frozen=True)
class StringCondition:
    """One string as tuned.

    Parameters
    ----------
    spec : note and make.
    scale_mm : nominal length from its nut to the saddle.
    tension_n : tension in newtons.
    breaking_share : tension over the least at which the wire may break; None where not known.
    stretch_kappa : kappa = E A / T, by how much a strain is felt as tension.
    stiffness_b : inharmonicity B of the open string.
    attack_cents : how sharp a pluck of ``PLUCK_MM`` starts.
    kelvin_cents : how far it falls when it alone warms by one kelvin; None for nylon.
    """

    spec: StringSpec
    scale_mm: float
    tension_n: float
    breaking_share: float | None
    stretch_kappa: float
    stiffness_b: float
    attack_cents: float
    kelvin_cents: float | None


@dataclass(frozen=True)
class StringForecast:
    """The forecast for one string.

    Parameters
    ----------
    number : 1 is the highest.
    before, after : the string as it is and as it will be.
    change : expected change of the offset, in cents, with the saddle left where it is.
    measured : the offset that it starts from, in cents, if there is one.
    expected : the offset after the change; None where nothing was measured.
    move : the saddle move that brings the expected offset to nothing, or, without ``measured``,
        that takes back the change; None where no saddle could.
    warnings : what to mind on this string.
    """

    number: int
    before: StringCondition
    after: StringCondition
    change: Belief
    measured: Belief | None
    expected: Belief | None
    move: Move | None
    warnings: tuple[Warned, ...]


@dataclass(frozen=True)
class Forecast:
    """All strings, and what the change does to the instrument as a whole."""

    before: Instrument
    after: Instrument
    fret: int
    strings: tuple[StringForecast, ...]
    warnings: tuple[Warned, ...]

    @property
    def tension_before_n(self) -> float:
        """Pull of all strings as they are."""
        return sum(string.before.tension_n for string in self.strings)

    @property
    def tension_after_n(self) -> float:
        """Pull of all strings after the change."""
        return sum(string.after.tension_n for string in self.strings)


@dataclass(frozen=True)
class _Side:
    """Assumptions beyond the record about the instrument before or after the change.

    ``ends`` multiplies the stiffness's effect on the offset: 1 for one clamped end, 2 for two;
    ``load_bearing`` multiplies the diameter that pulls and bends; the rest adds millimetres.
    """

    ends: float
    load_bearing: float = 1.0
    modulus: float = 1.0
    finger_mm: float = 0.0
    nut_height_mm: float = 0.0
    action_mm: float = 0.0


def forecast(
    before: Instrument,
    after: Instrument,
    *,
    fret: int = 12,
    a4_hz: float = A4_HZ,
    anchors: Mapping[int, Belief] | None = None,
    filed_mm: Sequence[float] = (),
) -> Forecast:
    """What changing ``before`` into ``after`` will do, once neck and action are brought back to
    what is on record.

    Parameters
    ----------
    before, after : the same instrument, with as many strings.
    fret : where offsets are stated, 1 to 24.
    a4_hz : pitch of A4, 380 to 480 Hz.
    anchors : measured offsets at ``fret``, in cents, by string number.
    filed_mm : what was filed off the break points before, string 1 first, positive away from the
        nut; empty where nothing was.

    Raises
    ------
    PitchbenchError
        If the two are no instruments, or have different numbers of strings, or there is no such
        fret or A4.

    Notes
    -----
    Tension from pitch, length and mass; the offset from stretch and stiffness of the fretted
    string, its uncertainty by first-order propagation (docs/definitions.md, section 5).

    Examples
    --------
    >>> import pitchbench as pb
    >>> now = pb.preset("six-string")
    >>> made = pb.forecast(now, pb.with_gauges(now, "11 14 18 28w 38w 49w"))
    >>> made.tension_after_n > made.tension_before_n, len(made.strings)
    (True, 6)
    """
    check_instrument(before, after)
    FRET.check(whole=True, fret=fret)
    A4.check(a4_hz=a4_hz)
    if len(before.strings) != len(after.strings):
        raise PitchbenchError(
            f"The instrument has {len(before.strings)} strings before the change and "
            f"{len(after.strings)} after it.",
            "Give the same instrument, with as many strings.",
        )
    anchors = anchors or {}
    strings = tuple(
        _forecast_string(
            before,
            after,
            number,
            fret=fret,
            a4_hz=a4_hz,
            measured=anchors.get(number),
            moved_mm=filed_off(filed_mm, number),
        )
        for number in range(1, len(before.strings) + 1)
    )
    strings = tuple(_with_its_saddle(after, each, strings) for each in strings)
    strings = tuple(replace(each, warnings=tuple(_warnings_of_string(each))) for each in strings)
    made = Forecast(before, after, fret, strings, ())
    return replace(made, warnings=tuple(_warnings_of_instrument(made)))


def condition(instrument: Instrument, number: int, *, a4_hz: float = A4_HZ) -> StringCondition:
    """The string numbered ``number`` as it stands under tension."""
    spec = instrument.string(number)
    string = string_properties(spec)
    scale_mm = instrument.scale_of(number)
    tension = float(tension_n(string.mu_kg_per_m, spec.note.hz(a4_hz), scale_mm))
    kappa = float(stretch_stiffness(string, tension))
    b = bending_parameter(string, tension, scale_mm)
    breaking = breaking_tension_n(spec)
    return StringCondition(
        spec=spec,
        scale_mm=scale_mm,
        tension_n=tension,
        breaking_share=None if breaking is None else tension / breaking,
        stretch_kappa=kappa,
        stiffness_b=float(inharmonicity(b)),
        attack_cents=float(glide_cents(kappa, PLUCK_MM, scale_mm)),
        kelvin_cents=None if _is_nylon(spec) else float(cents_per_kelvin(kappa)),
    )


def _forecast_string(
    before: Instrument,
    after: Instrument,
    number: int,
    *,
    fret: int,
    a4_hz: float,
    measured: Belief | None,
    moved_mm: float,
) -> StringForecast:
    change = _offset_change(before, after, number, fret, a4_hz)
    expected = change
    if measured is not None:
        expected = _added(measured, change)
    return StringForecast(
        number=number,
        before=condition(before, number, a4_hz=a4_hz),
        after=condition(after, number, a4_hz=a4_hz),
        change=change,
        measured=measured,
        expected=expected if measured else None,
        move=_move(after, number, fret, expected, moved_mm),
        warnings=(),
    )


def _added(measured: Belief, change: Belief) -> Belief:
    """As wide as both together: never narrower than what was measured in a few takes."""
    centre, u = measured.centre + change.centre, math.hypot(change.u, measured.u)
    if math.isinf(measured.dof):
        return Belief.normal(centre, u)
    return Belief.matching(centre, u=u, half95=math.hypot(change.half(), measured.half()))


def _offset_change(
    before: Instrument, after: Instrument, number: int, fret: int, a4_hz: float
) -> Belief:
    """Expected change of the offset, its uncertainty by first-order propagation."""

    def change(one: _Side, other: _Side) -> float:
        return _modelled_offset(after, number, fret, a4_hz, other) - _modelled_offset(
            before, number, fret, a4_hz, one
        )

    sides = _assumed(before.string(number)), _assumed(after.string(number))
    expected = change(*sides)
    variance = sum(
        (change(*doubted) - expected) ** 2 for doubted in _doubts(before, after, number, *sides)
    )
    if _other_wire(before, after, number) or _other_sound(before, after, number):
        # No model is the instrument; and two strings of one packet are not quite the same.
        variance += (0.1 * expected) ** 2
        variance += 0.5**2 if _other_wire(before, after, number) else 0.0
    return Belief.normal(expected, math.sqrt(variance))


def _assumed(spec: StringSpec) -> _Side:
    """Nylon's measured stiffness fits one clamped end; steel lies between one and two."""
    return _Side(ends=1.0 if _is_nylon(spec) else 1.5)


def _doubts(
    before: Instrument, after: Instrument, number: int, one: _Side, other: _Side
) -> list[tuple[_Side, _Side]]:
    """Each thing that is not known, off by one standard deviation, on both sides or on one."""
    ends = 0.1 if _is_nylon(after.string(number)) else 0.29  # uniform from one clamp to two
    core = _core_doubt(before.string(number)), _core_doubt(after.string(number))
    doubts = [
        (replace(one, ends=one.ends + ends), replace(other, ends=other.ends + ends)),
        (replace(one, modulus=1.05), replace(other, modulus=1.05)),
        (replace(one, finger_mm=3.0), replace(other, finger_mm=3.0)),
        (replace(one, nut_height_mm=0.15), replace(other, nut_height_mm=0.15)),
        (replace(one, load_bearing=1.0 + core[0]), replace(other, load_bearing=1.0 + core[1])),
    ]
    if _other_wire(before, after, number):
        # Two wound strings have cores by much the same custom, but not quite.
        doubts += [
            (replace(one, load_bearing=1.0 + core[0] / 2.0), other),
            (one, replace(other, load_bearing=1.0 + core[1] / 2.0)),
        ]
    # A height not on record is guessed within 0.4 mm; a change of it is made within 0.1.
    height = 0.1 if before.action_mm is not None else 0.4
    doubts.append((replace(one, action_mm=height), replace(other, action_mm=height)))
    if before.action_mm != after.action_mm:
        doubts.append((one, replace(other, action_mm=0.1)))
    return doubts


def _core_doubt(spec: StringSpec) -> float:
    """Relative standard uncertainty of the diameter that pulls."""
    return 0.07 if spec.wound and spec.core_mm is None else 0.01


def _modelled_offset(
    instrument: Instrument, number: int, fret: int, a4_hz: float, side: _Side
) -> float:
    spec = instrument.string(number)
    string = string_properties(spec)
    tension = tension_n(string.mu_kg_per_m, spec.note.hz(a4_hz), instrument.scale_of(number))
    string = replace(
        string,
        axial_n=string.axial_n * side.modulus * side.load_bearing**2,
        bending_nm2=string.bending_nm2 * side.modulus * side.load_bearing**4,
    )
    neck = neck_of(instrument, number)
    neck = replace(
        neck,
        nut_height_mm=neck.nut_height_mm + side.nut_height_mm,
        # The action is halfway between nut and saddle: a higher nut needs a lower saddle for it.
        saddle_rise_mm=neck.saddle_rise_mm + 2.0 * (side.action_mm - side.nut_height_mm),
        finger_mm=neck.finger_mm + side.finger_mm,
    )
    return float(
        offset_cents(
            neck,
            fret,
            kappa=stretch_stiffness(string, tension),
            b=side.ends * bending_parameter(string, tension, neck.scale_mm),
            saddle_setback_mm=setback_mm(instrument, number),
        )
    )


def _is_nylon(spec: StringSpec) -> bool:
    return spec.material in (Material.NYLON, Material.SILVER_WOUND)


def _other_wire(before: Instrument, after: Instrument, number: int) -> bool:
    """Whether the string itself is another, not only its note."""
    one, other = (
        (spec.diameter_mm, spec.wound, spec.core_mm, spec.material)
        for spec in (before.string(number), after.string(number))
    )
    return one != other


def _other_sound(before: Instrument, after: Instrument, number: int) -> bool:
    """Whether its note or its length is another."""
    one, other = (
        (instrument.string(number).note, instrument.scale_of(number))
        for instrument in (before, after)
    )
    return one != other


def _move(
    instrument: Instrument, number: int, fret: int, offset: Belief, moved_mm: float
) -> Move | None:
    """The move that cancels ``offset``, or what of it may be filed; None where that is more than a
    saddle can be asked for."""
    range95 = offset.interval()
    if max(abs(end) for end in range95) > LARGEST_OFFSET_CENTS:
        return None
    leverage = Leverage(instrument, number, fret, moved_mm)
    mm, low, high = map(leverage.cancelling_mm, (offset.centre, *range95))
    return Move(number, mm, (low, high), instrument.bridge, moved_mm).short_of_the_mark


def _with_its_saddle(
    instrument: Instrument, string: StringForecast, strings: Sequence[StringForecast]
) -> StringForecast:
    """One saddle makes one move: for the mean of the strings on it, of those measured if any are.

    Of their moves, not of their cents: a longer string needs more travel for the same cents. What
    is not known of one is much the same for all, so that their mean is known no better.
    """
    beside = instrument.bridge.beside(string.number)
    if not beside:
        return string
    on_it = [strings[number - 1] for number in sorted((string.number, *beside))]
    asking = [each for each in on_it if each.expected] or on_it
    moves = [each.move for each in asking if each.move]
    if len(moves) < len(asking):  # what one of them asks for is more than a saddle can do
        return replace(string, move=None)
    mm = statistics.fmean(move.asked_mm for move in moves)
    lows, highs = zip(*(move.interval95_mm for move in moves), strict=True)
    range95_mm = statistics.fmean(lows), statistics.fmean(highs)
    move = replace(moves[0], string=string.number, mm=mm, interval95_mm=range95_mm, whole_mm=None)
    return replace(string, move=move.short_of_the_mark)


def _warnings_of_string(string: StringForecast) -> list[Warned]:
    warnings = []
    share = string.after.breaking_share
    if share is not None and share > _NEAR_BREAKING:
        warnings.append(
            Warned(
                Hazard.BREAKING,
                f"Pulled to {share:.0%} of what its wire may break at: do not tune it so high, or "
                "fit a shorter scale; a snapping string whips, keep your face clear.",
            )
        )
    ratio = string.after.tension_n / string.before.tension_n
    if ratio < _MUCH_SLACKER:
        warnings.append(
            Warned(
                Hazard.SLACK,
                f"Tension falls to {ratio:.0%}: it will start sharper when plucked hard, and may "
                "rattle; a heavier gauge is usual.",
            )
        )
    if ratio > _MUCH_TIGHTER:
        warnings.append(
            Warned(
                Hazard.TIGHT,
                f"Tension rises to {ratio:.0%}: make sure that neck and bridge are built for it; "
                "a lighter gauge is usual.",
            )
        )
    if string.after.spec.diameter_mm - string.before.spec.diameter_mm > _NUT_SLOT_MM:
        warnings.append(
            Warned(
                Hazard.NUT_SLOT,
                "Thicker than before: its nut slot may be too narrow and bind; widening it is work "
                "for a qualified repairer.",
            )
        )
    if string.move is None:
        warnings.append(
            Warned(
                Hazard.NOT_BY_SADDLE,
                "The offset may become more than a saddle can take back: look at action, nut and "
                "gauge instead.",
            )
        )
    elif string.move.whole.out_of_travel:
        far = length_words(string.move.whole.size_mm)
        back = " back over what was filed" * string.move.goes_back
        beyond = back or ", further than its travel on record"
        warnings.append(
            Warned(
                Hazard.TRAVEL,
                f"The saddle would have to go {far}{beyond}: choose "
                "another gauge, or see `pitchbench guide` on being out of travel.",
            )
        )
    return warnings


def _warnings_of_instrument(made: Forecast) -> list[Warned]:
    warnings = []
    change = made.tension_after_n / made.tension_before_n - 1.0
    if made.after.bridge.kind is BridgeKind.CLAMPED_TREMOLO and abs(change) > _FLOAT_SHIFTS:
        warnings.append(
            Warned(
                Hazard.FLOAT,
                f"The strings together pull {change:+.0%}: a floating bridge will tip. Level it by "
                "its springs before you touch a saddle.",
            )
        )
    if abs(change) > _RELIEF_SHIFTS:
        warnings.append(
            Warned(
                Hazard.RELIEF,
                f"The strings together pull {change:+.0%}: the neck's relief, and with it the "
                "action, will shift. Check them first; turn a truss rod in small steps only and, "
                "if in doubt, leave it to a qualified repairer.",
            )
        )
    return warnings
