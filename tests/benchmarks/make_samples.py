"""Makes the recordings in samples/ and their truth: synthetic strings, our own invention.

python tests/benchmarks/make_samples.py
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import plucks
import soundfile
from plucks import PluckSpec

FOLDER = Path(__file__).parents[2] / "samples"
RATE_HZ = 44100
MOST_BYTES = 300_000


@dataclass(frozen=True)
class String:
    """An invented string: its open pitch and stiffness, and how it is off at each fret."""

    note: str
    open_hz: float
    stiffness_b: float
    decay_s: float
    offset_cents: dict[int, float]

    def take(self, fret: int, *, seed: int, scatter_cents: float, glide_cents: float) -> PluckSpec:
        """One pluck; the pitch of a fretted take scatters by ``scatter_cents`` (one sigma)."""
        rng = np.random.default_rng([seed, fret, 77])
        off = self.offset_cents.get(fret, 0.0) + rng.normal(0.0, scatter_cents)
        return PluckSpec(
            seed=seed,
            rate_hz=RATE_HZ,
            f1_hz=self.open_hz * 2.0 ** ((100.0 * fret + off) / 1200.0),
            stiffness_b=self.stiffness_b * 2.0 ** (fret / 6.0),  # B ~ 1 / L^2
            fret=fret,
            glide_cents=glide_cents,
            decay_s=self.decay_s * 2.0 ** (-fret / 24.0),
            friction=0.12,
            bending=3.0,
            pluck_at=rng.uniform(0.14, 0.2),
            tilt=1.4,
            highpass_hz=20.0,
            body=True,
            ring_s=2.0,
            damping_s=0.03,
            pick_db=-16.0,
            pick_s=0.004,
            cross_cents=rng.uniform(-0.2, 0.2),
            cross_db=-18.0,
            cross_decay=0.7,
            noise_db=-56.0,
            pink=0.5,
            hum_hz=50.01,
            hum_db=-58.0,
            peak=0.07,
            neighbour=None,
            preroll_s=0.35,
            postroll_s=0.25,
        )


A2 = String("A2", 110.0 * 2 ** (3.1 / 1200), 6.5e-5, 1.6, {12: 7.0})
D3 = String("D3", 146.8324 * 2 ** (-1.4 / 1200), 5.0e-5, 1.3, {12: 0.3})
B0 = String("B0", 30.8677 * 2 ** (2.2 / 1200), 2.2e-4, 3.0, {})
E2 = String("E2", 82.4069, 9.0e-5, 1.5, {})


def _neck() -> String:
    """A G3: the nut 1.5 cents sharp throughout, the saddle 2 at the 12th, fret 9 off by itself."""
    offsets = {n: 1.5 + 2.0 * (2.0 ** (n / 12.0) - 1.0) for n in (1, 3, 5, 7, 9, 12, 15, 17)}
    offsets[9] += 4.0
    return String("G3", 195.9977 * 2 ** (0.8 / 1200), 6.0e-5, 1.1, offsets)


def _low_strings() -> list[String]:
    """Low E, A and D of one guitar: nut 0.5 cents sharp, each saddle off in its own way."""
    frets = (2, 5, 12)
    return [
        replace(
            string,
            open_hz=string.open_hz * 2 ** (tuned / 1200),
            offset_cents={n: 0.5 + saddle * (2.0 ** (n / 12.0) - 1.0) for n in frets},
        )
        for string, tuned, saddle in (
            (String("E2", 82.4069, 9.0e-5, 1.5, {}), 0.3, 8.0),
            (String("A2", 110.0, 6.5e-5, 1.6, {}), -0.4, -5.0),
            (String("D3", 146.8324, 5.0e-5, 1.3, {}), 0.2, 4.0),
        )
    ]


@dataclass(frozen=True)
class Recording:
    """One file: what it shows, the string, and its takes in order."""

    name: str
    shows: str
    string: String
    takes: Sequence[PluckSpec]
    every_s: float = 2.4
    levels_db: tuple[float, ...] = ()


def recordings() -> list[Recording]:
    """Everything that samples/ holds."""
    g3 = _neck()
    interleaved = (0, 12, 0, 12, 0, 12)

    def series(string: String, frets: Sequence[int], seed: int, scatter: float) -> list[PluckSpec]:
        return [
            string.take(
                fret, seed=seed + i, scatter_cents=scatter if fret else 0.1, glide_cents=6.0
            )
            for i, fret in enumerate(frets)
        ]

    low = [
        replace(take, ring_s=3.6)
        for take in (
            B0.take(0, seed=s, scatter_cents=0.1, glide_cents=g)
            for s, g in ((300, 9.0), (301, 6.0))
        )
    ]
    drift = [
        replace(E2.take(0, seed=400 + i, scatter_cents=0.1, glide_cents=g), ring_s=3.4)
        for i, g in enumerate((2.0, 8.0, 20.0))
    ]
    return [
        Recording(
            "a2-open-and-12th-sharp",
            "open and 12th fret, three takes each: 7 cents sharp, move away from the nut",
            A2,
            series(A2, interleaved, 100, 0.8),
        ),
        Recording(
            "d3-open-and-12th-good",
            "open and 12th fret, three takes each: 0.3 cents, leave it",
            D3,
            series(D3, interleaved, 200, 0.4),
        ),
        Recording("b0-bass", "two plucks of a low bass string", B0, low, every_s=4.2),
        Recording(
            "e2-soft-medium-hard",
            "one open string plucked softly, less softly and hard: the attack drifts, "
            "the settled pitch does not",
            E2,
            drift,
            every_s=4.0,
            # The shift of pitch goes with the square of the swing, and so with the power.
            levels_db=tuple(10.0 * np.log10(g / 20.0) for g in (2.0, 8.0, 20.0)),
        ),
        *(
            Recording(
                f"g3-neck-{part}",
                f"frets {', '.join(map(str, frets))}: nut 1.5 cents, saddle 2 cents at the 12th, "
                "fret 9 4 cents beyond them",
                g3,
                series(g3, frets, seed, 0.3),
                every_s=2.2,
            )
            for part, frets, seed in (
                ("low-frets", (0, 1, 3, 5, 7), 500),
                ("high-frets", (0, 9, 12, 15, 17), 600),
            )
        ),
        *(
            Recording(
                f"chords-{string.note.lower()}",
                "open and frets 2, 5, 12, for the chords of three strings: nut 0.5 cents, saddle "
                f"{string.offset_cents[12] - 0.5:+.0f} cents at the 12th",
                string,
                [
                    replace(take, ring_s=1.7)
                    for take in series(string, (0, 2, 5, 12), 700 + 10 * number, 0.2)
                ],
                every_s=2.1,
            )
            for number, string in enumerate(_low_strings())
        ),
    ]


def make(recording: Recording) -> dict[str, object]:
    """Write one recording and return its truth."""
    samples, truths = plucks.render_session(
        recording.takes,
        every_s=recording.every_s,
        rate_hz=RATE_HZ,
        levels_db=recording.levels_db,
    )
    path = FOLDER / f"{recording.name}.flac"
    soundfile.write(path, samples, RATE_HZ, subtype="PCM_16", compression_level=1.0)
    if path.stat().st_size > MOST_BYTES:
        raise RuntimeError(f"{path.name} has {path.stat().st_size} bytes")
    return {
        "file": path.name,
        "shows": recording.shows,
        "string": recording.string.note,
        "scale_mm": 864.0 if recording.string is B0 else 648.0,
        "true_offset_cents": {
            str(fret): round(off, 4) for fret, off in recording.string.offset_cents.items()
        },
        "plucks": [
            {
                "fret": take.fret,
                "onset_s": round(truth.onset / RATE_HZ, 5),
                "ring_s": round(truth.ring_s, 3),
                "pitch_hz": round(truth.f1_hz, 6),
                "stiffness_b": round(truth.stiffness_b, 8),
                "attack_cents": round(truth.attack_cents, 3),
            }
            for take, truth in zip(recording.takes, truths, strict=True)
        ],
    }


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    truth = {
        "provenance": "synthetic, our own invention, made by tests/benchmarks/make_samples.py",
        "recordings": [make(recording) for recording in recordings()],
    }
    (FOLDER / "truth.json").write_text(json.dumps(truth, indent=1) + "\n")


if __name__ == "__main__":
    main()
