"""The fewest plucks that anybody could do with, by dynamic programming.

Granted what no one has: the spread of fretted takes known, normal, no take bent, the open pitch
exact from one pluck, and an infinitely long look ahead. What is believed of an offset is then a
normal distribution, and for each mean and standard uncertainty the cheapest of three acts is
found: leave, one more take, or move (which costs one open pluck as well).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from persons import FOUND_CENTS, TOLERANCE_CENTS, TURNED_SHARE
from scipy.special import ndtr

MEANS = np.arange(0.0, 30.01, 0.25)
SCALES = np.geomspace(0.25, 9.0, 60)
LEAVE, TAKE, MOVE = range(3)
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(15)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True)
class Policy:
    """The cheapest act for every mean and standard uncertainty, shape (means, scales)."""

    acts: np.ndarray

    def act(self, mean: np.ndarray, scale: np.ndarray) -> np.ndarray:
        i, j = (np.rint(x).astype(int) for x in _places(mean, scale))
        return self.acts[i, j]


def _places(mean: np.ndarray, scale: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    i = np.clip(np.abs(mean) / MEANS[1], 0, MEANS.size - 1.001)
    j = np.log(scale / SCALES[0]) / np.log(SCALES[1] / SCALES[0])
    return i, np.clip(j, 0, SCALES.size - 1.001)


def cheapest(spread_cents: float, *, outside_costs: float, move_costs: float) -> Policy:
    """By value iteration; costs in plucks, of a string left outside and of a move."""
    mean, scale = np.meshgrid(MEANS, SCALES, indexing="ij")
    within = ndtr((TOLERANCE_CENTS - mean) / scale) - ndtr((-TOLERANCE_CENTS - mean) / scale)
    leave = outside_costs * (1.0 - within)
    narrowed = (scale**-2.0 + spread_cents**-2.0) ** -0.5
    apart = np.sqrt(scale**2 - narrowed**2)
    moved = np.hypot(scale, TURNED_SHARE * mean)
    value = leave
    while True:
        ahead = (
            w * _at(value, mean + z * apart, narrowed)
            for z, w in zip(_NODES, _WEIGHTS, strict=True)
        )
        costs = leave, 1.0 + sum(ahead), move_costs + 1.0 + _at(value, 0.0 * mean, moved)
        better = np.minimum.reduce(costs)
        if np.abs(better - value).max() < 1e-3:
            return Policy(np.argmin(costs, axis=0))
        value = better


def _at(value: np.ndarray, mean: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """``value`` between its nodes, linearly."""
    places = _places(mean, scale)
    i, j = (p.astype(int) for p in places)
    a, b = (p - np.floor(p) for p in places)
    low = (1.0 - a) * value[i, j] + a * value[i + 1, j]
    high = (1.0 - a) * value[i, j + 1] + a * value[i + 1, j + 1]
    return (1.0 - b) * low + b * high


def followed(policy: Policy, spread_cents: float, *, runs: int) -> tuple[float, float, float]:
    """Share of strings left within the tolerance, plucks and moves per string."""
    rng = np.random.default_rng(21)
    x = rng.normal(0.0, FOUND_CENTS, runs)
    mean, scale = np.zeros(runs), np.full(runs, FOUND_CENTS)
    plucks, moves = np.ones(runs), np.zeros(runs)
    while True:
        act = policy.act(mean, scale)
        take, move = act == TAKE, act == MOVE
        if not (take | move).any():
            return float(np.mean(np.abs(x) <= TOLERANCE_CENTS)), plucks.mean(), moves.mean()
        heard = x[take] + spread_cents * rng.standard_normal(take.sum())
        variance = 1.0 / (scale[take] ** -2.0 + spread_cents**-2.0)
        mean[take] = variance * (mean[take] / scale[take] ** 2 + heard / spread_cents**2)
        scale[take] = np.sqrt(variance)
        x[move] -= mean[move] * (1.0 + TURNED_SHARE * rng.standard_normal(move.sum()))
        scale[move] = np.hypot(scale[move], TURNED_SHARE * mean[move])
        mean[move] = 0.0
        plucks += take | move
        moves += move


def bound(spread_cents: float, *, share_within: float, runs: int = 40_000) -> tuple[float, ...]:
    """The cheapest way to leave ``share_within`` of strings within the tolerance, a move being
    worth two plucks more than its own."""
    low, high = 5.0, 2000.0
    while high / low > 1.02:
        costs = (low * high) ** 0.5
        policy = cheapest(spread_cents, outside_costs=costs, move_costs=2.0)
        found = followed(policy, spread_cents, runs=runs)
        low, high = (costs, high) if found[0] < share_within else (low, costs)
    return found


if __name__ == "__main__":
    for within in (0.96, 0.97, 0.98):
        print("within {:.3f}, {:.1f} plucks, {:.2f} moves".format(*bound(2.0, share_within=within)))
