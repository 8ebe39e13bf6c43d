"""Hand-written sessions: a player of events, so that tests read as stories. No sound."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any, Self

import numpy as np
from invented import a_reading

from pitchbench.instrument import Instrument
from pitchbench.pitch.listener import LivePitch, PluckStarted, ReadingReady
from pitchbench.pitch.reading import Reading, Reason, Rejected
from pitchbench.presets import preset
from pitchbench.session.job import Command, Event, KeyPressed
from pitchbench.session.log import Entry, Outcome, Setup, Step, TakeEntry, TakeFate
from pitchbench.session.state import State, begin
from pitchbench.units import shifted_hz

#: Departures of the fretted takes from their mean: a steady player, sum zero.
STEADY = (0.2, -0.2, 0.1, -0.1)


def setup_of(instrument: Instrument | str = "six-string", **changes: object) -> Setup:
    """A setup with the usual beliefs about a player."""
    if isinstance(instrument, str):
        instrument = preset(instrument)
    return replace(Setup(instrument=instrument), **changes)  # type: ignore[arg-type]


@dataclass
class Story:
    """Plays events to the session and remembers every one."""

    state: State
    events: list[Event] = field(default_factory=list)
    now_s: float = 0.0

    @classmethod
    def begin(cls, instrument: Instrument | str = "six-string", **changes: object) -> Self:
        return cls(begin(setup_of(instrument, **changes)))

    def event(self, event: Event) -> Self:
        self.events.append(event)
        self.state = self.state.advance(event)
        return self

    def key(self, command: Command, take: int | None = None) -> Self:
        return self.event(KeyPressed(command, take))

    def target_hz(self, string: int, fret: int = 0) -> float:
        note = self.state.setup.instrument.string(string).note.up(fret)
        return note.hz(self.state.setup.a4_hz)

    def reading(self, pitch_hz: float, onset_s: float, **said: Any) -> Reading:
        """What is read of a pluck of this pitch."""
        return a_reading(pitch_hz, onset_s, **said)

    def sound(self, pitch_hz: float, *, reason: Reason | None = None, **said: Any) -> Self:
        """One whole pluck of this pitch; ``said`` is what its reading says."""
        onset_s = self.now_s
        self.now_s += 3.0
        self.event(PluckStarted(onset_s))
        if reason is not None:
            reading: Reading | Rejected = Rejected(onset_s, 2.5, reason, pitch_hz=pitch_hz)
        else:
            reading = self.reading(pitch_hz, onset_s, **said)
        return self.event(ReadingReady(reading, final=True))

    def ring(self, pitch_hz: float, seconds: float = 1.0, *, attack_cents: float = 9.0) -> Self:
        """A note that still rings: its start and its live pitches, sinking to ``pitch_hz``."""
        self.event(PluckStarted(self.now_s))
        for after_s in np.arange(0.05, seconds, 0.023).tolist():
            glide_cents = attack_cents * math.exp(-after_s / 0.35)
            self.live(shifted_hz(pitch_hz, glide_cents), after_s)
        return self

    def offered(self, pitch_hz: float) -> Self:
        """The same once it can be read, before it has ended."""
        self.ring(pitch_hz, 1.5)
        return self.event(ReadingReady(self.reading(pitch_hz, self.now_s), final=False))

    def live(self, pitch_hz: float, after_s: float = 1.0, clarity: float = 0.99) -> Self:
        """The live pitch of a note that still rings."""
        return self.event(
            LivePitch(self.now_s + after_s, self.now_s, pitch_hz, clarity, level_db=-30.0)
        )

    def play(self, string: int, fret: int = 0, cents: float = 0.0, **more: object) -> Self:
        """String ``string`` at ``fret``, ``cents`` above its note."""
        return self.sound(shifted_hz(self.target_hz(string, fret), cents), **more)  # type: ignore[arg-type]

    def takes(self, offset: float, scatter: Iterable[float] = STEADY, fret: int = 12) -> Self:
        """Play what is asked until the string's step is no reading step any more."""
        string = self.state.log.current
        departures = list(scatter)
        for turn in range(40):
            state = self.state
            asked = (Step.OPEN, Step.FRETTED, Step.LAST_ROUND)
            if state.log.current != string or state.log.step not in asked:
                return self
            if state.log.wanted_fret == 0:
                self.play(string, 0, 0.1 * (-1) ** turn)
            else:
                self.play(string, fret, offset + departures[turn % len(departures)])
        return self

    def string(self, offset: float) -> Self:
        """Tune the current string and take its readings."""
        return self.play(self.state.log.current).takes(offset)

    def move_and_retune(self, string: int) -> Self:
        """What follows an advised move: slackened, moved, brought up, in tune."""
        self.play(string, 0, -180.0)
        return self.play(string, 0, 0.3)

    @property
    def entries(self) -> tuple[Entry, ...]:
        return self.state.entries

    @property
    def last_fate(self) -> TakeFate:
        assert self.state.log.last_take is not None
        return self.state.log.last_take.fate

    def outcomes(self) -> dict[int, Outcome | None]:
        return {s.number: s.outcome for s in self.state.log.strings}

    def accepted(self) -> list[tuple[int, int | None, int]]:
        """String, fret and round of every accepted take, in order."""
        return [
            (e.take.string, e.take.fret, e.take.round)
            for e in self.entries
            if isinstance(e, TakeEntry) and e.take.fate is TakeFate.ACCEPTED
        ]
