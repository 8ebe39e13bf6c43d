"""Open against fretted as a document and in words."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial
from typing import Annotated, Final, Literal

from msgspec import UNSET, UnsetType

from pitchbench.analysis.heard import Listened
from pitchbench.analysis.offset import ComparedPluck, LostPluck, OffsetResult, Role
from pitchbench.belief import half95, half_figures
from pitchbench.instrument import BridgeKind
from pitchbench.intonation.bridge import cannot_words, move_interval_words, move_words, what_to_move
from pitchbench.intonation.classify import LeftOut
from pitchbench.intonation.harmonics import IN_DOUBT
from pitchbench.intonation.offset import Group
from pitchbench.intonation.pairs import Pair, disagreement_words
from pitchbench.intonation.verdict import (
    Decision,
    MoreTakes,
    Notice,
    choice_words,
    explain,
    notice_words,
    percent,
)
from pitchbench.notes import Note, ordinal, strings_words
from pitchbench.report.document import NonNegative, Positive, Probability, fill
from pitchbench.report.readings import (
    EITHER,
    MoveDocument,
    ReadingDocument,
    SoundDocument,
    move_document,
    reading_document,
    sound_documents,
)
from pitchbench.session.words import offset_words, rejected_words

#: So near the nut the saddle has a quarter of its leverage at the 12th fret at most.
_NEAR_THE_NUT: Final = 4

_LEFT_OUT_WORDS: Final = {
    LeftOut.ANOTHER_NOTE: "another note",
    LeftOut.ANOTHER_STRING: "another string by its stiffness",
    LeftOut.TOUCHED_HARMONIC: "a touched harmonic",
}


@dataclass(frozen=True)
class RoledReading(ReadingDocument):
    """One pluck and what it counts as, or why as neither; a stray one stands out from others, and
    the likelier a fretted one is bent the less it counts."""

    role: Role | None
    left_out: LeftOut | None
    stray: bool
    p_bent: Probability | None


@dataclass(frozen=True)
class OffsetDocument:
    """What `pitchbench offset --format json` prints."""

    schema: Literal["pitchbench.offset/1"]
    a4_hz: Positive
    string: Note
    open_off_cents: float
    fret: int
    open: Group
    fretted: Group
    offset_cents: float
    u_cents: NonNegative
    interval95_cents: tuple[float, float]
    pairs: tuple[Pair, ...]
    drift_cents_per_min: float | None
    drift_taken_off_cents: float
    tolerance_cents: Positive
    verdict: Decision
    p_within: Probability
    p_moved: Probability | None
    border: bool
    explanation: str
    more_takes: MoreTakes | None
    notices: tuple[Notice, ...]
    move: MoveDocument | None
    scale_mm: Positive
    bridge: BridgeKind
    assumed: tuple[str, ...]
    p_touched_harmonic: Probability
    readings: tuple[Annotated[RoledReading, EITHER], ...]
    sounds: tuple[SoundDocument, ...] | UnsetType = UNSET


def offset_document(
    result: OffsetResult, sounds: Iterable[Listened] | UnsetType = UNSET
) -> OffsetDocument:
    """The whole result, with the recordings it was heard in, which those of a whole instrument
    share."""
    readings = [
        reading_document(
            RoledReading,
            each,
            a4_hz=result.a4_hz,
            role=each.role if isinstance(each, ComparedPluck) else None,
            left_out=each.left_out if isinstance(each, ComparedPluck) else None,
            stray=isinstance(each, ComparedPluck) and result.stray(each),
            p_bent=result.p_bent(each) if isinstance(each, ComparedPluck) else None,
        )
        for each in result.plucks
    ]
    return fill(
        OffsetDocument,
        result,
        result.offset,
        result.verdict,
        string=result.note,
        verdict=result.verdict.decision,
        p_within=result.p_within,
        explanation=why_words(result),
        move=result.move and move_document(result.move),
        scale_mm=result.instrument.scale_of(result.instrument.number_of(result.note)),
        bridge=result.instrument.bridge.kind,
        readings=readings,
        sounds=UNSET if isinstance(sounds, UnsetType) else sound_documents(sounds),
    )


def what_to_do(result: OffsetResult) -> str:
    """The one sentence that the whole command is for."""
    if result.likely_touched:
        return f"Press the string down at the {ordinal(result.neck_fret)} fret and play it again."
    if result.waits_for:
        which = "which share it and are" if len(result.waits_for) > 1 else "which shares it and is"
        what = "bridge" if result.instrument.in_one_piece else "saddle"
        return f"The {what} waits for {strings_words(result.waits_for)}, {which} not known yet."
    if result.verdict.border:
        return f"On the border: {choice_words(result.verdict)}; more takes would hardly decide it."
    move = result.move
    if move is not None and move.out_of_travel:
        return f"{cannot_words(move)}: {move_words(move.whole)} is asked of it. See what to mind."
    if move is not None:
        seen = ", seen from the screw head" if move.rotation else ""
        do = what_to_move(result.instrument, "the").capitalize()
        return f"{do} {move_words(move)}{seen}."
    leave = result.verdict.decision is Decision.LEAVE
    return "Leave the saddle where it is." if leave else "Take more before you touch the saddle."


def why_words(result: OffsetResult) -> str:
    """Why that is to be done, in one sentence."""
    if not result.likely_touched:
        verdict = result.verdict
        if result.waits_for:  # how it lies; more takes of this string would not decide it
            verdict = replace(verdict, decision=Decision.LEAVE)
        return explain(result.offset, verdict, mean=result.mean)
    touched, cents = percent(result.p_touched_harmonic), result.offset.offset_cents
    return (
        f"{cents:+z.1f} cents, if it was pressed down; but with {touched} probability it is a "
        "touched harmonic, which says nothing of the saddle."
    )


def offset_lines(result: OffsetResult) -> list[tuple[str, str]]:
    """Label and words of every line, the sentence that says what to do first."""
    lines = [("do", what_to_do(result)), ("why", why_words(result))]
    lines += figures(result)
    lines += [
        (
            f"partials {pair.open} and {pair.fretted}",
            f"{pair.offset_cents:+z.1f} ± {half_figures(half95(pair.u_cents))} cents, "
            f"{percent(pair.weight)} of the offset",
        )
        for pair in result.offset.pairs
    ]
    lines += [
        (f"take {number}", _take_words(each, result))
        for number, each in enumerate(result.plucks, start=1)
    ]
    lines += [("noticed", words) for words in noticed(result)]
    return lines + [("mind", words) for words in cautions(result)]


def noticed(result: OffsetResult) -> list[str]:
    """What to do about what stands out in the takes."""
    words: list[str] = []
    for notice in result.verdict.notices:
        if notice in BY_THE_TAKES:
            words += BY_THE_TAKES[notice](result)
        else:
            words.append(notice_words(notice, result.verdict))
    return words


def _bent_words(result: OffsetResult, *, sure: bool) -> list[str]:
    """Which takes count less: then the offset is not that of the means."""
    words = []
    for each in result.bent(sure=sure):
        off_cents = result.off_cents(each)
        sharp = off_cents > result.offset.offset_cents
        what = f"{'is' if sure else 'may be'} {'bent sharp' if sharp else 'astray'}"
        words.append(
            f"The fretted take {each.where}, {off_cents:+.1f} cents, {what} and "
            f"{'hardly counts' if sure else 'counts less'}, so the offset is not that of the "
            "means: press straight down."
        )
    return words


def _slipping_words(result: OffsetResult) -> list[str]:
    drift = result.offset.drift_cents_per_min or 0.0
    return [
        f"The string goes {'sharp' if drift > 0.0 else 'flat'} by {abs(drift):.0f} cents a "
        "minute: stretch it, or see what lets it slip, before you take more."
    ]


def _out_of_tune_words(result: OffsetResult) -> list[str]:
    off = result.open_off_cents
    return [
        f"The open takes are {abs(off):.0f} cents {'sharp' if off > 0.0 else 'flat'} of "
        f"{result.note}, the string that was named: is it another string, tuned otherwise, or "
        "behind a capo? What is advised is for the string named."
    ]


#: Of a notice that the takes themselves say more of than the verdict: what they say.
BY_THE_TAKES: Final[dict[Notice, Callable[[OffsetResult], list[str]]]] = {
    Notice.BENT: partial(_bent_words, sure=True),
    Notice.MAY_BE_BENT: partial(_bent_words, sure=False),
    Notice.SLIPPING: _slipping_words,
    Notice.OUT_OF_TUNE: _out_of_tune_words,
    Notice.PARTIALS_DISAGREE: lambda result: [disagreement_words(result.offset.pairs)],
}


def figures(result: OffsetResult) -> list[tuple[str, str]]:
    offset, move = result.offset, result.move
    low, high = offset.interval95_cents
    lines = [
        (
            f"offset at the {ordinal(result.neck_fret)} fret",
            f"{offset_words(offset)}, 95 % between {low:+.1f} and {high:+.1f}",
        )
    ]
    if move is not None:
        between = move_interval_words(move, between=" and ")
        label, said = ("asked", move.whole) if move.out_of_travel else ("move", move)
        lines.append((label, f"{move_words(said)}, 95 % between {between}"))
    lines += [
        (f"open {result.note}", _group_words(offset.open)),
        (f"{ordinal(result.neck_fret)} fret", _group_words(offset.fretted)),
    ]
    if offset.drift_cents_per_min:
        drift = f"{offset.drift_cents_per_min:+.2f} cents per minute"
        less = f"{offset.drift_taken_off_cents:+z.2f} cents of it taken off the offset"
        lines.append(("drift of the string", f"{drift}, {less}"))
    if result.assumed and (move is not None or result.other_notes):
        lines.append(("assumed", "; ".join(result.assumed)))
    return lines


def _group_words(group: Group) -> str:
    takes = f"{group.n} take{'s' * (group.n != 1)}, {group.mean_hz:.3f} Hz"
    if group.spread_cents is None:
        return f"{takes}, spread not known: a usual one is assumed"
    return f"{takes}, spread {group.spread_cents:.1f} cents"


def _take_words(each: ComparedPluck | LostPluck, result: OffsetResult) -> str:
    words = [role_words(each, result), each.where]
    if isinstance(each, ComparedPluck):
        cents, half = result.off_cents(each), half95(each.reading.u_cents)
        words += [f"{each.reading.pitch_hz:.3f} Hz", f"{cents:+.2f} ± {half:.2f} cents"]
    return ", ".join(words)


def role_words(each: ComparedPluck | LostPluck, result: OffsetResult) -> str:
    if isinstance(each, LostPluck):
        return f"rejected, {rejected_words(each.reading.reason)}"
    if each.left_out is not None:
        return f"not counted, {_LEFT_OUT_WORDS[each.left_out]}"
    words = "open" if each.role is Role.OPEN else f"{ordinal(result.neck_fret)} fret"
    return f"{words}, stands out from the others" if result.stray(each) else words


def cautions(result: OffsetResult) -> tuple[str, ...]:
    """What to mind of a string by itself."""
    return (*doubts(result), *move_cautions(result))


def doubts(result: OffsetResult) -> tuple[str, ...]:
    """What is asked of the takes of a string."""
    if result.p_touched_harmonic < IN_DOUBT:
        return ()
    return (
        "The fretted takes agree with the open string as its touched harmonic would. Was the "
        "string pressed down to the fret?",
    )


def move_cautions(result: OffsetResult) -> tuple[str, ...]:
    """What to mind where a saddle is moved."""
    if result.move is None:
        return ()
    if result.offset.fret <= _NEAR_THE_NUT:
        return (
            "So near the nut a saddle does little: compare at the 12th fret first, and if that "
            "one is good, it is the nut.",
            *result.move.cautions,
        )
    return result.move.cautions
