"""Readings as documents and as words: the same in every command that shows them."""

from __future__ import annotations

from typing import Any

from pitchbench.notes import nearest_note
from pitchbench.pitch.reading import Reading, Rejected


def reading_document(file: str, reading: Reading | Rejected, *, a4_hz: float) -> dict[str, Any]:
    """One entry of ``readings`` in ``pitchbench.readings/1`` (readings.schema.json).

    Parameters
    ----------
    file : the recording, as it was named.
    """
    note, cents = None, None
    if reading.pitch_hz is not None:
        note, cents = nearest_note(reading.pitch_hz, a4_hz)
    return {
        "file": file,
        "onset_s": reading.onset_s,
        "status": "rejected" if isinstance(reading, Rejected) else "settled",
        "reason": str(reading.reason) if isinstance(reading, Rejected) else None,
        "note": None if note is None else note.name,
        "pitch_hz": reading.pitch_hz,
        "cents_from_note": cents,
        "u_cents": reading.u_cents,
        "attack_cents": reading.attack_cents,
        "settle_s": reading.settle_s,
        "tail_s": reading.tail_s,
        "wander_cents": reading.wander_cents,
        "stiffness_b": reading.stiffness_b,
        "snr_db": reading.snr_db,
        "ring_s": reading.ring_s,
    }


def note_name(reading: Reading | Rejected, a4_hz: float) -> str:
    """The nearest note, "?" where no pitch was found."""
    return "?" if reading.pitch_hz is None else nearest_note(reading.pitch_hz, a4_hz)[0].name


def value(number: float | None, digits: int, *, sign: bool = False) -> str:
    """``number`` with so many decimals; "-" where there is none."""
    if number is None:
        return "-"
    return f"{number:+.{digits}f}" if sign else f"{number:.{digits}f}"
