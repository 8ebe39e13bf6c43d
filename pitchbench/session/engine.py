"""Where sound, keys and a clock meet a reducer: the only place of a job with a thread.

The thread turns blocks into what is heard; the main loop alone changes the state, so that views
and records never see two things happen at once.
"""

from __future__ import annotations

import queue
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final, Generic, Protocol, TypeVar

from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.pitch.listener import Listener
from pitchbench.session.reducer import advance
from pitchbench.session.state import (
    Entry,
    Event,
    InputBack,
    InputLost,
    KeyPressed,
    State,
    Step,
)
from pitchbench.sound.microphone import InputLostError
from pitchbench.sound.source import Block, Source

#: A view gets the state before and after; both are the same where nothing changed.
View = Callable[[State, State], None]

#: Returns the keys pressed since it was last asked, without waiting.
Keys = Callable[[], Iterable[KeyPressed]]

#: Called with each entry as it comes to be; when it returns, the entry is safe. If it raises
#: PitchbenchError, it is called with the same entry again later.
Keep = Callable[[Entry], None]

#: Called with the trouble when entries cannot be kept, and with None when all of them are.
TellRecords = Callable[[PitchbenchError | None], None]

#: How often keys are looked for while nothing is heard.
_KEY_POLL_S: Final = 0.03

#: How often a lost input is looked for, and entries that could not be kept are tried again.
_RETRY_S: Final = 1.0

#: How long the source may take to let go of its device.
_RELEASE_S: Final = 3.0

_END: Final = object()


class Standing(Protocol):
    """The state of any guided job: what is worth keeping only ever grows."""

    @property
    def entries(self) -> tuple[Entry, ...]:
        """Everything worth keeping, in order."""


_S = TypeVar("_S", bound=Standing)


@dataclass(frozen=True)
class Rules(Generic[_S]):
    """What a job is: how an event changes its state, and whether it has come to its end."""

    advance: Callable[[_S, Event], _S]
    over: Callable[[_S], bool]


#: The rules of a session, which sets the intonation of an instrument.
SESSION: Final = Rules[State](advance, lambda state: state.quit or state.step is Step.FINISHED)


class Bench(Generic[_S]):
    """Holds the state of a running job; hands every change to the views and the records.

    Parameters
    ----------
    state : where the job stands.
    rules : what the job is.
    views : called with the state before and after each event, in this order, after `keep`.
    keep : called with each new entry before anything is shown.
    """

    def __init__(
        self,
        state: _S,
        *,
        rules: Rules[Any] = SESSION,
        views: Sequence[Callable[[_S, _S], None]] = (),
        keep: Keep | None = None,
    ) -> None:
        self.state = state
        self._rules = rules
        self._views = views
        self._keep = keep
        self._show(state, state)

    @property
    def over(self) -> bool:
        """Whether the job has come to its end or was quit."""
        return self._rules.over(self.state)

    def take(self, event: Event) -> None:
        """Let one thing happen."""
        old: _S = self.state
        new: _S = self._rules.advance(old, event)
        self.state = new
        if self._keep is not None:
            for entry in new.entries[len(old.entries) :]:
                self._keep(entry)
        self._show(old, new)

    def _show(self, old: _S, new: _S) -> None:
        for view in self._views:
            view(old, new)


class NotKeptError(PitchbenchError):
    """The job is over, and entries are left that the records would not take.

    ``state`` is the job's last state, with every entry; ``cause`` what the records said.
    """

    def __init__(self, state: Any, waiting: int, cause: PitchbenchError) -> None:
        number = "1 entry is" if waiting == 1 else f"{waiting} entries are"
        super().__init__(f"{number} not on record: {cause.what}", cause.remedy, ExitCode.RECORDS)
        self.state = state
        self.cause = cause


class _Waiting:
    """Entries on their way into the records, in order. While the records are out of reach they wait
    here and are tried again every second, so that neither they nor the job are lost."""

    def __init__(self, keep: Keep, tell: TellRecords | None) -> None:
        self.trouble: PitchbenchError | None = None
        self._keep = keep
        self._tell = tell
        self._entries: deque[Entry] = deque()
        self._tried_at = 0.0

    def __len__(self) -> int:
        return len(self._entries)

    def __call__(self, entry: Entry) -> None:
        """Keep ``entry``, now or later; as a bench's `keep`."""
        self._entries.append(entry)
        if self.trouble is None:
            self.try_now()

    def try_if_due(self) -> None:
        """Try again if something waits and was not tried just now."""
        if self._entries and time.monotonic() - self._tried_at >= _RETRY_S:
            self.try_now()

    def try_now(self) -> None:
        """Keep all that waits, or say once why that cannot be done."""
        before = self.trouble
        try:
            while self._entries:
                self._keep(self._entries[0])
                self._entries.popleft()
            self.trouble = None
        except PitchbenchError as error:
            self.trouble = error
        self._tried_at = time.monotonic()
        if self._tell is not None and (before is None) is not (self.trouble is None):
            self._tell(self.trouble)


class Pace:
    """Lets time pass as the samples do; hand it to a rehearsal that is watched.

    Parameters
    ----------
    speed : how many seconds of sound go by in one second.
    """

    def __init__(self, speed: float) -> None:
        self._speed = speed
        self._began: float | None = None

    def __call__(self, block: Block) -> None:
        """Wait until ``block`` has gone by."""
        now = time.monotonic()
        if self._began is None:
            self._began = now
        end_s = (block.start + len(block.samples)) / block.rate_hz / self._speed
        time.sleep(max(0.0, self._began + end_s - now))


def run(
    source: Source,
    state: _S,
    *,
    rules: Rules[Any] = SESSION,
    views: Sequence[Callable[[_S, _S], None]] = (),
    keys: Keys | None = None,
    keep: Keep | None = None,
    tell_records: TellRecords | None = None,
) -> _S:
    """Run a job until it is over, or the source ends; return its last state.

    Parameters
    ----------
    source : a microphone, a recording or anything else with blocks. A lost input is looked for
        again every second; the job goes on when it is back.
    state : where it begins.
    rules, views, keep : see `Bench`. What `keep` refuses waits and is tried again every second.
    keys : asked for keys some thirty times a second.
    tell_records : told when entries cannot be kept, and when all of them are.

    Raises
    ------
    NotKeptError
        When it is over, or interrupted, and entries are left that `keep` refuses still.
    KeyboardInterrupt
        On SIGINT, SIGTERM and SIGHUP; everything up to then has been kept.
    PitchbenchError
        Whatever the source raises, such as a device that cannot be opened.
    """
    waiting = None if keep is None else _Waiting(keep, tell_records)
    bench = Bench(state, rules=rules, views=views, keep=waiting)
    heard: queue.SimpleQueue[Any] = queue.SimpleQueue()
    stop = threading.Event()
    listening = threading.Thread(
        target=_listen,
        args=(source, heard, stop),
        name="pitchbench-listener",
        daemon=True,
    )
    with _signals_interrupt():
        try:
            listening.start()
            _attend(bench, heard, keys, waiting)
        finally:
            stop.set()
            listening.join(_RELEASE_S)
            if waiting:
                waiting.try_now()
                if waiting.trouble is not None:
                    raise NotKeptError(bench.state, len(waiting), waiting.trouble)
    return bench.state


def _attend(
    bench: Bench[Any],
    heard: queue.SimpleQueue[Any],
    keys: Keys | None,
    waiting: _Waiting | None,
) -> None:
    """The main loop: one event after the other, until it is over."""
    while not bench.over:
        if waiting is not None:
            waiting.try_if_due()
        for key in keys() if keys is not None else ():
            bench.take(key)
        try:
            event = heard.get(timeout=_KEY_POLL_S)
        except queue.Empty:
            continue
        if event is _END:
            return
        if isinstance(event, BaseException):
            raise event
        if not bench.over:
            bench.take(event)


def _listen(source: Source, heard: queue.SimpleQueue[Any], stop: threading.Event) -> None:
    """The thread: blocks in, events out, until the source ends or ``stop`` is set."""
    try:
        for event in _events(source, stop):
            heard.put(event)
        heard.put(_END)
    except BaseException as error:  # handed over, raised in the main loop
        heard.put(error)


def _events(source: Source, stop: threading.Event) -> Iterator[Event]:
    """What is heard, with the input's comings and goings in between."""
    listener = Listener(source.rate_hz, offer_early=True)
    lost, coming = False, False
    while not stop.is_set():
        try:
            with releasing(source) as blocks:
                for block in blocks:
                    if not coming:
                        lost, coming = False, True
                        yield InputBack()
                    yield from listener.feed(block)
                    if stop.is_set():
                        return
            break
        except InputLostError as error:
            coming = False
            if not lost:
                lost = True
                yield InputLost(error.reason)
            stop.wait(_RETRY_S)
    yield from listener.finish()


@contextmanager
def releasing(source: Source) -> Iterator[Iterator[Block]]:
    """The source's blocks; its device or file is let go of on the way out."""
    blocks = source.blocks()
    try:
        yield blocks
    finally:
        close = getattr(blocks, "close", None)
        if close is not None:
            close()


@contextmanager
def _signals_interrupt() -> Iterator[None]:
    """Let a hang-up or a request to end be handled like Ctrl-C while this lasts."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def interrupt(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    names = ("SIGTERM", "SIGHUP")  # Windows has no SIGHUP
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    before = {number: signal.signal(number, interrupt) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
