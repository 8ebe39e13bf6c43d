"""Plucks laid over each other: how each moves from attack to tail, and what points to a fault."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from pitchbench.analysis.heard import Heard, Plucks
from pitchbench.errors import NoReadingError, PitchbenchError
from pitchbench.intonation.drift import (
    SAME_NOTE_CENTS,
    Drift,
    MagnetPull,
    Strength,
    drift_of,
    magnet_pull,
    tell_strengths,
)
from pitchbench.strings.pluck import SoundingString
from pitchbench.units import cents_between

#: A pick does not pull a string farther aside than this, mm. Common practice, no source.
FARTHEST_PLUCK_MM: Final = 6.0
#: Real strings differ from the theory of their gauge; beyond this factor it is another string, or
#: a faulty one. Our choice.
_STIFFNESS_FACTOR: Final = 1.6
#: A pitch that wanders by more, rms in cents, well above the noise, does so more than real strings
#: do: a tenth of 97 recorded notes, and none of 19 others, wander by as much (docs/drift.md).
_WANDER_CENTS: Final = 6.0
_CLEAR_SNR_DB: Final = 30.0


class Flag(StrEnum):
    """What points to a fault."""

    BEATING = "beating"
    MAGNET = "magnet_pull"
    WANDERING = "wandering"
    UNEVEN = "uneven_string"
    TOO_SHARP = "sharper_than_a_pluck_explains"
    STIFF = "stiffness_off_theory"


@dataclass(frozen=True, eq=False)
class DriftPluck(Heard):
    """One pluck.

    Parameters
    ----------
    drift : None where it was rejected.
    strength : among those of its note; None where it cannot be told.
    compared : whether it was held against the physics of the string that was named.
    pluck_mm : how far aside a pluck pulls the string for such an attack.
    stiffness_to_theory : B as it was measured, in parts of what the string's physics gives.
    """

    drift: Drift | None
    strength: Strength | None = None
    compared: bool = False
    pluck_mm: float | None = None
    stiffness_to_theory: float | None = None
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, eq=False)
class DriftResult:
    """Plucks laid over each other; ``string`` is the physics they were held against."""

    a4_hz: float
    plucks: tuple[DriftPluck, ...]
    string: SoundingString | None
    magnet: MagnetPull | None

    @property
    def drifts(self) -> list[Drift]:
        """The plucks that settled."""
        return [pluck.drift for pluck in self.plucks if pluck.drift is not None]

    @property
    def flags(self) -> set[Flag]:
        """Of every pluck, and of the magnet."""
        pulls = self.magnet is not None and self.magnet.pulls
        seen = {flag for pluck in self.plucks for flag in pluck.flags}
        return seen | {Flag.MAGNET} if pulls else seen


def drift_plucks(sound: Plucks) -> list[DriftPluck]:
    """Every pluck of a recording."""
    return [DriftPluck(sound.source, each, drift_of(each)) for each in sound.readings]


def lay_over(
    plucks: Sequence[DriftPluck],
    string: SoundingString | None = None,
    *,
    magnet: MagnetPull | None = None,
    a4_hz: float,
) -> DriftResult:
    """Hold plucks against each other and, where it is known, against the physics of the string."""
    settled = [pluck for pluck in plucks if pluck.drift is not None]
    told = tell_strengths([pluck.drift for pluck in settled if pluck.drift is not None])
    strength = dict(zip(map(id, settled), told, strict=True))
    held = (replace(_against(pluck, string), strength=strength.get(id(pluck))) for pluck in plucks)
    return DriftResult(
        a4_hz, tuple(replace(pluck, flags=_flags(pluck)) for pluck in held), string, magnet
    )


def _against(pluck: DriftPluck, string: SoundingString | None) -> DriftPluck:
    pitch_hz = pluck.reading.pitch_hz
    if string is None or pitch_hz is None:
        return pluck
    if abs(cents_between(pitch_hz, string.note_hz)) > SAME_NOTE_CENTS:
        return pluck  # another string, or another fret: each fret changes B by an eighth
    attack, b = pluck.reading.attack_cents, pluck.reading.stiffness_b
    return replace(
        pluck,
        compared=True,
        pluck_mm=None if attack is None else string.pluck_mm(attack),
        stiffness_to_theory=None if b is None else b / string.stiffness_b,
    )


def _flags(pluck: DriftPluck) -> tuple[Flag, ...]:
    drift, ratio = pluck.drift, pluck.stiffness_to_theory
    if drift is None:
        return ()
    clear = drift.reading.snr_db is not None and drift.reading.snr_db > _CLEAR_SNR_DB
    seen = {
        Flag.BEATING: drift.beat is not None,
        Flag.UNEVEN: bool(drift.uneven),
        Flag.WANDERING: clear and drift.reading.wander_cents > _WANDER_CENTS,
        Flag.TOO_SHARP: pluck.pluck_mm is not None and pluck.pluck_mm > FARTHEST_PLUCK_MM,
        Flag.STIFF: ratio is not None and not 1.0 / _STIFFNESS_FACTOR < ratio < _STIFFNESS_FACTOR,
    }
    return tuple(flag for flag, is_seen in seen.items() if is_seen)


def pull_of_magnet(near: Iterable[DriftPluck], far: Iterable[DriftPluck]) -> MagnetPull:
    """What the pickup's magnet does to a note, recorded with the pickup near and far.

    Raises
    ------
    PitchbenchError
        If either height has no usable reading, or the notes are not the same.
    """
    nears, fars = ([p.drift for p in plucks if p.drift is not None] for plucks in (near, far))
    if not nears or not fars:
        raise NoReadingError(
            "There is no usable reading with the pickup near, or none with it far.",
            "Record the same open note three times with each height, two seconds each.",
        )
    first_hz = nears[0].reading.pitch_hz
    for drift in (*nears, *fars):
        if abs(cents_between(drift.reading.pitch_hz, first_hz)) > SAME_NOTE_CENTS:
            raise PitchbenchError(
                "--near and --far do not hold the same note.",
                "Record one open string, and do not retune it in between.",
            )
    return magnet_pull(nears, fars)
