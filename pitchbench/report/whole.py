"""The offsets of a whole instrument as a document and in words: one line for each string."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Annotated, Final, Literal

from pitchbench.analysis.heard import Listened
from pitchbench.analysis.offset import OffsetResult
from pitchbench.analysis.whole import StringOffset, WholeInstrument
from pitchbench.belief import Belief, half_figures
from pitchbench.instrument import Instrument
from pitchbench.intonation.bridge import move_words
from pitchbench.intonation.bridge_line import (
    BridgeLine,
    left_words,
    line_words,
    most_left_words,
)
from pitchbench.intonation.verdict import Decision
from pitchbench.notes import Note, ordinal, strings_words
from pitchbench.report.document import NonNegative, Positive, Probability, Thousandths, fill
from pitchbench.report.offset import (
    OffsetDocument,
    doubts,
    move_cautions,
    noticed,
    offset_document,
    what_to_do,
    why_words,
)
from pitchbench.report.readings import (
    EITHER,
    MoveDocument,
    ReadingDocument,
    SoundDocument,
    move_document,
    reading_document,
    sound_documents,
)
from pitchbench.session.words import offset_words

#: The columns of `row`: heading, whether it holds a number, the narrowest terminal that shows it.
COLUMNS: Final = (
    ("string", False, 0),
    ("cents", True, 0),
    ("±", True, 0),
    ("open", True, 60),
    ("fret", True, 60),
    ("", False, 0),
)


@dataclass(frozen=True)
class MeanDocument:
    """What the strings on one saddle come to together, as cents of one of them."""

    offset_cents: float
    u_cents: NonNegative
    interval95_cents: tuple[float, float]
    p_within: Probability
    p_moved: Probability | None


@dataclass(frozen=True)
class StringOffsetDocument:
    """One string: `offset` as it is printed of a single string, or what is lacking for it.

    Where others share what it lies on, no `move` is its own: its verdict is then that of the
    saddle, by the `mean`, which leaves on it `left_at_best_cents`, wherever the saddle goes; or
    `asks_mm` is what it asks of a bridge in one piece, positive away from the nut.
    """

    string: int
    note: Note
    lacks: str | None
    offset: OffsetDocument | None
    mean: MeanDocument | None
    left_at_best_cents: Thousandths | None
    asks_mm: float | None


@dataclass(frozen=True)
class SharedSaddleDocument:
    """A saddle under several strings, its one verdict and move, and the strings that it `waits_for`
    since nothing is known of them."""

    strings: tuple[int, ...]
    verdict: Decision
    move: MoveDocument | None
    waits_for: tuple[int, ...]


@dataclass(frozen=True)
class BridgeSideDocument:
    """How far one side of a bridge in one piece should go, positive away from the nut."""

    mm: Thousandths
    u_mm: Thousandths


@dataclass(frozen=True)
class BridgeLineDocument:
    """Where a bridge in one piece should go, under string 1 and under the last one; what that
    leaves on each of the `strings` that it is by, and what moving it unturned would."""

    treble: BridgeSideDocument
    bass: BridgeSideDocument
    strings: tuple[int, ...]
    left_cents: tuple[Thousandths, ...]
    unturned_left_cents: tuple[Thousandths, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class OffsetsDocument:
    """What `pitchbench offset --format json` prints of several strings."""

    schema: Literal["pitchbench.offsets/1"]
    a4_hz: Positive
    instrument: str
    fret: int
    assumed: tuple[str, ...]
    strings: tuple[StringOffsetDocument, ...]
    saddles: tuple[SharedSaddleDocument, ...]
    of_no_string: tuple[Annotated[ReadingDocument, EITHER], ...]
    sounds: tuple[SoundDocument, ...]
    bridge: BridgeLineDocument | None = None
    semitones_off: int = 0


def offsets_document(whole: WholeInstrument, sounds: Iterable[Listened]) -> OffsetsDocument:
    """The whole result."""
    saddles = [
        fill(
            SharedSaddleDocument,
            strings=strings,
            verdict=result.verdict.decision,
            move=result.move and move_document(result.move),
            waits_for=result.waits_for,
        )
        for strings, result in _shared_saddles(whole).items()
    ]
    strange = [reading_document(ReadingDocument, each, a4_hz=whole.a4_hz) for each in whole.strange]
    return fill(
        OffsetsDocument,
        whole,
        instrument=whole.instrument.name,
        strings=[_string_document(each, whole) for each in whole.strings],
        saddles=saddles,
        of_no_string=strange,
        sounds=sound_documents(sounds),
        bridge=whole.line and _line_document(whole.line, _minded(whole)),
    )


def _string_document(each: StringOffset, whole: WholeInstrument) -> StringOffsetDocument:
    result = each.result
    if result is None:
        return fill(
            StringOffsetDocument,
            each,
            offset=None,
            mean=None,
            left_at_best_cents=None,
            asks_mm=None,
        )
    own, mean, line = offset_document(result), result.mean, whole.line
    if mean is not None:
        own = replace(own, move=None, p_moved=None)
    elif line is not None:
        own = replace(own, move=None)
    return fill(
        StringOffsetDocument,
        each,
        offset=own,
        mean=mean
        and fill(
            MeanDocument,
            offset_cents=mean.centre,
            u_cents=mean.u,
            interval95_cents=mean.interval(),
            p_within=result.verdict.p_within,
            p_moved=result.verdict.p_moved,
        ),
        left_at_best_cents=result.left_at_best_cents,
        asks_mm=result.move.mm if line and result.move else None,
    )


def _shared_saddles(whole: WholeInstrument) -> dict[tuple[int, ...], OffsetResult]:
    """By the strings on each saddle that goes by their mean, or waits for one of them, what one
    comes to: its answer is that of all."""
    return {
        tuple(sorted((each.string, *whole.instrument.bridge.beside(each.string)))): each.result
        for each in whole.strings
        if each.result is not None and (each.result.mean is not None or each.result.waits_for)
    }


def _left_at_best(strings: tuple[int, ...], whole: WholeInstrument) -> dict[int, float]:
    """What the saddle under ``strings`` leaves at best on each that was heard; empty where that of
    one is not known."""
    left = {
        each.string: each.result.left_at_best_cents
        for each in whole.strings
        if each.string in strings and each.result is not None
    }
    known = {n: cents for n, cents in left.items() if cents is not None}
    return known if len(known) == len(left) else {}


def _minded(whole: WholeInstrument) -> tuple[str, ...]:
    """What to mind where something is moved, each once."""
    results = [each.result for each in whole.strings if each.result is not None]
    return tuple(dict.fromkeys(words for each in results for words in move_cautions(each)))


def _line_document(line: BridgeLine, cautions: tuple[str, ...]) -> BridgeLineDocument:
    def side(belief: Belief) -> BridgeSideDocument:
        return fill(BridgeSideDocument, mm=belief.centre, u_mm=belief.u)

    return fill(
        BridgeLineDocument,
        treble=side(line.treble_mm),
        bass=side(line.bass_mm),
        strings=tuple(line.left_cents),
        left_cents=tuple(line.left_cents.values()),
        unturned_left_cents=tuple(line.mean_left_cents.values()),
        cautions=cautions,
    )


def in_short(whole: WholeInstrument) -> str:
    """What there is to do, in a sentence: "Move 2 saddles, leave 3 where they are."."""
    if whole.line is not None:
        return f"The bridge is one piece: {line_words(whole.line)}."
    judged = [each for each in whole.strings if each.result]
    count = Counter(answer for answer, _ in {_answer(each, whole.instrument) for each in judged})
    filed = whole.instrument.bridge.is_filed
    move = ("file 1 break point", "file {} break points") if filed else _MOVE_SADDLES
    unheard = sum(not each.plucks for each in whole.strings)
    unclear = len(whole.strings) - len(judged) - unheard
    parts = [
        _many(count[Decision.MOVE], *move),
        _many(count["no way"], "1 saddle cannot go so far", "{} saddles cannot go so far"),
        _many(count[Decision.LEAVE], "leave 1 where it is", "leave {} where they are"),
        _many(count[Decision.TAKE_MORE], "take more of 1 string", "take more of {} strings"),
        _many(count["waits"], "1 saddle waits", "{} saddles wait"),
        _many(count["border"], "1 is on the border", "{} are on the border"),
        _many(unclear, "1 string could not be judged", "{} strings could not be judged"),
        _many(unheard, "1 was not heard", "{} were not heard"),
    ]
    words = ", ".join(filter(None, parts))
    return f"{words[:1].upper()}{words[1:]}."


_MOVE_SADDLES: Final = ("move 1 saddle", "move {} saddles")


def _answer(each: StringOffset, instrument: Instrument) -> tuple[str, frozenset[int]]:
    """What there is to do with a string, and the strings that this is the same for: those on its
    saddle."""
    assert each.result is not None
    verdict = each.result.verdict
    on_it = frozenset({each.string, *instrument.bridge.beside(each.string)})
    if each.result.waits_for:
        return "waits", on_it
    if verdict.border or verdict.decision is Decision.TAKE_MORE:
        return "border" if verdict.border else verdict.decision, frozenset({each.string})
    move = each.result.move
    answer = "no way" if move is not None and move.out_of_travel else verdict.decision
    return answer, on_it


def _many(count: int, one: str, more: str) -> str:
    return "" if not count else one if count == 1 else more.format(count)


def row(each: StringOffset, *, in_one_piece: bool = False) -> list[str]:
    """A string's cells, as `COLUMNS` has them; a bridge in one piece is not moved for one."""
    name = f"{each.string} {each.note}"
    if each.result is None:
        return [name, "-", "-", "-", "-", each.lacks_short or ""]
    offset = each.result.offset
    half = half_figures(offset.belief.half())
    groups = [str(offset.open.n), str(offset.fretted.n)]
    return [name, f"{offset.offset_cents:+.1f}", half, *groups, _to_do(each, in_one_piece)]


def _to_do(each: StringOffset, in_one_piece: bool) -> str:
    result = each.result
    assert result is not None
    if result.waits_for:
        return f"waits for {strings_words(result.waits_for)}"
    if in_one_piece and result.verdict.decision is Decision.LEAVE and not result.verdict.border:
        return "asks for no move"
    if result.move is None or result.verdict.border:
        return what_to_do(result)
    if in_one_piece:
        return f"asks for {move_words(result.move)}"
    if result.move.out_of_travel:
        return f"cannot go {move_words(result.move.whole)}"
    return f"{'file' if result.move.bridge.is_filed else 'move'} {move_words(result.move)}"


def lines(whole: WholeInstrument) -> list[tuple[str, str]]:
    """Label and words of every line, what there is to do first."""
    said = [("do", in_short(whole))]
    for each in whole.strings:
        label = f"string {each.string}, {each.note}"
        if each.result is None:
            said.append((label, each.lacks or ""))
            continue
        said += [
            (label, f"{offset_words(each.result.offset)}. {_in_full(each, each.result, whole)}"),
            (f"{label}, why", why_words(each.result)),
        ]
    return said + remarks(whole)


def _in_full(each: StringOffset, result: OffsetResult, whole: WholeInstrument) -> str:
    if whole.line is None or each.string not in whole.line.left_cents:
        return what_to_do(result)
    asked = _to_do(each, in_one_piece=True)
    asked = f"It {asked}" if asked.startswith("asks") else asked.removesuffix(".")
    left = f"{whole.line.left_cents[each.string]:+z.1f} cents"
    return f"{asked}; the bridge as it is advised leaves {left}."


def tuned_otherwise_words(semitones: int) -> str:
    """That all strings seem to be tuned higher or lower than was said, and how to say so."""
    by = f"{abs(semitones)} semitone{'s' * (abs(semitones) != 1)}"
    if semitones < 0:
        return f"All strings seem to be tuned {by} lower: say the tuning with --tuning."
    return (
        f"All strings seem to be {by} higher: say the capo with --capo {semitones}, or the tuning "
        "with --tuning."
    )


def remarks(whole: WholeInstrument) -> list[tuple[str, str]]:
    """What the bridge's place leaves, what stands out, what was assumed, and what to mind: each
    once."""
    results = [(each, each.result) for each in whole.strings if each.result is not None]
    said = [
        ("noticed", f"string {each.string}: {words}")
        for each, result in results
        for words in noticed(result)
    ]
    if whole.semitones_off:
        said.insert(0, ("noticed", tuned_otherwise_words(whole.semitones_off)))
    if whole.line is not None:
        said.insert(0, ("bridge", left_words(whole.line)))
    for group in _shared_saddles(whole):
        words = f"{strings_words(group)} go by the mean of what they ask for"
        left = _left_at_best(group, whole)
        at_best = f"; at best {most_left_words(left)}" if left else ""
        said.append(("one saddle", f"{words}{at_best}"))
    if whole.strange:
        many = len(whole.strange)
        fret = ordinal(whole.fret)
        notes = "pluck is" if many == 1 else "plucks are"
        said.append(
            ("left out", f"{many} {notes} neither an open string nor one at its {fret} fret")
        )
    if whole.assumed and any(result.move for _, result in results):
        said.append(("assumed", "; ".join(whole.assumed)))
    said += [
        ("mind", f"string {each.string}: {words}")
        for each, result in results
        for words in doubts(result)
    ]
    return said + [("mind", words) for words in _minded(whole)]
