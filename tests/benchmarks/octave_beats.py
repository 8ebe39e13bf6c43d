"""Which offset leaves the fewest beats? Three definitions, held against an octave that is played.

    python tests/benchmarks/octave_beats.py [--write]

An open string and its octave at the 12th fret, the saddle set so that the offset is zero as one of
three definitions has it, sounded together: partial 2k of the one beats with partial k of the other.
What is left is weighted by loudness and stated for an octave at A3. The definitions: the first
partials alone; the period of the whole sound, which a tracker measures (the mean of all partials by
power times number squared, to which a least-squares fit of a period comes for small deviations);
the pairs of partials that the program compares.

The strings: an ideal stiff one; one whose partials a body moves by 2 cents, the first by 4 (drawn,
our own invention); and real ones. No recording at hand holds a string open and fretted, so every
real note is taken for the open string and every other for the fretted one: how single partials lie
off the law is theirs, the law between them that of one string.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import real_notes
from accuracy_page import write_section
from answers import table

import pitchbench as pb
from pitchbench.intonation.pairs import compare_partials
from pitchbench.intonation.take import Take
from pitchbench.pitch.reading import Partial, Reading
from pitchbench.units import CENTS_PER_NEPER, cents_between, shifted_hz

SEED = 12
FRETTED_HZ = 220.0
STIFFNESS_B = 8e-5
BODY_CENTS = 2.0
DRAWN = 400
PARTIALS = 10
#: An invented note falls by 6 dB an octave of its partials.
TILT_DB = 20.0


@dataclass(frozen=True)
class String:
    """Levels in dB and distances from the law in cents of partials 1 to n, and their own u."""

    level_db: np.ndarray
    off_cents: np.ndarray
    u_cents: np.ndarray


def take(string: String, fret: int) -> Take:
    """The string as a take: open, or at the 12th fret an octave up and four times as stiff."""
    f1_hz, b = (FRETTED_HZ, 4.0 * STIFFNESS_B) if fret else (FRETTED_HZ / 2.0, STIFFNESS_B)
    # The saddle is where the strings are an octave apart but for stiffness and single partials.
    partials = tuple(
        Partial(
            k,
            shifted_hz(k * f1_hz * math.sqrt(1.0 + b * k**2), float(off)),
            0.1,
            float(level),
            None,
            float(off),
            float(u),
        )
        for k, (level, off, u) in enumerate(
            zip(string.level_db, string.off_cents, string.u_cents, strict=True), start=1
        )
        if np.isfinite(level)
    )
    return Take(fret, partials[0].frequency_hz, 0.1, float(fret), partials, b)


def period_cents(note: Take) -> float:
    """How far the period of the whole sound lies above the first partial."""
    weight = np.array([10.0 ** (p.level_db / 10.0) * p.number**2 for p in note.partials])
    off = [cents_between(p.frequency_hz / p.number, note.pitch_hz) for p in note.partials]
    return float(weight @ off / weight.sum())


def left(open_note: Take, fretted_note: Take) -> tuple[float, float, float] | None:
    """Beats a second, loudness-weighted rms, with each definition's offset brought to zero."""
    compared = compare_partials((open_note, fretted_note), fret=12)
    if not compared.pairs:
        return None
    said = np.array([pair.offset_cents for pair in compared.pairs])
    weight = np.array([pair.weight for pair in compared.pairs])
    number = np.array([pair.fretted for pair in compared.pairs])
    first = cents_between(fretted_note.pitch_hz, open_note.pitch_hz) - 1200.0
    period = first + period_cents(fretted_note) - period_cents(open_note)
    pairs = cents_between(compared.takes[1].pitch_hz, compared.takes[0].pitch_hz) - 1200.0
    # The pairs are stated for the first partials: where they really lie is what beats.
    stated = 600.0 * math.log2((1.0 + 4.0 * STIFFNESS_B) / (1.0 + STIFFNESS_B))
    beats = [
        float(
            np.sqrt(weight @ (number * FRETTED_HZ * (said - stated - zero) / CENTS_PER_NEPER) ** 2)
        )
        for zero in (first, period, pairs)
    ]
    return beats[0], beats[1], beats[2]


def drawn(sigma_cents: float, rng: np.random.Generator) -> list[tuple[String, String]]:
    """Invented strings: open and fretted, each partial off the law by itself, the first twice."""
    level_db = -TILT_DB * np.log10(np.arange(1, PARTIALS + 1))
    size = sigma_cents * np.where(np.arange(PARTIALS) == 0, 2.0, 1.0)
    u = np.full(PARTIALS, 0.1)
    return [
        (
            String(level_db, size * rng.standard_normal(PARTIALS), u),
            String(level_db, size * rng.standard_normal(PARTIALS), u),
        )
        for _ in range(DRAWN)
    ]


def real() -> list[tuple[String, String]]:
    """Every two of the real notes that are at hand; none if there are none."""
    place = real_notes.folder()
    if place is None:
        return []
    strings = []
    for known in json.loads((place / "index.json").read_text(encoding="utf-8"))["notes"]:
        for reading in pb.read(place / known["file"]):
            if isinstance(reading, Reading) and len(reading.partials) >= 4:
                strings.append(_of(reading))
    return list(itertools.permutations(strings, 2))


def _of(reading: Reading) -> String:
    level_db, off, u = (np.full(PARTIALS, fill) for fill in (-np.inf, 0.0, np.inf))
    for partial in reading.partials:
        if partial.number <= PARTIALS:
            k = partial.number - 1
            level_db[k], off[k], u[k] = partial.level_db, partial.law_cents, partial.own_u_cents
    return String(level_db, off, u)


def rows(name: str, strings: Sequence[tuple[String, String]]) -> list[list[str]]:
    """Median and 90 % of what each definition leaves."""
    found = [
        beats
        for low, high in strings
        if np.isfinite(low.level_db[0]) and np.isfinite(high.level_db[0])
        if (beats := left(take(low, 0), take(high, 12))) is not None
    ]
    if not found:
        return []
    median, most = (np.quantile(np.array(found), q, axis=0) for q in (0.5, 0.9))
    return [
        [name, str(len(found)), *(f"{m:.2f} / {n:.2f}" for m, n in zip(median, most, strict=True))]
    ]


def main(argv: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--write", action="store_true", help="write docs/accuracy.md")
    arguments = parser.parse_args(argv)
    rng = np.random.default_rng(SEED)
    head = ["strings", "octaves", "first partials", "period", "pairs of partials"]
    body = rows("ideal, stiff", drawn(0.0, rng)[:1])
    body += rows("moved by a body (drawn)", drawn(BODY_CENTS, rng))
    body += rows("real notes, any two", real())
    text = table(head, body)
    print(text)
    if arguments.write:
        write_section(
            "octave_beats",
            "## What the ear compares\n\n    python tests/benchmarks/octave_beats.py --write\n\n"
            "Beats a second that are left of an octave at A3, loudness-weighted, when the offset\n"
            "is zero by three definitions; median / 90 % ([method](method.md) has them).\n\n"
            + text,
        )


if __name__ == "__main__":
    main()
