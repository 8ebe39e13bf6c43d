"""The very sample at which a note begins, or a hand ends it, near the step in which that was seen.

Steps are counted from wherever the stream began, and a reading must not hang on that: the same note
cut elsewhere has to begin with the same sample. So an edge lies where the sound alone puts it, at
the greatest difference between what follows and what went before.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Edge:
    """A kind of edge.

    Parameters
    ----------
    before_s, after_s : how long before and after the step in which it was seen it may lie.
    width_s : how much sound on either side is compared.
    exponent : what is compared is the energy to this power. The smaller it is, the nearer to the
        faint side of the edge is its place.
    rises : whether what follows is the louder side.
    """

    before_s: float
    after_s: float
    width_s: float
    exponent: float
    rises: bool

    def around(self, index: int, rate_hz: int) -> tuple[int, int]:
        """First sample, and one past the last, of the sound that :meth:`place` wants."""
        first = index - round((self.before_s + self.width_s) * rate_hz)
        return first, index + round((self.after_s + self.width_s) * rate_hz)

    def place(self, samples: NDArray[np.float32], rate_hz: int) -> int | None:
        """Index of the first sample beyond the edge; None where too little was heard.

        Examples
        --------
        >>> sound = np.concatenate((np.zeros(30), np.ones(25))).astype(np.float32)
        >>> BEGINNING.place(sound, rate_hz=1000)
        30
        """
        width = round(self.width_s * rate_hz)
        upto = np.concatenate(([0.0], np.cumsum(np.square(samples, dtype=np.float64))))
        energy = np.maximum(upto[width:] - upto[:-width], 0.0) ** self.exponent
        grows = energy[width:] - energy[:-width]
        if not grows.size:
            return None
        return width + int(np.argmax(grows if self.rises else -grows))


#: A pluck is loud within milliseconds; by its amplitude, so that the faint noise before it does not
#: decide, over about a period of a low string, so that its swings do not.
BEGINNING: Final = Edge(before_s=0.015, after_s=0.006, width_s=0.02, exponent=0.5, rises=True)
#: A hand takes some hundredths of a second: by energy, so at its beginning.
DAMPING: Final = Edge(before_s=0.03, after_s=0.03, width_s=0.03, exponent=1.0, rises=False)
