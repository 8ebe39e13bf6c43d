"""Where sound, keys and a clock meet a job: the only place with a thread.

The thread turns blocks into what is heard; the main loop alone changes the state, so that views
and records never see two things happen at once.
"""

from __future__ import annotations

import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import partial
from typing import TYPE_CHECKING, Any, Final, Generic, TypeVar

from pitchbench import ending
from pitchbench.ending import LEFT_BEHIND
from pitchbench.errors import PitchbenchError, RecordsError
from pitchbench.pitch.listener import Listener
from pitchbench.session.job import Event, InputBack, InputLost, Job, KeyPressed
from pitchbench.session.log import Entry
from pitchbench.session.unheeded import Unheeded
from pitchbench.sound.hearing import Hearing
from pitchbench.sound.microphone import InputLostError
from pitchbench.sound.portaudio import give_stderr_back
from pitchbench.sound.source import Block, Source

if TYPE_CHECKING:
    from pitchbench.session.teller import Teller

_J = TypeVar("_J", bound=Job)

#: A view gets the job before and after; both are the same where nothing changed.
View = Callable[[_J, _J], None]

#: Returns the keys pressed since it was last asked, without waiting.
Keys = Callable[[], Iterable[KeyPressed]]

#: Called with each entry as it comes to be; when it returns, the entry is safe. If it raises
#: PitchbenchError, it is called with the same entry again later.
Keep = Callable[[Entry], None]

#: Called with the trouble when entries cannot be kept, and with None when all of them are.
TellRecords = Callable[[PitchbenchError | None], None]

#: Called at the end with what the records would not take.
Rescue = Callable[["NotKeptError"], None]

#: How often keys are looked for while nothing is heard.
KEY_POLL_S: Final = 0.03

#: How often a lost input is looked for, and entries that could not be kept are tried again.
_RETRY_S: Final = 1.0

#: How long the source may take to let go of its device; and, where the end has been asked for and
#: is to come within two seconds, that and the records' last try together.
_RELEASE_S: Final = 3.0
_RELEASE_AT_ONCE_S: Final = 1.0

_END: Final = object()


class Runner(Generic[_J]):
    """A job that runs: every change is handed to the records and the views.

    Parameters
    ----------
    job : where it begins; from then on as it stands.
    views : called with the job before and after each event, in this order, after `keep`.
    keep : called with each new entry before anything is shown. What it refuses waits and is tried
        again every second.
    tell_records : told when entries cannot be kept, and when all of them are.
    rescue : called at the end with what is left of them; raised as it is where there is none.
    """

    def __init__(
        self,
        job: _J,
        *,
        views: Sequence[View[_J]] = (),
        keep: Keep | None = None,
        tell_records: TellRecords | None = None,
        rescue: Rescue | None = None,
    ) -> None:
        self.job = job
        self._views = views
        self._waiting = None if keep is None else _Waiting(keep, tell_records)
        self._rescue = rescue
        self._begun = len(job.entries)
        self._show(job, job)

    def take(self, event: Event) -> None:
        """Let one thing happen."""
        old, self.job = self.job, self.job.advance(event)
        if self._waiting is not None:
            for entry in self.job.entries[len(old.entries) :]:
                self._waiting(entry)
        self._show(old, self.job)

    def try_if_due(self) -> None:
        """Try again to keep what waits, if it was not tried just now."""
        if self._waiting is not None:
            self._waiting.try_if_due()

    def end(self, meanwhile: Callable[[], None] = lambda: None) -> None:
        """Keep what waits still, while something else comes to its end.

        Raises
        ------
        NotKeptError
            If entries are left, and there is nobody to rescue them.
        """
        if self._waiting is None:
            meanwhile()
            return
        at_once_s = time.monotonic() + _RELEASE_AT_ONCE_S if ending.asked() else None
        with ending.saving():
            trying = self._waiting.begin_last_try(self.job.entries[self._begun :])
            meanwhile()
            self._waiting.end_last_try(trying, at_once_s)
            if self._waiting.trouble is not None:
                left = NotKeptError(self.job, len(self._waiting), self._waiting.trouble)
                if self._rescue is None:
                    raise left
                self._rescue(left)

    def _show(self, old: _J, new: _J) -> None:
        for view in self._views:
            view(old, new)


class NotKeptError(RecordsError):
    """The job is over, and entries are left that the records would not take.

    ``job`` is the job as it ended, with every entry; ``cause`` what the records said.
    """

    def __init__(self, job: Job, waiting: int, cause: PitchbenchError) -> None:
        number = "1 entry is" if waiting == 1 else f"{waiting} entries are"
        super().__init__(f"{number} not on record: {cause.what}", cause.remedy)
        self.job = job
        self.cause = cause


class _Waiting:
    """Entries on their way into the records, in order. While the records are out of reach they wait
    here and are tried again every second, so that neither they nor the job are lost."""

    def __init__(self, keep: Keep, tell: TellRecords | None) -> None:
        self.trouble: PitchbenchError | None = None
        self._keep = keep
        self._tell = tell
        self._entries: deque[Entry] = deque()
        self._handed = 0
        self._tried_at = 0.0

    def __len__(self) -> int:
        return len(self._entries)

    def __call__(self, entry: Entry) -> None:
        """Keep ``entry``, now or later; as a runner's `keep`."""
        self._hand(entry)
        if self.trouble is None:
            self.try_now()

    def _hand(self, entry: Entry) -> None:
        self._entries.append(entry)
        self._handed += 1

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

    def begin_last_try(self, new: Sequence[Entry]) -> threading.Thread:
        """Begin to keep all that waits, in a thread, since the records may not answer; ``new`` are
        all entries that have come to be, of which an interrupt may have kept some from waiting."""
        for entry in new[self._handed :]:
            self._hand(entry)
        self._tell = None  # the screen belongs to the main loop
        trying = threading.Thread(target=self.try_now, name=f"{LEFT_BEHIND}records", daemon=True)
        trying.start()
        return trying

    def end_last_try(self, trying: threading.Thread, until_s: float | None) -> None:
        """Wait for its end, until a time of the clock if one is given."""
        trying.join(None if until_s is None else max(0.0, until_s - time.monotonic()))
        if trying.is_alive():
            self.trouble = self.trouble or RecordsError(
                "The records do not answer.", "Look at them when they can be reached again."
            )


def run(
    source: Source,
    job: _J,
    *,
    views: Sequence[View[_J]] = (),
    keys: Keys | None = None,
    keep: Keep | None = None,
    tell_records: TellRecords | None = None,
    rescue: Rescue | None = None,
    stays: bool = False,
    hearing: Hearing | None = None,
    teller: Teller[_J] | None = None,
) -> _J:
    """Run a job until it is over, or the source ends; return it as it stands then.

    Parameters
    ----------
    source : a microphone, a recording or anything else with blocks. A lost input is looked for
        again every second; the job goes on when it is back.
    job : where it begins.
    views, keep, tell_records, rescue : see `Runner`.
    keys : asked for keys some thirty times a second.
    stays : whether a finished job stands until a key leaves it, since nobody sits at the keys. One
        with something left to do stands wherever there are keys, since one of them goes back to it.
    hearing : says how the input stands, if that is to be known.
    teller : tells it to the ear, if that is asked for; what it says at the end is heard out.

    Raises
    ------
    NotKeptError
        When it is over, or interrupted, and entries are left that `keep` refuses still, with nobody
        to rescue them.
    KeyboardInterrupt
        On SIGINT, SIGTERM and SIGHUP; everything up to then has been kept.
    PitchbenchError
        Whatever the source raises, such as a device that cannot be opened.
    """
    runner = Runner(
        job,
        views=views if teller is None else (*views, teller),
        keep=keep,
        tell_records=tell_records,
        rescue=rescue,
    )
    heard: queue.SimpleQueue[Any] = queue.SimpleQueue()
    stop = threading.Event()
    listening = threading.Thread(
        target=_listen,
        args=(source, heard, stop, hearing),
        name=f"{LEFT_BEHIND}listener",
        daemon=True,
    )
    with ending.heeded(), ending.saving():
        try:
            listening.start()
            _attend(runner, heard, keys, teller, stays=stays)
        except KeyboardInterrupt:
            if not stands(runner.job, keys, stays=stays):  # else it is one more way to leave
                raise
        finally:
            stop.set()
            if teller is not None:
                teller.loudspeaker.end()
            runner.end(partial(_let_go, listening))
    return runner.job


def _let_go(listening: threading.Thread) -> None:
    """Wait until the thread that listens has let go of its device, but not for ever."""
    listening.join(_RELEASE_AT_ONCE_S if ending.asked() else _RELEASE_S)
    if listening.is_alive():
        give_stderr_back()


def _attend(
    runner: Runner[Any],
    heard: queue.SimpleQueue[Any],
    keys: Keys | None,
    teller: Teller[Any] | None,
    *,
    stays: bool,
) -> None:
    """The main loop: one event after the other, until it is over."""
    while not runner.job.over or (
        not runner.job.quit and (stands(runner.job, keys, stays=stays) or (teller and teller.busy))
    ):
        attend(runner, keys, teller)
        try:
            event = heard.get(timeout=KEY_POLL_S)
        except queue.Empty:
            continue
        if event is _END:
            if stands(runner.job, keys, stays=stays):
                stand(runner, keys, teller)
            return
        if isinstance(event, BaseException):
            raise event
        if not runner.job.over:
            runner.take(event)


def attend(runner: Runner[Any], keys: Keys | None, teller: Teller[Any] | None) -> None:
    """See to what waits to be kept, to the keys, and to what is to be told to the ear."""
    ending.heed()
    runner.try_if_due()
    for key in keys() if keys is not None else ():
        runner.take(key)
    for spoken in teller.attend() if teller is not None else ():
        runner.take(spoken)


def hear_out(runner: Runner[Any], keys: Keys | None, teller: Teller[Any]) -> None:
    """Let what is being told be told."""
    while teller.busy and not runner.job.quit:
        attend(runner, keys, teller)
        time.sleep(KEY_POLL_S)


def stands(job: Job, keys: Keys | None, *, stays: bool) -> bool:
    """Whether the job is finished and yet waits for a key, as `run` says."""
    goes_back = keys is not None and not job.complete
    return job.finished and (stays or goes_back)


def stand(runner: Runner[Any], keys: Keys | None, teller: Teller[Any] | None = None) -> None:
    """Let a finished job stand, nothing being heard, until a key leaves it or takes it up again."""
    with suppress(KeyboardInterrupt):  # all is done, so it is one more way to leave
        while runner.job.finished and not runner.job.quit:
            attend(runner, keys, teller)
            time.sleep(KEY_POLL_S)


def _listen(
    source: Source,
    heard: queue.SimpleQueue[Any],
    stop: threading.Event,
    hearing: Hearing | None,
) -> None:
    """The thread: blocks in, events out, until the source ends or ``stop`` is set."""
    try:
        for event in _events(source, stop, hearing):
            heard.put(event)
        heard.put(_END)
    except BaseException as error:  # handed over, raised in the main loop
        heard.put(error)


def _events(source: Source, stop: threading.Event, hearing: Hearing | None) -> Iterator[Event]:
    """What is heard, with the input's comings and goings in between."""
    listener, unheeded = Listener(source.rate_hz, offer_early=True), Unheeded(source.rate_hz)
    lost, coming = False, False
    while not stop.is_set():
        try:
            with releasing(source) as blocks:
                for block in blocks:
                    if not coming:
                        lost, coming = False, True
                        yield InputBack()
                    if hearing is not None:
                        yield from hearing.feed(block)
                    heard = list(listener.feed(block))
                    yield from heard
                    yield from unheeded.feed(block, heard)
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
