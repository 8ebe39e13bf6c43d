"""Drift of a pluck, on plucks whose truth is known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pitchbench.intonation.drift import (
    Drift,
    Strength,
    drift_of,
    find_beat,
    magnet_pull,
    tell_strengths,
)
from pitchbench.pitch.reading import Partial, Reading, Reason, Rejected, Trace
from pitchbench.presets import preset
from pitchbench.report.drift import _note_sentence
from pitchbench.strings.physics import glide_cents
from pitchbench.strings.pluck import sounding_string
from pitchbench.strings.virtual import VirtualInstrument
from pitchbench.units import shifted_hz

TIME_S = np.arange(0.06, 3.0, 0.04)


def reading(
    cents: float = 0.0,
    *,
    decay_s: float = 1.5,
    law_cents: float = 0.01,
) -> Reading:
    """A low E that starts 12 cents sharp, its partials so far off the stiff-string law."""
    pitch_hz = shifted_hz(82.4069, cents)
    glide = 12.0 * np.exp(-TIME_S / 0.5)
    level_db = -20.0 - 20.0 / math.log(10.0) * TIME_S / decay_s
    off = [law_cents * (-1.0) ** k for k in range(8)]
    return Reading(
        onset_s=0.5,
        ring_s=3.2,
        pitch_hz=pitch_hz,
        u_cents=0.05,
        attack_cents=11.0,
        settle_s=1.6,
        tail_s=1.6,
        wander_cents=0.02,
        stiffness_b=None,
        snr_db=50.0,
        trace=Trace(TIME_S, pitch_hz * 2.0 ** (glide / 1200.0), level_db),
        partials=tuple(
            Partial(k + 1, (k + 1) * pitch_hz, 0.05, -30.0, 1.0, off[k]) for k in range(8)
        ),
    )


def seen(*args: float, **kwargs: float) -> Drift:
    drift = drift_of(reading(*args, **kwargs))  # type: ignore[arg-type]
    assert drift is not None
    return drift


def test_course_and_decay_are_those_put_in() -> None:
    drift = seen(decay_s=1.2)
    assert drift.cents[0] == pytest.approx(12.0 * math.exp(-0.06 / 0.5), abs=1e-9)
    assert drift.decay_s == pytest.approx(1.2, rel=1e-6)
    assert (drift.beat, drift.uneven) == (None, "")


def test_a_faint_note_tells_how_it_dies_while_it_is_clear_of_the_noise() -> None:
    """15 dB above it in the tail is clear, 5 dB is not."""
    faint, lost = (drift_of(replace(reading(decay_s=6.0), snr_db=db)) for db in (15.0, 5.0))
    assert faint is not None
    assert faint.decay_s == pytest.approx(6.0, rel=1e-6)
    assert lost is not None
    assert lost.decay_s is None


def test_a_rejected_pluck_has_no_drift() -> None:
    assert drift_of(Rejected(reason=Reason.CLIPPED, **vars(reading()))) is None


def test_partials_off_the_law_are_told() -> None:
    assert "uneven" in seen(law_cents=12.0).uneven
    assert seen(law_cents=1.0).uneven == ""


@pytest.mark.parametrize(("share", "rate_hz"), [(0.25, 2.0), (0.5, 1.1), (0.3, 6.0)])
def test_two_polarisations_beat(share: float, rate_hz: float) -> None:
    """Two tones, one ``share`` of the other: the level swings by 20 log10(1 + share) and more."""
    turns = 2.0j * math.pi * rate_hz * TIME_S
    level_db = 20.0 * np.log10(np.abs(1.0 + share * np.exp(turns + 0.7j))) - 6.0 * TIME_S
    beat = find_beat(TIME_S, level_db)
    assert beat is not None
    # A tenth of what the length of the note resolves (0.34 Hz).
    assert beat.rate_hz == pytest.approx(rate_hz, abs=0.05)
    assert beat.depth_db == pytest.approx(20.0 / math.log(10.0) * share, rel=0.15)


def test_a_smooth_fall_and_noise_do_not_beat() -> None:
    rng = np.random.default_rng(2)
    two_rates_db = 10.0 * np.log10(np.exp(-4.0 * TIME_S) + 0.1 * np.exp(-TIME_S))
    assert find_beat(TIME_S, two_rates_db) is None
    assert find_beat(TIME_S, -6.0 * TIME_S + rng.normal(0.0, 1.0, TIME_S.size)) is None
    assert find_beat(TIME_S[:8], -6.0 * TIME_S[:8]) is None


def test_a_magnet_that_pulls_is_found() -> None:
    near = [seen(c - 3.0, decay_s=1.0) for c in (0.1, -0.1, 0.0)]
    far = [seen(c, decay_s=1.6) for c in (0.1, 0.0, -0.1)]
    pull = magnet_pull(near, far)
    assert pull.pulls
    assert pull.change.centre == pytest.approx(-3.0, abs=1e-9)
    assert pull.change.interval()[0] < -3.0 < pull.change.interval()[1] < 0.0
    assert pull.decay_ratio == pytest.approx(1.0 / 1.6, rel=1e-6)


def test_scatter_is_not_taken_for_a_magnet() -> None:
    near = [seen(c) for c in (1.0, -0.6, 0.4)]
    far = [seen(c) for c in (0.2, -0.8, 0.9)]
    assert not magnet_pull(near, far).pulls
    assert not magnet_pull(near[:1], far[1:2]).pulls
    with pytest.raises(ValueError, match="near and far"):
        magnet_pull([], far)


def test_the_physics_gives_back_the_pluck_and_the_stiffness() -> None:
    """The virtual instrument's own stiffness, and the inverse of its glide."""
    virtual = VirtualInstrument(preset("six-string"), seed=1)
    for string, fret in ((6, 0), (6, 12), (1, 0), (3, 7)):
        sounding = sounding_string(virtual.instrument, string, fret, a4_hz=440.0)
        # The instrument as found is some cents out of tune and its saddle some mm off.
        assert sounding.stiffness_b == pytest.approx(
            virtual.true_stiffness_b(string, fret), rel=0.05
        )
        attack = float(
            glide_cents(sounding.kappa, 2.0, sounding.length_mm, plucked_at=sounding.plucked_at)
        )
        assert sounding.pluck_mm(attack) == pytest.approx(2.0, rel=1e-9)
        assert sounding.pluck_mm(-1.0) is None


def as_loud_as(*levels_db: float, cents: float = 0.0) -> list[Drift]:
    """Plucks of one note that begin at these levels."""
    plucks = []
    for level_db in levels_db:
        drift = seen(cents)
        trace = drift.reading.trace
        louder = replace(trace, level_db=trace.level_db - trace.level_db[0] + level_db)
        plucks.append(replace(drift, reading=replace(drift.reading, trace=louder)))
    return plucks


def test_soft_medium_and_hard_are_the_thirds_of_the_range() -> None:
    soft, medium, hard = Strength.SOFT, Strength.MEDIUM, Strength.HARD
    # Of 12 dB a third is 4: the bounds lie at -26 and -22.
    levels_db = (-30.0, -26.25, -25.75, -22.25, -21.75, -18.0)
    assert tell_strengths(as_loud_as(*levels_db)) == [soft, soft, medium, medium, hard, hard]


def test_plucks_that_hardly_differ_are_neither_soft_nor_hard() -> None:
    """4 dB are a difference; another note, half a semitone off, is another matter."""
    assert tell_strengths(as_loud_as(-24.0, -20.0)) == [Strength.SOFT, Strength.HARD]
    assert tell_strengths(as_loud_as(-23.75, -20.0)) == [None, None]
    assert tell_strengths([*as_loud_as(-24.0), *as_loud_as(-20.0, cents=51.0)]) == [None, None]
    assert tell_strengths([*as_loud_as(-24.0), *as_loud_as(-20.0, cents=49.0)]) != [None, None]


def test_a_beat_is_looked_for_where_the_levels_can_show_it() -> None:
    """Twelve levels at least, from two beats in the note to four tenths of the levels a second."""

    def swinging(levels: int, turns: float, noise_db: float = 0.0) -> np.ndarray:
        time_s = np.linspace(0.0, 1.1, levels)
        noise = np.random.default_rng(3).normal(0.0, noise_db, levels)
        return find_beat(time_s, 4.0 * np.sin(2.0 * math.pi * turns * time_s / 1.1) + noise)

    for turns in (2.5, 4.3):
        beat = swinging(12, turns)
        assert beat is not None
        assert beat.rate_hz == pytest.approx(turns / 1.1, abs=0.05 / 1.1)
        # The cubic beside it takes a part of so short a swing, and hands it back.
        assert beat.depth_db == pytest.approx(4.0, rel=0.05)
    assert swinging(11, 2.5) is None
    assert swinging(60, 3.0, noise_db=8.0) is None, "what it does not explain outweighs it"


def test_what_either_group_scatters_by_is_in_the_pull() -> None:
    """Three plucks each, 1 and 0.5 cents apart: variances of their means of 1 / 3 and 0.25 / 3."""
    near, far = ([seen(c * apart) for c in (-1.0, 0.0, 1.0)] for apart in (1.0, 0.5))
    for one, other in ((near, far), (far, near)):
        assert magnet_pull(one, other).change.scale == pytest.approx(math.sqrt(1.25 / 3.0))
    assert magnet_pull(near, far).change.dof == pytest.approx(magnet_pull(far, near).change.dof)
    assert magnet_pull(near, far).change.dof < magnet_pull(far, far).change.dof


def test_a_pull_is_no_surer_than_the_readings_that_show_it() -> None:
    alike = [seen(0.0), seen(0.0), seen(0.0)]
    assert magnet_pull(alike, alike).change.scale == pytest.approx(0.05 * math.sqrt(2.0 / 3.0))


def test_plucks_as_sharp_as_each_other_are_said_to_be_so_once() -> None:
    assert _note_sentence("E2", [seen(0.0), seen(0.0)]).startswith(
        "E2 starts +11.0 cents from its settled pitch, yet all 2 plucks"
    )
