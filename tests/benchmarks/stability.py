"""Does the reading of one note hang on how the device cut it? The same sound, altered by nothing.

    python tests/benchmarks/stability.py [--n 60] [--write]

Notes of the three generators (:mod:`known_notes`), of several lengths, and real ones where they are
at hand (:mod:`real_notes`), each read again and again: begun up to 511 samples later, scaled, and
with one least bit of 16-bit noise. What a note's readings then differ by, largest less smallest, is
its spread: it says nothing of the truth, but a reading that moves by more than it claims to be
uncertain by cannot be right each time. The promise is a spread below half of u for all but one note
in fifty; a note that settles only sometimes breaks it. Ends with 1 where the promise is broken.
"""

# ruff: noqa: E402 - the libraries read how many threads they may use when they are imported

from __future__ import annotations

import os

for _variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ[_variable] = "1"

import argparse
import itertools
import json
import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import real_notes
import soundfile
from accuracy_page import write_section
from answers import Answer, cents, nearest, read, table
from known_notes import GENERATORS, KnownNote
from numpy.typing import NDArray

Samples = NDArray[np.float32]

SEED = 1129
#: Neither a block, a hop nor a window of anything, but for the last but one.
SHIFTS = (1, 37, 150, 256, 511)
SCALES = (0.5, 0.83)
LENGTHS_S = (1.2, 1.6, 2.2, 4.0)
#: The promise: spread over u, and the share of notes that may break it.
MOST_OVER_U = 0.5
MOST_BROKEN = 0.02


@dataclass(frozen=True)
class Spread:
    """One note read many times: where it is from, its length, how far its readings lie apart.

    ``u_cents`` is the median of what they claim; the spread is infinite where some readings settled
    and some did not. ``by`` holds the spread by what was altered.
    """

    source: str
    length_s: float
    spread_cents: float
    u_cents: float
    by: dict[str, float]

    @property
    def over_u(self) -> float:
        """The spread in units of what was claimed."""
        return self.spread_cents / self.u_cents


def altered(samples: Samples, seed: int) -> Iterator[tuple[str, Samples, int]]:
    """The sound, altered by nothing that matters: by what, and how many samples were cut off."""
    for shift in SHIFTS:
        yield "shifted", samples[shift:], shift
    for scale in SCALES:
        yield "scaled", np.float32(scale) * samples, 0
    bits = np.random.default_rng(seed).integers(-1, 2, samples.size)
    yield "least bit", samples + (bits / 32768.0).astype(np.float32), 0


def spread_of(
    source: str, samples: Samples, rate_hz: int, onset_s: float, length_s: float
) -> Spread | None:
    """How far one note's readings lie apart; None where it never settles."""
    end = round((onset_s + length_s) * rate_hz)
    first = nearest(read(samples[:end], rate_hz), onset_s)
    told: dict[str, list[Answer | None]] = {}
    for how, sound, cut in altered(samples[:end], SEED):
        again = nearest(read(sound, rate_hz), onset_s - cut / rate_hz)
        told.setdefault(how, [first]).append(again)
    every = [a for answers in told.values() for a in answers]
    claimed = [a.u_cents for a in every if a is not None and a.settled]
    if not claimed:
        return None
    by = {how: _apart_cents(answers) for how, answers in told.items()}
    return Spread(source, length_s, _apart_cents(every), float(np.median(claimed)), by)


def _apart_cents(answers: Sequence[Answer | None]) -> float:
    """Largest less smallest reading; infinite where some settled only."""
    settled = [a.pitch_hz for a in answers if a is not None and a.settled]
    if not settled:
        return 0.0
    if len(settled) < len(answers):
        return math.inf
    return cents(max(settled), min(settled))


def spreads(n: int, seed: int = SEED) -> list[Spread]:
    """Of ``n`` notes: real ones, where there are any, a quarter; the generators share the rest."""
    found = [*_of_real_notes(n // 4)]
    each = math.ceil((n - len(found)) / len(GENERATORS))
    for name, generator in GENERATORS.items():
        notes = zip(generator(each, seed), itertools.cycle(LENGTHS_S), strict=False)
        found += [_of_known_note(name, note, length_s) for note, length_s in notes]
    return [spread for spread in found if spread is not None]


def _of_known_note(name: str, note: KnownNote, length_s: float) -> Spread | None:
    return spread_of(name, note.samples, note.rate_hz, note.onset / note.rate_hz, length_s)


def _of_real_notes(most: int) -> Iterator[Spread | None]:
    place = real_notes.folder()
    if place is None:
        return
    index = json.loads((place / "index.json").read_text(encoding="utf-8"))["notes"]
    for known, length_s in zip(index[:most], itertools.cycle(LENGTHS_S), strict=False):
        samples, rate_hz = soundfile.read(place / known["file"], dtype="float32")
        yield spread_of("real", samples, rate_hz, known["onset_s"], length_s)


def broken(found: Sequence[Spread]) -> float:
    """The share of notes that break the promise."""
    return float(np.mean([spread.over_u >= MOST_OVER_U for spread in found]))


def report(found: Sequence[Spread]) -> str:
    """The spreads by source, by length and by what was altered."""
    rows = [_row("all", [s.over_u for s in found])]
    for source in sorted({s.source for s in found}):
        rows.append(_row(source, [s.over_u for s in found if s.source == source]))
    for length_s in LENGTHS_S:
        rows.append(_row(f"{length_s:g} s", [s.over_u for s in found if s.length_s == length_s]))
    for how in ("shifted", "scaled", "least bit"):
        rows.append(_row(how, [s.by[how] / s.u_cents for s in found]))
    head = ["notes", "number", "median", "95 %", "largest", "below u / 2", "over u", "over 3 u"]
    return (
        "How far the readings of one note lie apart (largest less smallest, in units of u) when it "
        "begins 0 to 511 samples later, is scaled, or has one least bit of 16-bit noise added; a "
        "note that settles only sometimes counts as inf. Promised: below u / 2 for all but 2 %.\n\n"
        + table(head, rows)
    )


def _row(name: str, over_u: Sequence[float]) -> list[str]:
    ratio = np.array(over_u)
    if not ratio.size:
        return [name, "0", *"-" * 6]
    # A percentile between two numbers is not defined where one is infinite: the higher is taken.
    sizes = (np.median(ratio), np.percentile(ratio, 95, method="higher"), ratio.max())
    shares = (ratio < 0.5, ratio > 1.0, ratio > 3.0)
    return [
        *(name, str(ratio.size)),
        *(f"{size:.2f}" for size in sizes),
        *(f"{100.0 * np.mean(share):.0f} %" for share in shares),
    ]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, default=60, help="number of notes")
    parser.add_argument("--write", action="store_true", help="write docs/accuracy.md")
    arguments = parser.parse_args()
    found = spreads(arguments.n)
    text = report(found)
    print(text)
    if arguments.write:
        command = f"    python tests/benchmarks/stability.py --n {arguments.n} --write\n\n"
        write_section("stability", "## Stability\n\n" + command + text)
    return int(broken(found) > MOST_BROKEN)


if __name__ == "__main__":
    sys.exit(main())
