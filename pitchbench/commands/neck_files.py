"""From recordings to the strings of a neck: one file is one string, pitch tells the frets."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import PurePath

from pitchbench.commands.common import printable
from pitchbench.commands.listening import Listened
from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.intonation.classify import NEAR_CENTS
from pitchbench.intonation.frets import tell_frets
from pitchbench.intonation.offset import Take
from pitchbench.notes import Note, nearest_note
from pitchbench.pitch.reading import Reading
from pitchbench.report.neck import HeardPluck, HeardString
from pitchbench.units import cents_between


def by_string(
    told: Iterable[tuple[Listened, Note | None]],
    named: Sequence[Note],
    instrument: Instrument | None,
    a4_hz: float,
) -> dict[Note, list[Listened]]:
    """The files of each string, highest string first; one file is one string.

    A file that was not put to a string belongs to the only string named, or to the one that its
    lowest note is nearest to.
    """
    tuned = [] if instrument is None else [spec.note for spec in instrument.strings]
    grouped: dict[Note, list[Listened]] = {}
    only = named[0] if len(named) == 1 else None
    for sound, said in told:
        told_note = said or only or _lowest_names(sound, named or tuned, a4_hz)
        if told_note is not None:
            grouped.setdefault(told_note, []).append(sound)
    if not grouped:
        raise PitchbenchError(
            "There is no usable reading in what was heard.",
            "Record single notes that ring for two seconds or more, in a quiet room and not too "
            "loud for the input.",
            ExitCode.NO_READING,
        )
    return dict(sorted(grouped.items(), reverse=True))


def _lowest_names(sound: Listened, notes: Sequence[Note], a4_hz: float) -> Note | None:
    """The string that a file's lowest note names; None where nothing settled in it."""
    pitches = [r.pitch_hz for r in sound.readings if isinstance(r, Reading)]
    if not pitches:
        return None
    lowest = min(pitches)
    if not notes:
        return nearest_note(lowest, a4_hz)[0]
    nearest = min(notes, key=lambda note: abs(cents_between(lowest, note.hz(a4_hz))))
    # Not farther: a fretted note of the string below must not pass for a flat open string.
    if abs(cents_between(lowest, nearest.hz(a4_hz))) > NEAR_CENTS:
        raise PitchbenchError(
            f"The lowest note in {printable(str(sound.path))!r} is "
            f"{nearest_note(lowest, a4_hz)[0]}, no open string of these: "
            f"{', '.join(map(str, notes))}.",
            "Play the open string in each file, or say the string before its files: "
            "--string E2 FILE.",
            ExitCode.NO_READING,
        )
    return nearest


def heard_string(
    note: Note, sounds: Sequence[Listened], instrument: Instrument, a4_hz: float
) -> HeardString:
    """Every pluck of a string with its fret, on one clock over all its files."""
    plucks: list[tuple[float, HeardPluck]] = []
    began_s = 0.0
    for sound in sounds:
        plucks += [(began_s, HeardPluck(str(sound.path), reading)) for reading in sound.readings]
        began_s += sound.length_s
    settled = [pluck.reading for _, pluck in plucks if isinstance(pluck.reading, Reading)]
    frets = tell_frets(
        [reading.pitch_hz for reading in settled],
        open_hz=note.hz(a4_hz),
        highest=instrument.frets,
    )
    fret_of = dict(zip(map(id, settled), frets, strict=True))
    told = [(at, replace(each, fret=fret_of.get(id(each.reading)))) for at, each in plucks]
    numbers = (n for n, spec in enumerate(instrument.strings, start=1) if spec.note == note)
    return HeardString(
        note,
        next(numbers, None),
        tuple(pluck for _, pluck in told),
        tuple(
            Take(pluck.fret, reading.pitch_hz, reading.u_cents, began_s + reading.onset_s)
            for began_s, pluck in told
            if isinstance(reading := pluck.reading, Reading) and pluck.fret is not None
        ),
    )


def files_words(string: HeardString) -> str:
    """ "E2 e-low.wav, e-high.wav"."""
    return f"{string.note} {', '.join(PurePath(source).name for source in string.sources)}"
