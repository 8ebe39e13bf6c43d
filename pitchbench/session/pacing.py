"""How fast a rehearsal goes on that is watched: sound, reading, pauses and steps."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterable
from typing import Final

from pitchbench.session.engine import KEY_POLL_S
from pitchbench.sound.source import Block

#: Sound goes by so many times faster than life: fast enough not to bore, slow enough to see each
#: note settle (our own choice).
WATCHING_SPEED: Final = 2.5

#: Words that are read in a second. Most adults read between 175 and 300 words a minute in silence,
#: 238 on average (Brysbaert, "How many words do we read per minute?", Journal of Memory and
#: Language 109, 2019, English non-fiction; values from memory). A newcomer reads slowly.
_WORDS_PER_S: Final = 175.0 / 60.0

#: Looks for keys; whether the picture stands still, None once all is over.
Attend = Callable[[], bool | None]


class Reader:
    """A person in front of the screen: how many words there are to read that were not read before.

    A sentence that differs from an earlier one in its numbers alone is known; the numbers are not.
    """

    def __init__(self) -> None:
        self._read: set[str] = set()
        self._patterns: set[str] = set()

    def words(self, sentences: Iterable[str], *, anew: str = "") -> int:
        """Words to be read in ``sentences``; ``anew`` is one that is always read with care, unless
        it is word for word as before."""
        count = 0
        for sentence in (anew, *sentences):
            if sentence in self._read:
                continue
            pattern = re.sub(r"[\d.,+−-]*\d", "0", sentence)
            known = pattern in self._patterns and sentence is not anew
            count += sum(not known or "0" in word for word in pattern.split())
            self._read.add(sentence)
            self._patterns.add(pattern)
        return count


class Pace:
    """Lets time pass; hand it to a rehearsal that is watched.

    Parameters
    ----------
    speed : how many seconds of sound go by in one second; reading takes as much less time as this
        is above `WATCHING_SPEED`.
    clock, sleep : where time comes from.
    """

    def __init__(
        self,
        speed: float,
        *,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._speed = speed
        self._clock = clock
        self._sleep = sleep
        self._due: float | None = None
        self._stepping = False

    def step(self) -> None:
        """Go on at once to where there is something new to read."""
        self._stepping = True

    def sound(self, block: Block, attend: Attend) -> None:
        """Wait until ``block`` has gone by."""
        now = self._clock()
        due = now if self._due is None else self._due
        self._due = due + len(block.samples) / block.rate_hz / self._speed
        if not self._wait(self._due - now, attend):
            self._due = None

    def reading(self, words: int, attend: Attend) -> None:
        """Wait as long as it takes to read ``words``."""
        if words:
            self._stepping = False
        self._wait(words / _WORDS_PER_S * WATCHING_SPEED / self._speed, attend)
        self._due = None

    def _wait(self, seconds: float, attend: Attend) -> bool:
        """Wait; time in which the picture stands still does not count. Whether it never did."""
        moved = True
        while True:
            still = attend()
            if still is None or self._stepping:
                return False
            if not still and seconds <= 0.0:
                return moved
            moved = moved and not still
            began = self._clock()
            self._sleep(KEY_POLL_S if still else min(seconds, KEY_POLL_S))
            if not still:
                seconds -= self._clock() - began
