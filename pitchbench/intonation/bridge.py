"""From an offset to hands: which way, how far, how many turns, and what to mind."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from pitchbench.errors import PitchbenchError
from pitchbench.instrument import Bridge, BridgeKind, Instrument, ScrewHeads
from pitchbench.intonation import geometry
from pitchbench.intonation.offset import Offset


class Direction(StrEnum):
    """Which way the saddle goes along the string."""

    AWAY_FROM_NUT = "away_from_nut"
    TOWARD_NUT = "toward_nut"


class Rotation(StrEnum):
    """How the screw turns, seen from its head."""

    CLOCKWISE = "clockwise"
    COUNTERCLOCKWISE = "counterclockwise"


@dataclass(frozen=True)
class Move:
    """One saddle move; lengths and turns are positive, the direction carries the sign.

    ``turns`` and ``rotation`` are None where the bridge has no screw; ``out_of_travel`` is True
    when the record says that the saddle cannot go that far. ``interval95_mm`` counts in the
    move's direction, so a lower end below zero means the other way. ``slack_mm`` is screw travel
    that is counted in ``turns`` and does not move the saddle. ``ends95_cents`` is the 95 % interval
    of where the offset is expected to end, None where that was not asked.
    """

    string: int
    direction: Direction
    mm: float
    interval95_mm: tuple[float, float]
    turns: float | None
    rotation: Rotation | None
    cautions: tuple[str, ...]
    out_of_travel: bool = False
    slack_mm: float = 0.0
    ends95_cents: tuple[float, float] | None = None

    @property
    def signed_mm(self) -> float:
        """Travel of the saddle, positive away from the nut."""
        return self._signed(self.mm)

    @property
    def screw_mm(self) -> float:
        """Travel of the screw, its slack included, positive away from the nut."""
        return self._signed(self.mm + self.slack_mm)

    def _signed(self, mm: float) -> float:
        return mm if self.direction is Direction.AWAY_FROM_NUT else -mm


#: Beyond this no saddle is the cause: a wrong fret, a wrong string or a wrong scale length.
LARGEST_OFFSET_CENTS: Final = 100.0

_TENSION: Final = "A string can snap and whip: wear eye protection, keep your face clear."
_SCREW: Final = "Use a driver that fills the slot, square to it; never force a seized screw."
_SLACKEN: Final = (
    "Slacken the string before you move its saddle, then tune up to pitch, never above."
)

#: What to mind at each kind of bridge; common practice, no source.
CAUTIONS: Final[dict[BridgeKind, tuple[str, ...]]] = {
    BridgeKind.SCREW_SADDLES: (_SLACKEN, _SCREW, _TENSION),
    BridgeKind.POST_BAR: (
        _SLACKEN,
        "If the saddle runs out of travel, it can be taken out and put back the other way round.",
        _SCREW,
        _TENSION,
    ),
    BridgeKind.PAIRED_SADDLES: (
        "Two strings share this saddle: set it for the best compromise of both, then check both.",
        _SLACKEN,
        _SCREW,
        _TENSION,
    ),
    BridgeKind.CLAMPED_TREMOLO: (
        "Mark where the saddle stands, slacken the string, unclamp, slide, clamp again, retune.",
        "Every retuning shifts the float: go round all strings again when the last is done.",
        "Hold the saddle as you unclamp it; never leave its clamp loose under tension.",
        _TENSION,
    ),
    BridgeKind.BASS: (
        _SLACKEN,
        "A bass string pulls hard: slacken it until it can be lifted off the saddle.",
        _SCREW,
        _TENSION,
    ),
    BridgeKind.SLIDING_WOOD: (
        "Mark where the bridge feet stand before you move it.",
        "Slacken the strings until the bridge just slides; keep it upright.",
        _TENSION,
    ),
    BridgeKind.FIXED_SADDLE: (
        "Filing cannot be undone: file the break point a little at a time and stop short.",
        "About 1 mm each way is all there is; bone and brass dust harm the lungs: wear a mask.",
        "If in doubt, leave it to a qualified repairer.",
        _TENSION,
    ),
}

_CHECK_FIRST: Final = "Out of travel: check the strings, relief, action and nut first."
_REPAIRER: Final = "Moving a bridge or recutting a slot is work for a qualified repairer."


def out_of_travel_advice(kind: BridgeKind) -> tuple[str, ...]:
    """What to try when the saddle cannot go far enough; common practice, no source."""
    if kind in {BridgeKind.SLIDING_WOOD, BridgeKind.FIXED_SADDLE}:
        return _CHECK_FIRST, "Then try another gauge.", _REPAIRER
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
    """The move that cancels ``offset``, by exact geometry (docs/definitions.md, section 3).

    Parameters
    ----------
    string : number of the string, 1 the highest.
    moved_mm : the saddle's travel since the instrument's record was made, positive away from the
        nut; it adds to the setback and takes from the travel left.

    Raises
    ------
    PitchbenchError
        If the offset is too large for a saddle to be the cause.
    """
    if abs(offset.offset_cents) > LARGEST_OFFSET_CENTS:
        raise PitchbenchError(
            f"{offset.offset_cents:+.0f} cents is more than a saddle can be the cause of.",
            "Check that it is the right string and fret, and that the strings are sound.",
        )

    def to_mm(cents: float) -> float:
        return geometry.saddle_move_mm(
            max(-LARGEST_OFFSET_CENTS, min(LARGEST_OFFSET_CENTS, cents)),
            fret=offset.fret,
            scale_mm=instrument.scale_mm,
            setback_mm=setback_mm(instrument, string) + moved_mm,
        )

    ends = [to_mm(cents) for cents in offset.interval95_cents]
    signed = to_mm(offset.offset_cents)
    return move_of(signed, (ends[0], ends[1]), instrument.bridge, string, moved_mm=moved_mm)


def move_of(
    signed_mm: float,
    interval95_mm: tuple[float, float],
    bridge: Bridge,
    string: int,
    *,
    moved_mm: float = 0.0,
) -> Move:
    """Put a signed move, positive away from the nut, into the words of this bridge."""
    away = signed_mm >= 0.0
    low, high = sorted(interval95_mm if away else (-interval95_mm[0], -interval95_mm[1]))
    beyond = _beyond_travel(signed_mm + moved_mm, bridge)
    return Move(
        string=string,
        direction=Direction.AWAY_FROM_NUT if away else Direction.TOWARD_NUT,
        mm=abs(signed_mm),
        interval95_mm=(low, high),
        turns=(
            geometry.turns(abs(signed_mm), screw_pitch_mm=bridge.screw_pitch_mm)
            if bridge.screw_pitch_mm
            else None
        ),
        rotation=rotation(bridge, away=away),
        cautions=(*(out_of_travel_advice(bridge.kind) if beyond else ()), *CAUTIONS[bridge.kind]),
        out_of_travel=beyond,
    )


def with_slack(move: Move, slack_mm: float, bridge: Bridge) -> Move:
    """``move`` with the turns that take up the screw's slack added; as it is without a screw."""
    if not bridge.screw_pitch_mm:
        return move
    turns = geometry.turns(move.mm + slack_mm, screw_pitch_mm=bridge.screw_pitch_mm)
    return replace(move, slack_mm=slack_mm, turns=turns)


def resized(move: Move, signed_mm: float, bridge: Bridge) -> Move:
    """``move`` as it was really made, its slack taken up all the same."""
    made = move_of(signed_mm, move.interval95_mm, bridge, move.string)
    made = with_slack(made, move.slack_mm, bridge) if signed_mm else made
    return replace(move, direction=made.direction, mm=made.mm, turns=made.turns,
                   rotation=made.rotation)  # fmt: skip


def setback_mm(instrument: Instrument, string: int) -> float:
    """The setback on record of this string's saddle; 0 where it is not known."""
    return instrument.setback_mm[string - 1] if instrument.setback_mm else 0.0


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


def words(move: Move) -> str:
    """The move in one plain sentence."""
    which = "away from the nut" if move.direction is Direction.AWAY_FROM_NUT else "toward the nut"
    sentence = f"String {move.string}: move the saddle {which}, about {move.mm:.1f} mm"
    if move.turns is None:
        return f"{sentence}."
    turned = f"{move.turns:.1f} turn{'' if round(move.turns, 1) == 1.0 else 's'}"
    if move.rotation is None:
        return f"{sentence} ({turned} of the screw)."
    return f"{sentence}: {turned} {move.rotation}, seen from the screw head."


def _beyond_travel(total_mm: float, bridge: Bridge) -> bool:
    """Whether the saddle would have to go farther than the travel on record, either way."""
    limit = bridge.travel_away_mm if total_mm > 0.0 else bridge.travel_toward_nut_mm
    return limit is not None and abs(total_mm) > limit
