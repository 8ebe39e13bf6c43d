"""Stretching strings for the tests, pluck by pluck without sound. Every number is invented."""

from __future__ import annotations

from invented import a_reading

from pitchbench.pitch.listener import PluckStarted, ReadingReady
from pitchbench.pitch.reading import Reason, Rejected
from pitchbench.presets import preset
from pitchbench.session.job import Command, Event, KeyPressed
from pitchbench.session.log import Setup
from pitchbench.session.stretch import Stretch, begin
from pitchbench.units import shifted_hz

GUITAR = preset("six-string")


class Stretched:
    """Work whose strings one plucks, six seconds apart, so many cents above their notes."""

    def __init__(self, job: Stretch) -> None:
        self.job = job
        self.now_s = job.at_s

    def pluck(self, cents: float, *, u_cents: float = 0.05) -> Stretched:
        pitch_hz = shifted_hz(self.job.setup.open_hz(self.job.current), cents)
        self.begins()
        reading = a_reading(pitch_hz, self.now_s, ring_s=2.0, u_cents=u_cents, tail_s=1.4)
        self.then(ReadingReady(reading, final=False))
        assert self.job.asks == "Damp the string."
        return self.then(ReadingReady(reading, final=True))

    def rejected(self, reason: Reason) -> Stretched:
        self.begins()
        return self.then(ReadingReady(Rejected(self.now_s, 0.3, reason), final=True))

    def begins(self) -> Stretched:
        self.now_s += 6.0
        self.then(PluckStarted(self.now_s))
        assert self.job.asks == "Let it ring."
        return self

    def key(self, command: Command) -> Stretched:
        return self.then(KeyPressed(command))

    def then(self, event: Event) -> Stretched:
        before = self.job
        self.job = before.advance(event)
        assert self.job.entries[: len(before.entries)] == before.entries
        return self


def begun(*strings: int) -> Stretched:
    """Before anything is heard: strings 6 and 5, unless others are named."""
    return Stretched(begin(Setup(GUITAR, strings=strings or (6, 5))))
