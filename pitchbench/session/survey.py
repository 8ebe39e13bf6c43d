"""A survey of the neck as a pure function: the notes of each string, open and at chosen frets.

One string after the other, so that pitch alone tells the fret; within a string the notes may come
in any order. No clock, no thread, no sound: time is what the events carry. What is worth keeping
is an ``Entry``, as in a session that sets the intonation, and ``resume`` rebuilds a survey from
its entries.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pitchbench.intonation.frets import BETWEEN_FRETS_CENTS
from pitchbench.intonation.neck import heard_offset_cents
from pitchbench.intonation.take import Take
from pitchbench.notes import ordinal
from pitchbench.pitch.listener import ReadingReady
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.session import paired, touched, words
from pitchbench.session.fold import empty_log, read_log
from pitchbench.session.job import Command, Followed, InputBack, KeyPressed, LoggedJob
from pitchbench.session.log import (
    ClearedEntry,
    Entry,
    Ignored,
    SessionTake,
    Setup,
    Step,
    StepEntry,
    StrikeEntry,
    TakeEntry,
    TakeFate,
)
from pitchbench.units import cents_between, mean_hz

#: Frets that separate nut, saddle and single frets well on most necks.
USUAL_FRETS: Final = (1, 3, 5, 7, 9, 12, 15, 17)

#: An open string farther than this from its note is to be tuned before its neck says anything, and
#: one that has moved by more than this since it was first heard has slipped.
OUT_OF_TUNE_CENTS: Final = 10.0

#: An open string as flat or as sharp as this may still be the one that is asked for.
_FLAT_CENTS: Final = 200.0
_SHARP_CENTS: Final = 50.0

#: How the reason begins for which an open string that is to be tuned is ignored.
_OUT_OF_TUNE: Final = "out of tune"


@dataclass(frozen=True)
class Plan:
    """What is to be heard: each string of ``setup.order`` open and at ``frets`` of the neck, every
    note ``takes`` times."""

    setup: Setup
    frets: tuple[int, ...]
    takes: int = 1

    def notes_of(self, string: int) -> tuple[int, ...]:
        """The notes of a string as its takes have them: 0 for open, then frets from its own nut."""
        instrument = self.setup.instrument
        own = range(1, instrument.highest_fret(string) + 1)
        return (0, *(fret for fret in own if instrument.neck_fret(string, fret) in self.frets))


@dataclass(frozen=True, kw_only=True)
class Survey(LoggedJob):
    """A survey as it stands: ``plan`` is what is to be heard, the log what was heard of it."""

    plan: Plan

    @property
    def asks(self) -> str:
        """The one thing to do now."""
        return _asks(self)

    @property
    def takes(self) -> tuple[SessionTake, ...]:
        """Every pluck, whatever became of it, in order."""
        takes = [take for string in self.log.strings for take in string.takes]
        return tuple(sorted(takes, key=lambda take: take.number))

    def decide(self, event: Followed) -> Survey:
        """What follows from ``event``."""
        match event:
            case KeyPressed():
                return _key(self, event)
            case ReadingReady(reading=reading):
                return _pluck(self, reading)
            case InputBack() if not self.finished and string_done(self, self.current):
                return _to_next_string(self)
        return self


# ------------------------------------------------------------------------------ the two doors


def begin(plan: Plan) -> Survey:
    """The survey before anything is heard."""
    return Survey(plan=plan, log=empty_log(plan.setup))


def resume(plan: Plan, entries: Iterable[Entry]) -> Survey:
    """The survey that ``entries`` led to, ready to go on with a new stream of sound."""
    return Survey.led_to_by(read_log(plan.setup, entries), plan=plan)


# ------------------------------------------------------------------------------ what it comes to


def counted(survey: Survey, string: int, fret: int | None = None) -> tuple[SessionTake, ...]:
    """The takes that count on ``string``, or at one fret of it."""
    return tuple(
        take
        for take in survey.takes
        if take.fate is TakeFate.ACCEPTED and take.string == string and fret in (None, take.fret)
    )


def string_done(survey: Survey, string: int) -> bool:
    """Whether every note of ``string`` has been heard often enough."""
    return wanted(survey, string) is None


def heard_times(survey: Survey, string: int, fret: int) -> int:
    """How often a note of ``string`` was heard; what may be a touched harmonic is wanted again."""
    return len(counted(survey, string, fret)) - len(_asked_about(survey, string, fret))


def wanted(survey: Survey, string: int) -> int | None:
    """The note of ``string`` to be played next, 0 for open; None when all have been heard.

    Every note once before any note twice, so that a string that slips tells itself; the open one
    first whenever the string has been tuned anew.
    """
    heard = {fret: heard_times(survey, string, fret) for fret in survey.plan.notes_of(string)}
    if not _opens(survey, string):
        return 0
    missing = [fret for fret, count in heard.items() if count < survey.plan.takes]
    return min(missing, key=lambda fret: (heard[fret], fret), default=None)


def offsets_cents(survey: Survey, string: int) -> dict[int, float | None]:
    """What each fret heard on ``string`` is off against its open note, as far as it is known:
    None where the open note has not been heard yet."""
    takes = statistics_of(counted(survey, string))
    return {
        fret: heard_offset_cents(takes, fret)
        for fret in sorted({take.fret for take in counted(survey, string) if take.fret})
    }


def take_cents(survey: Survey, take: SessionTake) -> float | None:
    """How far one take is off: an open note from its name, a fretted one from the open note of
    its tuning; None where that was not heard."""
    assert take.reading.pitch_hz is not None
    if take.fret == 0:
        return cents_between(take.reading.pitch_hz, survey.setup.open_hz(take.string))
    if take.fret is None or not isinstance(take.reading, Reading):
        return None
    opens = [each for each in counted(survey, take.string, 0) if each.tuning == take.tuning]
    fretted = Take.of(take.reading, fret=take.fret, at_s=take.reading.onset_s)
    return heard_offset_cents((*statistics_of(opens), fretted), take.fret)


def statistics_of(takes: Iterable[SessionTake]) -> tuple[Take, ...]:
    """The takes of one string that count, as the statistics see them.

    Where the string was tuned anew in between, the takes before are moved to the last tuning by
    the ratio of its open note to theirs; those of a tuning without an open note say nothing.
    """
    kept = [
        (take.tuning, Take.of(reading, fret=take.fret, at_s=reading.onset_s))
        for take in takes
        if isinstance(reading := take.reading, Reading)
        and take.fate is TakeFate.ACCEPTED
        and take.fret is not None
    ]
    open_hz = {
        tuning: hz
        for tuning in dict.fromkeys(tuning for tuning, _ in kept)
        if (hz := _mean_hz([take for own, take in kept if own == tuning], 0)) is not None
    }
    return tuple(
        take.tuned(open_hz[max(open_hz)] / open_hz[tuning])
        for tuning, take in kept
        if tuning in open_hz
    )


# ------------------------------------------------------------------------------ small changes


def _logged(
    survey: Survey,
    reading: Reading | Rejected,
    fate: TakeFate,
    *,
    string: int | None = None,
    fret: int | None = None,
    why: str = "",
    tuning: int | None = None,
    ignored: Ignored | None = None,
) -> Survey:
    """Keep a pluck, whatever became of it."""
    string = string or survey.current
    tuning = _tuning(survey, string) if tuning is None else tuning
    take = SessionTake(survey.log.next_take, string, fret, 0, reading, fate, why, tuning, ignored)
    return survey.kept(TakeEntry(reading.onset_s, take))


def _go_to(survey: Survey, string: int) -> Survey:
    return survey.kept(StepEntry(survey.at_s, string, Step.SURVEY))


def _to_next_string(survey: Survey) -> Survey:
    """To the next string in the order of work that is not done yet; at the end, to the end."""
    order = survey.setup.order
    place = order.index(survey.current)
    for string in (*order[place + 1 :], *order[:place]):
        if not string_done(survey, string):
            return _go_to(survey, string)
    if not string_done(survey, survey.current):
        return survey
    return survey.kept(StepEntry(survey.at_s, survey.current, Step.FINISHED))


def _mean_hz(takes: Sequence[Take], fret: int) -> float | None:
    """Geometric mean of the pitches at a fret, None of none."""
    pitches_hz = [take.pitch_hz for take in takes if take.fret == fret]
    return mean_hz(pitches_hz) if pitches_hz else None


def _tuning(survey: Survey, string: int) -> int:
    """How many times the string had slipped and was tuned again."""
    return max((take.tuning for take in survey.takes if take.string == string), default=0)


def _asked_about(survey: Survey, string: int, fret: int) -> tuple[SessionTake, ...]:
    """The takes that count, though they may be harmonics touched at ``fret``."""
    takes = counted(survey, string, fret)
    return tuple(take for take in takes if take.cause is Ignored.TOUCHED_HARMONIC)


def _opens(survey: Survey, string: int) -> tuple[SessionTake, ...]:
    """The open takes of the present tuning."""
    tuning = _tuning(survey, string)
    return tuple(take for take in counted(survey, string, 0) if take.tuning == tuning)


# ------------------------------------------------------------------------------ what is heard


def open_hz(survey: Survey) -> float:
    """The open current string: as it was heard, else as it should be."""
    heard = _mean_hz(statistics_of(_opens(survey, survey.current)), 0)
    return survey.setup.open_hz(survey.current) if heard is None else heard


def fret_of(survey: Survey, pitch_hz: float) -> int | None:
    """The fret at which the current string sounds so; 0 open, None if it does nowhere."""
    cents = cents_between(pitch_hz, open_hz(survey))
    fret = round(cents / 100.0)
    near = abs(cents - 100.0 * fret) <= BETWEEN_FRETS_CENTS
    highest = survey.setup.instrument.highest_fret(survey.current)
    return fret if near and 0 <= fret <= highest else None


def _pluck(survey: Survey, reading: Reading | Rejected) -> Survey:
    """A pluck has ended: what was it, and what follows from it?"""
    if isinstance(reading, Rejected):
        partner = survey.setup.instrument.partner(survey.current)
        why = words.rejected_words(reading.reason, partner)
        survey = _logged(survey, reading, TakeFate.REJECTED, why=why)
        return replace(survey, says=f"Rejected: {why}.")
    off_cents = cents_between(reading.pitch_hz, open_hz(survey))
    fret = fret_of(survey, reading.pitch_hz)
    is_open = fret == 0 or (
        not _opens(survey, survey.current) and -_FLAT_CENTS <= off_cents <= _SHARP_CENTS
    )
    if is_open and abs(off_cents) > OUT_OF_TUNE_CENTS:
        return _out_of_tune(survey, reading)
    if fret is None:
        return _elsewhere(survey, reading)
    return _take(survey, reading, fret)


def _out_of_tune(survey: Survey, reading: Reading) -> Survey:
    """The offsets of a slack string are others: it is tuned first, and what was heard is kept."""
    off_cents = cents_between(reading.pitch_hz, survey.setup.open_hz(survey.current))
    off = words.sharp_or_flat(off_cents, of=survey.spec.note)
    slipped = bool(_opens(survey, survey.current))
    tuning = _tuning(survey, survey.current) + slipped
    why = f"{_OUT_OF_TUNE}, {off}"
    survey = _logged(survey, reading, TakeFate.IGNORED, fret=0, why=why, tuning=tuning)
    return replace(
        survey,
        says=f"String {survey.current}{' has slipped: it' * slipped} is {off}: tune it first.",
    )


def _elsewhere(survey: Survey, reading: Reading) -> Survey:
    """No note of this string. Another string's open note, twice in a row, leads there."""
    other = _other_open(survey, reading.pitch_hz)
    if other is None:
        why = f"no note of this string: pluck string {survey.current} alone, at a fret"
        ignored = Ignored.NO_NOTE_OF_IT
        survey = _logged(survey, reading, TakeFate.IGNORED, why=why, ignored=ignored)
        return replace(survey, says=f"Ignored: {why}.")
    last = survey.log.just_ignored
    if last is not None and last.string == other:
        return _take(_go_to(survey, other), reading, 0)
    note = survey.setup.instrument.string(other).note
    why = f"another string ({other}, {note}): play it once more to go there"
    survey = _logged(
        survey,
        reading,
        TakeFate.IGNORED,
        string=other,
        fret=0,
        why=why,
        ignored=Ignored.ANOTHER_STRING,
    )
    return replace(survey, says=f"Ignored: {why}.")


def _other_open(survey: Survey, pitch_hz: float) -> int | None:
    """The other string whose open note this is, in tune."""
    return next(
        (
            string
            for string in survey.setup.order
            if string != survey.current
            and abs(cents_between(pitch_hz, survey.setup.open_hz(string))) <= OUT_OF_TUNE_CENTS
        ),
        None,
    )


def _take(survey: Survey, reading: Reading, fret: int) -> Survey:
    """A pluck that counts, unless it is a touched harmonic; the last one of its string leads to the
    next string. One that is fretted takes the place of those that were asked about."""
    was_done, string = string_done(survey, survey.current), survey.current
    doubt = touched.doubt(survey.log, reading, fret, once=True)
    if not doubt.counts:
        survey = _logged(
            survey, reading, TakeFate.IGNORED, fret=fret, why=doubt.why, ignored=doubt.cause
        )
        return _struck_out(survey, doubt.struck, says=f"Ignored: {doubt.why}.")
    replaced: tuple[int, ...] = ()
    if touched.shows_fretted(survey.log, reading, fret):
        replaced = tuple(take.number for take in _asked_about(survey, string, fret))
    if doubt.cause is None:
        doubt = paired.doubt(survey.log, reading)
    survey = _logged(
        survey, reading, TakeFate.ACCEPTED, fret=fret, why=doubt.why, ignored=doubt.cause
    )
    survey = _struck_out(survey, replaced)
    says = doubt.why or take_words(survey, survey.takes[-1])
    if replaced:
        says += f"; it takes the place of take {replaced[-1]}"
    survey = replace(survey, says=f"{says}.")
    if was_done or not string_done(survey, survey.current):
        return survey
    return _to_next_string(survey)


def _struck_out(survey: Survey, takes: Iterable[int], says: str | None = None) -> Survey:
    """These takes of the current string count no more."""
    strikes = (StrikeEntry(survey.at_s, survey.current, number) for number in takes)
    return survey.kept(*strikes, says=says)


# ------------------------------------------------------------------------------ keys


def _key(survey: Survey, key: KeyPressed) -> Survey:
    match key.command:
        case Command.NEXT | Command.PREVIOUS:
            order = survey.setup.order
            step = 1 if key.command is Command.NEXT else -1
            string = order[(order.index(survey.current) + step) % len(order)]
            return replace(_go_to(survey, string), says=f"String {string} now.")
        case Command.STRIKE:
            return _strike(survey, key.take)
        case Command.UNDO:
            return survey.taken_back()
        case Command.AGAIN:
            cleared = survey.kept(ClearedEntry(survey.at_s, survey.current))
            return replace(cleared, says=f"String {survey.current} begins anew.")
    return survey


def _strike(survey: Survey, number: int | None) -> Survey:
    """Strike out a take that counts, the last one unless a number is given."""
    known = [take for take in survey.takes if take.fate is TakeFate.ACCEPTED]
    struck = [take for take in known if number in (None, take.number)]
    if not struck:
        return replace(survey, says=words.NOTHING_TO_STRIKE)
    take = struck[-1]
    label = note_words(survey, take.string, take.fret or 0)
    survey = survey.kept(StrikeEntry(survey.at_s, take.string, take.number))
    return replace(_go_to(survey, take.string), says=f"Take {take.number} is struck out: {label}.")


# ------------------------------------------------------------------------------ sentences


def note_words(survey: Survey, string: int, fret: int) -> str:
    """ "string 6 (E2) open", "string 6, 5th fret"."""
    instrument = survey.setup.instrument
    if fret == 0:
        return f"string {string} ({instrument.string(string).note}) open"
    which = ordinal(instrument.neck_fret(string, fret))
    return f"string {string}, {which} fret{' mark' * instrument.fretless}"


def take_words(survey: Survey, take: SessionTake) -> str:
    """A take that counts, and how far off: an open note from its name, the others from it."""
    fret, reading = take.fret or 0, take.reading
    label = note_words(survey, take.string, fret)
    label = label[0].upper() + label[1:]
    off_cents = take_cents(survey, take)
    if off_cents is None or isinstance(reading, Rejected):
        return f"{label}: heard; now the open string"
    if fret == 0:
        note = survey.setup.instrument.string(take.string).note
        return f"{label}: {words.reading_words(reading, off_cents, note)}"
    return f"{label}: {words.sharp_or_flat(off_cents)}"


def _asks(survey: Survey) -> str:
    """The one thing to do now."""
    if (request := words.input_request(survey)) is not None:
        return request
    if survey.finished:
        return "All notes are heard."
    if survey.ringing:
        return "Let it ring." if survey.offered is None else "Damp the string."
    last, note = survey.log.just_ignored, survey.spec.note
    fret = wanted(survey, survey.current)
    if fret is None:
        return f"String {survey.current} is done: play any note of it again, or key n goes on."
    if last is not None and last.why.startswith(_OUT_OF_TUNE):
        asked = f"Tune string {survey.current} up to {note} and pluck it."
    elif fret == 0:
        asked = f"Pluck string {survey.current} ({note}) open."
    else:
        # As short as it can be: on the smallest screen it has one line.
        which = ordinal(survey.setup.instrument.neck_fret(survey.current, fret))
        verb = f"stop it at the {which} mark" * survey.setup.instrument.fretless
        asked = f"String {survey.current}: {verb or f'fret the {which}'} and pluck it."
    return words.by_itself(survey, asked)
