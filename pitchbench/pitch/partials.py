"""Partials of a pluck: where they lie, and each one brought to baseband.

A stiff string's partial k lies at f_k = k f0 sqrt(1 + B k^2), so that
f1 = f0 sqrt(1 + B); everything is written in f1, the pitch that is read.
H. Fletcher, J. Acoust. Soc. Am. 36(1) 203 (1964).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np
import scipy  # its parts load when first used: commands that only read records need none
from numpy.typing import NDArray

from pitchbench.units import CENTS_PER_NEPER

#: Partials looked for. More add little: the upper ones die before the note has settled.
MOST_PARTIALS: Final = 16
_HIGHEST_HZ: Final = 9000.0
#: Stiffness looked for: from a slack nylon string to a bass string stopped high.
_B_GRID: Final = np.concatenate(([0.0], np.geomspace(5e-6, 4e-3, 36)))
#: How far the tracker's period may lie from f1, cents: stiffness pulls it sharp, never flat.
_F_GRID_CENTS: Final = np.arange(-45.0, 24.1, 2.0)
#: The noise between the partials is taken from at most so much of a note.
_NOISE_S: Final = 1.5
#: A partial counts when it stands this far above the noise beside it.
_STANDS_OUT: Final = 10.0 ** (11.0 / 10.0)
#: A line of the background stands so far above what lies beside it, the median of so many bins; it
#: is some bins wide to either side, by the taper and by what mains hum wanders meanwhile.
_A_LINE: Final = 20.0
_BLOCK: Final = 32
_WIDTH_BINS: Final = 5

Array = NDArray[np.float64]


def stiff_ratio(number: NDArray[Any], stiffness_b: float) -> Array:
    """f_k / f1 = k sqrt((1 + B k^2) / (1 + B)) for partial numbers of any shape."""
    k = np.asarray(number, dtype=np.float64)
    ratio: Array = k * np.sqrt((1.0 + stiffness_b * k * k) / (1.0 + stiffness_b))
    return ratio


def law_gradient(number: NDArray[Any], stiffness_b: float) -> Array:
    """d ln(f_k / f1) / dB = (k^2 / (1 + B k^2) - 1 / (1 + B)) / 2."""
    k2 = np.asarray(number, dtype=np.float64) ** 2
    gradient: Array = 0.5 * (k2 / (1.0 + stiffness_b * k2) - 1.0 / (1.0 + stiffness_b))
    return gradient


def medians(rows: Array) -> Array:
    """Median along the last axis. (numpy's own takes ten times as long over rows as short as ours,
    in looking for what is no number.)"""
    ordered, count = np.sort(rows, axis=-1), rows.shape[-1]
    middle: Array = 0.5 * (ordered[..., (count - 1) // 2] + ordered[..., count // 2])
    return middle


@dataclass(frozen=True, eq=False)
class LineSpectrum:
    """Power spectrum of a tapered stretch of sound, with the noise between the lines.

    Parameters
    ----------
    power : shape (bins,); a sine of amplitude A peaks at (A/2)^2 times (sum of the taper)^2.
    bin_hz : spacing of the bins.
    density : what white noise of unit variance per sample would give in each bin.
    before : power of the lines that sounded before already, such as hum, shape (bins,); None where
        nothing is known of them.
    """

    power: Array
    bin_hz: float
    density: float
    before: Array | None = None

    @classmethod
    def of(
        cls,
        samples: NDArray[np.float32],
        rate_hz: int,
        *,
        padded: bool = True,
        background: LineSpectrum | None = None,
    ) -> LineSpectrum:
        """Taper ``samples`` (Hann) and transform them, padded to half-bin spacing or closer.

        What is only asked for the noise between the lines needs no padding. ``background`` is the
        padded spectrum of what sounded before.
        """
        phase = np.arange(1, len(samples) + 1, dtype=np.float32) * np.float32(
            np.pi / (len(samples) + 1)
        )
        taper = np.square(np.sin(phase))
        size = scipy.fft.next_fast_len((1 + padded) * len(samples), real=True)
        lines = scipy.fft.rfft(samples * taper, size)
        power = np.square(lines.real, dtype=np.float64) + np.square(lines.imag, dtype=np.float64)
        spectrum = cls(power, rate_hz / size, float(np.sum(np.square(taper, dtype=np.float64))))
        if background is None:
            return spectrum
        return replace(spectrum, before=background._lines_in(spectrum))

    def _lines_in(self, other: LineSpectrum) -> Array:
        """What the lines of this spectrum bring to each bin of ``other`` if they sound on."""
        bins, lines = self._lines, np.zeros_like(other.power)
        # A line is as high as its amplitude and the square of the sum of the taper, which for any
        # Hann goes as the density.
        power = self.power[bins] * (other.density / self.density) ** 2
        first = (bins - _WIDTH_BINS) * self.bin_hz - _WIDTH_BINS * other.bin_hz
        last = (bins + _WIDTH_BINS) * self.bin_hz + _WIDTH_BINS * other.bin_hz
        for low, high, each in zip(first / other.bin_hz, last / other.bin_hz, power, strict=True):
            part = lines[max(0, int(low)) : max(0, int(high) + 1)]
            np.maximum(part, each, out=part)
        return lines

    @cached_property
    def _lines(self) -> NDArray[np.intp]:
        """The bins that stand out of what lies beside them."""
        blocks = self.power[: len(self.power) // _BLOCK * _BLOCK].reshape(-1, _BLOCK)
        beside = medians(blocks)[:, None] / np.log(2.0)
        return np.flatnonzero(blocks > _A_LINE * np.maximum(beside, 1e-30))

    def is_new(self, bins: NDArray[np.intp], than: float) -> NDArray[np.bool_]:
        """Whether what is in ``bins`` is more than ``than`` times what the lines before bring."""
        if self.before is None:
            return np.ones(bins.shape, dtype=bool)
        new: NDArray[np.bool_] = self.power[bins] > than * self.before[bins]
        return new

    def noise(self, frequency_hz: Array, f1_hz: float) -> Array:
        """Noise power per bin beside each frequency: the median in the gaps between partials.

        The median does not see a line of hum or of a neighbouring string that lies in a gap; of
        exponentially distributed power it is ln 2 times the mean. A line that sounded before is as
        bad as noise.
        """
        near, far = 0.28 * f1_hz / self.bin_hz, 0.5 * f1_hz / self.bin_hz
        steps = np.arange(int(np.ceil(near)), max(int(near) + 4, int(far) + 1))
        steps = np.concatenate((-steps[::-1], steps))
        bins = np.rint(np.asarray(frequency_hz) / self.bin_hz).astype(np.intp)
        index = np.clip(bins[:, None] + steps, 1, len(self.power) - 1)
        floor: Array = medians(self.power[index]) / np.log(2.0)
        if self.before is not None:
            floor = np.maximum(floor, self.before[np.clip(bins, 0, len(self.before) - 1)])
        return np.maximum(floor, 1e-30)

    def top_hz(self, peak: NDArray[np.intp]) -> Array:
        """Where the lines that peak in these bins lie, by a parabola through three logarithms."""
        left, here, right = (np.log(self.power[peak + step] + 1e-30) for step in (-1, 0, 1))
        bend = left - 2 * here + right
        shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
        frequency: Array = (peak + np.clip(shift, -1, 1)) * self.bin_hz
        return frequency

    def within(self, frequency_hz: Array, half_width_hz: float) -> Array:
        """Variance per sample of white noise that would bring as much power into each band."""
        half = max(1, int(half_width_hz / self.bin_hz))
        bins = np.rint(np.asarray(frequency_hz) / self.bin_hz).astype(np.intp)
        index = np.clip(bins[:, None] + np.arange(-half, half + 1), 1, len(self.power) - 1)
        mean: Array = np.mean(self.power[index], axis=1) / self.density
        return mean


@dataclass(frozen=True, eq=False)
class Comb:
    """A first estimate of the partials: their law, and those that stand out of the noise.

    ``power`` and ``noise`` are of the spectrum it was found in, shape (K,), as ``number``.
    """

    f1_hz: float
    stiffness_b: float
    number: NDArray[np.int64]
    power: Array
    noise: Array


def comb(spectrum: LineSpectrum, coarse_hz: float, rate_hz: int) -> Comb | None:
    """Find f1 and B near ``coarse_hz`` by laying combs over the spectrum.

    Each tooth scores the logarithm of its power over the noise beside it, so that one loud partial,
    a line of hum or a neighbour's partial cannot carry the vote.

    Returns
    -------
    Comb or None
        None when nothing stands out.
    """
    top = min(_HIGHEST_HZ, 0.45 * rate_hz)
    number = np.arange(1, 1 + max(1, min(MOST_PARTIALS, int(top / coarse_hz))))
    noise = spectrum.noise(stiff_ratio(number, 0.0) * coarse_hz, coarse_hz)
    candidates = coarse_hz * 2.0 ** (_F_GRID_CENTS / 1200.0)
    teeth = (
        candidates[:, None, None]
        * number
        * np.sqrt((1 + _B_GRID[:, None] * number**2) / (1 + _B_GRID[:, None]))
    )
    bins = np.minimum((teeth / spectrum.bin_hz + 0.5).astype(np.intp), len(spectrum.power) - 1)
    height = np.log1p(spectrum.power[bins] / (4.0 * noise))
    score = height.sum(axis=2)
    best = np.unravel_index(np.argmax(score), score.shape)
    f1, b = float(candidates[best[0]]), float(_B_GRID[best[1]])
    f1, b, power = _sharpen(spectrum, number, f1, b, noise)
    stands = power > _STANDS_OUT * noise
    if not stands.any():
        return None
    return Comb(f1, b, number[stands], power[stands], noise[stands])


def _sharpen(
    spectrum: LineSpectrum, number: NDArray[np.int64], f1: float, b: float, noise: Array
) -> tuple[float, float, Array]:
    """Move every tooth onto its own peak and fit the law through the peaks, robustly."""
    reach = np.arange(-4, 5)
    bins = np.rint(f1 * stiff_ratio(number, b) / spectrum.bin_hz).astype(np.intp)
    bins = np.clip(bins, 5, len(spectrum.power) - 6)
    window = spectrum.power[bins[:, None] + reach]
    peak = bins + reach[np.argmax(window, axis=1)]
    peak_hz = spectrum.top_hz(peak)
    power = spectrum.power[peak]
    f1, b = fit_law(number, peak_hz, np.where(power > _STANDS_OUT * noise, number, 0.0), f1, b)
    return f1, b, power


def fit_law(
    number: NDArray[np.int64], frequency_hz: Array, weight: Array, f1_hz: float, stiffness_b: float
) -> tuple[float, float]:
    """Robust line of (f_k / k)^2 against k^2: intercept f0^2, slope f0^2 B.

    ``weight`` is one over the standard uncertainty of f_k / k in any unit; zero leaves a partial
    out. Falls back to the values given where fewer than three partials can be used.
    """
    used = weight > 0
    if np.count_nonzero(used) < 3:
        if used.any():
            k = number[used]
            ratio = np.median(frequency_hz[used] / (f1_hz * stiff_ratio(k, stiffness_b)))
            f1_hz *= float(ratio)
        return f1_hz, stiffness_b
    k2 = number[used].astype(np.float64) ** 2
    y = frequency_hz[used] ** 2 / k2
    w = weight[used]
    root = np.sqrt(w)
    for _ in range(5):
        total = w.sum()
        middle = w @ k2 / total
        away = k2 - middle
        leaning = w * away
        slope = leaning @ y / (leaning @ away)
        intercept = w @ y / total - slope * middle
        residual = np.abs(y - intercept - slope * k2) * root
        scale = max(1e-9 * float(intercept), 1.5 * float(medians(residual)))
        w = weight[used] / (1.0 + (residual / (2.0 * scale)) ** 2)
    b = float(np.clip(slope / intercept, 0.0, 1e-2))
    return float(np.sqrt(intercept * (1.0 + b))), b


@dataclass(frozen=True, eq=False)
class Bands:
    """Partials at baseband, all on one time base.

    Parameters
    ----------
    number : partial numbers, shape (K,).
    centre_hz : what each was brought down by, shape (K,).
    time_s : shape (M,), seconds from the first sample analysed.
    z : complex amplitude, shape (K, M); a partial A cos(phase) gives A exp(i (phase - centre t)).
    noise : variance of z per sample that white noise of the density found at the centre of the band
        would give without a filter; shape (K,). What slow changes of phase are judged against.
    half_width_hz : half the width of the pass band.
    """

    number: NDArray[np.int64]
    centre_hz: Array
    time_s: Array
    z: NDArray[np.complex128]
    noise: Array
    half_width_hz: float


class Demodulator:
    """Brings partials of one stretch of sound to baseband from a single transform of it.

    Parameters
    ----------
    samples : shape (n,), attack cut off.
    rate_hz : sampling rate.
    f1_hz : about the first partial.
    background : what was heard before the pluck, None where that is not known.

    Attributes
    ----------
    length_s : of the stretch.
    fade_s : how long each of its ends fades.
    """

    def __init__(
        self,
        samples: NDArray[np.float32],
        rate_hz: int,
        f1_hz: float,
        background: LineSpectrum | None = None,
    ) -> None:
        self._rate_hz = rate_hz
        self._n = len(samples)
        self.length_s = len(samples) / rate_hz
        # The middle of a long note tells as much of the noise between its lines as the whole.
        aside = max(0, self._n - round(_NOISE_S * rate_hz)) // 2
        middle = samples[aside : self._n - aside]
        self._spectrum = LineSpectrum.of(middle, rate_hz, padded=False)
        self._background = background
        # Ends that fade over four periods: an abrupt end of one partial would ring in the band of
        # the next. The quarter second of zeros keeps the filter's tail from wrapping round.
        self.fade_s = min(4.0 / f1_hz, 0.25 * self._n / rate_hz)
        self._size = scipy.fft.next_fast_len(self._n + rate_hz // 4, real=True)
        faded = samples.copy()
        ends = min(self._n // 2, int(self.fade_s * rate_hz) + 1)
        for end in (slice(0, ends), slice(self._n - ends, self._n)):
            faded[end] *= self._fade(np.arange(self._n)[end] / rate_hz).astype(np.float32)
        self._transform = scipy.fft.rfft(faded, self._size)

    def _fade(self, time_s: Array) -> Array:
        """Raised-cosine fade at both ends, zero outside."""
        left = np.clip(time_s / self.fade_s, 0.0, 1.0)
        right = np.clip((self._n / self._rate_hz - time_s) / self.fade_s, 0.0, 1.0)
        fade: Array = np.sin(0.5 * np.pi * np.minimum(left, right)) ** 2
        return fade

    def bands(
        self, number: NDArray[np.int64], f1_hz: float, stiffness_b: float, half_width_hz: float
    ) -> Bands:
        """Cut out the bands around the partials of (``f1_hz``, ``stiffness_b``)."""
        bin_hz = self._rate_hz / self._size
        half = max(4, int(half_width_hz / bin_hz))
        wanted = f1_hz * stiff_ratio(number, stiffness_b)
        centre = np.rint(wanted / bin_hz).astype(np.intp)
        inside = (centre + half < len(self._transform)) & (centre > 0)
        number, centre, wanted = number[inside], centre[inside], wanted[inside]
        index = centre[:, None] + np.arange(-half, half + 1)
        # Below zero frequency stands the mirror image of a real signal.
        cut = np.where(index < 0, self._transform[np.abs(index)].conj(), self._transform[index])
        z = _narrow(cut) * (2.0 / self._size)
        size = z.shape[1]
        time_s = np.arange(size) * (self._size / size / self._rate_hz)
        kept = time_s < self._n / self._rate_hz
        density = self._spectrum.noise(wanted, f1_hz) / self._spectrum.density
        if self._background is not None:
            # Hum in the band, or another string that rang already, is as bad as noise.
            density = np.maximum(density, self._background.within(wanted, half * bin_hz))
        noise = density * (4.0 * size / self._size)
        return Bands(number, centre * bin_hz, time_s[kept], z[:, kept], noise, half * bin_hz)

    def heard_through(
        self, bands: Bands, course: Callable[[Array], NDArray[np.complexfloating[Any, Any]]]
    ) -> NDArray[np.complex128]:
        """What the bands make of partials whose log amplitude + i phase is known at every time, by
        ``course``, of shape (K, times): the same fade, the same filter. Shape (K, M).

        Comparing with this instead of with the bare phase cancels what the filter does to a
        changing pitch near the ends of the note.
        """
        half = round(bands.half_width_hz * self._size / self._rate_hz)
        size = scipy.fft.next_fast_len(8 * (2 * half + 2))
        time_s = np.arange(size) * (self._size / size / self._rate_hz)
        inside = time_s < self._n / self._rate_hz
        t = time_s[inside]
        fine = np.zeros((len(bands.number), size), dtype=np.complex128)
        fine[:, inside] = self._fade(t) * np.exp(course(t))
        spectrum = scipy.fft.fft(fine, axis=1) / size
        z = _narrow(spectrum[:, np.arange(-half, half + 1)])
        return z[:, : bands.z.shape[1]]


def _narrow(bins: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Bins -half..half about each centre, shape (K, 2 half + 1), to time, through the filter."""
    half = bins.shape[1] // 2
    offset = np.arange(-half, half + 1)
    # Flat in the middle, so that a partial off centre keeps its level; smooth at the edges.
    edge = np.clip((np.abs(offset) / half - 0.5) / 0.5, 0.0, 1.0)
    size = scipy.fft.next_fast_len(2 * half + 2)
    slots = np.zeros((len(bins), size), dtype=np.complex128)
    slots[:, offset % size] = bins * np.cos(0.5 * np.pi * edge) ** 2
    z: NDArray[np.complex128] = scipy.fft.ifft(slots, axis=1) * size
    return z


def law_cents(frequency_hz: Array, number: NDArray[Any], f1_hz: float, stiffness_b: float) -> Array:
    """How far each partial lies above the stiff-string law, cents."""
    cents: Array = CENTS_PER_NEPER * np.log(
        frequency_hz / (f1_hz * stiff_ratio(number, stiffness_b))
    )
    return cents
