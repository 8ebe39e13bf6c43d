"""From blocks to readings as a stream: what the session and the commands listen to."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.edges import BEGINNING, DAMPING, Edge
from pitchbench.pitch.energy import BEFORE_S, HEARD_S, Rise, compare
from pitchbench.pitch.note import note_of
from pitchbench.pitch.onset import Began, Ended, Found, PluckFinder, dies_away
from pitchbench.pitch.reading import LEAST_BACKGROUND_S, Pluck, Reading, Rejected, read_pluck
from pitchbench.pitch.yin import DIP, F_MAX_HZ, F_MIN_HZ, track
from pitchbench.sound.source import Block
from pitchbench.units import cents_between


@dataclass(frozen=True)
class PluckStarted:
    """A pluck was heard to begin."""

    onset_s: float


@dataclass(frozen=True)
class LivePitch:
    """The tracker's present value while a note rings: quick, not yet a reading.

    ``at_s`` is on the stream's time line; ``clarity`` runs from 0 (noise) to 1 (a pure period).
    """

    at_s: float
    onset_s: float
    pitch_hz: float
    clarity: float
    level_db: float


@dataclass(frozen=True)
class ReadingReady:
    """A pluck was read: offered, always as a `Reading`, once later ones will hardly leave what it
    says, and ``final`` once the note has ended. ``u_cents`` of one that is offered also holds how
    far the note's readings still moved."""

    reading: Reading | Rejected
    final: bool


Heard = PluckStarted | LivePitch | ReadingReady


#: The tracker looks every so many of the finder's steps: 10 ms until a note is announced, then at
#: 30 ms, which is finer than a screen can follow.
_LOOK_STEPS: Final = 2
_DRAW_STEPS: Final = 6
#: A pitch this clear, the same for two looks in a row, shows the rise to be a pluck. While the
#: attack grows, two and three periods fit better than one: a young note is not announced where a
#: part of the period might be the whole.
_SURE: Final = 1.0 - DIP
_SAME_CENTS: Final = 50.0
_RIVAL: Final = 0.55
_YOUNG_S: Final = 0.25
#: What is less clear than this is not drawn.
_CLEAR: Final = 0.75
#: A rise that shows no steady pitch by now is no pluck.
_DOUBT_S: Final = 0.6
#: Sudden is a rise by 6 dB from one such moment to the next but one.
_MOMENT_S: Final = 0.012
_SUDDEN: Final = 4.0
#: Words follow one another within this.
_AMONG_S: Final = 0.6
#: Ages at which a note that still rings is read, seconds; with how many readings before it one must
#: agree, how many times as far as it moved since them it may move on, how closely all that must be
#: known for it to be offered; and from which age on it is offered as it is: the partials
#: of a real string wander by themselves, and ringing longer hardly tells more. What is certain of
#: the sound so far may yet be left by what is still to sound (docs/accuracy.md, "While it rings").
_OFFERS_S: Final = (0.6, 0.9, 1.3, 1.8, 2.5, 3.5, 5.0, 7.0, 9.0)
_AGREEING: Final = 2
_STILL_TO_MOVE: Final = 2.0
_OFFERED_CENTS: Final = 0.5
_OFFERED_ANYHOW_S: Final = 2.5
#: The background of a pluck is up to this much of what came before it, clear of its onset and of
#: the end of the note before.
_BACKGROUND_S: Final = 0.7
_CLEAR_OF_ONSET_S: Final = 0.02
_CLEAR_OF_NOTE_S: Final = 0.1
#: The hand touches the string so much before most of its energy is gone.
_HAND_S: Final = 0.015


class Listener:
    """Turns a stream of blocks into what is heard. Same sound in, same events out, bit for bit.

    Parameters
    ----------
    rate_hz : sampling rate of the blocks to come.
    offer_early : whether to track notes live and to offer readings before they have ended, as a
        session does.
    elsewhere : asked of a note that has ended whether it is read elsewhere, of which nothing is
        yielded then; only for listening that does not ``offer_early``. None where all are read
        here.
    """

    def __init__(
        self,
        rate_hz: int,
        *,
        offer_early: bool = False,
        elsewhere: Callable[[Pluck], bool] | None = None,
    ) -> None:
        self._rate_hz = rate_hz
        self._offer_early = offer_early
        self._elsewhere = elsewhere
        self._finder = PluckFinder(rate_hz, self._plucked_again)
        self._sound = _Sound()
        self._note: _Note | None = None
        self._background = np.empty(0, dtype=np.float32)
        self._quiet_since = 0
        self._seamless = True
        #: Where the last sound ended that was no pluck, if there was one.
        self._passed_over: float = -math.inf
        #: Whether the note before rings on beside the one that begins next.
        self._company = False
        #: Whether what it brought told that it is plucked; None where nothing rang before.
        self._told: bool | None = None

    def feed(self, block: Block) -> Iterator[Heard]:
        """Take the next block; yield what it completed, in order of time."""
        if block.gap or block.start != self._sound.end:
            yield from self._hear(self._finder.finish(), gap=True)
            self._finder.resume(block.start)
            self._sound.restart(block.start)
            self._seamless = block.start == 0
        self._sound.append(block.samples)
        yield from self._hear(self._finder.feed(block.samples))
        first = self._note.onset if self._note else self._finder.index
        needed = min(edge.around(first, self._rate_hz)[0] for edge in (BEGINNING, DAMPING))
        self._sound.forget(needed - round(_BACKGROUND_S * self._rate_hz))

    def finish(self) -> Iterator[Heard]:
        """The stream has ended: yield the reading of a note that was still ringing."""
        yield from self._hear(self._finder.finish())

    def _hear(self, found: Iterator[Found], *, gap: bool = False) -> Iterator[Heard]:
        """What follows from ``found``; with a ``gap`` what rings to the end has lost samples."""
        for event in found:
            if isinstance(event, Began):
                self._note = _Note(event.index, event.rise_seen, self._company, self._told)
                self._company, self._told = False, None
            elif isinstance(event, Ended):
                torn = gap and event.index == self._sound.end and not event.replaced
                yield from self._end(event, gap=torn)
            elif self._note is not None:
                yield from self._rings(self._note, event.index)
            self._finder.wake = self._next_look()

    def _end_of(self, event: Ended) -> int:
        """The sample at which a note ended."""
        if event.replaced:
            return self._placed(BEGINNING, event.index)
        if event.damped:
            return self._placed(DAMPING, event.index) - round(_HAND_S * self._rate_hz)
        return event.index

    def _end(self, event: Ended, *, gap: bool = False) -> Iterator[Heard]:
        note, self._note = self._note, None
        if note is None:
            return
        self._place(note)
        end = self._end_of(event)
        if event.drowned and not note.rise_seen:
            # The stream began with what a string left over, or with hum, before the first pluck.
            return
        if note.note_hz is None and not self._is_fresh(note, end):
            # The stream began with sound that was no pluck: nothing has rung yet.
            return
        self._quiet_since = end
        pluck = self._pluck(note, end, gap=gap)
        # What is short may be one of several words, which the reading before it tells.
        if self._elsewhere and pluck.ring_s >= _DOUBT_S and self._elsewhere(pluck):
            return
        reading = read_pluck(pluck)
        if reading is None or (isinstance(reading, Rejected) and self._among_others(note, end)):
            self._passed_over = end
            return
        if self._offer_early and not note.announced:
            yield PluckStarted(reading.onset_s)
        yield ReadingReady(reading, final=True)

    def _among_others(self, note: _Note, end: int) -> bool:
        """Whether a short sound follows upon one that was no pluck: a word upon a word."""
        since = note.onset - self._passed_over
        return since < _AMONG_S * self._rate_hz and end - note.onset < _DOUBT_S * self._rate_hz

    def _pluck(self, note: _Note, end: int, *, gap: bool = False) -> Pluck:
        samples = self._sound.between(note.onset, end)
        return Pluck(
            samples,
            self._rate_hz,
            note.onset / self._rate_hz,
            background=self._background,
            gap=gap,
            company=note.company,
            # Of what ended before that was known more is asked than of what rings on.
            note_hz=note.note_hz if end - note.onset >= _DOUBT_S * self._rate_hz else None,
        )

    def _place(self, note: _Note) -> None:
        """Find the sample at which the note begins, once, and what is heard without it."""
        if note.placed:
            return
        note.placed = True
        if note.rise_seen:
            note.onset = self._placed(BEGINNING, note.onset)
        self._learn_background(note.onset)

    def _placed_by(self, note: _Note) -> int:
        """The sample by which all is heard that tells where the note begins."""
        return BEGINNING.around(note.onset, self._rate_hz)[1]

    def _placed(self, edge: Edge, index: int) -> int:
        """The sample of an ``edge`` that was seen in the step at sample ``index``."""
        first, last = edge.around(index, self._rate_hz)
        first = max(first, self._sound.start)
        found = edge.place(self._sound.between(first, min(last, self._sound.end)), self._rate_hz)
        return index if found is None else first + found

    def _learn_background(self, onset: int) -> None:
        """What was heard just before ``onset``, if nothing that was plucked rang then."""
        last = onset - round(_CLEAR_OF_ONSET_S * self._rate_hz)
        first = max(
            onset - round(_BACKGROUND_S * self._rate_hz),
            self._quiet_since + round(_CLEAR_OF_NOTE_S * self._rate_hz),
            self._sound.start,
        )
        if last - first >= LEAST_BACKGROUND_S * self._rate_hz:
            self._background = self._sound.between(first, last).copy()

    def _rings(self, note: _Note, index: int) -> Iterator[Heard]:
        """The note has come to sample ``index``."""
        if index >= self._placed_by(note):
            self._place(note)
        age_s = (index - note.onset) / self._rate_hz
        if note.note_hz is None and age_s >= _DOUBT_S:
            if self._is_fresh(note, index):
                sound = self._sound.between(note.onset, index)
                note.note_hz = note_of(sound, self._rate_hz)
            if note.note_hz is None:
                self._finder.abandon()
                self._note = None
                if note.rise_seen:  # not the room, with which the stream begins
                    self._passed_over = index
                self._quiet_since = note.onset
                return
        if not self._offer_early:
            return
        if index >= note.draw_at:
            yield from self._draw(note, index)
            every = self._finder.step * (_DRAW_STEPS if note.announced else _LOOK_STEPS)
            note.draw_at = note.onset + ((index - note.onset) // every + 1) * every
        if note.offers < len(_OFFERS_S) and age_s >= _OFFERS_S[note.offers]:
            note.offers += 1
            reading = read_pluck(self._pluck(note, index))
            if isinstance(reading, Reading):
                yield from _offered(note, reading, age_s)

    def _next_look(self) -> int | None:
        """The sample at which the note in progress is to be looked at next."""
        note = self._note
        if note is None:
            return None
        ages_s = [_DOUBT_S] if note.note_hz is None else []
        if self._offer_early:
            ages_s += _OFFERS_S[note.offers : note.offers + 1]
        looks = [note.onset + math.ceil(age_s * self._rate_hz) for age_s in ages_s]
        if not note.placed:
            looks.append(self._placed_by(note))
        if self._offer_early:
            looks.append(note.draw_at)
        return min(looks, default=None)

    def _plucked_again(self, index: int) -> bool:
        """Whether the rise at sample ``index`` ends the note that rings: another pluck, or a tear
        in the sound, after which the rest of a note that was heard is none of its own.

        Of a note too young to tell what it was to become, any sudden rise is; a voice grows.
        """
        assert self._note is not None
        first = max(self._note.onset, index - 2 * round(BEFORE_S * self._rate_hz))
        if index - first < BEFORE_S * self._rate_hz:
            self._told = self._is_sudden(index) or None
            return bool(self._told)
        if self._sound.end - index < HEARD_S * self._rate_hz:
            return False
        rise = self._compare(first, index)
        if not (rise.plucked or rise.torn):
            return False
        # Of a note that was hardly heard yet the rest is all there is.
        self._told = rise.plucked or self._note.note_hz is None
        self._company = rise.over_another
        return True

    def _is_sudden(self, index: int) -> bool:
        """Whether the level rises about sample ``index`` within a moment."""
        moment = round(_MOMENT_S * self._rate_hz)
        around = (index - 2 * moment, index - moment, index, index + moment)
        before, _, after = (
            float(np.mean(np.square(self._sound.between(a, b)))) for a, b in pairwise(around)
        )
        return after > _SUDDEN * before

    def _compare(self, first: int, index: int) -> Rise:
        """The sound from sample ``first`` on with that from the rise at ``index`` on."""
        before = self._sound.between(first, index)
        after = self._sound.between(index, self._sound.end)
        return compare(before, after, self._rate_hz, self._background)

    def _is_fresh(self, note: _Note, index: int) -> bool:
        """Whether the note was plucked here, and not before the stream, or a gap, let it be heard.

        A tick over what is left of an earlier note is no pluck either, and what still rings after a
        gap is the rest of the pluck that the gap has voided.
        """
        if note.told is not None:
            return note.told  # asked once more, where it was placed some ms earlier, it may differ
        if note.rise_seen:
            first = max(self._sound.start, note.onset - 2 * round(BEFORE_S * self._rate_hz))
            known = note.onset - first >= BEFORE_S * self._rate_hz
            heard = index - note.onset >= HEARD_S * self._rate_hz
            return not (known and heard) or self._compare(first, note.onset).plucked
        return self._seamless and dies_away(self._sound.between(note.onset, index))

    def _draw(self, note: _Note, index: int) -> Iterator[Heard]:
        """The tracker's present value; only periods that fit twice into the note are looked for."""
        fmin_hz = max(F_MIN_HZ, 2.2 * self._rate_hz / (index - note.onset))
        if fmin_hz > F_MAX_HZ / 2:
            return
        length = int(2.1 * self._rate_hz / fmin_hz) + 16
        window = self._sound.between(max(note.onset, index - length), index)
        tracked = track(window, self._rate_hz, fmin_hz=fmin_hz, hop=len(window))
        if not len(tracked.f0_hz):
            return
        pitch_hz, clarity = float(tracked.f0_hz[-1]), float(tracked.clarity[-1])
        if not note.announced:
            young = index - note.onset < _YOUNG_S * self._rate_hz
            sure = clarity >= _SURE and not (young and tracked.rival[-1] >= _RIVAL)
            before_hz, note.looked_hz = note.looked_hz, pitch_hz if sure else None
            if note.looked_hz is None or before_hz is None or not note.placed:
                return
            if abs(cents_between(pitch_hz, before_hz)) > _SAME_CENTS:
                return
            note.announced = True
            yield PluckStarted(note.onset / self._rate_hz)
        if clarity >= _CLEAR:
            yield LivePitch(
                at_s=index / self._rate_hz,
                onset_s=note.onset / self._rate_hz,
                pitch_hz=pitch_hz,
                clarity=clarity,
                level_db=10.0 * float(np.log10(np.mean(np.square(window)) + 1e-20)),
            )


def _offered(note: _Note, reading: Reading, age_s: float) -> Iterator[ReadingReady]:
    """``reading`` of a note that still rings, if it may be relied on."""
    before = note.read_hz[-_AGREEING:]
    note.read_hz.append(reading.pitch_hz)
    if len(before) < _AGREEING:
        return
    moved_cents = max(abs(cents_between(reading.pitch_hz, hz)) for hz in before)
    u_cents = math.hypot(reading.u_cents, _STILL_TO_MOVE * moved_cents)
    if u_cents <= _OFFERED_CENTS or age_s >= _OFFERED_ANYHOW_S:
        yield ReadingReady(replace(reading, u_cents=u_cents), final=False)


@dataclass
class _Note:
    """A note in progress; ``onset`` is a step's first sample until it is ``placed``, ``note_hz`` is
    known once it is certain that it is a note; ``told`` whether it was told from a tick in the one
    before, or from the rest of that one; None where there was none."""

    onset: int
    rise_seen: bool
    company: bool
    told: bool | None
    placed: bool = False
    note_hz: float | None = None
    announced: bool = False
    looked_hz: float | None = None
    draw_at: int = 0
    offers: int = 0
    read_hz: list[float] = field(default_factory=list)


class _Sound:
    """The latest part of the stream, addressed by sample index."""

    def __init__(self) -> None:
        self.start = self.end = 0
        self._store = np.empty(1 << 16, dtype=np.float32)

    def append(self, samples: NDArray[np.float32]) -> None:
        held = self.end - self.start
        if held + len(samples) > len(self._store):
            larger = np.empty(2 * (held + len(samples)), dtype=np.float32)
            larger[:held] = self._store[:held]
            self._store = larger
        self._store[held : held + len(samples)] = samples
        self.end += len(samples)

    def between(self, first: int, last: int) -> NDArray[np.float32]:
        """Samples ``first`` to ``last``; a view, good until the next :meth:`forget`."""
        return self._store[first - self.start : last - self.start]

    def forget(self, before: int) -> None:
        """Drop what lies before sample ``before``, once that is worth moving the rest."""
        spare = before - self.start
        if spare > len(self._store) // 2:
            held = self.end - before
            self._store[:held] = self._store[spare : spare + held].copy()
            self.start = before

    def restart(self, index: int) -> None:
        """Begin anew at sample ``index``."""
        self.start = self.end = index
