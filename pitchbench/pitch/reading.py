"""One pluck is a `Reading`, one number with one uncertainty, or it is `Rejected`."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.clipping import is_clipped
from pitchbench.pitch.courses import split_of_a_pair
from pitchbench.pitch.note import dies_like_a_string, find_partials, note_of
from pitchbench.pitch.octave import rings_along
from pitchbench.pitch.partials import (
    Array,
    Demodulator,
    LineSpectrum,
    law_cents,
    stiff_ratio,
)
from pitchbench.pitch.settle import settle
from pitchbench.pitch.settled import Settled
from pitchbench.units import CENTS_PER_NEPER, cents_between


class Reason(StrEnum):
    """Why a pluck was rejected; the words are shown to people with the underscores replaced."""

    CLIPPED = "clipped"
    TOO_SHORT = "too_short"
    TOO_QUIET = "too_quiet"
    GAP = "gap_in_the_audio"
    TWO_STRINGS = "two_strings_ringing"
    HUM = "hum_on_the_partial"
    NEVER_SETTLED = "never_settled"


@dataclass(frozen=True, eq=False)
class Trace:
    """How a pluck's pitch moved: every array has the same shape (n,), times from the onset.

    It is empty where nothing was tracked, or where a record was read without its frames.

    Parameters
    ----------
    time_s : seconds after the onset, rising.
    pitch_hz : the first partial at that time, glide included.
    level_db : level of the note in dB below full scale.
    """

    time_s: NDArray[np.float64]
    pitch_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]


#: The trace of a pluck of which there are no frames.
NO_TRACE: Final = Trace(np.empty(0), np.empty(0), np.empty(0))


@dataclass(frozen=True)
class Partial:
    """One partial of a pluck, at its settled pitch.

    ``law_cents`` is how far it lies from the stiff-string law f_k = k f0 sqrt(1 + B k^2) that the
    others follow; ``decay_s`` the time in which its amplitude falls by e. ``own_u_cents`` is what
    of its uncertainty is its alone: what it may do by itself late in the note counts, the glide
    that all share does not; None in readings kept before these were told apart.
    """

    number: int
    frequency_hz: float
    u_cents: float
    level_db: float
    decay_s: float | None
    law_cents: float
    own_u_cents: float | None = None


@dataclass(frozen=True, eq=False)
class Reading:
    """What a pluck that settled said; it may enter an average.

    Parameters
    ----------
    onset_s : where the pluck starts, seconds on the stream's time line.
    ring_s : how long it was heard, onset to damping, next pluck or noise.
    pitch_hz : settled pitch, the frequency of the first partial once the glide has died.
    u_cents : standard uncertainty of ``pitch_hz``.
    attack_cents : how sharp the note was just after the pick noise, above ``pitch_hz``; negative
        where it began flat.
    settle_s : from the onset to the start of the stable tail.
    tail_s : length of the stable tail.
    wander_cents : standard deviation of the pitch about its fitted course in the tail.
    stiffness_b : inharmonicity coefficient B; None where fewer than three partials tell of it.
    snr_db : level of the note in the tail above the noise before the onset; None where that noise
        was not heard.
    trace : pitch against time.
    partials : the partials used, lowest first.
    undertones : how many times as long the strings are of which the note seems to be a part, as a
        touched harmonic is; mostly empty.
    split_cents : how far two strings lie apart as which it beats; None where it beats as one.
    """

    onset_s: float
    ring_s: float
    pitch_hz: float
    u_cents: float
    attack_cents: float
    settle_s: float
    tail_s: float
    wander_cents: float
    stiffness_b: float | None
    snr_db: float | None
    trace: Trace
    partials: tuple[Partial, ...]
    undertones: tuple[int, ...] = ()
    split_cents: float | None = None


@dataclass(frozen=True, eq=False)
class Rejected:
    """A pluck that enters no average, and why.

    What could be measured all the same is here for the eye, under the names of a `Reading`; the
    rest is None.
    """

    onset_s: float
    ring_s: float
    reason: Reason
    pitch_hz: float | None = None
    u_cents: float | None = None
    attack_cents: float | None = None
    settle_s: float | None = None
    tail_s: float | None = None
    wander_cents: float | None = None
    stiffness_b: float | None = None
    snr_db: float | None = None
    trace: Trace = NO_TRACE
    partials: tuple[Partial, ...] = ()
    undertones: tuple[int, ...] = ()
    split_cents: float | None = None


#: The first moments hold the noise of the pick.
_PICK_S: Final = 0.015
#: Where the sharpness of the attack is stated: just after the noise of the pick.
_ATTACK_S: Final = 0.03
#: The stable tail begins once the glide is within this of the settled pitch.
_SETTLED_CENTS: Final = 0.5
#: Half width of each partial's band: a share of f1, at most so many Hz.
_BAND: Final = 0.16
_WIDEST_BAND_HZ: Final = 14.0
#: A pluck must last this long, and this many periods, to be read.
_SHORTEST_S: Final = 0.35
_FEWEST_PERIODS: Final = 14.0
#: Less than this of the sound before a pluck tells nothing of what is in a band.
LEAST_BACKGROUND_S: Final = 0.15
#: Where no partial ever stands so far above the noise in its band, the noise is at fault.
_QUIETEST_LINE_DB: Final = 20.0
#: Where none of the partials that the ear compares is known better than this, a reading cannot help
#: to judge an offset.
_MOST_U_CENTS: Final = 5.0
_COMPARED: Final = 8
#: With more than this nobody can say which fret the note belongs to: half a semitone within 2 u.
_MOST_PITCH_U_CENTS: Final = 25.0
#: No string glides so far: the fit has strayed to another one that rings on beside it, as when an
#: automatic gain brings up what is left.
_STRAYED_CENTS: Final = 80.0
#: How much of either end of a sound tells what note it begins and ends as.
_AN_END_S: Final = 0.4
#: The first note is still there if its loudest line is within 20 dB of what is loudest then.
_STILL_THERE: Final = 0.01
#: Hum is looked for on so many partials, within so many bins (two of the transform's own widths); a
#: line is what stands 13 dB over the noise beside it, and 10 dB below a partial it still harms.
_LOWEST_PARTIALS: Final = 3
_HUM_BINS: Final = 4
_LINE: Final = 20.0
_HARMS: Final = 0.1
#: Mains frequencies, and how far they wander (the grids keep to 0.4 % but in trouble: from memory).
_MAINS_HZ: Final = np.array([50.0, 60.0])
_MAINS_WANDER: Final = 0.004
#: The pitch is averaged over this long where it is drawn or its wander is judged.
_TRACE_S: Final = 0.1


@dataclass(frozen=True, eq=False)
class Pluck:
    """One pluck cut out of the stream.

    Parameters
    ----------
    samples : float32, shape (n,), from the onset to the end.
    rate_hz : sampling rate.
    onset_s : of the first sample on the stream's time line.
    background : the sound before any string was plucked, shape (m,); empty where not known.
    gap : whether samples were lost in it.
    company : whether another string rings on beside it.
    note_hz : the tracker's pitch of its early part; None where that was not looked for.
    """

    samples: NDArray[np.float32]
    rate_hz: int
    onset_s: float
    background: NDArray[np.float32] = field(default_factory=lambda: np.empty(0, np.float32))
    gap: bool = False
    company: bool = False
    note_hz: float | None = None

    @property
    def ring_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.rate_hz


def read_pluck(pluck: Pluck) -> Reading | Rejected | None:
    """Read one pluck; None where it is no pluck of a string at all: a knock, talk, noise."""
    period_hz = pluck.note_hz or note_of(pluck.samples, pluck.rate_hz)
    if period_hz is None:
        return None
    if not dies_like_a_string(pluck.samples, pluck.rate_hz):
        # Far beyond what the input takes a string seems to hold its level; that has to be said.
        too_loud = Rejected(pluck.onset_s, pluck.ring_s, Reason.CLIPPED, pitch_hz=period_hz)
        return too_loud if is_clipped(pluck.samples[round(_PICK_S * pluck.rate_hz) :]) else None
    if pluck.ring_s < max(_SHORTEST_S, _FEWEST_PERIODS / period_hz):
        lacks = Reason.GAP if pluck.gap else Reason.TOO_SHORT
        return Rejected(pluck.onset_s, pluck.ring_s, lacks, pitch_hz=period_hz)
    too_quiet = Rejected(pluck.onset_s, pluck.ring_s, Reason.TOO_QUIET, pitch_hz=period_hz)
    cut = round(_PICK_S * pluck.rate_hz)
    sound = pluck.samples[cut:]
    background = _background(pluck)
    found = find_partials(sound, pluck.rate_hz, period_hz, background)
    if found is None:
        return replace(too_quiet, reason=_or_hum(Reason.TOO_QUIET, pluck, period_hz))
    pluck = replace(pluck, company=pluck.company or found.two_notes)
    settled = settle(
        Demodulator(sound, pluck.rate_hz, found.f1_hz, background),
        found.number,
        f1_hz=found.f1_hz,
        stiffness_b=found.stiffness_b,
        half_width_hz=min(_WIDEST_BAND_HZ, _BAND * found.f1_hz),
    )
    if settled is None:
        return replace(too_quiet, reason=_or_hum(Reason.TOO_QUIET, pluck, found.f1_hz))
    reading = _report(pluck, settled, cut / pluck.rate_hz)
    split_cents = split_of_a_pair(settled.bands, settled.f1_hz)
    reading = replace(reading, undertones=found.undertones, split_cents=split_cents)
    moved = abs(cents_between(settled.f1_hz, found.f1_hz)) > _STRAYED_CENTS
    moved = moved or (found.two_notes and _went_on_as_another(sound, pluck.rate_hz, background))
    reason = Reason.NEVER_SETTLED if moved else _reason(pluck, settled)
    return reading if reason is None else Rejected(reason=reason, **vars(reading))


def _went_on_as_another(
    sound: NDArray[np.float32], rate_hz: int, background: LineSpectrum | None
) -> bool:
    """Whether what seem to be two notes sound one after the other: a slide, a bend."""
    length = round(_AN_END_S * rate_hz)
    notes = []
    for end in (sound[:length], sound[-length:]):
        period_hz = note_of(end, rate_hz)
        note = None if period_hz is None else find_partials(end, rate_hz, period_hz, background)
        if note is None or note.two_notes:
            return False
        notes.append(note)
    first, last = notes
    if abs(cents_between(first.f1_hz, last.f1_hz)) < _STRAYED_CENTS:
        return False
    late = LineSpectrum.of(sound[-length:], rate_hz)
    loudest = first.power.argmax()
    line_hz = first.f1_hz * stiff_ratio(first.number, first.stiffness_b)[loudest]
    here = late.power[round(line_hz / late.bin_hz) + np.arange(-1, 2)].max()
    return bool(here < _STILL_THERE * late.power.max())


def surely_a_pluck(pluck: Pluck) -> bool:
    """Whether it is a string's, so that :func:`read_pluck` has something to say of it."""
    note_hz = pluck.note_hz or note_of(pluck.samples, pluck.rate_hz)
    return note_hz is not None and dies_like_a_string(pluck.samples, pluck.rate_hz)


def _background(pluck: Pluck) -> LineSpectrum | None:
    if len(pluck.background) < LEAST_BACKGROUND_S * pluck.rate_hz:
        return None
    return LineSpectrum.of(pluck.background, pluck.rate_hz)


def _report(pluck: Pluck, settled: Settled, cut_s: float) -> Reading:
    """Everything that a settled fit says of a pluck; ``cut_s`` is where the fit starts."""
    time_s, deviation_cents = _course(settled)
    glide_cents = settled.glide_cents(time_s)
    settle_s = cut_s + _settle_s(settled, pluck.ring_s - cut_s)
    tail = time_s + cut_s >= settle_s
    tail[-1] = True  # where the sound is lost before that, its last moment stands for the tail
    # What is left over late on the whole is of the partials' own frequencies, not of their course.
    deviation_cents = deviation_cents - deviation_cents[tail].mean()
    pitch_hz = settled.f1_hz * np.exp((glide_cents + deviation_cents) / CENTS_PER_NEPER)
    level_db = _level_db(pluck, time_s + cut_s)
    noise = float(np.var(pluck.background, dtype=np.float64)) if len(pluck.background) else 0.0
    snr_db = float(np.mean(level_db[tail]) - 10.0 * np.log10(noise)) if noise > 0 else None
    many = len(settled.bands.number) >= 3
    return Reading(
        onset_s=pluck.onset_s,
        ring_s=pluck.ring_s,
        pitch_hz=settled.f1_hz,
        u_cents=settled.u_cents,
        attack_cents=float(settled.glide_cents(np.array(_ATTACK_S - cut_s)) + deviation_cents[0]),
        settle_s=settle_s,
        tail_s=max(0.0, pluck.ring_s - settle_s),
        wander_cents=float(np.std(deviation_cents[tail])),
        stiffness_b=settled.stiffness_b if many else None,
        snr_db=snr_db,
        trace=Trace(time_s + cut_s, pitch_hz, level_db),
        partials=_partials(settled),
    )


def _course(settled: Settled) -> tuple[Array, Array]:
    """How the pitch strays from the fitted glide: times (n,) from the first sample, cents (n,).

    The residual phases of all partials, as times, are averaged with their weights; the slope of
    that over a tenth of a second is the deviation.
    """
    scale = 2.0 * np.pi * settled.frequency_hz[:, None]
    weight = settled.weight * settled.vote[:, None] * scale**2
    total = weight.sum(axis=0)
    heard = total > 0
    shift_s = (weight * settled.residual / scale).sum(axis=0)[heard] / total[heard]
    time_s = settled.bands.time_s[heard]
    if len(time_s) < 3:
        return time_s, np.zeros_like(time_s)
    width = max(1, round(_TRACE_S / float(time_s[1] - time_s[0])))
    if len(time_s) <= width:
        width = 1
    slope = (shift_s[width:] - shift_s[:-width]) / (time_s[width:] - time_s[:-width])
    middle = 0.5 * (time_s[width:] + time_s[:-width])
    return middle, CENTS_PER_NEPER * slope


def _settle_s(settled: Settled, length_s: float) -> float:
    """When the glide has come within half a cent, seconds from the start of the fit.

    Where that does not happen while the note lasts, the earliest moment from which the glide can be
    corrected.
    """
    time_s = np.linspace(0.0, length_s, 400)
    above = np.abs(settled.glide_cents(time_s)) > _SETTLED_CENTS
    last = int(np.flatnonzero(above)[-1]) + 1 if above.any() else 0
    earliest = 2.0 / settled.bands.half_width_hz / 4.0
    if last >= 0.9 * len(time_s):
        return max(earliest, length_s / 3.0)
    return max(earliest, float(time_s[last]))


def _level_db(pluck: Pluck, time_s: Array) -> Array:
    """Level of the sound around ``time_s`` after the onset, dB below full scale (rms)."""
    half = round(0.025 * pluck.rate_hz)
    middle = np.rint(time_s * pluck.rate_hz).astype(np.intp)
    first = np.clip(middle - half, 0, len(pluck.samples) - 2)
    last = np.clip(middle + half, first + 1, len(pluck.samples) - 1)
    # Sums from each first to each last; those from a last to the next first are left out.
    sound = np.square(pluck.samples - pluck.samples.mean())
    power = np.add.reduceat(sound, np.stack((first, last), axis=1).ravel())[::2]
    level: Array = 10.0 * np.log10(power / (last - first) + 1e-20)
    return level


def _partials(settled: Settled) -> tuple[Partial, ...]:
    bands = settled.bands
    off_cents = _off_law_cents(settled)
    level_db = 20.0 * np.log10(np.abs(bands.z).max(axis=1) + 1e-20)
    return tuple(
        Partial(
            number=int(bands.number[k]),
            frequency_hz=float(settled.frequency_hz[k]),
            u_cents=float(CENTS_PER_NEPER * settled.u_partial[k]),
            level_db=float(level_db[k]),
            decay_s=float(1.0 / settled.decay_rate[k]) if settled.decay_rate[k] > 0 else None,
            law_cents=float(off_cents[k]),
            own_u_cents=float(CENTS_PER_NEPER * settled.u_own[k]),
        )
        for k in range(len(bands.number))
    )


def _off_law_cents(settled: Settled) -> Array:
    number = settled.bands.number
    return law_cents(settled.frequency_hz, number, settled.f1_hz, settled.stiffness_b)


def _reason(pluck: Pluck, settled: Settled) -> Reason | None:
    """Why the pluck may enter no average, the most telling reason first."""
    if pluck.gap:
        return Reason.GAP
    if is_clipped(pluck.samples[round(_PICK_S * pluck.rate_hz) :]):
        return Reason.CLIPPED
    number, u_cents = settled.bands.number, CENTS_PER_NEPER * settled.u_own
    if pluck.company or rings_along(number, _off_law_cents(settled), u_cents):
        return Reason.TWO_STRINGS
    compared = settled.bands.number <= _COMPARED
    best_cents = CENTS_PER_NEPER * settled.u_partial[compared].min(initial=np.inf)
    if best_cents > _MOST_U_CENTS or settled.u_cents > _MOST_PITCH_U_CENTS:
        # By the lines, not by all that is heard: a line far below broad noise is read well.
        quiet = settled.weight.max() < 2.0 * 10.0 ** (_QUIETEST_LINE_DB / 10.0)
        reason = Reason.TOO_QUIET if quiet else Reason.NEVER_SETTLED
        return _or_hum(reason, pluck, settled.f1_hz)
    return None


def _or_hum(reason: Reason, pluck: Pluck, f1_hz: float) -> Reason:
    """``reason``, or hum if that explains it: a line of the mains, there before, on a low partial.

    It stands out of the noise beside it, and comes within 10 dB of what the partial ends as.
    """
    length = min(len(pluck.background), len(pluck.samples) // 2)
    if length < LEAST_BACKGROUND_S * pluck.rate_hz:
        return reason
    before, late = (
        LineSpectrum.of(x[-length:], pluck.rate_hz) for x in (pluck.background, pluck.samples)
    )
    partial_hz: Array = f1_hz * np.arange(1.0, _LOWEST_PARTIALS + 1.0)
    reach = np.arange(-_HUM_BINS, _HUM_BINS + 1)
    near = np.rint(partial_hz / before.bin_hz).astype(np.intp)[:, None] + reach
    near = np.clip(near, 0, len(before.power) - 1)
    hum, string = before.power[near].max(axis=1), late.power[near].max(axis=1)
    tonal = hum > _LINE * before.noise(partial_hz, f1_hz)
    hum_hz = before.bin_hz * np.take_along_axis(
        near, before.power[near].argmax(axis=1)[:, None], axis=1
    )
    beside_hz = np.abs(hum_hz - np.rint(hum_hz / _MAINS_HZ) * _MAINS_HZ).min(axis=1)
    mains = beside_hz < np.maximum(before.bin_hz, _MAINS_WANDER * hum_hz[:, 0])
    harmed = tonal & mains & (hum > _HARMS * string)
    return Reason.HUM if harmed.any() else reason
