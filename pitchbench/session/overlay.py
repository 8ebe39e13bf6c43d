"""Plucks laid over each other as they come: a pure function of what is heard and which key is hit.

For a teacher before a class: nothing is asked for, everything that is plucked is kept until it is
struck out or cleared.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

from pitchbench.intonation.drift import Drift, drift_of
from pitchbench.notes import A4_HZ
from pitchbench.pitch.listener import LivePitch, PluckStarted, ReadingReady
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.session.state import (
    Command,
    Display,
    Entry,
    Event,
    InputBack,
    InputLost,
    KeyPressed,
)

_PLUCK: Final = "Pluck a string and let it ring."


@dataclass(frozen=True, eq=False)
class LaidPluck:
    """One pluck; ``number`` counts from 1 and is never given twice; ``drift`` is None where it was
    rejected."""

    number: int
    reading: Reading | Rejected
    drift: Drift | None


@dataclass(frozen=True, eq=False)
class Overlay:
    """The plucks that lie over each other, and the one that rings.

    ``enough`` is how many settled plucks end it, None for any number. The rest is as in a session's
    ``State``; nothing of it goes on record, so ``entries`` is empty.
    """

    a4_hz: float = A4_HZ
    enough: int | None = None
    plucks: tuple[LaidPluck, ...] = ()
    count: int = 0
    asks: str = _PLUCK
    says: str = ""
    ringing: bool = False
    live_trace: tuple[LivePitch, ...] = ()
    input_lost: str | None = None
    quit: bool = False
    display: Display = field(default_factory=Display)
    entries: tuple[Entry, ...] = ()

    @property
    def live(self) -> LivePitch | None:
        """The pitch of the note that rings, or of the last one, as it was heard last."""
        return self.live_trace[-1] if self.live_trace else None

    @property
    def settled(self) -> tuple[LaidPluck, ...]:
        """The plucks that can be drawn."""
        return tuple(pluck for pluck in self.plucks if pluck.drift is not None)

    @property
    def over(self) -> bool:
        """Whether nothing more is to be heard."""
        return self.quit or (self.enough is not None and len(self.settled) >= self.enough)


def advance(overlay: Overlay, event: Event) -> Overlay:
    """The next state."""
    match event:
        case KeyPressed():
            after = _key(overlay, event)
        case InputLost(reason=reason):
            after = replace(
                overlay, input_lost=reason, ringing=False, says="The sound input is lost."
            )
        case InputBack():
            state = "open" if overlay.input_lost is None else "back"
            after = replace(overlay, input_lost=None, says=f"The sound input is {state}.")
        case PluckStarted():
            after = replace(overlay, ringing=True, live_trace=())
        case LivePitch():
            after = replace(overlay, ringing=True, live_trace=(*overlay.live_trace, event))
        case ReadingReady(final=True):
            after = _laid(overlay, event.reading)
        case _:
            after = overlay
    return replace(after, asks=_asks(after))


def _laid(overlay: Overlay, reading: Reading | Rejected) -> Overlay:
    """One more pluck; a newer one may ring already."""
    pluck = LaidPluck(overlay.count + 1, reading, drift_of(reading))
    trace = overlay.live_trace
    newer = bool(trace) and trace[-1].onset_s > reading.onset_s
    return replace(
        overlay,
        plucks=(*overlay.plucks, pluck),
        count=pluck.number,
        says="",  # its line says it all
        ringing=newer,
        live_trace=trace if newer else (),
    )


def _key(overlay: Overlay, key: KeyPressed) -> Overlay:
    display = overlay.display
    match key.command:
        case Command.QUIT:
            return replace(overlay, quit=True)
        case Command.STRIKE:
            return _strike(overlay, key.take)
        case Command.AGAIN:
            return replace(overlay, plucks=(), says="All plucks are cleared.")
        case Command.FREEZE:
            return replace(overlay, display=replace(display, frozen=not display.frozen))
        case Command.HELP:
            return replace(overlay, display=replace(display, help_open=not display.help_open))
    return overlay


def _strike(overlay: Overlay, number: int | None) -> Overlay:
    """Without the last pluck, or the one of that number."""
    if number is None and overlay.plucks:
        number = overlay.plucks[-1].number
    left = tuple(pluck for pluck in overlay.plucks if pluck.number != number)
    if len(left) == len(overlay.plucks):
        return replace(overlay, says="There is no such pluck to strike out.")
    return replace(overlay, plucks=left, says=f"Pluck {number} is struck out.")


def _asks(overlay: Overlay) -> str:
    if overlay.input_lost is not None:
        return "Connect the sound input again."
    if overlay.ringing:
        return "Let it ring to its end."
    return _PLUCK
