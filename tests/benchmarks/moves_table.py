"""How many moves and plucks an instrument takes, and how well it ends, beside the plain procedure.

The real session reducer is driven with readings made of numbers, not of sound (that is rehearse's
job): a virtual player whose plucks scatter, a virtual bridge whose screws have slack and are not
turned quite as told. The plain procedure: three open, three fretted, the mean; if it is outside
the tolerance, 1 mm the right way, and again.

    python tests/benchmarks/moves_table.py [--seeds 200] [--write]
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from accuracy_page import write_section
from session_story import Story

from pitchbench.instrument import Bridge, BridgeKind, ScrewHeads
from pitchbench.intonation import geometry
from pitchbench.presets import preset
from pitchbench.session.state import Command, Step
from pitchbench.units import shifted_hz

TOLERANCE_CENTS = 2.0
OPEN_CENTS, REFRET_CENTS, TUNING_CENTS = 0.3, 2.0, 1.0
TURNED_SHARE = 0.10
MOST_SLACK_TURNS = 0.25
FOUND_CENTS = 7.0
#: On the border, the probability of being within the tolerance that this player is content with.
GOOD_ENOUGH = 0.8
PATIENCE = 600


@dataclass
class TrueBridge:
    """Saddles with their true offsets; what a move really does is hidden from the session."""

    rng: np.random.Generator
    scale_mm: float
    screw_pitch_mm: float
    strings: int
    offsets: dict[int, float] = field(init=False)
    factor: float = field(init=False)
    slack_mm: float = field(init=False)
    last: dict[int, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.offsets = {n + 1: self.rng.normal(3.0, FOUND_CENTS) for n in range(self.strings)}
        self.factor = self.rng.normal(1.0, 0.04)
        self.slack_mm = self.rng.uniform(0.0, MOST_SLACK_TURNS) * self.screw_pitch_mm

    def move(self, string: int, told_mm: float) -> None:
        turned = told_mm * (1.0 + TURNED_SHARE * self.rng.standard_normal())
        if self.last.get(string, turned) * turned < 0.0:
            turned -= np.copysign(min(abs(turned), self.slack_mm), turned)
        self.last[string] = told_mm
        self.offsets[string] += geometry.saddle_change_cents(
            self.factor * turned, fret=12, scale_mm=self.scale_mm
        )


@dataclass
class Result:
    """One instrument: moves per string, plucks in all, offsets as found and as left."""

    moves: dict[int, int]
    plucks: int
    found: dict[int, float]
    left: dict[int, float]


def plain(bridge: TrueBridge) -> Result:
    rng, found = bridge.rng, dict(bridge.offsets)
    moves, plucks = dict.fromkeys(found, 0), 0
    for string in found:
        while moves[string] < 20:
            opens = rng.normal(0.0, OPEN_CENTS, 3)
            fretteds = rng.normal(bridge.offsets[string], REFRET_CENTS, 3)
            plucks += 6
            mean = fretteds.mean() - opens.mean()
            if abs(mean) <= TOLERANCE_CENTS:
                break
            bridge.move(string, np.copysign(1.0, mean))
            moves[string] += 1
    return Result(moves, plucks, found, dict(bridge.offsets))


def guided(bridge: TrueBridge, instrument) -> Result:
    """What the session makes of it: asks are followed, advice is followed."""
    rng, found = bridge.rng, dict(bridge.offsets)
    story = Story.begin(instrument)
    moves, plucks = dict.fromkeys(found, 0), 0
    tuned = rng.normal(0.0, TUNING_CENTS, len(found) + 1)
    followed = None
    while story.state.step is not Step.FINISHED and plucks < PATIENCE:
        state, string = story.state, story.state.current
        advice = state.string.advice
        if state.step is Step.BORDER and state.string.verdict.p_within >= GOOD_ENOUGH:
            story.key(Command.ACCEPT)
            continue
        fret = (state.wanted_fret or 0) if state.tuned else 0
        if state.step in (Step.MOVE, Step.BORDER) and advice not in (None, followed):
            followed = advice
            bridge.move(string, advice.signed_mm)
            moves[string] += 1
            tuned[string] = rng.normal(0.0, TUNING_CENTS)
            story.live(shifted_hz(story.target_hz(string), -180.0))  # heard while it comes up
            continue
        cents = tuned[string] + rng.normal(0.0, OPEN_CENTS)
        if fret:
            cents = tuned[string] + bridge.offsets[string] + rng.normal(0.0, REFRET_CENTS)
        story.play(string, fret, cents)
        plucks += 1
    return Result(moves, plucks, found, dict(bridge.offsets))


BRIDGES = {
    "screw saddles": Bridge(BridgeKind.SCREW_SADDLES, 0.5, ScrewHeads.TAIL),
    "post-mounted bar": Bridge(BridgeKind.POST_BAR, 0.7, ScrewHeads.NECK),
    "bass bridge": Bridge(BridgeKind.BASS, 0.6, ScrewHeads.TAIL),
}


def summary(results: list[Result]) -> list[str]:
    needed = [n for r in results for s, n in r.moves.items() if abs(r.found[s]) > TOLERANCE_CENTS]
    left = np.array([abs(x) for r in results for x in r.left.values()])
    return [
        f"{np.median(needed):.1f}",
        f"{np.mean(needed):.2f}",
        f"{np.percentile(needed, 95):.0f}",
        f"{100 * np.mean(left <= TOLERANCE_CENTS):.1f}",
        f"{np.median(left):.2f}",
        f"{np.mean([r.plucks for r in results]):.0f}",
    ]


def table(seeds: int) -> str:
    lines = [
        "## Moves and plucks per instrument",
        "",
        f"The session driven with numbers ({seeds} seeds a row; made by "
        "`python tests/benchmarks/moves_table.py --write`): scatter "
        f"{OPEN_CENTS:g} cents open and {REFRET_CENTS:g} fretted, screws turned {TURNED_SHARE:.0%} "
        f"off, slack up to {MOST_SLACK_TURNS:g} turn, found {FOUND_CENTS:g} cents off (1 sigma, "
        "3 sharp). The plain procedure: three open, three fretted; outside the tolerance of "
        f"{TOLERANCE_CENTS:g} cents the saddle goes 1 mm the right way; again. Moves are counted "
        "on strings that needed one.",
        "",
        "| bridge | procedure | moves, median | mean | 95th percentile | within tolerance, % "
        "| median error, cents | plucks per instrument |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for name, bridge in BRIDGES.items():
        instrument = replace(preset("bass-four" if "bass" in name else "six-string"), bridge=bridge)

        def fresh(seed, instrument=instrument, bridge=bridge):
            return TrueBridge(
                np.random.default_rng(seed),
                instrument.scale_mm,
                bridge.screw_pitch_mm,
                len(instrument.strings),
            )

        for label, run in (
            ("plain", lambda seed: plain(fresh(seed))),
            ("ours", lambda seed, instrument=instrument: guided(fresh(seed), instrument)),
        ):
            cells = summary([run(seed) for seed in range(seeds)])
            lines.append(f"| {name} | {label} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    text = table(options.seeds)
    print(text)
    if options.write:
        write_section("moves_table", text)
