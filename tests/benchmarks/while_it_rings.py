"""Whether what is first shown as settled still holds once the note has ended.

    python tests/benchmarks/while_it_rings.py --notes 100 --write

Notes of the virtual instrument and of the mechanical string, through the listener as a session
hears them; ``--write`` puts the table into docs/accuracy.md.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from accuracy_page import write_section
from answers import table
from known_notes import KnownNote, from_mechanics, from_virtual

from pitchbench.belief import half95
from pitchbench.pitch.listener import Listener, ReadingReady
from pitchbench.pitch.reading import Reading
from pitchbench.sound.source import Block
from pitchbench.units import cents_between

SEED = 23
_BLOCK = 1024
#: Readings of one pluck have its onset, to within this.
_SAME_ONSET_S = 0.3


@dataclass(frozen=True)
class Held:
    """One note that was read: ``shown`` is what was first offered while it rang, if anything."""

    shown: Reading | None
    final: Reading

    @property
    def moved_cents(self) -> float:
        """How far the final value lies from the one first shown."""
        assert self.shown is not None
        return cents_between(self.final.pitch_hz, self.shown.pitch_hz)

    @property
    def holds(self) -> bool:
        """Whether the ± first shown holds the final value."""
        assert self.shown is not None
        return abs(self.moved_cents) <= half95(self.shown.u_cents)


def heard(note: KnownNote) -> Iterator[Held]:
    """What was shown of each pluck that was heard in a note, and what it came to."""
    listener = Listener(note.rate_hz, offer_early=True)
    events = []
    for at in range(0, len(note.samples), _BLOCK):
        events += listener.feed(Block(note.samples[at : at + _BLOCK], at, note.rate_hz))
    shown: list[Reading] = []
    for event in [*events, *listener.finish()]:
        if not isinstance(event, ReadingReady) or not isinstance(event.reading, Reading):
            continue
        if not event.final:
            shown.append(event.reading)
            continue
        own = [r for r in shown if abs(r.onset_s - event.reading.onset_s) < _SAME_ONSET_S]
        yield Held(own[0] if own else None, event.reading)
        shown = []


def row(name: str, notes: Iterable[KnownNote]) -> list[object]:
    """One line of the table."""
    every = [held for note in notes for held in heard(note)]
    shown = [held for held in every if held.shown is not None]
    moved = [abs(held.moved_cents) for held in shown]
    after_s = [held.shown.ring_s for held in shown if held.shown is not None]
    holds = sum(held.holds for held in shown)
    return [
        name,
        len(every),
        len(shown),
        f"{np.median(after_s):.1f}",
        f"{np.median(moved):.2f}",
        f"{np.percentile(moved, 95):.2f}",
        f"{100 * holds / len(shown):.0f} %",
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--notes", type=int, default=100)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    head = [
        "notes", "read", "shown while ringing", "after, s", "moved by, cents",
        "95 % of them", "the first ± holds the final value",
    ]  # fmt: skip
    rows = [
        row("virtual instrument", from_virtual(asked.notes, asked.seed)),
        row("mechanical string", from_mechanics(asked.notes, asked.seed)),
    ]
    text = f"""## While it rings

A note is shown as settled, with its ±, while it still rings. What is shown then shall hold what
the note comes to: a reading is offered once it agrees with the two before it, and its ± holds how
far they moved. `python tests/benchmarks/while_it_rings.py --notes {asked.notes} --write`,
seed {asked.seed}:

{table(head, rows)}
"""
    print(text)
    if asked.write:
        write_section("while it rings", text)


if __name__ == "__main__":
    main()
