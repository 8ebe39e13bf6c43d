"""The course of plucks from attack to tail: flags, sentences, lines, and a document."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Annotated, Final, Literal

from msgspec import UNSET, UnsetType

from pitchbench.analysis.drift import FARTHEST_PLUCK_MM, DriftPluck, DriftResult, Flag
from pitchbench.analysis.heard import Listened
from pitchbench.belief import half95, half_figures
from pitchbench.intonation.drift import Drift, MagnetPull, Strength
from pitchbench.lengths import length_words
from pitchbench.pitch.reading import Partial, Rejected
from pitchbench.report.document import NonNegative, Positive, fill
from pitchbench.report.readings import (
    EITHER,
    ReadingDocument,
    SoundDocument,
    note_name,
    reading_document,
    sound_documents,
    value,
)
from pitchbench.session.words import rejected_words
from pitchbench.units import cents_between

#: Settled pitches of the same note this near each other agree, in cents.
_AGREE_CENTS: Final = 1.0
#: An attack within this of the settled pitch is no drift to speak of, in cents.
_HARDLY_CENTS: Final = 0.5


@dataclass(frozen=True)
class DriftReading(ReadingDocument):
    """One pluck and its course in cents about the settled pitch; ``partials`` where asked for."""

    decay_s: Positive | None
    beat_hz: Positive | None
    beat_depth_db: NonNegative | None
    pluck_mm: NonNegative | None
    stiffness_to_theory: NonNegative | None
    strength: Strength | None
    flags: tuple[Flag, ...]
    course_s: tuple[NonNegative, ...]
    course_cents: tuple[float, ...]
    partials: tuple[Partial, ...] | UnsetType = UNSET


@dataclass(frozen=True)
class SoundingStringDocument:
    """The string that the plucks were held against."""

    length_mm: Positive
    kappa: Positive
    stiffness_b: NonNegative


@dataclass(frozen=True)
class MagnetDocument:
    """What the pickup's magnet does to the note."""

    change_cents: float
    interval95_cents: tuple[float, float]
    decay_ratio: Positive | None
    pulls: bool


@dataclass(frozen=True)
class DriftDocument:
    """What `pitchbench drift --format json` prints."""

    schema: Literal["pitchbench.drift/1"]
    a4_hz: Positive
    explanation: tuple[str, ...]
    flags: tuple[Flag, ...]
    string: SoundingStringDocument | None
    magnet: MagnetDocument | None
    plucks: tuple[Annotated[DriftReading, EITHER], ...]
    sounds: tuple[SoundDocument, ...]


def drift_sentences(result: DriftResult) -> list[str]:
    """What is seen: what was asked of a magnet, each note, then what points to a fault."""
    sentences = [] if result.magnet is None else [_magnet_sentence(result.magnet)]
    sentences += [
        _note_sentence(note, group) for note, group in _by_note(result.drifts, result.a4_hz).items()
    ]
    others = dict.fromkeys(
        note_name(pluck.reading, result.a4_hz)
        for pluck in result.plucks
        if pluck.drift is not None and not pluck.compared
    )
    if result.string is not None and others:
        sentences.append(
            f"{', '.join(others)}: not the note of the string and fret that were named, "
            f"{result.string.note_hz:.1f} Hz, and not held against their theory."
        )
    return sentences + _faults(result)


def _faults(result: DriftResult) -> list[str]:
    """What points to a fault, each with the notes that show it, told once of each note."""
    beats = [drift.beat.rate_hz for drift in result.drifts if drift.beat is not None]
    swings = " to ".join(dict.fromkeys(f"{f(beats):.1f}" for f in (min, max) if beats))
    words = {
        Flag.BEATING: f"the level swings {swings} times a second: the string swings in two "
        "directions of slightly different pitch, or another string rings along.",
        Flag.WANDERING: "the pitch wanders in the tail, more than nine of ten real notes do: a "
        "beat too slow to be counted, the pull of a magnet, or a poor string.",
        Flag.UNEVEN: "",  # each pluck has its own
        Flag.TOO_SHARP: "an attack is sharper than a pluck of "
        f"{length_words(FARTHEST_PLUCK_MM, None)} makes it: the string slips or is not the one "
        "named.",
        Flag.STIFF: "the stiffness is not what theory gives this string: another gauge, or a "
        "faulty string.",
    }
    told: dict[tuple[Flag, str], str] = {}
    for flag, pluck in product(words, result.plucks):
        # A beat that is counted is why such a pluck wanders.
        counted = flag is Flag.WANDERING and Flag.BEATING in pluck.flags
        if pluck.drift is not None and flag in pluck.flags and not counted:
            uneven = pluck.drift.uneven
            said = words[flag] or uneven[0].lower() + uneven[1:]
            told.setdefault((flag, note_name(pluck.reading, result.a4_hz)), said)
    seen: dict[str, list[str]] = {}
    for (_, note), said in told.items():
        seen.setdefault(said, []).append(note)
    return [f"{', '.join(notes)}: {said}" for said, notes in seen.items()]


def _by_note(drifts: Sequence[Drift], a4_hz: float) -> dict[str, list[Drift]]:
    groups: dict[str, list[Drift]] = {}
    for drift in drifts:
        groups.setdefault(note_name(drift.reading, a4_hz), []).append(drift)
    return groups


def _note_sentence(note: str, group: Sequence[Drift]) -> str:
    attacks = sorted(drift.reading.attack_cents for drift in group)
    settle_s = max(drift.reading.settle_s for drift in group)
    if len(group) == 1:
        if abs(attacks[0]) < _HARDLY_CENTS:
            return f"{note} starts within {_HARDLY_CENTS:g} cents of its settled pitch: no drift."
        way = "sharp" if attacks[0] > 0.0 else "flat"
        return (
            f"{note} starts {abs(attacks[0]):.1f} cents {way} and has settled after "
            f"{settle_s:.1f} s: read it from then on."
        )
    pitches = [drift.reading.pitch_hz for drift in group]
    apart = cents_between(max(pitches), min(pitches))
    # Of plucks as sharp as each other one number is said.
    off = " to ".join(dict.fromkeys(f"{cents:+z.1f}" for cents in (attacks[0], attacks[-1])))
    starts = f"{note} starts {off} cents from its settled pitch"
    if apart <= _AGREE_CENTS:
        return (
            f"{starts}, yet all {len(group)} plucks settle within {apart:.1f} cents of each other: "
            f"trust the tail, from {settle_s:.1f} s on, not the attack."
        )
    return (
        f"{starts}, and the {len(group)} plucks settle {apart:.1f} cents apart: more than the "
        "strength of the pluck moves this note."
    )


def _magnet_sentence(magnet: MagnetPull) -> str:
    low, high = magnet.change.interval()
    decay = (
        ""
        if magnet.decay_ratio is None
        else f" and it dies away in {100.0 * magnet.decay_ratio:.0f} % of the time"
    )
    changes = (
        f"With the pickup near the note is {magnet.change.centre:+.1f} cents from where it is with "
        f"the pickup far, 95 % between {low:+.1f} and {high:+.1f},{decay or ' decay not known'}: "
    )
    if magnet.pulls:
        return f"{changes}the magnet pulls the string. Lower the pickup before setting anything."
    return f"{changes}no pull of the magnet is proved."


def drift_document(
    result: DriftResult, sounds: Iterable[Listened], *, partials: bool
) -> DriftDocument:
    """The whole result; partial by partial where that is wanted."""
    magnet = result.magnet
    return fill(
        DriftDocument,
        result,
        explanation=drift_sentences(result),
        flags=sorted(result.flags),
        magnet=magnet
        and fill(
            MagnetDocument,
            magnet,
            change_cents=magnet.change.centre,
            interval95_cents=magnet.change.interval(),
        ),
        plucks=[_pluck_document(pluck, result.a4_hz, partials) for pluck in result.plucks],
        sounds=sound_documents(sounds),
    )


def _pluck_document(pluck: DriftPluck, a4_hz: float, partials: bool) -> DriftReading:
    drift = pluck.drift
    beat = None if drift is None else drift.beat
    return reading_document(
        DriftReading,
        pluck,
        a4_hz=a4_hz,
        decay_s=None if drift is None else drift.decay_s,
        beat_hz=None if beat is None else beat.rate_hz,
        beat_depth_db=None if beat is None else beat.depth_db,
        course_s=() if drift is None else drift.time_s.tolist(),
        course_cents=() if drift is None else drift.cents.tolist(),
        partials=pluck.reading.partials if partials else UNSET,
    )


def drift_lines(result: DriftResult, *, partials: bool) -> list[tuple[str, str]]:
    lines = [("seen", words) for words in drift_sentences(result)]
    for number, pluck in enumerate(result.plucks, start=1):
        lines.append((f"pluck {number}", ", ".join(_words(pluck, result))))
        if partials:
            lines += [
                (f"pluck {number} partial {p.number}", _partial_words(p))
                for p in pluck.reading.partials
            ]
    return lines


def _words(pluck: DriftPluck, result: DriftResult) -> list[str]:
    reading, drift = pluck.reading, pluck.drift
    words = [pluck.where, note_name(reading, result.a4_hz)]
    words += [] if pluck.strength is None else [str(pluck.strength)]
    if isinstance(reading, Rejected):
        return [*words, f"rejected: {rejected_words(reading.reason)}"]
    words += [
        f"{reading.pitch_hz:.3f} Hz ± {half_figures(half95(reading.u_cents))} cents",
        f"attack {reading.attack_cents:+.1f} cents",
        f"settled after {reading.settle_s:.2f} s",
        f"wander {reading.wander_cents:.2f} cents",
    ]
    if drift is not None and drift.decay_s is not None:
        words.append(f"decay {drift.decay_s:.2f} s")
    if pluck.pluck_mm is not None:
        words.append(f"as a pluck of {length_words(pluck.pluck_mm)}")
    if pluck.stiffness_to_theory is not None:
        words.append(f"stiffness {pluck.stiffness_to_theory:.2f} of theory")
    return words + [flag.replace("_", " ") for flag in pluck.flags]


def _partial_words(partial: Partial) -> str:
    return (
        f"{partial.frequency_hz:.2f} Hz, {partial.law_cents:+.2f} cents off the stiff-string law, "
        f"level {partial.level_db:.0f} dB, decay {value(partial.decay_s, 2)} s"
    )
