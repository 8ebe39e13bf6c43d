"""The one large number: what it says."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from pitchbench.belief import half95, half_figures
from pitchbench.intonation.bridge import DIRECTION_WORDS, Move, to_slacken
from pitchbench.intonation.verdict import Decision, choice_words, sure_words
from pitchbench.lengths import length_words
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.screen.letters import Large
from pitchbench.screen.reference import (
    cents_off,
    fret_words,
    nearest_fret,
    shown_reading,
    target_hz,
)
from pitchbench.screen.text import signed
from pitchbench.screen.theme import Theme
from pitchbench.session.fit import Kind, Match, fit_live
from pitchbench.session.heard import LIVE_NEAR_CENTS, TUNED_WITHIN_CENTS
from pitchbench.session.job import Job
from pitchbench.session.log import Step, StringState, TakeFate
from pitchbench.session.state import State
from pitchbench.session.words import input_request, input_words
from pitchbench.sound.hearing import Fault
from pitchbench.units import cents_between

#: Steps in which an open note is brought to pitch; before the work begins a note is shown as one.
_TUNING: Final = (Step.BEFORE, Step.TUNE, Step.RETUNE)


#: What a single note is captioned.
_NOTE: Final = "this note"


#: Steps in which there is nothing to measure.
_NO_NUMBER: Final = {
    Step.BEFORE: Large("", "", "", "intonation is the last thing to set"),
    Step.FINISHED: Large("", "finished", "", "results below; key q leaves them in the terminal"),
}


def figure_of(cents: float, theme: Theme) -> str:
    """Cents with sign: one decimal below a hundred, none above, where it would mean nothing."""
    return signed(cents, digits=1 if abs(cents) < 100 else 0, theme=theme)


def unheard_large(job: Job) -> Large | None:
    """What is said large where the sound input has to be seen to first; None where it is well."""
    if job.input_lost is not None:
        return Large("", "no sound", "", job.input_lost)
    if job.input is None or input_request(job) is None:
        return None
    word = "too quiet" if job.input.fault is Fault.FAINT else "no sound"
    return Large("", word, "", input_words(job.input))


def large_of(state: State, theme: Theme) -> Large:  # noqa: PLR0911  # one per thing to show
    """What the large number says in ``state``: the note that rings or rang, or the offset."""
    if (unheard := unheard_large(state)) is not None:
        return unheard
    if state.log.step in _NO_NUMBER and not state.ringing:
        return _NO_NUMBER[state.log.step]
    unasked = _unasked(state)
    if unasked is not None:
        return Large("", "not asked", "", unasked.why or unasked.kind, caption=_NOTE)
    if (done := state.just_done) is not None and done.now is not None:
        judged = _offset_large(state, done, theme)
        return replace(judged, word=f"string {done.number}", about=judged.word)
    if _is_tuning(state):
        return _tuning(state, theme)
    if state.log.step is not Step.MOVE and state.ringing:
        return _ringing(state, theme)
    if state.log.string.now is not None:
        return _offset_large(state, state.log.string, theme)
    return _shown_large(state, theme) or Large("", "", "", "no note of this string yet")


def _unasked(state: State) -> Match | None:
    """What a note that rings is, where it is neither of the string at work nor asked for: it is
    not judged by what it should have been."""
    if not state.ringing or state.live is None or state.log.step is Step.MOVE:
        return None
    pitch_hz = state.live.pitch_hz if state.offered is None else state.offered.pitch_hz
    found = fit_live(state.log, pitch_hz)
    if found.kind in (Kind.OPEN, Kind.FRETTED):
        return None
    if found.kind is Kind.OTHER:
        return replace(found, why=f"string {found.string} open")
    return found


def _is_tuning(state: State) -> bool:
    return state.log.step in _TUNING or (state.log.step is Step.LAST_ROUND and not state.log.tuned)


def _direction(cents: float) -> str:
    return "sharp" if cents > 0 else "flat"


def plus_minus(half_width: float, theme: Theme) -> str:
    return f"{theme.glyphs.plus_minus}{half_figures(half_width)}"


def _tuning(state: State, theme: Theme) -> Large:
    """Where the string stands against its tuning: the note's reading, until then its live pitch."""
    about = f"string {state.log.current} against {state.spec.note}"
    reading = _tuning_reading(state)
    if isinstance(reading, Reading):
        cents = cents_between(reading.pitch_hz, target_hz(state))
        word = "in tune" if abs(cents) <= TUNED_WITHIN_CENTS else _direction(cents)
        sure = plus_minus(half95(reading.u_cents), theme)
        return Large(figure_of(cents, theme), word, sure, about, caption=_NOTE)
    if state.live is None:
        coming = Large(" ", "settling", "", about, caption=_NOTE)
        return coming if state.ringing else Large(*[""] * 4)
    cents = cents_between(state.live.pitch_hz, target_hz(state))
    word = "near" if abs(cents) <= LIVE_NEAR_CENTS else _direction(cents)
    return Large(signed(cents, digits=0, theme=theme), word, "", f"{about}, live", caption=_NOTE)


def _tuning_reading(state: State) -> Reading | Rejected | None:
    """The reading of the tuning pluck that rings or rang last; an accepted take is from before, and
    a note that was not asked for is not judged."""
    if state.ringing:
        return state.offered
    take = state.log.last_take
    if take is None or take.fate is TakeFate.ACCEPTED:
        return None
    return take.reading if (take.string, take.fret) == (state.log.current, 0) else None


def _ringing(state: State, theme: Theme) -> Large:
    """A note that rings: "settling" until it has, then its reading."""
    shown = _shown_large(state, theme)
    if shown is not None:
        return shown
    if state.live is None:
        return Large(" ", "settling", "", "", caption=_NOTE)
    fret = nearest_fret(state, state.live.pitch_hz)
    cents = cents_off(state, state.live.pitch_hz, fret)
    # Whole cents: the note still moves, and a flickering decimal would only draw the eye.
    about = _against(state, fret)
    return Large(signed(cents, digits=0, theme=theme), "settling", "", about, caption=_NOTE)


def _against(state: State, fret: int) -> str:
    """What a note is and what it is held against."""
    if fret == 0:
        return f"open against {state.spec.note}"
    return f"{fret_words(state, fret).removeprefix('the ')} against open"


def _shown_large(state: State, theme: Theme) -> Large | None:
    """The reading that is shown, None unless one of a note of this string is."""
    match shown_reading(state):
        case (Reading() as reading, int() as fret):
            cents = cents_off(state, reading.pitch_hz, fret)
            sure = plus_minus(half95(reading.u_cents), theme)
            about = _against(state, fret)
            # Which note it is stands beside the number: what is asked for next may be another.
            word = about.partition(" against")[0]
            return Large(figure_of(cents, theme), word, sure, about, caption=_NOTE)
    return None


def _offset_large(state: State, string: StringState, theme: Theme) -> Large:
    """The offset of a string as it was judged last."""
    offset, verdict = string.now, string.verdict
    assert offset is not None
    about = "too few takes to tell" if verdict is None else sure_words(verdict)
    if verdict is None or verdict.decision is Decision.TAKE_MORE:
        word = "more takes"
    elif verdict.border:
        word = "border"
        about = choice_words(verdict)
    elif verdict.decision is Decision.LEAVE:
        word = "leave it"
    else:
        word = _direction(offset.offset_cents)
    return Large(
        figure_of(offset.offset_cents, theme),
        word,
        plus_minus(offset.belief.half(), theme),
        about,
        caption=f"{fret_words(state, offset.fret).removeprefix('the ')} against open",
    )


def move_large(move: Move) -> Large:
    """The move as the large number, for large print."""
    way, size = DIRECTION_WORDS[move.direction], length_words(move.size_mm)
    first = f"{to_slacken(move.bridge, 'the string')} first"
    if move.turns is None:
        figure, unit = size.split()
        return Large(figure, unit, "", first, way)
    return Large(f"{move.turns:.1f}", "turns", "", f"{size} {way}; {first}", str(move.rotation))


def move_in_brief(move: Move) -> Large:
    """The move beside the word that asks for it, with the caution that there is room for."""
    mind = move.brief_caution
    if move.turns is None:
        way = f"mm {DIRECTION_WORDS[move.direction]}"
        return Large(f"{move.size_mm:.1f}", way, "", mind, unit="")
    return Large(f"{move.turns:.1f}", f"turns {move.rotation}", "", mind, unit="")
