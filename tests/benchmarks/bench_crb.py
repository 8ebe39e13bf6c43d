"""How near the readings come to the Cramér-Rao bound, in white noise.

    python tests/benchmarks/bench_crb.py [--trials 200] [--write]

The bound counts every sample from the onset to the end and nothing unknown but what is named: a
decaying tone (frequency, amplitude, phase, decay), or a stiff harmonic set (those for every
partial, tied together by f0 and B). It allows nothing for looking for a glide, for the attack that
is thrown away, or for a second polarisation: what these cost shows in the ratio. A steady tone is
no string, and is not read.
"""

# ruff: noqa: E402 - the libraries read how many threads they may use when they are imported

from __future__ import annotations

import os

for _variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ[_variable] = "1"

import argparse
import math
from dataclasses import dataclass

import numpy as np
from accuracy_page import write_section
from answers import cents, read, table
from numpy.typing import NDArray

from pitchbench.pitch.bounds import as_cents, decaying_tone_sd_hz

RATE_HZ = 48000
SILENCE_S = 0.6


@dataclass(frozen=True)
class Case:
    """Partials of a stiff string in white noise; one partial is a plain tone.

    ``allowed`` is the ratio to the bound aimed at.
    """

    name: str
    f1_hz: float
    stiffness_b: float
    amplitudes: tuple[float, ...]
    decay_s: tuple[float, ...]
    noise: float
    ring_s: float
    allowed: float

    @property
    def partial_hz(self) -> NDArray[np.float64]:
        """f_k = k f0 sqrt(1 + B k^2)."""
        k = np.arange(1, len(self.amplitudes) + 1)
        f0_hz = self.f1_hz / math.sqrt(1.0 + self.stiffness_b)
        return k * f0_hz * np.sqrt(1.0 + self.stiffness_b * k**2)


def _strings() -> list[Case]:
    """Two stiff sets: partials falling as 1/k, decaying the faster the higher they are."""
    cases = []
    for name, f1_hz, b, first_decay_s in (("E2", 82.4069, 1e-4, 1.5), ("E1", 41.2034, 2e-4, 3.0)):
        k = np.arange(1, 13)
        cases.append(
            Case(
                f"stiff set, {name}, 12 partials",
                f1_hz,
                b,
                tuple(0.2 / k),
                tuple(first_decay_s / (1.0 + 0.1 * (k - 1))),
                noise=0.002,
                ring_s=3.0,
                allowed=1.3,
            )
        )
    return cases


CASES = [
    Case("decaying tone, E2", 82.4069, 0.0, (0.1,), (0.5,), 0.01, 2.0, 1.15),
    Case("decaying tone, E4", 329.6276, 0.0, (0.1,), (0.5,), 0.002, 2.0, 1.15),
    *_strings(),
]


def bound_cents(case: Case) -> float:
    """Least standard deviation of f1 in cents.

    Far apart, the partials say independent things: the bound of each is that of a lone tone, and
    f_k / k = f0 (1 + B k^2 / 2) joins them in two unknowns, f0 and f0 B / 2, by weighted least
    squares; f1 is their sum. (To first order in B, which is all that a variance needs.)
    """
    n = round(case.ring_s * RATE_HZ)
    sds_hz = np.array(
        [
            decaying_tone_sd_hz(a, case.noise, decay_s=decay_s, n=n, rate_hz=RATE_HZ)
            for a, decay_s in zip(case.amplitudes, case.decay_s, strict=True)
        ]
    )
    if sds_hz.size == 1:
        return as_cents(float(sds_hz[0]), case.f1_hz)
    k = np.arange(1, sds_hz.size + 1)
    design = np.stack([np.ones(k.size), k**2.0], axis=1) * (k / sds_hz)[:, np.newaxis]
    covariance = np.linalg.inv(design.T @ design)
    one = np.ones(2)
    return as_cents(math.sqrt(one @ covariance @ one), case.f1_hz)


def sound(case: Case, seed: int) -> NDArray[np.float32]:
    """Noise throughout, and the tone from ``SILENCE_S`` on, cut off at the end."""
    rng = np.random.default_rng(seed)
    before, n = round(SILENCE_S * RATE_HZ), round(case.ring_s * RATE_HZ)
    samples = case.noise * rng.normal(size=before + n)
    time_s = np.arange(n) / RATE_HZ
    for f_hz, a, decay_s in zip(case.partial_hz, case.amplitudes, case.decay_s, strict=True):
        angle = 2.0 * np.pi * f_hz * time_s + rng.uniform(0.0, 2.0 * np.pi)
        samples[before:] += a * np.exp(-time_s / decay_s) * np.cos(angle)
    return samples.astype(np.float32)


def errors_cents(case: Case, trials: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Errors and u of the settled readings."""
    pairs = []
    for seed in range(trials):
        for reading in read(sound(case, seed), RATE_HZ):
            if reading.settled:
                pairs.append((cents(reading.pitch_hz, case.f1_hz), reading.u_cents))
    error, u = np.array(pairs).reshape(-1, 2).T
    return error, u


def report(trials: int) -> str:
    """The table: bound, what was found, their ratio and what is aimed at."""
    rows = []
    for case in CASES:
        error, u = errors_cents(case, trials)
        if not error.size:
            raise SystemExit(f"{case.name}: none of {trials} was read")
        bound = bound_cents(case)
        found = float(np.sqrt(np.mean(error**2)))
        covered = 100.0 * np.mean(np.abs(error) <= 1.96 * u)
        rows.append(
            [
                *(case.name, f"{error.size} of {trials}"),
                *(f"{1e3 * bound:.3f}", f"{1e3 * found:.3f}", f"{found / bound:.2f}"),
                *(f"{case.allowed:.2f}", f"{1e3 * error.mean():+.3f}", f"{covered:.0f} %"),
            ]
        )
    head = ["case", "settled", "bound, mcent", "rms error, mcent", "ratio", "aim", "mean error"]
    return table([*head, "covered"], rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--write", action="store_true", help="write docs/accuracy.md")
    arguments = parser.parse_args()
    text = report(arguments.trials)
    print(text)
    if arguments.write:
        command = f"    python tests/benchmarks/bench_crb.py --trials {arguments.trials} --write"
        note = (
            "\n\nWhite noise; rms error over the trials beside the Cramér-Rao bound, in "
            f"thousandths of a cent. A ratio of {arguments.trials} trials is itself known to about "
            f"{100.0 / math.sqrt(2.0 * arguments.trials):.0f} %.\n\n"
        )
        write_section("bench_crb", "## Efficiency\n\n" + command + note + text)


if __name__ == "__main__":
    main()
