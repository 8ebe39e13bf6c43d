"""Coverage-guided fuzzing of what comes from outside: exports, instruments, sound files.

    pip install atheris                      (no wheels for some Pythons, so no test needs it)
    PYTHONPATH=tests:tests/faults python tests/benchmarks/fuzz.py exports --seconds 300
    PYTHONPATH=tests:tests/faults python tests/benchmarks/fuzz.py instruments
    PYTHONPATH=tests:tests/faults python tests/benchmarks/fuzz.py sounds

Anything but a ``PitchbenchError``, more than ten seconds or more than 500 MB ends it, with the
input that did it. What it has found is in docs/reliability.md.
"""

from __future__ import annotations

import argparse
import contextlib
import copy
import io
import json
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import atheris
import numpy as np
import soundfile

with atheris.instrument_imports(include=["pitchbench", "absurd"]):
    from absurd import VALUES, WORDS, an_export, as_text
    from stores import read_export

    from pitchbench.commands.instrument import with_details
    from pitchbench.errors import PitchbenchError
    from pitchbench.instrument import Instrument
    from pitchbench.presets import PRESETS
    from pitchbench.records.documents import from_document, to_document
    from pitchbench.report.export import export_json, takes_csv
    from pitchbench.report.instrument import described
    from pitchbench.report.sheet import sheet_lines
    from pitchbench.sound.recording import Recording

EXPORT = an_export()
_FORMS = (
    "WAV/PCM_16 WAV/FLOAT WAV/IMA_ADPCM FLAC/PCM_24 AIFF/PCM_16 OGG/VORBIS CAF/PCM_16 W64/PCM_16 "
    "AU/ULAW MP3/MPEG_LAYER_III"
)
OPTIONS = ("tuning", "gauges", "cores", "materials", "pairs", "setback", "kind", "notes")


def damaged(data: atheris.FuzzedDataProvider, document: Any) -> Any:
    """``document`` with one to three things in it replaced, removed or doubled."""
    document = copy.deepcopy(document)
    for _ in range(data.ConsumeIntInRange(1, 3)):
        keys: Any = list(document)
        within, key = document, keys[data.ConsumeIntInRange(0, len(keys) - 1)]
        while isinstance(within[key], dict | list) and within[key] and data.ConsumeIntInRange(0, 7):
            within = within[key]
            keys = list(within) if isinstance(within, dict) else range(len(within))
            key = keys[data.ConsumeIntInRange(0, len(keys) - 1)]
        how = data.ConsumeIntInRange(0, 9)
        if how == 0:
            del within[key]
        elif how == 1 and isinstance(within, list):
            within.append(copy.deepcopy(within[key]))
        elif how < 4:
            within[key] = data.ConsumeUnicode(12)
        elif how < 6:
            within[key] = data.ConsumeFloat() if how == 4 else data.ConsumeInt(8)
        else:
            within[key] = copy.deepcopy(VALUES[data.ConsumeIntInRange(0, len(VALUES) - 1)])
    return document


def exports(content: bytes) -> None:
    """An export as bytes, or a sound one that was damaged; and what is made of what it holds."""
    data = atheris.FuzzedDataProvider(content)
    if data.ConsumeBool():
        text = as_text(damaged(data, EXPORT))
    else:
        text = data.ConsumeBytes(len(content)).decode("utf-8", "replace")
    with contextlib.suppress(PitchbenchError):
        export = read_export(text)
        for record in export.sessions:
            takes_csv(record)
            sheet_lines(record)
        read_export("".join(export_json(export.instruments, export.sessions)))


def instruments(content: bytes) -> None:
    """The options that describe an instrument, and a document of one."""
    data = atheris.FuzzedDataProvider(content)
    presets = list(PRESETS.values())
    instrument = presets[data.ConsumeIntInRange(0, len(presets) - 1)]
    details = {
        option: WORDS[data.ConsumeIntInRange(0, len(WORDS) - 1)]
        if data.ConsumeBool()
        else data.ConsumeUnicode(20)
        for option in OPTIONS
        if data.ConsumeBool()
    }
    with contextlib.suppress(PitchbenchError):
        described(with_details(instrument, details))
    document = damaged(data, EXPORT["instruments"][0])
    with contextlib.suppress(PitchbenchError):
        for record in read_export(as_text({**EXPORT, "instruments": [document]})).instruments:
            described(record.instrument)
            json.dumps(to_document(record.instrument), allow_nan=False)
            from_document(to_document(record.instrument), Instrument)


def sounds(content: bytes) -> None:
    """A sound file, heard to its end."""
    path = Path(tempfile.gettempdir(), "fuzzed.sound")
    path.write_bytes(content)
    with contextlib.suppress(PitchbenchError):
        for block in Recording(path).blocks():
            assert np.all(np.isfinite(block.samples))


def seeds(folder: Path, target: Callable[[bytes], None]) -> None:
    """Sound inputs to begin from."""
    if target is not sounds:
        (folder / "export.json").write_text("\0" + as_text(EXPORT))
        (folder / "zeros").write_bytes(bytes(range(256)))
        return
    noise = 0.5 * np.random.default_rng(1).uniform(-1, 1, (400, 2))
    for words in _FORMS.split():
        form, subtype = words.split("/")
        file = io.BytesIO()
        soundfile.write(file, noise, 48_000, subtype=subtype, format=form)
        (folder / f"{form}-{subtype}").write_bytes(file.getvalue())


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    targets = {target.__name__: target for target in (exports, instruments, sounds)}
    parser.add_argument("target", choices=targets)
    parser.add_argument("--seconds", type=int, default=120)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="corpus-") as corpus:
        seeds(Path(corpus), targets[asked.target])
        limits = [f"-max_total_time={asked.seconds}", "-timeout=10", "-rss_limit_mb=500"]
        if asked.target == "exports":
            limits.append("-max_len=40000")
        atheris.Setup([sys.argv[0], *limits, "-print_final_stats=1", corpus], targets[asked.target])
        atheris.Fuzz()


if __name__ == "__main__":
    main()
