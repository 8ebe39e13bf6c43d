"""From an offset to hands: which way, how far, how many turns, and what to mind."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from pitchbench.belief import surely
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Bridge, BridgeKind, Instrument, ScrewHeads
from pitchbench.intonation import geometry
from pitchbench.intonation.offset import Offset
from pitchbench.lengths import length_figures, length_words
from pitchbench.notes import ordinal


class Direction(StrEnum):
    """Which way the saddle goes along the string."""

    AWAY_FROM_NUT = "away_from_nut"
    TOWARD_NUT = "toward_nut"


class Rotation(StrEnum):
    """How the screw turns, seen from its head."""

    CLOCKWISE = "clockwise"
    COUNTERCLOCKWISE = "counterclockwise"


#: Each direction as people say it.
DIRECTION_WORDS: Final = {
    Direction.AWAY_FROM_NUT: "away from the nut",
    Direction.TOWARD_NUT: "toward the nut",
}


@dataclass(frozen=True)
class Move:
    """One saddle move, as advised or as made; everything else about it is derived.

    Parameters
    ----------
    string : number of the string, 1 the highest; 0 where nobody said.
    mm : travel of the saddle, positive away from the nut.
    interval95_mm : the 95 % interval of the move that the takes call for, lower end first, with the
        same sign; a move made otherwise than advised keeps it.
    bridge : where it is made.
    moved_mm : the saddle's travel before it, since the instrument's record was made.
    slack_mm : screw travel that comes before the saddle follows, not negative.
    ends95_cents : 95 % interval of where the offset is expected to end, None where that was not
        asked.
    whole_mm : travel that the takes call for in all, where the move stops short of it; else None.

    Raises
    ------
    ValueError
        If the interval does not begin with its lower end.
    """

    string: int
    mm: float
    interval95_mm: tuple[float, float]
    bridge: Bridge
    moved_mm: float = 0.0
    slack_mm: float = 0.0
    ends95_cents: tuple[float, float] | None = None
    whole_mm: float | None = None

    def __post_init__(self) -> None:
        low, high = self.interval95_mm
        if low > high:
            raise ValueError("the interval of a move begins with its lower end")

    @property
    def direction(self) -> Direction:
        """Which way the saddle goes."""
        return _direction(self.asked_mm)

    @property
    def size_mm(self) -> float:
        """How far the saddle goes, whichever way."""
        return abs(self.mm)

    @property
    def asked_mm(self) -> float:
        """Travel that the takes call for in all, signed."""
        return self.mm if self.whole_mm is None else self.whole_mm

    @property
    def onward95_mm(self) -> tuple[float, float]:
        """The interval counted in the move's own direction: below zero is the other way."""
        low, high = self.interval95_mm
        return (low, high) if self.asked_mm >= 0.0 else (-high, -low)

    @property
    def screw_mm(self) -> float:
        """Travel of the screw, its slack included, positive away from the nut."""
        return self.mm + math.copysign(self.slack_mm, self.mm) if self.mm else 0.0

    @property
    def turns(self) -> float | None:
        """Turns of the screw, its slack included; None where there is no screw."""
        pitch_mm = self.bridge.screw_pitch_mm
        return geometry.turns(abs(self.screw_mm), screw_pitch_mm=pitch_mm) if pitch_mm else None

    @property
    def rotation(self) -> Rotation | None:
        """How the screw turns; None where there is none or its head is not known."""
        return rotation(self.bridge, away=self.mm >= 0.0)

    @property
    def goes_back(self) -> bool:
        """Whether it would put back what was filed away, which nobody can."""
        return self.bridge.is_filed and self.asked_mm * self.moved_mm < 0.0

    @property
    def out_of_travel(self) -> bool:
        """Whether the saddle cannot go so far that way as is asked now, as far as is known: of what
        is filed short of the mark, no more than is sure. The way back is barred only where it was
        filed: a saddle beyond its travel shows that a move was made otherwise than told."""
        short = self.bridge.is_filed and self.whole_mm is not None
        now_mm = surely(self.onward95_mm) if short else abs(self.asked_mm)
        return self.goes_back or now_mm > self.left_mm

    @property
    def left_mm(self) -> float:
        """How far the saddle can still go that way, below zero where it is beyond its travel;
        without end where that is not known."""
        if self._limit_mm is None:
            return math.inf
        return self._limit_mm - math.copysign(1.0, self.asked_mm) * self.moved_mm

    @property
    def reach_mm(self) -> float:
        """How far of it the saddle can go, with the same sign, as far as is known."""
        if self.goes_back:
            return 0.0
        return math.copysign(min(self.size_mm, max(0.0, self.left_mm)), self.mm)

    @property
    def _limit_mm(self) -> float | None:
        """How far the saddle may go that way; None where that is not known."""
        return self.bridge.travel_mm(away=self.asked_mm > 0.0)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to mind."""
        kind = self.bridge.kind
        if self.out_of_travel:
            first = out_of_travel_advice(kind, goes_back=self.goes_back)
        elif self.whole.out_of_travel:
            first = (_MAY_RUN_OUT,)
        else:
            far = self._limit_mm is None and self.size_mm > _FARTHER_THAN_MOST_MM
            first = (_HARDLY_SO_FAR,) if far else ()
        return (*first, *CAUTIONS[kind])

    @property
    def brief_caution(self) -> str:
        """The one thing to mind where there is room for a line of 40 characters."""
        return _BRIEF_CAUTIONS.get(self.bridge.kind, _BRIEF_TENSION)

    def made(self, mm: float) -> Move:
        """This move as it was really made, ``mm`` far; its slack was taken up if it went the way
        that was advised."""
        slack_mm = self.slack_mm if mm * self.mm > 0.0 else 0.0
        return replace(self, mm=mm, slack_mm=slack_mm, ends95_cents=None, whole_mm=None)

    @property
    def short_of_the_mark(self) -> Move:
        """The same where it can be undone. What is filed cannot: so no more of it than is sure, and
        than the saddle can go."""
        if not self.bridge.is_filed:
            return self
        sure_mm = min(abs(surely(self.interval95_mm)), abs(self.reach_mm))
        return replace(self, mm=math.copysign(sure_mm, self.mm), whole_mm=self.asked_mm)

    def within_travel(self, offset_cents: float, tolerance_cents: float) -> Move:
        """The same; or to the end of the travel, where the saddle cannot go quite so far and what
        is then left of the ``offset_cents`` that all of it cancels is within the tolerance."""
        if not self.out_of_travel or self.goes_back or self.left_mm <= 0.0:
            return self
        end_mm = math.copysign(self.left_mm * _TO_THE_END, self.asked_mm)
        if abs(offset_cents) * (1.0 - end_mm / self.asked_mm) > tolerance_cents:
            return self
        return replace(self, mm=end_mm, whole_mm=None, ends95_cents=None)

    @property
    def whole(self) -> Move:
        """The same as far as the takes call for, whether the saddle can go so far or not."""
        return replace(self, mm=self.asked_mm, whole_mm=None)


#: The end of the travel, but for rounding.
_TO_THE_END: Final = 1.0 - 1e-9

#: Beyond this no saddle is the cause: a wrong fret, a wrong string or a wrong scale length.
LARGEST_OFFSET_CENTS: Final = 100.0

TENSION: Final = "A string can snap and whip: wear eye protection, keep your face clear."
_SCREW: Final = "Use a driver that fills the slot, square to it; never force a seized screw."
_SLACKEN: Final = (
    "Slacken the string before you move its saddle, then tune up to pitch, never above."
)

MEASURE_ALL_FIRST: Final = (
    "Measure all strings before any filing, twice, on different days if you can."
)

#: What to mind at each kind of bridge; common practice, no source.
CAUTIONS: Final[dict[BridgeKind, tuple[str, ...]]] = {
    BridgeKind.SCREW_SADDLES: (_SLACKEN, _SCREW, TENSION),
    BridgeKind.POST_BAR: (
        _SLACKEN,
        "If the saddle runs out of travel, it can be taken out and put back the other way round.",
        _SCREW,
        TENSION,
    ),
    BridgeKind.PAIRED_SADDLES: (
        "Two strings share this saddle: set it for the best compromise of both, then check both.",
        _SLACKEN,
        _SCREW,
        TENSION,
    ),
    BridgeKind.CLAMPED_TREMOLO: (
        "Mark where the saddle stands, slacken the string, unclamp, slide, clamp again, retune.",
        "Every retuning shifts the float: go round all strings again when the last is done.",
        "Hold the saddle as you unclamp it; never leave its clamp loose under tension.",
        TENSION,
    ),
    BridgeKind.BASS: (
        _SLACKEN,
        "A bass string pulls hard: slacken it until it can be lifted off the saddle.",
        _SCREW,
        TENSION,
    ),
    BridgeKind.SLIDING_WOOD: (
        "Mark where the bridge feet stand before you move it.",
        "Slacken the strings until the bridge just slides; keep it upright.",
        "Keep its feet flat on the top; if it is glued, does not fit the top, or a sound post "
        "stands inside, leave it to a qualified repairer.",
        TENSION,
    ),
    BridgeKind.FIXED_SADDLE: (
        "Take the string off, file a little, stop short: filing cannot be undone.",
        "Bone and brass dust harm the lungs: wear a mask.",
        "If in doubt, leave it to a qualified repairer.",
        TENSION,
        MEASURE_ALL_FIRST,
    ),
}

_BRIEF_TENSION: Final = "Wear eye protection: it can snap."
_BRIEF_CAUTIONS: Final = {
    BridgeKind.PAIRED_SADDLES: "Slacken both: wear eye protection.",
    BridgeKind.CLAMPED_TREMOLO: "Hold the saddle; wear eye protection.",
    BridgeKind.SLIDING_WOOD: "Mark the feet; wear eye protection.",
    BridgeKind.FIXED_SADDLE: "Filing is final; mask, eye protection.",
}

#: Farther than most saddles can go; common practice, no source.
_FARTHER_THAN_MOST_MM: Final = 8.0
_HARDLY_SO_FAR: Final = (
    "Hardly any saddle goes so far: check takes, strings, relief, action and nut first."
)
_MAY_RUN_OUT: Final = (
    "All that is asked is beyond the travel: check the strings, relief, action and nut first."
)
_CHECK_FIRST: Final = "Out of travel: check the strings, relief, action and nut first."
_NEVER_BACK: Final = (
    "What was filed cannot be put back: check the strings, relief, action and nut first."
)
_REPAIRER: Final = "Moving a bridge or recutting a slot is work for a qualified repairer."


def out_of_travel_advice(kind: BridgeKind, *, goes_back: bool = False) -> tuple[str, ...]:
    """What to try when the saddle cannot go far enough, or would have to go back over what was
    filed; common practice, no source."""
    if kind in {BridgeKind.SLIDING_WOOD, BridgeKind.FIXED_SADDLE}:
        return _NEVER_BACK if goes_back else _CHECK_FIRST, "Then try another gauge.", _REPAIRER
    if kind is BridgeKind.CLAMPED_TREMOLO:
        return _CHECK_FIRST, "Then use the next clamp hole, or try another gauge.", _REPAIRER
    return (
        _CHECK_FIRST,
        "Then turn the saddle round, fit a shorter screw or spring, or try another gauge.",
        _REPAIRER,
    )


def plan_move(
    offset: Offset, instrument: Instrument, string: int, *, moved_mm: float = 0.0
) -> Move:
    """The move that cancels ``offset`` on ``string`` of ``instrument``; see `cancelling_move`."""
    return cancelling_move(
        offset,
        string=string,
        scale_mm=instrument.scale_of(string),
        setback_mm=setback_mm(instrument, string),
        bridge=instrument.bridge,
        moved_mm=moved_mm,
    )


def cancelling_move(
    offset: Offset,
    *,
    string: int,
    scale_mm: float,
    setback_mm: float,
    bridge: Bridge,
    moved_mm: float = 0.0,
) -> Move:
    """The move that cancels ``offset``, by exact geometry (docs/definitions.md, section 3), or what
    of it may be filed (`Move.short_of_the_mark`); ``moved_mm`` is the saddle's travel since
    ``setback_mm`` and the travel of ``bridge`` went on record.

    Raises
    ------
    PitchbenchError
        If the offset is too large for a saddle to be the cause, or no place of it cures it.
    """
    cents = offset.offset_cents
    if abs(cents) > LARGEST_OFFSET_CENTS:
        raise PitchbenchError(
            f"{cents:+.0f} cents is more than a saddle can be the cause of.",
            "Check that it is the right string and fret, and that the strings are sound.",
        )

    def to_mm(cents: float) -> float:
        return geometry.saddle_move_mm(
            curable(cents),
            fret=offset.fret,
            scale_mm=scale_mm,
            setback_mm=setback_mm + moved_mm,
        )

    low, high = offset.interval95_cents
    try:
        move = Move(string, to_mm(cents), (to_mm(low), to_mm(high)), bridge, moved_mm)
    except ValueError as error:
        raise PitchbenchError(
            f"No saddle position cures {cents:+.1f} cents at the {ordinal(offset.fret)} fret.",
            "Compare at the 12th fret first; if that one is good, look at the nut.",
        ) from error
    return move.short_of_the_mark


def curable(cents: float) -> float:
    """``cents`` as far as a saddle can be the cause of it."""
    return max(-LARGEST_OFFSET_CENTS, min(LARGEST_OFFSET_CENTS, cents))


def setback_mm(instrument: Instrument, string: int) -> float:
    """The setback on record of this string's saddle; 0 where it is not known."""
    return instrument.setback_mm[string - 1] if instrument.setback_mm else 0.0


def filed_off(filed_mm: Sequence[float], string: int) -> float:
    """What was filed off the break point of ``string`` of all, string 1 first; 0 where nothing
    was, or nobody said which string it is."""
    return filed_mm[string - 1] if filed_mm and string else 0.0


@dataclass(frozen=True)
class Leverage:
    """What a string's saddle does to the offset at ``fret``, by exact geometry; ``moved_mm`` is its
    travel since the instrument's record was made."""

    instrument: Instrument
    string: int
    fret: int
    moved_mm: float = 0.0

    def change_cents(self, move_mm: float) -> float:
        """How much sharper a move away from the nut makes it; see `geometry`."""
        return geometry.saddle_change_cents(move_mm, **self._lengths)

    def cancelling_mm(self, cents: float) -> float:
        """The move that takes ``cents`` off it; see `geometry`."""
        return geometry.saddle_move_mm(cents, **self._lengths)

    def reach_cents(self) -> tuple[float, float]:
        """How much flatter (negative) and how much sharper the saddle can make it, as far as its
        travel is known."""
        ends_mm = (
            Move(self.string, mm, (mm, mm), self.instrument.bridge, self.moved_mm).reach_mm
            for mm in (math.inf, -math.inf)
        )
        flatter, sharper = (-mm if math.isinf(mm) else self.change_cents(mm) for mm in ends_mm)
        return flatter, sharper

    @property
    def _lengths(self) -> dict[str, float]:
        return {
            "fret": self.fret,
            "scale_mm": self.instrument.scale_of(self.string),
            "setback_mm": setback_mm(self.instrument, self.string) + self.moved_mm,
        }


def rotation(bridge: Bridge, *, away: bool) -> Rotation | None:
    """How to turn the screw for a move; None where there is no screw or its head is not known.

    A captive right-hand screw turned clockwise, seen from its head, draws the saddle toward the
    head: away from the nut where the heads are at the tail (derived; docs/definitions.md, section
    3).
    """
    if not bridge.screw_pitch_mm or bridge.screw_heads is None:
        return None
    toward_head = away == (bridge.screw_heads is ScrewHeads.TAIL)
    return Rotation.CLOCKWISE if toward_head else Rotation.COUNTERCLOCKWISE


def what_to_move(instrument: Instrument, whose: str) -> str:
    """What a hand does there: a fixed saddle is filed, and a wooden bridge slides as a whole."""
    match instrument.bridge.kind:
        case BridgeKind.FIXED_SADDLE:
            return f"file {whose} break point"
        case BridgeKind.SLIDING_WOOD:
            whole = instrument.in_one_piece
            return f"slide the {'whole bridge' if whole else 'bridge under it'}"
        case _:
            return f"move {whose} saddle"


def to_slacken(bridge: Bridge, strings: str) -> str:
    """What is done with ``strings`` before a hand goes to what they lie on."""
    return f"take {strings} off" if bridge.is_filed else f"slacken {strings}"


def short_words(move: Move) -> str:
    """ "short of the mark: 0.9 mm is asked in all"; nothing where it goes all the way."""
    if move.whole_mm is None:
        return ""
    return f"short of the mark: {length_words(abs(move.whole_mm))} is asked in all"


def way_words(mm: float, digits: int = 1) -> str:
    """ "1.9 mm away from the nut"."""
    return f"{length_words(abs(mm), digits)} {DIRECTION_WORDS[_direction(mm)]}"


def cannot_words(move: Move) -> str:
    """Why a move that is out of travel cannot be made."""
    if move.goes_back:
        return "What was filed cannot be put back"
    return "The saddle cannot go so far"


def move_words(move: Move) -> str:
    """ "1.9 mm away from the nut, 3.8 turns clockwise"; in brackets how much is asked in all, where
    it stops short of that."""
    text = f"{length_words(move.size_mm)} {DIRECTION_WORDS[move.direction]}"  # also of 0 mm
    if short := short_words(move):
        return f"{text} ({short})"
    if move.turns is None:
        return text
    text += f", {move.turns:.1f} {'turn' if f'{move.turns:.1f}' == '1.0' else 'turns'}"
    return text if move.rotation is None else f"{text} {move.rotation}"


def move_interval_words(move: Move, digits: int = 1, *, between: str = " to ") -> str:
    """ "1.5 to 2.3 mm", in the direction of the move; with the direction of each end where one lies
    the other way: "0.3 mm toward the nut to 1.1 mm away from the nut"."""
    low, high = (round(mm, digits) for mm in move.onward95_mm)
    if low >= 0.0:
        return f"{length_figures(abs(low), digits)}{between}{length_words(high, digits)}"
    return between.join(
        f"{length_words(abs(mm), digits)} {DIRECTION_WORDS[_direction(round(mm, digits))]}"
        for mm in move.interval95_mm
    )


def _direction(mm: float) -> Direction:
    return Direction.AWAY_FROM_NUT if mm >= 0.0 else Direction.TOWARD_NUT
