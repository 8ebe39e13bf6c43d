"""Tells a job to the ear: what is spoken, and the tones, one after the other and in their time.

Nothing sounds while a note rings. What has not been said when the next pluck comes is not said any
more: that pluck has its own answer. No thread: the main loop asks some thirty times a second.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator
from typing import Final, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from pitchbench.session.job import Job, Speaking
from pitchbench.session.log import OutcomeEntry, TakeEntry, TakeFate
from pitchbench.session.voice import Voice
from pitchbench.sound.loudspeaker import Loudspeaker
from pitchbench.sound.tones import Cue, tones

_J = TypeVar("_J", bound=Job)

#: After a note the string must have been still for so long: one plucked at once is announced
#: within a tenth of a second.
_STILL_S: Final = 0.35

_CUES: Final = {TakeFate.ACCEPTED: Cue.ACCEPTED, TakeFate.REJECTED: Cue.REJECTED}

#: Said once, before anything else.
_DEAF: Final = "I do not listen while I speak."


class Teller(Generic[_J]):
    """Speaks, and plays tones; hand it to the engine as a view, and let `attend` be called often.

    Parameters
    ----------
    loudspeaker : where it sounds.
    voice : how text becomes sound; None where nothing is spoken.
    spoken : what is spoken as a job goes on.
    cue : whether tones say what became of a pluck.
    clock : seconds on a monotonic clock.
    """

    def __init__(
        self,
        loudspeaker: Loudspeaker,
        *,
        voice: Voice | None,
        spoken: Callable[[_J, _J], str],
        cue: bool,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.loudspeaker = loudspeaker
        self._voice = voice
        self._spoken = spoken
        self._cue = cue
        self._clock = clock
        self._waiting: deque[Cue | str] = deque()
        self._ringing = self._lost = False
        self._still_since_s = clock()
        self._speaking = ""
        self._greeting = "" if loudspeaker.headphones else _DEAF

    def __call__(self, old: _J, new: _J) -> None:
        """Note what is to be told; as a view, this is what the engine calls after every event."""
        if new.ringing or self._ringing:
            self._still_since_s = self._clock()
        if new.ringing and not self._ringing:
            self._waiting.clear()
            if self.loudspeaker.headphones:
                self.hush()
        self._ringing, self._lost = new.ringing, new.input_lost is not None
        cue = _cue_of(old, new) if self._cue else None
        text = self._spoken(old, new) if self._voice is not None else ""
        if cue is None and not text:
            return
        self._waiting.clear()
        if cue is not None:
            self._waiting.append(cue)
        if text:
            self._waiting.append(f"{self._greeting} {text}".strip())
            self._greeting = ""

    @property
    def busy(self) -> bool:
        """Whether something sounds or is about to."""
        waits = self._waiting and self.loudspeaker.open
        return bool(waits or self._speaking or self.loudspeaker.sounding)

    def hush(self) -> None:
        """Say no more of what is being told."""
        self._waiting.clear()
        self.loudspeaker.hush()

    def attend(self) -> Iterator[Speaking]:
        """Begin what is due; yield when it is heard and when it has died away."""
        if self._speaking and not self.loudspeaker.sounding:
            self._speaking = ""
            yield Speaking("", listening=True)
        if not self._waiting:
            return
        if not self.loudspeaker.open:
            if self._lost:  # it opens together with the input
                self._waiting.clear()
            return
        sound = self._sound_of(self._waiting[0])
        if sound is not None and not len(sound):  # the voice has failed: the screen says it
            self._waiting.popleft()
            return
        if sound is None or not self._may_sound():
            return
        told = self._waiting.popleft()
        self.loudspeaker.play(sound)
        self._speaking = told if isinstance(told, str) else f"tone, {told.name.lower()}"
        yield Speaking(self._speaking, listening=self.loudspeaker.headphones)

    def _may_sound(self) -> bool:
        still_s = self._clock() - self._still_since_s
        return not self._ringing and still_s >= _STILL_S and not self.loudspeaker.sounding

    def _sound_of(self, told: Cue | str) -> NDArray[np.float32] | None:
        if isinstance(told, Cue):
            return tones(told, self.loudspeaker.rate_hz)
        assert self._voice is not None
        return self._voice.speak(told)


def _cue_of(old: Job, new: Job) -> Cue | None:
    """What the new entries are worth a tone for; the last word counts."""
    cue = None
    for entry in new.entries[len(old.entries) :]:
        if isinstance(entry, OutcomeEntry):
            cue = Cue.DONE
        elif isinstance(entry, TakeEntry):
            cue = _CUES.get(entry.take.fate)
    return cue
