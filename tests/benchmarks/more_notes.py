"""Real notes that nobody here chose: what the program says of whole sets of sampled instruments.

    npm pack tonejs-instrument-guitar-acoustic-wav ...       # each unpacked into FOLDER/INSTRUMENT
    python tests/benchmarks/more_notes.py FOLDER [--write]

Takes every sound file that is named by its note (``A2.wav``, ``Cs3.mp3``) below ``FOLDER``, the
folder at the top telling the instrument. Each gets 0.7 s of quiet before it and white noise at -85
dBFS, as the small set of real notes has, and a late first partial by a method that shares nothing
with the program: a Gaussian band about it, and the slope of its phase, weighed by its power, over
the second half of its ring. What comes out is read and reported as that set is
(:mod:`real_notes`). Such samples were cut, levelled and at times retuned by those who published
them: good for what the program does with them, not for what instruments do.
"""

from __future__ import annotations

import argparse
import json
import re
import tempfile
from pathlib import Path

import numpy as np
import real_notes
import soundfile
from accuracy_page import write_section
from numpy.typing import NDArray

Sound = NDArray[np.float64]

_NOTES = ("C", "Cs", "D", "Ds", "E", "F", "Fs", "G", "Gs", "A", "As", "B")
_NAME = re.compile(r"([A-G]s?)(\d)\.(?:wav|flac|mp3)")
_BEFORE_S, _LONGEST_S, _AFTER_S = 0.7, 12.3, 0.2
_NOISE = 10.0 ** (-85 / 20)
#: Half the band about the first partial, of its frequency, 1 sigma; and a moment of its course.
_BAND = 0.12
_MOMENT_S = 0.01
#: It is looked at from so long after the onset, until it has sunk so far.
_FROM_S = 0.15
_SUNK = 10.0 ** (-40 / 20)
_SHORTEST_S = 1.0
_QUARTERS = 4


_HEAD = """### Notes that nobody here chose

    python tests/benchmarks/more_notes.py FOLDER --write

Sampled instruments as published on npm (tonejs-instrument-guitar-acoustic-wav 1.1.0,
-guitar-electric-wav 1.1.0, -guitar-nylon-mp3 1.1.1, -bass-electric-wav 1.1.2; samples CC BY 3.0),
first read on 2026-11-30, when the model of the string was as it is. Two things came of them: torn
sound begins no note, and a string that rings along is not the note. Their publisher cut, levelled
and in part retuned them: some jump by ten cents in mid-note (never settled), two swell once more
(the ghosts), one is named a semitone too low.

"""


def note_hz(name: str) -> float | None:
    """The note that the name of a file stands for; None where it stands for none.

    >>> note_hz("A4.wav"), note_hz("loop.wav")
    (440.0, None)
    """
    if (found := _NAME.fullmatch(name)) is None:
        return None
    return 440.0 * 2.0 ** (int(found[2]) - 4 + (_NOTES.index(found[1]) - 9) / 12)


def late_first_partial(
    sound: Sound, rate_hz: int, onset_s: float, near_hz: float
) -> tuple[float, float] | None:
    """The first partial over the second half of its ring, in Hz, and its scatter there in cents.

    ``near_hz`` is within half a semitone or so; None where it rings for less than a second.
    """
    time_s = np.arange(len(sound)) / rate_hz
    turned = np.fft.fft(sound * np.exp(-2j * np.pi * near_hz * time_s))
    away = np.fft.fftfreq(len(sound), 1.0 / rate_hz) / (_BAND * near_hz)
    every = round(_MOMENT_S * rate_hz)
    line = np.fft.ifft(turned * np.exp(-0.5 * away**2))[::every]
    time_s = time_s[::every]
    ring = time_s > onset_s + _FROM_S
    loud = np.abs(line)
    over = ring & (loud < _SUNK * loud[ring].max())
    end = int(over.argmax()) if over.any() else len(line) - round(_AFTER_S / _MOMENT_S) - 5
    first = int(ring.argmax())
    if (end - first) * _MOMENT_S < _SHORTEST_S:
        return None
    late = slice((first + end) // 2, end)
    phase, at = np.unwrap(np.angle(line[late])), time_s[late]

    def slope_hz(part: slice) -> float:
        slope = np.polyfit(at[part], phase[part], 1, w=loud[late][part])[0]
        return near_hz + float(slope) / (2.0 * np.pi)

    size = len(at) // _QUARTERS
    parts = [slope_hz(slice(j * size, (j + 1) * size)) for j in range(_QUARTERS)]
    f1_hz = slope_hz(slice(None))
    u_hz = np.std(parts, ddof=1) / np.sqrt(_QUARTERS)
    return f1_hz, float(1200.0 / np.log(2.0) * u_hz / f1_hz)


def known(path: Path, instrument: str, named_hz: float, out: Path) -> dict:
    """Write one note to ``out`` and tell what is known of it, as an entry of the index."""
    channels, rate_hz = soundfile.read(path, always_2d=True)
    sound = channels[: round(_LONGEST_S * rate_hz), 0]
    before, after = (np.zeros(round(s * rate_hz)) for s in (_BEFORE_S, _AFTER_S))
    sound = np.concatenate((before, sound / max(1.0, 1.02 * np.abs(sound).max()), after))
    step = round(0.005 * rate_hz)
    level = np.square(sound[: len(sound) // step * step]).reshape(-1, step).mean(axis=1)
    onset_s = 0.005 * int(np.argmax(level > 0.01 * level.max()))
    sound += _NOISE * np.random.default_rng(len(sound)).standard_normal(len(sound))
    first = round((onset_s + 0.1) * rate_hz)
    part = sound[first : first + rate_hz]
    power = np.abs(np.fft.rfft(part * np.hanning(len(part)), 4 * len(part)))
    bins = np.arange(len(power)) * rate_hz / (4 * len(part))
    near = np.abs(np.log2(bins[1:] / named_hz)) < 0.6 / 12
    late = late_first_partial(sound, rate_hz, onset_s, bins[1:][near][power[1:][near].argmax()])
    name = f"{instrument}__{path.stem}.flac"
    soundfile.write(out / name, np.clip(sound, -1.0, 1.0), rate_hz, subtype="PCM_16")
    return {
        "file": name,
        "group": name,
        "velocity": None,
        "onset_s": onset_s,
        "note_hz": named_hz,
        "late_f1_hz": late and late[0],
        "late_f1_u_cents": late and late[1],
        "same_pluck": None,
    }


def report(folder: Path) -> str:
    """All findings on what lies below ``folder``, as Markdown."""
    with tempfile.TemporaryDirectory() as work:
        notes = [
            known(path, path.relative_to(folder).parts[0], hz, Path(work))
            for path in sorted(folder.rglob("*.*"))
            if (hz := note_hz(path.name)) is not None
        ]
        index = json.dumps({"form": "real-notes/1", "notes": notes})
        Path(work, "index.json").write_text(index, encoding="utf-8")
        heard = real_notes.heard(Path(work))
    by = sorted({note.known["file"].partition("__")[0] for note in heard})
    return f"{len(heard)} notes of {', '.join(by)}.\n\n{real_notes.report(heard)}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--write", action="store_true", help="write docs/accuracy.md")
    arguments = parser.parse_args()
    text = report(arguments.folder)
    print(text)
    if arguments.write:
        write_section("more_notes", _HEAD + text)


if __name__ == "__main__":
    main()
