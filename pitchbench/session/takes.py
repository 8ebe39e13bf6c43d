"""Which of a string's takes count, and what they say together."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

from pitchbench.intonation.offset import (
    Offset,
    ScatterPrior,
    Take,
    estimate_offset,
    learn_scatter,
)
from pitchbench.pitch.reading import Reading, Reason, Rejected
from pitchbench.session.log import Log, SessionTake, StringState, TakeFate
from pitchbench.units import mean_hz

#: Takes of each kind before a verdict is given at all: one bad fretting shall not move a saddle
#: (common practice, no source: several readings on each note).
LEAST_OPEN: Final = 1
LEAST_FRETTED: Final = 2

#: Plucks in a row that never settled before the string itself is doubted.
MISSES_IN_A_ROW: Final = 4

#: Spreads that no averaging mends: several times what players scatter (0.3 and 2 cents), and how
#: many takes must show it. Our own judgement, no source.
_HOPELESS_OPEN_CENTS: Final = 5.0
_HOPELESS_FRETTED_CENTS: Final = 10.0
_HOPELESS_TAKES: Final = 5


def in_this_tuning(string: StringState) -> tuple[SessionTake, ...]:
    """The accepted takes since the string was last found in tune."""
    return tuple(t for t in string.in_this_round if t.tuning == string.tuning)


def open_mean_hz(takes: Sequence[SessionTake]) -> float | None:
    """Geometric mean of the open takes among ``takes``; None if there is none."""
    opens = [take.pitch_hz for take in _takes(takes) if take.fret == 0]
    return mean_hz(opens) if opens else None


def weigh_round(log: Log, string: StringState) -> Offset | None:
    """The string's offset from the takes since its saddle was last moved; None until both notes
    were played.

    Takes from before a retuning in the same round count as well, each tuning referred to its own
    open pitch, unless the present ones disagree with them by more than both uncertainties
    explain: then something has changed and only the present ones count.
    """
    fret, prior = log.setup.fret, scatter_prior(log, string)
    present = in_this_tuning(string)
    earlier = [t for t in string.in_this_round if t.tuning != string.tuning]
    referred = _referred(earlier, open_mean_hz(present))
    now = estimate_offset(_takes(present), fret=fret, prior=prior)
    before = estimate_offset(referred, fret=fret, prior=prior)
    if now is None or before is None:
        return now or before
    allowed = 2.0 * math.hypot(now.u_cents, before.u_cents)
    if abs(now.offset_cents - before.offset_cents) > allowed:
        return now
    return estimate_offset([*referred, *_takes(present)], fret=fret, prior=prior)


def scatter_prior(log: Log, string: StringState) -> ScatterPrior:
    """What is believed of this player's scatter before ``string``'s present takes.

    Learned from the other strings and rounds of this session as soon as they say more than what
    the session started with.
    """
    earlier = [
        take
        for other in log.strings
        for take in other.takes
        if take.fate is TakeFate.ACCEPTED
        and not (other.number == string.number and take.round == string.round)
    ]
    return learn_scatter(repeats(earlier), typical=log.setup.prior)


def repeats(takes: Iterable[SessionTake]) -> list[list[Take]]:
    """``takes`` in sets within which the same fret repeats the same note."""
    sets: dict[tuple[int, int, int], list[SessionTake]] = {}
    for take in takes:
        sets.setdefault((take.string, take.round, take.tuning), []).append(take)
    return [_takes(group) for group in sets.values()]


def missing_kind(string: StringState, fret: int) -> int | None:
    """The fret of the kind of take that must still come before any verdict; None if none must."""
    everything, present = string.accepted, in_this_tuning(string)

    def lacking(kind: int, least: int) -> int:
        here = sum(t.fret == kind for t in present)
        return max(least - sum(t.fret == kind for t in everything), 1 - here, 0)

    missing_open, missing_fretted = lacking(0, LEAST_OPEN), lacking(fret, LEAST_FRETTED)
    if not missing_open and not missing_fretted:
        return None
    # Taking turns lets a drift of the string be told from its offset.
    return 0 if missing_open >= missing_fretted else fret


def last_in_a_row(string: StringState) -> tuple[int | None, int]:
    """The kind of the latest takes of this tuning and how many of it came in a row."""
    kinds = [t.fret for t in in_this_tuning(string)]
    if not kinds:
        return None, 0
    run = 0
    while run < len(kinds) and kinds[-1 - run] == kinds[-1]:
        run += 1
    return kinds[-1], run


def doubt(string: StringState, offset: Offset | None) -> str | None:
    """The evidence that this string does not settle; None where there is no such evidence."""
    misses = 0
    for take in reversed(string.takes):
        never_settled = (
            isinstance(take.reading, Rejected) and take.reading.reason is Reason.NEVER_SETTLED
        )
        if take.round != string.round or not never_settled:
            break
        misses += 1
    if misses >= MISSES_IN_A_ROW:
        return f"{misses} plucks in a row never settled"
    if offset is None:
        return None
    for name, group, hopeless in (
        ("open", offset.open, _HOPELESS_OPEN_CENTS),
        ("fretted", offset.fretted, _HOPELESS_FRETTED_CENTS),
    ):
        spread = group.spread_cents
        if group.n >= _HOPELESS_TAKES and spread is not None and spread > hopeless:
            return f"{group.n} {name} takes spread by {spread:.1f} cents"
    return None


def _referred(takes: Sequence[SessionTake], here_hz: float | None) -> list[Take]:
    """``takes`` of earlier tunings, each tuning shifted so that its open mean is ``here_hz``."""
    referred: list[Take] = []
    for tuning in sorted({t.tuning for t in takes}):
        block = [t for t in takes if t.tuning == tuning]
        own_hz = open_mean_hz(block)
        if own_hz is None:
            continue
        ratio = 1.0 if here_hz is None else here_hz / own_hz
        referred += _takes(block, ratio)
    return referred


def _takes(takes: Sequence[SessionTake], ratio: float = 1.0) -> list[Take]:
    return [
        Take(t.fret, t.reading.pitch_hz * ratio, t.reading.u_cents, t.reading.onset_s)
        for t in takes
        if t.fret is not None and isinstance(t.reading, Reading)
    ]
