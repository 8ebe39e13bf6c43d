"""The mean of the tail, for strings that the settling model does not describe."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from pitchbench.pitch.follow import course_spread, excess_of, follow, slope_of
from pitchbench.pitch.partials import Demodulator, law_gradient, stiff_ratio
from pitchbench.pitch.settled import Settled, u_of
from pitchbench.units import CENTS_PER_NEPER

#: A model that leaves slow residuals this many times the noise (power), and this large, is wrong.
_MISFIT_EXCESS: Final = 30.0
_MISFIT_RAD: Final = 0.01
#: Without a model: the shares of the note over which the tail fades in, and how far the partials of
#: real instruments lie from the stiff-string law, 1 sigma (seen in sampled ones).
_TAIL_FROM: Final = (0.15, 0.6)
_OFF_LAW_CENTS: Final = 2.0
_LASTING: Final = 0.5
#: How far the model's B may be off, 1 sigma.
_B_SIGMA: Final = 5e-5


def does_not_fit(settled: Settled) -> bool:
    """Whether most partials stray from the model by far more than the noise explains."""
    weight = settled.weight
    strays = np.sqrt((weight * settled.residual.imag**2).sum(axis=1) / weight.sum(axis=1))
    excess = excess_of(settled.residual.imag, weight)
    return bool(np.median(excess) > _MISFIT_EXCESS and np.median(strays) > _MISFIT_RAD)


def tail_average(demodulator: Demodulator, model: Settled) -> Settled:
    """The mean pitch of the tail, for a string that the model does not describe.

    Strings beat in more ways than two polarisations, magnets pull at them, bodies shift their
    partials. Extrapolating such a course would invent a pitch that was never heard; the mean slope
    of the first partial's phase over the tail is what it is. Upper partials speak only as far as
    noise leaves the first one in doubt, since they may lie off the law by a cent or two.
    """
    number = model.bands.number
    f_k = model.f1_hz * stiff_ratio(number, model.stiffness_b)
    bands = demodulator.bands(number, model.f1_hz, model.stiffness_b, model.bands.half_width_hz)
    followed = follow(demodulator, bands, None)
    if followed is None:
        return model
    t = bands.time_s
    assumed = 2.0 * np.pi * (f_k - bands.centre_hz)[:, None] * t
    relative = (followed.phase - assumed) / (2.0 * np.pi * f_k[:, None])
    weight = followed.weight * (2.0 * np.pi * f_k[:, None]) ** 2
    # Fading in and out, so that a beat cut off half way at either end counts little.
    into = np.clip((t / t[-1] - _TAIL_FROM[0]) / (_TAIL_FROM[1] - _TAIL_FROM[0]), 0.0, 1.0)
    out = np.clip((1.0 - t / t[-1]) / (1.0 - _TAIL_FROM[1]), 0.0, 1.0)
    tail = weight * np.sin(0.5 * np.pi * np.minimum(into, out)) ** 2
    used = tail.sum(axis=1) > 0
    if not used.any():
        return model
    slope = slope_of(t, relative, tail)
    centre = (tail * t).sum(axis=1) / np.maximum(tail.sum(axis=1), 1e-300)
    across = np.maximum((tail * (t - centre[:, None]) ** 2).sum(axis=1), 1e-300)
    total = np.maximum(weight.sum(axis=1), 1e-300)
    middle = (weight * (relative - slope[:, None] * t)).sum(axis=1) / total
    residual = relative - slope[:, None] * t - middle[:, None]
    u_slope = np.minimum(
        np.sqrt(excess_of(residual, tail) / across), course_spread(t, residual, tail) / np.sqrt(3.0)
    )
    # What is gone before half the tail is over speaks for the attack, not for the tail.
    length = np.sqrt(across / np.maximum(tail.sum(axis=1), 1e-300))
    used &= length > _LASTING * float(length[used].max())
    off_law = np.where(number == 1, 0.0, _OFF_LAW_CENTS / CENTS_PER_NEPER)
    trust = np.where(used, 1.0 / (1.0 / across + off_law**2), 0.0)
    # The law's B was fitted along with a glide that was not there: it is fitted anew, to the tail.
    shape = np.stack((np.ones(len(number)), law_gradient(number, model.stiffness_b)))
    information = (shape * trust) @ shape.T + np.diag((0.0, _B_SIGMA**-2))
    share = np.linalg.solve(information, shape * trust)
    mean, delta_b = (float(each) for each in share @ slope)
    u = float(np.sqrt(np.sum(np.square(share[0]) * (u_slope**2 + off_law**2))))
    band = bands.half_width_hz / f_k
    return replace(
        model,
        f1_hz=model.f1_hz * (1.0 + mean),
        u_cents=u_of(u),
        stiffness_b=float(np.clip(model.stiffness_b + delta_b, 0.0, 1e-2)),
        glide_eps=np.zeros_like(model.glide_eps),
        bands=bands,
        frequency_hz=f_k * (1.0 + np.clip(slope, -band, band)),
        u_partial=u_slope,
        vote=np.ones(len(number)),
        residual=1j * residual * (2.0 * np.pi * f_k[:, None]),
        weight=followed.weight,
        decay_rate=followed.decay_rate,
    )
