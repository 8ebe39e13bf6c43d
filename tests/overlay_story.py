"""Plucks laid over each other for the tests: what is heard of a recording in samples/."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from pitchbench.pitch.listener import Heard, Listener
from pitchbench.session.overlay import Overlay
from pitchbench.sound.recording import Recording

SAMPLE = Path(__file__).parents[1] / "samples" / "e2-soft-medium-hard.flac"


@cache
def heard() -> tuple[Heard, ...]:
    """All that a listener hears of the sample, live notes and early offers included."""
    recording = Recording(SAMPLE)
    listener = Listener(recording.rate_hz, offer_early=True)
    events: list[Heard] = []
    for block in recording.blocks():
        events += listener.feed(block)
    return (*events, *listener.finish())


def overlaid(events: int | None = None) -> Overlay:
    """The plucks after so many events, all of them unless said."""
    overlay = Overlay()
    for event in heard()[:events]:
        overlay = overlay.advance(event)
    return overlay
