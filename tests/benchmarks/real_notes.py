"""Notes of real guitars and basses: what the program says of them, held against what is known.

The set is no part of the repository: a folder with ``index.json`` (form "real-notes/1") and sound
files, named by PITCHBENCH_REALSET, or found beside the repository. For each note the index has its
name, its onset, and the first partial over the late half of its ring by a method that shares
nothing with the program; that is no truth where the note still glides, and scatters by itself.
"""

from __future__ import annotations

import itertools
import json
import math
import sys
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from answers import Answer, cents, read, table
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))
from realset import folder

__all__ = ["folder"]

#: Lengths to which notes are cut, in seconds.
CUTS_S = (1.2, 1.6, 2.0, 2.5, 3.0)
#: A reading this far from the note's name is of another note: strings may be out of tune.
GROSS_CENTS = 60.0
#: No attack and no wander is larger.
ABSURD_CENTS = 1000.0


@dataclass(frozen=True, eq=False)
class RealNote:
    """One note: its sound, what is known of it, and what was said of it, whole and cut short.

    ``known`` is its entry in the index; ``cut`` holds the answer for each length that it has.
    """

    known: dict
    answers: tuple[Answer, ...]
    answer: Answer | None
    cut: dict[float, Answer | None]

    @property
    def settled(self) -> Answer | None:
        """What was said of the note, if it settled."""
        return self.answer if self.answer is not None and self.answer.settled else None


def heard(place: Path) -> list[RealNote]:
    """Every note of the set, read whole and cut short."""
    notes = []
    for known in json.loads((place / "index.json").read_text(encoding="utf-8"))["notes"]:
        samples, rate_hz = soundfile.read(place / known["file"], dtype="float32")
        answers = read(samples, rate_hz)
        cut = {}
        for length_s in CUTS_S:
            end = round((known["onset_s"] + length_s) * rate_hz)
            if end < samples.size:
                cut[length_s] = _of(known, read(samples[:end], rate_hz))
        notes.append(RealNote(known, answers, _of(known, answers), cut))
    return notes


def _of(known: dict, answers: Sequence[Answer]) -> Answer | None:
    """The answer to the note itself: of those that begin where it does the longest."""
    near = [a for a in answers if abs(a.onset_s - known["onset_s"]) < 0.12]
    return max(near, key=lambda a: a.ring_s, default=None)


def report(notes: Sequence[RealNote]) -> str:
    """All findings as Markdown."""
    head = ["compared", "pairs", "median", "90 %", "largest", "median u", "within 2 u", "beyond 3"]
    rows = [
        ["late first partial", *_agreement(late(notes))],
        ["soft against hard", *_agreement(dynamics(notes))],
        ["repeats", *_agreement(repeats(notes))],
        ["two channels of one pluck", *_agreement(channels(notes))],
    ]
    rows += [
        [f"first {length_s:g} s against whole", *_agreement(cut_short(notes, length_s))]
        for length_s in CUTS_S
    ]
    return "\n\n".join([findings(notes), table(head, rows)])


def findings(notes: Sequence[RealNote]) -> str:
    """Settled, rejected and missed notes, ghosts, and numbers that cannot be."""
    reasons = Counter(n.answer.reason for n in notes if n.answer is not None and n.answer.reason)
    ghosts = [a for n in notes for a in n.answers if a is not n.answer]
    gross = sum(
        abs(cents(n.settled.pitch_hz, n.known["note_hz"])) > GROSS_CENTS
        for n in notes
        if n.settled is not None
    )
    absurd = sum(
        abs(value) > ABSURD_CENTS
        for n in notes
        for a in n.answers
        for value in (a.attack_cents, a.wander_cents)
    )
    told = ", ".join(f"{count} {reason}" for reason, count in reasons.most_common()) or "none"
    settled = sum(n.settled is not None for n in notes)
    unsettled = [
        f"{length_s:g} s {sum(n.cut[length_s] is None or not n.cut[length_s].settled for n in has)}"
        f" of {len(has)}"
        for length_s in CUTS_S
        if (has := [n for n in notes if length_s in n.cut])
    ]
    return (
        f"- {settled} of {len(notes)} settled; rejected: {told}; not heard: "
        f"{sum(n.answer is None for n in notes)}; off the note by over {GROSS_CENTS:.0f} cents: "
        f"{gross}.\n"
        f"- Ghosts: {sum(g.settled for g in ghosts)} settled, "
        f"{sum(not g.settled for g in ghosts)} rejected. Attack or wander over "
        f"{ABSURD_CENTS:.0f} cents: {absurd}.\n"
        f"- Cut short and not settled: {'; '.join(unsettled)}."
    )


def late(notes: Sequence[RealNote]) -> list[tuple[float, float]]:
    """Readings against the late first partial: differences and their u, in cents."""
    return [
        (
            cents(n.settled.pitch_hz, n.known["late_f1_hz"]),
            math.hypot(n.settled.u_cents, n.known["late_f1_u_cents"]),
        )
        for n in notes
        if n.settled is not None and n.known["late_f1_hz"] and not _gross(n)
    ]


def _gross(note: RealNote) -> bool:
    assert note.settled is not None
    return abs(cents(note.settled.pitch_hz, note.known["note_hz"])) > GROSS_CENTS


def cut_short(notes: Sequence[RealNote], length_s: float) -> list[tuple[float, float]]:
    """The first seconds of a note against the whole of it."""
    return [
        _difference(first, n.settled)
        for n in notes
        if n.settled is not None and (first := n.cut.get(length_s)) is not None and first.settled
    ]


def channels(notes: Sequence[RealNote]) -> list[tuple[float, float]]:
    """One pluck through two channels."""
    by_file = {n.known["file"]: n.settled for n in notes}
    return [
        _difference(n.settled, other)
        for n in notes
        if n.settled is not None
        and (other := by_file.get(n.known.get("same_pluck") or "")) is not None
    ]


def repeats(notes: Sequence[RealNote]) -> list[tuple[float, float]]:
    """Every two takes of one note at one strength."""
    return [
        _difference(one, other)
        for takes in _groups(notes).values()
        for alike in takes.values()
        for one, other in itertools.combinations(alike, 2)
    ]


def dynamics(notes: Sequence[RealNote]) -> list[tuple[float, float]]:
    """The same note at every two strengths, by the first take of each."""
    return [
        _difference(one[0], other[0])
        for takes in _groups(notes).values()
        for one, other in itertools.combinations(takes.values(), 2)
    ]


def _groups(notes: Sequence[RealNote]) -> dict[str, dict[str, list[Answer]]]:
    """Settled answers by note and strength, where the strength is known."""
    groups: dict[str, dict[str, list[Answer]]] = defaultdict(lambda: defaultdict(list))
    for n in notes:
        if n.settled is not None and n.known["velocity"]:
            groups[n.known["group"]][n.known["velocity"]].append(n.settled)
    return groups


def _difference(one: Answer, other: Answer) -> tuple[float, float]:
    """How far apart in cents, and the u of that."""
    return cents(one.pitch_hz, other.pitch_hz), math.hypot(one.u_cents, other.u_cents)


def _agreement(pairs: Sequence[tuple[float, float]]) -> list[str]:
    """Count, median, 90th percentile and largest difference, its u, and how often that holds."""
    if not pairs:
        return ["0", *"-" * 6]
    off, u = np.abs(np.array(pairs)).T
    ratio: NDArray[np.float64] = off / u
    return [
        str(off.size),
        f"{np.median(off):.2f}",
        f"{np.percentile(off, 90):.2f}",
        f"{off.max():.2f}",
        f"{np.median(u):.2f}",
        f"{100.0 * np.mean(ratio <= 2.0):.0f} %",
        f"{100.0 * np.mean(ratio > 3.0):.0f} %",
    ]
