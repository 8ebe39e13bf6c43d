"""Whether the other string of a course rings along with the one that is set: it is asked once."""

from __future__ import annotations

from pitchbench.pitch.reading import Reading
from pitchbench.session.log import Ignored, Log
from pitchbench.session.touched import Doubt


def doubt(log: Log, reading: Reading, *, counts: bool = True) -> Doubt:
    """What is asked where ``reading`` beats as two strings would.

    One that is in tune does count: a single string may beat so too, though seldom. Who is asked
    knows.
    """
    partner = log.setup.instrument.partner(log.current)
    asked = any(take.cause is Ignored.PARTNER_RINGS for take in log.string.takes)
    if partner is None or reading.split_cents is None or asked:
        return Doubt()
    then = "take this pluck back (key u)" if counts else "pluck again"
    return Doubt(
        cause=Ignored.PARTNER_RINGS,
        why=f"Is string {partner}, its partner, muted? Two strings {reading.split_cents:.0f} cents "
        f"apart seem to ring: if not, mute it and {then}",
    )
