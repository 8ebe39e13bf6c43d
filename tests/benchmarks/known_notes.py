"""Notes of known pitch from three generators that share nothing, all in one form.

"partials" (:mod:`plucks`) writes partials down; "virtual" is the program's own instrument;
"mechanics" (:mod:`mechanics`) integrates a string.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import mechanics
import numpy as np
import plucks
from numpy.typing import NDArray

from pitchbench.presets import preset
from pitchbench.strings.virtual import VirtualInstrument

#: Silence before every note of the virtual instrument, and sound after it.
_BEFORE_S = 0.8
_AFTER_S = 0.4


@dataclass(frozen=True, eq=False)
class KnownNote:
    """One note.

    Parameters
    ----------
    samples, rate_hz : the sound, with some of what was before it.
    onset : the sample at which the string is let go.
    ring_s : from there until it is damped, or the sound ends.
    clear_s : until when it stands 10 dB above the noise.
    f1_hz, stiffness_b : the truth; B is NaN where no one law holds.
    attack_cents : how sharp it is 30 ms after the onset; NaN where that is not known.
    rang_hz : another string that rang before; NaN where none did.
    tags : the kinds of difficulty it has.
    bass : whether the instrument is one.
    made_of : all that it was made from, to look at.
    """

    samples: NDArray[np.float32]
    rate_hz: int
    onset: int
    ring_s: float
    clear_s: float
    f1_hz: float
    stiffness_b: float
    attack_cents: float
    rang_hz: float
    tags: frozenset[str]
    bass: bool
    made_of: object

    def first(self, length_s: float) -> KnownNote:
        """The same note, of which no more than so many seconds were heard."""
        end = self.onset + round(length_s * self.rate_hz)
        return replace(
            self,
            samples=self.samples[:end],
            ring_s=min(self.ring_s, length_s),
            clear_s=min(self.clear_s, length_s),
        )


def from_partials(n: int, seed: int) -> Iterator[KnownNote]:
    """Notes of :mod:`plucks`."""
    for spec in plucks.specs(n, seed):
        samples, truth = plucks.render(spec)
        other = spec.neighbour
        rang = other is not None and other.already_ringing
        yield KnownNote(
            samples=samples,
            rate_hz=spec.rate_hz,
            onset=truth.onset,
            ring_s=spec.ring_s,
            clear_s=truth.clear_s,
            f1_hz=truth.f1_hz,
            stiffness_b=truth.stiffness_b,
            attack_cents=truth.attack_cents,
            rang_hz=truth.f1_hz * 2.0 ** (other.semitones / 12.0) if rang else math.nan,
            tags=spec.tags | {"energy glide"},
            bass=spec.f1_hz / 2.0 ** (spec.fret / 12.0) < 50.0,
            made_of=spec,
        )


def from_mechanics(n: int, seed: int) -> Iterator[KnownNote]:
    """Notes of :mod:`mechanics`."""
    for pluck, samples, truth in mechanics.notes(n, seed):
        rang = pluck.neighbour is not None and pluck.neighbour_rang
        lawful = pluck.string.shift_cents == 0.0
        yield KnownNote(
            samples=samples,
            rate_hz=pluck.rate_hz,
            onset=truth.onset,
            ring_s=pluck.ring_s,
            clear_s=truth.clear_s,
            f1_hz=truth.f1_hz,
            stiffness_b=truth.stiffness_b if lawful else math.nan,
            attack_cents=math.nan,
            rang_hz=pluck.neighbour.f1_hz if rang else math.nan,
            tags=pluck.tags,
            bass=pluck.bass,
            made_of=pluck,
        )


def from_virtual(n: int, seed: int) -> Iterator[KnownNote]:
    """Notes of the virtual instrument: guitars and basses, open and at the 12th fret."""
    rng = np.random.default_rng(seed)
    names = itertools.cycle(("six-string", "bass-five", "seven-string"))
    for number, name in zip(range(n), names, strict=False):
        yield _virtual_note(name, 1000 * seed + number, rng)


def _virtual_note(name: str, seed: int, rng: np.random.Generator) -> KnownNote:
    noise_db = rng.uniform(-85.0, -50.0)
    along_db = float(rng.uniform(-45.0, -25.0)) if rng.random() < 0.2 else None
    virtual = VirtualInstrument(
        preset(name),
        seed=seed,
        noise_db=noise_db,
        hum_db=rng.uniform(-85.0, -60.0),
        sympathetic_db=along_db,
    )
    rate = virtual.rate_hz
    string = int(rng.integers(1, len(virtual.instrument.strings) + 1))
    fret = int(rng.choice((0, 12)))
    ring_s = rng.uniform(1.2, 2.0) if rng.random() < 0.2 else rng.uniform(4.0, 4.5)
    note = virtual.pluck(
        string, fret, amplitude_mm=float(np.exp(rng.uniform(-1.0, 1.2))), ring_s=ring_s
    )
    onset = round(_BEFORE_S * rate)
    samples = virtual.room(onset + note.size + round(_AFTER_S * rate))
    noise = float(np.std(samples))
    samples[onset : onset + note.size] += note
    first_rms = float(np.std(note[: round(0.3 * rate)]))
    f1_hz = virtual.true_hz(string, fret)
    kinds = {
        "low": f1_hz < 84.0,
        "short": ring_s < 2.0,
        "noisy": noise > first_rms * 10.0 ** (-35.0 / 20.0),
        "neighbour": along_db is not None,
        "energy glide": True,
    }
    return KnownNote(
        samples=samples / max(1.0, float(np.max(np.abs(samples))) / 0.9),
        rate_hz=rate,
        onset=onset,
        ring_s=ring_s,
        clear_s=_clear_s(note, noise, rate),
        f1_hz=f1_hz,
        stiffness_b=virtual.true_stiffness_b(string, fret),
        attack_cents=math.nan,
        rang_hz=math.nan,
        tags=frozenset(kind for kind, holds in kinds.items() if holds),
        bass=name == "bass-five",
        made_of=(name, seed, string, fret, ring_s),
    )


def _clear_s(note: NDArray[np.float32], noise: float, rate_hz: int) -> float:
    """Until when the note stands 10 dB above the noise, in steps of 0.1 s."""
    step = rate_hz // 10
    power = np.mean(np.square(note[: note.size // step * step]).reshape(-1, step), axis=1)
    clear = np.flatnonzero(power > 10.0 * noise**2)
    return 0.1 * (int(clear[-1]) + 1) if clear.size else 0.0


#: By name: ``n`` notes of a seed.
GENERATORS: dict[str, Callable[[int, int], Iterator[KnownNote]]] = {
    "partials": from_partials,
    "virtual": from_virtual,
    "mechanics": from_mechanics,
}
