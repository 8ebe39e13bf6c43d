"""The course of plucks from attack to tail: flags, sentences, lines, and a document."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import PurePath
from typing import Any, Final

from pitchbench.intonation.drift import Drift, MagnetPull, Strength, tell_strengths
from pitchbench.pitch.reading import Partial, Reading, Rejected
from pitchbench.report.readings import note_name, reading_document, value
from pitchbench.session.words import rejected_words
from pitchbench.strings.pluck import SoundingString
from pitchbench.units import cents_between

SCHEMA: Final = "pitchbench.drift/1"

#: A pick does not pull a string farther aside than this, mm. Common practice, no source.
_FARTHEST_PLUCK_MM: Final = 6.0
#: Real strings differ from the theory of their gauge; beyond this factor it is another string, or
#: a faulty one. Our choice.
_STIFFNESS_FACTOR: Final = 1.6
#: Settled pitches of the same note this near each other agree, in cents.
_AGREE_CENTS: Final = 1.0
#: An attack within this of the settled pitch is no drift to speak of, in cents.
_HARDLY_CENTS: Final = 0.5
#: A pitch that wanders by more, rms in cents, well above the noise, does so by itself. Our choice:
#: sound strings on the virtual instrument stay below a tenth.
_WANDER_CENTS: Final = 0.3
_CLEAR_SNR_DB: Final = 30.0

_BEATING: Final = "beating"
_MAGNET: Final = "magnet_pull"
_WANDERING: Final = "wandering"
_UNEVEN: Final = "uneven_string"
_TOO_SHARP: Final = "sharper_than_a_pluck_explains"
_STIFF: Final = "stiffness_off_theory"


@dataclass(frozen=True, eq=False)
class DriftPluck:
    """One pluck: the recording or input in which it was heard; ``drift`` is None where it was
    rejected, ``strength`` where it cannot be told."""

    source: str
    reading: Reading | Rejected
    drift: Drift | None
    strength: Strength | None = None

    @property
    def where(self) -> str:
        """ "at 3.20 s of e-low.wav"."""
        return f"at {self.reading.onset_s:.2f} s of {PurePath(self.source).name}"


@dataclass(frozen=True, eq=False)
class DriftResult:
    """All that is shown."""

    a4_hz: float
    plucks: tuple[DriftPluck, ...]
    string: SoundingString | None
    magnet: MagnetPull | None
    partials: bool

    @property
    def drifts(self) -> list[Drift]:
        """The plucks that settled."""
        return [pluck.drift for pluck in self.plucks if pluck.drift is not None]


def with_strengths(plucks: Sequence[DriftPluck]) -> tuple[DriftPluck, ...]:
    """The plucks, each told whether it was soft, medium or hard among those of its note."""
    settled = [pluck for pluck in plucks if pluck.drift is not None]
    told = tell_strengths([pluck.drift for pluck in settled if pluck.drift is not None])
    strength = dict(zip(map(id, settled), told, strict=True))
    return tuple(replace(pluck, strength=strength.get(id(pluck))) for pluck in plucks)


def flags_of(pluck: DriftPluck, string: SoundingString | None) -> list[str]:
    drift = pluck.drift
    if drift is None:
        return []
    flags = [_BEATING] if drift.beat is not None else []
    flags += [_UNEVEN] if drift.uneven else []
    snr_db = drift.reading.snr_db
    if snr_db is not None and snr_db > _CLEAR_SNR_DB:
        flags += [_WANDERING] if drift.reading.wander_cents > _WANDER_CENTS else []
    pluck_mm = pluck_mm_of(pluck, string)
    if pluck_mm is not None and pluck_mm > _FARTHEST_PLUCK_MM:
        flags.append(_TOO_SHARP)
    ratio = stiffness_ratio(pluck, string)
    if ratio is not None and not 1.0 / _STIFFNESS_FACTOR < ratio < _STIFFNESS_FACTOR:
        flags.append(_STIFF)
    return flags


def pluck_mm_of(pluck: DriftPluck, string: SoundingString | None) -> float | None:
    attack = pluck.reading.attack_cents
    return None if string is None or attack is None else string.pluck_mm(attack)


def stiffness_ratio(pluck: DriftPluck, string: SoundingString | None) -> float | None:
    measured = pluck.reading.stiffness_b
    return None if string is None or measured is None else measured / string.stiffness_b


def drift_sentences(result: DriftResult) -> list[str]:
    """What is seen: what was asked of a magnet, each note, then what points to a fault."""
    sentences = [] if result.magnet is None else [_magnet_sentence(result.magnet)]
    sentences += [
        _note_sentence(note, group) for note, group in _by_note(result.drifts, result.a4_hz).items()
    ]
    flags = {flag for pluck in result.plucks for flag in flags_of(pluck, result.string)}
    beats = [drift.beat for drift in result.drifts if drift.beat is not None]
    if beats:
        deepest = max(beats, key=lambda beat: beat.depth_db)
        sentences.append(
            f"The level swings {deepest.rate_hz:.1f} times a second: the string swings in two "
            "directions of slightly different pitch, or another string rings along."
        )
    elif _WANDERING in flags:
        sentences.append(
            "The pitch wanders in the tail: a beat too slow to be counted, the pull of a magnet, "
            "or a poor string."
        )
    sentences += list(dict.fromkeys(drift.uneven for drift in result.drifts if drift.uneven))
    if _TOO_SHARP in flags:
        sentences.append(
            f"An attack is sharper than a pluck of {_FARTHEST_PLUCK_MM:g} mm makes it: the string "
            "slips or is not the one named."
        )
    if _STIFF in flags:
        sentences.append(
            "The stiffness is not what theory gives this string: another gauge, or a faulty string."
        )
    return sentences


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
    starts = f"{note} starts {attacks[0]:+.1f} to {attacks[-1]:+.1f} cents from its settled pitch"
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


def drift_document(result: DriftResult) -> dict[str, Any]:
    string, magnet = result.string, result.magnet
    flags = {flag for pluck in result.plucks for flag in flags_of(pluck, string)}
    if magnet is not None and magnet.pulls:
        flags.add(_MAGNET)
    return {
        "schema": SCHEMA,
        "a4_hz": result.a4_hz,
        "explanation": drift_sentences(result),
        "flags": sorted(flags),
        "string": None
        if string is None
        else {
            "length_mm": string.length_mm,
            "kappa": string.kappa,
            "stiffness_b": string.stiffness_b,
        },
        "magnet": None
        if magnet is None
        else {
            "change_cents": magnet.change.centre,
            "interval95_cents": list(magnet.change.interval()),
            "decay_ratio": magnet.decay_ratio,
            "pulls": magnet.pulls,
        },
        "plucks": [_pluck_document(pluck, result) for pluck in result.plucks],
    }


def _pluck_document(pluck: DriftPluck, result: DriftResult) -> dict[str, Any]:
    drift = pluck.drift
    beat = None if drift is None else drift.beat
    document = {
        **reading_document(pluck.source, pluck.reading, a4_hz=result.a4_hz),
        "decay_s": None if drift is None else drift.decay_s,
        "beat_hz": None if beat is None else beat.rate_hz,
        "beat_depth_db": None if beat is None else beat.depth_db,
        "pluck_mm": pluck_mm_of(pluck, result.string),
        "stiffness_to_theory": stiffness_ratio(pluck, result.string),
        "strength": None if pluck.strength is None else str(pluck.strength),
        "flags": flags_of(pluck, result.string),
        "course_s": [] if drift is None else drift.time_s.tolist(),
        "course_cents": [] if drift is None else drift.cents.tolist(),
    }
    if result.partials:
        document["partials"] = [
            {
                "number": partial.number,
                "frequency_hz": partial.frequency_hz,
                "u_cents": partial.u_cents,
                "level_db": partial.level_db,
                "decay_s": partial.decay_s,
                "law_cents": partial.law_cents,
            }
            for partial in pluck.reading.partials
        ]
    return document


def drift_lines(result: DriftResult) -> list[tuple[str, str]]:
    lines = [("seen", words) for words in drift_sentences(result)]
    for number, pluck in enumerate(result.plucks, start=1):
        lines.append((f"pluck {number}", ", ".join(_words(pluck, result))))
        if result.partials:
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
        f"{reading.pitch_hz:.3f} Hz",
        f"attack {reading.attack_cents:+.1f} cents",
        f"settled after {reading.settle_s:.2f} s",
        f"wander {reading.wander_cents:.2f} cents",
    ]
    if drift is not None and drift.decay_s is not None:
        words.append(f"decay {drift.decay_s:.2f} s")
    pluck_mm = pluck_mm_of(pluck, result.string)
    if pluck_mm is not None:
        words.append(f"as a pluck of {pluck_mm:.1f} mm")
    ratio = stiffness_ratio(pluck, result.string)
    if ratio is not None:
        words.append(f"stiffness {ratio:.2f} of theory")
    return words + [flag.replace("_", " ") for flag in flags_of(pluck, result.string)]


def _partial_words(partial: Partial) -> str:
    return (
        f"{partial.frequency_hz:.2f} Hz, {partial.law_cents:+.2f} cents off the stiff-string law, "
        f"level {partial.level_db:.0f} dB, decay {value(partial.decay_s, 2)} s"
    )
