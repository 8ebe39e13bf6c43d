"""Whether a sound is a pluck, and which note in which octave: what the settling fit starts from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.partials import Comb, LineSpectrum, comb, medians, stiff_ratio
from pitchbench.pitch.undertones import undertones
from pitchbench.pitch.yin import F_MIN_HZ, track

#: The tracker judges this part of a pluck: past the pick, before the note is lost in hum.
_EARLY_S: Final = (0.04, 0.6)
_CLEAR: Final = 0.7
_FEWEST_FRAMES: Final = 3
#: A string keeps its pitch within this, attack included; talk does not.
_STEADY_CENTS: Final = 60.0
_STEADY_SHARE: Final = 0.6
#: The spectrum is taken from here on: the glide is fastest before.
_SPECTRUM_S: Final = (0.12, 1.5)
#: How far the partials between those of the period found may lie below them, for the octave
#: to be the lower one: a string whose first partial is weak still has its third and fifth.
_BETWEEN_DB: Final = 20.0
#: A longer string whose partials they are has at least so much of their power.
_SHARED: Final = 0.5
#: The share of the partials from the lowest to the highest heard that there must be.
_LEAST_HEARD: Final = 0.4
#: Partials within 30 dB of the loudest tell which of them a note has.
_TELLS_OCTAVE: Final = 1e-3
#: So many of them and nothing between are a string's, and what lies below them is none: no pick and
#: no pickup takes away the third, the fifth and the seventh and leaves the others.
_FEWEST_OWN: Final = 4
_MOST_TIMES: Final = 4
_NEAR_CENTS: Final = 40.0
#: How many times longer than the tracker's the true period may be, at one step: where partial k is
#: louder than all others together, as after a high-pass, the tracker hears its period.
_PARTS: Final = (2, 3, 4, 5)
#: The partials looked at: those below this many times the number that the periods differ by.
_LOOK_AT: Final = 4
_MOST_OF: Final = 0.6
#: The course of the level is taken in pieces of this length.
_PIECE_S: Final = 0.01
#: A plucked string is as loud as it gets within this, or else falls by `_FAST_DB_PER_S`: a voice
#: takes longer, and holds. (Twenty plucks of real instruments: 20 ms, one of 50 ms.)
_RISE_S: Final = 0.035
_RISEN_DB: Final = 3.0
_FAST_DB_PER_S: Final = 2.5
#: From here on a plucked string only loses strength, seen over pieces long enough that a tick does
#: not show. A bass beats by 2 dB and may stand still for a second, so of a shorter sound no more is
#: asked than that it does not stand where it began, as a beep does.
_FALLING_S: Final = (0.1, 2.1)
_PIECES: Final = 10
_SLOWEST_DB_PER_S: Final = 1.0
_LONG_S: Final = 2.0
#: A compressor, or an automatic gain, holds the level of a string; but its high partials still die
#: before the low ones, which those of a beep, and of most voices, do not. (Beeps, hum and song of
#: ours: 0.1 and less; three of four real notes that a compressor holds: 0.9 and more.)
_DULLS_DB_PER_S: Final = 0.75
_LEAST_LOST_DB: Final = 0.5
#: A sound this short may be a syllable, a beep or a knock, so it is looked at more closely: how
#: fast it falls clear of both ends, and how steady it is. (Notes of the same instruments, cut to a
#: third of a second: 4 to 84 dB per second, within 20 cents but for the attack.)
_SHORT_S: Final = 0.6
_ENDS_S: Final = (0.03, 0.02)
_SHORT_FALL_DB_PER_S: Final = (2.0, 100.0)
_SHORT_STEADY_CENTS: Final = 20.0
_SHORT_DRIFT_CENTS_PER_S: Final = 300.0
#: Another string is heard by its partials when they come within so much of the loudest one.
_BESIDE_DB: Final = -15.0
#: A line this far from all partials, in units of the first, is none of them; looked for up to the
#: partial of this number, above which the law is not known well enough.
_BETWEEN: Final = 0.06
#: What is within 6 dB of a line that was there before is that line: hum beats and wanders.
_AS_BEFORE: Final = 4.0
_LOOK_BETWEEN: Final = 7
#: Notes that sound together, and how many at most: at least so many partials of their common
#: period, within so much of the loudest and up to this number; so many between are missing, at
#: least, and of those between so large a share. A first partial below this may be the body's.
_MOST_TOGETHER: Final = 3
_FEWEST_TOGETHER: Final = 4
_TOGETHER_DB: Final = -35.0
_FIRST_DB: Final = -25.0
_LOOK_TOGETHER: Final = 16
_FEWEST_MISSING: Final = 2
_MOST_MISSING: Final = 0.8


def note_of(samples: NDArray[np.float32], rate_hz: int) -> float | None:
    """The tracker's pitch of a pluck's early part in Hz; None where it holds no steady pitch.

    Parameters
    ----------
    samples : shape (n,), from the onset on.
    """
    early = samples[: round(_EARLY_S[1] * rate_hz)]
    tracked = track(early, rate_hz, hop=round(0.01 * rate_hz))
    clear = (tracked.clarity > _CLEAR) & (tracked.time_s > _EARLY_S[0])
    if np.count_nonzero(clear) < _FEWEST_FRAMES:
        return None
    pitch = tracked.f0_hz[clear]
    octaves = np.log2(pitch / np.median(pitch))
    # Slips by an octave are the tracker's, not the string's.
    off_cents = 1200.0 * np.abs(octaves - np.rint(octaves))
    if len(samples) < _SHORT_S * rate_hz:
        drift = np.polyfit(tracked.time_s[clear], 1200.0 * (octaves - np.rint(octaves)), 1)[0]
        steady = abs(drift) < _SHORT_DRIFT_CENTS_PER_S and (
            np.mean(off_cents < _SHORT_STEADY_CENTS) >= _STEADY_SHARE
        )
    else:
        steady = np.mean(off_cents < _STEADY_CENTS) >= _STEADY_SHARE
    if not steady:
        return None
    return float(np.median(pitch[np.abs(1200.0 * octaves) < _STEADY_CENTS]))


def dies_like_a_string(samples: NDArray[np.float32], rate_hz: int) -> bool:
    """Whether the level of a sound takes the course of a pluck: loud at once, then only fainter.

    A voice swells, a beep goes on, a knock is gone at once.

    Parameters
    ----------
    samples : shape (n,), from the onset on.
    """
    level_db = _level_db(samples, rate_hz)
    early_db = level_db[: round(0.3 / _PIECE_S)]
    rise_s = _PIECE_S * int(np.argmax(early_db > early_db.max() - _RISEN_DB))
    length_s = _PIECE_S * len(level_db)
    if length_s < _SHORT_S:
        first, last = (round(end_s / _PIECE_S) for end_s in _ENDS_S)
        fall = _fall_db_per_s(level_db[first:-last])
        slowest, fastest = _SHORT_FALL_DB_PER_S
        return rise_s <= _RISE_S and slowest <= fall <= fastest
    first, last = (round(at_s / _PIECE_S) for at_s in _FALLING_S)
    course_db = _in_pieces(level_db[first:last])
    fall = _fall_db_per_s(course_db) / _PIECES
    if rise_s > _RISE_S:
        return fall >= _FAST_DB_PER_S
    if length_s < _LONG_S:
        return bool(course_db[-1] < early_db.max() - _LEAST_LOST_DB)
    if fall >= _SLOWEST_DB_PER_S:
        return True
    bright_db = _in_pieces(_level_db(np.diff(samples), rate_hz)[first:last])
    return _fall_db_per_s(bright_db) / _PIECES > fall + _DULLS_DB_PER_S


def _in_pieces(level_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """The level over longer pieces, in which a tick does not show."""
    pieces = level_db[: len(level_db) // _PIECES * _PIECES].reshape(-1, _PIECES)
    level: NDArray[np.float64] = medians(pieces)
    return level


def _fall_db_per_s(level_db: NDArray[np.float64]) -> float:
    """How fast the level falls over some pieces: the median between any two, so that a tick does
    not count; as if not at all where there are too few."""
    if len(level_db) < 3:
        return 0.0
    first, last = np.triu_indices(len(level_db), 1)
    return float(np.median((level_db[first] - level_db[last]) / (last - first))) / _PIECE_S


def _level_db(samples: NDArray[np.float32], rate_hz: int) -> NDArray[np.float64]:
    """Level of each piece, smoothed over three: a low note's own waves do not show."""
    size = round(_PIECE_S * rate_hz)
    # An input that is off zero is neither loud nor steady for that.
    pieces = samples[: len(samples) // size * size].reshape(-1, size) - samples.mean()
    power = np.mean(np.square(pieces, dtype=np.float64), axis=1)
    smooth = np.convolve(power, np.ones(3) / 3.0, mode="same")
    level: NDArray[np.float64] = 10.0 * np.log10(smooth + 1e-20)
    return level


@dataclass(frozen=True, eq=False)
class Found(Comb):
    """The partials of a note; ``two_notes`` if another note sounds with it, ``undertones`` the
    longer strings that it seems to be part of."""

    two_notes: bool
    undertones: tuple[int, ...]


def find_partials(
    sound: NDArray[np.float32],
    rate_hz: int,
    period_hz: float,
    background: LineSpectrum | None = None,
) -> Found | None:
    """The partials of the note whose period the tracker found, in the octave that they show.

    A string whose lowest partials are weak, picked where they are or heard through a telephone,
    repeats almost twice or more in a period, and the tracker may then fall on a partial; those in
    between give the note away.

    Parameters
    ----------
    sound : shape (n,), attack cut off.
    period_hz : the tracker's pitch.
    background : of the sound before, padded: hum a twelfth below a note would pass for its string.

    Returns
    -------
    Found or None
        None when nothing stands out of the noise.
    """
    first = int(min(_SPECTRUM_S[0] * rate_hz, 0.2 * len(sound)))
    early = sound[first : first + int(_SPECTRUM_S[1] * rate_hz)]
    spectrum = LineSpectrum.of(early, rate_hz, background=background)
    found = comb(spectrum, period_hz, rate_hz)
    if found is not None and (times := _times_higher(spectrum, found)) > 1:
        found = comb(spectrum, times * found.f1_hz, rate_hz)
    lower = found
    while lower is not None:
        found, lower = lower, _lower(spectrum, lower, rate_hz)
    if found is None or _scattered(found):
        return None
    return Found(
        **vars(found),
        two_notes=_two_notes(found) or _strange_line(early, rate_hz, found, background),
        undertones=undertones(spectrum, found),
    )


def _two_notes(found: Comb) -> bool:
    """Whether the partials are those of two or three notes whose common period is longer than all.

    A fourth, for one, has every third and every fourth of them; the first is missing, and so is
    what is no multiple of either.
    """
    level_db = 10.0 * np.log10(found.power / found.power.max())
    least_db = np.where(found.number == 1, _FIRST_DB, _TOGETHER_DB)
    told = found.number[(level_db > least_db) & (found.number <= _LOOK_TOGETHER)]
    if len(told) < _FEWEST_TOGETHER or told[0] == 1 or np.all(told % 2 == 1):
        return False
    apart = told
    lowest: list[int] = []
    while len(apart) and len(lowest) < _MOST_TOGETHER:
        lowest.append(int(apart[0]))
        apart = apart[apart % apart[0] != 0]
    if len(apart):
        return False
    number = np.arange(told[0], found.number[-1])
    shared = np.any(number[:, None] % lowest == 0, axis=1)
    here_db = np.full(found.number[-1] + 1, -np.inf)
    here_db[found.number] = level_db
    heard = number[shared & (here_db[number] > -np.inf)]
    between = number[~shared]
    missing = here_db[between] < np.interp(between, heard, here_db[heard]) - _BETWEEN_DB
    return len(between) >= _FEWEST_MISSING and bool(np.mean(missing) >= _MOST_MISSING)


def _strange_line(
    sound: NDArray[np.float32], rate_hz: int, found: Comb, background: LineSpectrum | None
) -> bool:
    """Whether a loud line lies between the partials, early and late: a knock's is soon gone, and
    hum was there before."""
    spectra = (
        LineSpectrum.of(half, rate_hz, padded=False, background=background)
        for half in np.array_split(sound, 2)
    )
    return all(_strange_db(spectrum, found) > _BESIDE_DB for spectrum in spectra)


def _strange_db(spectrum: LineSpectrum, found: Comb) -> float:
    """The loudest line between the partials beside the loudest partial."""
    partial_hz = found.f1_hz * stiff_ratio(np.arange(1, _LOOK_BETWEEN + 1), found.stiffness_b)
    lowest, highest = 0.6 * found.f1_hz, min(partial_hz[-1], spectrum.bin_hz * len(spectrum.power))
    bins = np.arange(int(lowest / spectrum.bin_hz), int(highest / spectrum.bin_hz))
    off_hz = np.abs(bins[:, None] * spectrum.bin_hz - partial_hz).min(axis=1)
    # A partial's own line is some bins wide.
    strange = off_hz > max(_BETWEEN * found.f1_hz, 6.0 * spectrum.bin_hz)
    strange &= spectrum.is_new(bins, _AS_BEFORE)
    if strange.all() or not strange.any():
        return -np.inf
    power = np.maximum(spectrum.power[bins], 1e-30)  # of digital silence
    return float(10.0 * np.log10(power[strange].max() / power[~strange].max()))


def _scattered(found: Comb) -> bool:
    """Whether these are chance lines on a comb: of a string, picked wherever, every other partial
    is heard at least, or its first. (Of twenty real notes in loud pink noise 5 of 8.)"""
    lowest, highest = int(found.number[0]), int(found.number[-1])
    return lowest > 1 and len(found.number) < _LEAST_HEARD * (highest - lowest + 1)


def _times_higher(spectrum: LineSpectrum, found: Comb) -> int:
    """How many times higher the note is whose partials these are: where hum drew the tracker down,
    or the body that answers below it, only every so manieth partial is the string's."""
    least = _TELLS_OCTAVE * found.power.max()
    told = found.number[found.power > least]
    for lowest in range(2, _MOST_TIMES + 1):
        own = told[told >= lowest]
        if len(own) < _FEWEST_OWN or int(np.gcd.reduce(own)) != lowest:
            continue
        # What lies between may be off the law of the others, and yet there.
        between = np.arange(lowest, own[-1])
        between_hz = found.f1_hz * between[between % lowest > 0]
        ends = np.outer(between_hz, 2.0 ** (np.array([-1.0, 1.0]) * _NEAR_CENTS / 1200.0))
        bins = (ends / spectrum.bin_hz).astype(np.intp)
        if all(spectrum.power[first : last + 1].max() < least for first, last in bins):
            return lowest
    return int(np.gcd.reduce(told)) if len(told) > 1 else 1


def _lower(spectrum: LineSpectrum, found: Comb, rate_hz: int) -> Comb | None:
    """The note of which all that was ``found`` are higher partials, if there is one: a longer
    string that only rings along has lines near them, but not these."""
    for part in _PARTS:
        if found.f1_hz / part < F_MIN_HZ:
            break
        lower = comb(spectrum, found.f1_hz / part, rate_hz)
        if lower is None:
            continue
        shared = lower.power[lower.number % part == 0].sum()
        if shared > _SHARED * found.power.sum() and _between_stand_out(lower, part):
            return lower
    return None


def _between_stand_out(lower: Comb, part: int) -> bool:
    """Whether the partials that a period ``part`` times shorter would lack are truly there.

    Most of the lower ones must be, and not far below their neighbours: another string that rings
    an octave lower has them too, but faint.
    """
    level_db = 10.0 * np.log10(lower.power)
    shared = lower.number % part == 0
    low = ~shared & (lower.number < _LOOK_AT * part)
    possible = (_LOOK_AT - 1) * part - (_LOOK_AT - 1) + part - 1
    if not shared.any() or np.count_nonzero(low) < _MOST_OF * possible:
        return False
    beside_db = np.interp(lower.number[low], lower.number[shared], level_db[shared])
    return bool(np.median(level_db[low] - beside_db) > -_BETWEEN_DB)
