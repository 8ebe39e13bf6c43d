"""Which pitch a note is held against on the screen, and how far it lies from it."""

from __future__ import annotations

from typing import Final

from pitchbench.intonation.bridge import Direction
from pitchbench.notes import ordinal
from pitchbench.pitch.reading import Reading
from pitchbench.session.state import SessionTake, State, TakeFate
from pitchbench.units import cents_between, fret_ratio

DIRECTION_WORDS: Final = {
    Direction.AWAY_FROM_NUT: "away from the nut",
    Direction.TOWARD_NUT: "toward the nut",
}


def current_takes(state: State) -> tuple[SessionTake, ...]:
    """Every pluck on the current string since its saddle was last moved."""
    string = state.string
    return tuple(take for take in string.takes if take.round == string.round)


def open_hz(state: State) -> float:
    """The open string as played: mean of its accepted takes; its tuning where there are none."""
    pitches = [
        take.reading.pitch_hz
        for take in current_takes(state)
        if take.fate is TakeFate.ACCEPTED and take.fret == 0 and take.reading.pitch_hz
    ]
    if pitches:
        return sum(pitches) / len(pitches)
    return target_hz(state)


def target_hz(state: State) -> float:
    """What the current open string is tuned to."""
    return state.setup.instrument.string(state.current).note.hz(state.setup.a4_hz)


def nearest_fret(state: State, pitch_hz: float) -> int:
    """0 or the fret of the session, whichever note lies nearer to ``pitch_hz``."""
    frets = (0, state.setup.fret)
    return min(frets, key=lambda n: abs(cents_between(pitch_hz, target_hz(state) * fret_ratio(n))))


def reference_hz(state: State, fret: int) -> float:
    """What a note is held against: an open string against its tuning, a fretted one against the
    open string as played."""
    return target_hz(state) if fret == 0 else open_hz(state) * fret_ratio(fret)


def cents_off(state: State, pitch_hz: float, fret: int) -> float:
    """Cents above what the note is held against."""
    return cents_between(pitch_hz, reference_hz(state, fret))


def shown_reading(state: State) -> tuple[Reading, int | None] | None:
    """The note to draw and its fret: the one still ringing once it can be read, else the last."""
    if state.ringing:
        offered = state.offered
        if offered is None:
            return None
        fret = nearest_fret(state, offered.pitch_hz) if offered.pitch_hz else None
        return offered, fret
    if state.last_take is not None and state.last_take.string == state.current:
        return state.last_take.reading, state.last_take.fret
    return None


def fret_words(fret: int) -> str:
    """ "the open string", "the 12th fret"."""
    if fret == 0:
        return "the open string"
    return f"the {ordinal(fret)} fret"
