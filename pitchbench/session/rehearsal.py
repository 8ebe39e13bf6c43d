"""A whole session without hardware: a virtual player on a virtual instrument.

The player sees what a person would see, the session's state, and nothing of the truth; the session
hears what a microphone would hear, samples. Both follow from one seed. Everything runs in one
thread, as fast as it can or at the pace that is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.errors import PitchbenchError
from pitchbench.intonation.bridge import Move
from pitchbench.pitch.listener import Listener
from pitchbench.session.engine import (
    Keep,
    Keys,
    Rescue,
    Runner,
    TellRecords,
    View,
    attend,
    hear_out,
    releasing,
    stand,
    stands,
)
from pitchbench.session.job import Command, KeyPressed
from pitchbench.session.log import Setup, Step, TakeFate
from pitchbench.session.pacing import Pace, Reader
from pitchbench.session.state import State
from pitchbench.session.teaching import Taught, begin_taught
from pitchbench.session.words import before_work
from pitchbench.sound.recorder import Recorder
from pitchbench.sound.source import Block, Source
from pitchbench.strings.faults import Fault, FaultyInstrument
from pitchbench.strings.virtual import VirtualInstrument

if TYPE_CHECKING:
    from pitchbench.session.teller import Teller

_BLOCK: Final = 1024

#: Quiet before the first pluck, and between a damped note and the next pluck.
_SETTLING_IN_S: Final = 0.6
_BETWEEN_S: Final = (0.45, 0.8)

#: So much of a note shows that it glides down.
_SEEN_S: Final = 0.5

#: A player who needs more plucks than this for one string gives up.
_PATIENCE: Final = 80


@dataclass(frozen=True)
class Habits:
    """How a player plays; standard deviations in cents unless the name says otherwise.

    Refretting spreads by about 2 cents, 1 sigma (Mottola, abstract; docs/definitions.md, section
    2). The rest is our own invention of a likely size. ``wrong_way`` is whether the first saddle is
    moved the other way than told.
    """

    open_cents: float = 0.3
    refret_cents: float = 2.0
    tuning_cents: float = 1.0
    screw_share: float = 0.04
    bad_pluck_share: float = 0.05
    wrong_way: bool = False
    ring_s: tuple[float, float] = (1.6, 2.5)
    amplitude_mm: tuple[float, float] = (0.9, 1.6)


@dataclass(frozen=True)
class TrueMove:
    """A saddle move as it really was: signed, positive away from the nut."""

    string: int
    true_before_cents: float
    advised_mm: float
    made_mm: float
    true_after_cents: float


@dataclass(frozen=True)
class Rehearsal:
    """What came of it, with the truth beside it; offsets in cents by string number. ``unrecorded``
    is why its sound was kept no further, where that was so."""

    state: State
    true_found_cents: dict[int, float]
    true_left_cents: dict[int, float]
    moves: tuple[TrueMove, ...]
    instrument: VirtualInstrument
    unrecorded: PitchbenchError | None = None

    def moves_of(self, string: int) -> list[TrueMove]:
        """The moves of one string's saddle, whichever string on it they were advised for."""
        on_it = (string, *self.state.setup.instrument.bridge.beside(string))
        return [move for move in self.moves if move.string in on_it]


def blocks_in_room(
    instrument: VirtualInstrument, sound: NDArray[np.float32], start: int
) -> Iterator[Block]:
    """What a microphone hears of ``sound`` in the instrument's room, from sample ``start`` on."""
    heard = np.clip(sound + instrument.room(len(sound)), -1.0, 1.0)
    for at in range(0, len(heard), _BLOCK):
        yield Block(heard[at : at + _BLOCK], start + at, instrument.rate_hz)


class VirtualPlayer:
    """Plays the instrument as the session asks; a source of sound like any other.

    Parameters
    ----------
    instrument : what is played.
    look : shows the session's state, as a screen would.
    seed : where this player's scatter comes from.
    habits : how large that scatter is.
    ready : called before each thing the player does; may take its time.
    """

    def __init__(
        self,
        instrument: VirtualInstrument,
        look: Callable[[], State],
        *,
        seed: int,
        habits: Habits | None = None,
        ready: Callable[[], None] = lambda: None,
    ) -> None:
        self.instrument = instrument
        self._ready = ready
        self.moves: list[TrueMove] = []
        self._look = look
        self._habits = habits or Habits()
        # A stream of its own: the instrument draws from the same seed.
        self._rng = np.random.default_rng([seed, 1])
        self._followed: Move | None = None

    @property
    def name(self) -> str:
        """What a person calls it."""
        return "virtual player"

    @property
    def rate_hz(self) -> int:
        """Sampling rate of every block."""
        return self.instrument.rate_hz

    def blocks(self) -> Iterator[Block]:
        """Pluck after pluck with the room in between, until the player gives up."""
        start = 0
        most = _PATIENCE * len(self._look().setup.order)
        for turn in range(most):
            self._ready()
            sound = self._quiet(_SETTLING_IN_S) if turn == 0 else self._act(self._look())
            yield from blocks_in_room(self.instrument, sound, start)
            start += len(sound)

    # ------------------------------------------------------------------ what a person would do

    def _act(self, state: State) -> NDArray[np.float32]:
        if state.log.step in (Step.MOVE, Step.BORDER):
            return self._at_move(state)
        if state.log.tuned:
            return self._pluck(state.log.current, state.log.wanted_fret or 0)
        if _out_of_tune(state):
            self._tune(state.log.current)
        return self._pluck(state.log.current, 0)

    def _at_move(self, state: State) -> NDArray[np.float32]:
        """Follow the advice, once."""
        string = state.log.string
        if string.advice is None or string.advice is self._followed:
            self._tune(state.log.current)
            return self._pluck(state.log.current, 0)
        self._followed = string.advice
        self._move(string.advice, state.setup.fret)
        return self._pluck(state.log.current, 0)

    def _move(self, advice: Move, fret: int) -> None:
        """Slacken, turn the screw about as far as told, bring the string up most of the way."""
        number = advice.string
        beside = self.instrument.instrument.bridge.beside(number)
        before = self.instrument.true_offset_cents(number, fret)
        for slackened in (number, *beside):
            self.instrument.tune(slackened, -300.0)
        turned_mm = advice.screw_mm * (1.0 + self._habits.screw_share * self._normal())
        if self._habits.wrong_way and not self.moves:
            turned_mm = -turned_mm
        made_mm = self.instrument.move_saddle(number, turned_mm)
        for other in beside:
            self._tune(other)
        self.instrument.tune(number)
        after = self.instrument.true_offset_cents(number, fret)
        self.moves.append(TrueMove(number, before, advice.mm, made_mm, after))
        self.instrument.tune(number, -200.0 + 20.0 * self._normal())

    def _tune(self, number: int) -> None:
        self.instrument.tune(number, self._habits.tuning_cents * self._normal())

    def _pluck(self, number: int, fret: int) -> NDArray[np.float32]:
        """A pluck as asked, now and then a bad one, and a little quiet after it."""
        habits, uniform = self._habits, self._rng.uniform
        spread = habits.refret_cents if fret else habits.open_cents
        detune = spread * self._normal()
        ring_s, amplitude_mm = uniform(*habits.ring_s), uniform(*habits.amplitude_mm)
        if uniform() < habits.bad_pluck_share:
            ring_s, amplitude_mm = (0.08, amplitude_mm) if uniform() < 0.5 else (0.5, 0.05)
        note = self.instrument.pluck(
            number, fret, amplitude_mm=amplitude_mm, ring_s=ring_s, detune_cents=detune
        )
        return np.concatenate([note, self._quiet(uniform(*_BETWEEN_S))])

    def _quiet(self, seconds: float) -> NDArray[np.float32]:
        return np.zeros(round(seconds * self.rate_hz), np.float32)

    def _normal(self) -> float:
        return float(self._rng.standard_normal())


def rehearse(
    setup: Setup,
    *,
    seed: int,
    habits: Habits | None = None,
    views: Sequence[View[Taught]] = (),
    keys: Keys | None = None,
    keep: Keep | None = None,
    tell_records: TellRecords | None = None,
    rescue: Rescue | None = None,
    pace: Pace | None = None,
    explain: bool = False,
    fault: Fault | None = None,
    record: Path | None = None,
    live: bool = False,
    stays: bool = False,
    teller: Teller[Taught] | None = None,
    **room: Any,
) -> Rehearsal:
    """Do the whole job on a virtual instrument, from the first pluck to the last string.

    Parameters
    ----------
    seed : where all chance comes from: the same seed gives the same samples and the same result.
    views, keys, keep, tell_records, rescue : as for `engine.run`.
    pace : how fast it goes on; as fast as it can if None.
    explain : whether each thing is explained every time it is asked.
    fault : what is wrong, with the first string to be set where it is of a string.
    record : file to keep the sound in.
    live : whether each note is followed while it rings, as a screen wants; the readings are the
        same, but it takes several times as long.
    stays : as for `engine.run`.
    teller : tells it to the ear; the player waits until it has finished, and so does the end.
    room : handed on to `VirtualInstrument`, such as ``noise_db``.
    """
    instrument = FaultyInstrument(
        setup.instrument,
        seed=seed,
        fault=fault,
        string=setup.order[0],
        fret=setup.fret,
        a4_hz=setup.a4_hz,
        **room,
    )
    habits = replace(habits or Habits(), wrong_way=fault is Fault.WRONG_WAY)
    reader = Reader()

    def stepping() -> Iterator[KeyPressed]:
        for key in keys() if keys is not None else ():
            if key.command is Command.STEP and pace is not None:
                pace.step()
                if teller is not None:
                    teller.hush()
            yield key

    def watched() -> bool | None:
        attend(runner, stepping, teller)
        display = runner.job.display
        # Whoever reads the help page sees nothing of what goes on.
        return None if runner.job.over else display.paused or display.help_open

    def read() -> None:
        if pace is not None and (words := words_to_read(runner.job, reader)):
            pace.reading(words, watched)

    def ready() -> None:
        read()
        if teller is not None:
            hear_out(runner, stepping, teller)

    player = VirtualPlayer(instrument, lambda: runner.job, seed=seed, habits=habits, ready=ready)
    found = _truth(instrument, setup)
    with ExitStack() as stack:
        recorder = None if record is None else stack.enter_context(Recorder(player, record))
        source: Source = recorder or player
        views = views if teller is None else (*views, teller)
        runner = Runner(
            begin_taught(setup, explain=explain),
            views=views,
            keep=keep,
            tell_records=tell_records,
            rescue=rescue,
        )
        stack.callback(runner.end)
        blocks = stack.enter_context(releasing(source))
        listener = Listener(source.rate_hz, offer_early=live)
        for block in blocks:
            for heard in listener.feed(block):
                if not runner.job.over:
                    runner.take(heard)
                if _teaches_of_a_note(runner.job):
                    read()
            attend(runner, stepping, teller)
            if stands(runner.job, keys, stays=stays):
                stand(runner, stepping, teller)
            if runner.job.over:
                break
            if pace is not None:
                pace.sound(block, watched)
        if teller is not None:
            hear_out(runner, stepping, teller)
    unrecorded = None if recorder is None else recorder.trouble
    left = _truth(instrument, setup)
    return Rehearsal(runner.job, found, left, tuple(player.moves), instrument, unrecorded)


def _teaches_of_a_note(state: Taught) -> bool:
    """Whether there is something to learn of a note while it rings, once there is something to see
    of it."""
    live = state.live
    begun = live is not None and live.at_s - live.onset_s >= _SEEN_S
    return bool(state.measuring and state.why and begun)


def words_to_read(state: Taught, reader: Reader) -> int:
    """How many words of what stands on the screen the person in front of it has not read yet."""
    sentences = [state.why, state.says]
    if state.log.step is Step.BEFORE:
        sentences += before_work(state.setup.instrument)
    advice = state.log.string.advice
    if advice is None or state.log.step not in (Step.MOVE, Step.BORDER, Step.RETUNE):
        return reader.words([state.asks, *sentences])
    # The move is the point of the work.
    return reader.words([*sentences, *advice.cautions], anew=state.asks)


def _truth(instrument: VirtualInstrument, setup: Setup) -> dict[int, float]:
    return {number: instrument.true_offset_cents(number, setup.fret) for number in setup.order}


def _out_of_tune(state: State) -> bool:
    """Whether the last pluck was this open string, not in tune."""
    take = state.log.last_take
    return (
        take is not None
        and take.string == state.log.current
        and take.fate is TakeFate.IGNORED
        and take.fret == 0
    )
