"""The result of a study of takes: who played what, in words and as a document."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Literal

from pitchbench.analysis.heard import Listened
from pitchbench.analysis.repeatability import StudyResult
from pitchbench.belief import half95
from pitchbench.intonation.repeatability import Habit, Plucking, Precision, Spread, Study
from pitchbench.pitch.reading import Rejected
from pitchbench.report.document import Count, NonNegative, Positive, fill
from pitchbench.report.readings import (
    EITHER,
    ReadingDocument,
    SoundDocument,
    reading_document,
    sound_documents,
)
from pitchbench.session.words import rejected_words


@dataclass(frozen=True)
class PrecisionDocument:
    """How far takes of one note spread; a limit is what two takes differ by 19 times in 20."""

    note: str
    fretted: bool
    takes: Count
    players: Count
    mean_cents: float
    repeatability_sd_cents: NonNegative | None
    dof: Count
    between_sd_cents: NonNegative | None
    reproducibility_sd_cents: NonNegative | None
    repeatability_limit_cents: NonNegative | None
    reproducibility_limit_cents: NonNegative | None


@dataclass(frozen=True)
class PlayerDocument:
    """How far the takes of one player spread."""

    player: str
    takes: Count
    spread_cents: NonNegative | None
    dof: Count
    interval95_cents: tuple[float, float] | None


@dataclass(frozen=True)
class SpreadDocument:
    """How far takes spread, and how many a result needs."""

    spread_cents: NonNegative | None
    dof: Count
    interval95_cents: tuple[float, float] | None
    takes_needed: Count | None


@dataclass(frozen=True)
class PluckingDocument:
    """How the settled pitch follows the strength of plucking."""

    slope_cents_per_cent: float
    u_slope_cents_per_cent: NonNegative
    attack_sd_cents: NonNegative
    cost_cents: NonNegative
    significant: bool


@dataclass(frozen=True)
class PlayedReading(ReadingDocument):
    """One pluck, who played it, and which note it counts as."""

    player: str
    played_note: str | None


@dataclass(frozen=True)
class RepeatabilityDocument:
    """What `pitchbench repeatability --format json` prints."""

    schema: Literal["pitchbench.repeatability/1"]
    a4_hz: Positive
    within_cents: Positive
    open_notes: tuple[str, ...]
    fretted_from: Literal["own_open_string", "equal_temperament"]
    assumed: tuple[str, ...]
    notes: tuple[PrecisionDocument, ...]
    players: tuple[PlayerDocument, ...]
    open: SpreadDocument
    fretted: SpreadDocument
    refretting_cents: NonNegative | None
    refretting_significant: bool
    plucking: PluckingDocument | None
    habit: Habit
    explanation: tuple[str, ...]
    readings: tuple[Annotated[PlayedReading, EITHER], ...]
    sounds: tuple[SoundDocument, ...]


def study_document(result: StudyResult, sounds: Iterable[Listened]) -> RepeatabilityDocument:
    """The whole result."""
    found, takes = result.study, result.takes
    notes = [
        fill(
            PrecisionDocument,
            precision,
            note=note,
            fretted=note not in takes.opens,
            mean_cents=precision.mean,
            repeatability_sd_cents=precision.repeatability_sd,
            between_sd_cents=precision.between_sd,
            reproducibility_sd_cents=precision.reproducibility_sd,
            repeatability_limit_cents=_limit(precision.repeatability_sd),
            reproducibility_limit_cents=_limit(precision.reproducibility_sd),
        )
        for note, precision in found.notes.items()
    ]
    players = [
        PlayerDocument(player, result.takes_of(player), *_spread(spread))
        for player, spread in found.players.items()
    ]
    readings = [
        reading_document(PlayedReading, each, a4_hz=result.a4_hz, played_note=each.note)
        for each in takes.heard
    ]
    plucking = found.plucking
    return fill(
        RepeatabilityDocument,
        result,
        takes,
        found,
        open_notes=takes.opens,
        fretted_from="own_open_string" if takes.own_open else "equal_temperament",
        notes=notes,
        players=players,
        open=SpreadDocument(*_spread(found.open), result.takes_needed(found.open)),
        fretted=SpreadDocument(*_spread(found.fretted), result.takes_needed(found.fretted)),
        plucking=plucking
        and fill(
            PluckingDocument,
            plucking,
            slope_cents_per_cent=plucking.slope,
            u_slope_cents_per_cent=plucking.u_slope,
        ),
        explanation=study_sentences(result),
        readings=readings,
        sounds=sound_documents(sounds),
    )


def _limit(sd: float | None) -> float | None:
    """What two single takes differ by at most, 19 times in 20: ± of sqrt(2) sd (ISO 5725-6)."""
    return None if sd is None else half95(2.0**0.5 * sd)


def _spread(spread: Spread | None) -> tuple[float | None, int, tuple[float, float] | None]:
    return (
        (None, 0, None) if spread is None else (spread.cents, spread.dof, spread.interval95_cents)
    )


def study_sentences(result: StudyResult) -> list[str]:
    """What the study comes to: what it limits, the habit, and the players."""
    found = result.study
    sentences = [
        f"{beginning}, plus or minus {_plain(result.within_cents)} needs {_takes_words(needed)}."
        for beginning, spread, needed in (
            ("With this fretting", found.fretted, result.takes_needed(found.fretted)),
            ("With open plucks like these", found.open, result.takes_needed(found.open)),
        )
        if spread is not None
    ]
    sentences.append(_habit_sentence(found))
    shared = [p for p in found.notes.values() if p.between_sd is not None]
    if shared:
        widest = max(p.between_sd or 0.0 for p in shared)
        most = max(p.repeatability_sd or 0.0 for p in shared)
        sentences.append(
            f"Between players a note shifts by up to {widest:.1f} cents, one standard deviation, "
            f"where one player's own takes spread by up to {most:.1f}."
        )
    return sentences


def _plain(cents: float) -> str:
    return f"{cents:g} cent{'s' * (cents != 1.0)}"


def _takes_words(needed: int | None) -> str:
    return "more takes than anyone plays" if needed is None else f"{needed} takes"


def _habit_sentence(found: Study) -> str:
    refretting, plucking = found.refretting_cents, found.plucking
    if found.habit is Habit.FRETTING:
        return (
            f"Fretting costs most: it adds a spread of {refretting:.1f} cents to that of an open "
            "pluck. Press lightly, straight down, just behind the fret."
        )
    if found.habit is Habit.PLUCKING and plucking is not None:
        way = "rises" if plucking.slope > 0 else "falls"
        return (
            f"Uneven plucking costs most: the settled pitch {way} by {abs(plucking.slope):.2f} "
            f"cents per cent of attack sharpness, {plucking.cost_cents:.1f} cents in all. "
            "Pluck gently and evenly."
        )
    if found.habit is Habit.NEITHER:
        return "Neither fretting nor the strength of plucking stands out beyond chance."
    return "There are too few takes to say which habit costs most."


def study_lines(result: StudyResult) -> list[tuple[str, str]]:
    found = result.study
    lines = [("result", words) for words in study_sentences(result)]
    lines += [("assumed", words) for words in result.takes.assumed]
    lines += [(f"note {note}", _note_words(note, p, result)) for note, p in found.notes.items()]
    for player, spread in found.players.items():
        lines.append((f"player {player}", spread_words(result.takes_of(player), spread)))
    if found.plucking is not None:
        lines.append(("plucking", plucking_words(found.plucking)))
    lines += [
        (
            "rejected",
            f"{e.where}, {rejected_words(e.reading.reason)}",
        )
        for e in result.takes.heard
        if isinstance(e.reading, Rejected)
    ]
    return lines


def _note_words(note: str, found: Precision, result: StudyResult) -> str:
    words = [
        "open" if note in result.takes.opens else "fretted",
        f"{found.takes} takes",
        f"{found.players} player{'s' * (found.players != 1)}",
        f"mean {found.mean:+.2f} cents",
    ]
    if found.repeatability_sd is not None:
        words.append(f"repeatability {found.repeatability_sd:.2f} cents")
    if found.reproducibility_sd is not None:
        words.append(f"between players {found.between_sd:.2f} cents")
        words.append(f"reproducibility {found.reproducibility_sd:.2f} cents")
    return ", ".join(words)


def spread_words(takes: int, spread: Spread | None) -> str:
    if spread is None:
        return f"{takes} takes, no note twice"
    low, high = spread.interval95_cents
    return f"{takes} takes, spread {spread.cents:.2f} cents, 95 % between {low:.2f} and {high:.2f}"


def plucking_words(plucking: Plucking) -> str:
    surely = "" if plucking.significant else ", which may be chance"
    return (
        f"settled pitch {plucking.slope:+.3f} ± {half95(plucking.u_slope):.3f} cents per "
        f"cent of attack sharpness{surely}; attacks spread by {plucking.attack_sd_cents:.1f} cents"
    )
