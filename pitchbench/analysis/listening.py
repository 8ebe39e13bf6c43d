"""Recordings to readings: each heard from its beginning to its end, on as many cores as wanted."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Final

from pitchbench.analysis.heard import Listened
from pitchbench.errors import PitchbenchError
from pitchbench.pitch.listener import Listener, ReadingReady
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.sound.recording import Recording
from pitchbench.sound.source import Block

#: Nobody waits for a block of a file; large ones cost less each.
_BLOCK_SIZE: Final = 1 << 16


#: Called with the number of frames that were heard since it was called last.
Advance = Callable[[int], object]
#: Called with each recording before it is listened to; the context lasts until it is heard.
Follow = Callable[[Recording], contextlib.AbstractContextManager[Advance]]


def _follow_none(_: Recording) -> contextlib.AbstractContextManager[Advance]:
    return contextlib.nullcontext(lambda _: None)


def listen_to(
    paths: Iterable[Path],
    *,
    channel: int | None = None,
    jobs: int = 1,
    follow: Follow = _follow_none,
) -> Iterator[Listened]:
    """Listen to recordings; what was heard comes in the order of ``paths``, each once it is whole.

    Every file is opened before the first is listened to, so that a wrong name is told at once.

    Parameters
    ----------
    channel : counted from 1; None takes the one in which most happens.
    jobs : how many are listened to side by side, each in a process of its own, which changes no
        reading. The processes import the program that asks for them, so that it must not start at
        import: ``if __name__ == "__main__":``.
    follow : is told how far each has been heard.

    Raises
    ------
    PitchbenchError
        If a file cannot be read, or lacks the channel; for the first such file, after what was
        heard of those before it.
    """
    recordings = [Recording(path, channel=channel, block_size=_BLOCK_SIZE) for path in paths]
    with _listeners(recordings, channel, min(jobs, len(recordings))) as listen:
        for recording in recordings:
            with follow(recording) as advance:
                listened = listen(recording, advance)
            yield listened


@contextlib.contextmanager
def _listeners(
    recordings: Sequence[Recording], channel: int | None, jobs: int
) -> Iterator[Callable[[Recording, Advance], Listened]]:
    """Yield what listens to the next recording: here, or by waiting for the process that does."""
    if jobs <= 1:
        yield _listened
        return
    # Loaded here, because few commands start processes.
    import multiprocessing  # noqa: PLC0415
    from concurrent.futures import ProcessPoolExecutor  # noqa: PLC0415
    from concurrent.futures.process import BrokenProcessPool  # noqa: PLC0415

    # Spawned everywhere: a fork of a process with threads, such as those of a numeric library, may
    # lock up.
    try:
        pool = ProcessPoolExecutor(
            jobs, multiprocessing.get_context("spawn"), initializer=_end_when_interrupted
        )
    except OSError:
        # A machine without semaphores, or none left in a full /dev/shm: one after the other, then.
        yield _listened
        return
    try:
        heard = pool.map(partial(_listened_at, channel), [each.path for each in recordings])

        def wait(recording: Recording, advance: Advance) -> Listened:
            listened = next(heard)
            advance(recording.frames)
            return listened

        yield wait
    except BrokenProcessPool as error:
        raise PitchbenchError(
            "A process that was listening to recordings has ended before its time.",
            "There may be too little memory for so many: try again with --jobs 1.",
        ) from error
    except KeyboardInterrupt:
        for process in multiprocessing.active_children():  # each may have minutes to go
            process.terminate()
        raise
    finally:
        pool.shutdown(cancel_futures=True)


def _listened_at(channel: int | None, path: Path) -> Listened:
    return _listened(Recording(path, channel=channel, block_size=_BLOCK_SIZE), lambda _: None)


def _listened(recording: Recording, advance: Advance) -> Listened:
    end = 0

    def blocks() -> Iterator[Block]:
        nonlocal end
        for block in recording.blocks():
            yield block
            advance(block.start + len(block.samples) - end)
            end = block.start + len(block.samples)

    readings = tuple(readings_in(blocks(), recording.rate_hz))
    return Listened(
        source=str(recording.path),
        rate_hz=recording.rate_hz,
        channel=recording.channel,
        length_s=end / recording.rate_hz,
        damaged_after_s=recording.damaged_after_s,
        readings=readings,
    )


def readings_in(blocks: Iterable[Block], rate_hz: int) -> Iterator[Reading | Rejected]:
    """Every pluck in a stream of blocks, each as soon as it has ended."""
    listener = Listener(rate_hz)
    heard = chain(chain.from_iterable(map(listener.feed, blocks)), listener.finish())
    return (each.reading for each in heard if isinstance(each, ReadingReady) and each.final)


def offers_in(recording: Recording) -> Iterator[Reading | Rejected]:
    """Every reading of every pluck as a session hears it, those offered while it rings too."""
    listener = Listener(recording.rate_hz, offer_early=True)
    heard = chain(chain.from_iterable(map(listener.feed, recording.blocks())), listener.finish())
    return (each.reading for each in heard if isinstance(each, ReadingReady))


def _end_when_interrupted() -> None:
    """Ctrl-C reaches every process of a terminal; the first of them is the one to speak of it."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
