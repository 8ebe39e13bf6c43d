"""A session in hand: told while a bench has it, so that no other one goes on with it.

Who was killed cannot let go. So it is told again and again, and holds no longer than that goes on.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from pitchbench.ending import LEFT_BEHIND, saving
from pitchbench.errors import PitchbenchError

if TYPE_CHECKING:
    from pitchbench.records.repository import Repository

#: How often it is told: a commit, which takes milliseconds.
_BEAT_S: Final = 5.0

#: A bench that has told nothing for so long was killed or switched off: it missed four in a row,
#: since a disk or a server may be busy for a while.
_IN_HAND: Final = timedelta(seconds=4 * _BEAT_S)

#: How often one that seems to be in hand is looked at.
_LOOK_S: Final = 0.25

#: How long the records may keep us waiting: what is told late is told again soon; and an end that
#: is asked for comes within two seconds, of which the engine may have taken one.
_BUSY_S: Final = 0.5
_LET_GO_S: Final = 0.3

#: What is told and what is kept would find the file locked by each other.
_TURN: Final = threading.Lock()


def in_hand(held_at: datetime | None, now: datetime) -> bool:
    """Whether a session is in hand of which that was last told at ``held_at``; None: let go."""
    return held_at is not None and now - held_at <= _IN_HAND


@contextmanager
def in_turn() -> Iterator[None]:
    """While no other thread of this program writes; but nobody is waited for longer than records
    that are busy are."""
    mine = _TURN.acquire(timeout=_BUSY_S)
    try:
        yield
    finally:
        if mine:
            _TURN.release()


@contextmanager
def held(repository: Repository, session_id: str) -> Iterator[None]:
    """While this lasts it is told that the session is in hand; then it is let go."""
    over = threading.Event()

    def tell() -> None:
        while not over.wait(_BEAT_S):
            with suppress(PitchbenchError), in_turn():
                repository.hold(session_id, datetime.now(UTC), busy_s=_BUSY_S)
        with suppress(PitchbenchError), in_turn():
            repository.hold(session_id, None)

    telling = threading.Thread(target=tell, name=f"{LEFT_BEHIND}in-hand", daemon=True)
    telling.start()
    try:
        yield
    finally:
        over.set()
        with saving():
            telling.join(_LET_GO_S)


def claimed(repository: Repository, session_id: str) -> bool:
    """Whether nobody had the session in hand, so that we have it now.

    The clocks of two benches may differ: one that seems to be in hand is looked at until that is
    told anew, or is not in time.
    """
    seen, until_s = repository.held_at(session_id), time.monotonic() + _IN_HAND.total_seconds()
    while in_hand(seen, datetime.now(UTC)) and time.monotonic() < until_s:
        time.sleep(_LOOK_S)
        if repository.held_at(session_id) != seen:
            seen = None  # told anew, or let go: the claim finds which
    return repository.claim(session_id, seen=seen)
