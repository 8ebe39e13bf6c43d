"""Which pitch a note is held against on the screen, and how far it lies from it."""

from __future__ import annotations

from pitchbench.notes import ordinal
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.session.log import SessionTake, TakeFate
from pitchbench.session.state import State
from pitchbench.session.takes import open_mean_hz
from pitchbench.units import cents_between, fret_ratio


def current_takes(state: State) -> tuple[SessionTake, ...]:
    """Every pluck on the current string since its saddle was last moved."""
    string = state.log.string
    return tuple(take for take in string.takes if take.round == string.round)


def open_hz(state: State, tuning: int | None = None) -> float:
    """The open string as played since it was found in tune for the ``tuning``-th time, by default
    the last: the mean that its takes are judged by; what it is tuned to where there are none."""
    string = state.log.string
    tuning = string.tuning if tuning is None else tuning
    heard_hz = open_mean_hz([t for t in string.in_this_round if t.tuning == tuning])
    return target_hz(state) if heard_hz is None else heard_hz


def target_hz(state: State) -> float:
    """What the current open string is tuned to."""
    return state.setup.open_hz(state.log.current)


def nearest_fret(state: State, pitch_hz: float) -> int:
    """0 or the fret of the session, whichever note lies nearer to ``pitch_hz``."""
    frets = (0, state.setup.fret)
    return min(frets, key=lambda n: abs(cents_between(pitch_hz, target_hz(state) * fret_ratio(n))))


def reference_hz(state: State, fret: int) -> float:
    """What a note is held against: an open string against its tuning, a fretted one against the
    open string as played."""
    return target_hz(state) if fret == 0 else open_hz(state) * fret_ratio(fret)


def cents_from_open(state: State, take: SessionTake) -> float:
    """Cents of an accepted take above the open string of its own tuning, a fretted one above that
    and its fret: what the judge makes of it."""
    assert take.reading.pitch_hz is not None
    assert take.fret is not None
    open_cents = cents_between(take.reading.pitch_hz, open_hz(state, take.tuning))
    return open_cents - 100.0 * take.fret


def cents_off(state: State, pitch_hz: float, fret: int) -> float:
    """Cents above what the note is held against."""
    return cents_between(pitch_hz, reference_hz(state, fret))


def shown_reading(state: State) -> tuple[Reading | Rejected, int | None] | None:
    """The note to draw and its fret: the one still ringing once it can be read, else the last."""
    if state.ringing:
        if state.offered is None:
            return None
        return state.offered, nearest_fret(state, state.offered.pitch_hz)
    last = state.log.last_take
    if last is None or last.string != state.log.current:
        return None
    struck = (take.number for take in state.log.string.takes if take.fate is TakeFate.STRUCK)
    return None if last.number in struck else (last.reading, last.fret)


def fret_words(state: State, fret: int) -> str:
    """ "the open string", "the 12th fret", of the string at work."""
    if fret == 0:
        return "the open string"
    return f"the {ordinal(state.setup.instrument.neck_fret(state.log.current, fret))} fret"
