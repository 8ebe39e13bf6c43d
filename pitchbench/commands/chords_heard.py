"""``pitchbench neck --hear``: the chords as sound, as they are and as they would be."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import click
import numpy as np
from numpy.typing import NDArray

from pitchbench.analysis.neck import NeckResult, SurveyedString
from pitchbench.commands.common import printable
from pitchbench.errors import NoReadingError, PitchbenchError
from pitchbench.intonation.chords import ChordNote
from pitchbench.strings.chord_sound import ChordTone, chord_sound
from pitchbench.units import fret_ratio

_SOUNDS: Final = (".wav", ".flac")
_HEARD_RATE_HZ: Final = 48_000
_BETWEEN_CHORDS_S: Final = 0.5


def check_hear(hear: Path | None, shapes: Sequence[str], force: bool) -> None:
    """Before the work, not after it."""
    if hear is None:
        return
    if not shapes:
        raise PitchbenchError("There is no chord to hear.", "Name one with --chord, as x32010.")
    if hear.suffix.lower() not in _SOUNDS:
        raise PitchbenchError(
            f"{str(hear)!r} ends in nothing that can be written as sound.",
            "Let the name end in .wav or .flac.",
        )
    if hear.exists() and not force:
        raise PitchbenchError(
            f"{str(hear)!r} exists already.", "Give another name, or --force to replace it."
        )


def write_chords(hear: Path, result: NeckResult, *, force: bool) -> None:
    """Each chord as it is and as it would be, one after the other; whole or not at all."""
    from pitchbench.report.export import write_file  # noqa: PLC0415  # only where a file is written
    from pitchbench.sound.recorder import encoded  # noqa: PLC0415

    pause = np.zeros(round(_BETWEEN_CHORDS_S * _HEARD_RATE_HZ), np.float32)
    pieces: list[NDArray[np.float32]] = []
    for chord in result.chords:
        for each in (chord.before, chord.after):
            if each.notes:
                tones = [_tone(note, result.strings) for note in each.notes]
                pieces += [chord_sound(tones, rate_hz=_HEARD_RATE_HZ), pause]
    if not pieces:
        raise NoReadingError(
            "There is no chord to hear: none of its strings could be judged.",
            "Record the strings of the chord, each open and at two frets or more.",
        )
    sound = encoded(np.concatenate(pieces), _HEARD_RATE_HZ, hear)
    write_file(hear, [sound], force=force)
    click.echo(f"Chords, each before and after: {printable(str(hear))}", err=True)


def _tone(note: ChordNote, strings: Sequence[SurveyedString]) -> ChordTone:
    """A chord's note with the stiffness of its string, which grows by gamma^2 up the neck."""
    open_b = next(string.stiffness_b for string in strings if string.number == note.string)
    return ChordTone(note.pitch_hz, (open_b or 0.0) * fret_ratio(note.fret) ** 2)
