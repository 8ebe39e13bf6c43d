"""The neck survey in words, the same wherever it is shown."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath
from typing import Final

from pitchbench.analysis.neck import HeardChord, HeardString, NeckResult, SurveyedString, tally
from pitchbench.belief import half95, half_figures
from pitchbench.intonation.bridge import (
    DIRECTION_WORDS,
    Move,
    cannot_words,
    move_interval_words,
    move_words,
    short_words,
    what_to_move,
)
from pitchbench.intonation.chords import Chord, Interval
from pitchbench.intonation.compromise import Left, StringSetting
from pitchbench.intonation.neck import NeckAdvice
from pitchbench.intonation.take import Take
from pitchbench.notes import ordinal, strings_words
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.session.words import capo_words, rejected_words

#: Nobody hears a compromise that gains less than this.
_HARDLY_CENTS: Final = 0.3


def result_lines(result: NeckResult) -> list[tuple[str, str]]:
    """Label and words of every line, what to do first."""
    lines = [("do", advice_words(string)) for string in result.strings]
    for string in result.strings:
        lines += [("found", f"{string.name}: {words}") for words in string.findings]
    for string in result.strings:
        lines.append((string.name, term_words(string)))
        lines += fret_words(string)
    for chord in result.chords:
        lines += [(f"chord {chord.shape}", words) for words in chord_words(chord)]
    lines += [("compromise", words) for words in compromise_words(result)]
    lines += remarks(result)
    return lines + [("mind", words) for words in cautions(result)]


def remarks(result: NeckResult) -> list[tuple[str, str]]:
    """What stands beside the strings: strings left out, what is assumed, what to mind."""
    by = result.judged
    instrument = by.instrument
    lines = [
        ("left out", f"{tally(string, instrument)}: too little to tell the nut from the saddle")
        for string in result.heard
        if not string.enough
    ]
    if any(instrument.nut_fret_of(string.neck.string) for string in result.strings):
        capo = f"; {capo_words(instrument)}" if instrument.capo else ""
        lines.insert(0, ("frets", f"counted from the nut of the neck{capo}"))
    heard = {
        instrument.neck_fret(string.number or 0, take.fret)
        for string in result.heard
        for take in string.takes
    }
    used = {
        string.neck_fret(fret)
        for string in result.strings
        for fret in by.weights_of(string.neck.string) or ()
    }
    if unheard := sorted(used - heard):
        frets = ", ".join(map(str, unheard))
        lines.append(("not heard", f"of the frets asked for, {frets}: worked out from the others"))
    lines += [
        ("none of these frets", f"{string.name}: judged by all that were heard")
        for string in result.strings
        if by.weights and by.weights_of(string.neck.string) is None
    ]
    lines += result.remarks
    lines += [("not counted", words) for string in result.heard for words in _uncounted(string)]
    lines += [
        ("rejected", f"{pluck.where}, {rejected_words(pluck.reading.reason)}")
        for string in result.heard
        for pluck in string.plucks
        if isinstance(pluck.reading, Rejected)
    ]
    if (nut := result.shared_nut) is not None:
        size = f"{nut.mean:+.1f} ± {half_figures(half95(nut.u))} cents on the mean"
        alike = f"{size}, much the same on all strings"
        what = result.strings[0].nut
        cause = "the nut, not its slots" if what == "nut" else "how the capo presses"
        lines.append((what, f"{alike}: {cause}"))
    if by.assumed and any(string.verdict.move for string in result.strings):
        lines.append(("assumed", "; ".join(by.assumed)))
    if any(string.verdict.advice is NeckAdvice.TAKE_MORE for string in result.strings):
        lines.append(
            (
                "more takes",
                "play each note two or three times; frettings of one note are taken to spread by "
                "2 cents until repeats show better (or say it with --spread)",
            )
        )
    return lines


def chord_words(chord: HeardChord) -> list[str]:
    """Each note of a chord, each interval, and what is missing in it."""
    words = note_words(chord.before, chord.after)
    words += [
        interval_words(before, after)
        for before, after in zip(chord.before.intervals, chord.after.intervals, strict=True)
    ]
    if chord.left_out:
        words.append(f"without {', '.join(chord.left_out)}, not recorded")
    return words


def advice_words(string: SurveyedString) -> str:
    """What to do about a string's saddle, and which frets were left out of that."""
    return f"{_advice_words(string)}{_left_out_words(string)}"


def _left_out_words(string: SurveyedString) -> str:
    """Which frets do not pull the saddle, and what it comes to with them; empty where all do."""
    choice, move = string.choice, string.verdict.move
    if not choice.left_out:
        return ""
    *first, last = (f"the {ordinal(string.neck_fret(fret))}" for fret in choice.left_out)
    out = f"{', '.join(first)} and {last}, which stand" if first else f"{last}, which stands"
    then = "" if move is None else f" now, {choice.rms_with_all_cents:.1f} {_when(move)}"
    now = f"{choice.rms_before_with_all_cents:.1f}{then}"
    return f" That is without {out} out: with {'them' if first else 'it'} {now}."


def _when(move: Move | None) -> str:
    """When what a move leaves is there: all that is asked, as far as the saddle goes."""
    if move is None or move.goes_back:
        return "then"
    if move.whole.out_of_travel:
        return "at the end of its travel"
    return "then" if move.whole_mm is None else "with all that is asked"


def _advice_words(string: SurveyedString) -> str:  # noqa: PLR0911  # one each
    """What to do about a string's saddle, in one sentence or two."""
    choice, verdict, move = string.choice, string.verdict, string.verdict.move
    now, then = f"{choice.rms_before_cents:.1f}", f"{choice.rms_cents:.1f}"
    then = f"{then} {_when(move)}, {choice.most95_cents:.1f} at most (95 %)"
    shared = _shared_words(string)
    most = f"{choice.most95_before_cents:.1f}"
    match verdict.advice:
        case NeckAdvice.LEAVE if choice.rms_before_cents > string.tolerance_cents:
            return (
                f"{string.name}: leave the saddle; over the frets used it is {now} cents off "
                f"(rms), but {strings_words(string.on_saddle)} share it, and no move of it helps "
                "them all."
            )
        case NeckAdvice.LEAVE:
            return (
                f"{string.name}: leave the saddle; over the frets used it is {now} cents off "
                f"(rms), within {string.tolerance_cents:g}; {most} at most (95 %)."
            )
        case NeckAdvice.MOVE:
            assert move is not None
            do = f"{what_to_move(string.instrument, 'the')} {_move_words(move)}"
            if move.out_of_travel:
                cannot = cannot_words(move)
                do = f"{cannot[0].lower()}{cannot[1:]}: {_move_words(move.whole)} is asked of it"
            return (
                f"{string.name}: {do}.{shared} Over the frets used it is {now} cents off (rms) "
                f"now, {then}."
            )
        case NeckAdvice.NUT_FIRST:
            assert move is not None
            best = f"the best the saddle can do is {_move_words(move)}"
            if move.out_of_travel:
                cannot = cannot_words(move)
                best = f"{cannot[0].lower()}{cannot[1:]}; {_move_words(move.whole)} is asked of it"
            return (
                f"{string.name}: the {_nut_first(string)} first. Left as it is, {best}: {now} "
                f"cents off (rms) now, {then}.{shared}"
            )
        case NeckAdvice.TAKE_MORE if verdict.said_by:
            return (
                f"{string.name}: take more of {strings_words(verdict.said_by)} first, on the same "
                f"saddle; over the frets used this one is {now} cents off (rms), {most} at most "
                "(95 %)."
            )
        case NeckAdvice.TAKE_MORE if choice.rms_before_cents <= string.tolerance_cents:
            return (
                f"{string.name}: take more before you leave it; over the frets used it is {now} "
                f"cents off (rms), within {string.tolerance_cents:g}, but it may be up to {most} "
                "(95 %)."
            )
        case NeckAdvice.TAKE_MORE:
            return (
                f"{string.name}: take more before you touch the saddle; it is {now} cents off "
                "(rms) over the frets used, but the best move may yet be either way."
            )
        case NeckAdvice.NOT_THE_SADDLE:
            return (
                f"{string.name}: {now} cents off (rms) over the frets used, and more than a saddle "
                f"can do; look at the {string.nut}, the frets and the string."
            )


def _nut_first(string: SurveyedString) -> str:
    """ "nut", or "nut of string 5" where that of another string on the saddle holds it up."""
    if not (said_by := string.verdict.said_by):
        return string.nut
    what = "capo" if string.instrument.under_capo(said_by[0]) else "nut"
    return f"{what} of {strings_words(said_by)}"


def _shared_words(string: SurveyedString) -> str:
    """Whose move it is as well; empty where the string has its saddle to itself."""
    beside = string.instrument.bridge.beside(string.neck.string)
    if not beside:
        return ""
    what = "bridge" if string.instrument.in_one_piece else "saddle"
    if unheard := [number for number in beside if number not in string.on_saddle]:
        return f" The {what} is that of {strings_words(unheard)} too: hear all before you move it."
    strings = strings_words(string.on_saddle).capitalize()
    return f" {strings} share it: this is the mean of what they ask for."


def term_words(string: SurveyedString) -> str:
    """Nut and saddle with the half-width of their 95 % intervals."""
    neck = string.neck
    octave = ordinal(string.neck_fret(12))
    nut, saddle = (
        f"{_cents(term.centre)} ± {half_figures(term.half())}" for term in (neck.nut, neck.saddle)
    )
    return f"{string.nut} {nut} cents at every fret, saddle {saddle} at the {octave}"


def brief_words(string: SurveyedString) -> str:
    """ "6 E2 nut +1.6, saddle +1.8 cents, fret 9 stands out"."""
    neck = string.neck
    what = "mark" if string.instrument.fretless else "fret"
    out = [f"{what} {fret} stands out" for fret in string.stands_out]
    terms = f"{string.nut} {_cents(neck.nut.centre)}, saddle {_cents(neck.saddle.centre)} cents"
    return ", ".join([f"{string.label} {terms}", *out])


def offset_words(string: SurveyedString) -> list[tuple[str, str]]:
    """Label and offset of every fret."""
    what = "fret mark" if string.instrument.fretless else "fret"
    return [
        (
            f"{string.name}, {ordinal(string.neck_fret(fret.fret))} {what}",
            f"{_cents(fret.offset_cents)} ± {half_figures(fret.belief.half())} cents",
        )
        for fret in string.neck.frets
    ]


def fret_words(string: SurveyedString) -> list[tuple[str, str]]:
    """Label and words of every fret, with what becomes of it."""
    counts = _counts(string.takes)
    return [
        (
            label,
            f"{offset}, {counts[fret.fret]} take{'s' * (counts[fret.fret] != 1)}, "
            f"{_cents(fret.residual_cents)} beside {string.nut} and saddle"
            + (", stands out" if fret.isolated else "")
            + f", {_cents(string.after_cents[fret.fret])} after the move"
            * (string.verdict.move is not None),
        )
        for fret, (label, offset) in zip(string.neck.frets, offset_words(string), strict=True)
    ]


def note_words(before: Chord, after: Chord) -> list[str]:
    """Each note of a chord, such as "E2 open", "C3 +3.1, then -0.2"."""
    return [
        f"{a.note} open" if a.fret == 0 else f"{a.note} {_cents(a.cents)}, then {_cents(b.cents)}"
        for a, b in zip(before.notes, after.notes, strict=True)
    ]


def interval_words(before: Interval, after: Interval) -> str:
    """ "octave C3 C4: beats 1.20 Hz, then 0.31"."""
    return (
        f"{before.name} {before.lower.note} {before.upper.note}: beats {before.beats_hz:.2f} Hz, "
        f"then {after.beats_hz:.2f}"
    )


def compromise_words(result: NeckResult) -> list[str]:
    """The best compromise for what is played: what it brings, then each string; empty where
    nothing was said of it."""
    best = result.compromise
    if best is None:
        return []
    names = {string.number: string.name for string in result.strings}
    octave = result.judged.instrument.places([each.string for each in best.strings], 12)
    gained = best.at_the_12th.cents - best.best.cents
    now, at_the_12th, with_this = map(_left_words, (best.now, best.at_the_12th, best.best))
    lines = [
        f"What you play is {now} off (rms) now, {at_the_12th} with {octave} as right as can be, "
        f"{with_this} with what follows; it beats {best.now.beats_hz:.2f}, "
        f"{best.at_the_12th.beats_hz:.2f} and {best.best.beats_hz:.2f} times a second."
        + f" Hardly better than {octave} right: set it so."
        * (gained < _HARDLY_CENTS)
    ]
    if any(abs(neck.nut.centre) > neck.nut.half() for _, neck in result.necks):
        capo = any(string.nut == "capo" for string in result.strings)
        lines.append(
            f"A {'capo' if capo else 'nut'} put right as well would leave "
            f"{_left_words(best.with_the_nut)} and {best.with_the_nut.beats_hz:.2f} beats"
            + ("." if capo else ": work for a qualified repairer.")
        )
    return lines + [f"{names[each.string]}: {_setting_words(each)}" for each in best.strings]


def _left_words(left: Left) -> str:
    """ "1.1 cents (95 %: at most 2.3)"."""
    return f"{left.cents:.1f} cents (95 %: at most {left.most95_cents:.1f})"


def _setting_words(setting: StringSetting) -> str:
    move, tuned = setting.move, setting.tuned
    side = "sharp" if tuned.centre > 0 else "flat"
    size = f"{move.size_mm:.1f}"
    if not move.bridge.is_filed:
        size += f" ± {half_figures(half95(setting.u_mm))}"
    saddle = f"saddle {size} mm {DIRECTION_WORDS[move.direction]}"
    if setting.at_its_end:
        saddle += ", the end of its travel"
    elif move.bridge.is_filed:
        saddle += f", {short_words(move)}"
    if abs(tuned.centre) < 0.05:
        return f"{saddle}, open string in tune"
    cents = f"{abs(tuned.centre):.1f} ± {half_figures(tuned.half())} cents"
    return f"{saddle}, open string tuned {cents} {side}"


def cautions(result: NeckResult) -> tuple[str, ...]:
    """What to mind, each thing once, where anything is to be moved."""
    moves = [each.verdict.move for each in result.strings if each.verdict.move is not None]
    if result.compromise is not None:
        moves += [each.move for each in result.compromise.strings if each.move.mm]
    return tuple(dict.fromkeys(caution for move in moves for caution in move.cautions))


def _move_words(move: Move) -> str:
    seen = ", seen from the screw head" if move.rotation else ""
    between = move_interval_words(move, between=" and ")
    return f"{move_words(move)}{seen} (95 % between {between})"


def _cents(value: float) -> str:
    """With its sign; what rounds to nothing is +0.0, never -0.0."""
    return f"{round(value, 1) + 0.0:+.1f}"


def _counts(takes: Sequence[Take]) -> dict[int, int]:
    frets = [take.fret for take in takes]
    return {fret: frets.count(fret) for fret in frets}


def _uncounted(string: HeardString) -> list[str]:
    """Plucks of a string that were well read and do not count."""
    return [
        f"{pluck.where}, "
        + (pluck.why or f"on no fret of {string.note}: another string, or between two frets")
        for pluck in string.plucks
        if isinstance(pluck.reading, Reading) and pluck.fret is None
    ]


def files_words(string: HeardString) -> str:
    """ "E2 e-low.wav, e-high.wav"."""
    return f"{string.note} {', '.join(PurePath(source).name for source in string.sources)}"
