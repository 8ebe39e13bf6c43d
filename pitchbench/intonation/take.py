"""One accepted reading, as the statistics see it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from pitchbench.pitch.reading import Partial, Reading


@dataclass(frozen=True)
class Take:
    """One accepted reading, as the statistics see it.

    Parameters
    ----------
    fret : 0 for the open string.
    pitch_hz, u_cents : the reading and its own standard uncertainty.
    at_s : when it was played, seconds on any one clock.
    partials, stiffness_b : the reading's, where they are known.
    """

    fret: int
    pitch_hz: float
    u_cents: float
    at_s: float
    partials: tuple[Partial, ...] = ()
    stiffness_b: float | None = None

    @classmethod
    def of(cls, reading: Reading, *, fret: int, at_s: float) -> Take:
        """A reading of the note at ``fret``, played at ``at_s``."""
        return cls(
            fret, reading.pitch_hz, reading.u_cents, at_s, reading.partials, reading.stiffness_b
        )

    def tuned(self, ratio: float) -> Take:
        """The take as on the same string tuned higher by ``ratio``, partials and all."""
        return replace(
            self,
            pitch_hz=self.pitch_hz * ratio,
            partials=tuple(
                replace(partial, frequency_hz=partial.frequency_hz * ratio)
                for partial in self.partials
            ),
        )
