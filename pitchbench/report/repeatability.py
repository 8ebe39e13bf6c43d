"""What a study of takes comes to: who played what, in words and as a document."""

from __future__ import annotations

from typing import Any, Final

from pitchbench.analysis.repeatability import StudyResult
from pitchbench.intonation.repeatability import Habit, Plucking, Precision, Spread, Study
from pitchbench.report.readings import COVERAGE_95, quality_words, reading_document

SCHEMA: Final = "pitchbench.repeatability/1"


def study_document(result: StudyResult) -> dict[str, Any]:
    found = result.study
    return {
        "schema": SCHEMA,
        "a4_hz": result.a4_hz,
        "within_cents": result.within_cents,
        "open_notes": list(result.takes.opens),
        "fretted_from": "own_open_string" if result.takes.own_open else "equal_temperament",
        "assumed": list(result.takes.assumed),
        "notes": [
            _precision_document(note, precision, fretted=note not in result.takes.opens)
            for note, precision in found.notes.items()
        ],
        "players": [
            {"player": player, "takes": result.takes_of(player), **_spread_document(spread)}
            for player, spread in found.players.items()
        ],
        "open": {**_spread_document(found.open), "takes_needed": result.takes_needed(found.open)},
        "fretted": {
            **_spread_document(found.fretted),
            "takes_needed": result.takes_needed(found.fretted),
        },
        "refretting_cents": found.refretting_cents,
        "refretting_significant": found.refretting_significant,
        "plucking": None if found.plucking is None else _plucking_document(found.plucking),
        "habit": str(found.habit),
        "explanation": study_sentences(result),
        "readings": [
            {
                **reading_document(each.source, each.reading, a4_hz=result.a4_hz),
                "player": each.player,
                "played_note": each.note,
            }
            for each in result.takes.heard
        ],
    }


def _precision_document(note: str, found: Precision, *, fretted: bool) -> dict[str, Any]:
    return {
        "note": note,
        "fretted": fretted,
        "takes": found.takes,
        "players": found.players,
        "mean_cents": found.mean,
        "repeatability_sd_cents": found.repeatability_sd,
        "dof": found.dof,
        "between_sd_cents": found.between_sd,
        "reproducibility_sd_cents": found.reproducibility_sd,
        "repeatability_limit_cents": _limit(found.repeatability_sd),
        "reproducibility_limit_cents": _limit(found.reproducibility_sd),
    }


def _limit(sd: float | None) -> float | None:
    """What two single takes differ by at most, 19 times in 20 (ISO 5725-6: 1.96 sqrt(2) sd)."""
    return None if sd is None else COVERAGE_95 * 2.0**0.5 * sd


def _spread_document(spread: Spread | None) -> dict[str, Any]:
    return {
        "spread_cents": None if spread is None else spread.cents,
        "dof": 0 if spread is None else spread.dof,
        "interval95_cents": None if spread is None else list(spread.interval95_cents),
    }


def _plucking_document(plucking: Plucking) -> dict[str, Any]:
    return {
        "slope_cents_per_cent": plucking.slope,
        "u_slope_cents_per_cent": plucking.u_slope,
        "attack_sd_cents": plucking.attack_sd_cents,
        "cost_cents": plucking.cost_cents,
        "significant": plucking.significant,
    }


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
            f"{e.where}, {quality_words(e.reading)}",
        )
        for e in result.takes.heard
        if e.note is None
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
        f"settled pitch {plucking.slope:+.3f} ± {COVERAGE_95 * plucking.u_slope:.3f} cents per "
        f"cent of attack sharpness{surely}; attacks spread by {plucking.attack_sd_cents:.1f} cents"
    )
