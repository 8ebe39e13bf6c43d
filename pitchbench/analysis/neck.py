"""Plucks at many frets to what ails a neck: nut, saddle or a single fret, and how chords sound."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Final

from pitchbench.analysis.heard import Heard, Plucks, how_often
from pitchbench.errors import RECORD_SO, NoReadingError, PitchbenchError, printable
from pitchbench.instrument import Instrument
from pitchbench.intonation.bridge import filed_off
from pitchbench.intonation.chords import Chord, parse_shape, sound_chord
from pitchbench.intonation.classify import NEAR_CENTS
from pitchbench.intonation.compromise import Compromise, best_compromise
from pitchbench.intonation.fit import Pooled
from pitchbench.intonation.frets import tell_frets
from pitchbench.intonation.harmonics import (
    HARMONIC_AT_FRET,
    IN_DOUBT,
    LIKELIER,
    Touched,
    touched_takes,
)
from pitchbench.intonation.neck import (
    NeckVerdict,
    SaddleChoice,
    StringNeck,
    after_move_cents,
    best_saddle,
    findings,
    judge_shared_saddle,
    nut_as_a_whole,
    on_one_saddle,
    survey,
    uneven_string,
)
from pitchbench.intonation.offset import ScatterPrior
from pitchbench.intonation.played import read_played
from pitchbench.intonation.take import Take
from pitchbench.notes import Note, nearest_note, ordinal
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.units import cents_between

#: Nobody uses one fret so much more than another.
MOST_WEIGHT: Final = 1000.0

#: A recording that holds so many notes, each so far beyond a string's last fret, is not of that
#: string alone; a single one may be a harmonic.
_SEVERAL: Final = 2
_BEYOND_CENTS: Final = 100.0


@dataclass(frozen=True, eq=False)
class NeckPluck(Heard):
    """One pluck.

    Parameters
    ----------
    fret : None where it was rejected or does not count.
    why : why it does not count, where more is known than that it lies on no fret.
    """

    fret: int | None = None
    why: str = ""


@dataclass(frozen=True, eq=False)
class HeardString:
    """One string's plucks, and the takes that count among them; ``number`` is None where the
    instrument is not known."""

    note: Note
    number: int | None
    plucks: tuple[NeckPluck, ...]
    takes: tuple[Take, ...]

    @property
    def enough(self) -> bool:
        """Whether nut and saddle can be told apart: an open note and two frets."""
        frets = {take.fret for take in self.takes}
        return 0 in frets and len(frets) > 2

    @property
    def sources(self) -> tuple[str, ...]:
        """Where it was heard."""
        return tuple(dict.fromkeys(pluck.source for pluck in self.plucks))


@dataclass(frozen=True)
class Judged:
    """By what a neck is judged.

    Parameters
    ----------
    instrument : ``strings`` is empty where they are known from their recordings alone.
    assumed : in words what nobody said of it.
    weights : how much each fret of the neck is used; None for all that were heard alike.
    filed_mm : what was filed off the break points before, string 1 first; empty where nothing was.

    Raises
    ------
    PitchbenchError
        If one of ``weights`` is of a fret at which no string sounds, as one that was counted from
        the capo, or is no weight.
    """

    instrument: Instrument
    assumed: tuple[str, ...]
    weights: Mapping[int, float] | None
    prior: ScatterPrior
    a4_hz: float
    filed_mm: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        first, last = self.instrument.first_fret, self.instrument.frets
        for fret, weight in (self.weights or {}).items():
            if fret not in range(first, last + 1):
                raise PitchbenchError(
                    f"Fret {fret} does not sound: those of the neck that do are {first} to {last}.",
                    "Count the frets from the nut of the neck, with a capo on it too.",
                )
            if not 0.0 <= weight <= MOST_WEIGHT:
                raise PitchbenchError(
                    f"{weight} is no weight of fret {fret}.",
                    f"Give each fret a number from 0 to {MOST_WEIGHT:g}.",
                )

    @property
    def tolerance_cents(self) -> float:
        """What pictures show: the tolerance of strings that have none of their own."""
        return self.instrument.tolerance_cents

    def weights_of(self, number: int) -> Mapping[int, float] | None:
        """How much each fret of a string is used, counted from its nut as takes are; None for all
        alike, as on a short string that none of the frets used lies on."""
        used = self.weights or {}
        own = {
            fret: used[at]
            for fret in range(1, self.instrument.highest_fret(number) + 1)
            if (at := self.instrument.neck_fret(number, fret)) in used
        }
        return own or None


@dataclass(frozen=True, eq=False)
class SurveyedString:
    """All that is known of one string.

    Parameters
    ----------
    number : 1 the highest; None where the instrument is not known.
    instrument : what it is on.
    on_saddle : the strings heard that its saddle was judged by, itself among them.
    scale_mm : nominal length from its nut to the saddle.
    tolerance_cents : how far off it may be left.
    takes : what counted, open and fretted.
    after_cents : offset at each measured fret once the move is made, as far as the saddle can go;
        as it is where there is none.
    findings : what it shows, in a repairer's words.
    stiffness_b : B of the open string, None where it was not measured.
    """

    number: int | None
    note: Note
    instrument: Instrument
    on_saddle: tuple[int, ...]
    scale_mm: float
    tolerance_cents: float
    files: tuple[str, ...]
    takes: tuple[Take, ...]
    neck: StringNeck
    choice: SaddleChoice
    verdict: NeckVerdict
    after_cents: Mapping[int, float]
    findings: tuple[str, ...]
    stiffness_b: float | None

    @property
    def label(self) -> str:
        """ "6 E2", or the note alone."""
        return str(self.note) if self.number is None else f"{self.number} {self.note}"

    @property
    def name(self) -> str:
        """ "String 6, E2", or "String E2"."""
        return (
            f"String {self.note}" if self.number is None else f"String {self.number}, {self.note}"
        )

    @property
    def nut(self) -> str:
        """What the string begins at: "nut" or "capo"."""
        return "capo" if self.instrument.under_capo(self.neck.string) else "nut"

    @property
    def stands_out(self) -> tuple[int, ...]:
        """The frets of the neck that the others do not explain."""
        return tuple(self.neck_fret(fret.fret) for fret in self.neck.frets if fret.isolated)

    def neck_fret(self, fret: int) -> int:
        """The fret of the neck that is ``fret`` frets from the string's nut."""
        return self.instrument.neck_fret(self.neck.string, fret)


@dataclass(frozen=True)
class HeardChord:
    """A chord before and after the moves; ``left_out`` names its strings that were not recorded."""

    shape: str
    before: Chord
    after: Chord
    left_out: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class NeckResult:
    """All that is shown, in words or as a document; ``remarks`` are labels and words of how the
    plucks came to be heard, ``session`` the id of the survey on record; ``compromise`` is there
    where it was said what is played."""

    judged: Judged
    heard: tuple[HeardString, ...]
    strings: tuple[SurveyedString, ...]
    chords: tuple[HeardChord, ...]
    remarks: tuple[tuple[str, str], ...] = ()
    session: str | None = None
    compromise: Compromise | None = None

    @property
    def necks(self) -> list[tuple[str, StringNeck]]:
        """Label and survey of each string, as pictures want them."""
        return [(string.label, string.neck) for string in self.strings]

    @property
    def shared_nut(self) -> Pooled | None:
        """The nut term of all strings, where it matters and they hardly differ in it; None too
        where a capo covers some of them alone."""
        if len({string.nut for string in self.strings}) > 1:
            return None
        return nut_as_a_whole(
            [string.neck for string in self.strings],
            tolerance_cents=self.judged.tolerance_cents,
        )


def judge_neck(
    heard: Sequence[HeardString],
    by: Judged,
    *,
    shapes: Sequence[str] = (),
    played: Sequence[str] = (),
    remarks: Sequence[tuple[str, str]] = (),
    session: str | None = None,
) -> NeckResult:
    """What the plucks come to; with the best compromise for what is ``played``, in words as
    `intonation.played.read_played` has them.

    Raises
    ------
    NoReadingError
        If no string was heard open and at two frets.
    """
    strings = _surveyed([string for string in heard if string.enough], by)
    if not strings:
        raise NoReadingError(
            "There is too little to tell the nut from the saddle: "
            f"{'; '.join(tally(string, by.instrument) for string in heard)}.",
            f"Play each string open and at two frets or more, such as {_such_as(heard, by)}, two "
            "seconds each; say a string that is far out of tune with --string, or tune it first.",
        )
    chords = tuple(_chord(shape, strings, by) for shape in shapes)
    best = None
    if played:
        best = best_compromise(
            [string.neck for string in strings],
            by.instrument,
            read_played(played, by.instrument),
            a4_hz=by.a4_hz,
        )
    return NeckResult(by, tuple(heard), strings, chords, tuple(remarks), session, best)


def _such_as(heard: Sequence[HeardString], by: Judged) -> str:
    """Two frets that tell, as they are counted on the neck: "the 1st and the 12th"."""
    number = next((string.number or 0 for string in heard), 0)
    first, octave = (ordinal(by.instrument.neck_fret(number, fret)) for fret in (1, 12))
    return f"the {first} and the {octave}"


def tally(string: HeardString, instrument: Instrument) -> str:
    """What was heard of a string: "G3: open 2 times, fret 12 1 time, 1 rejected"."""
    number = string.number or 0
    frets = sorted(instrument.neck_fret(number, take.fret) for take in string.takes)
    words = how_often("open" if fret == 0 else f"fret {fret}" for fret in frets)
    rejected = sum(isinstance(pluck.reading, Rejected) for pluck in string.plucks)
    told = [p.why for p in string.plucks if isinstance(p.reading, Reading) and p.why]
    other = len(string.plucks) - rejected - len(told) - len(frets)
    words += [f"{other} on no fret of it"] * bool(other) + [f"{rejected} rejected"] * bool(rejected)
    why = f", {told[0]}" if len(set(told)) == 1 else ""
    words += [f"{len(told)} not counted{why}"] * bool(told)
    return f"{string.note}: {', '.join(words) or 'no pluck at all'}"


def _surveyed(heard: Sequence[HeardString], by: Judged) -> tuple[SurveyedString, ...]:
    """Every string, those that share a saddle by one move."""
    on: dict[object, list[int]] = {}
    for place, string in enumerate(heard):
        number = string.number
        beside = () if number is None else by.instrument.bridge.beside(number)
        on.setdefault(frozenset((number or string.note, *beside)), []).append(place)
    found = {
        place: each
        for places in on.values()
        for place, each in zip(places, _on_saddle([heard[n] for n in places], by), strict=True)
    }
    return tuple(found[place] for place in range(len(heard)))


def _on_saddle(strings: Sequence[HeardString], by: Judged) -> list[SurveyedString]:
    """The strings of one saddle."""
    instrument = by.instrument
    if strings[0].number is None:  # the setback on record is then of some other string
        instrument = replace(instrument, setback_mm=())
    necks = [
        survey(number, string.takes, prior=by.prior, moved_mm=filed_off(by.filed_mm, number))
        for string in strings
        for number in (string.number or 0,)
    ]
    choices = [best_saddle(neck, instrument, by.weights_of(neck.string)) for neck in necks]
    choices = on_one_saddle(necks, choices, instrument)
    verdicts = judge_shared_saddle(necks, choices, instrument)
    on_saddle = tuple(neck.string for neck in necks)
    return [
        _known(*each, instrument=instrument, on_saddle=on_saddle)
        for each in zip(strings, necks, choices, verdicts, strict=True)
    ]


def _known(
    string: HeardString,
    neck: StringNeck,
    choice: SaddleChoice,
    verdict: NeckVerdict,
    *,
    instrument: Instrument,
    on_saddle: tuple[int, ...],
) -> SurveyedString:
    opens = [pluck.reading for pluck in string.plucks if pluck.fret == 0]
    within = instrument.tolerance_of(string.number or 0)
    move_mm = 0.0 if verdict.move is None else verdict.move.reach_mm
    stiffness = [reading.stiffness_b for reading in opens if reading.stiffness_b is not None]
    uneven = [words for reading in opens if (words := uneven_string(reading.partials))]
    return SurveyedString(
        number=string.number,
        note=string.note,
        instrument=instrument,
        on_saddle=on_saddle,
        scale_mm=instrument.scale_of(string.number or 0),
        tolerance_cents=within,
        files=string.sources,
        takes=string.takes,
        neck=neck,
        choice=choice,
        verdict=verdict,
        after_cents={
            fret.fret: after_move_cents(neck, fret.fret, instrument, move_mm=move_mm)
            for fret in neck.frets
        },
        findings=(
            *findings(neck, instrument, tolerance_cents=within),
            *(uneven[:1] if 2 * len(uneven) > len(opens) else ()),
            *_doubts(string, instrument),
        ),
        stiffness_b=median(stiffness) if stiffness else None,
    )


def _doubts(string: HeardString, instrument: Instrument) -> list[str]:
    """What is asked of notes that count, though they may be touched harmonics."""
    return [
        f"At {instrument.place(string.number or 0, fret)} it sounds as the open string's touched "
        "harmonic would. Was the string pressed down?"
        for fret in HARMONIC_AT_FRET
        if _touched(string.plucks, fret)[1].probability >= IN_DOUBT
    ]


def _touched(plucks: Sequence[NeckPluck], fret: int) -> tuple[list[Reading], Touched]:
    """The notes at ``fret``, and which of them are likelier touched than fretted."""
    opens, takes = (
        [p.reading for p in plucks if p.fret == n and isinstance(p.reading, Reading)]
        for n in (0, fret)
    )
    return takes, touched_takes(takes, opens, fret=fret, sure=LIKELIER)


def without_harmonics(
    plucks: Sequence[NeckPluck], number: int, instrument: Instrument
) -> tuple[NeckPluck, ...]:
    """The plucks of string ``number`` in one tuning, of which no touched harmonic counts.

    What is likelier touched than fretted is left out: the other frets speak for it.
    """
    why_of = {}
    for fret in HARMONIC_AT_FRET:
        takes, found = _touched(plucks, fret)
        place = instrument.place(number, fret)
        why = f"likely a harmonic touched at {place}: press the string down there"
        why_of.update({id(takes[k]): why for k in found.which})
    return tuple(
        replace(pluck, fret=None, why=why_of[id(pluck.reading)])
        if id(pluck.reading) in why_of
        else pluck
        for pluck in plucks
    )


def _chord(shape: str, strings: Sequence[SurveyedString], by: Judged) -> HeardChord:
    """The chord on the strings that were surveyed; the others are left out of it."""
    instrument = by.instrument
    known = {string.number: string for string in strings}
    count = len(instrument.strings)
    frets = dict(zip(range(count, 0, -1), parse_shape(shape, count), strict=True))
    sounding = "-".join(
        "x" if fret is None or number not in known else str(fret) for number, fret in frets.items()
    )
    b_of = [known[n].stiffness_b or 0.0 if n in known else 0.0 for n in range(1, count + 1)]

    def move_mm(string: SurveyedString) -> float:
        return 0.0 if string.verdict.move is None else string.verdict.move.reach_mm

    def now(number: int, fret: int) -> float:
        return known[number].neck.expected_cents(fret)

    def then(number: int, fret: int) -> float:
        string = known[number]
        return after_move_cents(string.neck, fret, instrument, move_mm=move_mm(string))

    return HeardChord(
        shape,
        sound_chord(sounding, instrument, now, stiffness_b=b_of, a4_hz=by.a4_hz),
        sound_chord(sounding, instrument, then, stiffness_b=b_of, a4_hz=by.a4_hz),
        tuple(
            str(instrument.string(n).note)
            for n, fret in frets.items()
            if fret is not None and n not in known
        ),
    )


# -- from recordings to strings: one file is one string, pitch tells the frets ------------------


def by_string(
    told: Iterable[tuple[Plucks, Note | None]],
    named: Sequence[Note],
    instrument: Instrument | None,
    a4_hz: float,
) -> dict[Note, list[Plucks]]:
    """The files of each string, highest string first; one file is one string.

    A file that was not put to a string belongs to the only string named, or to the one that its
    lowest note is nearest to.
    """
    tuned = [] if instrument is None else [spec.note for spec in instrument.strings]
    grouped: dict[Note, list[Plucks]] = {}
    only = named[0] if len(named) == 1 else None
    for sound, said in told:
        told_note = said or only or _lowest_names(sound, named or tuned, a4_hz)
        if told_note is not None and instrument is not None and len(tuned) > 1:
            _refuse_several(sound, told_note, instrument, a4_hz)
        if told_note is not None:
            grouped.setdefault(told_note, []).append(sound)
    if not grouped:
        raise NoReadingError(
            "There is no usable reading in what was heard.",
            RECORD_SO,
        )
    return dict(sorted(grouped.items(), reverse=True))


def _lowest_names(sound: Plucks, notes: Sequence[Note], a4_hz: float) -> Note | None:
    """The string that a file's lowest note names; None where nothing settled in it."""
    pitches = [r.pitch_hz for r in sound.readings if isinstance(r, Reading)]
    if not pitches:
        return None
    lowest = min(pitches)
    if not notes:
        return nearest_note(lowest, a4_hz)[0]
    nearest = min(notes, key=lambda note: abs(cents_between(lowest, note.hz(a4_hz))))
    # Not farther: a fretted note of the string below must not pass for a flat open string.
    if abs(cents_between(lowest, nearest.hz(a4_hz))) > NEAR_CENTS:
        raise NoReadingError(
            f"The lowest note in {printable(sound.source)!r} is "
            f"{nearest_note(lowest, a4_hz)[0]}, no open string of these: "
            f"{', '.join(map(str, notes))}.",
            "Play the open string in each file, or say the string before its files: "
            "--string E2 FILE.",
        )
    return nearest


def _refuse_several(sound: Plucks, note: Note, instrument: Instrument, a4_hz: float) -> None:
    """Refuse a file whose notes do not all fit on the string: the open strings beside it would be
    taken for its frets."""
    highest_hz = note.up(instrument.highest_fret(instrument.number_of(note) or 0)).hz(a4_hz)
    beyond = [
        reading.pitch_hz
        for reading in sound.readings
        if isinstance(reading, Reading)
        and cents_between(reading.pitch_hz, highest_hz) > _BEYOND_CENTS
    ]
    if len(beyond) >= _SEVERAL:
        raise NoReadingError(
            f"{printable(sound.source)!r} holds {nearest_note(max(beyond), a4_hz)[0]}, which is "
            f"beyond the last fret of the {note} string: there seem to be several strings in it.",
            "Give each string a recording of its own; `pitchbench offset` takes those of a whole "
            "instrument.",
        )


def heard_string(
    note: Note, sounds: Sequence[Plucks], instrument: Instrument, a4_hz: float
) -> HeardString:
    """Every pluck of a string with its fret, on one clock over all its files."""
    plucks: list[tuple[float, NeckPluck]] = []
    began_s = 0.0
    for sound in sounds:
        plucks += [(began_s, NeckPluck(sound.source, reading)) for reading in sound.readings]
        began_s += sound.length_s
    number = instrument.number_of(note)
    settled = [pluck.reading for _, pluck in plucks if isinstance(pluck.reading, Reading)]
    frets = tell_frets(
        [reading.pitch_hz for reading in settled],
        open_hz=note.hz(a4_hz),
        highest=instrument.highest_fret(number),
    )
    fret_of = dict(zip(map(id, settled), frets, strict=True))
    heard = [replace(each, fret=fret_of.get(id(each.reading))) for _, each in plucks]
    starts = (began_s for began_s, _ in plucks)
    told = list(zip(starts, without_harmonics(heard, number, instrument), strict=True))
    return HeardString(
        note,
        number or None,
        tuple(pluck for _, pluck in told),
        tuple(
            Take.of(reading, fret=pluck.fret, at_s=began_s + reading.onset_s)
            for began_s, pluck in told
            if isinstance(reading := pluck.reading, Reading) and pluck.fret is not None
        ),
    )
