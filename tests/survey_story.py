"""Surveys of a neck for the tests, played note by note without sound. Every number is invented."""

from __future__ import annotations

from typing import Any

from invented import a_reading

from pitchbench.pitch.listener import PluckStarted, ReadingReady
from pitchbench.pitch.reading import Reason, Rejected
from pitchbench.presets import preset
from pitchbench.session.job import Command, KeyPressed
from pitchbench.session.log import Setup
from pitchbench.session.survey import Plan, Survey
from pitchbench.units import shifted_hz

GUITAR = preset("six-string")


def plan(
    *, strings: tuple[int, ...] = (6, 5), frets: tuple[int, ...] = (5, 12), takes: int = 1
) -> Plan:
    return Plan(Setup(GUITAR, strings=strings), frets, takes)


class Played:
    """A survey to which one plays notes, three seconds apart."""

    def __init__(self, survey: Survey) -> None:
        self.survey = survey
        self.now_s = 0.0

    def note(self, string: int, fret: int = 0, cents: float = 0.0, **said: Any) -> Played:
        return self.hz(shifted_hz(GUITAR.string(string).note.hz(), 100.0 * fret + cents), **said)

    def hz(self, pitch_hz: float, reason: Reason | None = None, **said: Any) -> Played:
        self.now_s += 3.0
        self.then(PluckStarted(self.now_s))
        assert self.survey.over or self.survey.asks == "Let it ring."
        if reason is not None:
            rejected = Rejected(self.now_s, 2.0, reason, pitch_hz=pitch_hz)
            return self.then(ReadingReady(rejected, final=True))
        reading = a_reading(pitch_hz, self.now_s, ring_s=2.0, u_cents=0.1, tail_s=1.4, **said)
        self.then(ReadingReady(reading, final=False))
        assert self.survey.over or self.survey.asks == "Damp the string."
        return self.then(ReadingReady(reading, final=True))

    def key(self, command: Command, take: int | None = None) -> Played:
        return self.then(KeyPressed(command, take))

    def then(self, event) -> Played:
        before = self.survey
        self.survey = before.advance(event)
        assert self.survey.entries[: len(before.entries)] == before.entries
        return self

    @property
    def last(self):
        return self.survey.takes[-1]
