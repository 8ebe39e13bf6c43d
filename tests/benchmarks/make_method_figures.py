"""Draw the two figures of docs/method.md: `python tests/benchmarks/make_method_figures.py`.

The plucks are synthetic, made by plucks.py beside this file; our own invention, not measurements.
"""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl
import numpy as np
from plucks import render, specs

from pitchbench.pitch.reading import Pluck, Reading, read_pluck
from pitchbench.pitch.yin import track

mpl.use("svg")
mpl.rcParams.update(
    {
        "svg.hashsalt": "pitchbench",
        "font.size": 12,
        "axes.spines.top": False,
        "axes.spines.right": False,
    }
)
import matplotlib.pyplot as plt  # noqa: E402  (the backend is chosen first)

FOLDER = Path(__file__).parents[2] / "docs" / "figures"


def example() -> tuple[Reading, np.ndarray, int, float]:
    """A low note with a marked glide and little else: its reading, sound, rate and true pitch."""
    spec = next(
        s
        for s in specs(400)
        if 40 < s.f1_hz < 120
        and s.glide_cents > 12
        and s.ring_s > 3.5
        and s.noise_db < -38
        and s.neighbour is None
    )
    sound, truth = render(spec)
    onset, end = truth.onset, truth.onset + round(spec.ring_s * spec.rate_hz)
    reading = read_pluck(Pluck(sound[onset:end], spec.rate_hz, 0.0, sound[: onset - 1000]))
    assert isinstance(reading, Reading)
    return reading, sound[onset:end], spec.rate_hz, spec.f1_hz


def main() -> None:
    """Write docs/figures/method-*.svg."""
    FOLDER.mkdir(exist_ok=True)
    reading, sound, rate_hz, true_hz = example()
    plain = track(sound, rate_hz, fmin_hz=40.0)

    figure, axes = plt.subplots(figsize=(8, 4), layout="constrained")
    cents = 1200.0 * np.log2(plain.f0_hz / true_hz)
    axes.plot(plain.time_s, cents, ".", ms=3, color="0.6", label="period of the sound")
    trace = 1200.0 * np.log2(reading.trace.pitch_hz / true_hz)
    axes.plot(reading.trace.time_s, trace, color="#0072b2", label="first partial, glide followed")
    axes.axhline(1200.0 * np.log2(reading.pitch_hz / true_hz), color="black", lw=1)
    axes.axvline(reading.settle_s, color="black", lw=1, ls=":")
    axes.annotate(
        "stable tail begins",
        (reading.settle_s, 0.93),
        xycoords=("data", "axes fraction"),
        xytext=(6, 0),
        textcoords="offset points",
    )
    axes.annotate(
        "settled pitch",
        (reading.ring_s, 0.0),
        xytext=(-4, -16),
        textcoords="offset points",
        ha="right",
    )
    axes.set(
        xlabel="seconds after the pluck",
        ylabel="cents above the true pitch",
        ylim=(-3, float(np.max(trace)) + 6),
    )
    axes.legend(frameon=False)
    figure.savefig(FOLDER / "method-glide.svg", metadata={"Date": None})

    figure, axes = plt.subplots(figsize=(8, 4), layout="constrained")
    number = np.array([p.number for p in reading.partials])
    f_hz = np.array([p.frequency_hz for p in reading.partials])
    u = np.array([p.u_cents for p in reading.partials])
    above = 1200.0 * np.log2(f_hz / (number * reading.pitch_hz))
    axes.errorbar(number, above, yerr=2 * u, fmt="o", color="#d55e00", label="settled partials")
    k = np.linspace(1, number.max(), 200)
    b = reading.stiffness_b or 0.0
    law = 600.0 * np.log2((1 + b * k * k) / (1 + b))
    axes.plot(k, law, color="black", lw=1, label=f"stiff string, B = {b:.1e}")
    axes.set(xlabel="partial", ylabel="cents above a whole multiple of the first")
    axes.legend(frameon=False)
    figure.savefig(FOLDER / "method-partials.svg", metadata={"Date": None})


if __name__ == "__main__":
    main()
